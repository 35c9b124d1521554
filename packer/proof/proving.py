"""Verify itself: each layer's pack against the plan."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Collection, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from random import Random
from typing import TypeVar

from packer.common.stop_signal import StopSignal
from packer.content.payload import fault_of
from packer.errors import DiskError, StoreError
from packer.geometry.source_grid import SourceGrid
from packer.geometry.tileset import TileSet
from packer.planning.brief import Brief
from packer.planning.pack_dates import check_pack_dates
from packer.planning.pack_path import pack_path
from packer.planning.plan import Plan
from packer.planning.source_layers import derived_from, source_name, with_source_layers
from packer.proof.bookmark import Bookmark, forget_bookmark, read_bookmark, save_bookmark
from packer.proof.cluster import ClusterPool
from packer.proof.depth_words import floor_reasons, outside_text
from packer.proof.depths import AreaDepth, Holdings, WaypointDepth, area_depths, waypoint_depths
from packer.proof.results import Depth, LayerFindings, TileCounts, VerifyReport
from packer.proof.sweep import PIECE_BODIES, Sweeper
from packer.proof.walk import walk
from packer.proof.wording import not_checked, reasons, warnings
from packer.store.audit import (
    BadTile,
    Census,
    Identity,
    Outline,
    audit_sample,
    audit_tiles,
    bad_tiles,
    census,
    identity,
    joined_census,
    outline,
)
from packer.store.corrupt_list import read_corrupt, save_corrupt
from packer.store.file_index import in_two_files
from packer.store.pack_files import pack_files
from packer.store.source_reader import outdated_tiles
from packer.store.wrong_ground import wrong_ground

__all__ = ["verify"]

_SAMPLE_BODIES = 200
_SAMPLE_S = 0.5
_ENOUGH_BAD = 1_000  # corrupt tiles of an earlier check found again in one file, whatever the depth
_EXAMINED_BYTES = 64_000_000  # the table of bodies is looked over by SQLite up to this size: some 0.1 s

Progress = Callable[[str, int, int], None]
_Depth = TypeVar("_Depth", AreaDepth, WaypointDepth)


def verify(
    brief: Brief,
    plan: Plan,
    store: Path | None = None,
    *,
    depth: Depth = Depth.HASH,
    for_s: float | None = None,
    on_progress: Progress = lambda _layer, _done, _all: None,
    processes: int | None = None,
    cluster: ClusterPool | None = None,
    stop: StopSignal | None = None,
    now: float | None = None,
    chance: Random | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> VerifyReport:
    """Hold the packs of a brief against its plan.

    Never writes to a pack; of corrupt tiles it leaves a list beside it, so that the next fetch replaces them. With
    `for_s` it stops after so many seconds, leaves word beside each pack of how far it came, and goes on from there the
    next time it is given a time; a pack that changed since is checked again. Without it everything is checked now. A
    KeyboardInterrupt, or `stop`, counts as the end of the time. If the process dies: the packs are untouched, and the
    lists are the old or the new ones.

    `on_progress` gets a layer's name, the bodies checked so far and their number; `processes` is the number of
    workers, all cores if left out, and `cluster` has others; `now` is in seconds since 1970. Of a derived layer the
    source's pack is proven too. Raises StoreError for a pack that is none of ours or that SQLite cannot read,
    InputError for one of another date; a pack that is not there counts as empty.
    """
    moment = time.time() if now is None else now
    wide_brief, wide_plan = with_source_layers(brief, plan)
    layers, unsaved = dict[str, LayerFindings](), list[DiskError]()
    with Sweeper(depth, processes, _ends(for_s, clock), clock, stop, cluster) as sweeper:
        for name, asked in wide_plan.layers.items():
            if asked.tiles:
                job = _layer_check(wide_brief, name, asked.tiles, store, moment, bounded=for_s is not None)
                layers[name] = job.run(sweeper, on_progress, chance or Random())
                unsaved += [] if job.unsaved is None else [job.unsaved]
    layers = _settled(brief, plan, layers)
    ground = {name: _ground(layers.get(name)) for name in plan.layers}
    walks, depths, waypoints = walk(plan, ground), area_depths(plan, ground), waypoint_depths(plan, ground)
    wrong = _wrong_ground(plan, layers)
    return VerifyReport(
        layers,
        depth,
        (*wrong, *reasons(layers), *floor_reasons(_begun(depths, layers), _begun(waypoints, layers), walks)),
        (*warnings(brief, plan, layers, moment), *outside_text(waypoints)),
        tuple(not_checked(brief, depth, layers)),
        walks,
        tuple(unsaved),
        depths,
        waypoints,
        wrong,
    )


def _ends(for_s: float | None, clock: Callable[[], float]) -> float | None:
    return None if for_s is None else clock() + for_s


def _layer_check(
    brief: Brief, name: str, tiles: TileSet, store: Path | None, moment: float, *, bounded: bool
) -> _LayerCheck:
    pack, blank = _pack(brief, name, store), brief.layers[name].blank_hashes
    return _LayerCheck(name, tiles, pack, moment, bounded, blank)


def _pack(brief: Brief, layer: str, store: Path | None) -> Path:
    check_pack_dates(brief, [layer], store)
    return pack_path(brief, layer, store)


def _settled(brief: Brief, plan: Plan, found: dict[str, LayerFindings]) -> dict[str, LayerFindings]:
    """What was found of the layers of a brief, those of their sources put where they belong."""
    grids = derived_from(brief, plan)
    layers = {
        name: replace(found[name], own=brief.layers[name].pictures) for name in plan.layers if name in found
    }
    return layers | {n: _derived(plan, n, grid, found[n], found[source_name(n)]) for n, grid in grids.items()}


def _derived(
    plan: Plan, name: str, grid: SourceGrid, found: LayerFindings, source: LayerFindings
) -> LayerFindings:
    """What was found of a layer, held against the source that it is made of."""
    outdated = TileSet()
    if found.size_bytes and (found.stored or found.absent):
        tile_px = plan.layers[name].tile_px
        outdated = outdated_tiles(found.pack, source.pack, grid, found.stored, found.absent, tile_px)
    return replace(found, source=source, outdated=outdated)


def _ground(layer: LayerFindings | None) -> Holdings:
    """Of a layer without a planned tile nothing was looked at: nothing is on board."""
    if layer is None:
        return Holdings(TileSet())
    return Holdings(
        layer.stored, layer.missing, layer.absent, layer.corrupt, layer.speed, layer.stored & layer.partial
    )


def _wrong_ground(plan: Plan, layers: dict[str, LayerFindings]) -> tuple[str, ...]:
    """A sentence for each sign that a pack is no map of the ground that was planned."""
    return tuple(
        sentence
        for name, layer in layers.items()
        if layer.counts.stored
        for sentence in wrong_ground(name, layer.pack, plan.layers[name].tiles)
    )


def _begun(depths: Sequence[_Depth], layers: dict[str, LayerFindings]) -> list[_Depth]:
    """Those of layers that have a pack: where there is none yet, that is the reason, and enough of one."""
    return [d for d in depths if d.layer not in layers or layers[d.layer].size_bytes]


class _LayerCheck:
    """The check of one layer's pack."""

    def __init__(
        self, name: str, planned: TileSet, pack: Path, now: float, bounded: bool, blank: Collection[bytes]
    ) -> None:
        self.blank = blank
        self.name, self.planned, self.pack, self.now, self.bounded = name, planned, pack, now, bounded
        self.unsaved: DiskError | None = None

    def run(self, sweeper: Sweeper, on_progress: Progress, chance: Random) -> LayerFindings:
        """See `verify`."""
        files = pack_files(self.pack)
        if not files.paths:
            return _findings(self.pack, self.planned, None, [], _Swept(0), 0)
        before = [identity(path) for path in files.paths]
        if sweeper.depth is not Depth.QUICK:
            sweeper.make_ready(max(files.paths, key=lambda path: path.stat().st_size))
        shapes = [outline(path) for path in files.paths]
        every = sum(len(shape.bodies) for shape in shapes)
        named = read_corrupt(self.pack)
        suspects = TileSet.from_tiles(named) & self.planned
        counted: list[tuple[Path, Census]] = []
        bad: list[BadTile] = []
        swept = _Swept(0)
        for path, mark, shape in zip(files.paths, before, shapes, strict=True):
            done = swept.bodies
            share = _Share(len(shape.bodies) / max(every, 1), len(files.paths))
            told = _told_after(on_progress, done, every)
            found, some = self._file(_File(path, mark or (), shape, share), sweeper, told, chance)
            counted.append((path, found))
            swept = swept.with_file(some)
            bad += found.odd
            if suspects and sweeper.depth is not Depth.FULL:
                # What an earlier check found by decoding must not count as sound again because this one does not.
                bad += audit_tiles(path, suspects, partial(fault_of, kind=shape.format), enough=_ENOUGH_BAD)
        if pack_files(self.pack) != files or [identity(path) for path in files.paths] != before:
            raise _changed(self.pack)
        total = joined_census(counted)
        findings = _findings(self.pack, self.planned, total, [*bad, *swept.bad], swept, every)
        whole = sweeper.depth is Depth.FULL and swept.finished
        try:
            earlier = [] if whole else named
            again = [*earlier, *(b.tile for b in findings.bad), *(total.claimed & self.planned)]
            save_corrupt(self.pack, dict.fromkeys(again))
        except DiskError as fault:  # the verdict may have taken hours: it is told all the same
            self.unsaved = fault
        twice = in_two_files([one.held for _, one in counted]) & self.planned
        return replace(findings, lost=files.lost, twice=len(twice), files=files.paths)

    def _file(
        self, file: _File, sweeper: Sweeper, on_progress: Progress, chance: Random
    ) -> tuple[Census, _Swept]:
        """The check of one file of the pack."""
        thorough = sweeper.depth is not Depth.HASH
        swept = _Swept(0)
        try:
            with ThreadPoolExecutor(1) as aside:  # while the bodies are checked, mostly by other processes
                largest = _EXAMINED_BYTES // file.share.files
                counting = aside.submit(census, file.path, self.now, largest, thorough, self.blank)
                swept = self._swept(sweeper, file, on_progress, chance)
                found = counting.result()
        finally:
            # Only now, when the other thread has closed the file: to look at it takes its locks away.
            unchanged = identity(file.path) == file.mark
            if unchanged and swept.keep is not None:
                save_bookmark(file.path, file.mark, swept.keep)
        if not unchanged:
            raise _changed(self.pack)
        return found, swept

    def _swept(self, sweeper: Sweeper, file: _File, on_progress: Progress, chance: Random) -> _Swept:
        path, mark, found = file.path, file.mark, file.shape
        if sweeper.depth is Depth.QUICK:
            until = time.monotonic() + _SAMPLE_S / file.share.files
            most = math.ceil(_SAMPLE_BODIES * file.share.bodies)
            return _Swept(*audit_sample(path, found, most, chance, until))
        size = PIECE_BODIES[sweeper.depth]
        chunks = list(enumerate(found.chunks(size)))
        start, note = read_bookmark(path, mark, sweeper.depth) if self.bounded else (None, None)
        if start is None or (start.chunk_bodies, start.chunks) != (size, len(chunks)):
            start = Bookmark(sweeper.depth, size, len(chunks), frozenset(), 0, ())
        done, bad, bodies, every = set(start.done), list(start.bad), start.bodies, len(found.bodies)
        left = [chunk for chunk in chunks if chunk[0] not in done]
        try:
            for number, some, faults in sweeper.sweep(path, found.format, left):
                done.add(number)
                bodies, bad = bodies + some, bad + bad_tiles(faults)
                on_progress(self.name, bodies, every)
        except KeyboardInterrupt:
            sweeper.stop()
        finished = len(done) == len(chunks)
        if sweeper.stopped and not finished:
            note = "The check was stopped by hand."
        keep = None if finished else replace(start, done=frozenset(done), bodies=bodies, bad=tuple(bad))
        if finished:
            forget_bookmark(path)
        amiss = f"table blob: {bodies:,} rows were read, but its index lists {every:,}"
        damage = (amiss,) if finished and bodies != every else ()
        return _Swept(bodies, bad, finished, start.bodies, note, damage, keep)


