# ruff: noqa: E501  # a statement of SQL is easier to read, and to try by hand, in one piece
"""Damaged and hostile SQLite files: rows of wrong types, pages that go round, schemas that run on for ever."""

from __future__ import annotations

import contextlib
import random
import sqlite3
import struct
import zlib
from pathlib import Path
from typing import Any

from tests.hostile_text import damaged

__all__ = ["bombs", "bush", "harm_database", "linked_journal"]

_ENDLESS = "WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n)"
_PLACE = "zoom_level, tile_column, tile_row"
_HUGE = "hex(zeroblob(200000000))"

# Each is run after a plain copy of the sound file; those that do not fit its tables are passed over.
_SCHEMAS = (
    f"DROP VIEW tiles; CREATE VIEW tiles AS {_ENDLESS} SELECT 3 AS zoom_level, i % 8 AS tile_column, 0 AS tile_row, x'89' AS tile_data FROM n",
    f"DROP TABLE tiles; CREATE VIEW tiles AS {_ENDLESS} SELECT 40 AS zoom_level, i AS tile_column, 0 AS tile_row, NULL AS tile_data FROM n",
    f"DROP TABLE tiles; CREATE VIEW tiles AS {_ENDLESS} SELECT 3 AS zoom_level, i % 8 AS tile_column, 0 AS tile_row, randomblob(9) AS tile_data FROM n",
    f"DROP TABLE tiles; CREATE VIEW tiles AS SELECT 3 AS zoom_level, 1 AS tile_column, 1 AS tile_row, {_HUGE} AS tile_data",
    "DROP TABLE tiles; CREATE VIEW tiles AS SELECT 3 AS zoom_level, 1 AS tile_column, 1 AS tile_row, load_extension('x') AS tile_data",
    "DROP TABLE tiles; CREATE VIEW tiles AS SELECT a.value AS zoom_level, 1 AS tile_column, 1 AS tile_row, x'89' AS tile_data FROM json_each('[1,2]') a",
    "ALTER TABLE tiles RENAME TO t; CREATE VIEW tiles AS SELECT a.* FROM t a, t b, t c, t d, t e, t f",
    "ALTER TABLE map RENAME TO m; CREATE VIEW map AS SELECT a.* FROM m a, m b, m c, m d, m e, m f",
    "DROP TABLE tiles; CREATE VIRTUAL TABLE tiles USING fts5(zoom_level, tile_column, tile_row, tile_data)",
    "DROP TABLE tiles; CREATE VIRTUAL TABLE tiles USING rtree(zoom_level, tile_column, tile_row)",
    "DROP TABLE tiles; CREATE TABLE tiles (zoom_level, tile_column, tile_row, tile_data, PRIMARY KEY (zoom_level, tile_column)) WITHOUT ROWID; INSERT INTO tiles VALUES (3, 1, 1, x'89')",
    f"DROP TABLE tiles; CREATE TABLE tiles (zoom_level, tile_column, tile_row, tile_data AS ({_HUGE})); INSERT INTO tiles VALUES (3, 1, 1)",
    f"ALTER TABLE tiles RENAME TO t; CREATE TABLE tiles (zoom_level INTEGER, tile_column INTEGER, tile_row INTEGER, tile_data BLOB CHECK (length({_HUGE}) > 1)); PRAGMA ignore_check_constraints = 1; INSERT INTO tiles SELECT {_PLACE}, tile_data FROM t",
    "CREATE TRIGGER harm AFTER INSERT ON placement BEGIN DELETE FROM blob; END",
    f"CREATE TRIGGER harm BEFORE INSERT ON run BEGIN INSERT INTO blob (hash, data) {_ENDLESS} SELECT randomblob(32), randomblob(1000000) FROM n; END",
    "CREATE TRIGGER harm AFTER UPDATE ON run BEGIN UPDATE placement SET seal = x'00'; END",
    "CREATE TRIGGER harm INSTEAD OF INSERT ON tiles BEGIN SELECT 1; END",
    f"ALTER TABLE placement RENAME TO p; CREATE VIEW placement AS {_ENDLESS} SELECT 3 AS zoom_level, i AS tile_column, 0 AS tile_row, 1 AS blob_id, x'00' AS seal, 0 AS fetched, NULL AS etag, NULL AS modified, NULL AS fresh_until FROM n",
    f"ALTER TABLE blob RENAME TO b; CREATE VIEW blob AS {_ENDLESS} SELECT i AS id, x'00' AS hash, zeroblob(100000000) AS data FROM n",
    "ALTER TABLE metadata RENAME TO m; CREATE VIEW metadata AS SELECT a.* FROM m a, m b, m c, m d, m e, m f, m g, m h",
    f"ALTER TABLE metadata RENAME TO m; CREATE VIEW metadata AS {_ENDLESS} SELECT 'n' || i AS name, 'v' AS value FROM n",
    f"ALTER TABLE source RENAME TO s; CREATE VIEW source AS {_ENDLESS} SELECT i AS fingerprint, 'h' AS host, 'p' AS permission, 0 AS first_used FROM n",
    f"ALTER TABLE run RENAME TO r; CREATE VIEW run AS {_ENDLESS} SELECT i AS id, 1 AS started, 2 AS ended, 1 AS stored, 1 AS bytes FROM n",
    f"CREATE INDEX harm ON placement (length({_HUGE}))",
    "CREATE INDEX harm ON blob (randomblob(10))",
    "DROP INDEX tile_index",
    "DROP INDEX tile_index; CREATE INDEX tile_index ON placement (tile_row)",
    "DROP INDEX blob_use",
    "DROP TABLE snapshot; CREATE TABLE snapshot (what, zoom, boundaries, up_to)",
    "DROP TABLE run",
    "DROP TABLE source",
    "DROP TABLE metadata",
    "ALTER TABLE placement ADD COLUMN extra TEXT DEFAULT 'x'",
    "ALTER TABLE placement DROP COLUMN etag",
    f"ALTER TABLE blob ADD COLUMN more AS ({_HUGE})",
    "CREATE TABLE other (x); INSERT INTO other VALUES (zeroblob(300000))",
    "DELETE FROM metadata",
    "DELETE FROM metadata WHERE name = 'format'",
    "UPDATE metadata SET value = 'gif' WHERE name = 'format'",
    "UPDATE metadata SET value = 'jpg' WHERE name = 'format'",
    "UPDATE metadata SET value = 'nan,nan,nan,nan' WHERE name = 'bounds'",
    "UPDATE metadata SET value = '1e999,0,1e999' WHERE name = 'center'",
    "UPDATE metadata SET value = '{\"vector_layers\": [[]]}' WHERE name = 'json'",
    "INSERT INTO metadata VALUES ('json', '[[[[' || hex(zeroblob(50000)))",
    "DELETE FROM blob",
    "DELETE FROM placement",
    "UPDATE placement SET blob_id = 1",
    "UPDATE placement SET blob_id = -9223372036854775808 WHERE rowid = 3",
    "UPDATE placement SET rowid = -rowid",
    "UPDATE placement SET rowid = 9223372036854775807 WHERE rowid = 3",
    "UPDATE tiles SET rowid = -rowid",
    "UPDATE tiles SET rowid = -9223372036854775807 - rowid",
    "UPDATE tiles SET rowid = 9223372036854775807 WHERE rowid = 3",
    "UPDATE placement SET fetched = 9223372036854775807",
    "UPDATE placement SET fetched = -9223372036854775807",
    "INSERT INTO absent SELECT 12, tile_column, tile_row, 404, 1 FROM placement WHERE zoom_level = 12",
    "UPDATE run SET started = 'then', stored = 'many', ended = x'00'",
    "UPDATE run SET started = -9000000000000000000, ended = 9000000000000000000, stored = 9000000000000000000",
    "INSERT INTO trouble VALUES ('x', x'00', 1.5, 'k', char(27) || '[2J', 0)",
    "UPDATE trouble SET zoom_level = 999999",
    "INSERT INTO trouble VALUES (999999999, 1, 1, 'k', 'r', 0)",
    "UPDATE snapshot SET boundaries = x'0102030405'",
    "UPDATE snapshot SET boundaries = x'ffffffffffffff7f0000000000000080'",
    "UPDATE snapshot SET boundaries = zeroblob(8000000)",
    "UPDATE snapshot SET zoom = 1000000000 + zoom",
    "UPDATE snapshot SET zoom = 'x' || zoom",
    "UPDATE snapshot SET up_to = 0",
    "UPDATE snapshot SET up_to = 'x', boundaries = 7",
    "UPDATE source SET fingerprint = x'00ff' || fingerprint",
    "UPDATE gpkg_contents SET table_name = 'gpkg_spatial_ref_sys'",
    "UPDATE gpkg_tile_matrix_set SET table_name = 'x\"; DROP'",
    "UPDATE gpkg_geometry_columns SET table_name = 'sqlite_master'",
    "DELETE FROM gpkg_tile_matrix_set",
    *(
        f"DROP TRIGGER trigger_insert_feature_count_{t}; DROP TRIGGER trigger_delete_feature_count_{t}; DELETE FROM gpkg_ogr_contents; {harm}"
        for t in "LP"
        for harm in (
            f"ALTER TABLE {t} RENAME TO o; CREATE VIEW {t} AS {_ENDLESS} SELECT i AS fid, geom, name FROM n, o",
            f"ALTER TABLE {t} RENAME TO o; CREATE TABLE {t} (fid INTEGER PRIMARY KEY, geom AS ({_HUGE}), name TEXT); INSERT INTO {t} (fid) VALUES (1)",
            f"ALTER TABLE {t} RENAME TO o; CREATE TABLE {t} (fid INTEGER PRIMARY KEY, geom BLOB, name AS ({_HUGE})); INSERT INTO {t} SELECT fid, geom FROM o",
            f"CREATE TABLE x (a CHECK (length({_HUGE}) > 1)); PRAGMA ignore_check_constraints = 1; INSERT INTO x VALUES (1)",
            "SELECT 1",
        )
    ),
    "UPDATE L SET geom = zeroblob(3000000)",
    "UPDATE P SET geom = x'47500001'",
    "UPDATE gpkg_spatial_ref_sys SET definition = 'GEOGCS[' || hex(zeroblob(100000))",
    "PRAGMA application_id = 0",
    "PRAGMA application_id = 1297105496",
    "PRAGMA user_version = 2147483647",
    "PRAGMA journal_mode = WAL",
    "PRAGMA auto_vacuum = 1; VACUUM",
    "PRAGMA page_size = 512; VACUUM",
    "PRAGMA page_size = 65536; VACUUM",
)
_ODD: tuple[Any, ...] = (
    *(
        "x",
        "",
        "7",
        "1,2",
        "\x1b[2J",
        b"",
        b"\x00\xff",
        b"\xff" * 40,
        1.5,
        -1,
        0,
        2**31,
        2**53,
        2**62,
        2**63 - 1,
    ),
    *(-(2**63), float("inf"), "nan", "9" * 400, "é" * 99, "\ud7ff", 24, 25, 63, 64),
)


