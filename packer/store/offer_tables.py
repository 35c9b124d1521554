"""Tiles that other packs, MBTiles files and folders have to offer, read one at a time and not yet believed."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

from packer.common.links import is_link
from packer.common.regular_file import refuse_special
from packer.content.digest import body_hash
from packer.errors import InputError, StoreError
from packer.geometry.grid import MAX_ZOOM, tms_row
from packer.geometry.tileset import Tile
from packer.store.disk_errors import translated
from packer.store.gpkg_grid import matrices, quoted
from packer.store.pack_files import files_of, numbered_files
from packer.store.picture_marks import NOT_A_PICTURE
from packer.store.records import LAST_SECOND, seal
from packer.store.schema import APPLICATION_ID, reading
from packer.store.sealed_gpkg import table_name
from packer.store.untrusted import has_log, open_untrusted, refuse_half_written

__all__ = [
    "OfferedTile",
    "folder_offers",
    "geopackage_offers",
    "is_database",
    "is_geopackage",
    "is_our_pack",
    "mbtiles_offers",
    "pack_offers",
    "pack_sources",
    "refuse_unfit_source",
    "stated_name",
]

_ENDINGS = {".png", ".jpg", ".jpeg", ".webp", ".pbf"}
_LARGEST = 16_000_000
_LEAST_ROW_BYTES, _LEAST_PLACEMENT_BYTES = 8, 40  # of any table of places, and of a pack's own


class OfferedTile(NamedTuple):  # one is made for each tile: a frozen dataclass takes three times as long
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


def refuse_unfit_source(pack: Path) -> None:
    """Raise StoreError for a pack to take from that a dead process left half written: taking that back is for
    its owner to do, and nothing but the target is written here."""
    for path in (pack, *numbered_files(pack).values()):
        _refuse_unfit_file(path)


def _refuse_unfit_file(path: Path) -> None:
    if path.is_file():
        with translated(path):
            refuse_half_written(path)
            if has_log(path):
                raise StoreError(
                    f"{path} has a write-ahead log. A pack never has one, so another program has changed it."
                )


def pack_sources(path: Path) -> set[str]:
    """The fingerprints of the servers that a pack's tiles came from; pictures of one's own are none."""
    found: set[str] = set()
    for file in files_of(path):
        with reading(file) as db:
            found |= {row[0] for row in db.execute(f"SELECT fingerprint FROM source WHERE {NOT_A_PICTURE}")}
    return found


def pack_offers(path: Path) -> Iterator[OfferedTile]:
    """Every tile of one of our packs, its hash and seal tried. Raises StoreError if it is not one of ours."""
    refuse_unfit_source(path)
    for file in files_of(path):
        yield from _file_offers(file)


def _file_offers(path: Path) -> Iterator[OfferedTile]:
    with reading(path) as db:
        rows = db.execute(
            "SELECT zoom_level, tile_column, tile_row, fetched, etag, modified, fresh_until, seal, hash, "
            f"CASE WHEN length(data) <= {_LARGEST} THEN data END FROM placement LEFT JOIN blob ON blob.id = blob_id"
        )
        for zoom, x, row, fetched, etag, modified, fresh, stated, stated_hash, data in _counted(
            rows, path, _LEAST_PLACEMENT_BYTES
        ):
            tile = _tile(zoom, x, row)
            if tile is None:
                continue
            if not isinstance(data, bytes):
                yield OfferedTile(tile, b"", 0, fault="its bytes are missing, or are far too many")
            elif body_hash(data) != stated_hash:
                yield OfferedTile(tile, b"", 0, fault="its bytes have changed")
            elif stated != seal(zoom, x, row, stated_hash):
                yield OfferedTile(tile, b"", 0, fault="it is stored at another tile's place")
            elif not isinstance(fetched, int) or not 0 <= fetched <= LAST_SECOND:
                yield OfferedTile(tile, b"", 0, fault="it is dated before 1970 or after 9999")
            else:
                yield OfferedTile(
                    tile,
                    data,
                    fetched,
                    _text(etag),
                    _text(modified),
                    fresh if isinstance(fresh, int) else None,
                )


def _counted(rows: Iterable[Any], path: Path, least_bytes: int) -> Iterator[Any]:
    """The rows. Raises StoreError where there are more than a file of this size can hold: its pages go round, or a
    view makes them up."""
    most = path.stat().st_size // least_bytes
    for number, row in enumerate(rows):
        if number > most:
            raise StoreError(f"{path} lists more tiles than a file of its size can hold, so reading stopped.")
        yield row


def _text(value: object) -> str | None:
    """A validator goes out again as a header: visible ASCII (RFC 9110 8.8.3), and none is better than a bad one."""
    return value if isinstance(value, str) and value.isascii() and value.isprintable() else None


def mbtiles_offers(path: Path) -> Iterator[OfferedTile]:
    """Every tile of any MBTiles file, taken as it stands; dated by the file itself.

    Raises StoreError if it is not a database or has no tiles table or view.
    """
    if not path.is_file():
        raise InputError(f"{path} does not exist. Name an MBTiles file or a folder of z/x/y files.")
    dated = int(path.stat().st_mtime)
    with translated(path):
        db = open_untrusted(path)
        try:
            names = {row[0] for row in db.execute("SELECT name FROM sqlite_master")}
            if "tiles" not in names:
                raise StoreError(f"{path} has no table or view named tiles, so it is not an MBTiles file.")
            # A view may build huge values out of small ones.
            db.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, 2 * _LARGEST)
            rows = db.execute(
                "SELECT zoom_level, tile_column, tile_row, "
                f"CASE WHEN length(tile_data) <= {_LARGEST} THEN tile_data END FROM tiles"
            )
            for zoom, x, row, data in _counted(rows, path, _LEAST_ROW_BYTES):
                tile = _tile(zoom, x, row)
                if tile is None:
                    continue
                if isinstance(data, bytes):
                    yield OfferedTile(tile, data, dated)
                else:
                    yield OfferedTile(
                        tile, b"", dated, fault="its data is not stored as bytes, or is far too large"
                    )
        finally:
            db.close()


def geopackage_offers(path: Path, layer: str) -> Iterator[OfferedTile]:
    """Every tile of the one table of tiles of a GeoPackage (OGC 12-128r19), or of the table named after a layer; dated
    by the file itself.

    Raises InputError for tiles on another grid than that of the web, StoreError for what is no GeoPackage.
    """
    dated = int(path.stat().st_mtime)
    with translated(path):
        db = open_untrusted(path)
        try:
            db.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, 2 * _LARGEST)
            table = _tile_table(db, path, layer)
            grid = matrices(db, path, table)
            rows = db.execute(
                "SELECT zoom_level, tile_column, tile_row, "
                f"CASE WHEN length(tile_data) <= {_LARGEST} THEN tile_data END FROM {quoted(table)}"
            )
            for level, column, row, data in _counted(rows, path, _LEAST_ROW_BYTES):
                tile = grid[level].tile(column, row) if level in grid else None
                if tile is None:
                    continue
                fault = (
                    None
                    if isinstance(data, bytes)
                    else "its data is not stored as bytes, or is far too large"
                )
                yield OfferedTile(tile, data if fault is None else b"", dated, fault=fault)
        finally:
            db.close()


def _tile_table(db: sqlite3.Connection, path: Path, layer: str) -> str:
    names = [
        name
        for (name,) in db.execute("SELECT table_name FROM gpkg_contents WHERE data_type = 'tiles' LIMIT 1000")
        if isinstance(name, str)
    ]
    if not names:
        raise InputError(f"{path} is a GeoPackage without tiles. {_OTHER_FILES}")
    if len(names) > 1 and table_name(layer) not in names:
        raise InputError(
            f"{path} has several tables of tiles ({', '.join(names[:5])}), and none is named after layer "
            f'"{layer}". Put the one that is meant into a file of its own.'
        )
    return names[0] if len(names) == 1 else table_name(layer)


_OTHER_FILES = "Name one with a table of tiles, an MBTiles file, or a folder of z/x/y files."


def is_geopackage(path: Path) -> bool:
    """Whether a database says that it is a GeoPackage, going by its tables (requirement 13 of OGC 12-128r19)."""
    with translated(path):
        db = open_untrusted(path)
        try:
            return {"gpkg_contents", "gpkg_tile_matrix"} <= {
                row[0] for row in db.execute("SELECT name FROM sqlite_master")
            }
        finally:
            db.close()


def folder_offers(folder: Path) -> Iterator[OfferedTile]:
    """Every file named z/x/y with an image's ending below a folder, rows counted from the top."""
    if not folder.is_dir():
        raise InputError(f"{folder} does not exist. Name an MBTiles file or a folder of z/x/y files.")
    for path in sorted(folder.glob("*/*/*")):
        zoom, x, y = path.parent.parent.name, path.parent.name, path.stem
        if path.suffix.lower() not in _ENDINGS or not all(
            p.isascii() and p.isdecimal() for p in (zoom, x, y)
        ):
            continue
        if len(zoom) > 2 or len(x) > 9 or len(y) > 9 or is_link(path) or not path.is_file():
            continue
        tile = _tile(int(zoom), int(x), tms_row(int(zoom), int(y)))
        if tile is not None:
            size, dated = path.stat().st_size, int(path.stat().st_mtime)
            huge = size > _LARGEST
            yield OfferedTile(
                tile, b"" if huge else path.read_bytes(), dated, fault="it is huge" if huge else None
            )


