"""One layer out of two: the tiles of a layer that lies over another, composed with those below, for the handover.

The blended tiles go into a pack of their own, hidden beside the packs, which is handed over in place of the lower
layer's and removed at the end. Both packs' bodies are hashed as they are read. What was blended of what is put down as
a digest over the hashes of both, tile by tile.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from types import MappingProxyType

from packer.common.units import counted
from packer.content.damage import Damaged, NotATile
from packer.content.digest import body_hash
from packer.content.payload import Kind, examine
from packer.content.rasters.encoding import Pixels, encoded, enlarged, is_whole, laid_over, pixels_of
from packer.errors import InputError, LastbarError, StoreError
from packer.geometry.tileset import Tile, TileCollector, TileSet
from packer.handover.crews import CrewShare
from packer.planning.brief import Brief
from packer.planning.pack_path import pack_path
from packer.planning.plan import LayerPlan, Plan
from packer.store.labels import labels_of
from packer.store.picture_marks import BLENDED, origin_mark, tile_mark
from packer.store.reader import TileReader
from packer.store.records import Absent, Received
from packer.store.snapshot_reader import SnapshotReader, TileListing, TileRow
from packer.store.writer import PackWriter, lock_path

__all__ = ["Blend", "blended_packs", "without_upper"]

_BATCH, _NOTES = 64, 512
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True)
class Blend:
    """A lower layer with the others blended into it. `tiles` were blended out of two, or come from an upper layer
    alone; `sha256` is over a line "z/x/y UPPER LOWER" for each of them, the hashes of both bodies, "-" where there was
    none. `more` are those besides the lower layer's plan."""

    pack: Path
    upper: tuple[str, ...]
    tiles: int
    sha256: str
    more: TileSet


@contextlib.contextmanager
def blended_packs(
    brief: Brief, plan: Plan, store: Path | None, allow_gaps: bool, on_progress: Progress
) -> Iterator[Mapping[str, Blend]]:
    """The blends of a plan, by the name of the lower layer, on hand for the block and then removed.

    Raises InputError where there is nothing to blend, LastbarError where an upper layer lacks tiles, unless
    `allow_gaps`; StoreError for a tile whose bytes have changed. If the process dies: a hidden pack is left, which the
    next blend replaces.
    """
    pairs: dict[str, list[str]] = {}
    for name, layer in plan.layers.items():
        if layer.over is not None and layer.tiles and pack_path(brief, name, store).exists():
            pairs.setdefault(layer.over, []).append(name)
    if not pairs:
        raise InputError(
            'There is nothing to blend: no layer with tiles on board lies over another. In the brief, over = "aerial" '
            "in a layer lays it over layer aerial. Or hand over without --blend."
        )
    hidden = [pack_path(brief, f".{name}.blended", store) for name in pairs]
    try:
        yield MappingProxyType(
            {
                name: _Blending(brief, plan, store, allow_gaps, on_progress).blend(name, upper, pack)
                for (name, upper), pack in zip(pairs.items(), hidden, strict=True)
            }
        )
    finally:
        for pack in hidden:
            _remove(pack)
            _remove(_next(pack))


def _next(pack: Path) -> Path:
    return pack.with_name(f"{pack.stem}.next{pack.suffix}")


def _remove(pack: Path) -> None:
    for path in (pack, pack.with_name(f"{pack.name}-journal"), lock_path(pack)):
        path.unlink(missing_ok=True)


