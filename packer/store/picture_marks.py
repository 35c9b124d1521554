"""Tiles that were cut from a picture of one's own: how a pack knows them, and which pictures they came from.

Such a tile has `picture:HASH:whole` or `picture:HASH:part` in place of an entity tag. HASH is the beginning of the
SHA-256 of the picture's file; "part" says that the tile shows ground on a part of its square alone. So the mark lies in
the tile's own row: it comes and goes with the tile, in the same transaction. A server's tag never looks so, since one
begins with a quotation mark or W/ (RFC 9110, 8.8.3).
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from pathlib import Path

from packer.geometry.tileset import TileSet
from packer.store.schema import reading
from packer.store.tile_sets import grouped

__all__ = [
    "NOT_A_PICTURE",
    "PICTURE",
    "PictureOrigin",
    "origin_mark",
    "partial_tiles",
    "picture_origins",
    "picture_tiles",
    "tile_mark",
]

PICTURE = "picture:"
NOT_A_PICTURE = f"fingerprint NOT LIKE '{PICTURE}%'"
_HASH_LETTERS = 32
_MOST_NAMED = 50


@dataclass(frozen=True, slots=True)
class PictureOrigin:
    """A picture that tiles of a pack were cut from: its file's name with its day, and the SHA-256 of the file."""

    name: str
    sha256: str


def origin_mark(sha256: str) -> str:
    """The fingerprint of a picture as a source of tiles."""
    return f"{PICTURE}{sha256}"


def tile_mark(sha256: str, whole: bool) -> str:
    """What stands in place of the entity tag of a tile cut from a picture."""
    return f"{PICTURE}{sha256[:_HASH_LETTERS]}:{'whole' if whole else 'part'}"


def partial_tiles(db: sqlite3.Connection) -> TileSet:
    """The tiles that show ground on a part of their square alone."""
    return _marked(db, "*:part")


def picture_tiles(db: sqlite3.Connection, origin: str) -> TileSet:
    """The tiles that were cut from the picture with this `origin_mark`; none for another source."""
    if not origin.startswith(PICTURE):
        return TileSet()
    return _marked(db, f"{origin.removeprefix(PICTURE)[:_HASH_LETTERS]}:*")


def _marked(db: sqlite3.Connection, pattern: str) -> TileSet:
    if not db.execute(f"SELECT 1 FROM source WHERE NOT ({NOT_A_PICTURE}) LIMIT 1").fetchone():
        return TileSet()  # the tags of millions of tiles need not be read
    return grouped(
        db.execute(
            "SELECT zoom_level, tile_row, group_concat(tile_column) FROM placement WHERE etag GLOB ? "
            "GROUP BY zoom_level, tile_row",
            (PICTURE + pattern,),
        )
    )


def picture_origins(path: Path) -> tuple[PictureOrigin, ...]:
    """The pictures that a pack has tiles of, the latest taken in last; none where there is no pack.

    Raises StoreError if it is not a pack of ours.
    """
    if not path.exists():
        return ()
    with reading(path) as db:
        rows = db.execute(
            f"SELECT host, fingerprint FROM source WHERE NOT ({NOT_A_PICTURE}) ORDER BY first_used, fingerprint "
            f"LIMIT {_MOST_NAMED}"
        )
        return tuple(PictureOrigin(str(host), str(mark).removeprefix(PICTURE)) for host, mark in rows)
