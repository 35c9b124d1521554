"""Sealed GeoPackages, held requirement by requirement against OGC GeoPackage 1.4 and read by GDAL."""

from __future__ import annotations

import re
import sqlite3
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from pyproj import CRS
from rasterio import Affine

from packer.errors import InputError
from packer.geometry.tileset import Tile
from packer.handover import handover
from packer.planning.brief import Brief
from packer.planning.plan import Plan
from packer.store.sealed_gpkg import table_name
from tests.handover_packs import DAY, brief_in, build, packs, picture, received
from tests.test_handover_mbtiles import pixels_equal_the_source, query

HALF_M = 20037508.342789244  # OGC 17-083r4, WebMercatorQuad


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Plan]:
    tmp_path = tmp_path_factory.mktemp("source")
    brief, worked_out = brief_in(tmp_path)
    packs(brief, worked_out)
    handover(brief, worked_out, None, tmp_path / "card", as_="gpkg")
    return tmp_path / "card" / "aerial.gpkg", worked_out


def test_file_container(sealed: tuple[Path, Plan]) -> None:
    path, _ = sealed
    assert path.read_bytes()[:16] == b"SQLite format 3\0"  # requirement 1
    assert query(path, "PRAGMA application_id") == [(0x47504B47,)]  # requirement 2
    assert query(path, "PRAGMA user_version") == [(10400,)]  # requirement 2, for version 1.4.0
    assert path.suffix == ".gpkg"  # requirement 3
    assert query(path, "PRAGMA integrity_check") == [("ok",)]  # requirement 6
    assert query(path, "PRAGMA foreign_key_check") == []  # requirement 7


def test_columns_have_only_the_listed_types(sealed: tuple[Path, Plan]) -> None:
    """Requirement 5."""
    path, _ = sealed
    tables = [row[0] for row in query(path, "SELECT name FROM sqlite_master WHERE type = 'table'")]
    types = {row[0] for t in tables for row in query(path, f"SELECT type FROM pragma_table_info('{t}')")}
    assert types == {"TEXT", "INTEGER", "DOUBLE", "BLOB", "DATETIME"}


def test_spatial_reference_systems(sealed: tuple[Path, Plan]) -> None:
    """Requirements 10 to 12, with the definitions read by PROJ."""
    path, _ = sealed
    rows = {
        row[0]: row[1:]
        for row in query(
            path,
            "SELECT srs_id, organization, organization_coordsys_id, definition FROM gpkg_spatial_ref_sys",
        )
    }
    assert set(rows) == {-1, 0, 4326, 3857}
    assert rows[-1] == ("NONE", -1, "undefined")
    assert rows[0] == ("NONE", 0, "undefined")
    for code in (4326, 3857):
        assert rows[code][:2] == ("EPSG", code)
        assert CRS.from_wkt(rows[code][2]).to_epsg() == code


def test_contents(sealed: tuple[Path, Plan]) -> None:
    """Requirements 13 to 15 and 34."""
    path, _ = sealed
    rows = query(
        path, "SELECT table_name, data_type, identifier, last_change, srs_id, min_x, max_x FROM gpkg_contents"
    )
    assert len(rows) == 1
    name, kind, identifier, changed, srs, min_x, max_x = rows[0]
    assert (name, kind, srs) == ("aerial", "tiles", 3857)
    assert identifier == "Ketterling Basin reconnaissance: aerial"
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", changed)
    assert -HALF_M < min_x < max_x < HALF_M


def test_time_of_the_last_change_is_when_the_newest_tile_came(sealed: tuple[Path, Plan]) -> None:
    """GeoPackage 1.4, table 4 (gpkg_contents): last_change is the time of the last change to the content."""
    path, worked_out = sealed
    newest = DAY + 3600 * worked_out.layers["aerial"].tiles.zooms[-1]  # as these packs are made
    ((changed,),) = query(path, "SELECT last_change FROM gpkg_contents")
    assert datetime.fromisoformat(changed).timestamp() == newest


def test_tile_matrix_set_and_matrices(sealed: tuple[Path, Plan]) -> None:
    """Requirements 35, 38 to 53, 144 and 147."""
    path, worked_out = sealed
    sets = query(path, "SELECT * FROM gpkg_tile_matrix_set")
    assert sets == [("aerial", 3857, -HALF_M, -HALF_M, HALF_M, HALF_M)]
    matrices = query(path, "SELECT * FROM gpkg_tile_matrix ORDER BY zoom_level")
    zooms = [row[1] for row in matrices]
    assert zooms == list(worked_out.layers["aerial"].tiles.zooms)
    for name, zoom, width, height, tile_width, tile_height, pixel_x, pixel_y in matrices:
        assert name == "aerial"
        assert width == height == 1 << zoom
        assert tile_width == tile_height == 256
        assert width * tile_width * pixel_x == 2 * HALF_M  # exactly: no tolerance
        assert height * tile_height * pixel_y == 2 * HALF_M
    sizes = [row[6] for row in matrices]
    assert all(a == 2 * b for a, b in pairwise(sizes))


