"""The one writer of a pack: batches of records, each batch one transaction, over one connection."""

from __future__ import annotations

import asyncio
import contextlib
import json
import sqlite3
import time
from collections.abc import Callable, Coroutine, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple

import aiosqlite
import numpy as np
from filelock import FileLock, Timeout

from packer.content.damage import Damaged
from packer.content.payload import fault_of
from packer.content.vector_layers import VectorLayers
from packer.errors import StoreBusyError
from packer.geometry.grid import LonLatBox, tms_row
from packer.geometry.tileset import Tile, TileSet
from packer.store.corrupt_list import clear_corrupt, drop_corrupt, read_corrupt
from packer.store.records import Absent, Received, Record, Renewed, Trouble, seal
from packer.store.schema import WRITER_PATIENCE_S, connect, open_writable, translated
from packer.store.tile_sets import absent_tiles, grouped, held_tiles, save_snapshot

__all__ = ["Labels", "PackWriter", "Validators", "lock_path"]

# Many rows a statement: each statement costs the connection's thread a wait for the interpreter's lock.
_ROWS = 64
_KEEP = "INSERT INTO blob (hash, data) VALUES {rows} ON CONFLICT (hash) DO NOTHING"
_PLACE = """
INSERT INTO placement
SELECT column1, column2, column3, id, column4, column5, column6, column7, column8
FROM (VALUES {rows}) CROSS JOIN blob ON hash = column9 WHERE true
ON CONFLICT (zoom_level, tile_row, tile_column) DO UPDATE SET
    blob_id = excluded.blob_id, seal = excluded.seal, fetched = excluded.fetched,
    etag = excluded.etag, modified = excluded.modified, fresh_until = excluded.fresh_until
"""
_SET = "INSERT INTO metadata VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value"
_RENEW = """
UPDATE placement SET fetched = ?, etag = coalesce(?, etag), modified = coalesce(?, modified), fresh_until = ?
WHERE zoom_level = ? AND tile_row = ? AND tile_column = ?
"""
_DROP_UNUSED = "DELETE FROM blob WHERE id = ?1 AND NOT EXISTS (SELECT 1 FROM placement WHERE blob_id = ?1)"
_AT = "zoom_level = ? AND tile_row = ? AND tile_column = ?"


@dataclass(frozen=True, slots=True)
class Labels:
    """What a run writes about itself and its source: words for `metadata`, `source` and `run`."""

    layer: str
    kind: str
    title: str
    attribution: str
    permission: str
    host: str
    fingerprint: str
    bounds: LonLatBox
    middle: tuple[float, float]
    center_zoom: int
    plan: str
    rule: str
    version: str


class Validators(NamedTuple):
    """The entity tag and the date of change that a stored tile came with, as the server wrote them, and the
    SHA-256 of its body."""

    etag: str | None
    modified: str | None
    hash: bytes | None


def lock_path(pack: Path) -> Path:
    """The file whose lock stands for the right to write the pack."""
    return pack.with_name(f".{pack.stem}.lock")


