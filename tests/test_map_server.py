"""A WMS that nobody here wrote (MapServer), fetched by the whole job and held against GDAL's own driver.

GDAL's WMS driver reads the same server: rasterio's library, a reader outside of this project.
"""

from __future__ import annotations

import asyncio
import io
import json
import sqlite3
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from PIL import Image
from rasterio.windows import Window

from packer.cli import run_fetch, run_verify
from packer.cli.fetch_options import FetchOptions
from packer.desk.source_look import SourceLook
from packer.desk.trying import try_layer
from packer.errors import BriefError
from packer.geometry.grid import EQUATOR_M, tile_bounds
from packer.geometry.tileset import Tile
from packer.planning.brief import Brief
from packer.planning.offers import gutter_of
from packer.sources.offer import Offer
from tests.support.map_server import CORNER, MapServer, extent, ground, program

BRIEF = """
title = "Test"
overview = false

[layers.aerial]
wms = "{url}"
wms-layers = {layers}
permission = "Map server on this machine"
connections = 2
zooms = [13, 14]
{more}

[[areas]]
name = "camp"
box = {box}
deepest = {deepest}
"""
PLACE = CORNER


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MapServer]:
    program()
    with MapServer(tmp_path_factory.mktemp("map")) as running:
        yield running


@pytest.fixture(autouse=True)
def fresh(server: MapServer) -> None:
    server.queries.clear()


def brief_for(
    folder: Path,
    server: MapServer,
    more: str = "",
    *,
    layers: str = '["ground", "roads"]',
    tiles: int = 4,
    deepest: int = 14,
) -> Path:
    """A brief for a block of `tiles` by `tiles` tiles of zoom 14, their edges left out, and what is above it."""
    box = tile_bounds(*PLACE)
    end = tile_bounds(PLACE.zoom, PLACE.x + tiles - 1, PLACE.y + tiles - 1)
    text = BRIEF.format(
        url=f"{server.url}/wms",
        layers=layers,
        more=more,
        box=[box.west + 1e-4, end.south + 1e-4, end.east - 1e-4, box.north - 1e-4],
        deepest=deepest,
    )
    path = folder / "brief.toml"
    path.write_text(text, encoding="utf-8")
    return path


def fetch(path: Path) -> int:
    return run_fetch.run(path, None, True, FetchOptions())


def bodies(path: Path) -> dict[Tile, bytes]:
    db = sqlite3.connect(path.parent / "packs" / "aerial.mbtiles")
    try:
        rows = db.execute("SELECT zoom_level, tile_column, tile_row, tile_data FROM tiles").fetchall()
    finally:
        db.close()
    return {Tile(z, x, (1 << z) - 1 - row): data for z, x, row, data in rows}


def pixels(body: bytes) -> Any:
    with Image.open(io.BytesIO(body)) as image:
        return np.asarray(image.convert("RGB"))


def wms_of_gdal(server: MapServer, zoom: int, layers: str = "ground,roads") -> str:
    """GDAL's WMS driver on the server, in blocks of a tile's size."""
    half = EQUATOR_M / 2
    return (
        f'<GDAL_WMS><Service name="WMS"><Version>1.1.1</Version><ServerUrl>{server.url}/wms?</ServerUrl>'
        f"<SRS>EPSG:3857</SRS><ImageFormat>image/png</ImageFormat><Layers>{layers}</Layers><Styles></Styles>"
        f"</Service><DataWindow><UpperLeftX>{-half!r}</UpperLeftX><UpperLeftY>{half!r}</UpperLeftY>"
        f"<LowerRightX>{half!r}</LowerRightX><LowerRightY>{-half!r}</LowerRightY><SizeX>{256 << zoom}</SizeX>"
        f"<SizeY>{256 << zoom}</SizeY></DataWindow><Projection>EPSG:3857</Projection><BandsCount>3</BandsCount>"
        "<BlockSizeX>256</BlockSizeX><BlockSizeY>256</BlockSizeY><OverviewCount>0</OverviewCount></GDAL_WMS>"
    )