@dataclass(frozen=True, slots=True)
class _Blending:
    brief: Brief
    plan: Plan
    store: Path | None
    allow_gaps: bool
    on_progress: Progress

    def blend(self, lower: str, upper: Sequence[str], into: Path) -> Blend:
        """Blend layers into the one that they lie over, the last of the brief on top."""
        below = pack_path(self.brief, lower, self.store)
        if not below.exists():
            raise StoreError(
                f'Layer "{lower}" has no pack yet, so nothing can be blended into it. Fetch it first.'
            )
        known, count, digests = self.plan.layers[lower].tiles, 0, list[str]()
        more = TileSet()
        for name in upper:
            target = _next(into)
            _remove(target)
            found = self._one(lower, name, below, known | more, target)
            _remove(into)
            target.replace(into)
            below, count, more = into, count + found.tiles, more | (found.more - known)
            digests.append(found.sha256)
        sha256 = digests[0] if len(digests) == 1 else hashlib.sha256(" ".join(digests).encode()).hexdigest()
        return Blend(into, tuple(upper), count, sha256, more)

    def _one(self, lower: str, upper: str, below: Path, known: TileSet, into: Path) -> Blend:
        above = pack_path(self.brief, upper, self.store)
        with (
            SnapshotReader(above, self.brief.layers[upper].blank_hashes) as over,
            SnapshotReader(below, self.brief.layers[lower].blank_hashes) as under,
        ):
            self._refuse_unfit(upper, lower, over, under)
            return asyncio.run(_Composer(self, upper, lower, over, under).compose(known, into))

    def _refuse_unfit(self, upper: str, lower: str, over: SnapshotReader, under: SnapshotReader) -> None:
        if "pbf" in (over.kind, under.kind):
            raise InputError(f'"{upper}" and "{lower}" cannot be blended: one of them has vector tiles.')
        if self.plan.layers[upper].tile_px != self.plan.layers[lower].tile_px:
            raise InputError(
                f'"{upper}" and "{lower}" cannot be blended: their tiles differ in size. Give both the same tile-size.'
            )

    def may_be_used(self, row: TileRow, layer: str) -> bool:
        """Whether a body may be used. Raises StoreError for one that is corrupt, unless gaps are allowed."""
        if row.fault is None:
            return True
        if self.allow_gaps:
            return False
        raise StoreError(
            f"Tile {row.tile} of layer {layer} is corrupt, so it must not be handed over: {row.fault}. To leave such "
            "tiles out: --allow-gaps"
        )