def _picture_bomb() -> bytes:
    """A PNG of 30,000 by 30,000 px in some hundred kB."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    head = struct.pack(">IIBBBBB", 30_000, 30_000, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(bytes(10**7)))
        + chunk(b"IEND", b"")
    )


def _large_picture() -> bytes:
    """A PNG of the most pixels that are let through: 4096 by 4096 with four channels."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    squeeze = zlib.compressobj(1)
    row = bytes(1 + 4 * 4096)
    pixels = b"".join(squeeze.compress(row) for _ in range(4096)) + squeeze.flush()
    head = struct.pack(">IIBBBBB", 4096, 4096, 8, 6, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", pixels) + chunk(b"IEND", b"")


def _vector_bomb(inside: bytes) -> bytes:
    """Gzip of 30 MB of tiny fields in one layer."""
    from packer.content.codings import pack_vector

    content = inside * (15_000_000 // len(inside)) + b"\x0a\x01a\x78\x02"
    size = len(content)
    head = bytes([0x1A, *(size >> shift & 0x7F | 0x80 for shift in (0, 7, 14)), size >> 21])
    return pack_vector(head + content)


_BOMBS: dict[str, bytes] = {}


def bombs() -> list[bytes]:
    """Bodies of tiles that unfold to something huge."""
    if not _BOMBS:
        _BOMBS["png"] = _picture_bomb()
        _BOMBS["large"] = _large_picture()
        _BOMBS["fields"] = _vector_bomb(b"\x28\x01")
        _BOMBS["keys"] = _vector_bomb(b"\x1a\x00")
        _BOMBS["zeros"] = _vector_bomb(b"\x12\x7f" + b"\x22\x7d" + b"\x09" * 125)
    return [
        *_BOMBS.values(),
        b"\x89PNG\r\n\x1a\n",
        b"",
        b"<html>",
        b"\x1f\x8b",
        b"RIFF\0\0\0\0WEBP",
        b"\xff\xd8\xff",
    ]


def harm_database(chance: random.Random, path: Path, other: bytes = b"") -> None:
    """Do something to a SQLite file in place: bytes, pages, rows or schema."""
    match chance.randrange(10):
        case 0 | 1:
            path.write_bytes(damaged(chance, path.read_bytes(), other))
        case 2 | 3:
            _harm_pages(chance, path)
        case 4 | 5 | 6:
            _harm_rows(chance, path)
        case _:
            _harm_schema(chance, path)


def _harm_pages(chance: random.Random, path: Path) -> None:
    data = bytearray(path.read_bytes())
    size = int.from_bytes(data[16:18], "big")
    size = 65536 if size == 1 else size or 4096
    pages = len(data) // size
    for _ in range(chance.randint(1, 3)):
        one, two = chance.randrange(pages), chance.randrange(pages)
        start = one * size + (100 if one == 0 else 0)
        match chance.randrange(6):
            case 0:  # two pages are one: what hangs below goes round
                data[one * size : (one + 1) * size] = data[two * size : (two + 1) * size]
            case 1:  # a leaf becomes an inner page that points to itself or to another
                data[start] = chance.choice((2, 5, 10, 13))
                data[start + 8 : start + 12] = struct.pack(">I", chance.choice((one, two)) + 1)
            case 2:
                at = chance.randrange(8)
                data[start + at] = chance.randrange(256)
            case 3:
                at = chance.randrange(20, 100)
                data[at] = chance.randrange(256)
            case 4:
                at = start + chance.randrange(8, 60)
                data[at : at + 2] = chance.randbytes(2)
            case _:
                at = chance.randrange(len(data) - 9)
                data[at : at + 9] = b"\xff" * 9
    path.write_bytes(data)
    if chance.random() < 0.2:
        with contextlib.suppress(sqlite3.Error, TypeError, IndexError, struct.error):
            bush(
                path,
                chance.choice(
                    ("placement", "tiles", "tile_index", "blob_use", "blob", "L", "P", "map", "by_id")
                ),
            )


def bush(path: Path, name: str, levels: int = 13) -> None:
    """Give a table or index levels of inner pages, each of whose children is the same next page: more rows than any
    disk has, in a few kB, and nothing that a reader would call a circle (SQLite file format 2, 1.6)."""
    with contextlib.closing(sqlite3.connect(path)) as db:
        kind, root = db.execute("SELECT type, rootpage FROM sqlite_master WHERE name = ?", (name,)).fetchone()
    data = bytearray(path.read_bytes())
    size = int.from_bytes(data[16:18], "big")
    size = 65536 if size == 1 else size
    start = (root - 1) * size
    for _ in range(20):  # down to a leaf, if there is one: the file may be harmed already
        if data[start] in (2, 5):
            start = (int.from_bytes(data[start + 8 : start + 12], "big") - 1) * size
    leaf, first = bytes(data[start : start + size]), len(data) // size + 1
    at = int.from_bytes(leaf[8:10], "big")
    key = leaf[at : at + 1 + leaf[at]] if kind == "index" else b""
    for level in range(levels):
        page, child = bytearray(size), struct.pack(">I", first + level + 1)
        cells, end = min(60, (size - 100) // (8 + len(key))), size
        for number in range(cells):
            cell = child + (key or bytes([number + 1]))
            end -= len(cell)
            page[end : end + len(cell)] = cell
            page[12 + 2 * number : 14 + 2 * number] = struct.pack(">H", end)
        page[0], page[3:5], page[5:7], page[8:12] = (
            2 if kind == "index" else 5, struct.pack(">H", cells), struct.pack(">H", end), child,
        )  # fmt: skip
        data += page
    data += leaf
    data[(root - 1) * size : root * size] = data[(first - 1) * size : first * size]
    data[28:32], data[92:96] = struct.pack(">I", len(data) // size), data[24:28]
    path.write_bytes(data)


def _harm_rows(chance: random.Random, path: Path) -> None:
    """Odd values in some rows, where need be behind the schema's back."""
    with (
        contextlib.suppress(sqlite3.Error),
        contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db,
    ):
        names = [
            r[0]
            for r in db.execute(
                "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite%'"
            )
        ]
        loose = chance.random() < 0.4
        told = db.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall()
        if loose:  # NULLs and doubles get in; afterwards the schema looks as it did
            _retold(db, [(n, sql.replace("NOT NULL", "").replace("INTEGER NOT", "NOT")) for n, sql in told])
        for _ in range(chance.randint(1, 3)):
            table = chance.choice(names)
            columns = [(r[1], r[2]) for r in db.execute(f'PRAGMA table_info("{table}")')]
            column = chance.choice(columns)[0]
            value = chance.choice((*_ODD, None)) if chance.random() < 0.8 else chance.choice(bombs())
            where = chance.choice(("", "WHERE rowid % 7 = 3", "WHERE rowid = (SELECT max(rowid) FROM {0})"))
            with contextlib.suppress(sqlite3.Error, UnicodeEncodeError):
                db.execute(f'UPDATE OR IGNORE "{table}" SET "{column}" = ? {where.format(table)}', (value,))
        if loose:
            _retold(db, told)


def _retold(db: sqlite3.Connection, schema: list[tuple[str, str]]) -> None:
    db.execute("PRAGMA writable_schema = ON")
    db.executemany("UPDATE sqlite_master SET sql = ? WHERE name = ?", [(sql, name) for name, sql in schema])
    version = db.execute("PRAGMA schema_version").fetchone()[0]
    db.execute(f"PRAGMA schema_version = {version + 1}")
    db.execute("PRAGMA writable_schema = OFF")


def _harm_schema(chance: random.Random, path: Path) -> None:
    for _ in range(30):
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
            db.execute("PRAGMA legacy_alter_table = ON")
            db.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, 1_000_000)  # so that nothing here builds what is huge
            if chance.random() < 0.1:
                sql = chance.choice(
                    (
                        "",
                        "CREATE TABLE",
                        "CREATE TABLE x(",
                        "\x00",
                        "CREATE VIEW tiles AS SELECT * FROM tiles",
                    )
                )
                with contextlib.suppress(sqlite3.Error):
                    db.execute("PRAGMA writable_schema = ON")
                    db.execute(
                        "UPDATE sqlite_master SET sql = ? WHERE name IN ('tiles', 'placement')", (sql,)
                    )
                    return
            try:
                for statement in _statements(chance.choice(_SCHEMAS)):
                    db.execute(statement)
                return
            except sqlite3.Error:
                continue


def _statements(script: str) -> list[str]:
    """The statements of a script; those of a trigger hold semicolons of their own."""
    return [script] if "BEGIN" in script else script.split("; ")


def linked_journal(database: Path, victim: Path) -> None:
    """Put a journal beside a database that names `victim` as the journal over several files, which SQLite
    removes once it has rolled back (sqlite.org/fileformat2.html, 3; the record at the end is from its source)."""
    magic = b"\xd9\xd5\x05\xf9\x20\xa1\x63\xd7"
    data = database.read_bytes()
    size = int.from_bytes(data[16:18], "big") or 4096
    size = 65536 if size == 1 else size
    head = magic + struct.pack(">IIIII", 0, 1, len(data) // size, 512, size)
    name = str(victim).encode()
    total = sum(b if b < 128 else b - 256 for b in name) & 0xFFFFFFFF
    tail = struct.pack(">I", 0x40000000 // size + 1) + name + struct.pack(">II", len(name), total) + magic
    database.with_name(database.name + "-journal").write_bytes(head.ljust(512, b"\0") + tail)
