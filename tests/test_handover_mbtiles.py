"""Sealed MBTiles files, held against the specification and read by GDAL."""

from __future__ import annotations

import io
import json
import sqlite3
import subprocess
import sys
from pathlib import Path
from shutil import which
from typing import Any

import mercantile
import numpy as np
import pytest
import rasterio
import shapely
from PIL import Image

from packer.geometry.tileset import Tile
from packer.handover import handover
from packer.planning.brief import Brief
from packer.planning.plan import Plan, plan
from packer.store.records import Absent, Record
from tests.handover_packs import DAY, brief_in, build, packs, picture, received


@pytest.fixture(scope="module")
def ready(tmp_path_factory: pytest.TempPathFactory) -> tuple[Brief, Plan]:
    brief, worked_out = brief_in(tmp_path_factory.mktemp("source"))
    packs(brief, worked_out)
    return brief, worked_out


def metadata(path: Path) -> dict[str, str]:
    with sqlite3.connect(path) as db:
        rows = dict(db.execute("SELECT name, value FROM metadata").fetchall())
    db.close()
    return rows


def query(path: Path, sql: str) -> list[Any]:
    db = sqlite3.connect(f"{path.as_uri()}?mode=ro&immutable=1", uri=True)
    try:
        return db.execute(sql).fetchall()
    finally:
        db.close()


def test_sealed_file_meets_the_mbtiles_specification(ready: tuple[Brief, Plan], tmp_path: Path) -> None:
    """MBTiles 1.3, text of 2018; sections named as there."""
    brief, worked_out = ready
    handover(brief, worked_out, None, tmp_path / "card")
    path = tmp_path / "card" / "aerial.mbtiles"
    # "Database": application_id; "Tiles", schema: a plain table and its unique index, nothing of a journal.
    assert query(path, "PRAGMA application_id") == [(0x4D504258,)]
    assert query(path, "SELECT type, name FROM sqlite_master ORDER BY name") == [
        ("table", "metadata"),
        ("index", "name"),
        ("index", "tile_index"),
        ("table", "tiles"),
    ]
    assert query(path, "SELECT name, type FROM pragma_table_info('tiles')") == [
        ("zoom_level", "INTEGER"),
        ("tile_column", "INTEGER"),
        ("tile_row", "INTEGER"),
        ("tile_data", "BLOB"),
    ]
    assert query(path, "PRAGMA integrity_check") == [("ok",)]
    assert query(path, "PRAGMA journal_mode") == [("delete",)]  # no log to be kept beside it
    assert sorted(p.name for p in path.parent.iterdir()) == [
        "ON THIS CARD.txt",
        "aerial.mbtiles",
        "manifest.json",
        "topo.mbtiles",
    ]
    # "Metadata", contents: name and format MUST, the others SHOULD or MAY.
    rows = metadata(path)
    assert set(rows) == {
        *("name", "format", "bounds", "center", "minzoom", "maxzoom"),
        *("attribution", "description", "type", "version"),
    }
    assert (rows["format"], rows["minzoom"], rows["maxzoom"]) == ("png", "0", "15")
    assert (rows["type"], rows["version"], rows["attribution"]) == ("baselayer", "1", "Example Survey")
    west, south, east, north = (float(v) for v in rows["bounds"].split(","))
    for tile in worked_out.layers["aerial"].tiles:
        box = mercantile.bounds(tile.x, tile.y, tile.zoom)
        assert box.west < east
        assert box.east > west  # a reader that keeps to the bounds asks for every one of them
        if tile.zoom == 15:
            assert west - 1e-8 <= box.west < box.east <= east + 1e-8
            assert south - 1e-8 <= box.south < box.north <= north + 1e-8
    lon, lat, zoom = (float(v) for v in rows["center"].split(","))
    assert west < lon < east
    assert south < lat < north
    assert 0 <= zoom <= 15


def test_exactly_the_planned_tiles_are_in_the_file_with_rows_from_the_bottom(
    ready: tuple[Brief, Plan], tmp_path: Path
) -> None:
    brief, worked_out = ready
    handover(brief, worked_out, None, tmp_path / "card")
    rows = query(tmp_path / "card" / "topo.mbtiles", "SELECT * FROM tiles")
    found = {Tile(z, x, (1 << z) - 1 - row): data for z, x, row, data in rows}
    assert set(found) == set(worked_out.layers["topo"].tiles)
    assert all(data == picture(tile) for tile, data in found.items())


def at(tile: Tile, right: float, down: float) -> tuple[float, float]:
    """A position in EPSG:3857 inside a tile, by a library that is not ours."""
    box = mercantile.xy_bounds(tile.x, tile.y, tile.zoom)
    return box.left + right * (box.right - box.left), box.top - down * (box.top - box.bottom)


def pixels_equal_the_source(path: Path, tiles: list[Tile], **options: Any) -> int:
    """Holds what GDAL sees against the source's own pixels; gives the number of positions compared."""
    compared = 0
    with rasterio.open(path, **options) as found:
        assert found.crs.to_epsg() == 3857
        for tile in tiles:
            source = np.asarray(Image.open(io.BytesIO(picture(tile))).convert("RGB"))
            for right, down in ((0.1, 0.1), (0.9, 0.1), (0.1, 0.9), (0.501, 0.499)):
                x, y = at(tile, right, down)
                if not (
                    found.bounds.left < x < found.bounds.right and found.bounds.bottom < y < found.bounds.top
                ):
                    continue  # GDAL cuts the tiles above the deepest ones at the stated bounds
                seen = next(found.sample([(x, y)]))[:3]
                assert tuple(seen) == tuple(source[int(down * 256), int(right * 256)]), tile
                compared += 1
    return compared


