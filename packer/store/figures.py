"""What a pack tells of sizes and speed, for estimates of what is still to come."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from packer.geometry.grid import tms_row
from packer.geometry.tileset import Tile
from packer.store.schema import reading

__all__ = ["LastRun", "mean_sizes", "read_last_run", "sizes_of"]

_MOST_READ = 200_000  # rows looked at for means: under a second from a warm disk
_LEAST_STORED, _LEAST_S = 30, 3  # times are kept in whole seconds, so a shorter run says nothing of speed


@dataclass(frozen=True, slots=True)
class LastRun:
    """One run of a fetch: `started` in seconds since 1970, how long it took, and the bytes it stored."""

    started: int
    seconds: int
    bytes: int


def mean_sizes(path: Path) -> dict[int, float]:
    """Mean bytes of a stored tile by zoom: exact up to 200,000 tiles, else from every so many-th row.

    Raises StoreError if it is not a pack of ours.
    """
    with reading(path) as db:
        last = db.execute("SELECT coalesce(max(rowid), 0) FROM placement").fetchone()[0]
        rows = db.execute(
            "SELECT zoom_level, avg(length(data)) FROM placement JOIN blob ON blob.id = blob_id "
            "WHERE placement.rowid % ? = 0 GROUP BY zoom_level",
            (max(1, last // _MOST_READ),),
        )
        return {zoom: float(mean) for zoom, mean in rows if isinstance(zoom, int) and mean is not None}


def sizes_of(path: Path, tiles: Iterable[Tile]) -> dict[Tile, int]:
    """Bytes of those of the tiles that are stored. Raises StoreError if it is not a pack of ours."""
    found = {}
    with reading(path) as db:
        for tile in tiles:
            row = db.execute(
                "SELECT length(data) FROM placement JOIN blob ON blob.id = blob_id "
                "WHERE typeof(data) = 'blob' AND zoom_level = ? AND tile_row = ? AND tile_column = ?",
                (tile.zoom, tms_row(tile.zoom, tile.y), tile.x),
            ).fetchone()
            if row is not None:
                found[tile] = int(row[0])
    return found


def read_last_run(path: Path) -> LastRun | None:
    """The latest run that ended and was long enough to tell a speed; None if there is none.

    Raises StoreError if it is not a pack of ours.
    """
    with reading(path) as db:
        return _last_run(db)


def _last_run(db: sqlite3.Connection) -> LastRun | None:
    row = db.execute(
        "SELECT started, ended - started, bytes FROM run WHERE stored >= ? AND ended - started >= ? "
        "ORDER BY started DESC LIMIT 1",
        (_LEAST_STORED, _LEAST_S),
    ).fetchone()
    return LastRun(*map(int, row)) if row else None
