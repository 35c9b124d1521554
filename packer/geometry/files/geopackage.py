"""A look into a GeoPackage before GDAL reads it as a shape file.

A GeoPackage is a SQLite database, and GDAL lets SQLite run what stands in one: a view that never ends holds it
for ever, and a computed column can fill the memory (both tried with GDAL 3.12). Only its schema and pages
are looked at here.
"""

from __future__ import annotations

import contextlib
import re
import sqlite3
from pathlib import Path

from packer.common.sqlite_uri import sqlite_uri

__all__ = ["check_geopackage", "stated_shapes"]

_LONGEST_BYTES = 130_000_000  # of one value: no shape file may be larger
_RTREE = re.compile(r"\s*CREATE\s+VIRTUAL\s+TABLE\s+\S+\s+USING\s+rtree\s*\(", re.IGNORECASE)


def check_geopackage(path: Path) -> None:
    """Raise ValueError, worded for the planner, for a GeoPackage that is damaged or holds more than plain tables."""
    try:
        with contextlib.closing(_opened(path)) as db:
            db.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _LONGEST_BYTES)
            for setting in ("trusted_schema = OFF", "ignore_check_constraints = ON", "temp_store = MEMORY"):
                db.execute(f"PRAGMA {setting}")
            _check_schema(db)
            # Pages that go round and round have no end for a reader either.
            if db.execute("PRAGMA quick_check(1)").fetchone() != ("ok",):
                raise ValueError("it is damaged; copy or save it again")
    except sqlite3.Error:
        raise ValueError("it is damaged, or not a GeoPackage; copy or save it again") from None


def stated_shapes(path: Path, layer: str) -> int | None:
    """How many rows of a layer have a geometry, None where it is no layer. For a file that has been checked."""
    try:
        with contextlib.closing(_opened(path)) as db:
            row = db.execute(
                "SELECT table_name, column_name FROM gpkg_geometry_columns WHERE table_name = ?", (layer,)
            ).fetchone()
            if row is None:
                return None
            table, column = ('"' + str(name).replace('"', '""') + '"' for name in row)
            return int(db.execute(f"SELECT count({column}) FROM {table}").fetchone()[0])
    except sqlite3.Error:
        return None  # GDAL will have its own word on it


def _opened(path: Path) -> sqlite3.Connection:
    """A connection that makes nothing beside the file."""
    uri = sqlite_uri(path.resolve(), "mode=ro&immutable=1")
    return sqlite3.connect(uri, uri=True, isolation_level=None)


def _check_schema(db: sqlite3.Connection) -> None:
    for kind, name, sql in db.execute("SELECT type, name, sql FROM sqlite_master").fetchall():
        if kind == "view":
            raise ValueError(
                "it has views, which are not read because one can run for ever; save its layers as tables"
            )
        if kind != "table":
            continue
        if str(sql).lstrip()[:15].upper().split()[1:2] == ["VIRTUAL"]:
            if not _RTREE.match(str(sql)):
                raise ValueError("it has virtual tables, which are not read; save its layers as plain tables")
        elif any(hidden for *_, hidden in db.execute("SELECT hidden FROM pragma_table_xinfo(?)", (name,))):
            raise ValueError("it has computed columns, which are not read; save its layers as plain tables")
