"""Shapes and the boxes round them, against geodesics of geographiclib."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import shapely
from geographiclib.geodesic import Geodesic
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from packer.geometry.grid import MAX_LATITUDE, Floats, LonLatBox
from packer.geometry.mending import mended
from packer.geometry.shapes import Corridor, Polygons, Rectangle, around, enclosing, wrapped

quick = settings(max_examples=60, deadline=None)  # a busy machine is no failure

LATITUDES = st.floats(-MAX_LATITUDE, MAX_LATITUDE)
LONGITUDES = st.floats(-180, 180)


def holds(box: LonLatBox, lon: float, lat: float, slack: float = 1e-9) -> bool:
    """Whether a box holds a position, whichever turn of the globe either is given on."""
    width = box.east - box.west + (360 if box.west > box.east else 0)
    within = (lon - box.west + slack) % 360 <= width + 2 * slack or width >= 360
    return within and box.south - slack <= lat <= box.north + slack


def ring(*positions: tuple[float, float]) -> Floats:
    return np.array(positions, dtype=np.float64)


@quick
@given(LONGITUDES, LATITUDES, st.floats(1, 1_000_000), st.floats(0, 360))
def test_a_box_with_a_margin_holds_every_place_within_it(
    lon: float, lat: float, margin_m: float, azimuth: float
) -> None:
    box = around(LonLatBox(lon, lat, lon, lat), margin_m)
    there = Geodesic.WGS84.Direct(lat, lon, azimuth, margin_m)
    assume(abs(there["lat2"]) <= MAX_LATITUDE)  # places past the map's edge have no tiles
    assert holds(box, there["lon2"], there["lat2"])


@pytest.mark.parametrize("lat", [0.0, 47.0, -60.0, 80.0, 84.9])
@pytest.mark.parametrize("margin_m", [250.0, 10_000.0, 100_000.0])
def test_a_margin_is_little_wider_than_it_has_to_be(lat: float, margin_m: float) -> None:
    box = around(LonLatBox(0, lat, 0, lat), margin_m)
    widest = max(Geodesic.WGS84.Direct(lat, 0, azimuth, margin_m)["lon2"] for azimuth in range(91))
    assert widest <= box.east <= widest * 1.011  # the ellipsoid's radii differ by 1 %
    highest = Geodesic.WGS84.Direct(lat, 0, 0, margin_m)["lat2"]
    assert box.north == pytest.approx(min(highest, MAX_LATITUDE), abs=(highest - lat) * 0.011)


def test_a_small_ring_across_the_antimeridian_is_no_belt_round_the_globe() -> None:
    corners = (179.9, -17.0), (-179.9, -17.0), (-179.9, -16.8), (179.9, -16.8), (179.9, -17.0)
    (found,) = Polygons(tuple(mended([ring(*corners)]))).boxes()
    assert found.east - found.west == pytest.approx(0.2)


def test_a_margin_that_reaches_the_pole_goes_right_round() -> None:
    assert around(LonLatBox(10, 84, 11, 85), 1_000_000)[::2] == (-180, 180)
    assert around(LonLatBox(10, -85, 11, -84), 1_000_000).south == -MAX_LATITUDE


@quick
@given(st.lists(st.tuples(LONGITUDES, LATITUDES), min_size=2, max_size=4), st.floats(1, 100_000))
def test_the_boxes_of_a_corridor_hold_its_line_along_geodesics(
    places: list[tuple[float, float]], half_width_m: float
) -> None:
    [box] = Corridor((ring(*places),), half_width_m).boxes()
    for (lon_a, lat_a), (lon_b, lat_b) in itertools.pairwise(places):
        leg = Geodesic.WGS84.InverseLine(lat_a, lon_a, lat_b, lon_b)
        assume(leg.s13 < 19_000_000)  # between antipodes the shortest way is not one
        for share in np.linspace(0, 1, 23):
            there = leg.Position(share * leg.s13)
            if abs(there["lat2"]) <= MAX_LATITUDE:
                assert holds(box, there["lon2"], there["lat2"])


def test_the_box_of_a_long_leg_reaches_as_far_north_as_its_geodesic_climbs() -> None:
    leg = Geodesic.WGS84.InverseLine(60, 0, 60, 90)
    top = max(leg.Position(leg.s13 * share)["lat2"] for share in np.linspace(0, 1, 1001))
    [box] = Corridor((ring((0, 60), (90, 60)),), 250).boxes()
    assert top > 67
    assert top < box.north < top + 0.01


def test_a_line_across_the_antimeridian_has_a_narrow_box() -> None:
    [box] = Corridor((ring((179.9, 10), (-179.9, 10)),), 1000).boxes()
    assert box.east - box.west < 0.3
    assert enclosing([box]).west > enclosing([box]).east


def test_the_length_of_a_corridor_is_that_of_geographiclib() -> None:
    # A case of GeodTest as given in geographiclib's own tests (test_geodesic.py).
    line = ring((-139.44815, 35.60777), (-69.95921, -11.17491))
    assert Corridor((line, ring((0, 0))), 250).length_m == pytest.approx(8935244.5604818305, abs=1e-6)


BOXES = st.builds(
    lambda west, width, south, height: LonLatBox(west, south, west + width, min(south + height, 85.0)),
    st.floats(-360, 360),
    st.floats(0, 400),
    st.floats(-85, 85),
    st.floats(0, 90),
)


@quick
@given(st.lists(BOXES, min_size=1, max_size=5))
def test_the_enclosing_box_holds_all_boxes_and_lies_on_the_map(boxes: list[LonLatBox]) -> None:
    whole = enclosing(boxes)
    assert -180 <= whole.west <= 180
    assert -180 <= whole.east <= 180
    for box in boxes:
        for share in (0, 0.3, 1):
            assert holds(whole, box.west + share * (box.east - box.west), box.south)
            assert holds(whole, box.east, box.north)


@quick
@given(st.lists(st.integers(-180, 179), min_size=1, max_size=5, unique=True))
def test_the_enclosing_box_is_the_narrowest(longitudes: list[int]) -> None:
    whole = enclosing([LonLatBox(lon, 1.0, lon, 2.0) for lon in longitudes])
    width = (whole.east - whole.west) % 360
    every = [max((b - a) % 360 for b in longitudes) for a in longitudes]  # from each one, round to the last
    assert width == min(every)


def test_an_enclosing_box_repeats_the_numbers_it_was_given() -> None:
    box = LonLatBox(12.3, 47.0, 12.7, 47.25)
    assert enclosing([box]) == box
    assert enclosing([LonLatBox(-180, -80, 180, 80)]) == LonLatBox(-180, -80, 180, 80)
    assert enclosing([LonLatBox(0, 1, 359.99999999999994, 2)]) == LonLatBox(-180, 1, 180, 2)
    assert enclosing([LonLatBox(177, 1, 180, 2), LonLatBox(-180, 1, -178, 2)]) == LonLatBox(177, 1, -178, 2)


@given(st.floats(-1e4, 1e4))
def test_a_wrapped_longitude_is_the_same_meridian(lon: float) -> None:
    assert -180 <= wrapped(lon) <= 180
    assert math.cos(math.radians(wrapped(lon) - lon)) == pytest.approx(1)


def area_of(polygons: list[tuple[Floats, ...]]) -> float:
    return float(sum(shapely.Polygon(rings[0], rings[1:]).area for rings in polygons))


SQUARE = ring((0, 0), (4, 0), (4, 4), (0, 4), (0, 0))
HOLE = ring((1, 1), (1, 3), (3, 3), (3, 1), (1, 1))


def moved(xy: Floats, lon: float) -> Floats:
    """A ring drawn further east, with every longitude brought back to -180..180: it jumps."""
    return np.column_stack([(xy[:, 0] + lon + 180) % 360 - 180, xy[:, 1]])


@pytest.mark.parametrize("lon", [0, 10, 177, 178.5, 179, 181])
def test_a_polygon_with_a_hole_keeps_both_across_the_antimeridian(lon: float) -> None:
    [rings] = mended([moved(SQUARE, lon), moved(HOLE, lon)])
    assert len(rings) == 2
    assert area_of([rings]) == pytest.approx(12)
    assert np.ptp(rings[0][:, 0]) == pytest.approx(4)


@pytest.mark.parametrize("drawn", [SQUARE[:-1], SQUARE[::-1], np.vstack([SQUARE, SQUARE[-1:]])])
def test_open_clockwise_and_doubled_rings_are_the_same_square(drawn: Floats) -> None:
    assert area_of(list(mended([drawn]))) == pytest.approx(16)


def test_a_hole_that_shares_an_edge_with_its_ring_stays_a_hole() -> None:
    assert area_of(list(mended([SQUARE, ring((0, 1), (2, 1), (2, 3), (0, 3), (0, 1))]))) == pytest.approx(12)


def test_a_ring_that_crosses_itself_keeps_both_its_halves() -> None:
    bow = ring((0, 0), (4, 4), (4, 0), (0, 4), (0, 0))
    assert area_of(list(mended([bow]))) == pytest.approx(8)


@pytest.mark.parametrize("flat", [ring((1, 1)), ring((0, 0), (4, 0)), ring((0, 0), (4, 0), (0, 0), (0, 0))])
def test_a_ring_without_an_area_is_left_out(flat: Floats) -> None:
    assert list(mended([flat])) == []


@pytest.mark.parametrize("pole", [90, -90])
@pytest.mark.parametrize("turn", [1, -1])
def test_a_ring_round_a_pole_holds_the_pole(pole: int, turn: int) -> None:
    lon = np.arange(0, 360, 10)[::turn]
    cap = ring(*((wrapped(float(x)), pole * 8 / 9) for x in lon))
    [rings] = mended([cap])
    assert area_of([rings]) == pytest.approx(3600)  # 360 by 10 degrees
    middle = (rings[0][:, 0].min() + rings[0][:, 0].max()) / 2
    assert shapely.Polygon(rings[0]).covers(shapely.Point(middle, pole))


def test_a_ring_round_a_pole_with_a_hole_round_it_leaves_the_pole_out() -> None:
    lon = np.arange(0, 360, 10)
    outer, inner = (ring(*((wrapped(float(x)), lat) for x in lon)) for lat in (70.0, 80.0))
    assert area_of(list(mended([outer, inner]))) == pytest.approx(3600)


@pytest.mark.parametrize(
    "world",
    [
        ring((-180, -60), (180, -60), (180, 60), (-180, 60), (-180, -60)),
        ring((-180, -60), (0, -60), (180, -60), (180, 60), (0, 60), (-180, 60), (-180, -60)),
    ],
)
def test_a_box_right_round_the_globe_is_no_sliver(world: Floats) -> None:
    assert area_of(list(mended([world]))) == pytest.approx(360 * 120)


def test_a_middle_lies_on_its_shape_and_on_the_map() -> None:
    assert Rectangle(LonLatBox(170, 10, -170, 20)).middle == (180, 15)
    assert Rectangle(LonLatBox(12.3, 47.0, 12.7, 47.25)).middle == (12.5, 47.125)
    [rings] = mended([moved(SQUARE, 179)])
    lon, lat = Polygons((rings,)).middle
    assert -180 <= lon <= 180
    assert shapely.Polygon(rings[0]).covers(shapely.Point(lon if lon > 0 else lon + 360, lat))
