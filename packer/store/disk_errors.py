"""Errors of SQLite and of the system on a file, as sentences of this project; a failing disk is told from damage.

SQLite reports a read that fails with EIO as SQLITE_CORRUPT (`unixRead` in its os_unix.c), as if the file were damaged.
So before a file is called damaged its bytes are read again outside SQLite, and SQLite looks it over once more.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sqlite3
import threading
import time
from pathlib import Path

from packer.common.disk_sync import drop_from_memory
from packer.common.sqlite_uri import sqlite_uri
from packer.errors import DiskError, LastbarError, StoreBusyError, StoreError

__all__ = ["LEFT_AS_IT_IS", "damage_error", "translated"]

LEFT_AS_IT_IS = "It was not changed. Move it away and fetch again, or choose another folder with --store."
_FULL = "Free some space and run the same command again. What was stored is kept."
_NOT_MOVED = (
    "Do not move the file away: its content may be intact. Check cable, reader and disk, then try again."
)
_LOOK_AGAIN_S = 20.0  # for each of the two looks at a file that SQLite calls damaged
_READ_BYTES = 1 << 20
_NEAR_LIMIT_BYTES = 3_900_000_000  # of what FAT32 takes, 4 GiB less one byte


class translated:  # noqa: N801  # reads as a statement: with translated(path): ...
    """Turns SQLite's and the system's errors on `path` into this project's, with their cause kept."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __enter__(self) -> None: ...

    def __exit__(self, kind: object, fault: BaseException | None, trace: object) -> None:
        if isinstance(fault, sqlite3.Error):
            raise _named(fault, self._path) from fault
        if isinstance(fault, UnicodeDecodeError):  # SQLite's own message may repeat bytes of the file
            raise StoreError(
                f"{self._path} is damaged: it has text that is not readable. {LEFT_AS_IT_IS}"
            ) from fault
        if isinstance(fault, OSError) and not isinstance(fault, LastbarError):
            raise _of_system(fault, self._path) from fault


def _of_system(fault: OSError, path: Path) -> DiskError:
    if fault.errno in (errno.ENOSPC, errno.EDQUOT):
        return DiskError(f"The disk is full, or your share of it is: {path} could not be written. {_FULL}")
    return DiskError(
        f"{path} cannot be used: {fault.strerror or fault}. Check the disk, and whether you may write there, then "
        "try again."
    )


def _named(fault: sqlite3.Error, path: Path) -> LastbarError:
    name = getattr(fault, "sqlite_errorname", "") or ""
    if name.startswith("SQLITE_FULL"):
        return DiskError(f"The disk is full: {path} could not grow. {_FULL}")
    if name == "SQLITE_IOERR_WRITE":
        return _not_written(path)
    if name.startswith("SQLITE_IOERR"):
        return DiskError(
            f"The disk failed while {path} was in use ({name}). Check the disk, then verify the pack."
        )
    if name == "SQLITE_READONLY_DBMOVED":
        return StoreError(
            f"{path} was deleted, moved or replaced by another program while it was being written. Put it back if "
            "it was moved, then run the same command again: it goes on from what the pack then holds."
        )
    if name.startswith(("SQLITE_READONLY", "SQLITE_PERM", "SQLITE_CANTOPEN")):
        return DiskError(
            f"{path} cannot be opened for this: it or its folder is read-only or missing. Check the disk, and "
            "whether you may write there, then try again."
        )
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return StoreBusyError(
            f"{path} is in use by another process. Wait for it to end, or stop it, and try again."
        )
    if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")):
        return damage_error(path, _plain(fault))
    if name.startswith("SQLITE_AUTH") or str(fault).startswith(("not authorized", "unsafe use")):
        return StoreError(f"{path} does more than list tiles ({_plain(fault)}), so it was not read.")
    if name.startswith("SQLITE_INTERRUPT"):
        return StoreError(
            f"{path} took too long to read: it asks for more work than its size can explain, so reading was given up. "
            "Nothing was changed. If the file comes from elsewhere, do without it; if it is your own pack, see "
            "what lastbar verify says of it."
        )
    return StoreError(f"{path} cannot be used: {_plain(fault)}.")