@dataclass(slots=True)
class _Composer:
    job: _Blending
    upper: str
    lower: str
    over: SnapshotReader
    under: SnapshotReader

    async def compose(self, known: TileSet, into: Path) -> Blend:
        """Write the blended pack out of the `known` tiles of the lower one and all planned ones of the upper.

        If cancelled, or if the process dies: what is there is worth nothing.
        """
        above = self.over.listing(self.job.plan.layers[self.upper].tiles & self.over.held)
        below = self.under.listing(known & self.under.held)
        self._refuse_missing(above.tiles)
        labels = labels_of(self.under.path)
        mixed = (origin_mark(BLENDED), self.upper)
        labels = replace(labels, pictures=(*labels.pictures, *labels_of(self.over.path).pictures, mixed))
        digest, made, batch = hashlib.sha256(), TileCollector(), list[Received]()
        every, done = len(above) + len(below), 0
        async with PackWriter(into, labels) as pack:
            for top, bottom in _paired(self._rows(self.over, above), self._rows(self.under, below)):
                done += (top is not None) + (bottom is not None)
                top, bottom = self._sound(top, self.upper), self._sound(bottom, self.lower)
                record = self._record(top, bottom)
                if record is None:
                    continue
                if top:
                    made.add(record.tile)
                    digest.update(f"{record.tile} {_hash_text(top)} {_hash_text(bottom)}\n".encode())
                batch.append(record)
                if len(batch) >= _BATCH:
                    await pack.write(batch)
                    batch = []
                    self.job.on_progress(f"blending {self.upper} into {self.lower}", done, every)
            await pack.write(batch)
            # What the lower layer's server does not have, it still does not have: it is not missing.
            none = iter((known & self.under.absent) - below.tiles - made.tiles())
            while some := list(islice(none, _NOTES)):
                await pack.write([Absent(tile, 0, 0) for tile in some])
        found = made.tiles()
        return Blend(into, (self.upper,), len(found), digest.hexdigest(), found)

    def _rows(self, reader: SnapshotReader, listing: TileListing) -> Iterator[TileRow]:
        def fault(data: bytes) -> str | None:
            try:
                kind = examine(data).kind.value
            except (Damaged, NotATile) as why:
                return f"it is not a whole tile ({why})"
            return None if kind == reader.kind else f"it is {kind}, in a pack of {reader.kind}"

        return reader.bodies(listing, fault)

    def _sound(self, row: TileRow | None, layer: str) -> TileRow | None:
        return row if row is not None and self.job.may_be_used(row, layer) else None

    def _refuse_missing(self, held: TileSet) -> None:
        missing = self.job.plan.layers[self.upper].tiles - held - self.over.absent
        if missing and not self.job.allow_gaps:
            raise LastbarError(
                f'{counted(len(missing), "planned tile")} of layer "{self.upper}" not on board, so nothing was handed '
                "over. Get what is missing first, or hand over what is on board with --allow-gaps."
            )

    def _record(self, top: TileRow | None, bottom: TileRow | None) -> Received | None:
        if top is None:
            return None if bottom is None else self._as_it_is(bottom)
        try:
            return self._blended(top, bottom)
        except Damaged as fault:
            raise StoreError(
                f"Tile {top.tile} of layer {self.upper}, or what lies below it, cannot be decoded: {fault}. To find "
                "such tiles: lastbar verify --full"
            ) from fault

    def _as_it_is(self, row: TileRow) -> Received:
        mark = tile_mark(BLENDED, False) if row.tile in self.under.partial else None
        return Received(row.tile, row.data, row.hash, self.under.kind, row.fetched, mark)

    def _blended(self, row: TileRow, bottom: TileRow | None) -> Received | None:
        """The tile with the upper layer on it; None where a format without transparency has nothing below it."""
        drawn = pixels_of(row.data)
        if is_whole(drawn) and self.over.kind == self.under.kind:
            return Received(row.tile, row.data, row.hash, self.under.kind, row.fetched)
        whole = is_whole(drawn)
        if not whole:
            below = self._below(row.tile, bottom)
            if below is not None:
                drawn = laid_over(drawn, below)
            elif self.under.kind == Kind.JPG.value:
                return None
            # With a coarser tile below, enlarged, the place is no deeper than that one.
            whole = bottom is not None and row.tile not in self.under.partial
        data = encoded(drawn, Kind(self.under.kind))
        mark = None if whole else tile_mark(BLENDED, False)
        return Received(row.tile, data, body_hash(data), self.under.kind, row.fetched, mark)

    def _below(self, tile: Tile, bottom: TileRow | None) -> Pixels | None:
        """What the lower layer shows at a tile: its own, or its nearest coarser one, enlarged."""
        if bottom is not None:
            return pixels_of(bottom.data)
        found = TileReader(self.under.path).nearest(tile)
        return None if found is None else enlarged(pixels_of(found[1]), found[0], tile)


def _hash_text(row: TileRow | None) -> str:
    return "-" if row is None else row.hash.hex()


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


def without_upper(shares: Iterable[CrewShare], blends: Mapping[str, Blend]) -> list[CrewShare]:
    """The shares with each blend in place of its layers. Raises InputError for a crew that gets only one of them."""
    return [replace(share, layers=_folded(share, blends)) for share in shares]


def _folded(share: CrewShare, blends: Mapping[str, Blend]) -> dict[str, LayerPlan]:
    layers = dict(share.layers)
    for lower, blend in blends.items():
        there = [name for name in (lower, *blend.upper) if name in layers]
        if 0 < len(there) <= len(blend.upper):
            lacking = next(name for name in (lower, *blend.upper) if name not in layers)
            who = f'crew "{share.crew.name}"' if share.crew else "the plan"
            raise InputError(
                f'With --blend, {who} cannot have layer "{there[0]}" without "{lacking}": they are one file then. Give '
                "both to the crew, or hand over without --blend."
            )
        if there:
            upper = tuple(layers.pop(name) for name in blend.upper)
            more = blend.more & TileSet.union(layer.tiles for layer in upper)
            layers[lower] = replace(layers[lower], more=more, blended=upper)
    return layers
