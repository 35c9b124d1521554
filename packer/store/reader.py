"""Looking into one pack, as a map page does: a body at a tile, and how deep the pack goes under a position.

Nothing here writes. Each look-up opens a connection of its own and closes it again, which costs some 0.25 ms:
so any number of threads can look at once, no commit of a fetch waits for longer than one look-up, and a pack that
is made, replaced or removed since is seen as it is.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
import threading
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from packer.errors import StoreError
from packer.geometry.grid import MAX_ZOOM, tms_row, x_at, y_at
from packer.geometry.tileset import Tile, TileSet
from packer.store.blank_tiles import blank_tiles
from packer.store.pack_files import numbered_files, pack_files
from packer.store.picture_marks import partial_tiles
from packer.store.schema import reading
from packer.store.tile_sets import absent_tiles, held_tiles

__all__ = ["PackFacts", "TileReader", "tile_at"]

_BODY = "SELECT tile_data FROM tiles WHERE zoom_level = ? AND tile_row = ? AND tile_column = ?"
# A placement without its body shows nothing, so both have to be there.
_HAS = (
    "SELECT hash FROM placement JOIN blob ON blob.id = blob_id "
    "WHERE zoom_level = ? AND tile_row = ? AND tile_column = ?"
)

_Mark = tuple[int, int, int] | None


@dataclass(frozen=True, slots=True)
class PackFacts:
    """What a pack records about itself; all empty where there is no pack yet.

    `kind` and `attribution` are None where the pack does not say; `vector_layers` is as in MBTiles 1.3.
    """

    kind: str | None = None
    attribution: str | None = None
    vector_layers: tuple[dict[str, Any], ...] = ()
    held: TileSet = field(default_factory=TileSet)
    absent: TileSet = field(default_factory=TileSet)
    partial: TileSet = field(default_factory=TileSet)


def tile_at(lon: float, lat: float, zoom: int) -> Tile:
    """The tile of one zoom that holds a position in degrees; longitudes beyond ±180 wrap round."""
    n = 1 << zoom
    x, y = float(x_at(lon)) % 1.0, float(y_at(lat))
    return Tile(zoom, min(int(x * n), n - 1), min(int(y * n), n - 1))


class TileReader:
    """One pack, for reading only. A pack that is not there yet counts as empty, and a tile whose picture is one of
    `blank`, by its SHA-256, as absent in what the pack holds.

    Every method may be called from any thread, and raises StoreError for a file that is not a pack of ours or is
    damaged, and DiskError where it cannot be opened.
    """

    def __init__(self, path: Path, blank: Collection[bytes] = ()) -> None:
        self.path, self._blank = path, blank
        self._lock = threading.Lock()
        self._known: dict[Path, tuple[_Mark, PackFacts]] = {}
        self._joined: tuple[object, PackFacts] | None = None
        self._files: tuple[object, tuple[Path, ...]] | None = None

    def body(self, tile: Tile) -> bytes | None:
        """The tile's body exactly as stored, or None."""
        return self.bodies([tile])[0]

    def bodies(self, tiles: Sequence[Tile]) -> list[bytes | None]:
        """As `body`, for some tens of tiles in one look-up."""
        with self._open(tiles) as files:
            return [
                next((data for db in files if (data := _body(db, tile)) is not None), None) for tile in tiles
            ]

    def nearest(self, tile: Tile, levels: int = MAX_ZOOM) -> tuple[Tile, bytes] | None:
        """The tile itself or its nearest coarser ancestor, with its body; at most `levels` zooms up."""
        zoom, x, y = tile
        line = [Tile(zoom - up, x >> up, y >> up) for up in range(min(levels, zoom) + 1)]
        with self._open(line) as files:
            for above in line:
                for db in files:
                    if (body := _body(db, above)) is not None:
                        return above, body
        return None

    def zooms_at(self, lon: float, lat: float) -> tuple[int, ...]:
        """The zooms on board under a position in degrees, ascending."""
        tiles = [tile_at(lon, lat, zoom) for zoom in range(MAX_ZOOM + 1)]
        with self._open(tiles) as files:
            return tuple(tile.zoom for tile in tiles if self._shown(files, tile))

    def _shown(self, files: Iterable[sqlite3.Connection], tile: Tile) -> bool:
        rows = (db.execute(_HAS, _key(tile)).fetchone() for db in files)
        found = next((row for row in rows if row is not None), None)
        return found is not None and found[0] not in self._blank

    def deepest(self, lon: float, lat: float) -> int | None:
        """The deepest zoom on board under a position in degrees, or None where there is nothing."""
        return max(self.zooms_at(lon, lat), default=None)

    def facts(self) -> PackFacts:
        """What the pack says and holds, each file at one moment; read again whenever it has changed."""
        files = self._paths()
        marks = tuple((path, _mark(path)) for path in files)
        with self._lock:
            for path, mark in marks:
                if path not in self._known or self._known[path][0] != mark:
                    self._known[path] = mark, self._read_facts(path)
            if self._joined is None or self._joined[0] != marks:
                self._joined = marks, _joined([self._known[path][1] for path in files])
            return self._joined[1]

    def _read_facts(self, path: Path) -> PackFacts:
        with reading(path) as db:
            db.execute("BEGIN")  # one moment for all that follows
            said = dict(db.execute("SELECT name, value FROM metadata").fetchall())
            none = blank_tiles(db, self._blank)
            return PackFacts(
                said.get("format"),
                said.get("attribution"),
                _vector_layers(said.get("json")),
                held_tiles(db) - none,
                absent_tiles(db) | none,
                partial_tiles(db),
            )

    def _paths(self) -> tuple[Path, ...]:
        """The files of the pack; looked into again only where their names have changed."""
        seen = self.path.exists(), tuple(numbered_files(self.path))
        with self._lock:
            known = self._files
        if known is None or known[0] != seen:
            known = seen, pack_files(self.path).paths
            with self._lock:
                self._files = known
        return known[1]

    @contextlib.contextmanager
    def _open(self, tiles: Sequence[Tile]) -> Iterator[list[sqlite3.Connection]]:
        """The files that may have one of these tiles, all open."""
        with contextlib.ExitStack() as stack:
            paths = self._paths()
            may = [path for path in paths if len(paths) == 1 or self._may_have(path, tiles)]
            yield [stack.enter_context(reading(path)) for path in may]

    def _may_have(self, path: Path, tiles: Sequence[Tile]) -> bool:
        """Whether a file may have one of some tiles: one that has changed since it was looked into may have any."""
        known = self._known.get(path)
        return known is None or known[0] != _mark(path) or any(tile in known[1].held for tile in tiles)


