"""A walk along the route: how deep the map is on board at each metre of it, and where it has gaps.

A tile that is not on board leaves a gap where the line passes within the half-width of its square: the same
rule by which tiles are planned (`cover`). So only tiles that are not on board are looked at.

Pure: knows neither network nor SQLite.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from packer.geometry.cover import cover_corridor
from packer.geometry.depth import places_below, short_of
from packer.geometry.grid import Floats, tiles_at
from packer.geometry.shapes import Corridor, Waypoint
from packer.geometry.tileset import TileSet
from packer.planning.plan import AreaPlan, LayerPlan, Plan, lines_of
from packer.proof.depths import Holdings, counted_as_stored
from packer.proof.line_spans import LinePath, Spans, inside, merged, spans_near

__all__ = ["LineWalk", "Stop", "Stretch", "walk"]

_COUNTED = 200  # gaps of one line and layer whose tiles are counted, the longest first


@dataclass(frozen=True, slots=True)
class Stretch:
    """Part of a line, in metres from its start, over which the map is on board to one depth.

    `complete_to` is the zoom to which every tile within the half-width is there, None where not even the layer's
    first zoom is complete; `held` is what every place there holds (see `depths`), which a hole high up does not
    lessen. `missing`, `absent` and `corrupt` count the tiles within the half-width; None if not counted. `seconds`
    is what fetching the missing and corrupt ones takes at the last speed. Ends are (longitude, latitude).
    """

    from_m: float
    to_m: float
    complete_to: int | None
    start: tuple[float, float]
    end: tuple[float, float]
    missing: int | None = 0
    absent: int | None = 0
    seconds: float | None = None
    corrupt: int | None = 0
    held: int | None = None

    def to_dict(self) -> dict[str, Any]:
        """One plain document; distances in km, to the metre."""
        return {
            "from_km": round(self.from_m / 1000, 3),
            "to_km": round(self.to_m / 1000, 3),
            "complete_to": self.complete_to,
            "held": self.held,
            "missing": self.missing,
            "absent": self.absent,
            "corrupt": self.corrupt,
            "seconds": None if self.seconds is None else round(self.seconds, 1),
            "from": [round(v, 6) for v in self.start],
            "to": [round(v, 6) for v in self.end],
        }


@dataclass(frozen=True, slots=True)
class Stop:
    """A waypoint at whose own tile the map is not as deep as planned; `at_m` is the nearest place on the line."""

    waypoint: Waypoint
    at_m: float
    complete_to: int | None


@dataclass(frozen=True, slots=True)
class LineWalk:
    """One line of an area against one layer, planned from zoom `first` to `deepest`.

    `line` counts the lines of the area from 1. `stretches` take in the whole line without a gap or an overlap.
    `path` is the line cut into short pieces: arrays of metres along it, longitude and latitude. `asked` is the
    deepest zoom in the brief, which the layer may not have, and `floor` is as in `AreaPlan`.
    """

    area: str
    line: int
    layer: str
    length_m: float
    first: int
    deepest: int
    stretches: tuple[Stretch, ...]
    stops: tuple[Stop, ...]
    path: tuple[Floats, Floats, Floats]
    asked: int
    floor: int | None

    @property
    def below_floor(self) -> tuple[tuple[float, float], ...]:
        """Where the map does not reach the area's floor: from and to in metres, ascending and apart."""
        spans: list[tuple[float, float]] = []
        for one in self.stretches:
            if self.floor is not None and (one.held is None or one.held < self.floor):
                joins = spans and spans[-1][1] == one.from_m
                spans.append((spans.pop()[0] if joins else one.from_m, one.to_m))
        return tuple(spans)

    @property
    def gaps(self) -> tuple[Stretch, ...]:
        """The stretches over which the map is not as deep as planned."""
        return tuple(s for s in self.stretches if s.complete_to != self.deepest)

    def to_dict(self) -> dict[str, Any]:
        """One plain document; distances in km, to the metre."""
        return {
            "area": self.area,
            "line": self.line,
            "layer": self.layer,
            "length_km": round(self.length_m / 1000, 3),
            "planned_to": self.deepest,
            "asked": self.asked,
            "floor": self.floor,
            "below_floor_km": [[round(a / 1000, 3), round(b / 1000, 3)] for a, b in self.below_floor],
            "stretches": [s.to_dict() for s in self.stretches],
            "waypoints_on_gaps": [
                {
                    "name": s.waypoint.name,
                    "lon": round(s.waypoint.lon, 6),
                    "lat": round(s.waypoint.lat, 6),
                    "at_km": round(s.at_m / 1000, 3),
                    "complete_to": s.complete_to,
                }
                for s in self.stops
            ],
        }


def walk(plan: Plan, ground: Mapping[str, Holdings]) -> tuple[LineWalk, ...]:
    """Walk every line of a plan through every layer that is meant for its area; `ground` is by layer, and one that is
    not in it is not walked. Nor is one that lies over another and has all that there is for it: where it ends, the
    other shows, which is walked."""
    walks = []
    for name, corridor in lines_of(plan).items():
        lines = [line for line in corridor.lines if len(line) > 1]
        for number, line in enumerate(lines, 1):
            path = LinePath(line)
            for layer, asked in plan.layers.items():
                area = next((a for a in asked.areas if a.name == name and a.cover), None)
                if area is not None and layer in ground and not _shows_the_other(asked, area, ground[layer]):
                    waypoints = corridor.waypoints if number == 1 else ()
                    walks.append(_walked(path, corridor, waypoints, area, number, layer, ground[layer]))
    return tuple(walks)


