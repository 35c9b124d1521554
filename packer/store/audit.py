"""Reading a pack as evidence: every body and every placement, in chunks that can be shared out.

Nothing here believes the snapshot or any count: they are held against the rows. A placement counts only with a body
that hashes to its hash and a seal that binds the two. Nothing here writes.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

import numpy as np

from packer.common.regular_file import refuse_special
from packer.errors import StoreError
from packer.geometry.grid import MAX_ZOOM
from packer.geometry.tileset import Tile, TileSet
from packer.store.audit_chunk import PLACE, Check, Chunk, Fault, check_chunk, file_mark, xyz
from packer.store.blank_tiles import blank_tiles
from packer.store.disk_errors import damage_error
from packer.store.picture_marks import partial_tiles, picture_names
from packer.store.records import LAST_SECOND
from packer.store.row_numbers import FIRST_NUMBER, LAST_NUMBER, RowNumbers
from packer.store.schema import reading, settle
from packer.store.tile_sets import absent_tiles, held_tiles, scan

__all__ = [
    "BadTile",
    "Census",
    "Chunk",
    "Identity",
    "audit_sample",
    "audit_tiles",
    "census",
    "identity",
    "joined_census",
]

Identity = tuple[int, ...]
"""What changes when a pack does; compared, never taken apart."""

_YEAR_S, _DAY_S = 365 * 86_400, 86_400
_SMALL_TABLES = ("metadata", "placement", "absent", "trouble", "run", "source", "snapshot")
# A damaged row may hold text where a number belongs, which no arithmetic on tiles would bear.
_WHOLE = " AND ".join(f"typeof({name}) = 'integer'" for name in PLACE.split(", "))
_ON_GRID = f"zoom_level BETWEEN 0 AND {MAX_ZOOM} AND {_WHOLE}"
_MOST_FAULTS = 20  # sentences of SQLite on one table


@dataclass(frozen=True, slots=True)
class BadTile:
    """A placement that must not be relied on, and why, in a few words."""

    tile: Tile
    kind: str


def bad_tiles(faults: Iterable[Fault]) -> list[BadTile]:
    """What `audit_chunk` found, as tiles."""
    return [BadTile(Tile(zoom, x, y), why) for zoom, x, y, why in faults]


@dataclass(frozen=True, slots=True)
class Outline:
    """The numbers of the bodies that a pack has and of those that its placements name, and the format of its tiles."""

    bodies: RowNumbers
    used: RowNumbers
    format: str | None

    @property
    def dangling(self) -> list[int]:
        """Numbers of bodies that placements name and that are not there."""
        return self.used.missing_from(self.bodies)

    def chunks(self, size: int) -> list[Chunk]:
        """Ranges that together take in every body and every placement, with some `size` bodies each.

        Outermost ranges run on without end, so that a row which the indexes do not know falls into one.
        """
        firsts = self.bodies.at(np.arange(size, len(self.bodies), size)).tolist()
        return list(zip([FIRST_NUMBER, *firsts], [*(n - 1 for n in firsts), LAST_NUMBER], strict=True))


@dataclass(frozen=True, slots=True)
class Census:
    """What a pack claims to hold, read from its tables themselves.

    `odd` are placements that name their body by something else than a number, and `stray` counts those outside
    the grid, which no reader can show. `damage` is what SQLite finds wrong
    with the structure of the tables; `unexamined` names the tables that were too large for that. `fetched` is
    when the oldest and the newest tile came, in seconds since 1970; `stale` are the tiles for which the server
    vouches no more, or that are over a year old or dated ahead. `blank` are those that are kept under the hash of a
    picture that stands for "no tile". `partial` are those that one of `pictures` shows in part
    alone. `speed` is tiles a second of the last run that
    stored any, which `began` at so many seconds since 1970. `claimed` are those that the pack's own short cut to
    what it holds names, though no row has them: a fetch would believe it.
    """

    held: TileSet
    absent: TileSet
    odd: tuple[BadTile, ...]
    stray: int
    damage: tuple[str, ...]
    unexamined: tuple[str, ...]
    fetched: tuple[int, int] | None
    stale: TileSet
    speed: float | None
    size_bytes: int
    blank: TileSet = field(default_factory=TileSet)
    partial: TileSet = field(default_factory=TileSet)
    pictures: tuple[str, ...] = ()
    began: int = 0
    claimed: TileSet = field(default_factory=TileSet)


def joined_census(found: Sequence[tuple[Path, Census]]) -> Census:
    """The counts of several files of a pack, one or more, as those of one."""
    each = [one for _, one in found]
    if len(each) == 1:
        return each[0]
    latest = max(one.began for one in each)
    dates = [date for one in each for date in one.fetched or ()]
    speeds = [
        one.speed for one in each if one.speed and one.began == latest
    ]  # a run over files is in each of them
    return Census(
        held=TileSet.union(one.held for one in each),
        absent=TileSet.union(one.absent for one in each),
        odd=tuple(tile for one in each for tile in one.odd),
        stray=sum(one.stray for one in each),
        damage=tuple(f"{path.name}, {fault}" for path, one in found for fault in one.damage),
        unexamined=tuple(dict.fromkeys(name for one in each for name in one.unexamined)),
        fetched=(min(dates), max(dates)) if dates else None,
        stale=TileSet.union(one.stale for one in each),
        speed=sum(speeds) if speeds else None,
        size_bytes=sum(one.size_bytes for one in each),
        blank=TileSet.union(one.blank for one in each),
        partial=TileSet.union(one.partial for one in each),
        pictures=tuple(dict.fromkeys(name for one in each for name in one.pictures)),
        began=latest,
        claimed=TileSet.union(one.claimed for one in each),
    )


def identity(path: Path) -> Identity | None:
    """Size, time and change counter of a pack, as `file_mark`.

    What a dead process left half done is taken back before, as reading the pack would do. None if the file cannot
    be read. Not while this process has the pack open: closing a file drops the locks that the process holds on
    it (POSIX). If the process dies: the pack is as it was, or as it is without what was left half done.
    """
    refuse_special(path, StoreError)
    try:
        settle(path)
        return file_mark(path)
    except (OSError, sqlite3.Error):
        return None


def outline(path: Path) -> Outline:
    """Read which bodies there are, from indexes alone. Raises StoreError if the pack is not one of ours or damaged."""
    with reading(path) as db:
        kind = db.execute("SELECT value FROM metadata WHERE name = 'format'").fetchone()
        used = RowNumbers.used_by_placements(db)
        return Outline(RowNumbers.of_bodies(db), used, kind[0] if kind else None)


def census(
    path: Path, now: float, largest_bytes: int = 0, thorough: bool = True, blank: Collection[bytes] = ()
) -> Census:
    """Count a pack and have SQLite look over its tables; `now` is in seconds since 1970, `blank` the SHA-256 of
    pictures that stand for "no tile".

    The table of bodies is looked over only in a pack of up to `largest_bytes`, since that reads all of it.
    `thorough` compares every entry of the indexes with its row, else they are only counted.
    Raises StoreError if the pack is not one of ours or too damaged to be read.
    """
    size = path.stat().st_size if path.exists() else 0
    with reading(path) as db:
        db.execute("BEGIN")  # one moment for all that follows
        held = scan(db, f"placement WHERE {_ON_GRID}")
        total = db.execute("SELECT count(zoom_level) FROM placement").fetchone()[
            0
        ]  # in steps that can be cut short
        dates = _dates(db, int(now))
        small = size <= largest_bytes
        speed, began = _speed(db)
        absent = scan(db, f"absent WHERE {_ON_GRID}")
        return Census(
            held=held,
            absent=absent,
            odd=dates.odd,
            stray=total - len(held),
            damage=tuple(_damage(db, path, (*_SMALL_TABLES, "blob") if small else _SMALL_TABLES, thorough)),
            unexamined=() if small else ("blob",),
            fetched=dates.fetched,
            stale=dates.stale,
            speed=speed,
            began=began,
            size_bytes=size,
            blank=blank_tiles(db, blank),
            partial=partial_tiles(db),
            pictures=picture_names(db),
            claimed=(held_tiles(db) - held) | (absent_tiles(db) - absent),
        )


def _damage(db: sqlite3.Connection, path: Path, tables: tuple[str, ...], thorough: bool) -> Iterator[str]:
    """What is wrong with the tables. Raises DiskError where it is the disk that cannot be read."""
    check = "integrity_check" if thorough else "quick_check"
    for table in tables:
        for (said,) in db.execute(f"PRAGMA {check}({table})").fetchmany(_MOST_FAULTS):
            if said != "ok":
                if "unable to get the page" in said:
                    raise damage_error(path, " ".join(str(said).split())[:200])
                yield f"table {table}: {' '.join(str(said).split())[:200]}"
    if not thorough:
        yield from _miscounts(db)


def _miscounts(db: sqlite3.Connection) -> Iterator[str]:
    """Whether the indexes know as many rows as the table, which SQLite's quick check does not ask: readers look
    tiles up by the one, and bodies are tried by the other."""
    (rows,) = db.execute("SELECT count(zoom_level) FROM placement NOT INDEXED").fetchone()
    for index, column in (("tile_index", "zoom_level"), ("blob_use", "blob_id")):
        # The condition holds for every row; without one, SQLite would count by whichever index is smallest.
        (known,) = db.execute(
            f"SELECT count(*) FROM placement INDEXED BY {index} WHERE typeof({column}) <> 'null'"
        ).fetchone()
        if known != rows:
            yield f"table placement: it has {rows:,} rows, but its index {index} lists {known:,}"


@dataclass(frozen=True, slots=True)
class _Dates:
    fetched: tuple[int, int] | None
    stale: TileSet
    odd: tuple[BadTile, ...]


def _dates(db: sqlite3.Connection, now: int) -> _Dates:
    """One pass over the placements; a second one only where there is something to name."""
    # A date that lies ahead, as from a clock that was wrong, says nothing of a tile's age.
    past = f"(fresh_until < {now} OR fetched < {now - _YEAR_S} OR fetched > {now + _DAY_S})"
    first, last, stale, odd = db.execute(
        f"SELECT min(fetched), max(fetched), total({past}), total(typeof(blob_id) <> 'integer') FROM placement"
    ).fetchone()
    return _Dates(
        (first, last)
        if isinstance(first, int) and isinstance(last, int) and 0 <= first <= last <= LAST_SECOND
        else None,
        scan(db, f"placement WHERE {_ON_GRID} AND {past}") if stale else TileSet(),
        tuple(_odd(db)) if odd else (),
    )


def _odd(db: sqlite3.Connection) -> Iterator[BadTile]:
    for place in db.execute(
        f"SELECT {PLACE} FROM placement WHERE typeof(blob_id) <> 'integer' AND {_ON_GRID}"
    ):
        yield BadTile(Tile(*xyz(*place)), "its row is damaged")


def _speed(db: sqlite3.Connection) -> tuple[float | None, int]:
    row = db.execute(
        "SELECT stored, ended - started, started FROM run WHERE stored > 0 AND ended > started ORDER BY id DESC LIMIT 1"
    ).fetchone()
    return (row[0] / row[1], row[2]) if row else (None, 0)


def audit_tiles(path: Path, tiles: Iterable[Tile], check: Check, *, enough: int) -> list[BadTile]:
    """As `audit_chunk.audit_chunk`, for the bodies at some tiles; a tile that is not there is none of them.

    Ends early once `enough` of them were found bad, so that sound ones before them hide none.
    """
    bad = list[BadTile]()
    with reading(path) as db:
        for zoom, x, y in tiles:
            if len(bad) >= enough:
                break
            place = (zoom, (1 << zoom) - 1 - y, x)
            found = db.execute(
                "SELECT blob_id FROM placement WHERE zoom_level = ? AND tile_row = ? AND tile_column = ?",
                place,
            ).fetchone()
            if found is not None and isinstance(found[0], int):
                bad += bad_tiles(check_chunk(db, (found[0], found[0]), check)[1])
    return bad


def audit_sample(
    path: Path, found: Outline, most: int, chance: Random, until: float
) -> tuple[int, list[BadTile]]:
    """As `audit_chunk.audit_chunk`, for single bodies drawn evenly from the pack with a chance start, up to `most`.

    Ends early at `until` on the monotonic clock. Placements whose body is not there are all found, sampled or
    not. Returns the number of bodies looked at and the placements not to be relied on.
    """
    step = max(len(found.bodies) / max(most, 1), 1.0)
    at = (np.arange(chance.random() * step, len(found.bodies), step)).astype(np.int64)
    done, bad = 0, []
    with reading(path) as db:
        for number in found.dangling:
            bad += bad_tiles(check_chunk(db, (number, number), None)[1])
        for number in found.bodies.at(at).tolist():
            if time.monotonic() > until:
                break
            bodies, some = check_chunk(db, (number, number), None)
            done, bad = done + bodies, bad + bad_tiles(some)
    return done, bad