class PackWriter:
    """An open pack: `async with PackWriter(path, labels) as pack`. Only one can be open for a pack.

    Inside the block the file has a journal beside it; after the block it stands alone. `held` and
    `absent` are what the pack held, and knew the server not to have, when it was opened; `kind` is the format
    of its tiles, None while it has none; `dropped` are the tiles that an earlier verify named and that were
    found corrupt again, by their hash or by decoding them in full: they are held no more. `other_hosts` are those
    of other sources that tiles in it came from, as the address in the brief has changed, or another may be meant.
    """

    def __init__(
        self,
        path: Path,
        labels: Labels,
        clock: Callable[[], float] = time.time,
    ) -> None:
        self.path = path
        self.held = TileSet()
        self.absent = TileSet()
        self.dropped: list[Tile] = []
        self.other_hosts: tuple[str, ...] = ()
        self._labels, self._clock = labels, clock
        self._lock = FileLock(lock_path(path), timeout=0)
        self._db: aiosqlite.Connection | None = None
        self._zooms: tuple[int, int] | None = None
        self._vector_layers = VectorLayers(briskly=True)
        self.kind: str | None = None
        self._troubled: set[Tile] = set()
        self._run = 0
        self._fault: BaseException | None = None

    async def __aenter__(self) -> PackWriter:
        """Lock and open the pack, made first if need be, and read what it holds.

        If cancelled: the pack is closed and unlocked again. If the process dies: as for `write`.
        """
        self._take_lock()
        try:
            # Opened on aiosqlite's own thread, where it stays: the only connection to the file.
            self._db = await aiosqlite.Connection(self._open_or_note, 64)
            if self._fault is not None:
                await self._db.close()
                raise self._fault
        except BaseException:
            self._lock.release()
            raise
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Write the short cuts, close and unlock the pack.

        If cancelled: the closing still goes on to its end before the cancellation is passed on.
        """
        await _to_its_end(self._close())

    async def write(self, batch: Sequence[Record], requests: int = 0) -> None:
        """Commit a batch of records, with the number of requests made for it, as one transaction.

        If cancelled: the transaction goes on to its end, committed or rolled back, before the cancellation
        is passed on. If the process dies: all of the batch is in the pack or none of it.
        """
        await _to_its_end(self._commit(batch, requests))

    async def fetched_at(self, tiles: Sequence[Tile]) -> dict[Tile, int]:
        """When each of the tiles that are stored was fetched, in seconds since 1970.

        If cancelled: nothing has changed.
        """
        assert self._db is not None, "the pack is not open"
        found = {}
        with translated(self.path):
            for tile in tiles:
                rows = await self._db.execute_fetchall(
                    f"SELECT fetched FROM placement WHERE {_AT}", _key(tile)
                )
                for (fetched,) in rows:
                    found[tile] = fetched if isinstance(fetched, int) else 0  # a damaged row counts as old
        return found

    async def stale_tiles(self, fetched_before: float, now: float) -> TileSet:
        """The stored tiles that were fetched before a moment and whose server no longer calls them fresh.

        Times in seconds since 1970. If cancelled: nothing has changed.
        """
        assert self._db is not None, "the pack is not open"
        with translated(self.path):
            rows = await self._db.execute_fetchall(
                "SELECT zoom_level, tile_row, group_concat(tile_column) FROM placement "
                "WHERE fetched < ? AND coalesce(fresh_until, 0) < ? GROUP BY zoom_level, tile_row",
                (fetched_before, now),
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
                    f"SELECT etag, modified, hash FROM placement JOIN blob ON blob.id = blob_id WHERE {_AT}",
                    _key(tile),
                )
            )
        texts = (str, str, bytes)  # a damaged row may hold anything
        found = rows[0] if rows else (None,) * 3
        return Validators(*(v if isinstance(v, t) else None for v, t in zip(found, texts, strict=True)))

    def check_free(self) -> None:
        """Raise StoreBusyError if another process writes the pack, and do nothing else."""
        if self.path.exists():
            self._take_lock()
            self._lock.release()

    def _take_lock(self) -> None:
        with translated(self.path):
            self.path.parent.mkdir(parents=True, exist_ok=True)
            try:
                self._lock.acquire()
            except Timeout:
                raise StoreBusyError(
                    f"Another fetch is writing {self.path} right now. Let it finish, or stop it there with "
                    "Ctrl-C. To see how far it is: lastbar status"
                ) from None

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
        db = open_writable(self.path, self._labels.layer, self._labels.kind)
        try:
            if db.execute("SELECT 1 FROM placement LIMIT 1").fetchone():
                found = db.execute("SELECT value FROM metadata WHERE name = 'format'").fetchone()
                self.kind = found[0] if found else None
                self._vector_layers = VectorLayers(_noted_layers(db), briskly=True)
            # As deep as the deepest verify that can have named them: the list is gone after this.
            self.dropped = drop_corrupt(db, read_corrupt(self.path), lambda data: fault_of(data, self.kind))
            clear_corrupt(self.path)
            self.held, self.absent = held_tiles(db), absent_tiles(db)
            if self.held:
                rows = db.execute(
                    "SELECT DISTINCT host FROM source WHERE fingerprint != ? ORDER BY 1",
                    (self._labels.fingerprint,),
                )
                self.other_hosts = tuple(host for (host,) in rows)
                self._zooms = (self.held.zooms[0], self.held.zooms[-1])
            rows = db.execute("SELECT zoom_level, tile_column, tile_row FROM trouble")
            self._troubled = {Tile(z, x, tms_row(z, row)) for z, x, row in rows}
            db.set_progress_handler(None, 0)  # what it does from here on is the fetch's own work
            db.execute("BEGIN IMMEDIATE")
            self._run = _begin_run(db, self._labels, int(self._clock()))
            db.execute("COMMIT")
        except BaseException:
            db.close()
            raise
        return db

    async def _commit(self, batch: Sequence[Record], requests: int) -> None:
        db = self._db
        assert db is not None, "the pack is not open"
        with translated(self.path):
            try:
                await db.execute("BEGIN IMMEDIATE")
                await self._put(db, batch, requests)
                await db.execute("COMMIT")
            except BaseException:
                # A full disk may have rolled back by itself already.
                if db.in_transaction:
                    await db.rollback()
                raise

    async def _put(self, db: aiosqlite.Connection, batch: Sequence[Record], requests: int) -> None:
        received = [r for r in batch if isinstance(r, Received)]
        absent = [r for r in batch if isinstance(r, Absent)]
        trouble = [r for r in batch if isinstance(r, Trouble)]
        if received:
            await _execute_rows(db, _KEEP, [(r.hash, r.data) for r in received])
            replaced = await self._bodies_of(db, _those_in(self.held, received))
            await _execute_rows(db, _PLACE, [_placement(r) for r in received])
            if replaced:
                await db.executemany(_DROP_UNUSED, [(number,) for number in replaced])
            await self._relabel(db, received)
        if absent:
            await db.executemany(
                "INSERT OR REPLACE INTO absent VALUES (?, ?, ?, ?, ?)",
                [(*_columns(r.tile), r.status, r.noted) for r in absent],
            )
        if trouble:
            await db.executemany(
                "INSERT OR REPLACE INTO trouble VALUES (?, ?, ?, ?, ?, ?)",
                [(*_columns(r.tile), r.kind, r.reason, r.noted) for r in trouble],
            )
        renewed = [r for r in batch if isinstance(r, Renewed)]
        if renewed:
            await db.executemany(
                _RENEW, [(r.fetched, r.etag, r.modified, r.fresh_until, *_key(r.tile)) for r in renewed]
            )
        await self._forget(db, received, absent)
        self._troubled.update(r.tile for r in trouble)
        await db.execute(
            "UPDATE run SET requests = requests + ?, stored = stored + ?, bytes = bytes + ? WHERE id = ?",
            (requests, len(received), sum(len(r.data) for r in received), self._run),
        )

    async def _bodies_of(self, db: aiosqlite.Connection, tiles: list[Tile]) -> set[int]:
        found: set[int] = set()
        for tile in tiles:
            rows = await db.execute_fetchall(f"SELECT blob_id FROM placement WHERE {_AT}", _key(tile))
            found.update(number for (number,) in rows if isinstance(number, int))
        return found

    async def _forget(self, db: aiosqlite.Connection, received: list[Received], absent: list[Absent]) -> None:
        """Take back what an earlier run noted of tiles that have their answer now."""
        tiles = [r.tile for r in received] + [r.tile for r in absent]
        settled = [tile for tile in tiles if tile in self._troubled]
        if settled:
            await db.executemany(f"DELETE FROM trouble WHERE {_AT}", [_key(t) for t in settled])
            self._troubled.difference_update(settled)
        back = _those_in(self.absent, received)
        if back:
            await db.executemany(f"DELETE FROM absent WHERE {_AT}", [_key(t) for t in back])
            await db.execute("DELETE FROM snapshot WHERE what = 'absent'")  # as `forget_snapshot`

    async def _relabel(self, db: aiosqlite.Connection, received: list[Received]) -> None:
        """Keep format, minzoom, maxzoom and the json of vector tiles true with every commit."""
        rows: dict[str, str] = {}
        if self.kind is None:
            self.kind = received[0].kind
            rows["format"] = self.kind
        zooms = [r.tile.zoom for r in received]
        low, high = self._zooms or (zooms[0], zooms[0])
        now = (min(low, *zooms), max(high, *zooms))
        if now != self._zooms:
            self._zooms = now
            rows |= {"minzoom": str(now[0]), "maxzoom": str(now[1])}
        if self.kind == "pbf":
            rows |= self._vector_rows(received)
        if rows:
            await db.executemany(_SET, list(rows.items()))

    def _vector_rows(self, received: list[Received]) -> dict[str, str]:
        before = self._vector_layers.found()
        for record in received:
            with contextlib.suppress(Damaged):  # what is whole in form may still hold a name that is not text
                self._vector_layers.add(record.tile.zoom, record.data)
        now = self._vector_layers.found()
        return {"json": json.dumps({"vector_layers": now}, ensure_ascii=False)} if now != before else {}

    async def _close(self) -> None:
        try:
            if self._db is not None:
                with translated(self.path):
                    await self._db.close()
                    self._db = None
                    await asyncio.to_thread(self._fold)
        finally:
            self._lock.release()

    def _fold(self) -> None:
        """Leave one file that stands alone. If the process dies: the short cuts are the old ones, which count
        for what they are."""
        db = connect(self.path, mode="rw", patience_s=WRITER_PATIENCE_S)
        try:
            db.execute("BEGIN IMMEDIATE")
            save_snapshot(db, "placement")
            save_snapshot(db, "absent")
            db.execute("UPDATE run SET ended = ? WHERE id = ?", (int(self._clock()), self._run))
            db.execute("COMMIT")
        finally:
            db.close()


def _noted_layers(db: sqlite3.Connection) -> object:
    """The `vector_layers` of the pack's json row, whatever it may hold."""
    row = db.execute("SELECT value FROM metadata WHERE name = 'json'").fetchone()
    try:
        return json.loads(row[0])["vector_layers"] if row else None
    except (ValueError, TypeError, KeyError, RecursionError):
        return None


