"""Where a plan lies, and the slips of position that a planner makes: each is said, with the exchange that mends it."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from geographiclib.geodesic import Geodesic

from packer import Brief, plan
from packer.planning.whereabouts import doubts, places, where_json
from packer.survey.plan_warnings import warnings

HEAD = """title = "Where"
overview = false
[layers.aerial]
url = "http://127.0.0.1:9/{z}/{x}/{y}"
attribution = "Survey"
permission = "Own server"
zooms = [0, 18]
"""
CAMP = 'name = "camp"\npoint = [12.5012, 47.1023]\nradius = "500 m"'
NEAR = 'name = "hut"\npoint = [12.55, 47.15]\nradius = "500 m"'


def brief_of(*areas: str, head: str = HEAD, deepest: int = 9) -> Brief:
    return Brief.from_text(
        head + "".join(f"[[areas]]\n{one}\ndeepest = {deepest}\n" for one in areas), Path("b.toml")
    )


def told(*areas: str, **more: object) -> str:
    brief = brief_of(*areas, **more)  # type: ignore[arg-type]
    found = doubts(brief, plan(brief))
    assert found == [text for text in warnings(brief, plan(brief)) if text in found]
    return "\n".join(found)


@pytest.mark.parametrize(
    ("point", "swap"),
    [
        ("[47.1423, 12.5412]", "latitude and longitude exchanged"),
        ("[-12.53, 47.12]", "west and east exchanged"),
        ("[12.53, -47.12]", "north and south exchanged"),
    ],
)
def test_an_exchange_of_coordinates_is_named_for_the_area_that_it_befell(point: str, swap: str) -> None:
    text = told(CAMP, NEAR, f'name = "zone"\npoint = {point}\nradius = "300 m"')
    assert text.count("\n") == 0
    assert text.startswith('Area "zone" lies far')
    assert f"With {swap} it would" in text


def test_of_two_areas_one_is_named() -> None:
    text = told(CAMP, 'name = "zone"\npoint = [47.1423, 12.5412]\nradius = "300 m"')
    assert text.count("lies far") == 1
    assert "exchanged" in text


def test_a_far_area_without_a_slip_is_only_said_to_be_far() -> None:
    text = told(CAMP, NEAR, 'name = "zone"\npoint = [100.0, -30.0]\nradius = "300 m"')
    assert "lies far" in text
    assert "exchanged" not in text


def test_areas_along_a_long_line_are_not_far() -> None:
    line = 'name = "course"\nline = [[10.0, 47.0], [20.0, 47.5], [30.0, 47.0]]\nhalf-width = "500 m"'
    assert told(line, CAMP, 'name = "end"\npoint = [29.9, 47.0]\nradius = "1 km"') == ""


def test_a_box_with_west_and_east_exchanged_is_noticed() -> None:
    text = told('name = "box"\nbox = [12.6, 47.0, 12.4, 47.2]', deepest=4)
    assert 'Area "box" reaches round most of the world: 360° of longitude.' in text
    assert "exchanged it would be 0.20° wide" in text


def test_a_missing_position_is_noticed() -> None:
    assert 'Area "zone" reaches to 0° N' in told('name = "zone"\npoint = [0, 0]\nradius = "300 m"')


def test_an_overview_larger_than_all_else_is_noticed() -> None:
    head = HEAD.replace("overview = false", "") + "[overview]\ndeepest = 13\n"
    text = told(CAMP, 'name = "zone"\npoint = [14.5, 49.9]\nradius = "300 m"', head=head)
    assert "The overview has" in text


def test_ordinary_areas_raise_no_doubt() -> None:
    assert told(CAMP, NEAR) == ""
    assert told(CAMP) == ""


def test_distances_agree_with_geographiclib() -> None:
    """GeographicLib (Karney 2013) on the ellipsoid; ours is on the sphere and takes samples."""
    far = 'name = "zone"\npoint = [15.0, 48.0]\nradius = "300 m"'
    one, _ = places(plan(brief_of(CAMP, far)))
    true = Geodesic.WGS84.Inverse(47.1023, 12.5012, 48.0, 15.0)["s12"]
    assert one.nearest_m == pytest.approx(true, rel=0.005)


def test_middle_and_grid_reference_are_told() -> None:
    found = where_json(plan(brief_of(CAMP, NEAR)))["areas"]["camp"]
    assert found["middle"] == pytest.approx([12.5012, 47.1023], abs=1e-4)
    assert found["mgrs"].startswith("33T UN")
    assert found["nearest"] == "hut"


def test_two_hundred_areas_take_little_time() -> None:
    areas = [f'name = "a{n}"\npoint = [{12 + n / 100}, 47]\nradius = "1 km"' for n in range(200)]
    brief = brief_of(*areas, deepest=3)
    worked_out = plan(brief)
    started = time.process_time()
    assert doubts(brief, worked_out) == []
    assert time.process_time() - started < 2
