"""The one connection that writes a file of a pack: batches of records, each batch one transaction."""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import NamedTuple

import aiosqlite

from packer.content.payload import fault_of
from packer.errors import StoreError
from packer.geometry.tileset import Tile, TileSet
from packer.store.batch_statements import AT_TILE, BatchStatements, noted_format, tile_key
from packer.store.blank_tiles import drop_blank
from packer.store.corrupt_list import drop_corrupt
from packer.store.disk_errors import translated
from packer.store.labels import SET_LABEL, Labels, begin_run
from packer.store.picture_marks import DERIVED, NOT_A_PICTURE, PICTURE, partial_tiles, picture_tiles
from packer.store.readability import refuse_unreadable_file
from packer.store.records import Received, Record
from packer.store.schema import WRITER_PATIENCE_S, connect, make_durable, open_writable
from packer.store.tile_sets import absent_tiles, grouped, held_tiles, save_snapshot

__all__ = ["DAY_S", "FileWriter", "Validators"]

DAY_S = 86_400  # by how much two sound clocks may differ, time zones set wrongly included
_LOOK_S = 0.3
_KEYS_A_STATEMENT = 256
_FETCHED_AT = (
    "SELECT column1, column2, column3, fetched FROM (VALUES {}) CROSS JOIN placement "
    "ON zoom_level = column1 AND tile_row = column2 AND tile_column = column3"
)
_NOTES = " UNION ALL ".join(
    f"SELECT '{table}' FROM {table} WHERE {AT_TILE}" for table in ("placement", "absent", "trouble")
)
# A row is the run's own only as this run left it: an older copy of the same pack lacks what came since.
_OWN_RUN = "id = ? AND started = ? AND plan = ? AND requests = ? AND stored = ?"


class Validators(NamedTuple):
    """The entity tag and the date of change that a stored tile came with, as the server wrote them, and the
    SHA-256 of its body."""

    etag: str | None
    modified: str | None
    hash: bytes | None


