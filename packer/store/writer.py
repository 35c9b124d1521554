"""The one writer of a pack: batches of records go to its files, with one connection for each."""

from __future__ import annotations

import asyncio
import sqlite3
import time
from collections.abc import Callable, Coroutine, Sequence
from itertools import groupby
from pathlib import Path
from types import TracebackType
from typing import Any

from packer.common.atomic_write import make_folders
from packer.common.places import refuse_long_path
from packer.errors import LastbarError
from packer.geometry.tileset import Tile, TileSet
from packer.store.corrupt_list import clear_corrupt, read_corrupt
from packer.store.disk_errors import translated
from packer.store.figures import mean_sizes
from packer.store.file_choice import FileChoice
from packer.store.file_index import in_two_files
from packer.store.file_writer import DAY_S, FileWriter, Validators
from packer.store.labels import Labels
from packer.store.locks import WriteLock, lock_path
from packer.store.pack_files import MOST_FILES, file_path, first_label, further_label, new_mark, pack_files
from packer.store.placing import FileLimit, FilePlaces
from packer.store.records import Record

__all__ = ["DAY_S", "FileLimit", "Labels", "PackWriter", "Validators", "lock_path"]

_CACHE_KIB, _LEAST_CACHE_KIB = 32_768, 1_024  # for pages, of all files together and of each


