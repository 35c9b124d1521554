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
import functools
import sqlite3
from collections.abc import Iterator
from functools import partial
from pathlib import Path

from packer.common.atomic_write import make_folders, sync_folder
from packer.common.in_use import once_free
from packer.common.regular_file import refuse_special
from packer.common.sqlite_uri import sqlite_uri
from packer.errors import StoreError
from packer.store.disk_errors import LEFT_AS_IT_IS, translated
from packer.store.locks import refuse_without_locks

__all__ = [
    "APPLICATION_ID",
    "WRITER_PATIENCE_S",
    "connect",
    "create",
    "file_bytes",
    "make_durable",
    "no_longer_than",
    "open_read_only",
    "open_writable",
    "reading",
    "settle",
]

APPLICATION_ID = 0x4D504258  # "MPBX", assigned to MBTiles in SQLite's list of magic numbers
SCHEMA_VERSION = 1
# 4096 wastes least for tiles of some 15 KB: 6.5 % over the payload where 8192 costs 13 % (measured).
PAGE_BYTES = 4096
# A verify or a handover in another process may hold a commit up; it reads in short stretches and lets it in.
WRITER_PATIENCE_S = 600.0

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


def connect(path: Path, *, mode: str, patience_s: float = 10.0, more: str = "") -> sqlite3.Connection:
    """Open a database file in URI mode "ro", "rw" or "rwc", in explicit-transaction mode.

    A lock held by another process is waited for up to `patience_s`; `more` is more of the URI. Raises
    StoreError for what is not a regular file, and for a journal beside the file that no pack has, before SQLite acts
    on it.
    """
    refuse_special(path, StoreError)
    _refuse_linked_journal(path)
    uri = sqlite_uri(path.resolve(), f"mode={mode}{more}")
    return sqlite3.connect(uri, uri=True, isolation_level=None, timeout=patience_s)


_JOURNAL_MAGIC = b"\xd9\xd5\x05\xf9\x20\xa1\x63\xd7"


def _refuse_linked_journal(path: Path) -> None:
    """Raise StoreError for a journal that names one over several files.

    SQLite removes the file so named, whatever it is, once it has rolled back (the record at a journal's end, in
    SQLite's `readSuperJournal`). A pack is written alone and never has such a record; a file from elsewhere may.
    """
    journal = path.with_name(path.name + "-journal")
    refuse_special(journal, StoreError)
    with contextlib.suppress(FileNotFoundError), journal.open("rb") as file:
        if file.seek(0, 2) >= 16 and file.seek(-8, 2) and file.read(8) == _JOURNAL_MAGIC:
            raise StoreError(
                f"{journal} is not the journal of a pack: it names another file, which SQLite would delete. Nothing "
                "was changed. If you do not know where it comes from, move it away."
            )


def create(path: Path, layer: str, kind: str, label: tuple[str, str] | None = None) -> None:
    """Make an empty pack at `path`, which must not exist; `label` is one more row of its metadata.

    If the process dies: no pack, or a whole one; what was begun lies under a hidden name and is made again.
    """
    half = path.with_name(f".{path.name}.part")
    with translated(path):
        for leftover in (half, half.with_name(half.name + "-journal")):
            leftover.unlink(missing_ok=True)
        db = connect(half, mode="rwc")
        try:
            _fill_empty(db, layer, kind, label)
        finally:
            db.close()
        once_free(partial(half.replace, path), path)
        sync_folder(path.parent)  # or commits could be synced into a file whose name a power cut takes away


def _fill_empty(db: sqlite3.Connection, layer: str, kind: str, label: tuple[str, str] | None) -> None:
    db.execute(f"PRAGMA page_size = {PAGE_BYTES}")
    make_durable(db)
    db.executescript(
        f"BEGIN IMMEDIATE; PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {SCHEMA_VERSION};"
        f"{_TABLES}"
    )
    rows = {"name": layer, "format": kind, "type": "baselayer", "version": "1"} | dict(
        [label] if label else []
    )
    db.executemany("INSERT INTO metadata VALUES (?, ?)", rows.items())
    db.execute("COMMIT")


