"""Stored tiles whose picture stands for "no tile": those that came before the brief said so.

`blank` are the SHA-256 of such pictures. A tile is told by the hash under which its body is kept; whether that is the
hash of the body is for an audit to say.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Collection

from packer.geometry.tileset import TileSet
from packer.store.tile_sets import forget_snapshot, grouped

__all__ = ["NO_TILE", "blank_tiles", "drop_blank"]

NO_TILE = 200  # the status under which such a tile is noted as absent: the server did answer

_BODY = "SELECT id FROM blob WHERE hash = ?"
_PLACES = (
    "SELECT zoom_level, tile_row, group_concat(tile_column) FROM placement WHERE blob_id = ? "
    "GROUP BY zoom_level, tile_row"
)


def blank_tiles(db: sqlite3.Connection, blank: Collection[bytes]) -> TileSet:
    """The stored tiles that are one of these pictures."""
    return TileSet.union(grouped(db.execute(_PLACES, (number,))) for number in _numbers(db, blank))


def drop_blank(db: sqlite3.Connection, blank: Collection[bytes], now: int) -> TileSet:
    """Take out every tile that is one of these pictures and note it as absent, in one transaction; gives back which.

    If the process dies: all of them are out and noted, or none.
    """
    db.execute("BEGIN IMMEDIATE")
    try:
        dropped = blank_tiles(db, blank)
        for number in _numbers(db, blank):
            db.execute(
                "INSERT OR REPLACE INTO absent SELECT zoom_level, tile_column, tile_row, ?, ? FROM placement "
                "WHERE blob_id = ?",
                (NO_TILE, now, number),
            )
            db.execute("DELETE FROM placement WHERE blob_id = ?", (number,))
            db.execute("DELETE FROM blob WHERE id = ?", (number,))
        if dropped:
            forget_snapshot(db, "placement")
            forget_snapshot(db, "absent")
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:  # a full disk may have rolled back by itself already
            db.execute("ROLLBACK")
        raise
    return dropped


def _numbers(db: sqlite3.Connection, blank: Collection[bytes]) -> list[int]:
    found = (db.execute(_BODY, (one,)).fetchone() for one in sorted(blank))
    return [number for (number,) in filter(None, found) if isinstance(number, int)]
