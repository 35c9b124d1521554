"""Looking up single tiles of a pack, each with what the pack says of it, for work that goes through another pack in
order."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

from packer.content.digest import body_hash
from packer.geometry.grid import tms_row
from packer.geometry.tileset import Tile
from packer.store.disk_errors import translated
from packer.store.pack_files import files_of
from packer.store.records import seal
from packer.store.schema import open_read_only

__all__ = ["IntactTile", "TileLookup"]

_PATIENCE_S = 60.0  # as for a handover
_ROW = (
    "SELECT seal, hash, data, fetched, etag FROM placement JOIN blob ON blob.id = blob_id "
    "WHERE zoom_level = ? AND tile_row = ? AND tile_column = ?"
)


@dataclass(frozen=True, slots=True)
class IntactTile:
    """A body that has the hash which the pack states, at the place that its seal names; `mark` stands in place of an
    entity tag, `fetched` is in seconds since 1970."""

    tile: Tile
    data: bytes
    hash: bytes
    mark: str | None
    fetched: int


class TileLookup:
    """A pack, all its files, that one thread looks tiles up in: `with TileLookup(path) as pack`. Each look-up is over
    when it returns, so that a writer gets in between.

    Raises StoreError if it is not a pack of ours or cannot be read; every method may as well.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._files: list[tuple[Path, sqlite3.Connection]] = []
        try:
            for file in files_of(path):
                with translated(file):
                    db = open_read_only(file, patience_s=_PATIENCE_S)
                self._files.append((file, db))
                db.set_progress_handler(None, 0)  # what is looked up follows from a plan, not from the file
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> TileLookup:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the pack."""
        for _, db in self._files:
            db.close()

    def at(self, tile: Tile) -> IntactTile | None:
        """The tile itself; None where there is none, or where hash, seal or a value of its row does not fit. Of a tile
        that is in two files the first one counts."""
        place = (tile.zoom, tms_row(tile.zoom, tile.y), tile.x)
        for file, db in self._files:
            with translated(file):
                rows = db.execute(_ROW, place).fetchall()
            if rows:
                return _intact(tile, rows[0])
        return None

    def nearest(self, tile: Tile, blank: Collection[bytes] = ()) -> IntactTile | None:
        """The tile itself or the nearest coarser one that holds it, without those whose picture is one of `blank`, by
        its hash."""
        for up in range(tile.zoom + 1):
            found = self.at(Tile(tile.zoom - up, tile.x >> up, tile.y >> up))
            if found is not None and found.hash not in blank:
                return found
        return None

    def plans(self) -> list[str]:
        """The plans that the pack was written for, each once, a damaged one as ""; at most a hundred."""
        found: dict[str, None] = {}
        for file, db in self._files:
            with translated(file):
                rows = db.execute("SELECT DISTINCT plan FROM run LIMIT 100").fetchall()
            found |= dict.fromkeys(plan if isinstance(plan, str) else "" for (plan,) in rows)
        return list(found)


def _intact(tile: Tile, row: tuple[object, ...]) -> IntactTile | None:
    bound, stated, data, fetched, mark = row
    if not (isinstance(data, bytes) and isinstance(fetched, int) and isinstance(mark, str | None)):
        return None
    hashed = body_hash(data)
    if hashed != stated or bound != seal(tile.zoom, tile.x, tms_row(tile.zoom, tile.y), hashed):
        return None
    return IntactTile(tile, data, hashed, mark, fetched)
