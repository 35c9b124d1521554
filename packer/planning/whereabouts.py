"""Where on Earth a plan lies, and what of that is likely a slip: exchanged coordinates, a missing position, a far area.

Thresholds are common practice, no source: a crew's areas lie within some hundred kilometres of one another.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from packer.geometry.geodesics import GEOD
from packer.geometry.grid import Floats, LonLatBox
from packer.geometry.position_text import decimal_text, mgrs_text
from packer.geometry.shapes import Corridor, Polygons, Shape, enclosing, wrapped
from packer.planning.brief import OVERVIEW, Brief
from packer.planning.plan import Plan

__all__ = ["AreaPlace", "doubts", "places", "where_json"]

_FAR_M = 500_000.0
_TIMES_FARTHER = 3.0  # than any of the others from its nearest
_BACK_M = 150_000.0  # so near to another area, an exchange brings it back
_WIDE_DEG = 180.0
_NULL_M = 20_000.0
_LARGE_OVERVIEW = 2000  # tiles; below, it costs nobody anything
_SAMPLES = 12
_EARTH_M = 6_371_008.8  # mean radius of WGS84 (NGA.STND.0036, from memory): near enough to tell far from near


@dataclass(frozen=True, slots=True)
class AreaPlace:
    """One area: its middle in degrees, the box round it, and metres to the nearest other, None where it is alone."""

    name: str
    lon: float
    lat: float
    box: LonLatBox
    nearest: str | None
    nearest_m: float | None

    @property
    def text(self) -> str:
        """The middle in degrees."""
        return decimal_text(self.lon, self.lat)

    @property
    def mgrs(self) -> str:
        """The middle as an MGRS reference."""
        return mgrs_text(self.lon, self.lat)


def places(plan: Plan) -> list[AreaPlace]:
    """Every area's place, in the order of the brief. Distances are between outlines, to within some kilometres."""
    samples = {name: _samples(shape) for name, shape in plan.shapes.items()}
    near = _nearest(samples)
    found = []
    for name, shape in plan.shapes.items():
        box = enclosing(shape.boxes())
        lon, lat = _middle(box)
        nearest, distance = near.get(name, (None, None))
        found.append(AreaPlace(name, lon, lat, box, nearest, distance))
    return found


def where_json(plan: Plan) -> dict[str, Any]:
    """One plain document: the extent and each area's place."""
    return {
        "extent": list(plan.bounds),
        "areas": {
            one.name: {
                "middle": [round(one.lon, 6), round(one.lat, 6)],
                "mgrs": one.mgrs,
                "box": [round(v, 6) for v in one.box],
                "nearest": one.nearest,
                "nearest_km": None if one.nearest_m is None else round(one.nearest_m / 1000, 1),
            }
            for one in places(plan)
        },
    }


def doubts(brief: Brief, plan: Plan) -> list[str]:
    """What is likely a slip, a sentence each, with the area's name in quotes."""
    found = places(plan)
    return [*_far(found), *_wide(brief, found), *_null(plan), *_large_overview(plan)]


# ------------------------------------------------------------------------------------------------ distances


def _samples(shape: Shape) -> Floats:
    """Up to a dozen positions of a shape's outline, (n, 2), evenly picked from its vertices."""
    if isinstance(shape, Corridor):
        every = np.concatenate(shape.lines)
    elif isinstance(shape, Polygons):
        every = np.concatenate([rings[0] for rings in shape.polygons])
    else:
        box = shape.boxes()[0]
        across = (box.west, (box.west + box.east) / 2, box.east)
        every = np.array([(lon, lat) for lon in across for lat in (box.south, box.north)])
    picked: Floats = every[np.unique(np.linspace(0, len(every) - 1, _SAMPLES).astype(int))]
    return picked


def _vectors(positions: Floats) -> Floats:
    lon, lat = np.radians(positions[:, 0]), np.radians(positions[:, 1])
    return np.column_stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])


