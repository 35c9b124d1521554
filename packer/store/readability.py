"""Whether a pack can be read at all: asked before it is called complete, which its own counts alone do not show."""

from __future__ import annotations

import contextlib
import sqlite3
import threading
import time
from pathlib import Path

from packer.store.disk_errors import damage_error
from packer.store.pack_files import files_of
from packer.store.schema import reading

__all__ = ["refuse_unreadable", "refuse_unreadable_file"]

_SAMPLED = 200
_BODY_AFTER = (
    "SELECT placement.rowid, length(data), substr(data, -1) FROM placement "
    "LEFT JOIN blob ON blob.id = blob_id WHERE placement.rowid >= ? ORDER BY placement.rowid LIMIT 1"
)


def refuse_unreadable(pack: Path, limit_s: float) -> None:
    """As `refuse_unreadable_file` for the files of a pack, with the time shared out among them."""
    files = files_of(pack)
    for path in files:
        refuse_unreadable_file(path, limit_s / len(files))


def refuse_unreadable_file(path: Path, limit_s: float) -> None:
    """Raise StoreError for a file of a pack whose pages do not hang together, DiskError for one that cannot be read.

    SQLite looks through the whole file if that takes no more than `limit_s`, else for as long again bodies are read to
    their last byte that are spread over the pack. Says nothing of what the bodies are: that is for verify. Writes
    nothing.
    """
    with reading(path) as db:
        said = _structure(db, limit_s)
        if said is None:
            _read_sample(db, time.monotonic() + limit_s)
        elif said != "ok":
            raise damage_error(path, said)


def _structure(db: sqlite3.Connection, limit_s: float) -> str | None:
    """What SQLite's quick check finds first, "ok" if it finds nothing; None if the time was up before."""
    alarm = threading.Timer(limit_s, db.interrupt)
    alarm.daemon = True
    ends = time.monotonic() + limit_s
    alarm.start()
    try:
        said = " ".join(str(db.execute("PRAGMA quick_check(1)").fetchone()[0]).split())[:200]
    except sqlite3.OperationalError as fault:
        if fault.sqlite_errorname != "SQLITE_INTERRUPT":
            raise
        return None
    finally:
        alarm.cancel()
    # A check that was cut short may end without an error.
    return None if time.monotonic() >= ends else said


def _read_sample(db: sqlite3.Connection, ends: float) -> None:
    first, last = db.execute("SELECT min(rowid), max(rowid) FROM placement").fetchone()
    if first is None:
        return
    for number in range(_SAMPLED):
        if time.monotonic() >= ends:
            return
        with contextlib.closing(
            db.execute(_BODY_AFTER, (first + (last - first) * number // _SAMPLED,))
        ) as found:
            found.fetchone()