async def _execute_rows(db: aiosqlite.Connection, sql: str, rows: Sequence[tuple[Any, ...]]) -> None:
    """Run a statement whose {rows} stands for rows of values, many rows at a time, inside a transaction.

    If cancelled: some of the rows are written; the caller rolls back.
    """
    for start in range(0, len(rows), _ROWS):
        part = rows[start : start + _ROWS]
        marks = f"({', '.join('?' * len(part[0]))})"
        await db.execute(
            sql.format(rows=", ".join([marks] * len(part))), [value for row in part for value in row]
        )


def _those_in(tiles: TileSet, received: Sequence[Received]) -> list[Tile]:
    """The tiles received that are in a set, which may be millions: each is looked up, and no set is made."""
    if not tiles:
        return []
    found: list[Tile] = []
    for zoom in {r.tile.zoom for r in received}:
        at_zoom = [r.tile for r in received if r.tile.zoom == zoom]
        places = np.array(at_zoom, np.int64)
        inside = tiles.contains(zoom, places[:, 1], places[:, 2])
        found += [tile for tile, there in zip(at_zoom, inside.tolist(), strict=True) if there]
    return found


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


def _columns(tile: Tile) -> tuple[int, int, int]:
    return tile.zoom, tile.x, tms_row(tile.zoom, tile.y)


