"""The order of a fetch: every tile once, and the useful ones first."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packer.fetching.order import in_order, steps
from packer.geometry.cover import cover_box, cover_corridor
from packer.geometry.grid import LonLatBox
from packer.geometry.shapes import Corridor, Rectangle, Shape
from packer.geometry.tileset import Tile, TileSet
from packer.planning.plan import AreaPlan
from scripts.usefulness import best_order, curve, example, worth_of_tiles

LINE = np.column_stack([np.linspace(12.3, 12.9, 400), 47 + 0.05 * np.sin(np.linspace(0, 9, 400))])
ROUTE = Corridor((LINE,), 500.0)
VALLEY = Rectangle(LonLatBox(12.3, 46.9, 12.6, 47.1))


def areas(*deepest: int) -> list[AreaPlan]:
    return [
        AreaPlan("overview", 9, cover_box(LonLatBox(12.0, 46.8, 13.0, 47.3), 9).pyramid(0), overview=True),
        AreaPlan("course", deepest[0], ROUTE.tiles(deepest[0]).pyramid(0)),
        AreaPlan("valley", deepest[1], VALLEY.tiles(deepest[1]).pyramid(0)),
    ]


SHAPES: dict[str, Shape] = {"course": ROUTE, "valley": VALLEY}


def stage_of(plan: list[AreaPlan], tile: Tile) -> int:
    """The first stage of which a tile is: 0 the overview, 1 to the floor of some area, 2 below the floors."""
    if tile in plan[0].tiles:
        return 0
    above = any(a.floor is not None and tile.zoom <= a.floor and tile in a.tiles for a in plan[1:])
    return 1 if above else 2


def with_floors(plan: list[AreaPlan], *floors: int | None) -> list[AreaPlan]:
    return [plan[0], *(replace(a, floor=f) for a, f in zip(plan[1:], floors, strict=True))]


FLOORS = st.one_of(st.none(), st.integers(0, 13))
PRIORITIES = st.one_of(st.none(), st.integers(1, 99))


@settings(max_examples=10, deadline=None)
@given(st.integers(9, 12), st.integers(9, 12), FLOORS, FLOORS, PRIORITIES, PRIORITIES)
def test_the_overview_comes_before_all_floors_and_they_before_anything_deeper(
    one: int, other: int, floor: int | None, other_floor: int | None, first: int | None, second: int | None
) -> None:
    plan = with_floors(areas(one, other), floor, other_floor)
    plan[1:] = [replace(a, priority=p) for a, p in zip(plan[1:], (first, second), strict=True)]
    stages = [stage_of(plan, tile) for tile in in_order(plan, SHAPES, TileSet.union(a.tiles for a in plan))]
    assert stages == sorted(stages)


@settings(max_examples=10, deadline=None)
@given(st.integers(9, 15), st.integers(9, 15), FLOORS, FLOORS)
def test_each_area_goes_zoom_by_zoom_and_the_next_zoom_with_the_fewest_tiles_comes_first(
    one: int, other: int, floor: int | None, other_floor: int | None
) -> None:
    plan = with_floors(areas(one, other), floor, other_floor)
    every = TileSet.union(a.tiles for a in plan)
    taken = list(steps(plan, every))
    assert sum(len(step.tiles) for step in taken) == len(every)
    ranks = []
    for index, area in enumerate(plan):
        zooms = [step.zoom for step in taken if step.area == index]
        assert zooms == sorted(zooms)
        assert index or zooms == list(area.tiles.zooms)
    for step in taken:
        area = plan[step.area]
        above = area.floor is not None and step.zoom <= area.floor
        ranks.append((0 if step.area == 0 else 1 if above else 2, len(area.tiles.at(step.zoom))))
    assert ranks == sorted(ranks)


def test_no_area_skips_a_zoom_for_a_deeper_one_of_which_its_server_offers_less() -> None:
    wide, narrow = VALLEY.tiles(12).pyramid(12), Rectangle(LonLatBox(12.3, 46.9, 12.31, 46.91)).tiles(13)
    plan = [AreaPlan("valley", 13, wide | narrow)]
    assert len(narrow) < len(wide)
    assert [step.zoom for step in steps(plan, plan[0].tiles)] == [12, 13]


def test_an_area_with_a_priority_is_first_above_the_floors_and_below_them() -> None:
    plan = with_floors(areas(14, 14), 12, 12)
    plan[2] = replace(plan[2], priority=1)
    order = list(in_order(plan, SHAPES, TileSet.union(a.tiles for a in plan)))
    for stage in (1, 2):
        of_valley = [tile in plan[2].tiles for tile in order if stage_of(plan, tile) == stage]
        assert of_valley == sorted(of_valley, reverse=True)


@settings(max_examples=10, deadline=None)
@given(st.sets(st.integers(0, 1000)), st.integers(9, 12), FLOORS)
def test_a_resumed_fetch_takes_what_remains_in_the_same_order(
    taken: set[int], deepest: int, floor: int | None
) -> None:
    plan = with_floors(areas(deepest, 12), floor, floor)
    every = TileSet.union(a.tiles for a in plan)
    whole = list(in_order(plan, SHAPES, every))
    stored = {tile for number, tile in enumerate(whole) if number in taken}
    remains = every - TileSet.from_tiles(stored)
    assert list(in_order(plan, SHAPES, remains)) == [tile for tile in whole if tile not in stored]


def test_tiles_of_no_area_come_last() -> None:
    plan = areas(10, 10)
    stray = TileSet.from_tiles([Tile(12, 1, 1), Tile(3, 7, 7)])
    every = TileSet.union(a.tiles for a in plan) | stray
    assert set(list(in_order(plan, SHAPES, every))[-2:]) == set(stray)


def test_ten_million_tiles_begin_at_once_and_hold_no_list_of_them() -> None:
    """Whoever makes a list of the tiles needs a gigabyte; the order needs the boundaries of the plan's own sets."""
    wide = cover_box(LonLatBox(5.0, 40.0, 25.0, 55.0), 17).pyramid(0)
    assert len(wide) > 10_000_000 * 5
    plan = [AreaPlan("ground", 17, wide, floor=14)]
    tracemalloc.start()
    first = [tile for tile, _ in zip(in_order(plan, {}, wide), range(1000), strict=False)]
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert len(first) == 1000
    assert peak < 30_000_000


