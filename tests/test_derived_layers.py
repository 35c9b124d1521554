"""Layers whose tiles are made from those of another grid: fetched, killed, proven, and held against GDAL's warper."""

from __future__ import annotations

import asyncio
import io
import json
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import rasterio
from PIL import Image
from pyproj import Transformer

from packer.cli import run_fetch, run_merge, run_verify, show_plan, show_status
from packer.cli.fetch_options import FetchOptions
from packer.content.rasters.deriving import derived_pixels
from packer.content.rasters.library import gdal
from packer.content.rasters.warping import CutBlock
from packer.desk.source_look import SourceLook
from packer.desk.trying import try_layer
from packer.errors import InputError, LastbarError, StoreError
from packer.fetching.hands.orders import LayerOrder, layer_order, source_of
from packer.fetching.hosts.offer_reading import read_offers
from packer.fetching.hosts.source import source_for
from packer.fetching.job import fetch_async
from packer.geometry.grid import EQUATOR_M
from packer.geometry.source_tiles import derived_zooms, windows_of
from packer.geometry.tileset import Tile, TileSet
from packer.handover.delivery import handover
from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.planning.source_layers import asked_of_servers, grid_of, source_remarks
from packer.proof.proving import verify
from packer.sources.matrices import TileMatrix, TileMatrixSet
from packer.sources.other_grids import grid_of_set
from packer.store.reader import tile_at
from packer.store.source_reader import read_source
from tests.commands import fetch_in_batches, start
from tests.support.grid_server import GridServer, Ground
from tests.support.map_server import CORNER, MapServer, program
from tests.support.map_server import ground as mapped_ground

Pixels = npt.NDArray[np.uint8]

# ------------------------------------------------------------------------------------- beside GDAL's warper

# Corners within the areas of use that the EPSG registry states (by pyproj): the British National Grid (EPSG:27700), the
# Swiss LV95 (EPSG:2056), UTM in the far north, and degrees south of the equator and at 60 degrees north.
PLACES = {
    "British National Grid": ("EPSG:27700", (430_000.0, 390_000.0), 2.0),
    "Swiss LV95": ("EPSG:2056", (2_620_000.0, 1_150_000.0), 2.0),
    "UTM at 69 north": ("EPSG:32634", (420_000.0, 7_650_000.0), 2.0),
    "degrees at 23 south": ("EPSG:4326", (-68.2, -22.9), 2.0e-5),
    "degrees at 60 north": ("EPSG:4326", (10.7, 60.0), 2.0e-5),
}
SIDE_PX = 1024


