"""Shapes on the ground, in degrees and ground metres, and the boxes round them."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

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
    "mended",
    "shape_digest",
    "wrapped",
]

Rings = tuple[Floats, ...]
"""A polygon: the outer ring and its holes, each an array (n, 2) of longitude and latitude."""

_LEG_M = 20_000.0
_SEAM = 1e-9  # degrees: a narrower gap is the rounding of boxes that meet
_MOST_CROSSINGS = 100_000  # of the rings of one polygon: a second or two to part
_FEW_EDGES = 400  # too few for more crossings than that
_CLIMB_M = 100.0  # a leg climbs less past its ends: s² tan φ / 8R is 90 m at 85°


@dataclass(frozen=True, slots=True)
class Waypoint:
    """A named place of a shape file, in degrees; the name may be empty."""

    name: str
    lon: float
    lat: float


@dataclass(frozen=True, slots=True)
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
        return [around(_line_span(line), self.half_width_m) for line in self.lines]

    @property
    def length_m(self) -> float:
        """Geodesic length of all lines together."""
        return sum(float(GEOD.line_length(line[:, 0], line[:, 1])) for line in self.lines if len(line) > 1)

    @property
    def middle(self) -> tuple[float, float]:
        """A position on the shape: the middle vertex of its first line."""
        lon, lat = self.lines[0][len(self.lines[0]) // 2]
        return float(lon), float(lat)


@dataclass(frozen=True, slots=True)
class Polygons:
    """Polygons of closed rings without a jump at ±180, as `mended` gives them."""

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


def mended(rings: Iterable[Floats]) -> Iterator[Rings]:
    """The valid polygons that one polygon's rings amount to, closed and without a jump at ±180.

    A step of over 180° of longitude is taken for a jump across the antimeridian. A ring that winds round a
    pole is led to that pole and back. Rings that cross themselves are parted; what has no area is left out.
    Raises ValueError for rings that are a tangle.
    """
    outer, *holes = (_unwrapped(ring) for ring in rings)
    outer = outer - [360 * np.floor((outer[:, 0].min() + 180) / 360), 0]
    holes = [hole - [360 * np.round((_middle(hole) - _middle(outer)) / 360), 0] for hole in holes]
    drawn = shapely.Polygon(outer, holes)
    if not drawn.is_valid:
        _refuse_tangle((outer, *holes))
        # Not the whole at once: where a hole shares an edge with its outer ring, GEOS would fill it.
        drawn = shapely.make_valid(shapely.Polygon(outer))
        if holes:
            gone = shapely.union_all([shapely.make_valid(shapely.Polygon(hole)) for hole in holes])
            drawn = shapely.difference(drawn, gone)
    for part in shapely.get_parts(drawn):
        if part.geom_type == "Polygon" and part.area > 0:
            yield tuple(shapely.get_coordinates(ring) for ring in (part.exterior, *part.interiors))


def _refuse_tangle(rings: Rings) -> None:
    """Raise ValueError for rings with so many crossings that parting them would take minutes and gigabytes.

    The edges are looked at in lots, so that the search itself stays small.
    """
    edges = shapely.linestrings(np.concatenate([np.stack([ring[:-1], ring[1:]], axis=1) for ring in rings]))
    if len(edges) < _FEW_EDGES:
        return
    tree, found = shapely.STRtree(edges), 0
    lot = max(1, _MOST_CROSSINGS // len(edges))
    for start in range(0, len(edges), lot):
        # Each edge meets itself and its two neighbours; every crossing is found from both of its edges.
        some = edges[start : start + lot]
        found += tree.query(some, predicate="intersects").shape[1] - 3 * len(some)
        if found > 2 * _MOST_CROSSINGS:
            raise ValueError(
                f"the rings of a polygon cross more than {_MOST_CROSSINGS:,} times; draw it as one outline"
            )


def _middle(xy: Floats) -> float:
    return float(xy[:, 0].min() + xy[:, 0].max()) / 2


def _unwrapped(ring: Floats) -> Floats:
    """A closed ring of at least four positions without a jump at the antimeridian."""
    closed = len(ring) > 3 and (ring[0] == ring[-1]).all()
    ring = ring if closed else np.vstack([ring, np.repeat(ring[:1], max(1, 4 - len(ring)), axis=0)])
    lon = np.unwrap(ring[:, 0], period=360.0)
    if np.ptp(lon) < 1e-9 < np.ptp(ring[:, 0]):
        return ring  # a box right round the globe, whose every step along a parallel is 360°
    turn = lon[-1] - lon[0]
    if abs(turn) < 180:
        return np.column_stack([lon, ring[:, 1]])
    pole = math.copysign(90.0, ring[:, 1].mean())
    return np.vstack(
        [np.column_stack([lon, ring[:, 1]]), [[lon[-1], pole], [lon[0], pole], [lon[0], ring[0, 1]]]]
    )
