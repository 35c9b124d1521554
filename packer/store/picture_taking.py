"""Taking in a picture of one's own: its tiles are cut and go into a layer's pack, block by block.

A tile that is there is left alone, or laid under the picture where the planner asks for that. A tile that the picture
shows in part is laid over what is there. Where nothing is there, it is stored, marked as partial, only in a layer that
no server could fill: on any other the fetch would take it for the whole tile, and the crew would stand before a blank.
"""

from __future__ import annotations

import asyncio
import itertools
import time
from collections.abc import AsyncGenerator, Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, aclosing
from dataclasses import dataclass, field, replace
from pathlib import Path

from packer.content.damage import Damaged
from packer.content.digest import body_hash
from packer.content.payload import Kind
from packer.content.rasters.cutting import Cutter
from packer.content.rasters.encoding import Pixels, encoded, is_whole, laid_over, pixels_of
from packer.content.rasters.picture_file import opened
from packer.content.rasters.warping import CutBlock
from packer.geometry.tileset import Tile, TileSet
from packer.store.pack_files import pack_files
from packer.store.picture_marks import origin_mark, partial_tiles, picture_tiles, tile_mark
from packer.store.records import Absent, Received, Record
from packer.store.schema import reading
from packer.store.tile_sets import held_tiles
from packer.store.writer import FileLimit, Labels, PackWriter

__all__ = ["NO_PICTURE", "PictureJob", "PictureTaken", "still_to_cut", "take_picture"]

NO_PICTURE = 0  # in place of a server's status: no picture shows the tile
_BATCH = 64
_NOTES = 512

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True)
class PictureJob:
    """What is to be cut from the picture at `path`, whose file has this SHA-256.

    `wanted` are the tiles to cut, `planned` all that the plan asks of the layer. `over` lays the picture over stored
    tiles; `fills_layer` says that no server fills the layer. `lossless` is for the colours of classes.
    `limit` is that of the pack's files.
    """

    path: Path
    sha256: str
    wanted: TileSet
    planned: TileSet
    kind: Kind
    tile_px: int
    over: bool = False
    fills_layer: bool = False
    lossless: bool = False
    limit: FileLimit | None = None


@dataclass(frozen=True, slots=True)
class PictureTaken:
    """What became of the tiles: `cut` are new, `laid` were joined with a stored tile, `kept` were there before or were
    cut by an earlier run, `empty` are without a pixel of the picture. `waiting` are shown in part only, and wait for
    the tile of the layer's server. `damaged` are stored tiles that could not be joined, as they cannot be decoded."""

    cut: int = 0
    laid: int = 0
    kept: int = 0
    empty: int = 0
    waiting: int = 0
    damaged: int = 0

    def __add__(self, other: PictureTaken) -> PictureTaken:
        return PictureTaken(
            *(getattr(self, name) + getattr(other, name) for name in PictureTaken.__dataclass_fields__)
        )


async def take_picture(
    into: Path, labels: Labels, job: PictureJob, on_progress: Progress = lambda _doing, _done, _all: None
) -> PictureTaken:
    """Cut the tiles of a picture into the pack `into`, which is made if there is none.

    Raises InputError for a picture that cannot be read, StoreError and DiskError for a pack that cannot be written. If
    cancelled, or if the process dies: every batch committed so far stays, and the same call again goes on with the
    rest; the tiles are then those that one run would have cut.
    """
    async with PackWriter(into, labels, limit=job.limit) as pack:
        todo = _todo(job, pack.held, pack.partial, pack.from_picture)
        kept = len(job.wanted) - len(todo)
        if job.fills_layer:
            # Until they are cut they are missing, and not what no picture shows.
            await pack.expect(todo & pack.absent)
        taking = _Taking(pack, job, todo)
        if todo:
            cutting = _Cutting(job, todo, into, on_progress)
            async with aclosing(cutting.blocks()) as blocks:
                async for block, tiles in blocks:
                    await taking.take(block, tiles)
                    on_progress("tiles", taking.done, len(todo))
            await taking.write()
            cutting.clear()
        if job.fills_layer:
            await taking.note_absent()
        return replace(taking.taken, kept=kept)


def still_to_cut(into: Path, job: PictureJob) -> TileSet:
    """The tiles that `take_picture` would look at now. Raises StoreError if `into` is no pack of ours."""
    sets: list[tuple[TileSet, TileSet, TileSet]] = []
    for file in pack_files(into).paths:
        with reading(file) as db:
            sets.append((held_tiles(db), partial_tiles(db), picture_tiles(db, origin_mark(job.sha256))))
    return _todo(job, *map(TileSet.union, zip(*sets, strict=True))) if sets else job.wanted


def _todo(job: PictureJob, held: TileSet, partial: TileSet, from_picture: TileSet) -> TileSet:
    """The tiles that the picture can still give something to."""
    if job.over:
        return job.wanted - from_picture
    return job.wanted - (held - partial) - from_picture