def _mark(path: Path) -> _Mark:
    """What changes with every commit, since each is written to the file itself: its time, size and identity."""
    try:
        stat = path.stat()
    except OSError:
        return None
    return stat.st_mtime_ns, stat.st_size, stat.st_ino


def _joined(files: Sequence[PackFacts]) -> PackFacts:
    """The facts of several files as those of one pack. What says something of tiles is said by a file that has some."""
    if len(files) <= 1:
        return files[0] if files else PackFacts()
    told = [one for one in files if one.held] or files
    layers = {str(layer["id"]): layer for one in told for layer in one.vector_layers}
    return PackFacts(
        told[0].kind,
        told[0].attribution,
        tuple(layers.values()),
        TileSet.union(one.held for one in files),
        TileSet.union(one.absent for one in files),
        TileSet.union(one.partial for one in files),
    )


def _key(tile: Tile) -> tuple[int, int, int]:
    return tile.zoom, tms_row(tile.zoom, tile.y), tile.x


def _body(db: sqlite3.Connection, tile: Tile) -> bytes | None:
    row = db.execute(_BODY, _key(tile)).fetchone()
    if row is None:
        return None
    if not isinstance(row[0], bytes):
        raise StoreError(f"Tile {tile} is not stored as bytes. Check the pack: lastbar verify")
    return row[0]


def _vector_layers(text: str | None) -> tuple[dict[str, Any], ...]:
    """The `vector_layers` of a pack's `json` row; none where it is missing or malformed."""
    try:
        layers = json.loads(text or "{}").get("vector_layers", [])
    except (ValueError, AttributeError):
        return ()
    if not isinstance(layers, list):
        return ()
    return tuple(la for la in layers if isinstance(la, dict) and "id" in la and "fields" in la)
