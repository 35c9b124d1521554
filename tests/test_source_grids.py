"""Grids of services that offer no Web Mercator: placed as the standard has them, and what of them a tile is made of.

Published numbers: OGC 17-083r4, annex D, tables of WorldCRS84Quad and UTM31WGS84Quad, as morecantile carries them. The
order of axes is that of the EPSG registry, as PROJ carries it (OGC 07-057r7, clause 6.1: corners follow it).
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import Any

import morecantile
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Transformer

from packer.geometry.grid import EQUATOR_M, LonLatBox
from packer.geometry.source_grid import SourceGrid, SourceMatrix, pack_zooms
from packer.geometry.source_tiles import derived_zooms, footprints, source_tiles, windows_of
from packer.geometry.tileset import Tile, TileSet
from packer.sources.address import Address
from packer.sources.kept_grids import grid_from, grid_values
from packer.sources.matrices import TileMatrix, TileMatrixSet
from packer.sources.offer import OfferError, TileLimits
from packer.sources.other_grids import grid_of_set, map_grid
from packer.sources.wms import WmsWish, read_wms
from packer.sources.wmts import Wish, read_wmts
from packer.store.reader import tile_at
from tests.budgets import tries
from tests.support.grid_server import GridServer, Ground

WORLD = LonLatBox(-180.0, -85.0, 180.0, 85.0)


def published(name: str, crs: str, *, north_first: bool = False) -> TileMatrixSet:
    """A set as the standard publishes it, in the words of a service; corners in the order of the system's axes."""
    matrices = []
    for one in morecantile.tms.get(name).tileMatrices:
        left, top = one.pointOfOrigin
        corner = (top, left) if north_first else (left, top)
        side = one.tileWidth, one.tileHeight
        matrices.append(
            TileMatrix(one.id, one.scaleDenominator, corner, side, one.matrixWidth, one.matrixHeight)
        )
    return TileMatrixSet(name, crs, tuple(matrices))


def quad(crs: str = "EPSG:4326", *, north_first: bool = True) -> SourceGrid:
    return grid_of_set(published("WorldCRS84Quad", crs, north_first=north_first), {}, WORLD)


# ------------------------------------------------------------------------------------- where tiles lie


@pytest.mark.parametrize(
    ("name", "crs", "north_first", "bounds"),
    [
        ("WorldCRS84Quad", "http://www.opengis.net/def/crs/OGC/1.3/CRS84", False, WORLD),
        ("WorldCRS84Quad", "urn:ogc:def:crs:EPSG::4326", True, WORLD),
        ("UTM31WGS84Quad", "urn:ogc:def:crs:EPSG::32631", False, LonLatBox(0.5, 40.0, 5.5, 60.0)),
    ],
)
def test_tiles_lie_where_the_published_tables_have_them(
    name: str, crs: str, north_first: bool, bounds: LonLatBox
) -> None:
    grid = grid_of_set(published(name, crs, north_first=north_first), {}, bounds)
    table = {one.id: one for one in morecantile.tms.get(name).tileMatrices}
    assert len(grid.matrices) >= 15
    for matrix in grid.matrices:
        one = table[matrix.identifier]
        assert matrix.pixel == pytest.approx(one.cellSize, rel=1e-9)
        assert (matrix.left, matrix.top) == pytest.approx(tuple(one.pointOfOrigin))
        assert (matrix.last + 1, matrix.lower + 1) == (one.matrixWidth, one.matrixHeight)
        assert max(one.matrixWidth, one.matrixHeight) <= 1 << matrix.zoom
    place = Tile(grid.matrices[5].zoom, 3, 2)
    box = [float(v) for v in grid.box(place).split(",")]
    theirs = morecantile.tms.get(name).xy_bounds(morecantile.Tile(3, 2, int(grid.matrices[5].identifier)))
    assert box == pytest.approx([theirs.left, theirs.bottom, theirs.right, theirs.top], abs=1e-6)


def test_corners_that_a_service_writes_in_the_wrong_order_are_read_as_they_are_meant() -> None:
    right, wrong = quad(north_first=True), quad(north_first=False)
    assert [(m.left, m.top) for m in right.matrices] == [(m.left, m.top) for m in wrong.matrices]
    assert (right.matrices[0].left, right.matrices[0].top) == (-180.0, 90.0)


