"""What a pack holds, as sets of tiles, read through a connection that is already open."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterable
from typing import Any

import numpy as np

from packer.geometry.grid import MAX_ZOOM, Ints
from packer.geometry.tileset import TileSet
from packer.store.schema import file_bytes

__all__ = ["absent_tiles", "forget_snapshot", "grouped", "held_tiles", "save_snapshot", "scan"]

_AT_A_TIME = 100_000
_LEAST_S, _SLOWEST_BYTES_S = 2.0, 2_000_000  # of a stick that is worn out


def scan(db: sqlite3.Connection, table: str) -> TileSet:
    """The tiles in "placement" or "absent", row by row from the index: half a second for 5 million."""
    return grouped(
        db.execute(
            f"SELECT zoom_level, tile_row, group_concat(tile_column) FROM {table} GROUP BY zoom_level, tile_row"
        )
    )


def grouped(rows: Iterable[Any]) -> TileSet:
    """The tiles in rows of zoom, TMS row and comma-separated columns."""
    parts = []
    for zoom, row, columns in rows:
        if isinstance(zoom, int) and isinstance(row, int) and columns is not None:
            x = _numbers(str(columns))
            parts.append(_placed(zoom, x, np.full(x.size, row)))
    return TileSet.union(parts)


def _numbers(columns: str) -> Ints:
    """Comma-separated columns; a damaged row may have put anything among them, which is left out."""
    if not columns.replace(",", "").isdecimal() or not columns.isascii():
        columns = ",".join(c for c in columns.split(",") if c.isascii() and c.isdecimal() and len(c) < 10)
    return np.fromstring(columns, dtype=np.int64, sep=",") if columns else np.empty(0, dtype=np.int64)


def held_tiles(db: sqlite3.Connection) -> TileSet:
    """The tiles that the pack holds.

    The snapshot of an earlier run plus what came since, if together they give just the number of tiles in the
    table; otherwise a scan of the whole table. Whoever takes rows out has to `forget_snapshot`.
    """
    return _quick(db, "placement")


def absent_tiles(db: sqlite3.Connection) -> TileSet:
    """The tiles that the server has said it does not have."""
    return _quick(db, "absent")


def _quick(db: sqlite3.Connection, table: str) -> TileSet:
    bounds, up_to = {}, 0
    for zoom, blob, mark in db.execute(
        "SELECT zoom, boundaries, up_to FROM snapshot WHERE what = ?", (table,)
    ):
        if not _is_snapshot(zoom, blob, mark):
            return scan(db, table)
        bounds[zoom], up_to = np.frombuffer(blob, dtype="<i8").astype(np.int64), mark
    if not bounds:
        return scan(db, table)
    found = TileSet(bounds) | _since(db, table, up_to)
    return found if len(found) == _count(db, table) else scan(db, table)


def _count(db: sqlite3.Connection, table: str) -> int:
    """The number of rows. SQLite counts them ten times as fast as it reads any column of theirs, but in one step,
    in which `no_longer_than` is not heard. So that step has a time which the size of the file gives reason for; if
    it is not over by then, on a disk that stalls or in a file made to keep a reader busy, a column is read."""
    alarm = threading.Timer(_LEAST_S + file_bytes(db) / _SLOWEST_BYTES_S, db.interrupt)
    alarm.daemon = True
    alarm.start()
    try:
        return int(db.execute(f"SELECT count(*) FROM {table}").fetchone()[0])
    except sqlite3.OperationalError as fault:
        if fault.sqlite_errorname != "SQLITE_INTERRUPT":
            raise
    finally:
        alarm.cancel()
    return int(db.execute(f"SELECT count(zoom_level) FROM {table}").fetchone()[0])


def _is_snapshot(zoom: object, blob: object, mark: object) -> bool:
    """Whether a row can be boundaries of a set of tiles: pairs of places within the zoom, ascending."""
    if not (isinstance(zoom, int) and isinstance(blob, bytes) and isinstance(mark, int)):
        return False
    if not 0 <= zoom <= MAX_ZOOM or len(blob) % 16:
        return False
    places = np.frombuffer(blob, dtype="<i8")
    last = (1 << zoom) * ((1 << zoom) + 1)
    return not places.size or bool(places[0] >= 0 and places[-1] <= last and (places[1:] > places[:-1]).all())


def _since(db: sqlite3.Connection, table: str, rowid: int) -> TileSet:
    rows = db.execute(
        f"SELECT zoom_level, tile_column, tile_row FROM {table} WHERE rowid > ? AND typeof(zoom_level) = 'integer' "
        "AND typeof(tile_column) = 'integer' AND typeof(tile_row) = 'integer'",
        (rowid,),
    )
    parts = []
    while some := rows.fetchmany(_AT_A_TIME):  # a run that was killed may have left millions
        found = np.array(some, dtype=np.int64)
        for zoom in sorted(set(found[:, 0].tolist())):
            at = found[found[:, 0] == zoom]
            parts.append(_placed(zoom, at[:, 1], at[:, 2]))
    return TileSet.union(parts)


def _placed(zoom: int, x: Ints, row: Ints) -> TileSet:
    if not 0 <= zoom <= MAX_ZOOM:
        return TileSet()
    n = 1 << zoom
    good = (x >= 0) & (x < n) & (row >= 0) & (row < n)  # a damaged row must not count as some other tile
    return TileSet.from_columns(zoom, x[good], n - 1 - row[good])


def forget_snapshot(db: sqlite3.Connection, table: str) -> None:
    """Take the short cut away, inside the transaction of the caller that takes rows out of the table.

    SQLite gives the number of the newest row out again once that row is gone: a tile lost and another won would
    leave the count as it was, and the short cut would be believed.
    """
    db.execute("DELETE FROM snapshot WHERE what = ?", (table,))


def save_snapshot(db: sqlite3.Connection, table: str) -> None:
    """Write the short cut for `held_tiles` or `absent_tiles` again, inside the caller's transaction."""
    tiles = _quick(db, table)
    up_to = db.execute(f"SELECT coalesce(max(rowid), 0) FROM {table}").fetchone()[0]
    forget_snapshot(db, table)
    db.executemany(
        "INSERT INTO snapshot VALUES (?, ?, ?, ?)",
        [(table, z, tiles.boundaries(z).astype("<i8").tobytes(), up_to) for z in tiles.zooms],
    )