@dataclass(frozen=True, slots=True)
class _Swept:
    """`bodies` were checked, `earlier` of them by earlier runs. `keep` is the word to be left for the next one."""

    bodies: int
    bad: Sequence[BadTile] = ()
    finished: bool = True
    earlier: int = 0
    note: str | None = None
    damage: tuple[str, ...] = ()
    keep: Bookmark | None = None

    def with_file(self, more: _Swept) -> _Swept:
        """With what was done for one more file of the pack; no word is kept for all of them together."""
        return _Swept(
            self.bodies + more.bodies,
            [*self.bad, *more.bad],
            self.finished and more.finished,
            self.earlier + more.earlier,
            self.note or more.note,
            self.damage + more.damage,
        )


@dataclass(frozen=True, slots=True)
class _Share:
    """Which share of a pack's bodies a file has, and how many files there are."""

    bodies: float
    files: int


@dataclass(frozen=True, slots=True)
class _File:
    """One file of a pack, as it was when the check began."""

    path: Path
    mark: Identity
    shape: Outline
    share: _Share


def _told_after(on_progress: Progress, before: int, every: int) -> Progress:
    """A progress of one file as that of all, of which so many bodies were checked before."""
    return lambda name, done, _all: on_progress(name, before + done, every)


def _changed(pack: Path) -> StoreError:
    return StoreError(f"{pack} changed while it was being checked. Let the fetch end, then verify again.")


