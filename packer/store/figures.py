"""What a pack tells of sizes and speed, for estimates of what is still to come."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from packer.geometry.grid import tms_row
from packer.geometry.tileset import Tile
from packer.store.pack_files import files_of
from packer.store.schema import reading

__all__ = ["LastRun", "mean_sizes", "read_last_run", "sizes_of"]

_MOST_READ = 200_000  # rows looked at for means: under a second from a warm disk
_LEAST_STORED, _LEAST_S = 30, 3  # times are kept in whole seconds, so a shorter run says nothing of speed


@dataclass(frozen=True, slots=True)
class LastRun:
    """One run of a fetch: `started` in seconds since 1970, how long it took, and the bytes it stored."""

    started: int
    seconds: int
    bytes: int


def mean_sizes(path: Path) -> dict[int, float]:
    """Mean bytes of a stored tile by zoom: exact up to 200,000 tiles, else from every so many-th row.

    Raises StoreError if it is not a pack of ours.
    """
    files = files_of(path)
    sums: dict[int, list[tuple[int, float]]] = {}
    for file in files:
        with reading(file) as db:
            last = db.execute("SELECT coalesce(max(rowid), 0) FROM placement").fetchone()[0]
            rows = db.execute(
                "SELECT zoom_level, count(length(data)), total(length(data)) FROM placement "
                "JOIN blob ON blob.id = blob_id WHERE placement.rowid % ? = 0 GROUP BY zoom_level",
                (every := max(1, last * len(files) // _MOST_READ),),
            )
            for zoom, count, total in rows:
                if isinstance(zoom, int) and count:
                    sums.setdefault(zoom, []).append((every * count, every * total))
    return {zoom: sum(t for _, t in each) / sum(n for n, _ in each) for zoom, each in sums.items()}


def sizes_of(path: Path, tiles: Iterable[Tile]) -> dict[Tile, int]:
    """Bytes of those of the tiles that are stored. Raises StoreError if it is not a pack of ours."""
    found: dict[Tile, int] = {}
    left = list(tiles)
    for file in files_of(path):
        with reading(file) as db:
            for tile in left:
                row = db.execute(
                    "SELECT length(data) FROM placement JOIN blob ON blob.id = blob_id "
                    "WHERE typeof(data) = 'blob' AND zoom_level = ? AND tile_row = ? AND tile_column = ?",
                    (tile.zoom, tms_row(tile.zoom, tile.y), tile.x),
                ).fetchone()
                if row is not None:
                    found[tile] = int(row[0])
        left = [tile for tile in left if tile not in found]
    return found


def read_last_run(path: Path) -> LastRun | None:
    """The latest run that ended and was long enough to tell a speed; None if there is none.

    Raises StoreError if it is not a pack of ours.
    """
    runs = [run for file in files_of(path) for run in _runs(file)]
    latest = max((run.started for run in runs), default=None)
    same = [run for run in runs if run.started == latest]
    if latest is None:
        return None
    return LastRun(latest, max(run.seconds for run in same), sum(run.bytes for run in same))


def _runs(path: Path) -> list[LastRun]:
    """The latest run of a file that ended and was long enough. A run over several files is in each of them."""
    with reading(path) as db:
        row = db.execute(
            "SELECT started, ended - started, bytes FROM run WHERE stored >= ? AND ended - started >= ? "
            "ORDER BY started DESC LIMIT 1",
            (_LEAST_STORED, _LEAST_S),
        ).fetchone()
    return [LastRun(*map(int, row))] if row else []
