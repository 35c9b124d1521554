"""Writing a sealed MBTiles 1.3 file: one plain table, no journal, the same bytes for the same content.

A file is built under a name of its own that nobody opens, without a journal and without syncing: if anything
goes wrong it is thrown away whole. Making it durable and giving it its final name is up to the caller, who may
touch it with plain file operations only after `write_mbtiles` has returned, when no connection is open.

The same tiles and labels give the same bytes on one build of SQLite: the order of rows is the caller's, pages
have a fixed size, what is deleted is overwritten, and no clock is read. SQLite writes its own version number
into the file's header, so that another build may differ there.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from packer.geometry.grid import Ints, tms_row
from packer.geometry.tileset import Tile
from packer.store.disk_errors import translated
from packer.store.schema import APPLICATION_ID, PAGE_BYTES, connect

__all__ = [
    "building",
    "layout",
    "mbtiles_bytes",
    "mbtiles_bytes_each",
    "mbtiles_layout",
    "sealed_bytes",
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
_FIXED_PAGES = 10  # schema, metadata, roots; the tests hold the prediction against real files


def layout(*scripts: str) -> frozenset[str]:
    """The statements of scripts as a database keeps them, each on one line."""
    return frozenset(
        line for script in scripts for part in script.split(";") if (line := " ".join(part.split()))
    )


def mbtiles_layout() -> frozenset[str]:
    """The statements that make up a sealed MBTiles file, each on one line."""
    return layout(_TABLES)


@contextmanager
def building(path: Path, application_id: int, max_bytes: int | None) -> Iterator[sqlite3.Connection]:
    """A connection to a new file at `path`, which must not exist, inside one transaction for everything.

    SQLite refuses to let the file grow beyond `max_bytes`; that and a full disk are DiskError. If the process
    dies: the file at `path` is worth nothing.
    """
    with translated(path):
        db = connect(path, mode="rwc")
        try:
            db.execute(f"PRAGMA page_size = {PAGE_BYTES}")
            if max_bytes is not None:
                db.execute(f"PRAGMA max_page_count = {max_bytes // PAGE_BYTES}")
            for setting in ("journal_mode = OFF", "synchronous = OFF", "locking_mode = EXCLUSIVE"):
                db.execute(f"PRAGMA {setting}")
            # Zeroes in place of what pages held before: otherwise equal content could differ in dead bytes.
            db.execute("PRAGMA secure_delete = ON")
            db.execute("PRAGMA temp_store = MEMORY")  # nothing is written outside the target folder
            db.execute("PRAGMA cache_size = -32768")
            db.execute("BEGIN EXCLUSIVE")
            db.execute(f"PRAGMA application_id = {application_id}")
            yield db
            db.execute("COMMIT")
        finally:
            db.close()


def write_mbtiles(
    path: Path,
    tiles: Iterable[tuple[Tile, bytes]],
    labels: Callable[[], Mapping[str, str]],
    max_bytes: int | None = None,
) -> None:
    """Write a file of tiles in the order given; `labels` is asked for the metadata once the tiles are in.

    Raises DiskError. If the process dies, or `tiles` raises: the file at `path` is worth nothing.
    """
    with building(path, APPLICATION_ID, max_bytes) as db:
        for statement in _TABLES.split(";"):
            db.execute(statement)
        db.executemany(
            "INSERT INTO tiles VALUES (?, ?, ?, ?)",
            ((t.zoom, t.x, tms_row(t.zoom, t.y), data) for t, data in tiles),
        )
        db.executemany("INSERT INTO metadata VALUES (?, ?)", labels().items())


def mbtiles_bytes(zoom: Ints, x: Ints, y: Ints, size_bytes: Ints) -> int:
    """A size in bytes that the file of these tiles, in this order, does not exceed, and hardly falls short of.

    The labels may take up to some 10 kB.
    """
    local, overflow = table_cells(x, ((1 << zoom) - 1) - y, size_bytes, 0)
    return sealed_bytes(local, overflow, _FIXED_PAGES)


def mbtiles_bytes_each(size_bytes: Ints) -> Ints:
    """About what each tile adds to a file, in bytes: for choosing what goes together, not for a promise."""
    zero = np.zeros_like(size_bytes)
    local, overflow = table_cells(zero + 100_000, zero + 100_000, size_bytes, 0)
    return np.asarray(local * 4 // 3 + overflow * PAGE_BYTES + 40, dtype=np.int64)


# SQLite file format 2, "B-tree Pages" and "Cell Payload Overflow Pages" (sqlite.org/fileformat2.html).
_MOST = PAGE_BYTES - 35
_LEAST = (PAGE_BYTES - 12) * 32 // 255 - 23
_OVERFLOW = PAGE_BYTES - 4


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


def sealed_bytes(local: Ints, overflow: Ints, fixed_pages: int) -> int:
    """The size of a file whose rows, in this order, take so much of their leaf pages and of overflow pages.

    Rows that are appended fill one leaf page after the other; inner pages and the index are allowed for at
    half their filling, which a B-tree never falls below.
    """
    room, leaves, left = PAGE_BYTES - 8, 1, PAGE_BYTES - 8
    for cell in local.tolist():
        if cell > left:
            leaves, left = leaves + 1, room
        left -= cell
    inner = leaves * 15 * 2 // PAGE_BYTES + 2
    index = len(local) * 24 * 2 // PAGE_BYTES + 2
    return PAGE_BYTES * (leaves + int(overflow.sum()) + inner + index + fixed_pages)
