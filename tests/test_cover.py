"""Covers against an independent search for the nearest points, shapely, mercantile and OGC 17-083r4, Annex I."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import mercantile
import numpy as np
import pytest
import shapely
from geographiclib.geodesic import Geodesic
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from pyproj import Geod

from packer.geometry.cover import chunked, cover_box, cover_corridor, cover_polygon
from packer.geometry.grid import Floats, LonLatBox
from packer.geometry.tileset import TileSet
from tests.budgets import tries

FIXTURES = Path(__file__).parent.parent / "fixtures"
EXACT_M = 0.01  # what cover_corridor promises
EDGE = 85.0511287798066  # OGC 17-083r4: where the square ends

few = settings(max_examples=tries(8, 20), deadline=None)  # a busy machine is no failure
some = settings(max_examples=tries(20, 60), deadline=None)

Spot = tuple[int, int]  # column and row


# The grid once more, from the published formulas and not from the code under test.


def tile_lon(x: Any, zoom: int) -> Any:
    return x / 2**zoom * 360.0 - 180.0


def tile_lat(y: Any, zoom: int) -> Any:
    return np.degrees(np.arctan(np.sinh(np.pi * (1.0 - 2.0 * y / 2**zoom))))


def spot_at(lon: float, lat: float, zoom: int) -> Spot:
    tile = mercantile.tile((lon + 180.0) % 360.0 - 180.0, lat, zoom)
    return tile.x, tile.y


def spots(tiles: TileSet) -> set[Spot]:
    return {(t.x, t.y) for t in tiles}


def ring_round(inner: set[Spot], zoom: int) -> set[Spot]:
    """The neighbours, corners too, of some tiles; columns go round, rows do not."""
    n = 1 << zoom
    steps = [(dx, dy) for dx in (-1, 0, 1) for dy in (-1, 0, 1)]
    wide = {((x + dx) % n, y + dy) for x, y in inner for dx, dy in steps if 0 <= y + dy < n}
    return wide - inner


# The distance between a line and a tile, by search: points on the tile's sides against short chords of the line
# in three dimensions, refined round each minimum; then one geodesic between the two points found.

_A_M, _E2 = 6378137.0, 0.0066943799901413165  # WGS84


def in_space(lon: Any, lat: Any) -> Floats:
    """Geocentric metres on the ellipsoid, (n, 3)."""
    lam, phi = np.radians(lon), np.radians(lat)
    n = _A_M / np.sqrt(1.0 - _E2 * np.sin(phi) ** 2)
    xyz = n * np.cos(phi) * np.cos(lam), n * np.cos(phi) * np.sin(lam), n * (1.0 - _E2) * np.sin(phi)
    return np.stack(xyz, axis=-1)


def dense(a: Floats, b: Floats, step_m: float) -> Floats:
    """A geodesic as positions at most `step_m` apart, by geographiclib; chords sag 0.2 mm at 100 m."""
    leg = Geodesic.WGS84.InverseLine(a[1], a[0], b[1], b[0])
    count = max(1, math.ceil(leg.s13 / step_m))
    between = [leg.Position(leg.s13 * i / count) for i in range(1, count)]
    return np.array([a, *((p["lon2"], p["lat2"]) for p in between), b])


class Reference:
    """A line, and its distance from any tile."""

    def __init__(self, lines: Iterable[Floats], step_m: float = 100.0) -> None:
        legs = []
        for line in lines:
            for a, b in pairwise(line if len(line) > 1 else [line[0], line[0]]):
                legs.append(dense(a, b, step_m))
        self.positions = np.concatenate(legs)
        self._a = np.concatenate([in_space(leg[:-1, 0], leg[:-1, 1]) for leg in legs])
        self._way = np.concatenate([in_space(leg[1:, 0], leg[1:, 1]) for leg in legs]) - self._a
        self._square = np.maximum((self._way**2).sum(axis=1), 1e-30)

    def _nearest(self, places: Floats, chords: Any) -> tuple[Floats, Floats]:
        """For each place, the straight distance to the line and the point of the line there."""
        a, way = self._a[chords], self._way[chords]
        share = np.clip(((places[:, None] - a) * way).sum(axis=-1) / self._square[chords], 0.0, 1.0)
        points = a + share[..., None] * way
        far = np.linalg.norm(places[:, None] - points, axis=-1)
        at = np.arange(len(places)), far.argmin(axis=1)
        return far[at], points[at]

    def from_middles(self, zoom: int, tiles: list[Spot]) -> tuple[Floats, Floats]:
        """For each tile, its middle's straight distance from the line, and the reach of its corners."""
        x, y = np.array(tiles, dtype=np.float64).reshape(-1, 2).T
        middle = in_space(tile_lon(x + 0.5, zoom), tile_lat(y + 0.5, zoom))
        corners = [in_space(tile_lon(x + i, zoom), tile_lat(y + j, zoom)) for i in (0, 1) for j in (0, 1)]
        reach = np.max([np.linalg.norm(c - middle, axis=-1) for c in corners], axis=0)
        every = slice(None)
        far = [self._nearest(part, every)[0] for part in np.array_split(middle, len(middle) // 300 + 1)]
        return np.concatenate(far), reach

    def metres_to(self, zoom: int, x: int, y: int) -> float:
        """Geodesic metres between the line and the square of a tile; 0 if they meet."""
        west, east = tile_lon(x, zoom), tile_lon(x + 1, zoom)
        north, south = float(tile_lat(y, zoom)), float(tile_lat(y + 1, zoom))
        lon, lat = self.positions.T
        if (((lon - west) % 360.0 <= east - west) & (south <= lat) & (lat <= north)).any():
            return 0.0

        def on_side(side: int, share: Floats) -> tuple[Floats, Floats]:
            along_lon, along_lat = west + share * (east - west), south + share * (north - south)
            if side < 2:
                return along_lon, np.full_like(share, (south, north)[side])
            return np.full_like(share, (west, east)[side - 2]), along_lat

        steps = np.linspace(0.0, 1.0, 33)
        sides = np.stack([in_space(*on_side(side, steps)) for side in range(4)])
        middle = sides.reshape(-1, 3).mean(axis=0)
        reach = np.linalg.norm(sides - middle, axis=-1).max()
        chord_far = np.linalg.norm(self._a - middle, axis=-1)
        chord_m = np.sqrt(self._square)
        chords = np.flatnonzero(chord_far - chord_m <= (chord_far + chord_m).min() + 2 * reach)
        far = self._nearest(sides.reshape(-1, 3), chords)[0].reshape(4, 33)
        edged = np.pad(far, ((0, 0), (1, 1)), constant_values=np.inf)
        low = (far <= edged[:, :-2]) & (far <= edged[:, 2:]) & (far < far.min() + reach / 8)
        best_m, best = np.inf, (0.0, 0.0, 0.0, 0.0)
        for side, k in np.argwhere(low):
            share, span = steps[k], 1 / 32
            for _ in range(7):
                tried = np.clip(share + np.linspace(-span, span, 17), 0.0, 1.0)
                tried_lon, tried_lat = on_side(int(side), tried)
                tried_far, points = self._nearest(in_space(tried_lon, tried_lat), chords)
                k = tried_far.argmin()
                share, span = tried[k], span / 7
            if tried_far[k] < best_m:
                px, py, pz = points[k]
                on_line = (
                    math.degrees(math.atan2(pz, math.hypot(px, py) * (1 - _E2))),
                    math.degrees(math.atan2(py, px)),
                )
                best_m, best = tried_far[k], (*on_line, float(tried_lat[k]), float(tried_lon[k]))
        return float(Geodesic.WGS84.Inverse(*best)["s12"])


def assert_exact(lines: list[Floats], half_width_m: float, zoom: int) -> None:
    """Every planned tile is within the half-width, none of the ring round them is, and the line lies in them.

    Together these leave no hole: whatever tile comes within the half-width hangs together with the line's own
    tiles by tiles that do as well.
    """
    reference = Reference(lines)
    planned = spots(cover_corridor(lines, half_width_m, zoom))
    inside = np.abs(reference.positions[:, 1]) < EDGE
    assert {spot_at(lon, lat, zoom) for lon, lat in reference.positions[inside].tolist()} <= planned
    for tiles, ours in ((planned, True), (ring_round(planned, zoom), False)):
        listed = sorted(tiles)
        if not listed:
            continue
        middle_m, reach_m = reference.from_middles(zoom, listed)
        # Straight distances fall short of geodesics by s³/24R², up to 1.1 m at 100 km.
        sure = middle_m <= half_width_m - 2.0 if ours else middle_m - reach_m > half_width_m + 2.0
        for k in np.flatnonzero(~sure):
            far_m = reference.metres_to(zoom, *listed[k])
            within = far_m <= half_width_m + EXACT_M if ours else far_m > half_width_m - EXACT_M
            assert within, f"{zoom}/{listed[k]} is {far_m:.4f} m away, {'taken' if ours else 'left out'}"


def assert_switches_at_its_distance(lines: list[Floats], zoom: int, tile: Spot) -> None:
    """A tile comes in as the half-width passes its distance: the sharpest question that can be asked."""
    far_m = Reference(lines).metres_to(zoom, *tile)
    if far_m > 2 * EXACT_M:
        assert (zoom, *tile) not in cover_corridor(lines, far_m - EXACT_M, zoom)
        assert (zoom, *tile) in cover_corridor(lines, far_m + EXACT_M, zoom)


def gpx_lines(name: str) -> list[Floats]:
    """The non-empty segments of a GPX file, read with the standard library alone."""
    segments = ElementTree.parse(FIXTURES / "tracks" / name).iter()
    found = []
    for segment in segments:
        if segment.tag.endswith("}trkseg"):
            fixes = [
                (float(p.attrib["lon"]), float(p.attrib["lat"])) for p in segment if p.tag.endswith("}trkpt")
            ]
            if fixes:
                found.append(np.array(fixes))
    return found


def line(*positions: tuple[float, float]) -> list[Floats]:
    return [np.array(positions, dtype=np.float64)]


def fitting_zoom(half_width_m: float, lat: float, tiles_across: float) -> int:
    """A zoom at which the half-width is some `tiles_across` wide, so that brute force stays affordable."""
    around_m = 40_075_016.0 * math.cos(math.radians(lat))
    return min(max(int(math.log2(around_m * tiles_across / half_width_m)), 2), 22)


# Corridors


def test_the_reference_finds_distances_that_geodesics_give_outright() -> None:
    # Due south of a tile's lower side, due east and west on the equator, and past a corner.
    zoom, x, y = 10, 512, 511
    west, east = tile_lon(x, zoom), tile_lon(x + 1, zoom)
    south = float(tile_lat(y + 1, zoom))
    assert south == 0.0
    wgs84 = Geodesic.WGS84
    below = Reference(line((east / 2, -0.3))).metres_to(zoom, x, y)
    assert below == pytest.approx(wgs84.Inverse(-0.3, 0, 0, 0)["s12"], abs=1e-4)
    beside = Reference(line((west - 0.2, 0.1))).metres_to(zoom, x, y)
    assert beside < wgs84.Inverse(0.1, west - 0.2, 0.1, west)["s12"]
    assert beside == pytest.approx(wgs84.Inverse(0.1, west - 0.2, 0.1, west)["s12"], abs=0.01)
    corner = Reference(line((east + 0.1, -0.1))).metres_to(zoom, x, y)
    assert corner == pytest.approx(wgs84.Inverse(-0.1, east + 0.1, 0, east)["s12"], abs=1e-4)
    assert Reference(line((east / 2, 0.1))).metres_to(zoom, x, y) == 0.0


@pytest.mark.parametrize(
    ("name", "half_width_m", "zoom"),
    [
        ("korita-zbevnica.gpx", 25.0, 17),
        ("korita-zbevnica.gpx", 500.0, 14),
        ("korita-zbevnica.gpx", 2000.0, 12),
        ("cerknicko-jezero.gpx", 100.0, 16),
        ("cerknicko-jezero.gpx", 2000.0, 13),
        ("Mojstrovka.gpx", 25.0, 18),
        ("Mojstrovka.gpx", 250.0, 16),
        ("Mojstrovka.gpx", 2000.0, 14),
        ("around-visnjan-with-car.gpx", 50.0, 16),
        ("around-visnjan-with-car.gpx", 1000.0, 15),
    ],
)
def test_a_real_track_takes_every_tile_within_its_half_width_and_no_other(
    name: str, half_width_m: float, zoom: int
) -> None:
    assert_exact(gpx_lines(name), half_width_m, zoom)


@st.composite
def short_lines(draw: st.DrawFn) -> list[Floats]:
    """A line of one to four positions anywhere up to 84.9°, often at special places and in special directions."""
    lat = draw(st.one_of(st.floats(-84.9, 84.9), st.sampled_from([0.0, 84.9, -84.9, 60.0])))
    lon = draw(st.one_of(st.floats(-180, 180), st.sampled_from([-180.0, 180.0, 0.0, 179.9995, -179.9995])))
    positions = [(lon, lat)]
    for _ in range(draw(st.integers(0, 3))):
        azimuth = draw(st.one_of(st.floats(0, 360), st.sampled_from([0.0, 90.0, 180.0, 270.0])))
        step_m = draw(st.one_of(st.floats(0.01, 3000.0), st.just(0.0)))
        to = Geodesic.WGS84.Direct(positions[-1][1], positions[-1][0], azimuth, step_m)
        positions.append((to["lon2"], min(max(to["lat2"], -EDGE), EDGE)))
    return line(*positions)


@few
@given(short_lines(), st.floats(25.0, 2000.0))
def test_a_short_line_anywhere_takes_every_tile_within_its_half_width_and_no_other(
    lines: list[Floats], half_width_m: float
) -> None:
    assert_exact(lines, half_width_m, fitting_zoom(half_width_m, lines[0][0, 1], 3.0))


@some
@given(short_lines(), st.floats(1.0, 5000.0), st.integers(-4, 4), st.integers(-4, 4))
@example(line((0.365729, 83.456365), (0.365729, 83.4)), 900.0, 1, 0)  # beside the poleward end of a meridian
@example(line((25.0, 60.3)), 100_000.0, -1, 0)  # the nearest point of a wide tile's side lies poleward
@example(line((25.0, -75.2)), 30_000.0, 1, 0)
@example(line((33.539366, 84.1255766), (33.535131, 84.1255766)), 550.0, 0, 2)  # a level piece bulges poleward
def test_a_tile_comes_in_as_the_half_width_passes_its_distance(
    lines: list[Floats], scale_m: float, dx: int, dy: int
) -> None:
    lon, lat = lines[0][-1].tolist()
    zoom = fitting_zoom(scale_m, lat, 2.0)
    x, y = spot_at(lon, lat, zoom)
    assume(0 <= y + dy < 1 << zoom)
    assert_switches_at_its_distance(lines, zoom, ((x + dx) % (1 << zoom), y + dy))


@few
@given(
    st.floats(-180, 180),
    st.floats(-84.0, 84.0),
    st.one_of(st.floats(0, 360), st.sampled_from([0.0, 90.0])),
    st.integers(0, 100),
    st.integers(-2, 2),
)
@example(0.0, 83.2, 180.0, 0, 1)
@example(179.5, -83.9, 90.0, 50, 1)
@example(0.0, 2.3e-308, 90.0, 0, 1)  # so nearly level that a quotient overflows
def test_a_leg_of_100_km_follows_the_geodesic(
    lon: float, lat: float, azimuth: float, part: int, side: int
) -> None:
    leg = Geodesic.WGS84.DirectLine(lat, lon, azimuth, 100_000.0)
    end = leg.Position(100_000.0)
    assume(abs(end["lat2"]) < 84.9)
    lines = line((lon, lat), (end["lon2"], end["lat2"]))
    on_line = leg.Position(1000.0 * part)
    zoom = 13
    x, y = spot_at(on_line["lon2"], on_line["lat2"], zoom)
    assert (zoom, x, y) in cover_corridor(lines, 25.0, zoom)
    along_row = abs(math.cos(math.radians(azimuth))) < 0.7
    tile = (x, min(max(y + side, 0), 8191)) if along_row else ((x + side) % 8192, y)
    assert_switches_at_its_distance(lines, zoom, tile)


@few
@given(st.floats(-180, 180), st.floats(-84.9, 84.9), st.floats(1000.0, 100_000.0))
@example(12.0, 84.9, 100_000.0)
@example(-180.0, -84.9, 100_000.0)
@example(180.0, 0.0, 100_000.0)
def test_a_circle_takes_every_tile_within_its_radius_and_no_other(
    lon: float, lat: float, radius_m: float
) -> None:
    assert_exact(line((lon, lat)), radius_m, fitting_zoom(radius_m, lat, 2.5))


@some
@given(st.floats(-180, 180), st.floats(-84.9, 84.9), st.floats(0, 360), st.floats(5000.0, 100_000.0))
@example(20.0, 60.0, 90.0, 100_000.0)  # the shortest way leans poleward of the parallel, by the more the
@example(20.0, -70.0, 90.0, 100_000.0)  # farther: the plane is furthest off here
@example(180.0, -84.0, 270.0, 100_000.0)
def test_a_tile_far_away_comes_in_as_the_radius_passes_its_distance(
    lon: float, lat: float, azimuth: float, radius_m: float
) -> None:
    to = Geodesic.WGS84.Direct(lat, lon, azimuth, radius_m)
    assume(abs(to["lat2"]) < 85.0)
    assert_switches_at_its_distance(line((lon, lat)), 12, spot_at(to["lon2"], to["lat2"], 12))


@pytest.mark.parametrize("lat_row", [100, 511, 512, 900])
@pytest.mark.parametrize("column", [0, 1, 512, 700])
def test_a_point_on_a_corner_takes_the_four_tiles_round_it(column: int, lat_row: int) -> None:
    corner = line((tile_lon(column, 10), float(tile_lat(lat_row, 10))))
    around = {((column + dx) % 1024, lat_row + dy) for dx in (-1, 0) for dy in (-1, 0)}
    assert spots(cover_corridor(corner, 1.0, 10)) == around


def test_a_point_on_a_side_takes_the_two_tiles_beside_it() -> None:
    assert spots(cover_corridor(line((tile_lon(700, 10), 47.05)), 1.0, 10)) == {
        (699, spot_at(0, 47.05, 10)[1]),
        (700, spot_at(0, 47.05, 10)[1]),
    }


def test_a_point_deep_inside_a_tile_takes_that_tile_alone() -> None:
    for zoom in (0, 3, 10, 14):
        n = 1 << zoom
        x, y = n // 3, n // 3
        inside = line((tile_lon(x + 0.5, zoom), float(tile_lat(y + 0.5, zoom))))
        assert spots(cover_corridor(inside, 5.0, zoom)) == {(x, y)}


@few
@given(short_lines(), st.floats(25.0, 1000.0))
def test_repeated_and_reversed_positions_change_nothing(lines: list[Floats], half_width_m: float) -> None:
    zoom = fitting_zoom(half_width_m, lines[0][0, 1], 3.0)
    plain = cover_corridor(lines, half_width_m, zoom)
    stuttering = [np.repeat(lines[0], 3, axis=0)]
    assert cover_corridor(stuttering, half_width_m, zoom) == plain
    assert cover_corridor([*lines, *stuttering], half_width_m, zoom) == plain


def test_a_line_of_no_length_is_a_point() -> None:
    at = (14.3, 45.7)
    assert cover_corridor(line(at, at), 300.0, 16) == cover_corridor(line(at), 300.0, 16)


@few
@given(short_lines(), st.floats(25.0, 1000.0), st.integers(1, 7))
def test_turning_the_globe_turns_the_cover(lines: list[Floats], half_width_m: float, eighths: int) -> None:
    zoom = fitting_zoom(half_width_m, lines[0][0, 1], 3.0)
    n = 1 << zoom
    turned = lines[0] + np.array([45.0 * eighths, 0.0])
    turned[:, 0] = (turned[:, 0] + 180.0) % 360.0 - 180.0
    moved = {((x + eighths * n // 8) % n, y) for x, y in spots(cover_corridor(lines, half_width_m, zoom))}
    both = moved ^ spots(cover_corridor([turned], half_width_m, zoom))
    # Turning rounds the longitudes: only a tile within a micrometre of the edge may differ.
    reference = Reference([turned])
    assert all(reference.metres_to(zoom, *t) == pytest.approx(half_width_m, abs=1e-6) for t in both)


@pytest.mark.parametrize("name", ["korita-zbevnica.gpx", "Mojstrovka.gpx"])
def test_every_zoom_of_a_corridor_follows_from_the_deepest(name: str) -> None:
    lines = gpx_lines(name)
    whole = cover_corridor(lines, 150.0, 18).pyramid(0)
    for zoom in range(18):
        assert whole.at(zoom) == cover_corridor(lines, 150.0, zoom)


def test_a_leg_over_the_pole_takes_its_ends_and_costs_little() -> None:
    # Between its ends the geodesic is beyond the map: it must neither fill the top row nor fail.
    tiles = cover_corridor(line((10.0, 84.9), (-170.0, 84.9)), 500.0, 16)
    columns = {x for x, _ in spots(tiles)}
    assert columns == {
        x
        for end in (10.0, -170.0)
        for x, _ in spots(cover_corridor(line((end, 84.9), (end, 85.0511)), 500.0, 16))
    }
    assert 100 < len(tiles) < 20_000


def test_a_circle_at_the_map_s_edge_ends_with_the_map() -> None:
    tiles = cover_corridor(line((30.0, EDGE)), 20_000.0, 10)
    assert min(y for _, y in spots(tiles)) == 0
    assert_exact(line((30.0, EDGE)), 20_000.0, 10)


def test_pieces_stay_within_half_a_centimetre_of_their_geodesic() -> None:
    worst_m = 0.0
    for lat, azimuth, length_m in [
        (0, 45, 1e5),
        (45, 90, 1e5),
        (60, 90, 1e5),
        (84.5, 90, 1e5),
        (78, 25.3, 2.4e6),
    ]:
        leg = Geodesic.WGS84.DirectLine(lat, 0.0, azimuth, length_m)
        end = leg.Position(length_m)
        pieces = chunked(line((0.0, lat), (end["lon2"], end["lat2"])), 500.0)
        middle = (pieces.lon_a + pieces.lon_b) / 2, (pieces.lat_a + pieces.lat_b) / 2
        for lon, at in np.transpose(middle)[:: max(1, len(pieces) // 40)]:
            to = Geodesic.WGS84.Inverse(lat, 0.0, at, lon)
            worst_m = max(worst_m, abs(math.radians(to["azi1"] - leg.azi1)) * to["s12"])
    assert 0.001 < worst_m < 0.0055


def test_the_two_geodesic_libraries_agree() -> None:
    # The cover asks PROJ, the reference geographiclib: they are implementations of one published algorithm
    # (Karney, Journal of Geodesy 87, 2013), so this guards against one of them being off.
    geod, rng = Geod(ellps="WGS84"), np.random.default_rng(7)
    for lon_a, lat_a, lon_b, lat_b in rng.uniform(
        (-180, -85, -180, -85), (180, 85, 180, 85), (50, 4)
    ).tolist():
        ours = geod.inv(lon_a, lat_a, lon_b, lat_b)[2]
        assert ours == pytest.approx(Geodesic.WGS84.Inverse(lat_a, lon_a, lat_b, lon_b)["s12"], abs=1e-6)


# Boxes


def annex_i(box: LonLatBox, zoom: int) -> set[Spot]:
    """OGC 17-083r4, Annex I, "From BBOX to tile indices", word for word, for a box that does not wrap."""
    n, epsilon = 1 << zoom, 1e-6
    fractions = [mercantile.xy(lon, lat) for lon, lat in ((box.west, box.north), (box.east, box.south))]
    (left, upper), (right, lower) = fractions
    half, span = 20037508.342789244, 2 * 20037508.342789244 / n
    first, last = (left + half) / span, (right + half) / span
    top, bottom = (half - upper) / span, (half - lower) / span
    limits = [math.floor(v) for v in (first + epsilon, last - epsilon, top + epsilon, bottom - epsilon)]
    min_x, max_x, min_y, max_y = (min(max(v, 0), n - 1) for v in limits)
    return {(x, y) for x in range(min_x, max_x + 1) for y in range(min_y, max_y + 1)}


@st.composite
def boxes(draw: st.DrawFn) -> tuple[LonLatBox, int]:
    """A zoom and a box of up to six tiles a side there; its edges are often on those of tiles or near them."""
    zoom = draw(st.integers(0, 22))
    n = 1 << zoom
    nudge = st.sampled_from([0.0, 5e-7, -5e-7, 2e-6, -2e-6, 0.5, 0.25])
    x, y = (draw(st.integers(0, n - 1)) + draw(nudge) for _ in range(2))
    width, height = (
        draw(st.floats(1e-3, 6.0)) if draw(st.booleans()) else draw(st.integers(1, 6)) for _ in range(2)
    )
    west, east = max(x, 0.0), min(x + width, n)
    north, south = max(y, 0.0), min(y + height, n)
    assume(east - west > 1e-4)
    assume(south - north > 1e-4)
    return (
        LonLatBox(
            tile_lon(west, zoom),
            float(tile_lat(south, zoom)),
            tile_lon(east, zoom),
            float(tile_lat(north, zoom)),
        ),
        zoom,
    )


@some
@given(boxes())
def test_a_box_takes_the_tiles_that_the_standard_s_rule_gives(drawn: tuple[LonLatBox, int]) -> None:
    box, zoom = drawn
    assert spots(cover_box(box, zoom)) == annex_i(box, zoom)


@some
@given(boxes())
def test_a_box_agrees_with_mercantile_but_for_slivers(drawn: tuple[LonLatBox, int]) -> None:
    box, zoom = drawn
    ours = spots(cover_box(box, zoom))
    theirs = {(t.x, t.y) for t in mercantile.tiles(*box, [zoom])}
    # mercantile counts an overlap from some 1e-11 degree on, the standard's rule from 1e-6 tile on.
    assert ours <= theirs
    sliver = 1.1e-6
    for x, y in theirs - ours:
        overlap_x = min(tile_lon(x + 1, zoom), box.east) - max(tile_lon(x, zoom), box.west)
        overlap_y = min(tile_lat(y, zoom), box.north) - max(tile_lat(y + 1, zoom), box.south)
        share_y = overlap_y / (tile_lat(y, zoom) - tile_lat(y + 1, zoom))
        assert overlap_x / 360.0 * 2**zoom < sliver or share_y < sliver


@pytest.mark.parametrize("zoom", [0, 1, 2, 3, 6, 11])
def test_a_box_across_the_antimeridian_is_its_two_halves(zoom: int) -> None:
    box = LonLatBox(170.0, -20.0, -165.0, 33.0)
    halves = cover_box(box._replace(east=180.0), zoom) | cover_box(box._replace(west=-180.0), zoom)
    assert cover_box(box, zoom) == halves
    assert spots(halves) == {(t.x, t.y) for t in mercantile.tiles(*box, [zoom])}


@pytest.mark.parametrize("zoom", [0, 1, 4, 9])
def test_a_box_that_starts_on_the_antimeridian_stays_east_of_it(zoom: int) -> None:
    assert cover_box(LonLatBox(180.0, 10.0, -160.0, 20.0), zoom) == cover_box(
        LonLatBox(-180.0, 10.0, -160.0, 20.0), zoom
    )


def test_a_box_all_round_takes_each_column_once() -> None:
    for west, east in ((-180.0, 180.0), (10.0, 9.9999)):
        tiles = cover_box(LonLatBox(west, -EDGE, east, EDGE), 5)
        assert len(tiles) == 1024


@some
@given(st.floats(-180, 180), st.floats(-90, 90), st.integers(0, 24))
@example(0.0, 0.0, 5)  # a corner: here mercantile 1.2.1 gives no tile
@example(180.0, -90.0, 10)
@example(-180.0, 90.0, 10)
def test_a_box_without_width_or_height_still_takes_a_tile(lon: float, lat: float, zoom: int) -> None:
    assert len(cover_box(LonLatBox(lon, lat, lon, lat), zoom)) == 1
    assert len(cover_box(LonLatBox(-10.0, lat, 20.0, lat), zoom)) >= 1
    assert len(cover_box(LonLatBox(lon, -1.0, lon, 2.0), zoom)) >= 1


def test_a_box_along_tile_edges_takes_just_those_tiles_at_every_zoom() -> None:
    box = mercantile.bounds(mercantile.Tile(1093, 714, 11))
    for zoom in range(11, 20):
        assert len(cover_box(LonLatBox(*box), zoom)) == 4 ** (zoom - 11)


@some
@given(boxes())
def test_every_zoom_of_a_box_follows_from_the_deepest(drawn: tuple[LonLatBox, int]) -> None:
    box, zoom = drawn
    n = 1 << zoom
    # Slivers depend on the zoom, as the module says: edges are put where none is, on sixty-fourths of a tile.
    west, east = (round((v / 360.0 + 0.5) * n * 64) / 64 for v in (box.west, box.east))
    rows = [
        round((0.5 - math.asinh(math.tan(math.radians(v))) / 2 / math.pi) * n * 64) / 64 for v in box[1::2]
    ]
    assume(east > west)
    assume(rows[0] > rows[1])
    south, north = (float(tile_lat(row, zoom)) for row in rows)
    snapped = LonLatBox(tile_lon(west, zoom), south, tile_lon(east, zoom), north)
    whole = cover_box(snapped, zoom).pyramid(0)
    for shallower in range(max(0, zoom - 8), zoom):
        assert whole.at(shallower) == cover_box(snapped, shallower)


# Polygons


def tile_boxes(columns: Any, rows: Any, zoom: int, inset: float) -> Any:
    """The squares of tiles in degrees, drawn in on every side by a share of a tile."""
    return shapely.box(
        tile_lon(columns + inset, zoom),
        tile_lat(rows + 1 - inset, zoom),
        tile_lon(columns + 1 - inset, zoom),
        tile_lat(rows + inset, zoom),
    )


def by_brute_force(shape: Any, zoom: int) -> tuple[set[Spot], set[Spot]]:
    """Tiles that a polygon in degrees overlaps by more than a sliver, and tiles that it touches at all."""
    n = 1 << zoom
    west, south, east, north = shape.bounds
    (_, top), (_, bottom) = (spot_at(0.0, min(max(v, -EDGE), EDGE), zoom) for v in (north, south))
    first, last = (math.floor((v / 360.0 + 0.5) * n) for v in (west, east))
    wide, high = np.arange(first - 1, last + 2), np.arange(max(top - 1, 0), min(bottom + 2, n))
    columns, rows = np.tile(wide, high.size), np.repeat(high, wide.size)
    shapely.prepare(shape)
    must, may = (shapely.intersects(shape, tile_boxes(columns, rows, zoom, inset)) for inset in (2e-6, -1e-9))
    named = np.column_stack([columns % n, rows])
    return {(int(x), int(y)) for x, y in named[must]}, {(int(x), int(y)) for x, y in named[may]}


def assert_overlaps(rings: list[Floats], zoom: int) -> None:
    shape = shapely.Polygon(rings[0], rings[1:])
    assert shape.is_valid
    must, may = by_brute_force(shape, zoom)
    planned = spots(cover_polygon(rings, zoom))
    assert must <= planned
    assert planned <= may


def in_tiles(zoom: int, *positions: tuple[float, float]) -> Floats:
    """A closed ring in degrees from positions in tiles."""
    x, y = np.array([*positions, positions[0]], dtype=np.float64).T
    return np.column_stack([tile_lon(x, zoom), tile_lat(y, zoom)])


@st.composite
def stars(draw: st.DrawFn) -> tuple[list[Floats], int]:
    """A star-shaped ring, mostly concave, sometimes with a hole, from a hundredth of a tile to some tiles wide.

    Its middle is anywhere, past ±180 too; it is often thin, and often has corners on the edges of tiles.
    """
    zoom = draw(st.sampled_from([3, 6, 10, 14]))
    n = 1 << zoom
    middle_x, middle_y = draw(st.floats(-n / 2, 1.5 * n)), draw(st.floats(0, n))
    size = draw(st.sampled_from([0.01, 0.4, 1.0, 3.0]))
    flat = draw(st.sampled_from([1.0, 1.0, 0.02]))
    count = draw(st.integers(3, 9))
    spread = [draw(st.floats(0.2, 1.0)) for _ in range(count)]
    snap = draw(st.booleans()) and size >= 1.0

    def ring(scale: float) -> Floats:
        turn = [2 * math.pi * k / count for k in range(count)]
        xy = [
            (middle_x + scale * r * math.cos(a) * size, middle_y + scale * r * math.sin(a) * size * flat)
            for a, r in zip(turn, spread, strict=True)
        ]
        return in_tiles(zoom, *((float(round(x)), float(round(y))) if snap else (x, y) for x, y in xy))

    return [ring(1.0), ring(0.6)] if draw(st.booleans()) and not snap else [ring(1.0)], zoom


@settings(max_examples=tries(60, 200), deadline=None)
@given(stars())
def test_a_polygon_takes_the_tiles_that_it_overlaps_and_no_other(drawn: tuple[list[Floats], int]) -> None:
    rings, zoom = drawn
    assume(shapely.Polygon(rings[0], rings[1:]).is_valid)
    assert_overlaps(rings, zoom)


@some
@given(stars(), st.sampled_from([-1, 1]))
def test_a_polygon_is_the_same_whole_turns_away_and_drawn_backwards(
    drawn: tuple[list[Floats], int], turns: int
) -> None:
    rings, zoom = drawn
    assume(shapely.Polygon(rings[0], rings[1:]).is_valid)
    away = [ring[::-1] + np.array([360.0 * turns, 0.0]) for ring in rings]
    differing = spots(cover_polygon(rings, zoom)) ^ spots(cover_polygon(away, zoom))
    must, may = by_brute_force(shapely.Polygon(rings[0], rings[1:]), zoom)
    assert differing <= may - must  # rounding may decide a sliver differently


def test_a_polygon_along_tile_edges_takes_just_those_tiles() -> None:
    square = in_tiles(8, (130, 90), (133, 90), (133, 92), (130, 92))
    assert spots(cover_polygon([square], 8)) == {(x, y) for x in (130, 131, 132) for y in (90, 91)}
    angle = in_tiles(8, (130, 90), (133, 90), (133, 91), (131, 91), (131, 93), (130, 93))
    assert spots(cover_polygon([angle], 8)) == {(130, 90), (131, 90), (132, 90), (130, 91), (130, 92)}


def test_a_hole_along_tile_edges_leaves_out_its_tiles() -> None:
    outer = in_tiles(8, (129.5, 89.5), (134.5, 89.5), (134.5, 94.5), (129.5, 94.5))
    hole = in_tiles(8, (131, 91), (133, 91), (133, 93), (131, 93))
    every = {(x, y) for x in range(129, 135) for y in range(89, 95)}
    left_out = {(x, y) for x in (131, 132) for y in (91, 92)}
    assert spots(cover_polygon([outer, hole], 8)) == every - left_out
    small = in_tiles(8, (131.2, 91.2), (131.8, 91.2), (131.8, 91.8), (131.2, 91.8))
    assert spots(cover_polygon([outer, small], 8)) == every


@pytest.mark.parametrize(
    "ring",
    [
        in_tiles(
            9, (200.1, 150.3), (240.9, 150.3), (240.9, 150.301), (200.1, 150.301)
        ),  # misses every middle line
        in_tiles(9, (200.3, 150.1), (200.301, 150.1), (200.301, 190.9), (200.3, 190.9)),
        in_tiles(9, (200.1, 150.1), (240.9, 190.8), (240.901, 190.801)),
        in_tiles(9, (200.1, 150.9), (240.9, 150.95), (200.1, 150.999), (230.0, 150.95)),
        in_tiles(9, (200.4, 150.4), (200.401, 150.4), (200.4, 150.401)),  # wholly inside a tile
        in_tiles(9, (500.0, 0.3), (530.0, 0.3), (530.0, 9.1), (500.0, 9.1)),  # past 180
    ],
)
def test_a_thin_or_tiny_polygon_takes_the_tiles_that_it_overlaps(ring: Floats) -> None:
    for zoom in (5, 8, 9, 11):
        assert_overlaps([ring], zoom)
        assert cover_polygon([ring], zoom)


def countries() -> list[tuple[str, list[list[Floats]]]]:
    """Every part of every country of the fixture as rings without a jump, those round a pole closed by it."""
    text = (FIXTURES / "polygons" / "countries.geojson").read_text(encoding="utf-8")
    found = []
    for feature in json.loads(text)["features"]:
        shape = feature["geometry"]
        parts = shape["coordinates"] if shape["type"] == "MultiPolygon" else [shape["coordinates"]]
        found.append((feature["properties"]["name"], [[unwrapped(r) for r in part] for part in parts]))
    return found


def unwrapped(ring: list[list[float]]) -> Floats:
    xy = np.array(ring)
    xy[:, 0] = np.unwrap(xy[:, 0], period=360.0)
    if abs(xy[-1, 0] - xy[0, 0]) > 1.0:
        xy = np.concatenate([xy, [[xy[-1, 0], -90.0], [xy[0, 0], -90.0], xy[0]]])
    return xy


@pytest.mark.parametrize(("name", "parts"), countries(), ids=lambda v: v if isinstance(v, str) else "")
def test_a_country_takes_the_tiles_that_it_overlaps_and_no_other(
    name: str, parts: list[list[Floats]]
) -> None:
    for zoom in range(3, 8):
        for rings in parts:
            assert_overlaps(rings, zoom)


def test_every_zoom_of_a_country_follows_from_the_deepest_but_for_slivers() -> None:
    for _, parts in countries():
        for rings in parts:
            whole = cover_polygon(rings, 8).pyramid(2)
            for zoom in range(2, 8):
                shape = shapely.Polygon(rings[0], rings[1:])
                must, may = by_brute_force(shape, zoom)
                differing = spots(whole.at(zoom)) ^ spots(cover_polygon(rings, zoom))
                assert differing <= may - must
