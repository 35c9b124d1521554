"""The tiles of one layer laid over those of another, into a pack of their own.

A pack that an earlier handover left half made is gone on with, tile by tile, as far as it is proven. Each tile of the
upper layer has a recipe in its row there: a digest over what composes it (the versions of this program and of the
picture library), the hashes of all bodies that it was made of, and the hash of the body that came of them. Those bodies
are read and hashed again, and so is the composed one; only where the recipe over just these hashes is the one in the
row does the tile stay. So nothing is decoded, laid over and encoded twice, which takes some thirty times as long as
hashing. What it rests on is what every pack rests on: that its rows were written by this program.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import AsyncIterator, Callable, Collection, Iterator
from contextlib import AsyncExitStack, asynccontextmanager, contextmanager
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path

from packer.common.units import counted
from packer.content.damage import Damaged, NotATile
from packer.content.digest import body_hash
from packer.content.payload import Kind, examine
from packer.content.rasters.encoding import encoded, encoder_mark, enlarged, is_whole, laid_over, pixels_of
from packer.errors import LastbarError, StoreBusyError, StoreError
from packer.geometry.tileset import Tile, TileCollector, TileSet
from packer.store.labels import Labels, labels_of
from packer.store.picture_marks import BLENDED, origin_mark, tile_mark
from packer.store.records import Absent, Received
from packer.store.snapshot_reader import SnapshotReader, TileListing, TileRow
from packer.store.staged_file import UnlikeError
from packer.store.tile_lookup import IntactTile, TileLookup
from packer.store.writer import PackWriter
from packer.version import __version__

__all__ = ["Composed", "Composer", "LayerPair"]

# What is lost at most when a handover is cut off: each batch is one transaction, and synced.
_BATCH, _BATCH_BYTES = 512, 8_000_000
_EVERY = 64  # places between two reports of progress


@dataclass(frozen=True, slots=True)
class LayerPair:
    """Two layers by name with their packs; `blank` are the SHA-256 of the lower one's pictures that stand for "no
    tile"."""

    upper: str
    lower: str
    over: SnapshotReader
    under: SnapshotReader
    blank: Collection[bytes]


@dataclass(frozen=True, slots=True)
class Composed:
    """What came of it: the tiles that the upper layer has a part in, the digest over them as `Blend` has it, and how
    many tiles of `all` in the pack were there already."""

    tiles: TileSet
    sha256: str
    kept: int
    all: int


class Composer:
    """Composes two layers into the pack `into`. `may_be_used` is told a body and its layer; it says whether the body
    may be used, or raises."""

    def __init__(
        self,
        pair: LayerPair,
        into: Path,
        may_be_used: Callable[[TileRow, str], bool],
        on_progress: Callable[[str, int, int], None],
    ) -> None:
        self._pair, self._into = pair, into
        self._may_be_used, self._on_progress = may_be_used, on_progress
        self._labels = _labels_for(pair)

    async def compose(self, wanted: TileSet, known: TileSet, *, allow_gaps: bool) -> Composed:
        """Write the pack out of the `wanted` tiles of the upper layer and the `known` ones of the lower, or go on with
        what is there of it.

        Raises UnlikeError where what is there cannot be gone on with, LastbarError for missing tiles unless
        `allow_gaps`. If cancelled, or if the process dies: the pack has some of its tiles, and can be gone on with.
        """
        over, under = self._pair.over, self._pair.under
        above, below = over.listing(wanted & over.held), under.listing(known & under.held)
        if not allow_gaps:
            self._refuse_missing(wanted - above.tiles - over.absent)
        # What the lower layer's server does not have, it still does not have: it is not missing.
        absent = (known & under.absent) - below.tiles
        async with AsyncExitStack() as stack:
            lower, earlier = stack.enter_context(TileLookup(under.path)), None
            if self._into.exists():
                earlier = stack.enter_context(_Earlier(self._into, self._labels.plan))
            opened = self._opened(above.tiles | below.tiles, going_on=earlier is not None)
            pack = await stack.enter_async_context(opened)
            mixing = _Mixing(self._pair, self._labels.plan, lower)
            found = await self._filled(pack, mixing, earlier, (above, below))
            for some in _batched(iter(absent - found.tiles)):
                await pack.write([Absent(tile, 0, 0) for tile in some])
        return found

    @asynccontextmanager
    async def _opened(self, wanted: TileSet, *, going_on: bool) -> AsyncIterator[PackWriter]:
        """The pack, open for the block. If cancelled, or if the process dies: as for `compose`."""
        pack = PackWriter(self._into, self._labels)
        with _unlike(going_on):
            await pack.__aenter__()
        try:
            if pack.held - wanted:
                raise UnlikeError(f"{self._into} has tiles that would not be in it now.")
            await pack.expect(pack.absent)
            yield pack
        finally:
            with _unlike(going_on):
                await pack.__aexit__(None, None, None)

    async def _filled(
        self,
        pack: PackWriter,
        mixing: _Mixing,
        earlier: _Earlier | None,
        listings: tuple[TileListing, TileListing],
    ) -> Composed:
        """If cancelled, or if the process dies: as for `compose`."""
        pair, done, kept, every = self._pair, 0, 0, 0
        digest, made, batch = hashlib.sha256(), TileCollector(), _Composites()
        above, below = listings
        for number, (top, bottom) in enumerate(_paired(_rows(pair.over, above), _rows(pair.under, below))):
            if number % _EVERY == 0:
                doing = f"blending {pair.upper} into {pair.lower}"
                self._on_progress(doing, done, len(above) + len(below))
            done += (top is not None) + (bottom is not None)
            tile = _tile_of(top, bottom)
            top, bottom = self._sound(top, pair.upper), self._sound(bottom, pair.lower)
            there = None if earlier is None else earlier.at(tile, in_pack=pack.held)
            if there is not None and mixing.is_proven(there, top, bottom):
                kept += 1
            elif (record := mixing.record(top, bottom)) is not None:
                batch.add(record)
            elif there is not None:
                raise UnlikeError(f"Tile {tile} in {self._into} would not be in it now.")
            else:
                continue
            every += 1
            if top is not None:
                made.add(tile)
                digest.update(f"{tile} {_hash_text(top)} {_hash_text(bottom)}\n".encode())
            if batch.full:
                await pack.write(batch.taken())
        await pack.write(batch.taken())
        return Composed(made.tiles(), digest.hexdigest(), kept, every)

    def _sound(self, row: TileRow | None, layer: str) -> TileRow | None:
        return row if row is not None and self._may_be_used(row, layer) else None

    def _refuse_missing(self, missing: TileSet) -> None:
        if missing:
            raise LastbarError(
                f'{counted(len(missing), "planned tile")} of layer "{self._pair.upper}" not on board, so nothing was '
                "handed over. Get what is missing first, or hand over what is on board with --allow-gaps."
            )


