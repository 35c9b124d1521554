"""The grid against the published tables, other libraries and geodesics."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any

import mercantile
import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Transformer

from packer.geometry.grid import (
    EQUATOR_M,
    MAX_LATITUDE,
    MAX_ZOOM,
    LonLatBox,
    ground_scale,
    latitude_at,
    longitude_at,
    metres_per_pixel,
    on_tile_edges,
    quadkey,
    tile_bounds,
    tms_row,
    x_at,
    y_at,
)

quick = settings(max_examples=50, deadline=None)  # a busy machine is no failure

# OGC 17-083r4, registry: half the side of the WebMercatorQuad square, in metres.
HALF_M = 20037508.342789244


def published_matrices() -> list[dict[str, Any]]:
    """The WebMercatorQuad table of OGC 17-083r4 in the copy that morecantile carries."""
    text = files("morecantile").joinpath("data/WebMercatorQuad.json").read_text(encoding="utf-8")
    matrices: list[dict[str, Any]] = json.loads(text)["tileMatrices"]
    return matrices


def test_zooms_are_those_of_the_published_table() -> None:
    assert [m["id"] for m in published_matrices()] == [str(z) for z in range(MAX_ZOOM + 1)]


@pytest.mark.parametrize("matrix", published_matrices(), ids=lambda m: f"zoom {m['id']}")
def test_every_zoom_agrees_with_the_published_table(matrix: dict[str, Any]) -> None:
    zoom = int(matrix["id"])
    assert metres_per_pixel(zoom, 0.0, matrix["tileWidth"]) == pytest.approx(matrix["cellSize"], rel=1e-12)
    # 17-083r4: the scale denominator is for pixels of 0.28 mm
    assert metres_per_pixel(zoom, 0.0) / 0.00028 == pytest.approx(matrix["scaleDenominator"], rel=1e-12)
    assert matrix["matrixWidth"] == matrix["matrixHeight"] == 1 << zoom
    assert matrix["cornerOfOrigin"] == "topLeft"
    assert matrix["pointOfOrigin"] == pytest.approx([-EQUATOR_M / 2, EQUATOR_M / 2], rel=1e-12)


def test_the_square_ends_at_the_published_latitude() -> None:
    assert pytest.approx(85.0511287798, abs=1e-10) == MAX_LATITUDE  # 17-083r4, bounding box of the registry
    assert float(y_at(MAX_LATITUDE)) == pytest.approx(0.0, abs=1e-15)
    assert float(y_at(-MAX_LATITUDE)) == pytest.approx(1.0, abs=1e-15)
    assert float(y_at(90.0)) == 0.0
    assert float(y_at(-90.0)) == 1.0


def test_ground_resolution_agrees_with_the_tile_system_article() -> None:
    # Bing Maps tile system: 78,271.5170 m at level 1 on the equator; a pixel shrinks with cos(latitude).
    assert metres_per_pixel(1, 0.0) == pytest.approx(78271.5170, abs=5e-5)
    assert metres_per_pixel(15, 60.0) == pytest.approx(metres_per_pixel(15, 0.0) / 2, rel=1e-14)
    assert metres_per_pixel(15, 60.0, tile_px=512) == metres_per_pixel(16, 60.0)


def test_positions_agree_with_the_projection_library() -> None:
    rng = np.random.default_rng(20260401)
    lon = np.append(rng.uniform(-180, 180, 5000), [-180.0, 0.0, 180.0])
    lat = np.append(rng.uniform(-85.05, 85.05, 5000), [MAX_LATITUDE, 0.0, -MAX_LATITUDE])
    east, north = Transformer.from_crs("EPSG:4326", "EPSG:3857", always_xy=True).transform(lon, lat)
    np.testing.assert_allclose(x_at(lon), (east + HALF_M) / (2 * HALF_M), rtol=0, atol=1e-15)
    np.testing.assert_allclose(y_at(lat), (HALF_M - north) / (2 * HALF_M), rtol=0, atol=1e-14)


@quick
@given(st.floats(-540, 540), st.floats(-MAX_LATITUDE, MAX_LATITUDE))
def test_positions_come_back_from_the_grid(lon: float, lat: float) -> None:
    assert float(longitude_at(x_at(lon))) == pytest.approx(lon, abs=1e-12)
    assert float(latitude_at(y_at(lat))) == pytest.approx(lat, abs=1e-12)


def test_rows_turn_over_as_in_the_mbtiles_example() -> None:
    assert tms_row(11, 791) == 1256  # MBTiles 1.3, "tiles": the tile 11/327/791 is inserted as row 1256
    assert tms_row(11, 1256) == 791
    assert tms_row(0, 0) == 0


@quick
@given(st.integers(0, MAX_ZOOM), st.data())
def test_turning_a_row_over_twice_changes_nothing(zoom: int, data: st.DataObject) -> None:
    row = data.draw(st.integers(0, (1 << zoom) - 1))
    assert 0 <= tms_row(zoom, row) < 1 << zoom
    assert tms_row(zoom, tms_row(zoom, row)) == row


@pytest.mark.parametrize(
    ("zoom", "x", "y", "key"),
    [
        (3, 3, 5, "213"),  # Bing Maps tile system, "Tile coordinates and quadkeys"
        (10, 486, 332, "0313102310"),  # mercantile's own tests
        (0, 0, 0, ""),
        (1, 1, 1, "3"),
    ],
)
def test_quadkeys_are_those_of_the_published_examples(zoom: int, x: int, y: int, key: str) -> None:
    assert quadkey(zoom, x, y) == key


@quick
@given(st.integers(0, MAX_ZOOM), st.data())
def test_a_quadkey_interleaves_the_bits_of_row_and_column(zoom: int, data: st.DataObject) -> None:
    x, y = (data.draw(st.integers(0, (1 << zoom) - 1)) for _ in range(2))
    key = quadkey(zoom, x, y)
    assert len(key) == zoom
    assert int("0" + "".join(str(int(d) & 1) for d in key), 2) == x
    assert int("0" + "".join(str(int(d) >> 1) for d in key), 2) == y


def test_bounds_of_a_tile_are_those_of_the_published_example() -> None:
    # mercantile's own tests, "bounds" of 486/332/10
    bounds = tile_bounds(10, 486, 332)
    published = (-9.140625, 53.12040528310657, -8.7890625, 53.33087298301705)
    assert tuple(bounds) == pytest.approx(published, abs=1e-12)


@quick
@given(st.integers(0, MAX_ZOOM), st.data())
def test_bounds_of_a_tile_are_whole_numbers_of_the_grid(zoom: int, data: st.DataObject) -> None:
    n = 1 << zoom
    x, y = (data.draw(st.integers(0, n - 1)) for _ in range(2))
    west, south, east, north = tile_bounds(zoom, x, y)
    assert [float(v) * n for v in (x_at(west), x_at(east))] == pytest.approx([x, x + 1], abs=1e-7)
    assert [float(v) * n for v in (y_at(north), y_at(south))] == pytest.approx([y, y + 1], abs=1e-7)
    middle = mercantile.tile((west + east) / 2, float(latitude_at((y + 0.5) / n)), zoom)
    assert (middle.x, middle.y, middle.z) == (x, y, zoom)


@pytest.mark.parametrize("lat", [0.0, 0.1, -30.0, 45.0, 60.0, -75.0, 84.9, 89.0])
def test_ground_metres_agree_with_geodesics(lat: float) -> None:
    east_m, north_m = (float(v) for v in ground_scale(lat))
    step = 1e-5  # radians: 64 m, over which the curvature of a parallel is worth less than 1e-8
    d = np.degrees(step / 2)
    across = Geodesic.WGS84.Inverse(lat, -d, lat, d)["s12"]
    along = Geodesic.WGS84.Inverse(lat - d, 7.0, lat + d, 7.0)["s12"]
    assert east_m == pytest.approx(across / step, rel=1e-8)
    assert north_m == pytest.approx(along / step, rel=1e-8)


def test_scales_and_positions_keep_the_shape_of_what_they_are_given() -> None:
    lat = np.linspace(-80, 80, 6).reshape(2, 3)
    assert [part.shape for part in ground_scale(lat)] == [(2, 3), (2, 3)]
    assert x_at(lat).shape == y_at(lat).shape == latitude_at(lat).shape == longitude_at(lat).shape == (2, 3)


@pytest.mark.parametrize("zoom", [0, 3, 12])
def test_a_box_grown_to_tile_edges_is_that_of_the_tiles_that_it_touches(zoom: int) -> None:
    box = LonLatBox(12.30, 46.91, 12.42, 47.06)
    west, north = mercantile.tile(box.west, box.north, zoom), mercantile.tile(box.east, box.south, zoom)
    first, last = mercantile.bounds(west), mercantile.bounds(north)
    grown = on_tile_edges(box, zoom)
    assert grown == pytest.approx((first.west, last.south, last.east, first.north), abs=1e-9)
    assert on_tile_edges(grown, zoom) == pytest.approx(grown, abs=1e-9)