def _not_written(path: Path) -> DiskError:
    """What a full or failing disk gives, and a limit on the size of files, such as FAT32's 4 GiB."""
    with contextlib.suppress(OSError):
        if path.stat().st_size >= _NEAR_LIMIT_BYTES:
            return DiskError(
                f"{path} could not be written: the disk is full, failing, or takes no larger files, as FAT32 takes "
                'none over 4 GB. If it is that, write max-pack-file = "3.5 GB" at the top of the brief (for merge, add '
                '--max-file "3.5 GB") and run the same command again: what is missing goes to a further file. What was '
                "stored is kept."
            )
    return DiskError(
        f"{path} could not be written: the disk is full, failing, or limits the size of files. {_FULL}"
    )


def damage_error(path: Path, said: str) -> LastbarError:
    """What to raise where SQLite has called a file damaged, in the words `said`: a DiskError if its bytes cannot be
    read, or if SQLite finds it intact when it looks again, else a StoreError. Takes up to 40 s with a large file."""
    try:
        whole = _read_through(path)
    except OSError as fault:
        return DiskError(
            f"The disk that {path} is on could not be read ({fault.strerror or fault}). {_NOT_MOVED}"
        )
    intact = _intact_now(path) if whole else None
    if intact:
        return DiskError(
            f"The disk that {path} is on could not be read for a moment; the file itself is intact. {_NOT_MOVED}"
        )
    if intact is None:
        return StoreError(
            f"{path} is damaged, or its disk gives wrong bytes ({said}). Check it on another reader or computer with "
            "lastbar verify before you move it away and fetch again."
        )
    return StoreError(f"{path} is damaged, or not a pack ({said}). {LEFT_AS_IT_IS}")


_looked_into: dict[tuple[int, int], int] = {}
_mutex = threading.Lock()


def _handle(path: Path) -> int:
    """A handle on a file that stays open as long as the process lives.

    To close any handle on a file drops the locks that SQLite holds on it in this process (POSIX fcntl, "all locks
    associated with a file for a given process shall be removed"), and it may be in use.
    """
    found = path.stat()
    with _mutex:
        key = found.st_dev, found.st_ino
        if key not in _looked_into:
            _looked_into[key] = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
        return _looked_into[key]


def _read_through(path: Path) -> bool:
    """Read a file from its first byte to its last; False if the time was up before. Raises OSError."""
    handle, ends, at = _handle(path), time.monotonic() + _LOOK_AGAIN_S, 0
    drop_from_memory(handle)
    size = os.fstat(handle).st_size
    while at < size:
        if time.monotonic() > ends:
            return False
        if hasattr(os, "pread"):
            piece = os.pread(handle, _READ_BYTES, at)
        else:
            os.lseek(handle, at, os.SEEK_SET)
            piece = os.read(handle, _READ_BYTES)
        if not piece:
            break
        at += len(piece)
    return True


def _intact_now(path: Path) -> bool | None:
    """What SQLite says of a file when it looks through it again; None if it cannot be told."""
    try:
        logged = os.pread(_handle(path), 20, 0)[18:] if hasattr(os, "pread") else b""
        # A file of the kind with a write-ahead log is opened as if nothing could change it, so that nothing is made.
        more = "&immutable=1" if 2 in logged else ""
        db = sqlite3.connect(
            sqlite_uri(path.resolve(), f"mode=ro{more}"), uri=True, isolation_level=None, timeout=0
        )
    except (OSError, sqlite3.Error):
        return None
    alarm = threading.Timer(_LOOK_AGAIN_S, db.interrupt)
    alarm.daemon = True
    alarm.start()
    try:
        db.execute("PRAGMA trusted_schema = OFF")
        said = str(db.execute("PRAGMA quick_check(1)").fetchone()[0])
        return None if said != "ok" and "unable to get the page" in said else said == "ok"
    except sqlite3.Error as fault:
        name = getattr(fault, "sqlite_errorname", "") or ""
        return False if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")) else None
    finally:
        alarm.cancel()
        with contextlib.suppress(sqlite3.Error):
            db.close()


def _plain(fault: sqlite3.Error) -> str:
    """SQLite's words on one line; they may repeat names from the file."""
    text = "".join(c if c.isprintable() else "?" for c in " ".join(str(fault)[:200].split()))
    return text.rstrip(".")
