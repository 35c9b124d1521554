"""The tile grid: OGC WebMercatorQuad (17-083r4, EPSG:3857), zooms 0 to 24.

Positions are longitude and latitude in WGS84 degrees, or *grid fractions*: x grows eastward from the
antimeridian and y southward from the top edge, both from 0 to 1 across the square. Tile rows count from the
top as in XYZ addresses; `tms_row` gives those of MBTiles. Arrays are numpy float64 of any shape.

Formulas: the spherical Mercator of EPSG method 1024 on R = 6378137 m; ground metres on the WGS84 ellipsoid
from its radii of curvature (any geodesy text; e.g. Snyder, USGS Professional Paper 1395, p. 24-25).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import mercantile
import numpy as np
import numpy.typing as npt

__all__ = [
    "EQUATOR_M",
    "MAX_LATITUDE",
    "MAX_ZOOM",
    "Floats",
    "Ints",
    "LonLatBox",
    "ground_scale",
    "latitude_at",
    "longitude_at",
    "mercator_box",
    "metres_per_pixel",
    "on_tile_edges",
    "quadkey",
    "tile_bounds",
    "tiles_at",
    "tms_row",
    "x_at",
    "y_at",
]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

MAX_ZOOM = 24  # the published WebMercatorQuad table ends here
MAX_LATITUDE = math.degrees(math.atan(math.sinh(math.pi)))  # 85.0511287798066, the square's top edge
EQUATOR_M = 2 * math.pi * 6378137.0

_A = 6378137.0
_F = 1 / 298.257223563
_E2 = _F * (2 - _F)


class LonLatBox(NamedTuple):
    """West, south, east, north in degrees; west > east means that the box crosses the antimeridian."""

    west: float
    south: float
    east: float
    north: float


def x_at(lon: Floats | float) -> Floats:
    """Grid fraction of a longitude in degrees; beyond ±180 it lies below 0 or above 1."""
    return np.asarray(lon, dtype=np.float64) / 360.0 + 0.5


def y_at(lat: Floats | float) -> Floats:
    """Grid fraction of a latitude in degrees, clamped to the square's edges at ±85.0511."""
    phi = np.radians(np.clip(np.asarray(lat, dtype=np.float64), -MAX_LATITUDE, MAX_LATITUDE))
    return np.clip(0.5 - np.arcsinh(np.tan(phi)) / (2 * np.pi), 0.0, 1.0)


def tiles_at(lon: Floats, lat: Floats, zoom: int) -> tuple[Ints, Ints]:
    """Columns and rows of the tiles of one zoom that hold positions in degrees (arrays of one length)."""
    n = 1 << zoom
    x = np.floor(x_at(lon) % 1.0 * n).astype(np.int64) % n
    y = np.clip(np.floor(y_at(lat) * n), 0, n - 1).astype(np.int64)
    return x, y


def longitude_at(x: Floats | float) -> Floats:
    """Longitude in degrees at a grid fraction."""
    return (np.asarray(x, dtype=np.float64) - 0.5) * 360.0


def latitude_at(y: Floats | float) -> Floats:
    """Latitude in degrees at a grid fraction."""
    return np.degrees(np.arctan(np.sinh((0.5 - np.asarray(y, dtype=np.float64)) * 2 * np.pi)))


def ground_scale(lat: Floats | float) -> tuple[Floats, Floats]:
    """Ground metres for one radian of longitude and for one radian of latitude, at latitudes in degrees.

    N·cos φ and M, where N and M are the radii of curvature in the prime vertical and in the meridian.
    """
    phi = np.radians(np.asarray(lat, dtype=np.float64))
    w2 = 1 - _E2 * np.sin(phi) ** 2
    east = _A * np.cos(phi) / np.sqrt(w2)
    north = _A * (1 - _E2) / w2**1.5
    return east, north


def metres_per_pixel(zoom: int, lat: float, tile_px: int = 256) -> float:
    """Nominal ground size of a pixel: the standard's cell size times the cosine of the latitude."""
    return EQUATOR_M / tile_px / (1 << zoom) * math.cos(math.radians(lat))


def tile_bounds(zoom: int, x: int, y: int) -> LonLatBox:
    """The tile's square in degrees."""
    b = mercantile.bounds(x, y, zoom)
    return LonLatBox(b.west, b.south, b.east, b.north)


def mercator_box(zoom: int, x: int, y: int, columns: int = 1, rows: int = 1, margin: float = 0.0) -> str:
    """West, south, east and north of a block of tiles in metres of EPSG:3857, as a WMS takes them, with a margin in
    sides of a tile.

    An edge is worked out from its own number alone, so that neighbours write it with the same digits.
    """
    side, middle = EQUATOR_M / (1 << zoom), (1 << zoom) / 2
    edges = (
        (x - margin - middle) * side,
        (middle - y - rows - margin) * side,
        (x + columns + margin - middle) * side,
        (middle - y + margin) * side,
    )
    return ",".join(map(repr, edges))


def on_tile_edges(box: LonLatBox, zoom: int) -> LonLatBox:
    """The box grown outward to whole tiles of a zoom; west > east stays so.

    For readers that place a file's picture by its bounds: any other box would shift or stretch it.
    """
    n = 1 << zoom
    # A millionth of a tile, so that rounding does not add a tile to a box that lies on edges already.
    west, east = math.floor(float(x_at(box.west)) * n + 1e-6), math.ceil(float(x_at(box.east)) * n - 1e-6)
    north, south = math.floor(float(y_at(box.north)) * n + 1e-6), math.ceil(float(y_at(box.south)) * n - 1e-6)
    return LonLatBox(
        float(longitude_at(west / n)),
        float(latitude_at(south / n)),
        float(longitude_at(east / n)),
        float(latitude_at(north / n)),
    )


def tms_row(zoom: int, row: int) -> int:
    """Row counted from the other edge: XYZ to TMS, and back (MBTiles 1.3: 11/327/791 is row 1256)."""
    return (1 << zoom) - 1 - row


def quadkey(zoom: int, x: int, y: int) -> str:
    """The tile's address as one base-4 digit for each zoom, as some servers want it."""
    return str(mercantile.quadkey(x, y, zoom))
