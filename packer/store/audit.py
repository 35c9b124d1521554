"""Reading a pack as evidence: every body and every placement, in ranges that can be shared out.

Nothing here believes the snapshot or any count; a placement counts only with a body that hashes to its hash
and a seal that binds the two.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from packer.store.holdings import scan
from packer.store.records import body_hash, seal
from packer.store.schema import open_read_only, translated
from packer.tileset import Tile, TileSet

__all__ = ["BadTile", "Census", "audit_range", "census", "ranges"]

Check = Callable[[bytes], str | None]


@dataclass(frozen=True, slots=True)
class BadTile:
    """A placement that must not be relied on, and why, in a few words."""

    tile: Tile
    kind: str


@dataclass(frozen=True, slots=True)
class Census:
    """What a pack claims to hold, read from its tables themselves.

    `stray` counts placements outside the grid, which no reader can show.
    """

    held: TileSet
    absent: TileSet
    first_blob: int
    last_blob: int
    bodies: int
    stray: int
    format: str | None


def census(path: Path) -> Census:
    """Count a pack. Raises StoreError if it is none of ours or SQLite finds its structure damaged."""
    with translated(path):
        db = open_read_only(path)
        try:
            held = scan(db, "placement")
            total = db.execute("SELECT count(*) FROM placement").fetchone()[0]
            low, high = db.execute(
                "SELECT min(least), max(most) FROM (SELECT min(id) least, max(id) most FROM blob "
                "UNION ALL SELECT min(blob_id), max(blob_id) FROM placement)"
            ).fetchone()
            bodies = db.execute("SELECT count(*) FROM blob").fetchone()[0]
            kind = db.execute("SELECT value FROM metadata WHERE name = 'format'").fetchone()
            return Census(
                held=held,
                absent=scan(db, "absent"),
                first_blob=low or 0,
                last_blob=high or 0,
                bodies=bodies,
                stray=total - len(held),
                format=kind[0] if kind else None,
            )
        finally:
            db.close()


def ranges(found: Census, size: int) -> Iterator[tuple[int, int]]:
    """Ranges of body numbers, first and last, that together take in every body and placement."""
    for first in range(found.first_blob, found.last_blob + 1, size):
        yield first, min(first + size - 1, found.last_blob)


def audit_range(db: sqlite3.Connection, first: int, last: int, check: Check) -> tuple[int, list[BadTile]]:
    """Re-hash the bodies numbered `first` to `last`, put each to `check`, and try every placement of them.

    `check` gives None for a sound body and a few words for any other. Returns the number of bodies read and
    the placements not to be relied on.
    """
    faults: dict[int, str | None] = {}
    hashes: dict[int, bytes] = {}
    for number, stated, data in db.execute(
        "SELECT id, hash, data FROM blob WHERE id BETWEEN ? AND ?", (first, last)
    ):
        hashes[number] = stated
        faults[number] = _fault(stated, data, check)
    bad = []
    rows = db.execute(
        "SELECT zoom_level, tile_column, tile_row, blob_id, seal FROM placement WHERE blob_id BETWEEN ? AND ?",
        (first, last),
    )
    for zoom, column, row, number, stated in rows:
        fault = faults.get(number, "its body is missing")
        if fault is None and stated != seal(zoom, column, row, hashes[number]):
            fault = "it lies at another tile's place"
        if fault is not None:
            bad.append(BadTile(Tile(zoom, column, (1 << zoom) - 1 - row), fault))
    return len(hashes), bad


def _fault(stated: object, data: object, check: Check) -> str | None:
    if not isinstance(data, bytes) or not isinstance(stated, bytes):
        return "its body is not stored as bytes"
    if body_hash(data) != stated:
        return "its bytes have changed"
    return check(data)
