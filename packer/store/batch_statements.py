"""The statements that put a batch of records into a pack, inside the writer's transaction."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Sequence
from typing import Any

import aiosqlite
import numpy as np

from packer.content.damage import Damaged
from packer.content.vector_layers import VectorLayers
from packer.geometry.grid import tms_row
from packer.geometry.tileset import Tile, TileSet
from packer.store.labels import SET_LABEL
from packer.store.records import Absent, Received, Record, Renewed, Trouble, seal

__all__ = ["AT_TILE", "BatchStatements", "noted_format", "tile_key"]

AT_TILE = "zoom_level = ? AND tile_row = ? AND tile_column = ?"
# Many rows a statement: each statement costs the connection's thread a wait for the interpreter's lock.
_ROWS = 64
_ADD_BODIES = "INSERT INTO blob (hash, data) VALUES {rows} ON CONFLICT (hash) DO NOTHING"
_PLACE = """
INSERT INTO placement
SELECT column1, column2, column3, id, column4, column5, column6, column7, column8
FROM (VALUES {rows}) CROSS JOIN blob ON hash = column9 WHERE true
ON CONFLICT (zoom_level, tile_row, tile_column) DO UPDATE SET
    blob_id = excluded.blob_id, seal = excluded.seal, fetched = excluded.fetched,
    etag = excluded.etag, modified = excluded.modified, fresh_until = excluded.fresh_until
"""
_RENEW = f"""
UPDATE placement SET fetched = ?, etag = coalesce(?, etag), modified = coalesce(?, modified), fresh_until = ?
WHERE {AT_TILE}
"""
_DROP_UNUSED = "DELETE FROM blob WHERE id = ?1 AND NOT EXISTS (SELECT 1 FROM placement WHERE blob_id = ?1)"


class BatchStatements:
    """Puts batches into the pack behind a connection, and knows what that takes: what the pack held and lacked when
    it was opened, its zooms, the format of its tiles, their vector layers, and the tiles with trouble noted
    (`troubled`)."""

    def __init__(self, db: sqlite3.Connection, held: TileSet, absent: TileSet) -> None:
        self.kind: str | None = None
        self._held, self._absent = held, absent
        self._zooms = (held.zooms[0], held.zooms[-1]) if held else None
        self._vector_layers = VectorLayers(briskly=True)
        if db.execute("SELECT 1 FROM placement LIMIT 1").fetchone():
            self.kind = noted_format(db)
            self._vector_layers = VectorLayers(_noted_layers(db), briskly=True)
        rows = db.execute("SELECT zoom_level, tile_column, tile_row FROM trouble")
        self.troubled = {Tile(z, x, tms_row(z, row)) for z, x, row in rows}

    async def put(self, db: aiosqlite.Connection, batch: Sequence[Record]) -> None:
        """Write the records. If cancelled, or if it raises: some of them are written; the caller rolls back."""
        received = [r for r in batch if isinstance(r, Received)]
        absent = [r for r in batch if isinstance(r, Absent)]
        trouble = [r for r in batch if isinstance(r, Trouble)]
        renewed = [r for r in batch if isinstance(r, Renewed)]
        if received:
            await self._put_bodies(db, received)
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
        if renewed:
            await db.executemany(
                _RENEW, [(r.fetched, r.etag, r.modified, r.fresh_until, *tile_key(r.tile)) for r in renewed]
            )
        await self._take_back(db, received, absent)
        self.troubled.update(r.tile for r in trouble)

    async def _put_bodies(self, db: aiosqlite.Connection, received: list[Received]) -> None:
        await _execute_rows(db, _ADD_BODIES, [(r.hash, r.data) for r in received])
        replaced = await _body_numbers(db, _those_in(self._held, received))
        await _execute_rows(db, _PLACE, [_placement(r) for r in received])
        if replaced:
            await db.executemany(_DROP_UNUSED, [(number,) for number in replaced])
        await self._relabel(db, received)

    async def _take_back(
        self, db: aiosqlite.Connection, received: list[Received], absent: list[Absent]
    ) -> None:
        """Take back what an earlier run noted of tiles that have their answer now."""
        tiles = [r.tile for r in received] + [r.tile for r in absent]
        settled = [tile for tile in tiles if tile in self.troubled]
        if settled:
            await db.executemany(f"DELETE FROM trouble WHERE {AT_TILE}", [tile_key(t) for t in settled])
            self.troubled.difference_update(settled)
        back = _those_in(self._absent, received)
        if back:
            await db.executemany(f"DELETE FROM absent WHERE {AT_TILE}", [tile_key(t) for t in back])
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
            await db.executemany(SET_LABEL, list(rows.items()))

    def _vector_rows(self, received: list[Received]) -> dict[str, str]:
        before = self._vector_layers.found()
        for record in received:
            with contextlib.suppress(Damaged):  # what is whole in form may still hold a name that is not text
                self._vector_layers.add(record.tile.zoom, record.data)
        now = self._vector_layers.found()
        return {"json": json.dumps({"vector_layers": now}, ensure_ascii=False)} if now != before else {}


def noted_format(db: sqlite3.Connection) -> str | None:
    """The format that the pack says its tiles have."""
    found = db.execute("SELECT value FROM metadata WHERE name = 'format'").fetchone()
    return found[0] if found else None


def _noted_layers(db: sqlite3.Connection) -> object:
    """The `vector_layers` of the pack's json row, whatever it may hold."""
    row = db.execute("SELECT value FROM metadata WHERE name = 'json'").fetchone()
    try:
        return json.loads(row[0])["vector_layers"] if row else None
    except (ValueError, TypeError, KeyError, RecursionError):
        return None


async def _body_numbers(db: aiosqlite.Connection, tiles: list[Tile]) -> set[int]:
    """The numbers of the bodies at some tiles. If cancelled: nothing has changed."""
    found: set[int] = set()
    for tile in tiles:
        rows = await db.execute_fetchall(f"SELECT blob_id FROM placement WHERE {AT_TILE}", tile_key(tile))
        found.update(number for (number,) in rows if isinstance(number, int))
    return found


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


def _columns(tile: Tile) -> tuple[int, int, int]:
    return tile.zoom, tile.x, tms_row(tile.zoom, tile.y)


def tile_key(tile: Tile) -> tuple[int, int, int]:
    """The values for `AT_TILE`."""
    return tile.zoom, tms_row(tile.zoom, tile.y), tile.x


def _placement(record: Received) -> tuple[Any, ...]:
    place = _columns(record.tile)
    bound = seal(*place, record.hash)
    return (*place, bound, record.fetched, record.etag, record.modified, record.fresh_until, record.hash)
