"""Tiles of a source's grid, read from its pack for the tiles that are made of them.

What a tile is made of is named by its recipe: the grid, the matrix, and each of its source tiles with the SHA-256 under
which the pack has it, or that the server does not have it. A derived tile carries the recipe that it was made by, so
that another body of a source tile shows at once.
"""

from __future__ import annotations

import contextlib
import hashlib
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from packer.errors import StoreError
from packer.geometry.grid import tms_row
from packer.geometry.source_grid import SourceGrid
from packer.geometry.source_tiles import Window, windows_of
from packer.geometry.tileset import Tile, TileSet
from packer.store.labels import MATRIX_SET, grid_digest
from packer.store.pack_files import numbered_files
from packer.store.picture_marks import DERIVED, derived_mark
from packer.store.schema import reading

__all__ = ["Recipe", "SourceReader", "check_grid", "outdated_tiles", "read_source"]

_STORED = (
    "SELECT tile_column, hash, blob.id FROM placement JOIN blob ON blob.id = blob_id "
    "WHERE zoom_level = ? AND tile_row = ? AND tile_column BETWEEN ? AND ?"
)
_TAG = "SELECT etag FROM placement WHERE zoom_level = ? AND tile_row = ? AND tile_column = ?"
_ABSENT = (
    "SELECT tile_column FROM absent WHERE zoom_level = ? AND tile_row = ? AND tile_column BETWEEN ? AND ?"
)


@dataclass(frozen=True, slots=True)
class Recipe:
    """What a tile is to be made of: `bodies` are numbers of bodies in the source's pack, by column and row, without
    those that the server does not have. `mark` stands in place of the made tile's entity tag."""

    bodies: dict[tuple[int, int], int]
    mark: str


class SourceReader:
    """The pack of a source, open for reading by one thread."""

    def __init__(self, db: sqlite3.Connection, grid: SourceGrid) -> None:
        self._db, self._grid = db, grid
        self._digest = grid.digest

    def recipe(self, window: Window) -> Recipe | None:
        """What is known of the tiles of a window: None while it is not known of each whether the server has it.

        A recipe without a body says that the server has none of them.
        """
        matrix = self._grid.matrices[window.matrix]
        told = hashlib.sha256(f"{self._digest} {matrix.zoom}".encode())
        bodies: dict[tuple[int, int], int] = {}
        across = range(window.first, window.last + 1)
        for row in range(window.upper, window.lower + 1):
            place = (matrix.zoom, tms_row(matrix.zoom, row), window.first, window.last)
            stored = {column: (sha256, body) for column, sha256, body in self._db.execute(_STORED, place)}
            absent = set()
            if len(stored) < len(across):
                absent = {column for (column,) in self._db.execute(_ABSENT, place)}
            for column in across:
                if column in stored:
                    sha256, bodies[column, row] = stored[column]
                elif column in absent:
                    sha256 = b"-"
                else:
                    return None
                told.update(b" %d/%d " % (column, row) + sha256)
        whole = window.whole and len(bodies) == len(across) * (window.lower - window.upper + 1)
        return Recipe(bodies, derived_mark(told.hexdigest(), whole))

    def body(self, number: int) -> bytes | None:
        """A body by its number; None if it is there no more."""
        row = self._db.execute("SELECT data FROM blob WHERE id = ?", (number,)).fetchone()
        return row[0] if row is not None and isinstance(row[0], bytes) else None


@contextlib.contextmanager
def read_source(pack: Path, grid: SourceGrid) -> Iterator[SourceReader | None]:
    """The pack of a source, open for the block and used by the thread that entered it alone; None where there is no
    pack yet. Raises StoreError for what is no pack of ours."""
    refuse_several(pack)
    if not pack.exists():
        yield None
        return
    with reading(pack) as db:
        db.set_progress_handler(None, 0)  # what is read follows from a plan, not from the file
        yield SourceReader(db, grid)


def outdated_tiles(
    pack: Path, source: Path, grid: SourceGrid, tiles: TileSet, absent: TileSet, tile_px: int
) -> TileSet:
    """Those of the stored `tiles` of a derived layer's pack that were not made of what the source's pack has now, and
    those noted as `absent` of which the source has something, or of which that is not known. Tiles that were taken in
    from elsewhere are no derived ones.

    It reads in short stretches, so that a writer gets in. Raises StoreError for what is no pack of ours.
    """
    refuse_several(pack)
    found: list[Tile] = []
    with read_source(source, grid) as reader, reading(pack) as db:
        db.set_progress_handler(None, 0)
        for tile, window in windows_of(grid, tiles, tile_px):
            mark = _mark_at(db, tile)
            if mark is None or not mark.startswith(DERIVED):
                continue  # a tile that was taken in stands for itself
            recipe = None if reader is None or window is None else reader.recipe(window)
            if recipe is None or recipe.mark != mark:
                found.append(tile)
        for tile, window in windows_of(grid, absent, tile_px):
            recipe = None if reader is None or window is None else reader.recipe(window)
            if window is not None and (recipe is None or recipe.bodies):
                found.append(tile)
    return TileSet.from_tiles(found)


def refuse_several(pack: Path) -> None:
    """Raise StoreError for a pack of several files: tiles that are made of others are told from one file alone."""
    if numbered_files(pack):
        raise StoreError(
            f"{pack} has further files beside it, but a layer whose tiles are made from those of another grid, and its "
            "source, have one file each. Give the layer another name in the brief, or move its files away."
        )


def _mark_at(db: sqlite3.Connection, tile: Tile) -> str | None:
    """What stands in place of a stored tile's entity tag; None for a tile that is not stored, or has none."""
    row = db.execute(_TAG, (tile.zoom, tms_row(tile.zoom, tile.y), tile.x)).fetchone()
    return row[0] if row is not None and isinstance(row[0], str) else None


def check_grid(pack: Path, grid: SourceGrid, layer: str) -> None:
    """Raise StoreError where a source's pack has tiles of another grid than this one: its zooms, columns and rows would
    stand for other ground."""
    if not pack.exists():
        return
    with reading(pack) as db:
        if db.execute("SELECT 1 FROM placement LIMIT 1").fetchone() is None:
            return
        row = db.execute("SELECT value FROM metadata WHERE name = ?", (MATRIX_SET,)).fetchone()
    if row is None or grid_digest(row[0]) != grid.digest:
        raise StoreError(
            f'{pack} has tiles of another grid than layer "{layer}" is asked for now, {grid.crs}: the brief or the '
            "server has changed. Give the layer another name in the brief, or move that pack and the layer's own away."
        )