def _labels_for(pair: LayerPair) -> Labels:
    """The labels of the composed pack. All that decides on its tiles besides the bodies of both stands in `plan`, so
    that a pack composed in another way is known by its runs."""
    labels = labels_of(pair.under.path)
    mixed = (origin_mark(BLENDED), pair.upper)
    labels = replace(labels, pictures=(*labels.pictures, *labels_of(pair.over.path).pictures, mixed))
    by = [__version__, encoder_mark(), pair.upper, pair.lower, pair.over.kind, pair.under.kind, repr(labels)]
    return replace(labels, plan=hashlib.sha256(json.dumps(by).encode()).hexdigest())


@contextmanager
def _unlike(going_on: bool) -> Iterator[None]:
    """Makes UnlikeError of whatever is wrong with a pack that is to be gone on with."""
    try:
        yield
    except StoreBusyError:
        raise
    except StoreError as fault:
        if not going_on:
            raise
        raise UnlikeError(str(fault)) from fault


class _Earlier:
    """What an earlier handover left of the pack, as a `TileLookup` has it. Raises UnlikeError for all that is wrong."""

    def __init__(self, path: Path, plan: str) -> None:
        with _unlike(going_on=True):
            self._pack = TileLookup(path)
            if self._pack.plans() != [plan]:
                self._pack.close()
                raise UnlikeError(f"{path} was composed in another way.")

    def __enter__(self) -> _Earlier:
        return self

    def __exit__(self, *_: object) -> None:
        self._pack.close()

    def at(self, tile: Tile, in_pack: TileSet) -> IntactTile | None:
        """A tile that is intact, None where there is none. One that is there and not intact is wrong: its body would
        stand in the way of a new one with the same hash."""
        with _unlike(going_on=True):
            found = self._pack.at(tile)
            if found is None and tile in in_pack:
                raise UnlikeError(f"Tile {tile} is corrupt in {self._pack.path}.")
        return found


class _Composites:
    """Records on their way to the pack."""

    def __init__(self) -> None:
        self._records: list[Received] = []
        self._bytes = 0

    def add(self, record: Received) -> None:
        """Take in one more."""
        self._records.append(record)
        self._bytes += len(record.data)

    @property
    def full(self) -> bool:
        """Whether they should be written."""
        return len(self._records) >= _BATCH or self._bytes >= _BATCH_BYTES

    def taken(self) -> list[Received]:
        """All of them, which are not kept."""
        records, self._records, self._bytes = self._records, [], 0
        return records


