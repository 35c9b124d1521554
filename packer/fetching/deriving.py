"""Making the tiles of derived layers while the tiles of their sources come.

Each tile is made once of all that it needs it is known whether the server has it. So a crew that leaves early has maps,
and not only what maps could be made of. When no more comes, what was made before of other bodies is made again.
"""

from __future__ import annotations

import asyncio
import itertools
import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import AsyncExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path

from packer.common.clock import Clock
from packer.content.digest import body_hash
from packer.content.payload import Kind
from packer.content.rasters.deriving import derived_body, source_pixels
from packer.content.rasters.encoding import Pixels
from packer.content.rasters.library import gdal, rasterio
from packer.errors import InputError
from packer.fetching.coverage import CoverageTracker
from packer.fetching.hosts.source import labels, stated_kind
from packer.fetching.layer_run import plain_shares
from packer.fetching.order import in_order
from packer.fetching.reports import AreaCoverage, LayerCounts, LayerProgress, LayerReport, Options
from packer.geometry.shapes import Shape
from packer.geometry.source_grid import SourceGrid
from packer.geometry.source_tiles import windows_of
from packer.geometry.tileset import Tile, TileSet
from packer.planning.brief import Brief
from packer.planning.offers import source_mark
from packer.planning.pack_path import pack_path
from packer.planning.plan import LayerPlan, Plan
from packer.planning.source_layers import source_name
from packer.sources.address import host_with_port, without_usual_port
from packer.store.picture_marks import DERIVED
from packer.store.records import Absent, Received, Record
from packer.store.source_reader import SourceReader, outdated_tiles, read_source
from packer.store.writer import PackWriter

__all__ = ["LayerDeriver", "check_library"]

_BATCH = 48
# GDAL and Pillow let go of the interpreter's lock; one core is left to the fetch.
_THREADS = min(4, max(1, (os.cpu_count() or 1) - 1))
_CACHED = 64  # decoded tiles of the source: 16 MB at 256 px
_ROUND_S = 2.0  # between two looks at what has come
_SHARE = 4.0  # a look takes no more than a fifth of the time
_NOT_YET = 1_500  # tiles in a row that lack something: what follows in the order lacks it as well
_NOTHING_THERE = 0  # in place of a server's status: the source has no tile of it


def check_library(layers: Iterable[str]) -> None:
    """Raise InputError, which says what to install, where what makes tiles is missing and a layer needs it."""
    for name in layers:
        try:
            rasterio("rasterio.warp")
        except InputError:
            raise InputError(
                f'Layer "{name}" is not offered in Web Mercator, so its tiles have to be made from those of another '
                "grid. For that Lastbar needs rasterio, which is not installed here. Install it while you are online: "
                "pip install 'lastbar[pictures]'. Nothing was fetched."
            ) from None


