"""What a fetch hands to the store: one record for each tile that has its answer."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from packer.geometry.tileset import (
        Tile,  # numpy with it, which a process that only checks bodies does without
    )

__all__ = ["LAST_SECOND", "Absent", "Received", "Record", "Renewed", "Trouble", "seal"]

LAST_SECOND = 253_402_300_799  # 9999-12-31T23:59:59Z: no date beyond can be written down


@dataclass(frozen=True, slots=True)
class Received:
    """A whole, checked tile body; `hash` is its SHA-256, times are whole seconds since 1970."""

    tile: Tile
    data: bytes
    hash: bytes
    kind: str
    fetched: int
    etag: str | None = None
    modified: str | None = None
    fresh_until: int | None = None


@dataclass(frozen=True, slots=True)
class Absent:
    """The server says that it does not have this tile."""

    tile: Tile
    status: int
    noted: int


@dataclass(frozen=True, slots=True)
class Trouble:
    """The tile could not be had; `kind` is one word, `reason` a clause in plain words without any key."""

    tile: Tile
    kind: str
    reason: str
    noted: int


@dataclass(frozen=True, slots=True)
class Renewed:
    """The server says that the stored tile is still the current one; None keeps the validator as it was."""

    tile: Tile
    fetched: int
    etag: str | None = None
    modified: str | None = None
    fresh_until: int | None = None


Record = Received | Absent | Trouble | Renewed


def seal(zoom: int, column: int, tms_row: int, blob_hash: bytes) -> bytes:
    """Eight bytes that bind a body to its place, so that two good tiles swapped by accident are noticed."""
    return hashlib.sha256(b"%d/%d/%d " % (zoom, column, tms_row) + blob_hash).digest()[:8]
