"""The order of a fetch: every tile once, and the useful ones first."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from packer.fetching.order import in_order
from packer.geometry.cover import cover_box, cover_corridor
from packer.geometry.grid import LonLatBox
from packer.geometry.shapes import Corridor, Rectangle, Shape
from packer.geometry.tileset import TileSet
from packer.planning.plan import AreaPlan

LINE = np.column_stack([np.linspace(12.3, 12.9, 400), 47 + 0.05 * np.sin(np.linspace(0, 9, 400))])
ROUTE = Corridor((LINE,), 500.0)
VALLEY = Rectangle(LonLatBox(12.3, 46.9, 12.6, 47.1))


def areas(*deepest: int) -> list[AreaPlan]:
    return [
        AreaPlan("overview", 9, cover_box(LonLatBox(12.0, 46.8, 13.0, 47.3), 9).pyramid(0)),
        AreaPlan("course", deepest[0], ROUTE.tiles(deepest[0]).pyramid(0)),
        AreaPlan("valley", deepest[1], VALLEY.tiles(deepest[1]).pyramid(0)),
    ]


SHAPES: dict[str, Shape] = {"course": ROUTE, "valley": VALLEY}


def test_the_overview_comes_first_then_areas_as_listed_then_zoom_by_zoom() -> None:
    plan = areas(14, 13)
    order = list(in_order(plan, SHAPES, TileSet.union(a.tiles for a in plan)))
    overview, course = len(plan[0].tiles), len(plan[0].tiles | plan[1].tiles)
    assert set(order[:overview]) == set(plan[0].tiles)
    assert set(order[overview:course]) == set(plan[1].tiles - plan[0].tiles)
    for part in (order[:overview], order[overview:course], order[course:]):
        assert [t.zoom for t in part] == sorted(t.zoom for t in part)


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


@settings(max_examples=25, deadline=None)
@given(st.sets(st.integers(0, 400), max_size=80), st.integers(9, 13), st.integers(9, 13))
def test_every_tile_comes_just_once_whatever_is_stored_already(taken: set[int], one: int, other: int) -> None:
    plan = areas(one, other)
    every = TileSet.union(a.tiles for a in plan)
    stored = TileSet.from_tiles(t for i, t in enumerate(every) if i in taken)
    order = list(in_order(plan, SHAPES, every - stored))
    assert len(order) == len(set(order))
    assert set(order) == set(every) - set(stored)
