"""Tiles that were cut from a picture of one's own: how a pack knows them, and which pictures they came from.

Such a tile has `picture:HASH:whole` or `picture:HASH:part` in place of an entity tag. HASH is the beginning of the
SHA-256 of the picture's file; "part" says that the tile shows ground on a part of its square alone. So the mark lies in
the tile's own row: it comes and goes with the tile, in the same transaction. A server's tag never looks so, since one
begins with a quotation mark or W/ (RFC 9110, 8.8.3).

A tile that was made from tiles of a source's grid has `derived:HASH:whole` or `derived:HASH:part` there. HASH stands
for the tiles of the source that it was made of, with their own hashes.
"""

from __future__ import annotations

import sqlite3

from packer.geometry.tileset import TileSet
from packer.store.tile_sets import grouped

__all__ = [
    "BLENDED",
    "DERIVED",
    "NOT_A_PICTURE",
    "NO_SERVERS",
    "PICTURE",
    "derived_mark",
    "origin_mark",
    "partial_tiles",
    "picture_names",
    "picture_tiles",
    "tile_mark",
]

PICTURE = "picture:"
DERIVED = "derived:"
NO_SERVERS = (PICTURE, DERIVED)
"""How the entity tags, and the fingerprints of sources, begin that no server has given."""
BLENDED = "blended"
"""In place of a picture's hash: the tile was composed of two layers, for a handover."""
NOT_A_PICTURE = f"(fingerprint NOT LIKE '{PICTURE}%' AND fingerprint NOT LIKE '{DERIVED}%')"
_HASH_LETTERS = 32
_MOST_NAMED, _LONGEST_NAME, _SHOWN_LETTERS = 20, 150, 12


def origin_mark(sha256: str) -> str:
    """The fingerprint of a picture as a source of tiles."""
    return f"{PICTURE}{sha256}"


def tile_mark(sha256: str, whole: bool) -> str:
    """What stands in place of the entity tag of a tile cut from a picture."""
    return f"{PICTURE}{sha256[:_HASH_LETTERS]}:{'whole' if whole else 'part'}"


def derived_mark(recipe: str, whole: bool) -> str:
    """What stands in place of the entity tag of a tile that was made from tiles of a source's grid; `recipe` names
    those, with their hashes, in hexadecimal digits."""
    return f"{DERIVED}{recipe[:_HASH_LETTERS]}:{'whole' if whole else 'part'}"


def partial_tiles(db: sqlite3.Connection) -> TileSet:
    """The tiles that show ground on a part of their square alone."""
    return _marked(db, PICTURE + "*:part") | _marked(db, DERIVED + "*:part")


def picture_tiles(db: sqlite3.Connection, origin: str) -> TileSet:
    """The tiles that were cut from the picture with this `origin_mark`; none for another source."""
    if not origin.startswith(PICTURE):
        return TileSet()
    return _marked(db, f"{PICTURE}{origin.removeprefix(PICTURE)[:_HASH_LETTERS]}:*")


def _marked(db: sqlite3.Connection, pattern: str) -> TileSet:
    if not db.execute(f"SELECT 1 FROM source WHERE NOT ({NOT_A_PICTURE}) LIMIT 1").fetchone():
        return TileSet()  # the tags of millions of tiles need not be read
    return grouped(
        db.execute(
            "SELECT zoom_level, tile_row, group_concat(tile_column) FROM placement WHERE etag GLOB ? "
            "GROUP BY zoom_level, tile_row",
            (pattern,),
        )
    )


def picture_names(db: sqlite3.Connection) -> tuple[str, ...]:
    """The pictures that a pack has tiles of, each as its file's name, its day and the beginning of its SHA-256, the one
    taken in last at the end."""
    rows = db.execute(
        f"SELECT host, fingerprint FROM source WHERE fingerprint LIKE '{PICTURE}%' AND fingerprint != ? "
        "ORDER BY first_used, fingerprint LIMIT ?",
        (origin_mark(BLENDED), _MOST_NAMED),
    )
    return tuple(
        f"{host[:_LONGEST_NAME]}, SHA-256 {mark.removeprefix(PICTURE)[:_SHOWN_LETTERS]}"
        for host, mark in rows
        if isinstance(host, str) and isinstance(mark, str)
    )
