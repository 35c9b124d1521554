"""What a pack looks like inside, and how one is made, recognised and refused.

A pack is one SQLite file and a valid MBTiles 1.3 tileset after every commit:

    blob        each distinct tile body once, under the SHA-256 taken when it arrived
    placement   which body lies at which tile, when and with which validators it came, and a seal over both
    tiles       the view that MBTiles readers see (tile_row counts from the bottom, as TMS does)
    metadata    what MBTiles asks for, and the permission under which the tiles are kept
    absent      tiles that the server has said it does not have
    trouble     tiles that could not be had, and why
    run         each run of a fetch: when, with what plan and versions
    source      which server the tiles came from, named without any key
    snapshot    a short cut to the set of stored tiles; its count is checked before it is believed

The placement index leads with the row, so that rows come out in the order of the plan's runs; readers look
tiles up by all three columns, which any order serves.
"""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

from packer.errors import DiskError, LastbarError, StoreBusyError, StoreError

__all__ = ["APPLICATION_ID", "connect", "create", "open_read_only", "open_writable", "translated"]

APPLICATION_ID = 0x4D504258  # "MPBX", assigned to MBTiles in SQLite's list of magic numbers
SCHEMA_VERSION = 1
# 4096 wastes least for tiles of some 15 KB: 6.5 % over the payload where 8192 costs 13 % (measured).
PAGE_BYTES = 4096
# A verify or a handover in another process may hold a commit up; it reads in short stretches and lets it in.
_WRITER_PATIENCE_S = 600.0

_TABLES = """
CREATE TABLE metadata (name TEXT NOT NULL PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE blob (id INTEGER PRIMARY KEY, hash BLOB NOT NULL UNIQUE, data BLOB NOT NULL);
CREATE TABLE placement (
    zoom_level INTEGER NOT NULL, tile_column INTEGER NOT NULL, tile_row INTEGER NOT NULL,
    blob_id INTEGER NOT NULL, seal BLOB NOT NULL,
    fetched INTEGER NOT NULL, etag TEXT, modified TEXT, fresh_until INTEGER
);
CREATE UNIQUE INDEX tile_index ON placement (zoom_level, tile_row, tile_column);
CREATE INDEX blob_use ON placement (blob_id);
CREATE VIEW tiles AS
    SELECT zoom_level, tile_column, tile_row, data AS tile_data FROM placement JOIN blob ON blob.id = blob_id;
CREATE TABLE absent (
    zoom_level INTEGER NOT NULL, tile_column INTEGER NOT NULL, tile_row INTEGER NOT NULL,
    status INTEGER NOT NULL, noted INTEGER NOT NULL
);
CREATE UNIQUE INDEX absent_index ON absent (zoom_level, tile_row, tile_column);
CREATE TABLE trouble (
    zoom_level INTEGER NOT NULL, tile_column INTEGER NOT NULL, tile_row INTEGER NOT NULL,
    kind TEXT NOT NULL, reason TEXT NOT NULL, noted INTEGER NOT NULL,
    PRIMARY KEY (zoom_level, tile_row, tile_column)
);
CREATE TABLE run (
    id INTEGER PRIMARY KEY, started INTEGER NOT NULL, ended INTEGER, version TEXT NOT NULL,
    sqlite TEXT NOT NULL, plan TEXT NOT NULL, rule TEXT NOT NULL,
    requests INTEGER NOT NULL DEFAULT 0, stored INTEGER NOT NULL DEFAULT 0, bytes INTEGER NOT NULL DEFAULT 0
);
CREATE TABLE source (
    fingerprint TEXT NOT NULL PRIMARY KEY, host TEXT NOT NULL, permission TEXT NOT NULL,
    first_used INTEGER NOT NULL
);
CREATE TABLE snapshot (
    what TEXT NOT NULL, zoom INTEGER NOT NULL, boundaries BLOB NOT NULL, up_to INTEGER NOT NULL,
    PRIMARY KEY (what, zoom)
);
"""


def connect(path: Path, *, mode: str, patience_s: float = 10.0) -> sqlite3.Connection:
    """Open a database file in URI mode "ro", "rw" or "rwc", in explicit-transaction mode.

    A lock held by another process is waited for up to `patience_s`.
    """
    uri = f"{path.resolve().as_uri()}?mode={mode}"
    return sqlite3.connect(uri, uri=True, isolation_level=None, timeout=patience_s)


def create(path: Path, layer: str, kind: str) -> None:
    """Make an empty pack at `path`, which must not exist.

    If the process dies: no pack, or a whole one; what was begun lies under a hidden name and is made anew.
    """
    half = path.with_name(f".{path.name}.part")
    with translated(path):
        for leftover in (half, half.with_name(half.name + "-journal")):
            leftover.unlink(missing_ok=True)
        db = connect(half, mode="rwc")
        try:
            _fill_empty(db, layer, kind)
        finally:
            db.close()
        half.replace(path)