class PackWriter:
    """An open pack: `async with PackWriter(path, labels) as pack`. Only one can be open for a pack.

    Inside the block its files have a journal beside them; after the block each stands alone. `limit` is how large a
    file may get before another one is begun, None for one file however large. `held` and
    `absent` are what the pack held, and knew the server not to have, when it was opened; `kind` is the format
    of its tiles, None while it has none; `dropped` are the tiles that an earlier verify named and that were
    found corrupt again, by their hash or by decoding them in full: they are held no more. `blanked` are those that were
    stored before their picture was said to stand for "no tile": they are absent now. `other_hosts` are those
    of other sources that tiles in it came from, as the address in the brief has changed, or another may be meant.
    `partial` are the tiles held that show a part of their square alone, and `from_picture` those cut from the picture
    that the labels name as their source. `lost` are files of the pack that were gone; new ones stand in their places,
    and what was in them is not held.

    Raises StoreError where a file is deleted, or replaced by another, while it is open, and at the latest when it
    is closed; also at the end for one that held tiles before and whose tables do not hang together.
    """

    def __init__(
        self,
        path: Path,
        labels: Labels,
        clock: Callable[[], float] = time.time,
        limit: FileLimit | None = None,
    ) -> None:
        self.path = path
        self.held = TileSet()
        self.absent = TileSet()
        self.dropped: list[Tile] = []
        self.blanked = TileSet()
        self.other_hosts: tuple[str, ...] = ()
        self.partial = TileSet()
        self.from_picture = TileSet()
        self.lost: tuple[Path, ...] = ()
        self._labels, self._clock, self._limit = labels, clock, limit
        self._lock = WriteLock(
            path,
            f"Another fetch is writing {path} right now. Let it finish, or stop it there with Ctrl-C. To see how far "
            "it is: lastbar status",
        )
        self._files: list[FileWriter] = []
        self._mark: str | None = None
        self._choice = FileChoice(self._files, FilePlaces(None, [], []))

    @property
    def kind(self) -> str | None:
        """The format of its tiles, None while it has none."""
        return next((file.kind for file in self._files if file.kind is not None), None)

    async def __aenter__(self) -> PackWriter:
        """Lock and open the pack, made first if need be, and read what it holds.

        If cancelled: the pack is closed and unlocked again. If the process dies: as for `write`.
        """
        longest = self.path if self._limit is None else file_path(self.path, MOST_FILES)
        refuse_long_path(longest.with_name(f".{longest.name}.part-journal"))
        with translated(self.path):
            make_folders(self.path.parent)
        self._lock.acquire()
        try:
            await self._open()
        except BaseException:
            for file in self._files:
                await file.close(whole=False)
            self._lock.release()
            raise
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Write the short cuts, close and unlock the pack. Raises as the class says.

        If cancelled: the closing still goes on to its end before the cancellation is passed on.
        """
        await _to_its_end(self._close())

    async def write(self, batch: Sequence[Record], requests: int = 0) -> None:
        """Commit a batch of records, with the number of requests made for it: those of each file as one transaction.

        If cancelled: the transactions go on to their end, committed or rolled back, before the cancellation
        is passed on. If the process dies: of what goes to one file all is in it or nothing; so a tile and its note
        are there both or neither.
        """
        await _to_its_end(self._commit(batch, requests))

    async def fetched_at(self, tiles: Sequence[Tile]) -> dict[Tile, int]:
        """When each of the tiles that are stored was fetched, in seconds since 1970; 0 where the date is damaged or
        lies ahead, as from a clock that was wrong.

        If cancelled: nothing has changed.
        """
        found: dict[Tile, int] = {}
        for file in reversed(self._files):
            found |= await file.fetched_at(tiles)
        return found

    async def stale_tiles(self, fetched_before: float, now: float) -> TileSet:
        """The stored tiles that were fetched before a moment and whose server no longer calls them fresh, and those
        whose date lies ahead, as from a clock that was wrong: it says nothing of their age.

        Times in seconds since 1970. If cancelled: nothing has changed.
        """
        return TileSet.union([await file.stale_tiles(fetched_before, now) for file in self._files])

    async def validators(self, tile: Tile) -> Validators:
        """What a newer copy of a stored tile can be told by; nothing for a tile that is not stored.

        If cancelled: nothing has changed.
        """
        for file in self._those_with(tile):
            found = await file.validators(tile)
            if found.hash is not None:
                return found
        return Validators(None, None, None)

    async def body(self, tile: Tile) -> bytes | None:
        """The bytes of a stored tile, None if it is not stored. If cancelled: nothing has changed."""
        for file in self._those_with(tile):
            data = await file.body(tile)
            if data is not None:
                return data
        return None

    async def expect(self, tiles: TileSet) -> None:
        """Take back that tiles do not exist: they are about to come. One transaction for each file.

        If cancelled: as for `write`. If the process dies: of each file all of it is taken back or nothing.
        """
        for file in self._files:
            if some := tiles & file.absent:
                await _to_its_end(file.forget(some, "absent"))

    def check_free(self) -> None:
        """Raise StoreBusyError if another process writes the pack, and do nothing else."""
        if self.path.exists():
            self._lock.acquire()
            self._lock.release()

    # ------------------------------------------------------------------------------------ opening and closing

    async def _open(self) -> None:
        found = pack_files(self.path)
        self._mark, self.lost = found.mark, found.lost
        named = read_corrupt(self.path)
        count = max(len(found.paths) + len(found.lost), 1)
        for number in range(1, count + 1):
            await self._add(number, count, named)
        if self._mark is not None:
            # A file that was made just before the process died is counted now.
            await self._files[0].set_label(first_label(self._mark, len(self._files)))
        # As deep as the deepest verify that can have named them: the list is gone after this.
        clear_corrupt(self.path)
        await self._drop_twice()
        self._tell()
        if self._several:
            self._choice = FileChoice(self._files, self._dealt())

    def _dealt(self) -> FilePlaces:
        """The places of new tiles, by what the files hold and what is planned."""
        sizes, held = [file.size_bytes for file in self._files], [f.held | f.absent for f in self._files]
        places = FilePlaces(None if self._limit is None else self._limit.bytes, sizes, held)
        if self._limit is not None:
            missing = self._limit.planned - self.held - self.absent
            places.deal(missing, mean_sizes(self.path) if missing and self.held else {})
        return places

    @property
    def _several(self) -> bool:
        return len(self._files) > 1 or self._limit is not None

    async def _add(self, number: int, count: int, named: Sequence[Tile] = ()) -> None:
        """Open a file of so many, made first if it is not there. If the process dies: it is there, empty, or not."""
        path, label = file_path(self.path, number), None
        if self._mark is not None:
            label = first_label(self._mark, 1) if number == 1 else further_label(self._mark, number)
        file = FileWriter(path, self._labels, self._clock, named, label, _cache_kib(count))
        await file.open()
        self._files.append(file)

    async def _drop_twice(self) -> None:
        """Leave of tiles that are in two files, as after somebody put an old file back, the one that readers take."""
        if not in_two_files([file.held for file in self._files]):
            return
        known = TileSet()
        for file in self._files:
            if twice := known & file.held:
                await file.forget(twice, "placement")
            known |= file.held

    def _tell(self) -> None:
        files = self._files
        self.held = TileSet.union(file.held for file in files)
        self.absent = TileSet.union(file.absent for file in files)
        self.blanked = TileSet.union(file.blanked for file in files)
        self.partial = TileSet.union(file.partial for file in files)
        self.from_picture = TileSet.union(file.from_picture for file in files)
        self.dropped = [tile for file in files for tile in file.dropped]
        self.other_hosts = tuple(sorted({host for file in files for host in file.other_hosts}))

    async def _close(self) -> None:
        faults: list[BaseException] = []
        try:
            for file in self._files:
                try:
                    await file.close()
                except (LastbarError, OSError, sqlite3.Error) as fault:  # the others are still to be closed
                    faults.append(fault)
        finally:
            self._lock.release()
        if faults:
            raise faults[0]

    # ------------------------------------------------------------------------------------ which file

    async def _commit(self, batch: Sequence[Record], requests: int) -> None:
        assert self._files, "the pack is not open"
        if not self._several:
            await self._files[0].write(batch, requests)
            return
        where = [await self._choice.number_for(record) for record in batch]
        order = sorted(range(len(batch)), key=where.__getitem__)
        for number, at in groupby(order, where.__getitem__):
            while number >= len(self._files):
                await self._grow()
            file = self._files[number]
            await file.write([batch[i] for i in at], requests)
            requests = 0
            self._choice.places.grown(number, file.size_bytes)
        if requests:
            await self._files[0].write([], requests)
        await self._choice.take_back()

    async def _grow(self) -> None:
        """Begin one more file.

        If the process dies: the file is there or not, empty; where it is there, its mark tells that it belongs here.
        """
        if self._mark is None:
            self._mark = new_mark()
            await self._files[0].set_label(first_label(self._mark, 1))
        await self._add(len(self._files) + 1, len(self._files) + 1)
        # Only now: a file that is counted and not there would be called lost.
        await self._files[0].set_label(first_label(self._mark, len(self._files)))
        self._choice.places.grown(len(self._files) - 1, self._files[-1].size_bytes)
        for file in self._files:
            await file.use_memory(_cache_kib(len(self._files)))

    def _those_with(self, tile: Tile) -> Sequence[FileWriter]:
        """The files to ask for a tile: where it was when the pack was opened, else all of them."""
        assert self._files, "the pack is not open"
        return [file for file in self._files if tile in file.held] or self._files


def _cache_kib(files: int) -> int:
    """The memory for the pages of each of so many files."""
    return max(_CACHE_KIB // files, _LEAST_CACHE_KIB)


async def _to_its_end(work: Coroutine[Any, Any, None]) -> None:
    """Await work that must not be torn: a cancellation is held back until it has ended."""
    task = asyncio.ensure_future(work)
    try:
        await asyncio.shield(task)
    except asyncio.CancelledError:
        if not task.done():
            await asyncio.wait([task])
        if not task.cancelled():
            task.exception()  # reported to nobody: the cancellation goes first, the pack itself is intact
        raise