@pytest.mark.parametrize("half_width", [300.0, 1000.0])
def test_over_a_run_a_fetch_is_as_useful_as_the_best_order_to_within_5_percent(
    half_width: float,
) -> None:
    """The best order takes the tile next that gains most for its bytes: the greedy rule for a knapsack that may be
    closed at any time (Dantzig 1957, "Discrete-variable extremum problems", from memory)."""
    plan, shapes = example(half_width, deepest=15)
    every = TileSet.union(a.tiles for a in plan)
    worth = worth_of_tiles(plan, shapes)
    ours = curve(in_order(plan, shapes, every), worth)
    best = curve(best_order(worth), worth)
    assert best.mean() > 0.7
    assert ours.mean() >= 0.95 * best.mean()


def test_the_line_itself_comes_before_its_sides_and_runs_from_the_start() -> None:
    area = AreaPlan("course", 16, ROUTE.tiles(16))
    order = list(in_order([area], SHAPES, area.tiles))
    spine = cover_corridor([LINE], 1.0, 16)
    assert set(order[: len(spine)]) == set(spine)
    columns = [t.x for t in order[: len(spine)]]
    stretch = len(spine) // 4
    assert max(columns[:stretch]) < min(columns[-stretch:])


def test_a_box_goes_outward_from_its_middle() -> None:
    area = AreaPlan("valley", 15, VALLEY.tiles(15))
    order = list(in_order([area], SHAPES, area.tiles))
    left, top, right, bottom = area.tiles.extent(15)
    reach = [max(abs(t.x - (left + right) / 2), abs(t.y - (top + bottom) / 2)) for t in order]
    tenth = len(reach) // 10
    assert max(reach[:tenth]) < min(reach[-tenth:])


@settings(max_examples=10, deadline=None)
@given(st.sets(st.integers(0, 400), max_size=80), st.integers(9, 13), st.integers(9, 13))
def test_every_tile_comes_just_once_whatever_is_stored_already(taken: set[int], one: int, other: int) -> None:
    plan = areas(one, other)
    every = TileSet.union(a.tiles for a in plan)
    stored = TileSet.from_tiles(t for i, t in enumerate(every) if i in taken)
    order = list(in_order(plan, SHAPES, every - stored))
    assert len(order) == len(set(order))
    assert set(order) == set(every) - set(stored)


def test_a_resumed_fetch_of_half_a_box_still_goes_outward_from_the_middle_of_the_whole() -> None:
    area = AreaPlan("valley", 14, VALLEY.tiles(14))
    left, _, right, _ = area.tiles.extent(14)
    whole = list(in_order([area], SHAPES, area.tiles))
    east = [tile for tile in whole if tile.x > (left + right) // 2]
    assert list(in_order([area], SHAPES, TileSet.from_tiles(east))) == east