def by_gdal(dataset: str, zoom: int, tiles: list[Tile]) -> dict[Tile, Any]:
    """What GDAL reads of the places of some tiles at the full resolution of a dataset, which is that of a zoom."""
    side = EQUATOR_M / (1 << zoom)
    with warnings.catch_warnings(), rasterio.open(dataset) as file:
        warnings.simplefilter("ignore")  # one of rasterio's own
        west, north = file.bounds.left, file.bounds.top
        assert file.res == pytest.approx((side / 256, side / 256))
        read = {}
        for tile in tiles:
            left = round(((tile.x - (1 << zoom) / 2) * side - west) / side * 256)
            top = round((north - ((1 << zoom) / 2 - tile.y) * side) / side * 256)
            read[tile] = file.read([1, 2, 3], window=Window(left, top, 256, 256)).transpose(1, 2, 0)
        return read


def test_tiles_fetched_from_mapserver_agree_with_what_gdal_reads_from_it_at_sixty_positions(
    server: MapServer, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = brief_for(tmp_path, server)
    assert fetch(path) == 0
    assert run_verify.run(path, None, as_json=True) == 0
    stored = bodies(path)
    deep = sorted(tile for tile in stored if tile.zoom == 14)
    assert len(deep) == 16
    assert len(server.maps) == len(stored)
    read = by_gdal(wms_of_gdal(server, 14), 14, deep)
    rng = np.random.default_rng(60)
    for _ in range(60):
        tile = deep[rng.integers(len(deep))]
        row, column = rng.integers(0, 256, 2)
        assert pixels(stored[tile])[row, column].tolist() == read[tile][row, column].tolist(), (
            tile,
            row,
            column,
        )
    capsys.readouterr()


@pytest.mark.parametrize(
    ("source", "documents"),
    [
        ('wmts = "{url}/wmts"\nattribution = "A"', 1),
        ('ogc-tiles = "{url}/ogc"\nogc-collection = "ground"', 5),
        ('ogc-tiles = "{url}/ogc/collections/ground/map/tiles"\nattribution = "A"', 2),
    ],
)
def test_tiles_by_wmts_and_ogc_api_agree_with_what_gdals_drivers_read(
    server: MapServer, tmp_path: Path, source: str, documents: int
) -> None:
    server.pages.clear()
    path = brief_for(tmp_path, server, tiles=2)
    text = path.read_text().replace(f'wms = "{server.url}/wms"\nwms-layers = ["ground", "roads"]', source)
    path.write_text(text.replace("{url}", server.url))
    assert fetch(path) == 0
    assert len(server.pages) == documents
    deep = {tile: body for tile, body in bodies(path).items() if tile.zoom == 14}
    assert len(deep) == 4
    read = by_gdal(f"WMTS:{server.url}/wmts,layer=ground", 14, list(deep))
    for tile, body in deep.items():
        assert np.array_equal(pixels(body), read[tile])


def test_tiles_of_mapserver_show_the_ground_where_it_lies(server: MapServer, tmp_path: Path) -> None:
    path = brief_for(tmp_path, server, layers='"ground"', tiles=2)
    assert fetch(path) == 0
    for tile, body in bodies(path).items():
        if tile.zoom == 14:
            top, left = (tile.y - CORNER.y) * 256, (tile.x - CORNER.x) * 256
            # The ground's own pixels: nothing is shifted, not by one pixel.
            assert np.array_equal(pixels(body), ground()[top : top + 256, left : left + 256])


@pytest.mark.parametrize("more", ['format = "jpg"\ntile-size = 512', "transparent = false"])
def test_format_and_side_of_the_brief_are_asked_for(server: MapServer, tmp_path: Path, more: str) -> None:
    path = brief_for(tmp_path, server, more, layers='"ground"', tiles=1, deepest=13)
    assert fetch(path) == 0
    side = 512 if "512" in more else 256
    assert {asked["width"] for asked in server.maps} == {str(side)}
    with Image.open(io.BytesIO(next(iter(bodies(path).values())))) as image:
        assert (image.format, image.size) == ("JPEG" if "jpg" in more else "PNG", (side, side))


def test_an_exception_under_status_200_is_told_in_the_services_words_and_nothing_is_stored(
    server: MapServer, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # A url of its own, so that no capabilities say that there is no such layer.
    address = (
        f"{server.url}/wms?SERVICE=WMS&VERSION=1.3.0&REQUEST=GetMap&LAYERS=water&STYLES=&CRS=EPSG:3857&FORMAT=image/png"
        "&BBOX={bbox}&WIDTH={width}&HEIGHT={height}"
    )
    path = brief_for(tmp_path, server)
    text = path.read_text().replace(f'wms = "{server.url}/wms"', f'url = "{address}"\nattribution = "A"')
    path.write_text(text.replace('wms-layers = ["ground", "roads"]\n', ""))
    assert fetch(path) == 1
    told = capsys.readouterr().out
    assert "the service reports an error" in told
    assert "Invalid layer(s) given in the LAYERS parameter" in told
    assert bodies(path) == {}


def test_a_layer_in_other_coordinate_systems_alone_is_asked_for_in_the_one_that_is_meant_for_its_ground(
    tmp_path: Path,
) -> None:
    with MapServer(tmp_path, srs="EPSG:4326 EPSG:25833") as other:
        path = brief_for(tmp_path, other, tiles=1, deepest=13)
        assert fetch(path) == 0
        assert {asked["crs"] for asked in other.maps} == {"EPSG:25833"}
    assert [tile.zoom for tile in bodies(path)] == [13]


def test_an_address_of_tiles_with_a_box_needs_no_numbers_of_tiles() -> None:
    text = BRIEF.format(url="x", layers='"a"', more="", box=[12, 47, 13, 48], deepest=13)
    url = 'url = "https://m.example.org/?b={bbox}&w={width}"\nattribution = "A"'
    brief = Brief.from_text(text.replace('wms = "x"\nwms-layers = "a"', url))
    assert brief.layers["aerial"].url.endswith("{width}")
    with pytest.raises(BriefError, match="only go with"):
        Brief.from_text(text.replace('wms = "x"\nwms-layers = "a"', url.replace("{bbox}", "{z}/{x}/{y}")))


def test_status_json_needs_no_network_after_the_offer_is_kept(server: MapServer, tmp_path: Path) -> None:
    path = brief_for(tmp_path, server, tiles=1, deepest=13)
    assert fetch(path) == 0
    kept = json.loads((tmp_path / "packs" / ".aerial.offer.json").read_text())
    assert "BBOX={bbox}" in kept["templates"][0]
    assert "***" not in kept["templates"][0]


def one_map(server: MapServer, layers: str = "ground,roads", kind: str = "image/png") -> Any:
    """The 4 by 4 tiles of the brief as one single large GetMap."""
    west, south, east, north = extent()
    query = (
        f"SERVICE=WMS&VERSION=1.1.1&REQUEST=GetMap&LAYERS={layers}&STYLES=&SRS=EPSG:3857&FORMAT={kind}&WIDTH=1024"
        f"&HEIGHT=1024&BBOX={west!r},{south!r},{east!r},{north!r}"
    )
    return pixels(server.answer(query)[2])


def of_zoom(found: dict[Tile, bytes], zoom: int = 14) -> dict[Tile, bytes]:
    return {tile: body for tile, body in found.items() if tile.zoom == zoom}


def assembled(found: dict[Tile, bytes]) -> Any:
    whole = np.zeros((1024, 1024, 3), np.uint8)
    for tile, body in of_zoom(found).items():
        top, left = (tile.y - CORNER.y) * 256, (tile.x - CORNER.x) * 256
        whole[top : top + 256, left : left + 256] = pixels(body)
    return whole


# MapServer draws a line by its piece within the picture, so that smaller pictures differ at its rim.
@pytest.mark.parametrize(("metatile", "requests", "layers"), [(4, 2, "ground,roads"), (2, 5, "ground")])
def test_tiles_cut_from_blocks_are_the_pixels_of_one_large_map_in_few_requests(
    server: MapServer, tmp_path: Path, metatile: int, requests: int, layers: str
) -> None:
    path = brief_for(tmp_path, server, f"metatile = {metatile}", layers=str(layers.split(",")))
    assert fetch(path) == 0
    assert (
        len(server.maps) == requests
    )  # one for each block of zoom 14, and one for the four tiles of zoom 13
    found = bodies(path)
    assert len(found) == 20
    assert np.array_equal(assembled(found), one_map(server, layers))
    assert fetch(path) == 0
    assert len(server.maps) == requests
    assert run_verify.run(path, None, as_json=True, full=True) == 0


def test_with_a_gutter_lines_are_drawn_at_the_edges_of_pictures_as_in_the_middle_of_one(
    server: MapServer, tmp_path: Path
) -> None:
    inner = np.s_[256:768, 256:768]  # whose gutters lie within the ground that the server has
    plain = brief_for(tmp_path, server)
    assert fetch(plain) == 0
    without = assembled(bodies(plain))[inner]
    (tmp_path / "with").mkdir()
    path = brief_for(tmp_path / "with", server, "gutter = 64")
    server.queries.clear()
    assert fetch(path) == 0
    assert {(asked["width"], asked["height"]) for asked in server.maps} == {("384", "384")}
    whole = one_map(server)[inner]
    assert not np.array_equal(without, whole)
    assert np.array_equal(assembled(bodies(path))[inner], whole)


def test_a_gutter_goes_round_blocks_and_there_is_none_where_the_largest_picture_leaves_no_room(
    server: MapServer, tmp_path: Path
) -> None:
    path = brief_for(tmp_path, server, "metatile = 4\ngutter = 16", layers='"ground"')
    assert fetch(path) == 0
    assert {asked["width"] for asked in server.maps} == {"1056", "544"}
    assert len(bodies(path)) == 20
    layer = Brief.from_text(path.read_text()).layers["aerial"]
    small = layer.offered(Offer(("http://x/{bbox}",), (0, 1), largest_px=(280, 280)), None)
    assert (gutter_of(layer), gutter_of(small)) == (16, 0)


def test_a_jpeg_is_cut_with_next_to_no_loss(server: MapServer, tmp_path: Path) -> None:
    path = brief_for(tmp_path, server, 'metatile = 4\nformat = "jpg"', layers='"ground"')
    assert fetch(path) == 0
    away = np.abs(assembled(bodies(path)).astype(int) - one_map(server, "ground", "image/jpeg"))
    assert away.mean() < 0.1  # of 255; encoding again at quality 90 would cost five to ten times that
    assert away.max() <= 8


def test_only_tiles_of_the_plan_that_are_not_on_board_are_taken_from_a_block(
    server: MapServer, tmp_path: Path
) -> None:
    path = brief_for(tmp_path, server, layers='"ground"', tiles=2)
    assert fetch(path) == 0
    before = bodies(path)
    server.queries.clear()
    brief_for(tmp_path, server, "metatile = 4", layers='"ground"', tiles=3)
    assert fetch(path) == 0
    after = bodies(path)
    assert len(of_zoom(after)) == 9
    assert all(after[tile] == body for tile, body in before.items())
    # The picture reaches over what is planned of the block, so that it is drawn alike whatever is on board.
    assert [asked["width"] for asked in server.maps if asked["height"] == "768"] == ["768"]
    whole = one_map(server, "ground")
    for tile, body in of_zoom(after).items():
        top, left = (tile.y - CORNER.y) * 256, (tile.x - CORNER.x) * 256
        assert np.array_equal(pixels(body), whole[top : top + 256, left : left + 256])


def test_the_servers_largest_picture_bounds_the_block(tmp_path: Path) -> None:
    folder = tmp_path / "map"
    folder.mkdir()
    with MapServer(folder, largest=600) as small:
        path = brief_for(tmp_path, small, "metatile = 8")
        assert fetch(path) == 0
        assert {asked["width"] for asked in small.maps} == {"512"}


@pytest.mark.parametrize(
    ("path", "chosen", "expected"),
    [
        ("/wms?SERVICE=WMS&REQUEST=GetCapabilities", "roads", {"wms": "/wms", "wms-layers": "roads"}),
        (
            "/wms?SERVICE=WMS&VERSION=1.1.1&REQUEST=GetMap&LAYERS=ground&STYLES=&SRS=EPSG:3857&WIDTH=256&HEIGHT=256"
            "&BBOX=1,2,3,4&FORMAT=image/png",
            None,
            {"wms": "/wms", "wms-layers": ["ground"]},
        ),
        ("/ogc", "ground", {"ogc-tiles": "/ogc", "ogc-collection": "ground"}),
    ],
)
def test_a_pasted_address_of_a_service_is_tried_on_the_desk_with_layers_to_choose_from(
    server: MapServer, path: str, chosen: str | None, expected: dict[str, Any]
) -> None:
    place = {"address": server.url + path, "lon": 12.5, "lat": 47.25}
    if chosen is not None:
        offered = asyncio.run(try_layer(place, None, SourceLook()))
        assert chosen in offered["layers"]
    found = asyncio.run(try_layer({**place, "wmts_layer": chosen}, None, SourceLook()))
    assert found["usable"], found["sentences"]
    assert {key: found["values"][key] for key in expected} == {
        key: server.url + value if str(value).startswith("/") else value for key, value in expected.items()
    }
    assert found["pictures"]