@given(st.lists(st.integers(1, 30), min_size=1, max_size=40))
@settings(max_examples=tries(30, 300))
def test_each_matrix_has_a_zoom_of_its_own_with_room_for_its_columns(powers: list[int]) -> None:
    sizes = sorted((1 << power, 1 << max(0, power - 2)) for power in powers)
    zooms = pack_zooms(sizes)
    assert zooms == sorted(set(zooms))
    assert all(max(size) <= 1 << zoom <= 1 << 24 for size, zoom in zip(sizes, zooms, strict=False))


def test_a_grid_for_getmap_has_the_scales_of_the_webs_and_its_box_follows_the_axes_of_the_system() -> None:
    place = LonLatBox(6.0, 45.9, 10.0, 47.7)
    metres = map_grid("EPSG:2056", place, 256, (0.0, float("inf")), north_first=False)
    for matrix in metres.matrices:
        assert matrix.pixel == pytest.approx(EQUATOR_M / 256 / (1 << matrix.zoom))
        assert matrix.left == -matrix.top == pytest.approx(-EQUATOR_M / 2)
    degrees = map_grid("EPSG:4326", place, 256, (0.0, float("inf")), north_first=True)
    south, west, north, east = map(float, degrees.box(Tile(3, 4, 2)).split(","))
    assert (west, south, east, north) == (0.0, 45.0, 45.0, 90.0)
    address = Address("https://t.example.org/wms?BBOX={bbox}&WIDTH={width}", grid=degrees)
    assert address.url(Tile(3, 4, 2), 2, 1) == "https://t.example.org/wms?BBOX=45.0,0.0,90.0,90.0&WIDTH=512"


# ------------------------------------------------------------------------------------- what a tile is made of


def lv95(*pixels: float) -> SourceGrid:
    matrices = tuple(
        TileMatrix(str(n), pixel / 0.00028, (2_420_000.0, 1_350_000.0), (256, 256),
                   int(480_000 / pixel / 256) + 1, int(320_000 / pixel / 256) + 1)
        for n, pixel in enumerate(pixels)
    )  # fmt: skip
    described = TileMatrixSet("own", "urn:ogc:def:crs:EPSG::2056", matrices)
    return grid_of_set(described, {}, LonLatBox(5.9, 45.8, 10.5, 47.9))


def test_a_tile_is_made_of_the_coarsest_matrix_that_is_as_fine_and_never_at_a_zoom_finer_than_the_finest() -> (
    None
):
    grid = lv95(20.0, 10.0, 5.0, 2.5, 1.0, 0.5)
    # At 46.85 degrees a pixel of zoom 16 is 1.63 m wide, of 17 0.82 m, of 18 0.41 m (17-083r4, annex D).
    # A pixel of zoom 10 spans five of the coarsest matrix, one of zoom 9 ten: that would be a hundred tiles for one.
    assert derived_zooms(grid, 256) == (10, 17)
    for zoom, pixel in ((12, 20.0), (13, 10.0), (14, 5.0), (15, 2.5), (16, 1.0), (17, 0.5)):
        tile = tile_at(8.2, 46.85, zoom)
        made = footprints(grid, zoom, np.array([tile.x]), np.array([tile.y]), 256)
        assert grid.matrices[int(made.matrix[0])].pixel == pixel, zoom
    assert derived_zooms(lv95(20.0, 10.0), 256) == (10, 13)  # 13.06 m, and zoom 14 has 6.53 m
    assert derived_zooms(lv95(20.0, 10.0), 512) == (9, 12)


def test_the_matrix_of_a_grid_in_degrees_follows_the_latitude() -> None:
    """A pixel of Web Mercator is as high as it is wide, one in degrees is not: at 60 degrees north twice as high."""
    grid = quad()
    chosen = {}
    for lat in (0.0, 60.5, 63.0):
        tile = tile_at(10.0, lat, 12)
        made = footprints(grid, 12, np.array([tile.x]), np.array([tile.y]), 256)
        chosen[lat] = grid.matrices[int(made.matrix[0])].pixel
    assert chosen[0.0] == pytest.approx(360 / 256 / 4096)
    assert chosen[60.5] == pytest.approx(360 / 256 / 4096 / 2)  # 0.492 of it would be needed: within 5 %
    assert chosen[63.0] == pytest.approx(360 / 256 / 4096 / 4)


