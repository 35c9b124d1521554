"""A tile grid other than the web's: tile matrices in any coordinate system, as a service has them.

The model is that of OGC 17-083r4, clause 6: a matrix has square tiles of square pixels, counted eastward and southward
from its top left corner. Coordinates are eastward before northward here, whatever order the system's axes have.
"""

from __future__ import annotations

import functools
import hashlib
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from packer.geometry.grid import MAX_ZOOM, Floats, LonLatBox
from packer.geometry.tileset import Tile

if TYPE_CHECKING:
    from pyproj import Transformer

__all__ = ["SourceGrid", "SourceMatrix", "pack_zooms", "positions_in"]

_POLE = 90.0


@dataclass(frozen=True, slots=True)
class SourceMatrix:
    """One tile matrix. `pixel` is the side of a pixel and `left`, `top` the corner, in units of the coordinate system.
    `first` to `last` are the columns that have tiles, `upper` to `lower` the rows, all included.

    `zoom` is the number under which a pack has its tiles: the first that has room for its columns and rows and is
    deeper than that of the coarser matrix before it.
    """

    zoom: int
    identifier: str
    pixel: float
    left: float
    top: float
    first: int
    last: int
    upper: int
    lower: int


@dataclass(frozen=True, slots=True)
class SourceGrid:
    """The matrices of a set, from coarse to fine, in the coordinate system `crs` ("EPSG:2056").

    `identifier` is the set's name at the service, empty for one of our own making. `north_first` says that a box is
    written northward before eastward. `tile_px` is the side of a tile; `bounds` is where the service has anything, in
    degrees. `accuracy_m` is how well its coordinates can be turned into degrees here, None where nobody says.
    """

    crs: str
    name: str
    identifier: str
    north_first: bool
    tile_px: int
    matrices: tuple[SourceMatrix, ...]
    bounds: LonLatBox
    accuracy_m: float | None = None

    @property
    def digest(self) -> str:
        """A name for where its tiles lie, of 16 hexadecimal digits: what windows and bounds say is no part of it."""
        told = [
            self.crs,
            self.tile_px,
            *((m.zoom, m.identifier, m.pixel, m.left, m.top) for m in self.matrices),
        ]
        return hashlib.sha256(repr(told).encode()).hexdigest()[:16]

    def box(self, tile: Tile, columns: int = 1, rows: int = 1, margin: float = 0.0) -> str:
        """Edges of a block of tiles in units of the system, in the order of GetMap (06-042, clause 7.3.3.6), with a
        margin in sides of a tile.

        An edge is worked out from its own number alone, so that neighbours write it with the same digits. For a zoom
        without a matrix, which only somebody asks for who wants to know the host, it is that of the first matrix.
        """
        matrix = next((one for one in self.matrices if one.zoom == tile.zoom), self.matrices[0])
        side = matrix.pixel * self.tile_px
        west, east = (matrix.left + column * side for column in (tile.x - margin, tile.x + columns + margin))
        south, north = (matrix.top - row * side for row in (tile.y + rows + margin, tile.y - margin))
        edges = (south, west, north, east) if self.north_first else (west, south, east, north)
        return ",".join(map(repr, edges))

    @property
    def around_bounds(self) -> LonLatBox:
        """The bounds with a tenth of their size on each side, within the world; beyond it no ground is looked for,
        since far from its own place a projection may give any number."""
        west, south, east, north = self.bounds
        wide, high = east - west, north - south
        return LonLatBox(
            max(-180.0, west - wide / 10),
            max(-_POLE, south - high / 10),
            min(180.0, east + wide / 10),
            min(_POLE, north + high / 10),
        )


def pack_zooms(sizes: list[tuple[int, int]]) -> list[int]:
    """The zoom of a pack for each matrix of so many columns and rows, from coarse to fine; the list ends with the last
    that has one."""
    found: list[int] = []
    for columns, rows in sizes:
        room = max(0, math.ceil(math.log2(max(columns, rows))))
        zoom = max(room, found[-1] + 1 if found else 0)
        if zoom > MAX_ZOOM:
            break
        found.append(zoom)
    return found


@functools.lru_cache(maxsize=16)
def _transformer(crs: str) -> Transformer:
    from pyproj import Transformer  # here since its database takes a while to open, and is seldom needed
    from pyproj.network import (  # type: ignore[attr-defined]  # public, but not marked as exported
        set_network_enabled,
    )

    set_network_enabled(active=False)  # PROJ may be set up to fetch its grids
    return Transformer.from_crs("OGC:CRS84", crs, always_xy=True)


def positions_in(crs: str, lon: Floats, lat: Floats) -> tuple[Floats, Floats]:
    """Positions in degrees as eastward and northward coordinates of a system, infinite where they have none."""
    if crs in ("EPSG:4326", "OGC:CRS84"):
        return lon, lat  # PROJ would take +180 for -180
    edge = 180.0 - 1e-10
    east, north = _transformer(crs).transform(np.clip(lon, -edge, edge), lat)
    return np.asarray(east), np.asarray(north)
