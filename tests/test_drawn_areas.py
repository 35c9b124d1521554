"""Areas whose positions stand in the brief itself, as a drawing on the map leaves them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packer import Brief, BriefError, plan

LAYER = """
title = "Drawn"
overview = false
[layers.aerial]
url = "http://127.0.0.1:9/{z}/{x}/{y}.jpg"
zooms = [0, 19]
attribution = "Survey of Ketterling"
permission = "our own server"
"""
LINE = [[12.501, 47.102], [12.533, 47.118], [12.534, 47.2]]
RING = [[12.5, 47.1], [12.6, 47.1], [12.6, 47.2], [12.52, 47.19]]


def tiles_of(area: str, path: Path = Path("brief.toml")) -> dict[int, int]:
    brief = Brief.from_text(f'{LAYER}[[areas]]\nname = "drawn"\ndeepest = 15\n{area}', path)
    return plan(brief).layers["aerial"].tiles.by_zoom()


@pytest.mark.parametrize(
    ("key", "form", "drawn", "reach"),
    [
        ("line", "LineString", LINE, 'half-width = "300 m"'),
        ("polygon", "Polygon", RING, ""),
        ("polygon", "Polygon", [*RING, RING[0]], ""),
    ],
)
def test_a_drawing_asks_for_the_same_tiles_as_the_same_shape_in_a_file(
    tmp_path: Path, key: str, form: str, drawn: list[list[float]], reach: str
) -> None:
    places: object = drawn if form == "LineString" else [[*RING, RING[0]]]
    geometry = {"type": form, "coordinates": places}
    (tmp_path / "shape.geojson").write_text(json.dumps(geometry), encoding="utf-8")
    from_file = tiles_of(f'{key} = "shape.geojson"\n{reach}', tmp_path / "brief.toml")
    assert tiles_of(f"{key} = {json.dumps(drawn)}\n{reach}") == from_file


@pytest.mark.parametrize(
    ("area", "words"),
    [
        ('line = [[12.5, 47.1]]\nhalf-width = "1 km"', "at least 2 different positions"),
        ('line = [[12.5, 47.1], [12.5, 47.1]]\nhalf-width = "1 km"', "at least 2 different positions"),
        ("polygon = [[12.5, 47.1], [12.6, 47.1]]", "at least 3 different positions"),
        ("polygon = [[12.5, 47.1], [12.6, 47.1], [12.7, 47.1]]", "no polygon with an area"),
        ('line = [12.5, 47.1]\nhalf-width = "1 km"', "a file's name in quotes, or positions"),
        ('line = [[12.5, 95.0], [12.5, 47.1]]\nhalf-width = "1 km"', "latitude 95"),
        ("polygon = 3", "a file's name in quotes, or the corners"),
    ],
)
def test_a_drawing_that_is_no_shape_is_refused_in_words(area: str, words: str) -> None:
    with pytest.raises(BriefError, match=words):
        tiles_of(area)


@settings(max_examples=12)
@given(st.lists(st.tuples(st.floats(-179, 179), st.floats(-80, 80)), min_size=2, max_size=6, unique=True))
def test_every_drawn_position_lies_on_a_planned_tile(places: list[tuple[float, float]]) -> None:
    text = json.dumps([list(p) for p in places])
    brief = Brief.from_text(
        f'{LAYER}[[areas]]\nname = "drawn"\ndeepest = 6\nline = {text}\nhalf-width = "1 km"'
    )
    from packer.store.reader import tile_at

    tiles = plan(brief).layers["aerial"].tiles
    assert all(tile_at(lon, lat, 6) in tiles for lon, lat in places)