@dataclass(slots=True)
class _Mixing:
    """What belongs at a place where the one layer, the other or both have a tile. `way` stands for how it is made."""

    pair: LayerPair
    way: str
    lower: TileLookup
    _nearest: tuple[Tile, IntactTile | None] | None = None

    def record(self, top: TileRow | None, bottom: TileRow | None) -> Received | None:
        """The tile for a place; None where there is none, or a format without transparency has nothing below it."""
        if top is None:
            return None if bottom is None else self._as_it_is(bottom)
        try:
            return self._blended(top, bottom)
        except Damaged as fault:
            raise StoreError(
                f"Tile {top.tile} of layer {self.pair.upper}, or what lies below it, cannot be decoded: {fault}. To "
                "find such tiles: lastbar verify --full"
            ) from fault

    def is_proven(self, there: IntactTile, top: TileRow | None, bottom: TileRow | None) -> bool:
        """Whether an intact tile is the one that `record` would give."""
        if top is None:
            told = None if bottom is None else self._as_it_is(bottom)
            return told is not None and (there.hash, there.mark, there.fetched) == (
                told.hash,
                told.etag,
                told.fetched,
            )
        marks = [self._recipe(top, bottom, there.hash, whole) for whole in (True, False)]
        return there.mark in marks and there.fetched == top.fetched

    def _as_it_is(self, row: TileRow) -> Received:
        mark = tile_mark(BLENDED, False) if row.tile in self.pair.under.partial else None
        return Received(row.tile, row.data, row.hash, self.pair.under.kind, row.fetched, mark)

    def _blended(self, row: TileRow, bottom: TileRow | None) -> Received | None:
        under, drawn = self.pair.under, pixels_of(row.data)
        whole = is_whole(drawn)
        if whole and self.pair.over.kind == under.kind:
            data, hashed = row.data, row.hash
        else:
            if not whole:
                below = self._below(row.tile, bottom)
                if below is not None:
                    pixels = pixels_of(below.data)
                    if below.tile != row.tile:
                        pixels = enlarged(pixels, below.tile, row.tile)
                    drawn = laid_over(drawn, pixels)
                elif under.kind == Kind.JPG.value:
                    return None
                # With a coarser tile below, enlarged, the place is no deeper than that one.
                whole = bottom is not None and row.tile not in under.partial
            data = encoded(drawn, Kind(under.kind))
            hashed = body_hash(data)
        mark = self._recipe(row, bottom, hashed, whole)
        return Received(row.tile, data, hashed, under.kind, row.fetched, mark)

    def _recipe(self, top: TileRow, bottom: TileRow | None, made: bytes, whole: bool) -> str:
        below, partial = self._below(top.tile, bottom), top.tile in self.pair.under.partial
        under = "-" if below is None else f"{below.tile} {below.hash.hex()}"
        told = f"{self.way} {top.tile} {top.hash.hex()} {under} {partial} {whole} {made.hex()}"
        return tile_mark(hashlib.sha256(told.encode()).hexdigest(), whole)

    def _below(self, tile: Tile, bottom: TileRow | None) -> TileRow | IntactTile | None:
        """What the lower layer has at a tile: its own, or its nearest coarser one."""
        if bottom is not None:
            return bottom
        if self._nearest is None or self._nearest[0] != tile:
            self._nearest = tile, self.lower.nearest(tile, self.pair.blank)
        return self._nearest[1]


def _rows(reader: SnapshotReader, listing: TileListing) -> Iterator[TileRow]:
    def fault(data: bytes) -> str | None:
        try:
            kind = examine(data).kind.value
        except (Damaged, NotATile) as why:
            return f"it is not a whole tile ({why})"
        return None if kind == reader.kind else f"it is {kind}, in a pack of {reader.kind}"

    return reader.bodies(listing, fault)


def _hash_text(row: TileRow | None) -> str:
    return "-" if row is None else row.hash.hex()


def _batched(tiles: Iterator[Tile]) -> Iterator[list[Tile]]:
    while some := list(islice(tiles, _BATCH)):
        yield some


def _paired(
    upper: Iterator[TileRow], lower: Iterator[TileRow]
) -> Iterator[tuple[TileRow | None, TileRow | None]]:
    """The rows of both, both in order of zoom, row and column, with those at one place together."""
    top, bottom = next(upper, None), next(lower, None)
    while top is not None or bottom is not None:
        above, below = _place(top), _place(bottom)
        yield (top if above <= below else None), (bottom if below <= above else None)
        top = next(upper, None) if above <= below else top
        bottom = next(lower, None) if below <= above else bottom


def _place(row: TileRow | None) -> tuple[float, int, int]:
    return (math.inf, 0, 0) if row is None else (row.tile.zoom, row.tile.y, row.tile.x)


def _tile_of(top: TileRow | None, bottom: TileRow | None) -> Tile:
    row = top or bottom
    assert row is not None, "one of them has a tile"
    return row.tile
