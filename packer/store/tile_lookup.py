"""Looking up single tiles of a pack, each with what the pack says of it, for work that goes through another pack in
order."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

from packer.content.digest import body_hash
from packer.geometry.grid import tms_row
from packer.geometry.tileset import Tile
from packer.store.disk_errors import translated
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
    """A pack that one thread looks tiles up in: `with TileLookup(path) as pack`. Each look-up is over when it returns,
    so that a writer gets in between.

    Raises StoreError if the file is not a pack of ours or cannot be read; every method may as well.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        with translated(path):
            self._db = open_read_only(path, patience_s=_PATIENCE_S)
            self._db.set_progress_handler(None, 0)  # what is looked up follows from a plan, not from the file

    def __enter__(self) -> TileLookup:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the pack."""
        self._db.close()

    def at(self, tile: Tile) -> IntactTile | None:
        """The tile itself; None where there is none, or where hash, seal or a value of its row does not fit."""
        place = (tile.zoom, tms_row(tile.zoom, tile.y), tile.x)
        with translated(self.path):
            rows = self._db.execute(_ROW, place).fetchall()
        for bound, stated, data, fetched, mark in rows:
            sound = isinstance(data, bytes) and isinstance(fetched, int) and isinstance(mark, str | None)
            if not sound or (hashed := body_hash(data)) != stated:
                continue
            if bound == seal(tile.zoom, tile.x, place[1], hashed):
                return IntactTile(tile, data, hashed, mark, fetched)
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
        with translated(self.path):
            rows = self._db.execute("SELECT DISTINCT plan FROM run LIMIT 100").fetchall()
        return [plan if isinstance(plan, str) else "" for (plan,) in rows]