def in_memory(ground: Ground, tile: Tile) -> tuple[Pixels, bool]:
    """A tile made of the ground's own tiles; whether its source reaches over all of it."""
    matrix = TileMatrix("0", 1.0, (0.0, 0.0), (256, 256), SIDE_PX // 256, SIDE_PX // 256)
    unit_m = 111319.49079327358 if ground.crs == "EPSG:4326" else 1.0  # 07-057r7, clause 6.1
    corner = ground.corner[::-1] if ground.crs == "EPSG:4326" else ground.corner
    one = TileMatrix("0", ground.pixel * unit_m / 0.00028, corner, *[getattr(matrix, n) for n in _REST])
    grid = grid_of_set(TileMatrixSet("own", ground.crs, (one,)), {}, None)

    def pixels_at(column: int, row: int) -> Pixels:
        some = ground.bands[row * 256 : (row + 1) * 256, column * 256 : (column + 1) * 256]
        return np.dstack([some, np.full(some.shape[:2], 255, np.uint8)])

    [(_, window)] = windows_of(grid, TileSet.from_tiles([tile]), 256)
    assert window is not None
    with gdal():
        made = derived_pixels(grid, grid.matrices[window.matrix], window, tile, 256, pixels_at)
    return made, window.whole


_REST = ("tile_px", "columns", "rows")


def middle_tile(ground: Ground, zoom: int) -> Tile:
    west, south, east, north = ground.degrees()
    return tile_at((west + east) / 2, (south + north) / 2, zoom)


def by_gdalwarp(ground: Ground, tile: Tile, folder: Path, how: str) -> Pixels:
    west, south, east, north = _box(tile)
    subprocess.run(
        ["gdalwarp", "-q", "-overwrite", "-t_srs", "EPSG:3857", "-r", how, "-dstalpha", "-ovr", "NONE",
         "-te", repr(west), repr(south), repr(east), repr(north), "-ts", "256", "256",
         str(ground.geotiff(folder / "source.tif")), str(folder / "warped.tif")],
        check=True, timeout=60, env={"PATH": "/usr/bin:/bin", "PROJ_NETWORK": "OFF"},
    )  # fmt: skip
    with rasterio.open(folder / "warped.tif") as file:
        return np.moveaxis(file.read(), 0, -1)


def _box(tile: Tile) -> tuple[float, float, float, float]:
    a, _, west, _, e, north = CutBlock(tile.zoom, tile.x, tile.y, 1, 256).transform
    return west, north + 256 * e, west + 256 * a, north


@pytest.mark.skipif(shutil.which("gdalwarp") is None, reason="gdalwarp (package gdal-bin) is not installed")
@pytest.mark.parametrize("name", PLACES)
def test_derived_tiles_equal_what_gdalwarp_makes_of_the_same_source(name: str, tmp_path: Path) -> None:
    ground = Ground.drawn(*PLACES[name], SIDE_PX)
    tile = middle_tile(ground, 15)
    ours, whole = in_memory(ground, tile)
    theirs = by_gdalwarp(ground, tile, tmp_path, "cubic")
    assert whole
    assert theirs[..., 3].min() == 255
    difference = np.abs(ours[..., :3].astype(int) - theirs[..., :3])
    assert difference.mean() < 1


@pytest.mark.parametrize("name", PLACES)
def test_marks_on_the_ground_lie_where_they_should_to_within_half_a_pixel(name: str) -> None:
    """By PROJ alone: from the source's system to EPSG:3857, and by the cell sizes of 17-083r4, annex D."""
    crs, corner, pixel = PLACES[name]
    bands = np.zeros((SIDE_PX, SIDE_PX, 3), np.uint8)
    marks = [(at_row, at_column) for at_row in range(96, SIDE_PX, 64) for at_column in range(96, SIDE_PX, 64)]
    for row, column in marks:
        bands[row - 4 : row + 5, column - 4 : column + 5] = 255
    ground = Ground(crs, corner, pixel, bands)
    tile = middle_tile(ground, 15)
    ours, _ = in_memory(ground, tile)
    move = Transformer.from_crs(crs, "EPSG:3857", always_xy=True)
    west, _, _, north = _box(tile)
    cell = (_box(tile)[2] - west) / 256
    found = 0
    for row, column in marks:
        x, y = move.transform(corner[0] + (column + 0.5) * pixel, corner[1] - (row + 0.5) * pixel)
        across, down = (x - west) / cell - 0.5, (north - y) / cell - 0.5
        if not (14 < across < 241 and 14 < down < 241):
            continue
        left, top = round(across) - 12, round(down) - 12
        some = ours[top : top + 25, left : left + 25, 0].astype(float)
        rows, columns = np.mgrid[top : top + 25, left : left + 25]
        seen = (columns * some).sum() / some.sum(), (rows * some).sum() / some.sum()
        assert abs(seen[0] - across) < 0.5, (seen, across)
        assert abs(seen[1] - down) < 0.5, (seen, down)
        found += 1
    assert found >= 4


def test_what_lies_outside_of_the_source_is_transparent() -> None:
    ground = Ground.drawn(*PLACES["Swiss LV95"], SIDE_PX)
    west, _, _, north = ground.degrees()
    made, whole = in_memory(ground, tile_at(west, north, 15))
    assert not whole
    share = (made[..., 3] == 0).mean()
    assert 0.1 < share < 0.95
    assert not made[made[..., 3] == 0][:, :3].any()


# ------------------------------------------------------------------------------------- the whole job

BRIEF = """
title = "Valley"
overview = false

[layers.ortho]
{source}
attribution = "Invented Survey"
permission = "Own server"
requests-per-second = 1000
zooms = {zooms}
{more}

[[areas]]
name = "camp"
box = {box}
deepest = {deepest}
at-least = {floor}
"""


@cache
def swiss_ground() -> Ground:
    """Made by the first test that asks for it."""
    return Ground.drawn("EPSG:2056", (2_600_000.0, 1_200_000.0), 2.0)


@pytest.fixture(scope="module")
def running() -> Iterator[GridServer]:
    with GridServer(swiss_ground()) as server:
        yield server


@pytest.fixture
def server(running: GridServer) -> Iterator[GridServer]:
    yield running
    running.gone.clear()
    running.changed.clear()
    running.asked.clear()
    running.queries.clear()
    running.kind = "png"
    running.hold_after(None)


@pytest.fixture(scope="module")
def fetched(running: GridServer, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a trip that was fetched once for all tests, which copy it."""
    folder = tmp_path_factory.mktemp("fetched")
    brief, _ = asyncio.run(read_offers(Brief.read(brief_for(folder, running))))
    assert asyncio.run(fetch_async(brief, plan(brief))).complete
    running.asked.clear()
    return folder


def copied(fetched: Path, into: Path) -> Path:
    """The brief of a copy of the fetched trip."""
    shutil.copytree(fetched, into, dirs_exist_ok=True)
    return into / "brief.toml"


def brief_for(
    folder: Path,
    server: GridServer,
    more: str = "",
    *,
    source: str = "wmts",
    inside: float = 0.35,
    deepest: int = 15,
) -> Path:
    """A brief for the middle of the ground; `inside` is how far from its edges, as a share."""
    west, south, east, north = swiss_ground().degrees()
    wide, high = east - west, north - south
    box = [west + inside * wide, south + inside * high, east - inside * wide, north - inside * high]
    text = BRIEF.format(
        zooms=[13, 20],
        source=f'{source} = "{server.address}/{source}"',
        more=more,
        box=box,
        deepest=deepest,
        floor=min(deepest, 14),
    )
    path = folder / "brief.toml"
    path.write_text(text, encoding="utf-8")
    return path


def fetch(path: Path, **more: Any) -> int:
    return run_fetch.run(path, None, True, FetchOptions(**more))


def settled(path: Path) -> Brief:
    return asyncio.run(read_offers(Brief.read(path)))[0]


def rows(path: Path, name: str, query: str) -> list[tuple[Any, ...]]:
    db = sqlite3.connect(path.parent / "packs" / name)
    try:
        return db.execute(query).fetchall()
    finally:
        db.close()


def marks(path: Path) -> dict[Tile, str]:
    found = rows(path, "ortho.mbtiles", "SELECT zoom_level, tile_column, tile_row, etag FROM placement")
    return {Tile(z, x, (1 << z) - 1 - row): etag for z, x, row, etag in found}


def bodies(path: Path) -> dict[Tile, bytes]:
    found = rows(path, "ortho.mbtiles", "SELECT zoom_level, tile_column, tile_row, tile_data FROM tiles")
    return {Tile(z, x, (1 << z) - 1 - row): data for z, x, row, data in found}


def pixels(body: bytes) -> Pixels:
    with Image.open(io.BytesIO(body)) as image:
        return np.asarray(image.convert("RGB"))


def test_a_wmts_in_a_national_grid_is_planned_fetched_made_and_proven(
    server: GridServer, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = brief_for(tmp_path, server, deepest=17)
    assert show_plan.run(path, False, None, as_json=True) == 0
    planned = json.loads(capsys.readouterr().out)
    assert fetch(path) == 0
    capsys.readouterr()
    assert show_status.run(path, None, as_json=True) == 0
    status = json.loads(capsys.readouterr().out)
    assert run_verify.run(path, None, as_json=True) == 0
    found = json.loads(capsys.readouterr().out)["layers"]["ortho"]

    asked = planned["sources"]["ortho (source)"]["tiles"]
    assert planned["to_fetch"]["requests"] == asked == len(server.asked) == server.asked.total()
    remark = next(text for text in planned["remarks"] if "EPSG:2056" in text)
    assert "Deeper zooms are not made" in remark
    assert max(map(int, planned["layers"]["ortho"]["by_zoom"])) == 15
    assert (found["stored"], found["source"]["stored"]) == (planned["tiles"], asked)
    assert (found["outdated"], found["missing"], found["source"]["missing"]) == (0, 0, 0)
    assert status["sources"]["ortho (source)"]["stored"] == asked

    label = "SELECT value FROM metadata WHERE name = 'tile_matrix_set'"
    told = json.loads(rows(path, "ortho (source).sqlite", label)[0][0])
    assert (told["crs"], told["identifier"]) == ("EPSG:2056", "own")
    assert told["matrices"][3][:4] == ["3", 2.0, 2.6e6, 1.2e6]
    assert all(mark.startswith("derived:") for mark in marks(path).values())

    west, south, east, north = _box(tile := max(bodies(path)))
    assert tile.zoom == 15
    move = Transformer.from_crs("EPSG:3857", "EPSG:2056", always_xy=True)
    x, y = move.transform((west + east) / 2, (south + north) / 2)
    shown = pixels(bodies(path)[tile])[120:136, 120:136].mean(axis=(0, 1))
    column, row = int((x - 2.6e6) / 2), int((1.2e6 - y) / 2)
    assert (
        np.abs(
            shown - swiss_ground().bands[row - 13 : row + 13, column - 13 : column + 13].mean(axis=(0, 1))
        ).max()
        < 12
    )


def test_a_source_tile_that_changes_makes_its_tiles_out_of_date_and_the_next_fetch_makes_them_again(
    server: GridServer, fetched: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = copied(fetched, tmp_path)
    brief, before = settled(path), marks(path)
    changed = "/survey/3/3/3.png"
    # Another body under the same place, as a refresh that was killed before it made anything leaves it.
    db = sqlite3.connect(path.parent / "packs" / "ortho (source).sqlite")
    zoom = db.execute("SELECT max(zoom_level) FROM placement").fetchone()[0]
    db.execute(
        "DELETE FROM placement WHERE zoom_level = ? AND tile_column = 3 AND tile_row = ?",
        (zoom, (1 << zoom) - 4),
    )
    db.execute("DELETE FROM snapshot")
    db.commit()
    db.close()
    report = verify(brief, plan(brief), processes=1)
    assert not report.ready
    unproven = report.layers["ortho"].outdated
    assert unproven
    grid = grid_of(brief.layers["ortho"])
    assert grid is not None
    with read_source(path.parent / "packs" / "ortho (source).sqlite", grid) as reader:
        assert reader is not None
        every = plan(brief).layers["ortho"].tiles
        windows = {tile: window for tile, window in windows_of(grid, every, 256) if window is not None}
        # None of its bodies may be used before it is known of each whether the server has it.
        assert {tile for tile, window in windows.items() if reader.recipe(window) is None} == set(unproven)
    assert report.layers["ortho"].source is not None
    assert report.layers["ortho"].source.counts.missing == 1
    assert any("made of other tiles" in reason for reason in report.reasons)
    with pytest.raises(LastbarError, match=rf"made of other source tiles .* \(ortho {len(unproven)}\)"):
        handover(brief, plan(brief), None, tmp_path / "card")
    assert not (tmp_path / "card").exists()

    server.changed.add(changed)
    server.asked.clear()
    assert fetch(path) == 0
    assert list(server.asked) == [changed]
    after = marks(path)
    assert {tile for tile in before if after[tile] != before[tile]} == set(unproven)
    assert verify(brief, plan(brief), processes=1).ready

    server.changed.clear()
    assert fetch(path, refresh_older_than="0s") == 0
    assert marks(path) == before
    capsys.readouterr()


def test_tiles_at_the_edge_of_the_source_are_partial_and_those_that_it_lacks_are_absent(
    server: GridServer, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    server.gone |= {f"/survey/3/{row}/{column}.png" for row in range(2, 6) for column in range(2, 6)}
    path = brief_for(tmp_path, server, inside=0.3)
    fetch(path)
    brief = settled(path)
    report = verify(brief, plan(brief), processes=1)
    layer = report.layers["ortho"]
    assert layer.sound  # nothing is missing: the server has said so
    assert len(layer.absent) > 0
    assert layer.source is not None
    assert layer.source.counts.absent > 0
    assert layer.partial.at(15)
    assert not report.reaches_floors or layer.partial.at(14) == TileSet()
    capsys.readouterr()


def test_with_hands_the_source_comes_by_them_and_the_tiles_are_those_of_one_machine(
    server: GridServer, fetched: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = brief_for(tmp_path, server)
    assert fetch(path, hands="1") == 0
    assert bodies(path) == bodies(fetched / "brief.toml")
    assert server.asked
    log = (tmp_path / "packs" / "lastbar.log.jsonl").read_text(encoding="utf-8")
    assert '"event": "hand joined"' in log
    assert run_verify.run(path, None, as_json=True, full=True) == 0
    capsys.readouterr()


def test_a_jpeg_source_gives_jpeg_tiles(
    server: GridServer, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    server.kind = "jpg"
    path = brief_for(tmp_path, server, inside=0.4)
    assert fetch(path) == 0
    assert all(body.startswith(b"\xff\xd8") for body in bodies(path).values())
    assert run_verify.run(path, None, as_json=True, full=True) == 0
    capsys.readouterr()


@pytest.mark.parametrize(
    ("crs", "more"), [("EPSG:2056", ""), ("EPSG:4326", 'wms-crs = "EPSG:4326"\nmetatile = 2')]
)
def test_a_wms_without_web_mercator_is_asked_in_a_grid_of_ours_with_its_axes_in_order(
    server: GridServer, tmp_path: Path, capsys: pytest.CaptureFixture[str], crs: str, more: str
) -> None:
    server.crs_names = ("EPSG:2056", "EPSG:4326")
    path = brief_for(tmp_path, server, more, source="wms", inside=0.4)
    if crs == "EPSG:4326":
        server.ground = Ground("EPSG:4326", (7.40, 47.00), 2e-5, swiss_ground().bands)
        box = [7.41, 46.985, 7.415, 46.99]
        path.write_text(
            path.read_text().replace(path.read_text().split("box = ")[1].split("\n")[0], str(box))
        )
    try:
        assert fetch(path) == 0
        assert server.queries
        assert {one["crs"] for one in server.queries} == {crs}
        assert verify(settled(path), plan(settled(path)), processes=1).ready
        wide = {int(one["width"]) for one in server.queries}
        assert max(wide) == (512 if "metatile" in more else 256)
    finally:
        server.ground = swiss_ground()
    tile = max(bodies(path))
    move = Transformer.from_crs("EPSG:3857", crs, always_xy=True)
    west, south, east, north = _box(tile)
    x, y = move.transform((west + east) / 2, (south + north) / 2)
    corner, pixel = ((2.6e6, 1.2e6), 2.0) if crs == "EPSG:2056" else ((7.40, 47.00), 2e-5)
    column, row = int((x - corner[0]) / pixel), int((corner[1] - y) / pixel)
    shown = pixels(bodies(path)[tile])[124:132, 124:132].mean(axis=(0, 1))
    reach = round(4 * (east - west) / 256 * 0.68 / 2) or 1
    there = (
        swiss_ground()
        .bands[row - reach : row + reach + 1, column - reach : column + reach + 1]
        .mean(axis=(0, 1))
    )
    assert np.abs(shown - there).max() < 25, (shown, there)
    capsys.readouterr()


def test_mapserver_asked_in_degrees_gives_the_ground_that_it_has(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A server that nobody here wrote, whose WMS 1.3.0 has latitude first (06-042, clause 6.7.2)."""
    program()
    inner = Tile(CORNER.zoom, CORNER.x + 1, CORNER.y + 1)
    with MapServer(tmp_path, srs="EPSG:4326") as server:
        path = tmp_path / "brief.toml"
        west, south, east, north = _box(inner)
        move = Transformer.from_crs("EPSG:3857", "OGC:CRS84", always_xy=True)
        (west, east), (south, north) = move.transform([west + 500, east - 500], [south + 500, north - 500])
        path.write_text(
            BRIEF.format(
                source=f'wms = "{server.url}/wms"\nwms-layers = "ground"',
                zooms=[14, 14],
                more="",
                box=[west, south, east, north],
                deepest=14,
                floor=14,
            )
        )
        assert fetch(path) == 0
        assert {one["crs"] for one in server.maps} == {"EPSG:4326"}
    [(tile, body)] = bodies(path).items()
    assert tile == inner
    expected = mapped_ground()[248:520, 248:520].astype(int)
    shown = pixels(body)[8:248, 8:248].astype(int)
    off = {
        (down, across): np.abs(shown - expected[16 + down : 256 + down, 16 + across : 256 + across]).mean()
        for down in (-1, 0, 1)
        for across in (-1, 0, 1)
    }
    assert min(off, key=lambda shift: off[shift]) == (0, 0)
    assert off[0, 0] < 3  # the server takes the nearest pixel, and noise of up to 2 is in it
    capsys.readouterr()


def test_killed_again_and_again_no_source_tile_is_asked_for_twice_and_all_tiles_are_made(
    server: GridServer, fetched: Path, tmp_path: Path
) -> None:
    path, uncut = brief_for(tmp_path, server), fetched / "brief.toml"
    every = rows(uncut, "ortho (source).sqlite", "SELECT count(*) FROM placement")[0][0]
    kills = 0
    for share in (0.4, 0.8):
        wanted = server.tiles_seen + max(1, int(every * share) - server.asked.total())
        server.hold_after(wanted + 4)
        process = start(fetch_in_batches, str(path), 8)
        process.ended_before(server.reached(wanted))
        kills += process.kill()
        server.hold_after(None)
    assert kills == 2
    stored = rows(path, "ortho (source).sqlite", "SELECT count(*) FROM placement")[0][0]
    assert start(fetch_in_batches, str(path), 8).wait() == 0
    assert stored > 0
    # Each kill may lose what was under way and what was not committed yet: two batches and the connections.
    assert server.asked.total() <= every + kills * (2 * 8 + 2 * 4)
    assert marks(path) == marks(uncut)
    ours, theirs = bodies(path), bodies(uncut)
    assert ours.keys() == theirs.keys()
    assert all(np.array_equal(pixels(ours[tile]), pixels(theirs[tile])) for tile in ours)
    brief = settled(path)
    assert verify(brief, plan(brief), processes=1).layers["ortho"].ready


def test_without_rasterio_the_fetch_says_what_to_install_before_anything_is_asked_for(
    server: GridServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = brief_for(tmp_path, server)
    monkeypatch.setitem(sys.modules, "rasterio", None)
    monkeypatch.setitem(sys.modules, "rasterio.warp", None)
    assert "pip install 'lastbar[pictures]'" in source_remarks(read := settled(path), plan(read))[0]
    with pytest.raises(InputError, match=r"pip install 'lastbar\[pictures\]'.*Nothing was fetched"):
        fetch(path)
    assert not server.asked
    assert not (tmp_path / "packs" / "ortho.mbtiles").exists()


def test_a_source_pack_of_another_grid_is_never_written_into(fetched: Path, tmp_path: Path) -> None:
    path, into = copied(fetched, tmp_path / "one"), copied(fetched, tmp_path / "other").parent
    db = sqlite3.connect(path.parent / "packs" / "ortho (source).sqlite")
    other = json.dumps({"digest": "0123456789abcdef"})
    db.execute("UPDATE metadata SET value = ? WHERE name = 'tile_matrix_set'", (other,))
    db.commit()
    db.close()
    with pytest.raises(StoreError, match="another grid"):
        fetch(path)
    with pytest.raises(InputError, match="another grid"):
        run_merge.run_merge(into / "packs", [path.parent / "packs" / "ortho (source).sqlite"], False, True)


def test_packs_of_parts_join_with_their_sources(
    fetched: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = copied(fetched, tmp_path)
    joined = tmp_path / "joined"
    # Each stays one file, whatever the limit is: what a tile is made of is looked up in one.
    assert run_merge.run_merge(joined, [tmp_path / "packs"], False, True, "60 kB") == 0
    assert not list(joined.glob("*(file 2)*"))
    brief = settled(path)
    assert verify(brief, plan(brief), joined, processes=1).ready
    capsys.readouterr()


def test_a_hand_on_another_machine_asks_for_the_same_boxes(server: GridServer, tmp_path: Path) -> None:
    server.crs_names = ("EPSG:2056",)
    brief, _ = asked_of_servers(read := settled(brief_for(tmp_path, server, source="wms")), plan(read))
    layer = brief.layers["ortho (source)"]
    source = source_for(brief, layer, {})
    known = {"kind": "png", "proven": False, "key_came": False, "telling_zoom": 6, "trial": ()}
    theirs = source_of(LayerOrder.model_validate(layer_order(layer, source, **known)))
    tile = Tile(12, 2300, 1900)
    assert theirs.url(tile) == source.url(tile)
    side = EQUATOR_M / 4096
    west, south = -EQUATOR_M / 2 + 2300 * side, EQUATOR_M / 2 - 1901 * side
    query = dict(piece.partition("=")[::2] for piece in theirs.url(tile).split("?")[1].split("&"))
    assert [float(v) for v in query["BBOX"].split(",")] == pytest.approx(
        [west, south, west + side, south + side]
    )


def test_the_desk_tries_such_a_service_and_shows_its_tiles_before_they_are_fetched(
    server: GridServer, tmp_path: Path
) -> None:
    path = brief_for(tmp_path, server)
    brief = settled(path)
    tile = min(plan(brief).layers["ortho"].tiles.at(15))

    async def looked() -> tuple[dict[str, Any], bytes | None, int]:
        look = SourceLook()
        west, south, _, _ = swiss_ground().degrees()
        try:
            place = {"address": f"{server.address}/wmts", "lon": west + 0.02, "lat": south + 0.02}
            found = await try_layer(place, None, look)
            body = await look.tile(brief, "ortho", tile, None, 0)
            return found, body, len(look.looked_at())
        finally:
            await look.aclose()

    found, shown, kept = asyncio.run(looked())
    assert found["usable"], found["sentences"]
    assert any("EPSG:2056" in sentence for sentence in found["sentences"])
    assert found["values"]["zooms"] == [7, 15]
    assert kept > 0  # the next fetch stores them in the source's pack
    assert fetch(path) == 0
    assert shown is not None
    assert np.array_equal(pixels(bodies(path)[tile]), pixels(shown))


def test_what_servers_are_asked_for_has_the_source_in_place_of_the_layer(
    server: GridServer, tmp_path: Path
) -> None:
    brief = settled(brief_for(tmp_path, server))
    asked_brief, asked_plan = asked_of_servers(brief, whole := plan(brief))
    assert list(asked_brief.layers) == list(asked_plan.layers) == ["ortho (source)"]
    grid = asked_brief.layers["ortho (source)"].offer
    assert grid is not None
    assert grid.grid is not None
    assert derived_zooms(grid.grid, 256) == (7, 15)
    assert brief.layers["ortho"].zooms == (13, 15)
    assert asked_plan.layers["ortho (source)"].tiles
    assert asked_of_servers(asked_brief, asked_plan) == (asked_brief, asked_plan)
    assert whole.layers.keys() == {"ortho"}
