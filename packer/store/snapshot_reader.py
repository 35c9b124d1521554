"""Reading for the handover: a pack as the source of bodies, and a sealed file as it reads back.

A sealed file is opened as immutable, so that nothing is made beside it, on a write-protected card too. A body
leaves the reader only together with what is wrong with it.
"""

from __future__ import annotations

import hashlib
import re
import sqlite3
from collections import Counter
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np

from packer.common.regular_file import refuse_special
from packer.common.sqlite_uri import sqlite_uri
from packer.content.digest import body_hash
from packer.errors import StoreError
from packer.geometry.grid import Ints, tms_row
from packer.geometry.tileset import Tile, TileSet
from packer.store.blank_tiles import blank_tiles
from packer.store.disk_errors import translated
from packer.store.picture_marks import partial_tiles, picture_names
from packer.store.records import LAST_SECOND, seal
from packer.store.schema import no_longer_than, open_read_only, settle
from packer.store.sealed_gpkg import geopackage_layouts
from packer.store.sealed_mbtiles import mbtiles_layout
from packer.store.tile_sets import scan

__all__ = ["ContentDigest", "SealedFile", "SnapshotReader", "TileIndex", "TileRow"]

_BATCH = 20_000
# Bodies are read so many at a time, in one read transaction: as long as it lasts, no fetch can commit. To begin and
# end one took 8 µs (measured), where a body takes some 15.
_STRETCH = 128
_STRETCH_BYTES = 8_000_000
_PATIENCE_S = 60.0  # a commit takes as long as a worn stick does, and may itself wait for a verify
_LARGEST_ROW_BYTES = 64_000_000
_TABLE_NAME = re.compile(r"[a-z][a-z0-9_]*")
_BODY = (
    "SELECT seal, hash, data FROM placement LEFT JOIN blob ON blob.id = blob_id "
    "WHERE zoom_level = ? AND tile_row = ? AND tile_column = ?"
)
_BODIES = (
    "SELECT id, CASE WHEN typeof(data) = 'blob' THEN length(data) ELSE 0 END, hash FROM blob ORDER BY id"
)
# A damaged row may hold anything: one that names no place and no body is none, and a date that is none is 1970.
_PLACEMENTS = (
    "SELECT zoom_level, tile_column, tile_row, blob_id, CASE WHEN typeof(fetched) = 'integer' AND fetched "
    f"BETWEEN 0 AND {LAST_SECOND} THEN fetched ELSE 0 END FROM placement WHERE "
    + " AND ".join(f"typeof({c}) = 'integer'" for c in ("zoom_level", "tile_column", "tile_row", "blob_id"))
)


@dataclass(frozen=True, slots=True)
class TileIndex:
    """Tiles of a pack as arrays of one length, in order of zoom, row from the top and column.

    `size_bytes` is each body's length, `fetched` its arrival in seconds since 1970, and `body` the first 8 bytes of its
    hash as a number, by which it is known again: 48 bytes a tile.
    """

    zoom: Ints
    x: Ints
    y: Ints
    size_bytes: Ints
    fetched: Ints
    body: Ints

    def __len__(self) -> int:
        return int(self.zoom.size)

    def pick(self, which: Any) -> TileIndex:
        """Some of the tiles, by index array, mask or slice."""
        every = (self.zoom, self.x, self.y, self.size_bytes, self.fetched, self.body)
        return TileIndex(*(a[which] for a in every))

    def where(self, tiles: TileSet) -> Ints:
        """The places, ascending, of those that are in a set."""
        inside = np.zeros(len(self), dtype=bool)
        for zoom in np.unique(self.zoom).tolist():
            at = self.zoom == zoom
            inside[at] = tiles.contains(zoom, self.x[at], self.y[at])
        return np.flatnonzero(inside)

    def tiles(self) -> TileSet:
        """The same tiles as a set."""
        zooms = np.unique(self.zoom).tolist()
        return TileSet.union(
            TileSet.from_columns(z, self.x[self.zoom == z], self.y[self.zoom == z]) for z in zooms
        )