@pytest.mark.parametrize(("crs", "lon", "lat"), [("EPSG:2056", 8.2, 46.8), ("EPSG:4326", -70.3, -33.4)])
@pytest.mark.parametrize("zoom", [6, 9, 13, 17])
def test_every_pixel_of_a_tile_lies_in_the_source_tiles_that_it_is_made_of(
    crs: str, lon: float, lat: float, zoom: int
) -> None:
    grid = lv95(500.0, 100.0, 20.0, 5.0, 0.5) if crs == "EPSG:2056" else quad()
    tile = tile_at(lon, lat, zoom)
    [(_, window)] = windows_of(grid, TileSet.from_tiles([tile]), 256)
    assert window is not None
    matrix = grid.matrices[window.matrix]
    share = np.linspace(0, 1, 41)
    tile_m = EQUATOR_M / (1 << zoom)
    x, y = np.meshgrid((tile.x + share) * tile_m - EQUATOR_M / 2, EQUATOR_M / 2 - (tile.y + share) * tile_m)
    move = Transformer.from_crs("EPSG:3857", crs, always_xy=True)  # PROJ by itself
    east, north = (np.asarray(v).ravel() for v in move.transform(x.ravel(), y.ravel()))
    column = np.floor((east - matrix.left) / matrix.pixel / 256)
    row = np.floor((matrix.top - north) / matrix.pixel / 256)
    held = (column >= matrix.first) & (column <= matrix.last) & (row >= matrix.upper) & (row <= matrix.lower)
    assert held.any()
    assert window.whole == bool(held.all())
    assert set(column[held]) <= set(range(window.first, window.last + 1))
    assert set(row[held]) <= set(range(window.upper, window.lower + 1))
    assert TileSet.from_tiles(
        Tile(matrix.zoom, c, r)
        for c in range(window.first, window.last + 1)
        for r in range(window.upper, window.lower + 1)
    ) == source_tiles(grid, TileSet.from_tiles([tile]), 256)


def test_ground_beyond_the_limits_of_a_layer_is_asked_for_nowhere() -> None:
    grid = lv95(0.5)
    narrow = replace(
        grid, matrices=(replace(grid.matrices[0], first=1390, last=1420, upper=1160, lower=1190),)
    )
    everywhere = TileSet.from_tiles(tile_at(lon, 46.95, 14) for lon in np.linspace(7.2, 7.7, 40))
    found = source_tiles(narrow, everywhere, 256)
    assert 0 < len(found) <= 31 * 31
    assert not found - source_tiles(grid, everywhere, 256)


# ------------------------------------------------------------------------------------- capabilities


def test_a_wmts_without_web_mercator_is_read_in_its_own_grid() -> None:
    with GridServer(Ground.drawn("EPSG:2056", (2_600_000.0, 1_200_000.0), 2.0, 512)) as server:
        offer = read_wmts(server.capabilities().encode(), Wish())
    assert offer.grid is not None
    assert (offer.grid.crs, offer.grid.identifier, offer.grid.tile_px) == ("EPSG:2056", "own", 256)
    assert offer.zooms[1] == 15  # 2 m: zoom 15 has 3.26 m there, zoom 16 1.63 m
    assert offer.matrices == {0: "0", 1: "1", 2: "2", 3: "3"}
    assert grid_from(grid_values(offer.grid)) == offer.grid


