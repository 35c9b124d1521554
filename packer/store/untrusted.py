"""Opening databases of other makers: read only, nothing made beside them, and nothing in them run."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

from packer.common.regular_file import refuse_special
from packer.errors import StoreError
from packer.store.disk_errors import translated
from packer.store.schema import connect, no_longer_than

__all__ = ["has_log", "open_untrusted", "refuse_half_written"]


def open_untrusted(path: Path) -> sqlite3.Connection:
    """Open somebody else's database for reading; nothing beside it is made, taken back or removed.

    Its views may read its tables and calculate, but call hardly a function and never themselves, and reading it
    takes no more steps than its size gives reason for. Raises StoreError if it was left half written.
    """
    with translated(path):
        refuse_half_written(path)
        db = connect(path, mode="ro", more="&immutable=1" if has_log(path) else "")
        db.execute("PRAGMA trusted_schema = OFF")
        no_longer_than(db)
        db.set_authorizer(_only_reading)
        return db


def has_log(path: Path) -> bool:
    """Whether a database is of the kind with a write-ahead log, beside which even a reader makes files (SQLite file
    format, 1.3.3)."""
    refuse_special(path, StoreError)
    with path.open("rb") as file:
        return 2 in file.read(20)[18:]


def refuse_half_written(path: Path) -> None:
    """Raise StoreError for somebody else's file that its program has open, or never closed."""
    for ending in ("-journal", "-wal"):
        beside = path.with_name(path.name + ending)
        refuse_special(beside, StoreError)
        with contextlib.suppress(FileNotFoundError):
            # A journal that begins with a zero was never in force (SQLite, `hasHotJournal`): the file was not changed.
            if beside.stat().st_size > 0 and (ending != "-journal" or _first_byte(beside) != b"\0"):
                raise StoreError(
                    f"{path} is half written, or is being written right now: {path.name}{ending} lies beside it. "
                    "Open and close it with the program that wrote it, then try again."
                )


def _first_byte(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(1)


_FUNCTIONS = {"abs", "coalesce", "count", "ifnull", "length", "max", "min", "pow", "power", "round", "substr"}


def _only_reading(action: int, _one: str | None, name: str | None, _db: str | None, _by: str | None) -> int:
    if action in (sqlite3.SQLITE_SELECT, sqlite3.SQLITE_READ, sqlite3.SQLITE_PRAGMA):
        return sqlite3.SQLITE_OK
    harmless = action == sqlite3.SQLITE_FUNCTION and str(name).lower() in _FUNCTIONS
    return sqlite3.SQLITE_OK if harmless else sqlite3.SQLITE_DENY