def _tile(zoom: object, x: object, row: object) -> Tile | None:
    """The tile at a place given in TMS rows, None if there is no such place."""
    if not (isinstance(zoom, int) and isinstance(x, int) and isinstance(row, int)):
        return None
    if not (0 <= zoom <= MAX_ZOOM and 0 <= x < 1 << zoom and 0 <= row < 1 << zoom):
        return None
    return Tile(zoom, x, tms_row(zoom, row))


def is_database(path: Path) -> bool:
    """Whether a file begins as an SQLite database does (SQLite file format 1.3.1)."""
    refuse_special(path)
    with translated(path), path.open("rb") as file:
        return file.read(16) == b"SQLite format 3\0"


def is_our_pack(path: Path) -> bool:
    """Whether a file says that it is a pack of ours, going by its layout."""
    with translated(path):
        db = open_untrusted(path)
        try:
            names = {row[0] for row in db.execute("SELECT name FROM sqlite_master")}
            return (
                db.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID and "placement" in names
            )
        finally:
            db.close()


def stated_name(path: Path) -> str:
    """The name that an MBTiles file gives itself (MBTiles 1.3, "name"); "" for one without it and for anything else."""
    if not path.is_file() or not is_database(path):
        return ""
    with translated(path):
        db = open_untrusted(path)
        try:
            row = db.execute("SELECT value FROM metadata WHERE name = 'name' LIMIT 1").fetchone()
        except sqlite3.OperationalError:  # no such table
            return ""
        finally:
            db.close()
    return row[0] if row is not None and isinstance(row[0], str) else ""