def _key(tile: Tile) -> tuple[int, int, int]:
    return tile.zoom, tms_row(tile.zoom, tile.y), tile.x


def _placement(record: Received) -> tuple[Any, ...]:
    place = _columns(record.tile)
    bound = seal(*place, record.hash)
    return (*place, bound, record.fetched, record.etag, record.modified, record.fresh_until, record.hash)


def _begin_run(db: sqlite3.Connection, labels: Labels, now: int) -> int:
    """Write the run's labels and give its number, inside the caller's transaction."""
    bounds = _united(db, labels.bounds)
    center = f"{labels.middle[0]:.6f},{labels.middle[1]:.6f},{min(labels.center_zoom, 24)}"
    rows = {
        "attribution": labels.attribution,
        "description": f"{labels.title}. For viewing, not for positioning.",
        "permission": labels.permission,
        "bounds": ",".join(f"{v:.12f}" for v in bounds),
        "center": center,
    }
    db.executemany(_SET, rows.items())
    db.execute(
        "INSERT INTO source VALUES (?, ?, ?, ?) ON CONFLICT DO UPDATE SET permission = excluded.permission",
        (labels.fingerprint, labels.host, labels.permission, now),
    )
    return int(
        db.execute(
            "INSERT INTO run (started, version, sqlite, plan, rule) VALUES (?, ?, ?, ?, ?) RETURNING id",
            (now, labels.version, sqlite3.sqlite_version, labels.plan, labels.rule),
        ).fetchone()[0]
    )


def _united(db: sqlite3.Connection, box: LonLatBox) -> LonLatBox:
    """The plan's bounds with those of earlier briefs; a box across the antimeridian becomes the whole belt,
    since MBTiles bounds run from left to right."""
    if box.west > box.east:
        box = box._replace(west=-180.0, east=180.0)
    row = db.execute("SELECT value FROM metadata WHERE name = 'bounds'").fetchone()
    try:
        west, south, east, north = (float(v) for v in row[0].split(",")) if row else box
    except ValueError:
        return box
    return LonLatBox(min(west, box.west), min(south, box.south), max(east, box.east), max(north, box.north))