def test_gdal_finds_the_source_pixels_at_their_coordinates_in_mbtiles(
    ready: tuple[Brief, Plan], tmp_path: Path
) -> None:
    brief, worked_out = ready
    handover(brief, worked_out, None, tmp_path / "card")
    path = tmp_path / "card" / "aerial.mbtiles"
    for zoom in (15, 14, 9):
        tiles = list(worked_out.layers["aerial"].tiles.at(zoom))
        compared = pixels_equal_the_source(path, tiles[:: max(1, len(tiles) // 6)], ZOOM_LEVEL=zoom)
        assert compared >= 10


@pytest.mark.skipif(which("gdalinfo") is None, reason="gdalinfo is not installed here")
def test_gdalinfo_reads_name_and_zooms(ready: tuple[Brief, Plan], tmp_path: Path) -> None:
    brief, worked_out = ready
    handover(brief, worked_out, None, tmp_path / "card")
    for name, kind in (("aerial.mbtiles", "mbtiles"), ("aerial.gpkg", "gpkg")):
        folder = tmp_path / kind
        handover(brief, worked_out, None, folder, as_="gpkg" if kind == "gpkg" else "mbtiles")
        done = subprocess.run(["gdalinfo", folder / name], capture_output=True, encoding="utf-8", check=True)
        told = done.stdout
        assert "ZOOM_LEVEL=15" in told
        assert "Ketterling Basin reconnaissance: aerial" in told


def test_same_content_gives_the_same_bytes_whatever_the_order_of_fetching(tmp_path: Path) -> None:
    folders = []
    for number in range(2):
        folder = tmp_path / str(number)
        brief, worked_out = brief_in(folder)
        packs(brief, worked_out, shuffle=number or None)
        for kind in ("mbtiles", "gpkg", "folder"):
            handover(brief, worked_out, None, folder / "out" / kind, as_=kind)
        folders.append(folder / "out")
    first, second = ({p.relative_to(f): p.read_bytes() for p in f.rglob("*") if p.is_file()} for f in folders)
    assert len(first) == 141  # 4 sealed files, 127 loose tiles, 4 beside them, 3 cards and manifests
    assert first == second


def test_same_content_gives_the_same_bytes_in_another_process(
    ready: tuple[Brief, Plan], tmp_path: Path
) -> None:
    brief, worked_out = ready
    handover(brief, worked_out, None, tmp_path / "here")
    root = Path(__file__).parent.parent
    code = (
        "import sys; from pathlib import Path; from packer.handover import handover\n"
        "from tests.handover_packs import brief_in\n"
        "brief, plan = brief_in(Path(sys.argv[1]))\n"
        "handover(brief, plan, None, Path(sys.argv[2]))\n"
    )
    there = tmp_path / "there"
    subprocess.run([sys.executable, "-c", code, brief.folder, there], check=True, cwd=root)
    for name in ("aerial.mbtiles", "topo.mbtiles", "manifest.json", "ON THIS CARD.txt"):
        assert (tmp_path / "here" / name).read_bytes() == (tmp_path / "there" / name).read_bytes()


_VECTOR_BRIEF = """
title = "Vector ground"
[layers.lines]
url = "https://tiles.invented.example/{z}/{x}/{y}.pbf"
attribution = "Example Survey"
permission = "Own server"
zooms = [0, 6]
format = "pbf"
[overview]
margin = "1 km"
deepest = 2
[[areas]]
name = "all"
box = [10.0, 45.0, 14.0, 48.0]
deepest = 6
"""


def test_vector_layers_are_those_that_gdal_wrote(tmp_path: Path) -> None:
    """The tiles come from GDAL's vector tile writer; its own `json` row is what ours is held against."""
    pyogrio = pytest.importorskip("pyogrio")
    source = tmp_path / "gdal.mbtiles"
    path = shapely.LineString([(10.5, 45.5), (13.5, 47.5)])
    pyogrio.raw.write(
        source,
        np.array([path.wkb], dtype=object),
        [np.array(["a"], dtype=object), np.array([3]), np.array([2.5])],
        ["label", "rank", "width"],
        driver="MBTILES",
        layer="paths",
        geometry_type="LineString",
        crs="EPSG:4326",
        dataset_options={"MINZOOM": "0", "MAXZOOM": "6"},
    )
    brief = Brief.from_text(_VECTOR_BRIEF, tmp_path / "brief.toml")
    worked_out = plan(brief)
    there = {
        Tile(z, x, (1 << z) - 1 - row): data
        for z, x, row, data in query(source, "SELECT zoom_level, tile_column, tile_row, tile_data FROM tiles")
    }
    records: list[Record] = [
        received(tile, there[tile], "pbf") if tile in there else Absent(tile, 404, DAY)
        for tile in worked_out.layers["lines"].tiles
    ]
    build(brief.store_folder / "lines.mbtiles", "pbf", records, worked_out)
    handover(brief, worked_out, None, tmp_path / "card")
    theirs = json.loads(metadata(source)["json"])["vector_layers"]
    # The pack itself has the row with every commit, and so has what is handed over.
    for pack in (brief.store_folder / "lines.mbtiles", tmp_path / "card" / "lines.mbtiles"):
        ours = json.loads(metadata(pack)["json"])["vector_layers"]
        assert [(la["id"], la["fields"]) for la in ours] == [(la["id"], la["fields"]) for la in theirs]
        assert metadata(pack)["format"] == "pbf"
        assert pyogrio.list_layers(pack)[0][0] == "paths"
        assert pyogrio.read_info(pack)["fields"].tolist() == ["mvt_id", "label", "rank", "width"]
