"""Parts of a plan have no tile in common, are the whole together, weigh alike and lie each in one place."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packer import fetch
from packer.cli import run_merge, run_split
from packer.errors import BriefError
from packer.geometry.tileset import Tile, TileSet
from packer.planning.brief import Brief
from packer.planning.pack_path import pack_path
from packer.planning.part_tiles import read_part_tiles, write_part_tiles
from packer.planning.plan import Plan, part_of, plan
from packer.store.pack_summary import read_summary
from tests.budgets import tries
from tests.conftest import BriefMaker
from tests.tile_server import TileServer

BRIEF = """
title = "Parts"
[layers.one]
url = "http://127.0.0.1:9/{{z}}/{{x}}/{{y}}.png"
attribution = "none"
permission = "own"
zooms = [0, 19]
[layers.two]
url = "http://127.0.0.1:9/{{z}}/{{x}}/{{y}}.png"
attribution = "none"
permission = "own"
zooms = [5, 12]
[[areas]]
name = "ground"
box = [{west}, {south}, {east}, {north}]
deepest = {deepest}
"""


def parts(whole: Plan, count: int) -> list[Plan]:
    return [part_of(whole, number, count) for number in range(1, count + 1)]


@settings(max_examples=tries(12, 30), deadline=None)
@given(
    st.floats(-179, 178),
    st.floats(-80, 79),
    st.floats(0.01, 0.9),
    st.floats(0.01, 0.9),
    st.integers(1, 7),
    st.integers(8, 13),
)
def test_parts_are_disjoint_and_together_the_whole(
    west: float, south: float, wide: float, high: float, count: int, deepest: int
) -> None:
    brief = Brief.from_text(
        BRIEF.format(west=west, south=south, east=west + wide, north=south + high, deepest=deepest)
    )
    whole = plan(brief)
    made = parts(whole, count)
    for name, layer in whole.layers.items():
        assert TileSet.union(p.layers[name].tiles for p in made) == layer.tiles
        assert sum(len(p.layers[name].tiles) for p in made) == len(layer.tiles)
        for part in made:
            assert TileSet.union(a.tiles for a in part.layers[name].areas) == part.layers[name].tiles


def test_parts_weigh_alike() -> None:
    whole = plan(Brief.from_text(BRIEF.format(west=12, south=46, east=13, north=46.3, deepest=14)))
    weights = [p.count for p in parts(whole, 3)]
    assert max(weights) < 1.05 * min(weights)


@pytest.mark.parametrize("box", [(12, 46, 13, 46.3), (12, 46, 12.3, 47)])
def test_each_part_is_one_strip_across_the_longer_side(box: tuple[float, ...]) -> None:
    west, south, east, north = box
    whole = plan(Brief.from_text(BRIEF.format(west=west, south=south, east=east, north=north, deepest=13)))
    ends = [p.layers["one"].tiles.extent(13) for p in parts(whole, 3)]
    low, high = (0, 2) if east - west > north - south else (1, 3)
    for one, after in pairwise(ends):
        assert one[high] < after[low]


def test_the_same_part_is_made_every_time() -> None:
    whole = plan(Brief.from_text(BRIEF.format(west=12, south=46, east=13, north=46.3, deepest=12)))
    assert part_of(whole, 2, 3).fingerprint == part_of(whole, 2, 3).fingerprint
    assert part_of(whole, 2, 3).fingerprint != part_of(whole, 1, 3).fingerprint


def test_a_brief_may_say_which_part_it_is() -> None:
    text = BRIEF.format(west=12, south=46, east=13, north=46.3, deepest=12)
    whole = plan(Brief.from_text(text))
    second = plan(Brief.from_text('part = "2 of 3"\n' + text))
    assert second.fingerprint == part_of(whole, 2, 3).fingerprint
    assert second.bounds == whole.bounds


@pytest.mark.parametrize("part", ["0 of 3", "4 of 3", "1 of 1000", "2/3", "two of three"])
def test_a_part_that_is_none_is_refused(part: str) -> None:
    with pytest.raises(BriefError, match="2 of 3"):
        Brief.from_text(
            f'part = "{part}"\n' + BRIEF.format(west=12, south=46, east=13, north=46.3, deepest=12)
        )


def test_parts_keep_floors_and_priorities_of_the_areas_that_lie_in_them() -> None:
    text = BRIEF.format(west=12, south=46, east=13, north=46.3, deepest=13) + "at-least = 11\npriority = 2\n"
    whole = plan(Brief.from_text(text))
    for number in (1, 2, 3):
        part = plan(Brief.from_text(f'part = "{number} of 3"\n' + text))
        areas = {area.name: area for area in part.layers["one"].areas}
        assert (areas["ground"].floor, areas["ground"].priority) == (11, 2)
        assert areas["ground"].cover == next(a.cover for a in whole.layers["one"].areas if a.name == "ground")


def test_an_area_that_does_not_reach_into_a_part_is_not_in_it() -> None:
    far = '[[areas]]\nname = "hut"\npoint = [12.95, 46.1]\nradius = "200 m"\ndeepest = 13\n'
    text = BRIEF.format(west=12, south=46, east=12.5, north=46.1, deepest=13) + far
    names = [
        {a.name for a in plan(Brief.from_text(f'part = "{n} of 3"\n' + text)).layers["one"].areas if a.floor}
        for n in (1, 2, 3)
    ]
    assert names[0] == {"ground"}
    assert "hut" in names[2]


# ---------------------------------------------------------------------------------------------- what is missing


@settings(max_examples=tries(10, 20), deadline=None)
@given(st.integers(1, 5), st.integers(2, 40), st.integers(0, 39))
def test_only_what_is_missing_is_dealt_and_each_tile_of_it_once(count: int, step: int, offset: int) -> None:
    whole = plan(Brief.from_text(BRIEF.format(west=12.0, south=46.0, east=12.8, north=46.5, deepest=12)))
    missing = {
        name: TileSet.from_tiles(t for i, t in enumerate(layer.tiles) if i % step == offset % step)
        for name, layer in whole.layers.items()
    }
    made = [part_of(whole, number, count, missing) for number in range(1, count + 1)]
    for name, tiles in missing.items():
        assert TileSet.union(p.layers[name].tiles for p in made) == tiles
        assert sum(len(p.layers[name].tiles) for p in made) == len(tiles)
    weights = [p.count for p in made]
    assert max(weights) - min(weights) <= 0.25 * sum(weights) + 20, weights


def test_split_deals_what_the_packs_lack_and_merged_parts_complete_them(
    brief_for: BriefMaker, capsys: pytest.CaptureFixture[str]
) -> None:
    """A line that was drawn goes into each part as well."""
    drawn = 'line = [[12.30, 47.00], [12.40, 47.03], [12.50, 47.00]]\nhalf-width = "2 km"\ndeepest = 12'
    with TileServer() as server:
        brief = brief_for(server.url, area=drawn)
        whole = plan(brief)
        fetch(brief, part_of(whole, 2, 4))
        held = read_summary(pack_path(brief, "survey")).held
        assert 0 < len(held) < whole.count
        assert run_split.run(brief.path, 2, None, True) == 0
        told = json.loads(capsys.readouterr().out)
        assert (told["done"], told["missing"]) == (len(held), whole.count - len(held))
        for part in told["parts"]:
            mine = Brief.read(part["brief"])
            assert not plan(mine).layers["survey"].tiles & held, "nobody is given what is here"
            assert abs(part["tiles"] - told["missing"] / 2) < 0.2 * told["missing"]
            assert fetch(mine, plan(mine)).complete
        assert set(server.tiles_asked.values()) == {1}
    folders = [Path(part["brief"]).parent / "packs" for part in told["parts"]]
    assert run_merge.run_merge(brief.store_folder, folders, False, True) == 0
    assert not whole.layers["survey"].tiles - read_summary(pack_path(brief, "survey")).held
    capsys.readouterr()
    assert run_split.run(brief.path, 2, brief.folder / "again", False) == 0
    assert "Nothing is missing" in capsys.readouterr().out
    assert not (brief.folder / "again").exists()


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        '{"tiles": 3}',
        '{"tiles": {"one": {"3": [[1, 2]]}}}',
        '{"tiles": {"one": {"99": [[1, 1, 2]]}}}',
        '{"tiles": {"one": {"3": [[9, 0, 1]]}}}',
        '{"tiles": {"one": {"3": [[1, 5, 2]]}}}',
        '{"tiles": {"one": {"3": [["1", 1, 2]]}}}',
        '{"tiles": {"one": {"3": [[1e99, 1, 2]]}}}',
    ],
)
def test_a_list_of_tiles_that_is_damaged_is_refused_in_words(tmp_path: Path, text: str) -> None:
    (tmp_path / "part-tiles.json").write_text(text)
    with pytest.raises(BriefError, match="not a list of a part's tiles"):
        read_part_tiles(tmp_path / "part-tiles.json")


def test_a_list_of_tiles_reads_back_as_written_and_is_asked_for_by_a_part_alone(tmp_path: Path) -> None:
    layers = {"one": TileSet.from_tiles([Tile(3, 1, 2), Tile(3, 2, 2), Tile(5, 9, 9)]), "two": TileSet()}
    write_part_tiles(tmp_path / "list", layers)
    assert read_part_tiles(tmp_path / "list") == layers
    with pytest.raises(BriefError, match="cannot be read"):
        read_part_tiles(tmp_path / "none")
    text = BRIEF.format(west=0, south=0, east=1, north=1, deepest=3)
    with pytest.raises(BriefError, match="part-tiles"):
        Brief.from_text('part-tiles = "list"\n' + text)