def _shows_the_other(layer: LayerPlan, area: AreaPlan, ground: Holdings) -> bool:
    return layer.over is not None and area.floor is None and not (ground.missing or ground.corrupt)


def _walked(
    path: LinePath,
    corridor: Corridor,
    waypoints: Sequence[Waypoint],
    area: AreaPlan,
    number: int,
    layer: str,
    ground: Holdings,
) -> LineWalk:
    stored = counted_as_stored(area, ground)
    lacking = area.cover - stored
    zooms = area.cover.zooms
    blocked: dict[int, Spans] = {}  # by zoom: where it, or any zoom above it, is not complete
    so_far = np.empty((0, 2))
    for zoom in zooms:
        near = spans_near(path, corridor.half_width_m, lacking, zoom)
        so_far = blocked[zoom] = merged(np.vstack([so_far, near]))
    short = short_of(area.cover, stored)
    shallow = {z: _near_places(path, corridor.half_width_m, short, z) for z in zooms}
    stretches = _counted(path, corridor, area, ground, _stretches(path, blocked, shallow))
    stops = [Stop(w, 0.0, _depth_at(w, zooms, lacking)) for w in waypoints]
    on_gaps = [
        replace(s, at_m=path.nearest_m(s.waypoint.lon, s.waypoint.lat))
        for s in stops
        if s.complete_to != zooms[-1]
    ]
    return LineWalk(
        area.name, number, layer, path.length_m, zooms[0], zooms[-1], tuple(stretches), tuple(on_gaps),
        (path.ends_m, path.lon, path.lat), area.asked, area.floor,
    )  # fmt: skip


def _near_places(path: LinePath, half_width_m: float, short: Mapping[int, TileSet], zoom: int) -> Spans:
    """Where some place within the half-width holds less than a zoom."""
    places = places_below(short, zoom) if short[zoom] else TileSet()
    return spans_near(path, half_width_m, places, max(short))


def _depth_at(waypoint: Waypoint, zooms: Iterable[int], lacking: TileSet) -> int | None:
    """How deep the map is complete at a waypoint, as far as it is planned there."""
    deepest = None
    for zoom in zooms:
        x, y = tiles_at(np.array([waypoint.lon]), np.array([waypoint.lat]), zoom)
        if lacking.contains(zoom, x, y)[0]:
            return deepest
        deepest = zoom
    return deepest


def _stretches(path: LinePath, blocked: Mapping[int, Spans], shallow: Mapping[int, Spans]) -> list[Stretch]:
    """The whole line, cut where the depth to which the map is complete changes, or the depth that is held."""
    ends = [spans.ravel() for by_zoom in (blocked, shallow) for spans in by_zoom.values()]
    cuts = np.unique(np.concatenate([[0.0, path.length_m], *ends]))
    middles = (cuts[:-1] + cuts[1:]) / 2
    complete, held = _deepest_free(blocked, middles), _deepest_free(shallow, middles)
    if not middles.size:
        return []
    fresh = np.flatnonzero(np.append(True, (complete[1:] != complete[:-1]) | (held[1:] != held[:-1])))
    stretches = []
    for at, stop in zip(fresh.tolist(), [*fresh.tolist()[1:], complete.size], strict=True):
        start, end = float(cuts[at]), float(cuts[stop])
        whole, depth = (None if zoom < 0 else int(zoom) for zoom in (complete[at], held[at]))
        stretches.append(Stretch(start, end, whole, path.at(start), path.at(end), held=depth))
    return stretches


def _deepest_free(spans: Mapping[int, Spans], places: Floats) -> Floats:
    """For each place along the line the deepest zoom in whose intervals it does not lie, -1 for none."""
    depth = np.full(places.size, -1.0)
    for zoom, each in spans.items():
        depth = np.where(inside(each, places), depth, np.maximum(depth, zoom))
    return depth


def _counted(
    path: LinePath, corridor: Corridor, area: AreaPlan, ground: Holdings, stretches: list[Stretch]
) -> list[Stretch]:
    """The stretches, those that are gaps with what they lack."""
    deepest = area.cover.zooms[-1]
    absent = ground.absent | area.unoffered
    gaps = [i for i, s in enumerate(stretches) if s.complete_to != deepest]
    for place, i in enumerate(sorted(gaps, key=lambda i: stretches[i].from_m - stretches[i].to_m)):
        if place >= _COUNTED:
            stretches[i] = replace(stretches[i], missing=None, absent=None, corrupt=None)
            continue
        part = path.part(stretches[i].from_m, stretches[i].to_m)
        reach = cover_corridor([part], corridor.half_width_m, deepest).pyramid(0) & area.cover
        missing, none, corrupt = (len(reach & tiles) for tiles in (ground.missing, absent, ground.corrupt))
        seconds = (missing + corrupt) / ground.speed if ground.speed and missing + corrupt else None
        stretches[i] = replace(stretches[i], missing=missing, absent=none, corrupt=corrupt, seconds=seconds)
    return stretches