@dataclass(slots=True)
class _Cutting:
    """Cuts ahead, one block, in a thread of its own: GDAL's files belong to one thread."""

    job: PictureJob
    todo: TileSet
    into: Path
    on_progress: Progress

    @property
    def _stem(self) -> str:
        return f"{self.into.stem}.{self.job.sha256[:12]}"

    async def blocks(self) -> AsyncGenerator[tuple[CutBlock, dict[Tile, Pixels]], None]:
        """The blocks, each with its tiles that show anything. If cancelled: the block being cut is finished and
        dropped, and the picture closed."""
        loop = asyncio.get_running_loop()
        stack, coming = ExitStack(), None
        with ThreadPoolExecutor(1) as thread:
            try:
                found = await loop.run_in_executor(thread, self._open, stack)
                coming = loop.run_in_executor(thread, next, found, None)
                while (block := await coming) is not None:
                    coming = loop.run_in_executor(thread, next, found, None)
                    yield block
            finally:
                thread.submit(stack.close)
                if coming is not None:  # a fault of a block that nobody asks for any more is no fault
                    coming.add_done_callback(lambda cut: cut.cancelled() or cut.exception())

    def _open(self, stack: ExitStack) -> Iterator[tuple[CutBlock, dict[Tile, Pixels]]]:
        picture = stack.enter_context(opened(self.job.path))
        cutter = Cutter(picture, self.job.tile_px, self.into.parent, self._stem, self._on_reduced)
        return cutter.cut(self.todo)

    def _on_reduced(self, done: int, every: int) -> None:
        self.on_progress("smaller copy for coarse zooms, rows", done, every)

    def clear(self) -> None:
        """Remove the smaller copies."""
        for path in self.into.parent.glob(f".{self._stem}.*.pixels"):
            path.unlink(missing_ok=True)


@dataclass(slots=True)
class _Taking:
    """Puts tiles into the pack, and keeps count."""

    pack: PackWriter
    job: PictureJob
    todo: TileSet
    taken: PictureTaken = PictureTaken()
    done: int = 0
    _batch: list[Record] = field(default_factory=list)
    _stored: TileSet = field(default_factory=TileSet)

    async def take(self, block: CutBlock, tiles: dict[Tile, Pixels]) -> None:
        """Take the tiles of a block, as far as they are still to be taken. If cancelled: as for `take_picture`."""
        here = [tile for tile in _within(block) if tile in self.todo]
        self.done += len(here)
        self._add(empty=len(here) - sum(tile in tiles for tile in here))
        for tile in here:
            if tile in tiles:
                await self._one(tile, tiles[tile])
        if len(self._batch) >= _BATCH:
            await self.write()

    async def write(self) -> None:
        """Commit what has been gathered. If cancelled: as for `PackWriter.write`."""
        batch, self._batch = self._batch, []
        if batch:
            await self.pack.write(batch)
            self._stored |= TileSet.from_tiles(record.tile for record in batch)

    async def note_absent(self) -> None:
        """Note what no picture shows of the plan: nobody else has it. If cancelled: some of it is noted."""
        none = self.job.planned - self.pack.held - self._stored
        for some in _pieces(none - self.pack.absent | (none & self.todo), _NOTES):
            await self.pack.write([Absent(tile, NO_PICTURE, int(time.time())) for tile in some])

    async def _one(self, tile: Tile, pixels: Pixels) -> None:
        whole = is_whole(pixels)
        if tile in self.pack.held and not (self.job.over and whole):
            stored = await self.pack.body(tile)
            try:
                below = None if stored is None else await asyncio.to_thread(pixels_of, stored)
            except Damaged:
                self._add(damaged=1)  # left as it is: a verify tells of it, and a fetch replaces it
                return
            if below is not None:
                joined = laid_over(pixels, below) if self.job.over else laid_over(below, pixels)
                await self._put(tile, joined, is_whole(joined) or tile not in self.pack.partial)
                self._add(laid=1)
                return
        if not whole and not self._may_be_partial(tile):
            self._add(waiting=1)
            return
        await self._put(tile, pixels, whole)
        self._add(cut=1)

    def _may_be_partial(self, tile: Tile) -> bool:
        return self.job.kind is not Kind.JPG and (self.job.fills_layer or tile in self.pack.absent)

    async def _put(self, tile: Tile, pixels: Pixels, whole: bool) -> None:
        data = await asyncio.to_thread(encoded, pixels, self.job.kind, lossless=self.job.lossless)
        mark = tile_mark(self.job.sha256, whole)
        self._batch.append(Received(tile, data, body_hash(data), self.job.kind.value, int(time.time()), mark))

    def _add(self, **counts: int) -> None:
        self.taken += PictureTaken(**counts)


def _within(block: CutBlock) -> Iterator[Tile]:
    for down, across in itertools.product(range(block.side), repeat=2):
        yield Tile(block.zoom, block.x + across, block.y + down)


def _pieces(tiles: Iterable[Tile], size: int) -> Iterator[list[Tile]]:
    source = iter(tiles)
    while some := list(itertools.islice(source, size)):
        yield some
