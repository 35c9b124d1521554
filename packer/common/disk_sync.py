"""Bringing bytes to the disk for good, and out of memory, so that what is read next comes from the disk."""

from __future__ import annotations

import contextlib
import os

__all__ = ["can_read_back", "drop_from_memory", "sync_to_disk"]

try:
    import fcntl
except ImportError:  # Windows has none
    _FULL_SYNC: int | None = None
else:
    _FULL_SYNC = getattr(fcntl, "F_FULLFSYNC", None)


def sync_to_disk(handle: int) -> None:
    """Bring a file to the disk. Raises OSError.

    macOS leaves what fsync brings out in the memory of the disk itself, unless it is asked for more (its fsync(2)); a
    disk that knows nothing of that takes the plain form.
    """
    if _FULL_SYNC is not None:
        with contextlib.suppress(OSError):
            fcntl.fcntl(handle, _FULL_SYNC)
            return
    os.fsync(handle)


def can_read_back() -> bool:
    """Whether this system lets go of what it has in memory of a file, so that a check reads the disk."""
    return hasattr(os, "posix_fadvise")


def drop_from_memory(handle: int) -> None:
    """Have a synced file read from the disk when it is read next, where the system can do that."""
    if can_read_back():
        os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