def _nearest(samples: Mapping[str, Floats]) -> dict[str, tuple[str, float]]:
    """For each area its nearest other one and the metres to it, on the sphere."""
    names = list(samples)
    if len(names) < 2:
        return {}
    vectors = [_vectors(samples[name]) for name in names]
    every = np.concatenate(vectors)
    owner = np.repeat(np.arange(len(names)), [len(v) for v in vectors])
    found = {}
    for number, own in enumerate(vectors):
        cosines = (own @ every.T).max(axis=0)
        cosines[owner == number] = -2.0
        best = int(cosines.argmax())
        angle = math.acos(min(1.0, float(cosines[best])))
        found[names[number]] = names[int(owner[best])], angle * _EARTH_M
    return found


def _middle(box: LonLatBox) -> tuple[float, float]:
    east = box.east + 360 if box.west > box.east else box.east
    return wrapped((box.west + east) / 2), (box.south + box.north) / 2


def _apart_m(a: tuple[float, float], b: tuple[float, float]) -> float:
    return float(GEOD.inv(*a, *b)[2])


# ------------------------------------------------------------------------------------------------ slips


def _far(found: list[AreaPlace]) -> Iterator[str]:
    suspects = [one for one in found if (one.nearest_m or 0.0) > _FAR_M]
    if len(found) == 2 and len(suspects) == 2:  # either may be the wrong one
        suspects = [one for one in suspects if _swap(one, found)][-1:] or suspects[1:]
    for one in suspects:
        rest = [o for o in found if o not in suspects] if len(found) > 2 else []
        usual = max((o.nearest_m or 0.0 for o in rest), default=0.0)
        if (one.nearest_m or 0.0) < _TIMES_FARTHER * usual:
            continue
        swap = _swap(one, found)
        remedy = f" With {swap} it would lie beside the others: it is most likely that slip." if swap else ""
        yield (
            f'Area "{one.name}" lies far from all others: {(one.nearest_m or 0.0) / 1000:,.0f} km from '
            f'"{one.nearest}", at {one.text}.{remedy}'
        )


def _swap(one: AreaPlace, found: list[AreaPlace]) -> str | None:
    """The exchange that brings an area's middle back to another one, in words."""
    tries = {
        "latitude and longitude exchanged": (one.lat, one.lon),
        "west and east exchanged": (-one.lon, one.lat),
        "north and south exchanged": (one.lon, -one.lat),
        "latitude and longitude exchanged, and west and east": (-one.lat, one.lon),
    }
    others = [o for o in found if o.name != one.name]
    best: tuple[float, str] | None = None
    for words, (lon, lat) in tries.items():
        if abs(lat) <= 90:
            away = min(max(_apart_m((lon, lat), (o.lon, o.lat)) - _half_m(o), 0.0) for o in others)
            if away < _BACK_M and (best is None or away < best[0]):
                best = away, words
    return best[1] if best else None


def _half_m(one: AreaPlace) -> float:
    return _apart_m((one.lon, one.lat), (one.box.east, one.box.north))


def _wide(brief: Brief, found: list[AreaPlace]) -> Iterator[str]:
    boxes = {area.name: area.box for area in brief.areas if area.box is not None}
    for one in found:
        west, _, east, _ = one.box
        width = (east - west) % 360 or 360.0
        if width <= _WIDE_DEG:
            continue
        exchanged = (
            f" With west and east exchanged it would be {360 - width:.2f}° wide." if one.name in boxes else ""
        )
        yield f'Area "{one.name}" reaches round most of the world: {width:.0f}° of longitude.{exchanged}'


def _null(plan: Plan) -> Iterator[str]:
    for name, shape in plan.shapes.items():
        away = min(_apart_m((0.0, 0.0), (float(lon), float(lat))) for lon, lat in _samples(shape))
        if away < _NULL_M:
            yield (
                f'Area "{name}" reaches to 0° N, 0° E, in the open sea off Africa. Positions that are missing in a '
                "file often come out there."
            )


def _large_overview(plan: Plan) -> Iterator[str]:
    overview = others = 0
    for layer in plan.layers.values():
        coarse = sum(len(area.tiles) for area in layer.areas if area.name == OVERVIEW)
        overview, others = overview + coarse, others + len(layer.tiles) - coarse
    if overview > _LARGE_OVERVIEW and overview > others:
        yield (
            f"The overview has {overview:,} tiles, more than everything else together ({others:,}). Areas that lie far "
            "apart make it wide: check where they lie, or make the overview less deep."
        )