@dataclass(frozen=True, slots=True)
class TileRow:
    """One tile's body; `fault` says in a few words why it must not be used, None if nothing is wrong."""

    tile: Tile
    data: bytes
    hash: bytes
    fault: str | None


class ContentDigest:
    """What a run of tiles amounts to: counts by zoom, and one digest over places and bodies in their order.

    The digest is SHA-256 over a line "zoom/x/y body-sha256" for each tile; it does not depend on the kind of
    file that holds the tiles.
    """

    def __init__(self) -> None:
        self.by_zoom: Counter[int] = Counter()
        self._digest = hashlib.sha256()

    def add(self, tile: Tile, sha256: bytes) -> None:
        """Take in the next tile."""
        self.by_zoom[tile.zoom] += 1
        self._digest.update(f"{tile} {sha256.hex()}\n".encode())

    @property
    def digest(self) -> str:
        """The digest so far, as 64 hexadecimal digits."""
        return self._digest.hexdigest()

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, ContentDigest):
            return NotImplemented
        return self.digest == other.digest  # the places are in it, and so the counts

    __hash__ = None  # type: ignore[assignment]  # it grows: compared, never used as a key


class SnapshotReader:
    """A pack open for taking bodies from: `with SnapshotReader(path) as reader`.

    `kind`, `absent`, `partial` (tiles that one of `pictures` shows in part) and `index` show one moment of the pack, in
    which it is held. From then on it is held for some bodies at a time, so that a fetch can go on beside a handover of
    hours; a body that is no longer the one of that moment is never taken for it. A tile whose picture is one of
    `blank`, by its SHA-256, counts as absent. Raises StoreError if the file is not a pack of ours or cannot be read.
    """

    def __init__(self, path: Path, blank: Collection[bytes] = ()) -> None:
        self.path = path
        self._db = open_read_only(path, patience_s=_PATIENCE_S)
        try:
            with translated(path):
                self._moment = self._begin()
                found = self._db.execute("SELECT value FROM metadata WHERE name = 'format'").fetchone()
                self._none = blank_tiles(self._db, blank)
                self.absent = scan(self._db, "absent") | self._none
                self.partial = partial_tiles(self._db)
                self.pictures = picture_names(self._db)
        except BaseException:
            self._db.close()
            raise
        self.kind = str(found[0]) if found else ""

    def __enter__(self) -> SnapshotReader:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._db.close()

    def _begin(self) -> int:
        """Begin to read one moment of the pack; a number that is another one once somebody has written to it."""
        self._db.execute("BEGIN")
        try:
            return self._version()
        except sqlite3.OperationalError as fault:
            self._end()
            if fault.sqlite_errorname != "SQLITE_READONLY_ROLLBACK":
                raise
        # A fetch has died since, and a reader alone may not take back what it left half done.
        settle(self.path)
        self._db.execute("BEGIN")
        return self._version()

    def _end(self) -> None:
        if self._db.in_transaction:  # a failing disk may have ended it already
            self._db.execute("COMMIT")

    def _version(self) -> int:
        return int(self._db.execute("PRAGMA data_version").fetchone()[0])

    def index(self, planned: TileSet) -> TileIndex:
        """Those of the planned tiles that the pack holds. Asked for once, before any body."""
        planned = planned - self._none
        with translated(self.path):
            kept = _rows(_numbers(row) for row in self._db.execute(_BODIES))
            found = [_planned(batch, planned) for batch in _batches(self._db.execute(_PLACEMENTS))]
            self._end()
        z, x, y, blob, fetched = np.concatenate([np.empty((0, 5), dtype=np.int64), *found]).T
        # A placement without its body counts nothing here; `bodies` names it.
        size, body = np.zeros_like(blob), np.zeros_like(blob)
        if len(kept):
            at = np.minimum(np.searchsorted(kept[:, 0], blob), len(kept) - 1)
            size, body = np.where(kept[at, 0] == blob, kept[at, 1:].T, 0)
        return TileIndex(z, x, y, size, fetched, body).pick(np.lexsort((x, y, z)))

    def bodies(self, index: TileIndex, check: Callable[[bytes], str | None]) -> Iterator[TileRow]:
        """The bodies of tiles, in their order, each hashed again, its seal tried, and put to `check`.

        The pack is not held while the caller does something with a body. Raises StoreError for a body that another
        command has replaced or taken out since the index was read.
        """
        start = 0
        while start < len(index):
            rows = self._stretch(index.pick(slice(start, start + _STRETCH)))
            start += len(rows)
            for tile, row in rows:
                yield _tried(tile, row, check)

    def _stretch(self, some: TileIndex) -> list[tuple[Tile, _Row | None]]:
        """The rows of the first of some tiles, as many as are read in one go; None for one that is not found."""
        rows: list[tuple[Tile, _Row | None]] = []
        size_bytes = 0
        listed = zip(*(a.tolist() for a in (some.zoom, some.x, some.y, some.body)), strict=True)
        with translated(self.path):
            changed = self._begin() != self._moment
            try:
                for zoom, x, y, body in listed:
                    found = self._db.execute(_BODY, (zoom, tms_row(zoom, y), x)).fetchone()
                    if changed and (found is None or _known_by(found[1]) != body):
                        raise self._replaced(Tile(zoom, x, y))
                    rows.append((Tile(zoom, x, y), found))
                    size_bytes += len(found[2]) if found and isinstance(found[2], bytes | str) else 0
                    if size_bytes > _STRETCH_BYTES:
                        break
            finally:
                self._end()
        return rows

    def _replaced(self, tile: Tile) -> StoreError:
        return StoreError(
            f"Tile {tile} in {self.path} was replaced or removed by another command while the handover ran, so the "
            "handover stopped. Let that command finish, then hand over again."
        )


