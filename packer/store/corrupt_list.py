"""The list of tiles that a verify leaves beside a pack, for the next fetch to try again and replace: those that are
corrupt, and those that the pack's own short cut names though no row has them.

It is no evidence by itself: the fetch checks each named tile again before it drops anything.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Callable, Iterable
from pathlib import Path

from packer.common.atomic_write import write_atomic
from packer.content.digest import body_hash
from packer.errors import DiskError
from packer.geometry.grid import MAX_ZOOM, tms_row
from packer.geometry.tileset import Tile
from packer.store.records import seal
from packer.store.tile_sets import forget_snapshot

__all__ = ["clear_corrupt", "drop_corrupt", "read_corrupt", "save_corrupt"]

_MOST_BYTES = 200_000_000


def _list_path(pack: Path) -> Path:
    return pack.with_name(f".{pack.stem}.corrupt.json")


def save_corrupt(pack: Path, tiles: Iterable[Tile]) -> None:
    """Leave the list, or take an old one away if there is nothing to list.

    Raises DiskError if it cannot be written: the next fetch would not know of these tiles. An old one that cannot be
    removed is no fault, since the fetch looks at each tile of it again. If the process dies: the old list or the new
    one.
    """
    names = [str(tile) for tile in tiles]
    if not names:
        clear_corrupt(pack)
        return
    try:
        write_atomic(_list_path(pack), json.dumps({"corrupt": names}))
    except OSError as fault:
        raise DiskError(
            f"The list of {len(names):,} corrupt tiles could not be left beside {pack} ({fault.strerror or fault}), so "
            "a fetch would not replace them yet. Make room there, or make the folder writable, then verify again "
            "before you fetch."
        ) from fault


def clear_corrupt(pack: Path) -> None:
    """Take the list away."""
    with contextlib.suppress(OSError):
        _list_path(pack).unlink(missing_ok=True)


def read_corrupt(pack: Path) -> list[Tile]:
    """The tiles of the list; none if there is no list or it is not one of ours."""
    path = _list_path(pack)
    try:
        if not path.is_file() or path.stat().st_size > _MOST_BYTES:
            return []
        names = json.loads(path.read_text(encoding="utf-8"))["corrupt"]
        tiles = [Tile(*map(int, name.split("/"))) for name in names]
    except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return []
    return [t for t in tiles if 0 <= t.zoom <= MAX_ZOOM and 0 <= t.x < 1 << t.zoom and 0 <= t.y < 1 << t.zoom]


def drop_corrupt(
    db: sqlite3.Connection, tiles: Iterable[Tile], check: Callable[[bytes], str | None]
) -> list[Tile]:
    """Look at each tile and drop those that are corrupt, in one transaction; gives back what was dropped.

    The short cuts to what is stored are made anew where a listed tile is not there: they may claim it.
    If the process dies: all of them are dropped or none.
    """
    dropped, gone = [], False
    db.execute("BEGIN IMMEDIATE")
    try:
        for tile in tiles:
            place = (tile.zoom, tile.x, tms_row(tile.zoom, tile.y))
            corrupt = _is_corrupt(db, place, check)
            gone = gone or corrupt is None
            if corrupt:
                dropped.append(tile)
                db.execute(
                    "DELETE FROM placement WHERE zoom_level = ? AND tile_column = ? AND tile_row = ?", place
                )
        if dropped:
            # A changed body must go too, or a tile that arrives with its hash would be given the changed bytes.
            db.execute("DELETE FROM blob WHERE id NOT IN (SELECT blob_id FROM placement)")
        if dropped or gone:
            forget_snapshot(db, "placement")
        if gone:
            forget_snapshot(db, "absent")
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise
    return dropped


def _is_corrupt(
    db: sqlite3.Connection, place: tuple[int, int, int], check: Callable[[bytes], str | None]
) -> bool | None:
    """Whether the tile at a place is corrupt; None if there is none."""
    row = db.execute(
        "SELECT seal, hash, data FROM placement LEFT JOIN blob ON blob.id = blob_id "
        "WHERE zoom_level = ? AND tile_column = ? AND tile_row = ?",
        place,
    ).fetchone()
    if row is None:
        return None
    stated, stated_hash, data = row
    if not isinstance(data, bytes) or body_hash(data) != stated_hash or stated != seal(*place, stated_hash):
        return True
    return check(data) is not None
