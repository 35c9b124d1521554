"""What a pack records about itself, for a quick answer. It proves nothing: `audit` does."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection
from dataclasses import dataclass, field
from pathlib import Path

from packer.geometry.tileset import TileSet
from packer.store.blank_tiles import blank_tiles
from packer.store.pack_files import has_pack, pack_files
from packer.store.picture_marks import partial_tiles, picture_names
from packer.store.schema import reading
from packer.store.tile_sets import absent_tiles, held_tiles

__all__ = ["PackSummary", "known_summary", "read_summary"]

_MOST_REASONS = 5


@dataclass(frozen=True, slots=True)
class PackSummary:
    """What a pack records about itself. `troubles` counts by reason the tiles that could not be fetched;
    `last_run` is in seconds since 1970, None if it never ran. `date` is that of what its tiles show, where it is
    stated. `partial` are those held that one of `pictures` shows in part. `lost` are files of the pack that are gone.
    """

    held: TileSet = field(default_factory=TileSet)
    absent: TileSet = field(default_factory=TileSet)
    troubles: tuple[tuple[str, int], ...] = ()
    last_run: int | None = None
    file_bytes: int = 0
    date: str | None = None
    partial: TileSet = field(default_factory=TileSet)
    pictures: tuple[str, ...] = ()
    lost: tuple[Path, ...] = ()

    def lacking(self, tiles: TileSet) -> TileSet:
        """Those of the tiles that are still to be fetched: neither held nor known not to exist."""
        return tiles - self.held - self.absent


def read_summary(path: Path, blank: Collection[bytes] = ()) -> PackSummary:
    """Read a pack's records, also while another process writes it. Raises StoreError if it is not a pack of ours.

    A stored tile whose picture is one of `blank`, by its SHA-256, counts as absent, as the next fetch will note it.
    """
    files = pack_files(path)
    found = [_summary(file, blank) for file in files.paths or (path,)]
    if len(found) == 1 and not files.lost:
        return found[0]
    troubles = Counter[str]()
    for one in found:
        troubles.update(dict(one.troubles))
    return PackSummary(
        TileSet.union(one.held for one in found),
        TileSet.union(one.absent for one in found),
        tuple(troubles.most_common(_MOST_REASONS)),
        max((one.last_run for one in found if one.last_run is not None), default=None),
        sum(one.file_bytes for one in found),
        next((one.date for one in found if one.date is not None), None),
        TileSet.union(one.partial for one in found),
        tuple(dict.fromkeys(name for one in found for name in one.pictures)),
        files.lost,
    )


def _summary(path: Path, blank: Collection[bytes]) -> PackSummary:
    with reading(path) as db:
        db.execute("BEGIN")  # one moment for all that follows
        troubles = db.execute(
            f"SELECT reason, count(*) FROM trouble GROUP BY reason ORDER BY 2 DESC LIMIT {_MOST_REASONS}"
        )
        none = blank_tiles(db, blank)
        return PackSummary(
            held_tiles(db) - none,
            absent_tiles(db) | none,
            tuple(troubles.fetchall()),
            db.execute("SELECT max(started) FROM run").fetchone()[0],
            path.stat().st_size,
            next((str(row[0]) for row in db.execute("SELECT value FROM metadata WHERE name = 'date'")), None),
            partial_tiles(db),
            picture_names(db),
        )


def known_summary(path: Path, blank: Collection[bytes] = ()) -> PackSummary:
    """As `read_summary`, but empty where there is no pack yet."""
    return read_summary(path, blank) if has_pack(path) else PackSummary()