def open_writable(
    path: Path, layer: str, kind: str, label: tuple[str, str] | None = None
) -> sqlite3.Connection:
    """Open a file of the pack of a layer for writing, made as by `create` if there is none; every commit synced.

    The caller holds the pack's lock. Raises StoreError if the file is not a pack of ours, DiskError if the disk
    refuses. If the process dies: what was committed stays; the next opening takes back what was not.
    """
    with translated(path):
        make_folders(path.parent)
        refuse_special(path, StoreError)
        if not path.exists():
            create(path, layer, kind, label)
        refuse_without_locks(path)
        settle(path)
        db = connect(path, mode="rw", patience_s=WRITER_PATIENCE_S)
        try:
            if db.execute("PRAGMA schema_version").fetchone()[0] == 0 and path.stat().st_size == 0:
                _fill_empty(db, layer, kind, label)  # died between creating the file and filling it
            _check_ours(db, path)
            _check_troubles(db, path)
            # New tiles go to new pages, which a rollback journal need not save: each body is written once, where
            # a write-ahead log writes it twice. And the file is whole by itself after every commit.
            db.execute("PRAGMA journal_mode = TRUNCATE")
            make_durable(db)
            db.execute("PRAGMA cache_size = -32768")
        except BaseException:
            db.close()
            raise
        return db


def open_read_only(path: Path, *, patience_s: float = 10.0) -> sqlite3.Connection:
    """Open a pack for reading only; nothing is created or written beside SQLite's own files, except that what a
    dead process left half done is taken back. A commit of another process is waited for up to `patience_s`.

    Raises StoreError if there is not such a file or it is not a pack of ours.
    """
    refuse_special(path, StoreError)
    if not path.is_file():
        raise StoreError(f"{path} does not exist yet. Fetch it first: lastbar fetch")
    with translated(path):
        refuse_without_locks(path)
        settle(path)
        db = connect(path, mode="ro", patience_s=patience_s)
        try:
            _check_ours(db, path)
        except BaseException:
            db.close()
            raise
        return db


@contextlib.contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection]:
    """A pack open as by `open_read_only` for as long as the block lasts, with errors inside `translated`.

    Raises StoreError if there is not such a file or it is not a pack of ours.
    """
    with translated(path):
        db = open_read_only(path)
        try:
            yield db
        finally:
            db.close()


def settle(path: Path) -> None:
    """Let SQLite take back what a process that died had begun: a reader alone may not. What a living one has
    begun stays. Raises sqlite3.Error and OSError. If the process dies: the next opening takes it back.
    """
    journal = path.with_name(path.name + "-journal")
    try:
        if journal.stat().st_size == 0:
            return
    except FileNotFoundError:
        return
    db = connect(path, mode="rw")
    try:
        db.execute("SELECT count(*) FROM sqlite_master").fetchone()
    finally:
        db.close()
    if not journal.exists():
        # SQLite has not synced its removal, and one that a power cut brings back would be taken back again.
        sync_folder(path.parent)


def make_durable(db: sqlite3.Connection) -> None:
    """Have every commit of a connection synced, the removal of its journal from the folder included.

    Without EXTRA SQLite does not sync that removal (PRAGMA synchronous): on a disk that does not keep the order of
    names and data, as FAT and exFAT do not, a power cut may bring back a journal that no longer fits its file. On macOS
    each sync goes as far as the disk's own memory only with `fullfsync` (PRAGMA fullfsync); elsewhere it does nothing.
    """
    db.execute("PRAGMA fullfsync = ON")
    db.execute("PRAGMA synchronous = EXTRA")


def file_bytes(db: sqlite3.Connection) -> int:
    """The size of a connection's file, by its own account."""
    pages, page_bytes = (db.execute(f"PRAGMA {name}").fetchone()[0] for name in ("page_count", "page_size"))
    return int(pages * page_bytes)


_FIRST_STEPS, _STEPS_A_BYTE, _TICK = 2_000_000, 50, 20_000


