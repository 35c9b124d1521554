"""Shapes on the ground, in degrees and ground metres, and the boxes round them."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from packer.common.lazy_import import lazy_import
from packer.geometry.cover import chunked, cover_box, cover_corridor, cover_polygon
from packer.geometry.geodesics import GEOD
from packer.geometry.grid import MAX_LATITUDE, Floats, LonLatBox, ground_scale
from packer.geometry.tileset import TileSet

if TYPE_CHECKING:
    import shapely
else:
    shapely = lazy_import("shapely")  # only polygons and files read by GDAL need it

__all__ = [
    "Corridor",
    "Polygons",
    "Rectangle",
    "Rings",
    "Shape",
    "Waypoint",
    "around",
    "enclosing",
    "shape_digest",
    "wrapped",
]

Rings = tuple[Floats, ...]
"""A polygon: the outer ring and its holes, each an array (n, 2) of longitude and latitude."""

_LEG_M = 20_000.0
_SEAM = 1e-9  # degrees: a narrower gap is the rounding of boxes that meet
_CLIMB_M = 100.0  # a leg climbs less past its ends: s² tan φ / 8R is 90 m at 85°


@dataclass(frozen=True, slots=True)
class Waypoint:
    """A named place of a shape file, in degrees; the name may be empty."""

    name: str
    lon: float
    lat: float


@dataclass(frozen=True)  # without slots, for what is worked out once
class Corridor:
    """Everything within `half_width_m` ground metres of lines, or of points as lines of one position.

    Each line is an array (n, 2) of longitude and latitude.
    """

    lines: tuple[Floats, ...]
    half_width_m: float
    waypoints: tuple[Waypoint, ...] = ()

    def tiles(self, zoom: int) -> TileSet:
        """The tiles of one zoom that the corridor touches."""
        return cover_corridor(self.lines, self.half_width_m, zoom)

    def boxes(self) -> list[LonLatBox]:
        """Boxes, one a line, that hold the shape; east may run past 180."""
        return [around(span, self.half_width_m) for span in self._spans]

    @cached_property
    def _spans(self) -> tuple[LonLatBox, ...]:
        return tuple(map(_line_span, self.lines))

    @cached_property
    def length_m(self) -> float:
        """Geodesic length of all lines together."""
        return sum(float(GEOD.line_length(line[:, 0], line[:, 1])) for line in self.lines if len(line) > 1)

    def knowing(self, twin: Corridor) -> Corridor:
        """The same shape, with what a twin along the same lines has worked out of them already."""
        lines = zip(self.lines, twin.lines, strict=False)
        if len(self.lines) == len(twin.lines) and all(np.array_equal(a, b) for a, b in lines):
            known: dict[str, Any] = {
                n: twin.__dict__[n] for n in ("_spans", "length_m") if n in twin.__dict__
            }
            self.__dict__.update(known)
        return self

    @property
    def middle(self) -> tuple[float, float]:
        """A position on the shape: the middle vertex of its first line."""
        lon, lat = self.lines[0][len(self.lines[0]) // 2]
        return float(lon), float(lat)


@dataclass(frozen=True, slots=True)
class Polygons:
    """Polygons of closed rings without a jump at ±180, as `packer.geometry.mending` gives them."""

    polygons: tuple[Rings, ...]

    def tiles(self, zoom: int) -> TileSet:
        """The tiles of one zoom that any of the polygons overlaps."""
        return TileSet.union(cover_polygon(rings, zoom) for rings in self.polygons)

    def boxes(self) -> list[LonLatBox]:
        """Boxes, one a polygon, that hold the shape; east may run past 180."""
        return [_span(rings[0]) for rings in self.polygons]

    @property
    def middle(self) -> tuple[float, float]:
        """A position inside the first polygon."""
        inside = shapely.Polygon(self.polygons[0][0], self.polygons[0][1:]).representative_point()
        return wrapped(inside.x), float(inside.y)


@dataclass(frozen=True, slots=True)
class Rectangle:
    """A box of longitudes and latitudes; west > east crosses the antimeridian."""

    box: LonLatBox

    def tiles(self, zoom: int) -> TileSet:
        """The tiles of one zoom that the box overlaps."""
        return cover_box(self.box, zoom)

    def boxes(self) -> list[LonLatBox]:
        """The box, with east past 180 where it crosses the antimeridian."""
        box = self.box
        return [box._replace(east=box.east + 360) if box.west > box.east else box]

    @property
    def middle(self) -> tuple[float, float]:
        """The middle of the box."""
        box = self.boxes()[0]
        return wrapped((box.west + box.east) / 2), (box.south + box.north) / 2


Shape = Corridor | Polygons | Rectangle


def shape_digest(shape: Shape) -> str:
    """A name for a shape's ground and reach, as 64 hexadecimal digits; waypoints do not count."""
    match shape:
        case Corridor():
            kind, arrays = f"corridor {shape.half_width_m!r}", list(shape.lines)
        case Polygons():
            kind, arrays = "polygons", [ring for rings in shape.polygons for ring in rings]
        case Rectangle():
            kind, arrays = "box", [np.array([shape.box])]
    digest = hashlib.sha256(kind.encode())
    for array in arrays:
        digest.update(f"\n{array.shape}:".encode() + np.ascontiguousarray(array, "<f8").tobytes())
    return digest.hexdigest()


