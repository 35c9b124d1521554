"""Reading a pack for the handover: what it holds at one moment, and the bodies from then on.

Tiles are read in order of zoom, row from the top and column, by the runs of the set that is asked for, and in
batches: memory grows with a set's outline, and by 8 bytes for each 128 tiles, but not with the tiles. A body leaves
the reader only together with what is wrong with it.
"""

from __future__ import annotations

import hashlib
from binascii import hexlify
from collections import Counter
from collections.abc import Callable, Collection, Generator, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple

import numpy as np

from packer.content.digest import body_hash
from packer.errors import StoreError
from packer.geometry.grid import Ints, tms_row
from packer.geometry.tileset import RowRun, Tile, TileSet
from packer.store.disk_errors import translated
from packer.store.file_index import FileIndex
from packer.store.file_reader import FileReader
from packer.store.pack_files import files_of
from packer.store.records import LAST_SECOND, seal

__all__ = ["ContentDigest", "SnapshotReader", "StatedTile", "TileBatch", "TileListing", "TileRow"]

_BATCH = 20_000
# Bodies are read so many at a time, in one read transaction: as long as it lasts, no fetch can commit. To begin and
# end one took 8 µs (measured), where a body takes some 15.
_STRETCH = 128
_STRETCH_BYTES = 8_000_000
_MARK_BYTES = 8
_FILE_CACHE_KIB, _CACHE_KIB = 2_000, 16_000  # for pages, of each file and of all together
_ROW = "WHERE zoom_level = ? AND tile_row = ? AND tile_column BETWEEN ? AND ? ORDER BY tile_column"
# A damaged row may hold anything: a date that is none is 1970.
_FETCHED = (
    f"CASE WHEN typeof(fetched) = 'integer' AND fetched BETWEEN 0 AND {LAST_SECOND} THEN fetched ELSE 0 END"
)
_LISTED = (
    f"SELECT tile_column, CASE WHEN typeof(data) = 'blob' THEN length(data) ELSE 0 END, {_FETCHED}, seal "
    f"FROM placement LEFT JOIN blob ON blob.id = blob_id {_ROW}"
)
_SEALS = f"SELECT seal FROM placement {_ROW}"
_STATED = f"SELECT tile_column, seal, hash FROM placement LEFT JOIN blob ON blob.id = blob_id {_ROW}"
_BODIES = f"SELECT tile_column, seal, hash, data, {_FETCHED} FROM placement LEFT JOIN blob ON blob.id = blob_id {_ROW}"


@dataclass(frozen=True, slots=True)
class TileBatch:
    """Some tiles of a pack as arrays of one length, in order of zoom, row from the top and column.

    `size_bytes` is each body's length, `fetched` its arrival in seconds since 1970.
    """

    zoom: Ints
    x: Ints
    y: Ints
    size_bytes: Ints
    fetched: Ints

    def __len__(self) -> int:
        return int(self.zoom.size)

    def inside(self, tiles: TileSet) -> Ints:
        """The places, ascending, of those that are in a set."""
        found = np.zeros(len(self), dtype=bool)
        for zoom in np.unique(self.zoom).tolist():
            at = self.zoom == zoom
            found[at] = tiles.contains(zoom, self.x[at], self.y[at])
        return np.flatnonzero(found)


@dataclass(frozen=True, slots=True)
class TileListing:
    """Tiles of a pack as they were at one moment. `marks` has 8 bytes for each 128 of them in their order, over their
    seals: by these it is noticed if one of them has another body since."""

    tiles: TileSet
    marks: bytes

    def __len__(self) -> int:
        return len(self.tiles)


class TileRow(NamedTuple):  # one is made for each tile: a frozen dataclass takes three times as long
    """One tile's body, and when it was fetched; `fault` says in a few words why it must not be used, None if nothing
    is wrong."""

    tile: Tile
    data: bytes
    hash: bytes
    fault: str | None
    fetched: int = 0