_Row = tuple[object, object, object]
"""A seal, the hash that stands for a body, and the body, as a row has them; a damaged one may hold anything."""


def _tried(tile: Tile, row: _Row | None, check: Callable[[bytes], str | None]) -> TileRow:
    if row is None:  # in the table, but not in its index
        return TileRow(tile, b"", b"", "its row is damaged")
    bound, stated, data = row
    if not isinstance(data, bytes) or not isinstance(stated, bytes):
        return TileRow(tile, b"", b"", "its data is missing")
    hashed = body_hash(data)
    if hashed != stated:
        return TileRow(tile, data, hashed, "its bytes have changed")
    if bound != seal(tile.zoom, tile.x, tms_row(tile.zoom, tile.y), hashed):
        return TileRow(tile, data, hashed, "it is stored at another tile's place")
    return TileRow(tile, data, hashed, check(data))


def _known_by(stated: object) -> int:
    """What a body is known by: a row's number would not do, since SQLite gives it out again. 0 for a damaged hash."""
    return int.from_bytes(stated[:8], "big", signed=True) if isinstance(stated, bytes) else 0


def _numbers(row: tuple[int, int, object]) -> tuple[int, int, int]:
    number, size_bytes, stated = row
    return number, size_bytes, _known_by(stated)


def _batches(rows: Iterator[tuple[int, ...]]) -> Iterator[Ints]:
    while some := list(islice(rows, _BATCH)):
        yield np.array(some, dtype=np.int64)


def _rows(rows: Iterator[tuple[int, int, int]]) -> Ints:
    return np.concatenate([np.empty((0, 3), dtype=np.int64), *_batches(rows)])


def _planned(rows: Ints, planned: TileSet) -> Ints:
    """Of rows (zoom, column, row from the bottom, ...), those that are planned, with rows from the top."""
    kept = []
    for zoom in np.unique(rows[:, 0]).tolist():
        at = rows[rows[:, 0] == zoom]
        if not 0 <= zoom < 32:  # a damaged row
            continue
        at[:, 2] = (1 << zoom) - 1 - at[:, 2]
        at = at[((at[:, 1:3] >= 0) & (at[:, 1:3] < 1 << zoom)).all(axis=1)]
        kept.append(at[planned.contains(zoom, at[:, 1], at[:, 2])])
    return np.concatenate(kept) if kept else rows[:0]


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