class FileWriter:
    """One file of a pack, open for writing by whoever has the pack's lock. `named` are tiles that a verify found
    corrupt, `label` is the row of metadata that a new file gets, by which it is known to belong to the pack, and
    `cache_kib` is for its pages.

    Between `open` and `close` the file has a journal beside it; then it stands alone. `held`, `absent`, `dropped`,
    `blanked`, `other_hosts`, `partial` and `from_picture` are as in `PackWriter`, of this file.

    Raises StoreError where the file is deleted, or replaced by another, while it is open, and at the latest when it
    is closed; also at the end for a file that held tiles before and whose tables do not hang together.
    """

    def __init__(
        self,
        path: Path,
        labels: Labels,
        clock: Callable[[], float],
        named: Sequence[Tile] = (),
        label: tuple[str, str] | None = None,
        cache_kib: int = 32_768,
    ) -> None:
        self.path = path
        self.held, self.absent = TileSet(), TileSet()
        self.blanked, self.partial, self.from_picture = TileSet(), TileSet(), TileSet()
        self.dropped: list[Tile] = []
        self.other_hosts: tuple[str, ...] = ()
        self._labels, self._clock, self._named = labels, clock, named
        self._label, self._cache_kib = label, cache_kib
        self._db: aiosqlite.Connection | None = None
        self._batches: BatchStatements | None = None
        self._run = _Run(0, 0, labels.plan)
        self._fault: BaseException | None = None

    @property
    def kind(self) -> str | None:
        """The format of its tiles, None while it has none."""
        return None if self._batches is None else self._batches.kind

    @property
    def size_bytes(self) -> int:
        """How large the file is. Raises StoreError or DiskError where it cannot be looked at."""
        with translated(self.path):
            return self.path.stat().st_size

    def notes(self, tile: Tile) -> bool:
        """Whether the file says anything of a tile by what it held when it was opened, or by a trouble noted since."""
        return self.is_troubled(tile) or tile in self.held or tile in self.absent

    def is_troubled(self, tile: Tile) -> bool:
        """Whether it has noted that a tile could not be had."""
        return self._batches is not None and tile in self._batches.troubled

    async def open(self) -> None:
        """Open the file, made first if need be, and read what it holds.

        If cancelled: it is closed again. If the process dies: as for `write`.
        """
        # Opened on aiosqlite's own thread, where it stays: the only connection to the file.
        self._db = await aiosqlite.Connection(self._open_or_note, 64)
        if self._fault is not None:
            await self._db.close()
            self._db = None
            raise self._fault

    async def close(self, whole: bool = True) -> None:
        """Write the short cuts and close the file; if not `whole`, leave it as it is. Raises as the class says. Not to
        be cancelled."""
        if self._db is not None:
            with translated(self.path):
                await self._db.close()
                self._db = None
                if not whole:
                    return
                await asyncio.to_thread(self._fold)
                if self.held:  # what this run alone has written needs no second look
                    await asyncio.to_thread(refuse_unreadable_file, self.path, _LOOK_S)

    async def fetched_at(self, tiles: Sequence[Tile]) -> dict[Tile, int]:
        """When each of the tiles that are stored was fetched, in seconds since 1970; 0 where the date is damaged or
        lies ahead, as from a clock that was wrong.

        If cancelled: nothing has changed.
        """
        assert self._db is not None, "the pack is not open"
        found, latest = {}, self._clock() + DAY_S
        places = {tile_key(tile): tile for tile in tiles}
        with translated(self.path):
            # Many in one statement: each is a way to the connection's thread and back, which takes longer than to look.
            for some in _batched(places, _KEYS_A_STATEMENT):
                marks = ", ".join(["(?, ?, ?)"] * len(some))
                rows = await self._db.execute_fetchall(
                    _FETCHED_AT.format(marks), [value for key in some for value in key]
                )
                for *key, fetched in rows:
                    sound = isinstance(fetched, int) and fetched <= latest
                    found[places[(key[0], key[1], key[2])]] = fetched if sound else 0
        return found

    async def stale_tiles(self, fetched_before: float, now: float) -> TileSet:
        """The stored tiles that were fetched before a moment and whose server no longer calls them fresh, and those
        whose date lies ahead, as from a clock that was wrong: it says nothing of their age.

        Times in seconds since 1970. If cancelled: nothing has changed.
        """
        assert self._db is not None, "the pack is not open"
        with translated(self.path):
            rows = await self._db.execute_fetchall(
                "SELECT zoom_level, tile_row, group_concat(tile_column) FROM placement "
                "WHERE ((fetched < ? AND coalesce(fresh_until, 0) < ?) OR fetched > ?) "
                f"AND coalesce(etag, '') NOT LIKE '{PICTURE}%' AND coalesce(etag, '') NOT LIKE '{DERIVED}%' "
                "GROUP BY zoom_level, tile_row",
                (fetched_before, now, self._clock() + DAY_S),
            )
        return grouped(rows)

    async def validators(self, tile: Tile) -> Validators:
        """What a newer copy of a stored tile can be told by; nothing for a tile that is not stored.

        If cancelled: nothing has changed.
        """
        assert self._db is not None, "the pack is not open"
        with translated(self.path):
            rows = list(
                await self._db.execute_fetchall(
                    f"SELECT etag, modified, hash FROM placement JOIN blob ON blob.id = blob_id WHERE {AT_TILE}",
                    tile_key(tile),
                )
            )
        texts = (str, str, bytes)  # a damaged row may hold anything
        found = rows[0] if rows else (None,) * 3
        return Validators(*(v if isinstance(v, t) else None for v, t in zip(found, texts, strict=True)))

    async def body(self, tile: Tile) -> bytes | None:
        """The bytes of a stored tile, None if it is not stored. If cancelled: nothing has changed."""
        assert self._db is not None, "the pack is not open"
        with translated(self.path):
            rows = await self._db.execute_fetchall(
                f"SELECT data FROM placement JOIN blob ON blob.id = blob_id WHERE {AT_TILE}", tile_key(tile)
            )
        return next((data for (data,) in rows if isinstance(data, bytes)), None)

    async def forget(self, tiles: TileSet, table: str) -> None:
        """Take tiles out of "absent" or "trouble", as they come, or out of "placement", as another file has them as
        well. One transaction, not to be cancelled. If the process dies: all of them are out or none."""
        assert self._db is not None, "the pack is not open"
        with translated(self.path):
            await self._db.execute("BEGIN IMMEDIATE")
            await self._db.executemany(f"DELETE FROM {table} WHERE {AT_TILE}", map(tile_key, tiles))
            if table == "placement":
                await self._db.execute("DELETE FROM blob WHERE id NOT IN (SELECT blob_id FROM placement)")
                self.held = self.held - tiles
            await self._db.execute("DELETE FROM snapshot WHERE what = ?", (table,))  # as `forget_snapshot`
            await self._db.execute("COMMIT")
        if table == "trouble" and self._batches is not None:
            self._batches.troubled.difference_update(tiles)

    async def use_memory(self, kib: int) -> None:
        """Let the file's pages take so much memory. If cancelled: it takes what it took."""
        assert self._db is not None, "the pack is not open"
        await self._db.execute(f"PRAGMA cache_size = -{kib}")

    async def set_label(self, label: tuple[str, str]) -> None:
        """Put a row into the metadata. Not to be cancelled. If the process dies: it is there or it is not."""
        assert self._db is not None, "the pack is not open"
        with translated(self.path):
            await self._db.execute(SET_LABEL, label)

    async def tables_with(self, tile: Tile) -> set[str]:
        """Which of "placement", "absent" and "trouble" have a tile now. If cancelled: nothing has changed."""
        assert self._db is not None, "the pack is not open"
        with translated(self.path):
            return {name for (name,) in await self._db.execute_fetchall(_NOTES, tile_key(tile) * 3)}

    def _open_or_note(self) -> sqlite3.Connection:
        """Runs on the connection's own thread, which a failing opening would leave without an end: so a
        failure is noted, and an empty connection given instead."""
        try:
            with translated(self.path):
                return self._open()
        except BaseException as fault:  # noqa: BLE001  # raised again by the caller, in its own thread
            self._fault = fault
            return sqlite3.connect(":memory:", isolation_level=None)

    def _open(self) -> sqlite3.Connection:
        db = open_writable(self.path, self._labels.layer, self._labels.kind, self._label)
        try:
            db.execute(f"PRAGMA cache_size = -{self._cache_kib}")
            kind = noted_format(db)
            # As deep as the deepest verify that can have named them: the list is gone after this.
            self.dropped = drop_corrupt(db, self._named, lambda data: fault_of(data, kind))
            if self._labels.blank:
                self.blanked = drop_blank(db, self._labels.blank, int(self._clock()))
            self.held, self.absent = held_tiles(db), absent_tiles(db)
            if self.held:
                rows = db.execute(
                    f"SELECT DISTINCT host FROM source WHERE fingerprint != ? AND {NOT_A_PICTURE} ORDER BY 1",
                    (self._labels.fingerprint,),
                )
                self.other_hosts = tuple(host for (host,) in rows)
            self.partial = partial_tiles(db)
            self.from_picture = picture_tiles(db, self._labels.fingerprint)
            self._batches = BatchStatements(db, self.held, self.absent)
            db.set_progress_handler(None, 0)  # what it does from here on is the fetch's own work
            started = int(self._clock())
            db.execute("BEGIN IMMEDIATE")
            self._run = _Run(begin_run(db, self._labels, started), started, self._labels.plan)
            db.execute("COMMIT")
        except BaseException:
            db.close()
            raise
        return db

    async def write(self, batch: Sequence[Record], requests: int) -> None:
        """Commit a batch of records, with the number of requests made for it, as one transaction. Not to be cancelled.

        If the process dies: all of the batch is in the file or none of it.
        """
        db = self._db
        assert db is not None, "the pack is not open"
        assert self._batches is not None, "the pack is not open"
        received = [r for r in batch if isinstance(r, Received)]
        size_bytes = sum(len(r.data) for r in received)
        with translated(self.path):
            try:
                await db.execute("BEGIN IMMEDIATE")
                noted = await db.execute(
                    f"UPDATE run SET requests = requests + ?, stored = stored + ?, bytes = bytes + ? WHERE {_OWN_RUN}",
                    (requests, len(received), size_bytes, *self._run),
                )
                if noted.rowcount != 1:
                    raise _replaced(self.path)
                await self._batches.put(db, batch)
                await db.execute("COMMIT")
            except BaseException:
                # A full disk may have rolled back by itself already.
                if db.in_transaction:
                    await db.rollback()
                raise
        self._run = self._run.after(requests, len(received))

    def _fold(self) -> None:
        """Leave one file that stands alone. If the process dies: the short cuts are the old ones, which count
        for what they are."""
        if not self.path.exists():
            raise StoreError(
                f"{self.path} was deleted or moved by another program while it was being written. Put it back if it "
                "was moved, then run the same command again: it goes on from what the pack then holds."
            )
        db = connect(self.path, mode="rw", patience_s=WRITER_PATIENCE_S)
        try:
            make_durable(db)
            db.execute("BEGIN IMMEDIATE")
            ended = (int(self._clock()), *self._run)
            if db.execute(f"UPDATE run SET ended = ? WHERE {_OWN_RUN}", ended).rowcount != 1:
                raise _replaced(self.path)
            save_snapshot(db, "placement")
            save_snapshot(db, "absent")
            db.execute("COMMIT")
        finally:
            db.close()


class _Run(NamedTuple):
    """The row of a run as it has last been written, in the order of `_OWN_RUN`."""

    number: int
    started: int
    plan: str
    requests: int = 0
    stored: int = 0

    def after(self, requests: int, stored: int) -> _Run:
        """The row once a batch has been committed."""
        return self._replace(requests=self.requests + requests, stored=self.stored + stored)


def _replaced(path: Path) -> StoreError:
    return StoreError(
        f"{path} was replaced by another file while it was being written, so what came since is not in it. See that "
        "no other program writes there, then run the same command again: it goes on from what the pack holds now."
    )


def _batched(keys: Iterable[tuple[int, int, int]], most: int) -> Iterator[list[tuple[int, int, int]]]:
    source = iter(keys)
    while some := list(islice(source, most)):
        yield some