def test_a_wms_is_asked_in_the_system_that_is_meant_for_its_ground_or_the_one_that_the_brief_names() -> None:
    ground = Ground.drawn("EPSG:2056", (2_600_000.0, 1_200_000.0), 2.0, 512)
    server = GridServer(ground, crs_names=("CRS:84", "EPSG:4326", "EPSG:27700", "EPSG:2056", "EPSG:21781"))
    server.address = "http://127.0.0.1:1"
    body = server.wms_capabilities().encode()
    offer = read_wms(body, WmsWish())
    assert offer.grid is not None
    assert offer.grid.crs == "EPSG:2056"
    assert "CRS=EPSG:2056" in offer.templates[0]
    named = read_wms(body, WmsWish(crs="epsg:4326")).grid
    assert named is not None
    assert (named.crs, named.north_first) == (
        "EPSG:4326",
        True,
    )  # 06-042, clause 6.7.2: latitude first in 1.3.0
    with pytest.raises(OfferError, match=r"does not offer the layer .* in \"EPSG:9999\""):
        read_wms(body, WmsWish(crs="EPSG:9999"))
    server.crs_names = ("EPSG:999999", "AUTO2:42001,1,0,0")
    with pytest.raises(OfferError, match="no coordinate system that is known to PROJ"):
        read_wms(server.wms_capabilities().encode(), WmsWish())


def _set(crs: str = "urn:ogc:def:crs:EPSG::2056", **more: Any) -> TileMatrixSet:
    one = TileMatrix("0", 7142.857, (2_420_000.0, 1_350_000.0), (256, 256), 938, 625)
    return TileMatrixSet("own", crs, (replace(one, **more),))


@pytest.mark.parametrize(
    ("described", "said"),
    [
        (_set("urn:ogc:def:crs:EPSG::999999"), "not known to PROJ"),
        (_set("PROJCS[\"x\"]"), "not known to PROJ"),
        (_set("+proj=utm +zone=33"), "not known to PROJ"),
        (_set("EPSG:5703"), "no map's"),  # heights
        (_set("EPSG:4978"), "no map's"),  # metres from the middle of the earth
        (_set(scale_denominator=float("nan")), "sound numbers"),
        (_set(scale_denominator=0.0), "sound numbers"),
        (_set(scale_denominator=float("inf")), "sound numbers"),
        (_set(corner=(float("inf"), 0.0)), "sound numbers"),
        (_set(corner=()), "sound numbers"),
        (_set(columns=10**12), "sound numbers"),
        (_set(rows=0), "sound numbers"),
        (_set(tile_px=(256, 512)), "square tiles"),
        (_set(tile_px=(100_000, 100_000)), "square tiles"),
        (_set(identifier="x" * 500), "sound numbers"),
    ],
)  # fmt: skip
def test_a_set_with_hostile_numbers_or_an_unknown_system_is_refused_in_words(
    described: TileMatrixSet, said: str
) -> None:
    with pytest.raises(OfferError, match=re.escape(said)):
        grid_of_set(described, {}, None)


def test_limits_that_leave_no_tile_and_bounds_across_the_antimeridian_are_refused() -> None:
    with pytest.raises(OfferError, match="allow no tile"):
        grid_of_set(_set(), {"0": TileLimits(2000, 3000, 0, 1)}, None)
    with pytest.raises(OfferError, match="antimeridian"):
        grid_of_set(_set(), {}, LonLatBox(179.0, -20.0, -179.0, -10.0))


KEPT = json.dumps(grid_values(lv95(10.0, 5.0)))


@given(st.data())
@settings(max_examples=tries(60, 1000))
def test_a_kept_grid_with_another_value_anywhere_is_read_as_a_sound_one_or_not_at_all(
    data: st.DataObject,
) -> None:
    told: Any = json.loads(KEPT)
    odd = st.one_of(
        st.none(), st.booleans(), st.integers(-(10**20), 10**20), st.floats(), st.text(max_size=4)
    )
    place = told
    key = data.draw(st.sampled_from(sorted(told)))
    while isinstance(place[key], list) and place[key] and data.draw(st.booleans()):
        place, key = place[key], data.draw(st.integers(0, len(place[key]) - 1))
    place[key] = data.draw(odd)
    try:
        grid = grid_from(told)
    except (ValueError, TypeError, KeyError, OverflowError):
        return
    assert all(isinstance(one, SourceMatrix) and one.pixel > 0 for one in grid.matrices)
    assert all(np.isfinite([one.left, one.top, one.pixel]).all() for one in grid.matrices)
