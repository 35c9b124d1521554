"""Shapes on the ground, in degrees and ground metres, and the boxes round them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from packer.cover import GEOD, cover_box, cover_corridor, cover_polygon
from packer.grid import MAX_LATITUDE, Floats, LonLatBox, ground_scale
from packer.tileset import TileSet

__all__ = ["Corridor", "Polygons", "Rectangle", "Shape", "Waypoint", "around", "enclosing"]


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
        return [around(_span(line), self.half_width_m) for line in self.lines]

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
    """Polygons, each a tuple of closed rings (n, 2), without a jump at ±180."""

    polygons: tuple[tuple[Floats, ...], ...]

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
        return (inside.x + 180) % 360 - 180, inside.y


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
        return ((box.west + box.east) / 2 + 180) % 360 - 180, (box.south + box.north) / 2


Shape = Corridor | Polygons | Rectangle


def _span(xy: Floats) -> LonLatBox:
    lon = np.unwrap(xy[:, 0], period=360.0)
    return LonLatBox(float(lon.min()), float(xy[:, 1].min()), float(lon.max()), float(xy[:, 1].max()))


def around(box: LonLatBox, margin_m: float) -> LonLatBox:
    """A box that holds every place within `margin_m` ground metres of a box that does not wrap."""
    _, north_m = ground_scale(0.0)
    rise = float(np.degrees(margin_m / north_m))
    south, north = max(box.south - rise, -MAX_LATITUDE), min(box.north + rise, MAX_LATITUDE)
    east_m, _ = ground_scale(max(abs(south), abs(north)))  # the narrowest degree of longitude in reach
    reach = float(np.degrees(margin_m / east_m))
    return LonLatBox(box.west - reach, south, box.east + reach, north)


def enclosing(boxes: list[LonLatBox]) -> LonLatBox:
    """The narrowest box round boxes whose east may run past 180; west > east if it crosses there."""
    south, north = min(b.south for b in boxes), max(b.north for b in boxes)
    spans = sorted(((b.west + 180) % 360 - 180, min(b.east - b.west, 360.0)) for b in boxes)
    widest, at, reach = -1.0, 0, spans[0][0]
    # The block starts after the widest gap that no box covers, going once round the globe.
    reach = max(w + width - 360 for w, width in spans)
    for i, (west, width) in enumerate(spans):
        if west - reach > widest:
            widest, at = west - reach, i
        reach = max(reach, west + width)
    if widest <= 0:
        return LonLatBox(-180.0, south, 180.0, north)
    west = spans[at][0]
    east = west + 360 - widest
    return LonLatBox(west, south, east - 360 if east > 180 else east, north)
