"""One chunk of a pack tried as evidence: its bodies hashed again, its placements held against their seals.

Worker processes load this module and start the sooner the less it imports: no sets, no arrays.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path

from packer.content.digest import body_hash
from packer.errors import StoreError
from packer.store.records import seal
from packer.store.schema import reading

__all__ = [
    "PLACE",
    "Check",
    "Chunk",
    "Fault",
    "audit_chunk",
    "audit_same_chunk",
    "check_chunk",
    "file_mark",
    "refuse_other_file",
    "xyz",
]

Check = Callable[[bytes], str | None]
"""None for an intact body, a few words for any other."""

Chunk = tuple[int, int]
"""Body numbers, first and last, both included."""

Fault = tuple[int, int, int, str]
"""Zoom, column, row from the top, and why the placement there must not be relied on."""

PLACE = "zoom_level, tile_column, tile_row"
_MAPPED_BYTES = 0x7FFF0000  # the most that SQLite maps (its SQLITE_MAX_MMAP_SIZE); beyond, it reads


def file_mark(path: Path) -> tuple[int, int, int]:
    """Size, time, and SQLite's change counter (file format, 1.3: bytes 24 to 27) of a pack. Raises OSError."""
    with path.open("rb") as file:
        head = file.read(28)
    stat = path.stat()
    return stat.st_size, stat.st_mtime_ns, int.from_bytes(head[24:28], "big")


def audit_same_chunk(
    path: Path, mark: tuple[int, ...], chunk: Chunk, check: Check | None
) -> tuple[int, list[Fault]]:
    """As `audit_chunk`, on another machine: only if that sees the very file, by its `mark`. Raises StoreError."""
    refuse_other_file(path, mark)
    return audit_chunk(path, chunk, check)


def refuse_other_file(path: Path, mark: tuple[int, ...]) -> None:
    """Raise StoreError on another machine that does not see the very file, by its `mark`."""
    try:
        seen = file_mark(path)
    except OSError as fault:
        raise StoreError(
            f"A worker of the cluster cannot read {path}: {fault.strerror or fault}, on {_node()}. All have to reach "
            "the packs by the same path."
        ) from None
    if seen != mark:
        raise StoreError(
            f"A worker of the cluster sees another file at {path} than this machine, on {_node()}. All have to reach "
            "the same packs by the same path, and nothing may be fetched into them meanwhile."
        )


def _node() -> str:
    from platform import node  # workers start the sooner without it

    return node() or "a node without a name"


def audit_chunk(
    path: Path, chunk: Chunk, check: Check | None, mapped: bool = False
) -> tuple[int, list[Fault]]:
    """Re-hash the bodies of one chunk and try every placement of them; opens the pack for itself.

    Without `check` the hash alone decides. With `mapped` the file is read through the address space, which is
    a sixth faster, but a failing disk then ends the whole process (SIGBUS) where it would be an error else: only
    for a process that may be lost. Returns the number of bodies read and the placements not to be relied on.
    Raises StoreError or DiskError.
    """
    with reading(path) as db:
        if mapped:
            db.execute(f"PRAGMA mmap_size = {_MAPPED_BYTES}")
        return check_chunk(db, chunk, check)


def check_chunk(db: sqlite3.Connection, chunk: Chunk, check: Check | None) -> tuple[int, list[Fault]]:
    """As `audit_chunk`, through a connection that is open."""
    hashed, sealed = body_hash, seal  # called for each tile: names of this function are quicker to find
    intact: dict[int, bytes] = {}
    faults: dict[int, str] = {}
    for number, stated, data in db.execute("SELECT id, hash, data FROM blob WHERE id BETWEEN ? AND ?", chunk):
        if not isinstance(data, bytes):
            faults[number] = "its data is not stored as bytes"
        elif hashed(data) != stated:
            faults[number] = "its bytes have changed"
        elif check is not None and (fault := check(data)) is not None:
            faults[number] = fault
        else:
            intact[number] = stated
    bad = []
    rows = db.execute(f"SELECT {PLACE}, blob_id, seal FROM placement WHERE blob_id BETWEEN ? AND ?", chunk)
    for zoom, column, row, number, stated in rows:
        body = intact.get(number)
        try:
            if body is not None and sealed(zoom, column, row, body) == stated:
                continue
            fault = (
                "it is stored at another tile's place" if body else faults.get(number, "its data is missing")
            )
            bad.append((*xyz(zoom, column, row), fault))
        except (TypeError, OverflowError):
            continue  # text, or no end, where a number belongs: no tile at all, and counted as stray
    return len(intact) + len(faults), bad


def xyz(zoom: int, column: int, row: int) -> tuple[int, int, int]:
    """The place of a row of the pack, counted from the top.

    A damaged row may name a zoom at which nothing can be turned over; it is off the grid in any case.
    """
    return (zoom, column, (1 << zoom) - 1 - row) if 0 <= zoom <= 62 else (zoom, column, row)
