"""Writing a sealed GeoPackage 1.4 of tiles (OGC 12-128r19): the same care and promises as for MBTiles.

Numbers in comments are the standard's requirements. The tile matrix set is the whole square of EPSG:3857, so
that rows and columns are those of XYZ addresses; the contents row says where there is anything.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from packer.geometry.grid import EQUATOR_M, Ints
from packer.geometry.tileset import Tile
from packer.store.sealed_mbtiles import PageCount, table_cells
from packer.store.staged_file import Building, FileForm, Resume, layout

__all__ = ["GeopackageSize", "GpkgContents", "geopackage_layouts", "table_name", "write_geopackage"]

_APPLICATION_ID = 0x47504B47  # "GPKG", requirement 2
_USER_VERSION = 10400  # version 1.4.0, requirement 2
_HALF_M = 20037508.342789244  # OGC 17-083r4, WebMercatorQuad's origin; twice it is a double without rounding
_FIXED_PAGES = 28
_WEBP = "http://www.geopackage.org/spec120/#extension_tiles_webp"

# The tables of annex C (requirements 10, 13, 38 and 42).
_TABLES = """
CREATE TABLE gpkg_spatial_ref_sys (
    srs_name TEXT NOT NULL, srs_id INTEGER NOT NULL PRIMARY KEY, organization TEXT NOT NULL,
    organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT
);
CREATE TABLE gpkg_contents (
    table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE,
    description TEXT DEFAULT '',
    last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
    min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER,
    CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id)
);
CREATE TABLE gpkg_tile_matrix_set (
    table_name TEXT NOT NULL PRIMARY KEY, srs_id INTEGER NOT NULL,
    min_x DOUBLE NOT NULL, min_y DOUBLE NOT NULL, max_x DOUBLE NOT NULL, max_y DOUBLE NOT NULL,
    CONSTRAINT fk_gtms_table_name FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
    CONSTRAINT fk_gtms_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id)
);
CREATE TABLE gpkg_tile_matrix (
    table_name TEXT NOT NULL, zoom_level INTEGER NOT NULL,
    matrix_width INTEGER NOT NULL, matrix_height INTEGER NOT NULL,
    tile_width INTEGER NOT NULL, tile_height INTEGER NOT NULL,
    pixel_x_size DOUBLE NOT NULL, pixel_y_size DOUBLE NOT NULL,
    CONSTRAINT pk_ttm PRIMARY KEY (table_name, zoom_level),
    CONSTRAINT fk_tmm_table_name FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name)
)"""
_EXTENSIONS = """
CREATE TABLE gpkg_extensions (
    table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL, definition TEXT NOT NULL,
    scope TEXT NOT NULL, CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name)
)"""
_TILES = """
CREATE TABLE "{}" (
    id INTEGER PRIMARY KEY, zoom_level INTEGER NOT NULL, tile_column INTEGER NOT NULL,
    tile_row INTEGER NOT NULL, tile_data BLOB NOT NULL, UNIQUE (zoom_level, tile_column, tile_row)
)"""
_WGS84 = (
    'GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563,AUTHORITY["EPSG","7030"]],'
    'AUTHORITY["EPSG","6326"]],PRIMEM["Greenwich",0,AUTHORITY["EPSG","8901"]],'
    'UNIT["degree",0.0174532925199433,AUTHORITY["EPSG","9122"]],AUTHORITY["EPSG","4326"]]'
)
_PSEUDO_MERCATOR = (
    f'PROJCS["WGS 84 / Pseudo-Mercator",{_WGS84},PROJECTION["Mercator_1SP"],PARAMETER["central_meridian",0],'
    'PARAMETER["scale_factor",1],PARAMETER["false_easting",0],PARAMETER["false_northing",0],'
    'UNIT["metre",1,AUTHORITY["EPSG","9001"]],AXIS["Easting",EAST],AXIS["Northing",NORTH],'
    'EXTENSION["PROJ4","+proj=merc +a=6378137 +b=6378137 +lat_ts=0 +lon_0=0 +x_0=0 +y_0=0 +k=1 +units=m '
    '+nadgrids=@null +wktext +no_defs"],AUTHORITY["EPSG","3857"]]'
)
_SYSTEMS = (  # requirement 11, and the one that the tiles are in
    ("Undefined Cartesian", -1, "NONE", -1, "undefined", "undefined Cartesian coordinate reference system"),
    ("Undefined geographic", 0, "NONE", 0, "undefined", "undefined geographic coordinate reference system"),
    ("WGS 84", 4326, "EPSG", 4326, _WGS84, "longitude and latitude in degrees"),
    ("WGS 84 / Pseudo-Mercator", 3857, "EPSG", 3857, _PSEUDO_MERCATOR, "spherical Mercator in metres"),
)


@dataclass(frozen=True, slots=True)
class GpkgContents:
    """What a file says of its tiles.

    `box` is west, south, east and north of what there is, as grid fractions from the west and from the top;
    `last_change` is text such as "2030-05-01T00:00:00.000Z".
    """

    identifier: str
    description: str
    last_change: str
    kind: str
    tile_px: int
    zooms: tuple[int, ...]
    box: tuple[float, float, float, float]


def table_name(layer: str) -> str:
    """The name of the table of tiles for a layer."""
    plain = re.sub(r"\W+", "_", layer.lower(), flags=re.ASCII).strip("_")
    return (
        plain
        if plain and not plain.startswith(("gpkg", "sqlite", "rtree")) and plain[0].isalpha()
        else f"t_{plain}"
    )


def geopackage_layouts(table: str) -> tuple[frozenset[str], frozenset[str]]:
    """The statements that make up a sealed GeoPackage, each on one line: without and with an extension."""
    return layout(_TABLES, _TILES.format(table)), layout(_TABLES, _TILES.format(table), _EXTENSIONS)


def write_geopackage(
    path: Path,
    layer: str,
    tiles: Iterable[tuple[Tile, bytes]],
    contents: Callable[[], GpkgContents],
    max_bytes: int | None = None,
    there: Resume | None = None,
) -> None:
    """Write a file of tiles in the order given; `contents` is asked for once the tiles are in.

    `there`, errors and what holds if the process dies are as for `write_mbtiles`.
    """
    name = table_name(layer)
    form = FileForm((_TABLES, _TILES.format(name)), name, _APPLICATION_ID, _USER_VERSION, _EXTENSIONS)
    with Building(path, form, max_bytes) as file:
        if there is not None:
            there((Tile(z, x, y), data) for z, x, y, data in file.rows())
        file.fill(
            f'INSERT INTO "{name}" VALUES (NULL, ?, ?, ?, ?)',
            ((t.zoom, t.x, t.y, data) for t, data in tiles),  # rows count from the top, clause 2.2.8
        )
        what = contents()
        file.describe(lambda db: _describe(db, name, what))


def _describe(db: sqlite3.Connection, name: str, what: GpkgContents) -> None:
    """Write the rows that say what the table of tiles is, inside the caller's transaction."""
    db.executemany("INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, ?)", _SYSTEMS)
    west, south, east, north = what.box
    box = (
        (west - 0.5) * EQUATOR_M,
        (0.5 - south) * EQUATOR_M,
        (east - 0.5) * EQUATOR_M,
        (0.5 - north) * EQUATOR_M,
    )
    db.execute(
        "INSERT INTO gpkg_contents VALUES (?, 'tiles', ?, ?, ?, ?, ?, ?, ?, 3857)",  # requirement 34
        (name, what.identifier, what.description, what.last_change, *box),
    )
    db.execute(
        "INSERT INTO gpkg_tile_matrix_set VALUES (?, 3857, ?, ?, ?, ?)",
        (name, -_HALF_M, -_HALF_M, _HALF_M, _HALF_M),
    )
    db.executemany(
        "INSERT INTO gpkg_tile_matrix VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        [(name, *_matrix(zoom, what.tile_px)) for zoom in what.zooms],
    )
    if what.kind == "webp":  # a registered extension: PNG and JPEG need none (36, 37)
        db.execute(_EXTENSIONS)
        db.execute(
            "INSERT INTO gpkg_extensions VALUES (?, 'tile_data', 'gpkg_webp', ?, 'read-write')",
            (name, _WEBP),
        )


def _matrix(zoom: int, tile_px: int) -> tuple[int, int, int, int, int, float, float]:
    """Requirements 42-53: width times pixels times their size is just the extent, which halving keeps exact for
    tiles of 256 or 512 px."""
    pixel_m = 2 * _HALF_M / tile_px / (1 << zoom)
    return zoom, 1 << zoom, 1 << zoom, tile_px, tile_px, pixel_m, pixel_m


class GeopackageSize:
    """A size in bytes that the file of some tiles, taken in their order, does not exceed, and hardly falls short of."""

    def __init__(self) -> None:
        self._pages = PageCount()

    def add(self, x: Ints, y: Ints, size_bytes: Ints) -> None:
        """Take in the next tiles."""
        self._pages.add(*table_cells(x, y, size_bytes, more_columns=1))

    @property
    def bytes(self) -> int:
        """The size so far."""
        return self._pages.bytes(_FIXED_PAGES)
