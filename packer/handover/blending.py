"""One layer out of two: the tiles of a layer that lies over another, composed with those below, for the handover.

The blended tiles go into a pack of their own, hidden beside the packs, which is handed over in place of the lower
layer's and removed at the end. Both packs' bodies are hashed as they are read. What was blended of what is put down as
a digest over the hashes of both, tile by tile. The hidden pack of a handover that was cut off stays, and the next one
goes on with it: see `composing`.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import count
from pathlib import Path
from types import MappingProxyType

from packer.errors import DiskError, InputError, StoppedError, StoreError
from packer.geometry.tileset import TileSet
from packer.handover.composing import Composed, Composer, LayerPair
from packer.handover.crews import CrewShare
from packer.handover.target import clear_away, is_plain
from packer.planning.brief import Brief
from packer.planning.pack_path import pack_path
from packer.planning.plan import LayerPlan, Plan
from packer.store.locks import WriteLock
from packer.store.pack_files import has_pack
from packer.store.snapshot_reader import SnapshotReader, TileRow
from packer.store.staged_file import UnlikeError
from packer.store.writer import lock_path

__all__ = ["Blend", "BlendJob", "blended_packs", "without_upper"]

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


@dataclass(frozen=True, slots=True)
class BlendJob:
    """What all blends of a handover have in common. `store` is the folder of the packs, None for the brief's;
    `on_note` gets a sentence on what was there from a handover that was cut off."""

    brief: Brief
    plan: Plan
    store: Path | None
    allow_gaps: bool
    on_progress: Progress
    on_note: Callable[[str], None]


@contextlib.contextmanager
def blended_packs(job: BlendJob) -> Iterator[Mapping[str, Blend]]:
    """The blends of a plan, by the name of the lower layer, on hand for the block and then removed.

    Raises InputError where there is nothing to blend, LastbarError where an upper layer lacks tiles, unless
    `allow_gaps`; StoreError for a tile whose bytes have changed; StoreBusyError while another handover blends into one
    of the layers. If it is stopped, or the process dies, or the block meets a full or failing disk: hidden packs are
    left, with which the next blend goes on.
    """
    brief, plan, store = job.brief, job.plan, job.store
    pairs: dict[str, list[str]] = {}
    for name, layer in plan.layers.items():
        if layer.over is not None and layer.tiles and has_pack(pack_path(brief, name, store)):
            pairs.setdefault(layer.over, []).append(name)
    if not pairs:
        raise InputError(
            'There is nothing to blend: no layer with tiles on board lies over another. In the brief, over = "aerial" '
            "in a layer lays it over layer aerial. Or hand over without --blend."
        )
    with contextlib.ExitStack() as locks:
        for name in pairs:
            busy = (
                f"Another handover is blending into layer {name} of these packs. Let it finish, or stop it."
            )
            locks.enter_context(WriteLock(pack_path(brief, f".{name}.blend", store), busy))
        blended = False
        try:
            found = {name: _Blending(job, name).blend(upper) for name, upper in pairs.items()}
            blended = True
            yield MappingProxyType(found)
        except (StoppedError, KeyboardInterrupt):
            raise
        except BaseException as fault:
            # Where it was the disk of the packs that was full, its room is given back.
            if not (blended and isinstance(fault, DiskError)):
                _clear(job, pairs)
            raise
        _clear(job, pairs)


def _stage(job: BlendJob, lower: str, number: int) -> Path:
    """The hidden pack of a lower layer with so many upper ones blended into it."""
    return pack_path(job.brief, f".{lower}.blended{f'-{number}' if number > 1 else ''}", job.store)


def _clear(job: BlendJob, pairs: Mapping[str, Sequence[str]]) -> None:
    """Remove the hidden packs, those of more upper layers than there are now as well. If the process dies: some of
    them may be left."""
    for lower, upper in pairs.items():
        for number in count(1):
            pack = _stage(job, lower, number)
            if number > len(upper) and not pack.exists():
                break
            _remove(pack)


def _remove(pack: Path) -> None:
    for path in (pack, pack.with_name(f"{pack.name}-journal"), lock_path(pack)):
        clear_away(path)


@dataclass(frozen=True, slots=True)
class _Blending:
    job: BlendJob
    lower: str

    def blend(self, upper: Sequence[str]) -> Blend:
        """Blend layers into the one that they lie over, the last of the brief on top."""
        below = pack_path(self.job.brief, self.lower, self.job.store)
        if not has_pack(below):
            raise StoreError(
                f'Layer "{self.lower}" has no pack yet, so nothing can be blended into it. Fetch it first.'
            )
        known, tiles, digests = self.job.plan.layers[self.lower].tiles, 0, list[str]()
        more = TileSet()
        for number, name in enumerate(upper, 1):
            # The pack of each stage stays to the end: what it holds is what the next one was made of.
            into = _stage(self.job, self.lower, number)
            found = self._one(name, below, known | more, into)
            below, tiles, more = into, tiles + len(found.tiles), more | (found.tiles - known)
            digests.append(found.sha256)
        sha256 = digests[0] if len(digests) == 1 else hashlib.sha256(" ".join(digests).encode()).hexdigest()
        return Blend(below, tuple(upper), tiles, sha256, more)

    def _one(self, upper: str, below: Path, known: TileSet, into: Path) -> Composed:
        job, layers = self.job, self.job.brief.layers
        wanted, blank = job.plan.layers[upper].tiles, layers[self.lower].blank_hashes
        with (
            SnapshotReader(pack_path(job.brief, upper, job.store), layers[upper].blank_hashes) as over,
            SnapshotReader(below, blank) as under,
        ):
            self._refuse_unfit(upper, over, under)
            composer = Composer(
                LayerPair(upper, self.lower, over, under, blank), into, self._may_be_used, job.on_progress
            )
            if os.path.lexists(into) and not is_plain(into):
                _remove(into)
            try:
                found = asyncio.run(composer.compose(wanted, known, allow_gaps=job.allow_gaps))
            except UnlikeError:
                job.on_note(
                    f"{self.lower}: what is there of its blend with {upper} is not what would be blended now, so it is "
                    "begun again."
                )
                _remove(into)
                found = asyncio.run(composer.compose(wanted, known, allow_gaps=job.allow_gaps))
        if found.kept:
            job.on_note(
                f"{self.lower}: {found.kept:,} of {found.all:,} tiles blended with {upper} were there from a handover "
                "that was cut off. Each was checked; the rest was blended."
            )
        return found

    def _refuse_unfit(self, upper: str, over: SnapshotReader, under: SnapshotReader) -> None:
        if "pbf" in (over.kind, under.kind):
            raise InputError(f'"{upper}" and "{self.lower}" cannot be blended: one of them has vector tiles.')
        if self.job.plan.layers[upper].tile_px != self.job.plan.layers[self.lower].tile_px:
            raise InputError(
                f'"{upper}" and "{self.lower}" cannot be blended: their tiles differ in size. Give both the same '
                "tile-size."
            )

    def _may_be_used(self, row: TileRow, layer: str) -> bool:
        """Whether a body may be used. Raises StoreError for one that is corrupt, unless gaps are allowed."""
        if row.fault is None:
            return True
        if self.job.allow_gaps:
            return False
        raise StoreError(
            f"Tile {row.tile} of layer {layer} is corrupt, so it must not be handed over: {row.fault}. To leave such "
            "tiles out: --allow-gaps"
        )


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
