"""Which tiles of the web's grid the columns and rows of a GeoPackage are."""

from __future__ import annotations

import math
import sqlite3
from dataclasses import dataclass
from pathlib import Path

from packer.errors import InputError
from packer.geometry.grid import EQUATOR_M, MAX_ZOOM
from packer.geometry.tileset import Tile

__all__ = ["GpkgMatrix", "matrices", "quoted"]

_NEAR = 1e-6  # of a tile: as OGC 17-083r4, annex I, rounds
_WEB_MERCATOR = {3857, 900913}


@dataclass(frozen=True, slots=True)
class GpkgMatrix:
    """One zoom of a GeoPackage: its zoom in the web's grid, and the column and row there of its first tile."""

    zoom: int
    column: int
    row: int

    def tile(self, column: object, row: object) -> Tile | None:
        """The tile at a place counted from the top left corner (clause 2.2.8), None if there is no such place."""
        if not (isinstance(column, int) and isinstance(row, int)):
            return None
        x, y = self.column + column, self.row + row
        side = 1 << self.zoom
        return Tile(self.zoom, x, y) if 0 <= x < side and 0 <= y < side else None


def quoted(name: str) -> str:
    """The name of a table, fit for a statement."""
    return '"' + name.replace('"', '""') + '"'


def matrices(db: sqlite3.Connection, path: Path, table: str) -> dict[int, GpkgMatrix]:
    """The zooms of a table of tiles, by `zoom_level`.

    Raises InputError where they lie on another grid than WebMercatorQuad (OGC 17-083r4).
    """
    found = db.execute(
        "SELECT srs_id, min_x, max_y FROM gpkg_tile_matrix_set WHERE table_name = ?", (table,)
    ).fetchone()
    if found is None or not all(isinstance(value, int | float) for value in found):
        raise InputError(f"{path} does not say on which grid the tiles of its table {table} lie.")
    system, left, top = found
    if system not in _WEB_MERCATOR:
        raise InputError(
            f"{path} has tiles in another coordinate system than web maps (number {system}, not 3857), so they cannot "
            "be taken as they are. Export it as a GeoTIFF: that is cut anew."
        )
    rows = db.execute(
        "SELECT zoom_level, tile_width, pixel_x_size FROM gpkg_tile_matrix WHERE table_name = ? LIMIT 100",
        (table,),
    )
    return {level: _matrix(path, left, top, side_px, pixel_m) for level, side_px, pixel_m in rows}


def _matrix(path: Path, left: float, top: float, side_px: object, pixel_m: object) -> GpkgMatrix:
    if isinstance(side_px, int) and isinstance(pixel_m, int | float) and side_px > 0 and pixel_m > 0:
        tile_m = side_px * pixel_m
        zoom = math.log2(EQUATOR_M / tile_m)
        column, row = (left + EQUATOR_M / 2) / tile_m, (EQUATOR_M / 2 - top) / tile_m
        if (
            0 <= round(zoom) <= MAX_ZOOM
            and abs(zoom - round(zoom)) < _NEAR / (1 << round(zoom))
            and all(math.isfinite(v) and abs(v - round(v)) < _NEAR * 10 for v in (column, row))
        ):
            return GpkgMatrix(round(zoom), round(column), round(row))
    raise InputError(
        f"{path} has zooms that are not those of web maps, so its tiles cannot be taken as they are. Export it as a "
        "GeoTIFF: that is cut anew."
    )