def wrapped(lon: float) -> float:
    """A longitude from -180 to 180; one that lies there already stays as it is, to the last bit."""
    return lon if -180 <= lon <= 180 else (lon + 180) % 360 - 180


def _span(xy: Floats) -> LonLatBox:
    lon, lat = xy[:, 0], xy[:, 1]
    return LonLatBox(float(lon.min()), float(lat.min()), float(lon.max()), float(lat.max()))


def _line_span(line: Floats) -> LonLatBox:
    """A box round a line as it runs between its points, along geodesics, which climb poleward."""
    legs = chunked([line], _LEG_M)
    lon = np.append(legs.lon_a[:1], legs.lon_a[:1] + np.cumsum(legs.lon_b - legs.lon_a))
    lat = np.append(legs.lat_a, legs.lat_b[-1:])
    box = _span(np.column_stack([lon, lat]))
    return around(box, _CLIMB_M) if len(line) > 1 else box


def around(box: LonLatBox, margin_m: float) -> LonLatBox:
    """A box that holds every place within `margin_m` ground metres of a box that does not wrap.

    Reckoned on the sphere of the ellipsoid's least radius of curvature, on which the same degrees lie nearer
    together than on the ellipsoid, so that its answer is never too small. There the meridians that touch the
    circle of angular radius d round latitude φ lie asin(sin d / cos φ) to its sides (Napier's rules); a
    circle that holds the pole reaches them all. Only places on the map count, so that it is enough to reckon
    from its edge at ±85.0511 where the box goes past it: the rule holds from either end of a distance.
    """
    _, radius_m = ground_scale(0.0)
    reach = margin_m / float(radius_m)
    south = max(box.south - math.degrees(reach), -MAX_LATITUDE)
    north = min(box.north + math.degrees(reach), MAX_LATITUDE)
    poleward = math.radians(min(max(abs(box.south), abs(box.north)), MAX_LATITUDE))
    if poleward + reach >= math.pi / 2:
        return LonLatBox(-180.0, south, 180.0, north)
    side = math.degrees(math.asin(math.sin(reach) / math.cos(poleward)))
    return LonLatBox(box.west - side, south, box.east + side, north)


def enclosing(boxes: list[LonLatBox]) -> LonLatBox:
    """The narrowest box round boxes whose east may run past 180; west > east if it crosses there."""
    south, north = min(b.south for b in boxes), max(b.north for b in boxes)
    spans = sorted((wrapped(b.west), b.east - b.west) for b in boxes)  # a west edge and the width from there
    # The block starts after the widest gap that no box covers, going once round the globe.
    reach = max(west + width for west, width in spans) - 360
    widest, start = _SEAM, None
    for west, width in spans:
        if west - reach > widest:
            widest, start = west - reach, west
        reach = max(reach, west + width)
    if start is None:
        return LonLatBox(-180.0, south, 180.0, north)
    ends = [w + width if w >= start else w + width + 360 for w, width in spans]
    return LonLatBox(start, south, wrapped(max(ends)), north)
