"""Writing a sealed MBTiles 1.3 file: one plain table, no journal, the same bytes for the same content.

A file is built under a name of its own that nobody opens, in stages (`staged_file`). Giving it its final name is up to
the caller, who may touch it with plain file operations only after `write_mbtiles` has returned, when no connection is
open.

The same tiles and labels give the same bytes on one build of SQLite: the order of rows is the caller's, pages
have a fixed size, stages are cut at the same rows, what is deleted is overwritten, and no clock is read. SQLite writes
its own version number into the file's header, so that another build may differ there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

import numpy as np

from packer.geometry.grid import Ints, tms_row
from packer.geometry.tileset import Tile
from packer.store.schema import APPLICATION_ID, PAGE_BYTES
from packer.store.staged_file import Building, FileForm, Resume, layout

__all__ = [
    "MbtilesSize",
    "PageCount",
    "mbtiles_bytes_each",
    "mbtiles_layout",
    "table_cells",
    "write_mbtiles",
]

_TABLES = """
CREATE TABLE metadata (name TEXT NOT NULL, value TEXT NOT NULL);
CREATE UNIQUE INDEX name ON metadata (name);
CREATE TABLE tiles (
    zoom_level INTEGER NOT NULL, tile_column INTEGER NOT NULL, tile_row INTEGER NOT NULL,
    tile_data BLOB NOT NULL
);
CREATE UNIQUE INDEX tile_index ON tiles (zoom_level, tile_column, tile_row);
"""
_FORM = FileForm((_TABLES,), "tiles", APPLICATION_ID)
_FIXED_PAGES = 10  # schema, metadata, roots; the tests hold the prediction against real files


def mbtiles_layout() -> frozenset[str]:
    """The statements that make up a sealed MBTiles file, each on one line."""
    return layout(_TABLES)


def write_mbtiles(
    path: Path,
    tiles: Iterable[tuple[Tile, bytes]],
    labels: Callable[[], Mapping[str, str]],
    max_bytes: int | None = None,
    there: Resume | None = None,
) -> None:
    """Write a file of tiles in the order given; `labels` is asked for the metadata once the tiles are in.

    `there` is given the tiles that an earlier writing left in the file, in their order, before `tiles` is asked for
    those that follow; without it the file must not exist. Raises DiskError, and UnlikeError if what is there cannot be
    gone on with. If the process dies, or `tiles` raises: the file holds all that was written up to some stage.
    """
    with Building(path, _FORM, max_bytes) as file:
        if there is not None:
            there((Tile(z, x, tms_row(z, row)), data) for z, x, row, data in file.rows())
        file.fill(
            "INSERT INTO tiles VALUES (?, ?, ?, ?)",
            ((t.zoom, t.x, tms_row(t.zoom, t.y), data) for t, data in tiles),
        )
        rows = list(labels().items())
        file.describe(lambda db: db.executemany("INSERT INTO metadata VALUES (?, ?)", rows))


class MbtilesSize:
    """A size in bytes that the file of some tiles, taken in their order, does not exceed, and hardly falls short of.

    The labels may take up to some 10 kB.
    """

    def __init__(self) -> None:
        self._pages = PageCount()

    def add(self, zoom: Ints, x: Ints, y: Ints, size_bytes: Ints) -> None:
        """Take in the next tiles."""
        self._pages.add(*table_cells(x, ((1 << zoom) - 1) - y, size_bytes, 0))

    @property
    def bytes(self) -> int:
        """The size so far."""
        return self._pages.bytes(_FIXED_PAGES)


def mbtiles_bytes_each(size_bytes: Ints) -> Ints:
    """About what each tile adds to a file, in bytes: for choosing what goes together, not for a promise."""
    zero = np.zeros_like(size_bytes)
    local, overflow = table_cells(zero + 100_000, zero + 100_000, size_bytes, 0)
    return np.asarray(local * 4 // 3 + overflow * PAGE_BYTES + 40, dtype=np.int64)


# SQLite file format 2, "B-tree Pages" and "Cell Payload Overflow Pages" (sqlite.org/fileformat2.html).
_MOST = PAGE_BYTES - 35
_LEAST = (PAGE_BYTES - 12) * 32 // 255 - 23
_OVERFLOW = PAGE_BYTES - 4
_ROOM = PAGE_BYTES - 8


def _varint_bytes(value: Ints) -> Ints:
    return np.searchsorted(1 << (7 * np.arange(1, 9, dtype=np.int64)), value, side="right") + 1


def _integer_bytes(value: Ints) -> Ints:
    """Bytes of a column value that is no less than 0 and below 2^31, as a record stores it."""
    return np.searchsorted(np.array([2, 1 << 7, 1 << 15, 1 << 23]), value, side="right")


def table_cells(x: Ints, row: Ints, size_bytes: Ints, more_columns: int) -> tuple[Ints, Ints]:
    """For each tile the bytes it takes on its leaf page, and its overflow pages."""
    head = 4 + more_columns + _varint_bytes(2 * size_bytes + 12)
    payload = head + 1 + _integer_bytes(x) + _integer_bytes(row) + size_bytes
    kept = _LEAST + (payload - _LEAST) % _OVERFLOW
    kept = np.where(payload <= _MOST, payload, np.where(kept <= _MOST, kept, _LEAST))
    overflow = -((kept - payload) // _OVERFLOW)
    # A pointer of 2 bytes, the lengths of payload and row number, and the first overflow page's number.
    return kept + 2 + _varint_bytes(payload) + 4 + 4 * (overflow > 0), overflow


class PageCount:
    """The pages of a file whose rows, in their order, take so much of their leaf pages and of overflow pages.

    Rows that are appended fill one leaf page after the other; inner pages and the index are allowed for at
    half their filling, which a B-tree never falls below.
    """

    def __init__(self) -> None:
        self._leaves, self._left = 1, _ROOM
        self._overflow = self._rows = 0

    def add(self, local: Ints, overflow: Ints) -> None:
        """Take in the next rows, as by `table_cells`."""
        leaves, left = self._leaves, self._left
        for cell in local.tolist():
            if cell > left:
                leaves, left = leaves + 1, _ROOM
            left -= cell
        self._leaves, self._left = leaves, left
        self._overflow += int(overflow.sum())
        self._rows += len(local)

    def bytes(self, fixed_pages: int) -> int:
        """The size so far, with so many pages for all that is not tiles."""
        inner = self._leaves * 15 * 2 // PAGE_BYTES + 2
        index = self._rows * 24 * 2 // PAGE_BYTES + 2
        return PAGE_BYTES * (self._leaves + self._overflow + inner + index + fixed_pages)