def _fill_empty(db: sqlite3.Connection, layer: str, kind: str) -> None:
    db.execute(f"PRAGMA page_size = {PAGE_BYTES}")
    db.executescript(
        f"BEGIN IMMEDIATE; PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {SCHEMA_VERSION};"
        f"{_TABLES}"
    )
    rows = {"name": layer, "format": kind, "type": "baselayer", "version": "1"}
    db.executemany("INSERT INTO metadata VALUES (?, ?)", rows.items())
    db.execute("COMMIT")


def open_writable(path: Path, layer: str, kind: str) -> sqlite3.Connection:
    """Open the pack of a layer for writing, made first if there is none; every commit synced.

    The caller holds the pack's lock. Raises StoreError if the file is no pack of ours, DiskError if the disk
    refuses. If the process dies: what was committed stays; the next opening takes back what was not.
    """
    with translated(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        if not path.exists():
            create(path, layer, kind)
        db = connect(path, mode="rw", patience_s=_WRITER_PATIENCE_S)
        try:
            if db.execute("PRAGMA schema_version").fetchone()[0] == 0 and path.stat().st_size == 0:
                _fill_empty(db, layer, kind)  # died between creating the file and filling it
            _check_ours(db, path)
            # New tiles go to new pages, which a rollback journal need not save: each body is written once, where
            # a write-ahead log writes it twice. And the file is whole by itself after every commit.
            db.execute("PRAGMA journal_mode = TRUNCATE")
            db.execute("PRAGMA synchronous = FULL")
            db.execute("PRAGMA cache_size = -32768")
        except BaseException:
            db.close()
            raise
        return db


def open_read_only(path: Path) -> sqlite3.Connection:
    """Open a pack for reading only; nothing is created or written beside SQLite's own files, except that what a
    dead process left half done is taken back.

    Raises StoreError if there is no such file or it is no pack of ours.
    """
    if not path.is_file():
        raise StoreError(f"{path} does not exist yet. Fetch it first: lastbar fetch")
    with translated(path):
        with contextlib.suppress(FileNotFoundError):
            if path.with_name(path.name + "-journal").stat().st_size > 0:
                _roll_back(path)
        db = connect(path, mode="ro")
        try:
            _check_ours(db, path)
        except BaseException:
            db.close()
            raise
        return db


def _roll_back(path: Path) -> None:
    """Let SQLite take back what a process that died had begun: a reader alone may not."""
    db = connect(path, mode="rw")
    try:
        db.execute("SELECT count(*) FROM sqlite_master").fetchone()
    finally:
        db.close()


def _check_ours(db: sqlite3.Connection, path: Path) -> None:
    mark = db.execute("PRAGMA application_id").fetchone()[0]
    names = {row[0] for row in db.execute("SELECT name FROM sqlite_master")}
    if mark != APPLICATION_ID or not {"placement", "blob", "absent", "trouble", "snapshot"} <= names:
        raise StoreError(
            f"{path} is a database, but not a pack that Lastbar wrote. It is left as it is; move it away or "
            "choose another folder with --store."
        )
    version = db.execute("PRAGMA user_version").fetchone()[0]
    if version != SCHEMA_VERSION:
        raise StoreError(
            f"{path} has pack layout {version}, and this version of Lastbar knows {SCHEMA_VERSION}. "
            "Use the version that wrote it, or choose another folder with --store."
        )


class translated:  # noqa: N801  # reads as a statement: with translated(path): ...
    """Turns SQLite's and the system's errors on `path` into this project's, with their cause kept."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __enter__(self) -> None: ...

    def __exit__(self, kind: object, fault: BaseException | None, trace: object) -> None:
        if isinstance(fault, sqlite3.Error):
            raise _named(fault, self._path) from fault
        if isinstance(fault, OSError) and not isinstance(fault, LastbarError):
            raise DiskError(f"{self._path} cannot be used: {fault.strerror or fault}.") from fault


_FULL = "Free some space and run the same command again; what was committed is kept."


def _named(fault: sqlite3.Error, path: Path) -> LastbarError:
    name = getattr(fault, "sqlite_errorname", "") or ""
    if name.startswith("SQLITE_FULL"):
        return DiskError(f"The disk is full: {path} could not grow. {_FULL}")
    if name == "SQLITE_IOERR_WRITE":
        # What a file-size limit gives as well, such as FAT32's 4 GiB.
        return DiskError(
            f"{path} could not be written: the disk is full, failing, or limits a file's size. {_FULL}"
        )
    if name.startswith("SQLITE_IOERR"):
        return DiskError(
            f"The disk failed while {path} was in use ({name}). Check the disk, then verify the pack."
        )
    if name.startswith(("SQLITE_READONLY", "SQLITE_PERM", "SQLITE_CANTOPEN")):
        return DiskError(f"{path} cannot be opened for this: it or its folder is read-only or missing.")
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return StoreBusyError(
            f"{path} is in use by another process. Wait for it to end, or stop it, and try again."
        )
    if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")):
        return StoreError(
            f"{path} is damaged or no pack at all ({fault}). It is left as it is; move it away and fetch "
            "again, or choose another folder with --store."
        )
    return StoreError(f"{path} cannot be used: {fault}.")
