"""A finished MBTiles or GeoPackage file as it reads back: opened as immutable, so that nothing is made beside it, on a
write-protected card too."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType

from packer.common.regular_file import refuse_special
from packer.common.sqlite_uri import sqlite_uri
from packer.errors import StoreError
from packer.geometry.grid import tms_row
from packer.geometry.tileset import Tile
from packer.store.disk_errors import translated
from packer.store.schema import no_longer_than
from packer.store.sealed_gpkg import geopackage_layouts
from packer.store.sealed_mbtiles import mbtiles_layout

__all__ = ["SealedFile"]

_LARGEST_ROW_BYTES = 64_000_000
_TABLE_NAME = re.compile(r"[a-z][a-z0-9_]*")


class SealedFile:
    """A finished MBTiles or GeoPackage file, open for reading: `with SealedFile(path) as sealed`.

    Raises StoreError for anything that is not such a file; every reading method may as well.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        refuse_special(path, StoreError)
        with translated(path):
            uri = sqlite_uri(path.resolve(), "mode=ro&immutable=1")
            self._db = sqlite3.connect(uri, uri=True, isolation_level=None)
            try:
                # The file may come from anyone: nothing in its schema may run a function.
                self._db.execute("PRAGMA trusted_schema = OFF")
                self._db.execute("PRAGMA cell_size_check = ON")
                self._db.execute("PRAGMA temp_store = MEMORY")
                self._db.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _LARGEST_ROW_BYTES)
                no_longer_than(self._db)
                self._from_top, self._table = _tile_table(self._db, path)
            except BaseException:
                self._db.close()
                raise

    def __enter__(self) -> SealedFile:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._db.close()

    def structure_fault(self, *, thorough: bool = False) -> str | None:
        """What SQLite's own check finds wrong first; `thorough` also holds index against table."""
        with translated(self.path):
            check = "integrity_check" if thorough else "quick_check"
            found = str(self._db.execute(f"PRAGMA {check}(1)").fetchone()[0])
            if found == "ok" and thorough and self._db.execute("PRAGMA foreign_key_check").fetchone():
                found = "a row refers to another that does not exist"
        return None if found == "ok" else found.replace("\n", " ")[:200]

    def by_zoom(self) -> dict[int, int]:
        """The number of tiles for each zoom that has any."""
        with translated(self.path):
            return dict(
                self._db.execute(
                    f"SELECT zoom_level, count(*) FROM {self._table} GROUP BY zoom_level ORDER BY zoom_level"
                ).fetchall()
            )

    def rows(self) -> Iterator[tuple[Tile, bytes]]:
        """Every tile, in the order in which it was written."""
        with translated(self.path):
            yield from self._rows("ORDER BY rowid")

    def sample(self, count: int) -> list[tuple[Tile, bytes]]:
        """Up to `count` tiles, spread over the file from its first to its last."""
        with translated(self.path):
            last = self._db.execute(f"SELECT coalesce(max(rowid), 0) FROM {self._table}").fetchone()[0]
            some = isinstance(last, int) and last > 0  # a damaged file may have numbered its rows below 0
            places = sorted({1 + (last - 1) * i // max(count - 1, 1) for i in range(count)} if some else ())
            marks = ",".join("?" * len(places))
            return list(self._rows(f"WHERE rowid IN ({marks}) ORDER BY rowid", places))

    def _rows(self, rest: str, values: list[int] | None = None) -> Iterator[tuple[Tile, bytes]]:
        query = f"SELECT zoom_level, tile_column, tile_row, tile_data FROM {self._table} {rest}"
        for zoom, x, row, data in self._db.execute(query, values or []):
            whole = isinstance(zoom, int) and isinstance(x, int) and isinstance(row, int)
            if not (whole and 0 <= zoom < 32 and isinstance(data, bytes)):
                raise StoreError(f"{self.path} has a row that is not a tile. Copy the file again.")
            yield Tile(zoom, x, row if self._from_top else tms_row(zoom, row)), data


def _tile_table(db: sqlite3.Connection, path: Path) -> tuple[bool, str]:
    """Whether rows count from the top, and the quoted name of the table of tiles.

    Raises StoreError unless the file is laid out just as it is written: checks on rows, computed columns
    and virtual tables would run functions even while SQLite only looks a file over.
    """
    found = {
        " ".join(str(row[0]).split())
        for row in db.execute("SELECT sql FROM sqlite_master WHERE sql IS NOT NULL")
    }
    if found == mbtiles_layout():
        return False, "tiles"
    if any(sql.startswith("CREATE TABLE gpkg_tile_matrix_set ") for sql in found):
        row = db.execute("SELECT table_name FROM gpkg_tile_matrix_set").fetchone()
        name = str(row[0]) if row else ""
        if _TABLE_NAME.fullmatch(name) and found in geopackage_layouts(name):
            return True, f'"{name}"'
    raise StoreError(f"{path} is a database, but not one that a handover wrote. Copy the file again.")
