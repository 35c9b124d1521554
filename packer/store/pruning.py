"""Taking out of a pack what nothing needs any more, and giving the disk its space back."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from pathlib import Path

from filelock import FileLock, Timeout

from packer.errors import StoreBusyError
from packer.geometry.grid import tms_row
from packer.geometry.tileset import TileSet
from packer.store.schema import connect, open_writable, reading, translated
from packer.store.tile_sets import absent_tiles, held_tiles, save_snapshot
from packer.store.writer import lock_path

__all__ = ["Spare", "prune_pack", "spare_in"]


@dataclass(frozen=True, slots=True)
class Spare:
    """Stored tiles that are not needed, and what their bodies weigh; bodies that a needed tile shares count
    for nothing, since they stay."""

    tiles: TileSet
    bytes: int


def spare_in(pack: Path, needed: TileSet) -> Spare:
    """What could be taken out of a pack. Writes nothing."""
    with reading(pack) as db:
        spare = held_tiles(db) - needed
        if not spare:
            return Spare(spare, 0)
        db.execute("CREATE TEMP TABLE spare (zoom, row, first, last)")
        db.execute("CREATE INDEX temp.spare_place ON spare (zoom, row, first)")
        db.executemany("INSERT INTO spare VALUES (?, ?, ?, ?)", _runs(spare))
        weight = db.execute(
            "SELECT coalesce(sum(length(data)), 0) FROM blob WHERE id IN (SELECT blob_id FROM placement "
            f"WHERE {_IN_SPARE}) AND id NOT IN (SELECT blob_id FROM placement WHERE NOT {_IN_SPARE})"
        ).fetchone()[0]
        return Spare(spare, int(weight))


_IN_SPARE = (
    "EXISTS (SELECT 1 FROM spare WHERE zoom = zoom_level AND spare.row = tile_row "
    "AND tile_column BETWEEN first AND last)"
)


def _runs(tiles: TileSet) -> list[tuple[int, int, int, int]]:
    return [(zoom, tms_row(zoom, row), first, last) for zoom, row, first, last in tiles.runs()]


def prune_pack(pack: Path, layer: str, needed: TileSet) -> int:
    """Take every tile out that is not needed, and give back how many bytes the file has become smaller.

    Raises StoreBusyError while a fetch writes the pack. If the process dies: all of them are out or none, and
    the file may still be as large as before; pruning again shrinks it.
    """
    lock = FileLock(lock_path(pack), timeout=0)
    try:
        lock.acquire()
    except Timeout:
        raise StoreBusyError(
            f"A fetch is writing {pack} right now. Let it finish, then prune again."
        ) from None
    try:
        with translated(pack):
            before = pack.stat().st_size
            _take_out(pack, layer, needed)
            return before - pack.stat().st_size
    finally:
        lock.release()


def _take_out(pack: Path, layer: str, needed: TileSet) -> None:
    db = open_writable(pack, layer, "png")
    try:
        spare = held_tiles(db) - needed
        db.execute("BEGIN IMMEDIATE")
        db.executemany(
            "DELETE FROM placement WHERE zoom_level = ? AND tile_row = ? AND tile_column BETWEEN ? AND ?",
            _runs(spare),
        )
        db.executemany(
            "DELETE FROM absent WHERE zoom_level = ? AND tile_row = ? AND tile_column BETWEEN ? AND ?",
            _runs(absent_tiles(db) - needed),
        )
        db.execute("DELETE FROM blob WHERE id NOT IN (SELECT blob_id FROM placement)")
        db.execute("DELETE FROM snapshot")
        _relabel(db)
        db.execute("COMMIT")
    finally:
        db.close()
    db = connect(pack, mode="rw")
    try:
        db.execute("VACUUM")
        db.execute("BEGIN IMMEDIATE")
        save_snapshot(db, "placement")
        save_snapshot(db, "absent")
        db.execute("COMMIT")
    finally:
        db.close()


def _relabel(db: sqlite3.Connection) -> None:
    """Keep minzoom and maxzoom true, inside the caller's transaction."""
    low, high = db.execute("SELECT min(zoom_level), max(zoom_level) FROM placement").fetchone()
    if low is None:
        db.execute("DELETE FROM metadata WHERE name IN ('minzoom', 'maxzoom')")
    else:
        db.execute("UPDATE metadata SET value = ? WHERE name = 'minzoom'", (str(low),))
        db.execute("UPDATE metadata SET value = ? WHERE name = 'maxzoom'", (str(high),))
