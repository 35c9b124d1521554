"""Positions as people write them; checked against PROJ and a published worked example."""

from __future__ import annotations

import math

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pyproj import Transformer

from packer.view.positions import decimal_text, dms_text, mgrs_text, read_position


@pytest.mark.parametrize(
    "text",
    [
        "47.1023, 12.5012",
        "47.1023 12.5012",
        "  47.1023;12.5012 ",
        "47,1023 12,5012",
        "47,1023, 12,5012",
        "+47.1023, +12.5012",
        "N47.1023 E12.5012",
        "47.1023N, 12.5012e",
        "12.5012° E, 47.1023° N",
        "N 47° 06.138' E 012° 30.072'",
        "47 06 08.28, 12 30 04.32",
        "47°06'08.28\"N 12°30'04.32\"E",
        "47º06′08.28″ N, 12º30′04.32″ E",
        "47:06:08.28N 12:30:04.32E",
    ],
)
def test_each_way_of_writing_degrees_reads_as_the_same_place(text: str) -> None:
    found = read_position(text)
    assert (found.lat, found.lon) == pytest.approx((47.1023, 12.5012), abs=1e-9)
    assert found.square == ()


@pytest.mark.parametrize(("text", "lat", "lon"), [
    ("-33.5 -70.25", -33.5, -70.25),
    ("− 33.5, − 70.25", -33.5, -70.25),
    ("33°30'S 70°15'W", -33.5, -70.25),
    ("-0 30 0, 12 0 0", -0.5, 12.0),
    ("0, 180", 0.0, 180.0),
])  # fmt: skip
def test_south_and_west_are_negative_even_within_the_first_degree(text: str, lat: float, lon: float) -> None:
    found = read_position(text)
    assert (found.lat, found.lon) == (lat, lon)


def test_mgrs_square_reads_as_its_middle_as_in_the_published_example() -> None:
    # GeographicLib's manual for GeoConvert, values from memory: 38SMB4488 is 33.33424 44.40363 and, in UTM,
    # 38n 444500 3688500; the latter is worked out here by PROJ.
    found = read_position("38S MB 44 88")
    assert (found.lat, found.lon) == pytest.approx((33.33424, 44.40363), abs=6e-6)
    lon, lat = Transformer.from_crs(32638, 4326, always_xy=True).transform(444500, 3688500)
    assert (found.lat, found.lon) == pytest.approx((lat, lon), abs=1e-7)
    assert found.read_as == "the middle of an MGRS square of 1 km"


def test_mgrs_square_has_its_four_corners_by_proj() -> None:
    to_degrees = Transformer.from_crs(32638, 4326, always_xy=True)
    square = read_position("38SMB4488").square
    expected = [
        to_degrees.transform(e, n)
        for e, n in (
            (444000.5, 3688000.5),
            (444999.5, 3688000.5),
            (444999.5, 3688999.5),
            (444000.5, 3688999.5),
        )
    ]
    assert [c for corner in square for c in corner] == pytest.approx(
        [c for corner in expected for c in corner], abs=1e-7
    )
    assert read_position("38SMB4400088000").square == ()


@settings(max_examples=60, deadline=None)
@given(st.floats(-79.9, 83.9), st.floats(-179.99, 179.99))
@example(-1.5435915744918513e-09, 0.0)
@example(-9e-6, 0.0)
def test_every_written_form_reads_back_as_the_place(lat: float, lon: float) -> None:
    metre = 1.2e-5
    east = metre / math.cos(math.radians(lat))
    for text in (decimal_text(lon, lat), dms_text(lon, lat), mgrs_text(lon, lat)):
        found = read_position(text)
        assert found.lat == pytest.approx(lat, abs=2 * metre), text
        assert found.lon == pytest.approx(lon, abs=2 * east), text


@pytest.mark.parametrize(("text", "part"), [
    ("", "Type a position"),
    ("   ", "Type a position"),
    ("camp", "is not a number"),
    ("47.1", "latitude and a longitude"),
    ("1 2 3", "latitude and a longitude"),
    ("91, 12", "not a latitude"),
    ("12, 181", "not a longitude"),
    ("86, 12", "85.05"),
    ("ZAH1234", "85.05"),
    ("47 61 00 12 00 00", "61 is too much"),
    ("47.5 30 0 12 0 0", "Only the last"),
    ("47 -6 8, 12 30 4", "sign can only"),
    ("-47 N 12 E", "without a sign"),
    ("1N 2N", "one N or S"),
    ("1 N E 2", "letters before"),
    ("N S 1 2", "one N or S"),
    ("1e5, 3", "one N or S"),
    ("47.1.2, 12", "is not a number"),
    ("38SMB123", "even number of digits"),
    ("99XXX1212", "not a square"),
    ("33S UN 10394 19562", "not a square"),
    ("<script>alert(1)</script>", "latitude and a longitude"),
    ("٤٧, ١٢", "is not a number"),
    ("1" * 500, "too long"),
    ("nan, inf", "latitude and a longitude"),
])  # fmt: skip
def test_text_that_is_no_position_is_refused_in_a_sentence(text: str, part: str) -> None:
    with pytest.raises(ValueError, match=part):
        read_position(text)


@settings(max_examples=200, deadline=None)
@given(st.text(alphabet="0123456789 .,-+NSEWnsew°'\"′″:;ABCMTUZ\n\0", max_size=40))
def test_any_text_is_read_within_the_map_or_refused(text: str) -> None:
    try:
        found = read_position(text)
    except ValueError as fault:
        assert str(fault).endswith(".")
    else:
        assert -180 <= found.lon <= 180
        assert -85.06 < found.lat < 85.06
