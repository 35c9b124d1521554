"""TileJSON as servers write it, and as hostile ones might. Field rules: TileJSON specification 3.0.0, section 3."""

from __future__ import annotations

import json
import unicodedata
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packer.geometry.grid import MAX_LATITUDE, LonLatBox
from packer.sources.offer import LIMIT_BYTES, Offer, OfferError
from packer.sources.tilejson import read_tilejson
from tests.budgets import tries

TILES = ["https://tiles.example.org/a/{z}/{x}/{y}.png"]
# The example of the specification's section 3, shortened.
SPECIFIED = {
    "tilejson": "3.0.0",
    "name": "compositing",
    "attribution": "<a href='https://example.org'>Example contributors</a>",
    "scheme": "xyz",
    "tiles": TILES,
    "minzoom": 0,
    "maxzoom": 11,
    "bounds": [-180, -85.05112877980659, 180, 85.0511287798066],
    "center": [-76.275329586789, 39.153492567373, 8],
}


def read(**changes: Any) -> Offer:
    return read_tilejson(json.dumps(SPECIFIED | changes).encode())


def refused(body: bytes) -> str:
    with pytest.raises(OfferError) as refusal:
        read_tilejson(body)
    text = str(refusal.value)
    assert text
    assert text.isprintable()
    assert not text.endswith(".")
    assert len(text) < 250
    return text


def test_the_specifications_example_is_read_whole() -> None:
    offer = read()
    assert offer.templates == tuple(TILES)
    assert offer.zooms == (0, 11)
    assert offer.attribution == SPECIFIED["attribution"]
    assert offer.whole_grid, "these bounds are the whole square"


def test_what_is_left_out_has_the_specified_defaults_cut_to_the_grid() -> None:
    offer = read_tilejson(json.dumps({"tilejson": "2.2.0", "tiles": TILES}).encode())
    assert offer == Offer(tuple(TILES), (0, 24))


def test_rows_of_tms_are_counted_from_the_bottom() -> None:
    assert read(scheme="tms").templates == ("https://tiles.example.org/a/{z}/{x}/{-y}.png",)


@pytest.mark.parametrize(
    ("changes", "kind"),
    [
        ({"format": "jpeg"}, "jpg"),
        ({"format": "PNG"}, "png"),
        ({"vector_layers": [{"id": "paths", "fields": {}}]}, "pbf"),
        ({"format": "tiff"}, None),
        ({}, None),
    ],
)
def test_kind_of_tile_is_taken_from_what_is_stated(changes: dict[str, Any], kind: str | None) -> None:
    assert read(**changes).kind == kind


@pytest.mark.parametrize(
    ("bounds", "box"),
    [
        ([12.3, 47.0, 12.7, 47.25], LonLatBox(12.3, 47.0, 12.7, 47.25)),
        ([170.0, -20.0, -170.0, 10.0], LonLatBox(170.0, -20.0, -170.0, 10.0)),
        ([170.0, -20.0, 190.0, 10.0], LonLatBox(170.0, -20.0, -170.0, 10.0)),
        ([-180, -90, 180, 60], LonLatBox(-180.0, -MAX_LATITUDE, 180.0, 60.0)),
        ([-180, -90, 180, 90], None),
    ],
)
def test_bounds_become_a_box_on_the_grid(bounds: list[float], box: LonLatBox | None) -> None:
    assert read(bounds=bounds).bounds == box


def test_attribution_is_one_line_and_blank_is_none() -> None:
    assert read(attribution="Example\r\n\tSurvey\x1b[2J").attribution == "Example Survey [2J"
    assert read(attribution=" \n ").attribution is None
    assert read(attribution=None).attribution is None


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"tilejson": "9.0.0"}, "version"),
        ({"tilejson": 3}, "version"),
        ({"tiles": []}, "tiles"),
        ({"tiles": "https://one.example.org"}, "tiles"),
        ({"tiles": [1]}, "tiles"),
        ({"tiles": TILES * 65}, "64"),
        ({"tiles": ["https://e.org/{z}/{x}/{y}" + "a" * 2000]}, "2000"),
        ({"scheme": "zyx\n"}, "zyx"),
        ({"scheme": 1}, "scheme"),
        ({"minzoom": "0"}, "minzoom"),
        ({"minzoom": True}, "minzoom"),
        ({"maxzoom": 1.5}, "maxzoom"),
        ({"maxzoom": 10**400}, "maxzoom"),
        ({"maxzoom": -1}, "maxzoom"),
        ({"minzoom": 12}, "first zoom, 12, is deeper than its last, 11"),
        ({"minzoom": 25, "maxzoom": 30}, "25"),
        ({"bounds": [1, 2, 3]}, "bounds"),
        ({"bounds": [1, 2, 3, "4"]}, "bounds"),
        ({"bounds": [1, 2, 3, 10**400]}, "bounds"),
        ({"bounds": [0, 50, 1, 40]}, "bounds"),
        ({"bounds": [0, 50, 1e9, 60]}, "bounds"),
        ({"bounds": [0, 86, 1, 89]}, "Web Mercator"),
        ({"attribution": 5}, "attribution"),
        ({"attribution": "x" * 2001}, "2000"),
    ],
)
def test_an_impossible_value_is_told_by_its_key(changes: dict[str, Any], word: str) -> None:
    assert word in refused(json.dumps(SPECIFIED | changes).encode())


@pytest.mark.parametrize(
    ("body", "word"),
    [
        (b"", "JSON"),
        (b"{", "line 1"),
        (b"<!doctype html><html>Sign in</html>", "page"),
        (b"[]", "not an object"),
        (b"\xff\xfe{}", "UTF-8"),
        (b'{"tilejson":"3.0.0","tiles":["a"],"minzoom":NaN}', "NaN"),
        (b'{"bounds":[-Infinity]}', "Infinity"),
        (b'{"minzoom":' + b"9" * 5000 + b"}", "thousands of digits"),
        (b"[" * 200_000, "too deep"),
        (b" " * (LIMIT_BYTES + 1), "8 MB"),
    ],
)
def test_what_is_no_tilejson_is_told_in_a_sentence(body: bytes, word: str) -> None:
    assert word in refused(body)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=8,
)
FIELDS = st.sampled_from([*sorted(SPECIFIED), "format", "vector_layers"])


@settings(max_examples=tries(75, 300), deadline=None)
@given(st.dictionaries(FIELDS, JSON, max_size=4))
def test_whatever_stands_in_a_field_gives_an_offer_on_the_grid_or_a_sentence(changes: dict[str, Any]) -> None:
    body = json.dumps(SPECIFIED | changes).encode()
    try:
        offer = read_tilejson(body)
    except OfferError as refusal:
        assert str(refusal).isprintable()
        return
    assert 0 <= offer.zooms[0] <= offer.zooms[1] <= 24
    assert not any(unicodedata.category(c) in ("Cc", "Cs") for c in offer.attribution or "")
    if offer.bounds is not None:
        assert -MAX_LATITUDE <= offer.bounds.south <= offer.bounds.north <= MAX_LATITUDE
        assert all(-180 <= lon <= 180 for lon in (offer.bounds.west, offer.bounds.east))


@settings(max_examples=tries(60, 200), deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_give_an_offer_or_a_sentence(body: bytes) -> None:
    with pytest.raises(OfferError):
        read_tilejson(body)