@dataclass(slots=True)
class LayerDeriver:
    """Makes the tiles of one layer. `open` first, `go_on` while its source is fetched, and `finish` at the end.

    `held` and `absent` are what of the plan its pack has; `held_before` is how many tiles that was at the start.
    """

    name: str
    planned: LayerPlan
    grid: SourceGrid
    pack: PackWriter
    source: Path
    kind: Kind
    shapes: dict[str, Shape]
    clock: Clock
    stop: asyncio.Event
    host: str
    counts: LayerCounts = field(default_factory=LayerCounts)
    held: TileSet = field(default_factory=TileSet)
    absent: TileSet = field(default_factory=TileSet)
    held_before: int = 0
    _tracker: CoverageTracker | None = None
    _threads: int = _THREADS

    @classmethod
    async def opened(
        cls,
        brief: Brief,
        plan: Plan,
        name: str,
        grid: SourceGrid,
        options: Options,
        clock: Clock,
        stop: asyncio.Event,
        stack: AsyncExitStack,
    ) -> LayerDeriver:
        """A deriver with its pack open until `stack` is closed. If cancelled: the pack is closed."""
        source = pack_path(brief, source_name(name), options.store)
        layer = brief.layers[name]
        kind = stated_kind(layer) or Kind.PNG
        host = without_usual_port(host_with_port(layer.url))
        written = labels(brief, plan, layer, kind.value, host, source_mark(layer))
        written = replace(written, pictures=((DERIVED + grid.digest, f"tiles of {grid.crs} from {host}"),))
        writer = PackWriter(pack_path(brief, name, options.store), written, clock.wall)
        pack = await stack.enter_async_context(writer)
        one = cls(name, plan.layers[name], grid, pack, source, kind, dict(plan.shapes), clock, stop, host)
        one.held, one.absent = one.planned.tiles & pack.held, (one.planned.tiles & pack.absent) - pack.held
        one.held_before = len(one.held)
        one._tracker = CoverageTracker(
            one.planned.areas, plan.shapes, one.planned.tiles, one.settled, one.absent
        )
        return one

    @property
    def settled(self) -> TileSet:
        """The planned tiles that are on board, or that the source has nothing of."""
        return self.held | self.absent

    @property
    def missing(self) -> TileSet:
        """The planned tiles that are not made yet."""
        return self.planned.tiles - self.settled

    async def go_on(self, ended: asyncio.Event) -> None:
        """Make tiles as what they need comes, until `ended`. If cancelled, or if the process dies: every batch
        committed so far stays, and the next fetch makes the rest."""
        while not ended.is_set() and not self.stop.is_set():
            began = self.clock.now()
            await self._make(self.missing, _NOT_YET)
            pause_s = max(_ROUND_S, _SHARE * (self.clock.now() - began))
            waits = [asyncio.ensure_future(one) for one in (ended.wait(), self.clock.sleep(pause_s))]
            try:
                await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
            finally:
                for wait in waits:
                    wait.cancel()

    async def finish(self, *, in_haste: bool) -> None:
        """Make all that can be made now. Unless `in_haste`, every tile on board is also looked at, and made again if it
        was made of other bodies than the source has now. If cancelled: as for `go_on`."""
        await self._make(self.missing, _NOT_YET if in_haste else None)
        if in_haste or self.stop.is_set() or not self.settled:
            return
        place = self.pack.path, self.source, self.grid
        old = await asyncio.to_thread(outdated_tiles, *place, self.held, self.absent, self.planned.tile_px)
        await self._make(old, None)

    async def _make(self, tiles: TileSet, most_not_yet: int | None) -> None:
        not_yet = 0
        for some in _pieces(in_order(self.planned.areas, self.shapes, tiles), _BATCH):
            if self.stop.is_set() or (most_not_yet is not None and not_yet >= most_not_yet):
                return
            shares = [some[n :: self._threads] for n in range(self._threads)]
            made = await asyncio.gather(*(asyncio.to_thread(self._records, one) for one in shares if one))
            records = [record for one in made for record in one]
            not_yet = 0 if records else not_yet + len(some)
            if records:
                await self.pack.write(records)
                self._count(records)

    def _count(self, records: list[Record]) -> None:
        stored = [r for r in records if isinstance(r, Received)]
        absent = [r.tile for r in records if isinstance(r, Absent)]
        self.counts.stored += len(stored)
        self.counts.bytes += sum(len(r.data) for r in stored)
        self.counts.absent += len(absent)
        made = TileSet.from_tiles(r.tile for r in stored)
        self.held |= made
        self.absent = (self.absent | TileSet.from_tiles(absent)) - self.held
        if self._tracker is not None:
            self._tracker.add([r.tile for r in records], absent)

    def _records(self, tiles: list[Tile]) -> list[Record]:
        """What can be made of these tiles now. Runs in a thread; reads the source's pack alone."""
        found: list[Record] = []
        now = int(self.clock.wall())
        with gdal(), read_source(self.source, self.grid) as reader:
            if reader is None:
                return []
            known: dict[int, Pixels] = {}
            for tile, window in windows_of(self.grid, TileSet.from_tiles(tiles), self.planned.tile_px):
                recipe = None if window is None else reader.recipe(window)
                if window is None or (recipe is not None and not recipe.bodies):
                    found.append(Absent(tile, _NOTHING_THERE, now))
                elif recipe is not None:
                    drawn = self._drawn(reader, recipe.bodies, known)
                    if drawn is not None:
                        data = derived_body(self.grid, window, tile, self.planned.tile_px, self.kind, drawn)
                        found.append(Received(tile, data, body_hash(data), self.kind.value, now, recipe.mark))
        return found

    def _drawn(
        self, reader: SourceReader, bodies: Mapping[tuple[int, int], int], known: dict[int, Pixels]
    ) -> dict[tuple[int, int], Pixels] | None:
        """The pixels of source tiles by their place; None where one cannot be drawn, which a verify tells of."""
        drawn: dict[tuple[int, int], Pixels] = {}
        for place, number in bodies.items():
            pixels = known.get(number)
            if pixels is None:
                body = reader.body(number)
                pixels = None if body is None else source_pixels(body, self.grid)
            if pixels is None:
                return None
            drawn[place] = known[number] = pixels
            if len(known) > _CACHED:
                del known[next(iter(known))]
        return drawn

    def progress(self) -> LayerProgress:
        """How far the layer is."""
        return LayerProgress(
            self.name,
            len(self.planned.tiles),
            len(self.held),
            len(self.absent),
            self.counts,
            None,
            self.host,
            self._tracker.now() if self._tracker is not None else (),
        )

    def covered_after(self, tiles: int) -> tuple[AreaCoverage, ...]:
        """How much of each area will be on board when so many more tiles are made."""
        return self._tracker.after(tiles) if self._tracker is not None else ()

    def report(self) -> LayerReport:
        """What the run did for the layer."""
        return LayerReport(
            planned=len(self.planned.tiles),
            held_before=self.held_before,
            requests=0,
            stored=self.counts.stored,
            bytes=self.counts.bytes,
            absent=len(self.absent),
            failed=0,
            missing=len(self.missing),
            host=self.host,
            areas={one.area: plain_shares(one) for one in self._tracker.now()} if self._tracker else {},
        )


def _pieces(tiles: Iterable[Tile], size: int) -> Iterator[list[Tile]]:
    source = iter(tiles)
    while some := list(itertools.islice(source, size)):
        yield some