class StatedTile(NamedTuple):
    """What a pack says of a tile: its seal and its body's hash, either of which may be anything in a damaged row."""

    tile: Tile
    seal: object
    hash: object

    def tried(self, data: bytes, check: Callable[[bytes], str | None]) -> TileRow:
        """A body from elsewhere, put to every test that one of the pack itself is put to."""
        return _tried(self.tile, (self.seal, self.hash, data), 0, check)


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
        zoom, x, y = tile
        self.by_zoom[zoom] += 1
        self._digest.update(b"%d/%d/%d %b\n" % (zoom, x, y, hexlify(sha256)))

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
    """A pack open for taking bodies from, all its files: `with SnapshotReader(path) as reader`.

    `kind`, `held`, `absent`, `partial` (tiles that one of `pictures` shows in part), `batches` and `listing` show one
    moment of the pack, in which it is held until `let_go`. From then on it is held for some bodies at a time, so that
    a fetch can go on beside a handover of hours; a body that is no longer the one of that moment is never taken for
    it. A tile whose picture is one of `blank`, by its SHA-256, counts as absent. Raises StoreError if the file is not
    a pack of ours or cannot be read.
    """

    def __init__(self, path: Path, blank: Collection[bytes] = ()) -> None:
        self.path = path
        self._files: list[FileReader] = []
        self._in_moment = True
        try:
            for one in files_of(path):
                self._files.append(FileReader(one))
            for file in self._files:
                file.use_memory(min(_FILE_CACHE_KIB, _CACHE_KIB // len(self._files)))
            found = [file.look(blank) for file in self._files]
        except BaseException:
            self._close()
            raise
        self.held = TileSet.union(one.held for one in found)
        self.absent = TileSet.union(one.absent for one in found)
        self.partial = TileSet.union(one.partial for one in found)
        self.pictures = tuple(dict.fromkeys(name for one in found for name in one.pictures))
        self.kind = next((one.kind for one in found if one.held), found[0].kind)
        self._index = FileIndex([one.held for one in found])

    def __enter__(self) -> SnapshotReader:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._close()

    def _close(self) -> None:
        for file in self._files:
            file.db.close()

    def let_go(self) -> None:
        """End the moment: others can write the pack from here on."""
        self._in_moment = False
        for file in self._files:
            file.end()

    def _rows(self, sql: str, run: RowRun) -> Generator[tuple[Any, ...]]:
        """The rows of a run's tiles in order of column, whichever file they are in. Each file is in a moment of its
        own from then on, until `let_go`."""
        for number, (zoom, row, first, last) in self._index.pieces(run):
            file = self._files[number]
            with translated(file.path):
                file.begin()
                with closing(file.db.execute(sql, (zoom, tms_row(zoom, row), first, last))) as rows:
                    yield from rows

    def batches(self, tiles: TileSet) -> Iterator[TileBatch]:
        """The rows of some tiles, all of which are `held`, in their order; some 20,000 at a time."""
        return (batch for batch, _ in self._listed(tiles))

    def listing(self, tiles: TileSet, each: Callable[[TileBatch], None] = lambda _batch: None) -> TileListing:
        """List some tiles, all of which are `held`; `each` gets the batches on the way."""
        marks = _Marks()
        for batch, seals in self._listed(tiles):
            marks.add(seals)
            each(batch)
        return TileListing(tiles, marks.ended())

    def _listed(self, tiles: TileSet) -> Iterator[tuple[TileBatch, list[bytes]]]:
        for runs in _bunches(tiles, _BATCH):
            columns: list[tuple[Ints, ...]] = []
            seals: list[bytes] = []
            for run in runs:
                zoom, row, first, last = run
                rows = list(self._rows(_LISTED, run))
                x, size, fetched, stated = zip(*rows, strict=True) if rows else ((),) * 4
                if x != tuple(range(first, last + 1)):
                    raise self._damaged(Tile(zoom, first, row))
                ones = np.ones(len(x), dtype=np.int64)
                columns.append((zoom * ones, np.array(x), row * ones, np.array(size), np.array(fetched)))
                seals += map(_seal_of, stated)
            if not self._in_moment:
                self.let_go()
            yield TileBatch(*(np.concatenate(one) for one in zip(*columns, strict=True))), seals

    def _damaged(self, tile: Tile) -> StoreError:
        return StoreError(
            f"{self.path} is damaged: its rows near tile {tile} do not fit its own index. Move it away and fetch again."
        )

    def stated(self, listing: TileListing) -> Iterator[StatedTile]:
        """What the pack says of the tiles of a listing, in their order, without reading their bodies.

        Raises StoreError as `bodies` does.
        """
        self.let_go()
        for runs, mark in _marked(listing):
            found: list[StatedTile] = []
            try:
                for run in runs:
                    rows = self._rows(_STATED, run)
                    found += [
                        StatedTile(Tile(run.zoom, x, run.row), bound, stated) for x, bound, stated in rows
                    ]
            finally:
                self.let_go()
            if _mark([_seal_of(one.seal) for one in found]) != mark:
                raise self._replaced(runs)
            yield from found

    def bodies(
        self, listing: TileListing, check: Callable[[bytes], str | None], start: int = 0
    ) -> Iterator[TileRow]:
        """The bodies of a listing's tiles from number `start` on, in their order, each hashed again, its seal tried,
        and put to `check`.

        The pack is not held while the caller does something with a body. Raises StoreError for a body that another
        command has replaced or taken out since the tiles were listed.
        """
        self.let_go()
        for number, (runs, mark) in enumerate(_marked(listing)):
            count = sum(last - first + 1 for _, _, first, last in runs)
            at = max(start - number * _STRETCH, 0)
            while at < count:
                rows = self._stretch(runs, mark, at)
                at += len(rows)
                for tile, row, fetched in rows:
                    yield _tried(tile, row, fetched, check)

    def _stretch(self, runs: list[RowRun], mark: bytes, at: int) -> list[tuple[Tile, _Row, int]]:
        """The rows of some tiles from number `at` on, as many as are read in one go."""
        found: list[tuple[Tile, _Row, int]] = []
        size_bytes = 0
        try:
            self._refuse_replaced(runs, mark)
            for run in _from(runs, at):
                with closing(self._rows(_BODIES, run)) as rows:
                    for x, bound, stated, data, fetched in rows:
                        found.append((Tile(run.zoom, x, run.row), (bound, stated, data), fetched))
                        size_bytes += len(data) if isinstance(data, bytes | str) else 0
                        if size_bytes > _STRETCH_BYTES:
                            return found
        finally:
            self.let_go()
        return found

    def _refuse_replaced(self, runs: list[RowRun], mark: bytes) -> None:
        seals: list[bytes] = []
        for run in runs:
            seals += [_seal_of(bound) for (bound,) in self._rows(_SEALS, run)]
        if _mark(seals) != mark:
            raise self._replaced(runs)

    def _replaced(self, runs: list[RowRun]) -> StoreError:
        first, last = Tile(runs[0].zoom, runs[0].first, runs[0].row), runs[-1]
        return StoreError(
            f"A tile from {first} to {Tile(last.zoom, last.last, last.row)} in {self.path} was replaced or removed by "
            "another command while the handover ran, so the handover stopped. Let that command finish, then hand over "
            "again."
        )


def _bunches(tiles: TileSet, most: int) -> Iterator[list[RowRun]]:
    """The runs of a set in their order, in lists of just `most` tiles, the last one of fewer; long runs are cut."""
    some: list[RowRun] = []
    room = most
    for zoom, row, start, last in tiles.runs():
        first = start
        while first <= last:
            end = min(last, first + room - 1)
            some.append(RowRun(zoom, row, first, end))
            room -= end - first + 1
            first = end + 1
            if not room:
                yield some
                some, room = [], most
    if some:
        yield some


def _from(runs: list[RowRun], at: int) -> Iterator[RowRun]:
    """The runs without their first `at` tiles."""
    for zoom, row, first, last in runs:
        count = last - first + 1
        if at < count:
            yield RowRun(zoom, row, first + at, last)
        at = max(at - count, 0)


def _marked(listing: TileListing) -> Iterator[tuple[list[RowRun], bytes]]:
    for number, runs in enumerate(_bunches(listing.tiles, _STRETCH)):
        yield runs, listing.marks[number * _MARK_BYTES : (number + 1) * _MARK_BYTES]


class _Marks:
    """The marks of tiles that come in batches."""

    def __init__(self) -> None:
        self._marks = bytearray()
        self._seals: list[bytes] = []

    def add(self, seals: list[bytes]) -> None:
        self._seals += seals
        whole = len(self._seals) // _STRETCH * _STRETCH
        for start in range(0, whole, _STRETCH):
            self._marks += _mark(self._seals[start : start + _STRETCH])
        del self._seals[:whole]

    def ended(self) -> bytes:
        if self._seals:
            self._marks += _mark(self._seals)
        return bytes(self._marks)


def _mark(seals: list[bytes]) -> bytes:
    text = b"%d " % len(seals) + b"".join(seals)
    return hashlib.blake2b(text, digest_size=_MARK_BYTES, usedforsecurity=False).digest()


def _seal_of(stated: object) -> bytes:
    return stated if isinstance(stated, bytes) else b""


_Row = tuple[object, object, object]
"""A seal, the hash that stands for a body, and the body, as a row has them; a damaged one may hold anything."""


def _tried(tile: Tile, row: _Row, fetched: int, check: Callable[[bytes], str | None]) -> TileRow:
    bound, stated, data = row
    if not isinstance(data, bytes) or not isinstance(stated, bytes):
        return TileRow(tile, b"", b"", "its data is missing", fetched)
    hashed = body_hash(data)
    if hashed != stated:
        return TileRow(tile, data, hashed, "its bytes have changed", fetched)
    if bound != seal(tile.zoom, tile.x, tms_row(tile.zoom, tile.y), hashed):
        return TileRow(tile, data, hashed, "it is stored at another tile's place", fetched)
    return TileRow(tile, data, hashed, check(data), fetched)