def no_longer_than(db: sqlite3.Connection) -> None:
    """Let a connection take as many steps of SQLite's machine as its file can give reason for, and no more.

    A row of a pack takes some 60 bytes and each reading of it some tens of steps. But pages that point to the
    same page over and over make more rows in a few kilobytes than any disk could hold.
    """
    left = (_FIRST_STEPS + _STEPS_A_BYTE * file_bytes(db)) // _TICK

    def tick() -> int:
        nonlocal left
        left -= 1
        return int(left < 0)

    db.set_progress_handler(tick, _TICK)


@functools.cache
def _schema() -> frozenset[tuple[str, str, str]]:
    with contextlib.closing(sqlite3.connect(":memory:")) as db:
        db.executescript(_TABLES)
        return _schema_of(db)


def _schema_of(db: sqlite3.Connection) -> frozenset[tuple[str, str, str]]:
    """Kind, name and text of everything in a database; indexes that SQLite makes by itself have no text."""
    return frozenset(db.execute("SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall())


def _on_one_line(schema: frozenset[tuple[str, str, str]]) -> set[tuple[str, str, str]]:
    """A schema whatever the line breaks of the version that wrote it."""
    return {(kind, name, " ".join(str(sql).split())) for kind, name, sql in schema}


# The small tables, whose rows are read without a further look.
_ODD_VALUES = """
SELECT 'metadata' FROM metadata WHERE typeof(name) <> 'text' OR typeof(value) <> 'text'
UNION ALL SELECT 'metadata' FROM metadata
    WHERE name = 'format' AND value NOT IN ('png', 'jpg', 'webp', 'pbf')
UNION ALL SELECT 'source' FROM source WHERE typeof(fingerprint) <> 'text' OR typeof(host) <> 'text'
UNION ALL SELECT 'run' FROM run
    WHERE typeof(started) <> 'integer' OR typeof(stored) <> 'integer' OR typeof(bytes) <> 'integer'
    OR typeof(ended) NOT IN ('integer', 'null')
LIMIT 1
"""
_ODD_TROUBLE = """
SELECT 1 FROM trouble WHERE zoom_level NOT BETWEEN 0 AND 24 OR typeof(zoom_level) <> 'integer'
    OR typeof(tile_column) <> 'integer' OR typeof(tile_row) <> 'integer' LIMIT 1
"""


def _check_ours(db: sqlite3.Connection, path: Path) -> None:
    """Raise StoreError unless a database is a pack as `create` lays it out, with nothing in it that runs.

    Triggers, views and virtual tables would run when a pack is read or written, whoever put them there.
    """
    db.execute("PRAGMA trusted_schema = OFF")
    db.execute("PRAGMA cell_size_check = ON")
    no_longer_than(db)
    mark = db.execute("PRAGMA application_id").fetchone()[0]
    found = _schema_of(db)
    if mark != APPLICATION_ID or not {"placement", "blob", "absent", "trouble", "snapshot"} <= {
        name for _, name, _ in found
    }:
        raise StoreError(
            f"{path} is a database, but not a pack written by Lastbar. It was not changed. Move it away or "
            "choose another folder with --store."
        )
    version = db.execute("PRAGMA user_version").fetchone()[0]
    if version != SCHEMA_VERSION:
        raise StoreError(
            f"{path} has pack layout {version}, but this version of Lastbar reads {SCHEMA_VERSION}. "
            "Use the version that wrote it, or choose another folder with --store."
        )
    if found != _schema() and _on_one_line(found) != _on_one_line(_schema()):
        raise StoreError(
            f"{path} has tables, indexes or triggers other than those of a pack, so another program has changed it. "
            f"{LEFT_AS_IT_IS}"
        )
    odd = db.execute(_ODD_VALUES).fetchone()
    if odd is not None:
        raise StoreError(
            f"{path} is damaged: its table {odd[0]} has values that no pack has. {LEFT_AS_IT_IS}"
        )


def _check_troubles(db: sqlite3.Connection, path: Path) -> None:
    if db.execute(_ODD_TROUBLE).fetchone():
        raise StoreError(f"{path} is damaged: its table trouble has values that no pack has. {LEFT_AS_IT_IS}")