def test_user_table_has_the_planned_tiles_with_rows_from_the_top(sealed: tuple[Path, Plan]) -> None:
    """Requirements 54 to 57."""
    path, worked_out = sealed
    columns = query(path, "SELECT name, type, pk FROM pragma_table_info('aerial')")
    assert columns[0] == ("id", "INTEGER", 1)
    assert [c[0] for c in columns[1:]] == ["zoom_level", "tile_column", "tile_row", "tile_data"]
    assert query(path, "SELECT \"unique\" FROM pragma_index_list('aerial')") == [(1,)]
    rows = query(path, "SELECT zoom_level, tile_column, tile_row, tile_data FROM aerial")
    found = {Tile(z, x, y): data for z, x, y, data in rows}
    assert set(found) == set(worked_out.layers["aerial"].tiles)
    assert all(data == picture(tile) for tile, data in found.items())


def test_png_needs_no_extension(sealed: tuple[Path, Plan]) -> None:
    """Requirement 36; an empty table of extensions would be one more thing to go wrong."""
    path, _ = sealed
    assert query(path, "SELECT name FROM sqlite_master WHERE name = 'gpkg_extensions'") == []


def test_gdal_finds_the_source_pixels_at_their_coordinates_in_geopackage(sealed: tuple[Path, Plan]) -> None:
    path, worked_out = sealed
    for zoom in (15, 14, 9):
        tiles = list(worked_out.layers["aerial"].tiles.at(zoom))
        assert pixels_equal_the_source(path, tiles[:: max(1, len(tiles) // 6)], ZOOM_LEVEL=zoom) >= 10


def of_kind(tmp_path: Path, form: str, kind: str, px: int = 256) -> tuple[Brief, Plan]:
    brief, worked_out = brief_in(tmp_path, deepest=13)
    for name, layer in worked_out.layers.items():
        records = [received(tile, picture(tile, form, px), kind) for tile in layer.tiles]
        build(brief.store_folder / f"{name}.mbtiles", kind, records, worked_out)
    return brief, worked_out


def test_webp_is_registered_as_gdal_registers_it(tmp_path: Path) -> None:
    """The row of gpkg_extensions is held against one that GDAL writes."""
    theirs = tmp_path / "theirs.gpkg"
    options: dict[str, Any] = {"TILE_FORMAT": "WEBP", "TILING_SCHEME": "GoogleMapsCompatible"}
    box = Affine(2 * HALF_M / 256, 0, -HALF_M, 0, -2 * HALF_M / 256, HALF_M)
    with rasterio.open(
        theirs,
        "w",
        driver="GPKG",
        width=256,
        height=256,
        count=3,
        dtype="uint8",
        crs="EPSG:3857",
        transform=box,
        **options,
    ) as made:
        made.write(np.zeros((3, 256, 256), dtype=np.uint8))
    brief, worked_out = of_kind(tmp_path, "WEBP", "webp")
    handover(brief, worked_out, None, tmp_path / "card", as_="gpkg")
    ours = tmp_path / "card" / "topo.gpkg"
    what = "SELECT column_name, extension_name, definition, scope FROM gpkg_extensions"
    assert query(ours, what) == query(theirs, what)
    assert query(ours, "SELECT table_name FROM gpkg_extensions") == [("topo",)]
    with rasterio.open(ours) as found:
        assert found.count == 4


def test_jpeg_tiles_of_512_pixels_keep_the_extent_exact(tmp_path: Path) -> None:
    brief, worked_out = of_kind(tmp_path, "JPEG", "jpg", px=512)
    handover(brief, worked_out, None, tmp_path / "card", as_="gpkg")
    path = tmp_path / "card" / "topo.gpkg"
    for width, pixel in query(path, "SELECT matrix_width * tile_width, pixel_x_size FROM gpkg_tile_matrix"):
        assert width * pixel == 2 * HALF_M
    assert {row[0] for row in query(path, "SELECT tile_width FROM gpkg_tile_matrix")} == {512}


def test_tiles_of_several_sizes_are_refused_and_leave_nothing(tmp_path: Path) -> None:
    brief, worked_out = brief_in(tmp_path, deepest=13)
    packs(brief, worked_out, draw=lambda tile: picture(tile, px=512 if tile.zoom == 13 else 256))
    with pytest.raises(InputError, match="several sizes"):
        handover(brief, worked_out, None, tmp_path / "card", as_="gpkg")
    assert [p.name for p in (tmp_path / "card").iterdir() if not p.name.startswith(".")] == []


def test_vector_tiles_are_refused(tmp_path: Path) -> None:
    brief, worked_out = brief_in(tmp_path)
    tiles = worked_out.layers["topo"].tiles
    body = b"\x1a\x05\x0a\x01a\x78\x02"  # one layer named "a", version 2
    packs(brief, worked_out)
    pack = brief.store_folder / "topo.mbtiles"
    pack.unlink()
    build(pack, "pbf", [received(tile, body, "pbf", DAY) for tile in tiles], worked_out)
    with pytest.raises(InputError, match="vector tiles"):
        handover(brief, worked_out, None, tmp_path / "card", as_="gpkg")


@pytest.mark.parametrize(
    ("layer", "name"),
    [("aerial", "aerial"), ("Aerial 2030.v2", "aerial_2030_v2"), ("gpkg_x", "t_gpkg_x"), ("3d", "t_3d")],
)
def test_table_names_keep_clear_of_the_reserved_ones(layer: str, name: str) -> None:
    assert table_name(layer) == name
    db = sqlite3.connect(":memory:")
    db.execute(f"CREATE TABLE {name} (id INTEGER)")
    db.close()
