"""Tiles that other packs, MBTiles files and folders have to offer, read one at a time and not yet believed."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from packer.errors import InputError, StoreError
from packer.grid import MAX_ZOOM, tms_row
from packer.store.records import body_hash, seal
from packer.store.schema import APPLICATION_ID, connect, open_read_only, translated
from packer.tileset import Tile

__all__ = ["Offer", "folder_offers", "mbtiles_offers", "pack_offers", "pack_sources"]

_ENDINGS = {".png", ".jpg", ".jpeg", ".webp", ".pbf"}
_LARGEST = 16_000_000
_MOST_TICKS = 200_000  # of 10,000 steps of SQLite's machine: far more than reading 50 million rows takes


@dataclass(frozen=True, slots=True)
class Offer:
    """One tile on offer: where, what, when it was fetched (seconds since 1970), with which validators.

    `fault` says in a few words why it must not be taken, None if its pack's own seal fits or it has none.
    """

    tile: Tile
    data: bytes
    fetched: int
    etag: str | None = None
    modified: str | None = None
    fresh_until: int | None = None
    fault: str | None = None


def pack_sources(path: Path) -> set[str]:
    """The fingerprints of the servers that a pack's tiles came from."""
    with translated(path):
        db = open_read_only(path)
        try:
            return {row[0] for row in db.execute("SELECT fingerprint FROM source")}
        finally:
            db.close()


def pack_offers(path: Path) -> Iterator[Offer]:
    """Every tile of one of our packs, its hash and seal tried. Raises StoreError if it is none of ours."""
    with translated(path):
        db = open_read_only(path)
        try:
            rows = db.execute(
                "SELECT zoom_level, tile_column, tile_row, fetched, etag, modified, fresh_until, seal, hash, data "
                "FROM placement LEFT JOIN blob ON blob.id = blob_id"
            )
            for zoom, x, row, fetched, etag, modified, fresh, stated, stated_hash, data in rows:
                tile = _tile(zoom, x, row)
                if tile is None:
                    continue
                if not isinstance(data, bytes):
                    yield Offer(tile, b"", 0, fault="its body is missing")
                elif body_hash(data) != stated_hash:
                    yield Offer(tile, b"", 0, fault="its bytes have changed")
                elif stated != seal(zoom, x, row, stated_hash):
                    yield Offer(tile, b"", 0, fault="it lies at another tile's place")
                else:
                    yield Offer(tile, data, int(fetched), etag, modified, fresh)
        finally:
            db.close()


def mbtiles_offers(path: Path) -> Iterator[Offer]:
    """Every tile of any MBTiles file, taken as it stands; dated by the file itself.

    Raises StoreError if it is no database or has no tiles table or view.
    """
    if not path.is_file():
        raise InputError(f"{path} does not exist. Name an MBTiles file or a folder of z/x/y files.")
    dated = int(path.stat().st_mtime)
    with translated(path):
        db = connect(path, mode="ro")
        try:
            names = {row[0] for row in db.execute("SELECT name FROM sqlite_master")}
            if "tiles" not in names:
                raise StoreError(f"{path} has no table or view named tiles, so it is no MBTiles file.")
            _bounded(db)
            rows = db.execute("SELECT zoom_level, tile_column, tile_row, tile_data FROM tiles")
            for zoom, x, row, data in rows:
                tile = _tile(zoom, x, row)
                if tile is None:
                    continue
                if isinstance(data, bytes) and len(data) <= _LARGEST:
                    yield Offer(tile, data, dated)
                else:
                    yield Offer(tile, b"", dated, fault="its body is not stored as bytes, or is huge")
        finally:
            db.close()


def _bounded(db: sqlite3.Connection) -> None:
    """A hostile file may define a view that never ends or builds huge values: bound what it can cost."""
    db.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _LARGEST + 1_000_000)
    steps = 0

    def tick() -> int:
        nonlocal steps
        steps += 1
        return int(steps > _MOST_TICKS)

    db.set_progress_handler(tick, 10_000)
    db.execute("PRAGMA trusted_schema = OFF")


def folder_offers(folder: Path) -> Iterator[Offer]:
    """Every file named z/x/y with an image's ending below a folder, rows counted from the top."""
    if not folder.is_dir():
        raise InputError(f"{folder} does not exist. Name an MBTiles file or a folder of z/x/y files.")
    for path in sorted(folder.glob("*/*/*")):
        zoom, x, y = path.parent.parent.name, path.parent.name, path.stem
        if path.suffix.lower() not in _ENDINGS or not all(
            p.isascii() and p.isdecimal() for p in (zoom, x, y)
        ):
            continue
        if len(zoom) > 2 or len(x) > 9 or len(y) > 9 or path.is_symlink() or not path.is_file():
            continue
        tile = _tile(int(zoom), int(x), tms_row(int(zoom), int(y)))
        if tile is not None:
            size, dated = path.stat().st_size, int(path.stat().st_mtime)
            huge = size > _LARGEST
            yield Offer(tile, b"" if huge else path.read_bytes(), dated, fault="it is huge" if huge else None)


def _tile(zoom: object, x: object, row: object) -> Tile | None:
    """The tile at a place given in TMS rows, None if there is no such place."""
    if not (isinstance(zoom, int) and isinstance(x, int) and isinstance(row, int)):
        return None
    if not (0 <= zoom <= MAX_ZOOM and 0 <= x < 1 << zoom and 0 <= row < 1 << zoom):
        return None
    return Tile(zoom, x, tms_row(zoom, row))


def is_our_pack(path: Path) -> bool:
    """Whether a file says that it is a pack of ours, going by its layout."""
    with translated(path):
        db = connect(path, mode="ro")
        try:
            names = {row[0] for row in db.execute("SELECT name FROM sqlite_master")}
            return (
                db.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID and "placement" in names
            )
        finally:
            db.close()