def _findings(
    pack: Path, planned: TileSet, found: Census | None, bad: Sequence[BadTile], swept: _Swept, every: int
) -> LayerFindings:
    corrupt = planned & TileSet.from_tiles(b.tile for b in bad)
    # A picture that stands for "no tile" shows nothing, whenever it was stored.
    blank = (planned & found.blank) - corrupt if found else TileSet()
    stored = (planned & found.held) - corrupt - blank if found else TileSet()
    none = ((planned & found.absent) | blank) - stored - corrupt if found else TileSet()
    missing = planned - stored - none - corrupt
    sets = [s.by_zoom() for s in (planned, stored, none, missing, corrupt)]
    by_zoom = {zoom: TileCounts(*(s.get(zoom, 0) for s in sets)) for zoom in planned.zooms}
    counts = TileCounts(*(sum(s.values()) for s in sets))
    by_tile = {b.tile: b for b in sorted(bad, key=lambda b: b.tile) if b.tile in corrupt}
    plain = LayerFindings(pack, counts, by_zoom, missing, corrupt, tuple(by_tile.values()), swept.bodies, 0)
    if found is None:
        return plain
    return replace(
        plain,
        stray=found.stray,
        stored=stored,
        absent=none,
        stale=stored & found.stale,
        blank=blank,
        partial=found.partial,
        pictures=found.pictures,
        all_bodies=every,
        earlier=swept.earlier,
        finished=swept.finished,
        damage=found.damage + swept.damage,
        unexamined=found.unexamined,
        fetched=found.fetched,
        size_bytes=found.size_bytes,
        speed=found.speed,
        note=swept.note,
    )
