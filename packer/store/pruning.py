"""Taking out of a pack what nothing needs any more, and giving the disk its space back."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from packer.geometry.grid import tms_row
from packer.geometry.tileset import TileSet
from packer.store.disk_errors import translated
from packer.store.locks import WriteLock
from packer.store.pack_files import files_of
from packer.store.row_numbers import FIRST_NUMBER
from packer.store.schema import connect, make_durable, open_writable, reading
from packer.store.tile_sets import absent_tiles, held_tiles, save_snapshot

__all__ = ["Spare", "prune_pack", "spare_in"]

_AT_A_TIME = 100_000


@dataclass(frozen=True, slots=True)
class Spare:
    """Stored tiles that are not needed, and what their bodies weigh; bodies that a needed tile shares count
    for nothing, since they stay."""

    tiles: TileSet
    bytes: int


def spare_in(pack: Path, needed: TileSet) -> Spare:
    """What could be taken out of a pack. Writes nothing."""
    found = [_spare_in_file(file, needed) for file in files_of(pack)]
    return Spare(TileSet.union(one.tiles for one in found), sum(one.bytes for one in found))


def _spare_in_file(path: Path, needed: TileSet) -> Spare:
    with reading(path) as db:
        spare = held_tiles(db) - needed
        if not spare:
            return Spare(spare, 0)
        db.execute("PRAGMA temp_store = MEMORY")
        # The types matter: an index over columns without one is of no use to a comparison with INTEGER columns, and
        # every placement would be held against every row (SQLite, "Datatypes", 4.2).
        db.execute("CREATE TEMP TABLE spare (zoom INTEGER, row INTEGER, first INTEGER, last INTEGER)")
        db.execute("CREATE INDEX temp.spare_place ON spare (zoom, row, first)")
        db.executemany("INSERT INTO spare VALUES (?, ?, ?, ?)", _runs(spare))
        # In the order of an index, so that no list of bodies has to be kept: a plain JOIN may make one first.
        weight = db.execute(
            "SELECT coalesce(sum(length(data)), 0) FROM (SELECT blob_id FROM placement INDEXED BY blob_use "
            f"GROUP BY blob_id HAVING min({_IN_SPARE})) CROSS JOIN blob ON blob.id = blob_id"
        ).fetchone()[0]
        return Spare(spare, int(weight))


# The runs of a row do not overlap, so the one that begins last at or before a column is the only one to hold it.
_IN_SPARE = (
    "coalesce((SELECT last FROM spare WHERE zoom = zoom_level AND spare.row = tile_row AND first <= tile_column "
    "ORDER BY first DESC LIMIT 1) >= tile_column, 0)"
)


def _runs(tiles: TileSet) -> list[tuple[int, int, int, int]]:
    return [(zoom, tms_row(zoom, row), first, last) for zoom, row, first, last in tiles.runs()]


def prune_pack(pack: Path, layer: str, needed: TileSet) -> int:
    """Take every tile out that is not needed, and give back how many bytes the pack has become smaller.

    Raises StoreBusyError while a fetch writes the pack, DiskError where the disk is read-only, full or without locks.
    If the process dies or the power fails: of each file all of them are out or none, and it may still be as large as
    before; pruning again shrinks it.
    """
    busy = f"A fetch is writing {pack} right now. Let it finish, then prune again."
    with WriteLock(pack, busy):
        return sum(_prune_file(file, layer, needed) for file in files_of(pack))


def _prune_file(path: Path, layer: str, needed: TileSet) -> int:
    with translated(path):
        before = path.stat().st_size
        _take_out(path, layer, needed)
        with _scratch_beside(path):
            _compact(path)
        return before - path.stat().st_size


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
        _drop_unused(db)
        db.execute("DELETE FROM snapshot")
        _relabel(db)
        db.execute("COMMIT")
    finally:
        db.close()


def _drop_unused(db: sqlite3.Connection) -> None:
    """Delete the bodies that no placement names, inside the caller's transaction; some at a time, since SQLite lists
    what it is about to delete."""
    before = FIRST_NUMBER
    while True:
        (last,) = db.execute(
            f"SELECT max(id) FROM (SELECT id FROM blob WHERE id > ? ORDER BY id LIMIT {_AT_A_TIME})",
            (before,),
        ).fetchone()
        if last is None:
            return
        db.execute(
            "DELETE FROM blob WHERE id > ? AND id <= ? "
            "AND NOT EXISTS (SELECT 1 FROM placement WHERE blob_id = blob.id)",
            (before, last),
        )
        before = last


def _compact(pack: Path) -> None:
    """Give the room of deleted rows back to the disk. If the process dies or the power fails: the pack is as it was
    before, or compacted."""
    db = connect(pack, mode="rw")
    try:
        make_durable(db)  # here above all: the file is cut as soon as the journal is gone
        db.execute("VACUUM")
        db.execute("BEGIN IMMEDIATE")
        save_snapshot(db, "placement")
        save_snapshot(db, "absent")
        db.execute("COMMIT")
    finally:
        db.close()


@contextlib.contextmanager
def _scratch_beside(pack: Path) -> Iterator[None]:
    """Have SQLite make its temporary files beside the pack, where there is room for it, and nowhere else."""
    before = os.environ.get("SQLITE_TMPDIR")
    os.environ["SQLITE_TMPDIR"] = str(pack.parent)
    try:
        yield
    finally:
        if before is None:
            del os.environ["SQLITE_TMPDIR"]
        else:
            os.environ["SQLITE_TMPDIR"] = before


def _relabel(db: sqlite3.Connection) -> None:
    """Keep minzoom and maxzoom true, inside the caller's transaction."""
    low, high = db.execute("SELECT min(zoom_level), max(zoom_level) FROM placement").fetchone()
    if low is None:
        db.execute("DELETE FROM metadata WHERE name IN ('minzoom', 'maxzoom')")
    else:
        db.execute("UPDATE metadata SET value = ? WHERE name = 'minzoom'", (str(low),))
        db.execute("UPDATE metadata SET value = ? WHERE name = 'maxzoom'", (str(high),))
