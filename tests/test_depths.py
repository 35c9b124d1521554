"""The depth that is held, by set algebra, against a plain reading of the rule place by place."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packer.geometry.cover import cover_box
from packer.geometry.depth import places_below, short_of
from packer.geometry.grid import LonLatBox
from packer.geometry.tileset import Tile, TileSet
from packer.planning.plan import AreaPlan, LayerPlan, Plan, part_of
from packer.proof.depths import Holdings, area_depths
from tests.budgets import tries

quick = settings(max_examples=tries(30, 60), deadline=None)
BASE, DEEP = 9, 13  # the square of zoom 9 that the random areas lie in, and their deepest zoom
SQUARE = (BASE, 273, 180)


@st.composite
def areas(draw: st.DrawFn) -> tuple[set[Tile], set[Tile], int]:
    """Random places at the deepest zoom, a random part of their pyramid that is on board, and a first zoom."""
    first = draw(st.integers(BASE, DEEP))
    span = 1 << (DEEP - BASE)
    offsets = st.tuples(st.integers(0, span - 1), st.integers(0, span - 1))
    places = draw(st.sets(offsets, min_size=1, max_size=12))
    leaves = {Tile(DEEP, SQUARE[1] * span + x, SQUARE[2] * span + y) for x, y in places}
    pyramid = {ancestor(leaf, zoom) for leaf in leaves for zoom in range(first, DEEP + 1)}
    kept = draw(st.lists(st.booleans(), min_size=len(pyramid), max_size=len(pyramid)))
    stored = {tile for tile, keep in zip(sorted(pyramid), kept, strict=True) if keep}
    return leaves, stored, first


def ancestor(tile: Tile, zoom: int) -> Tile:
    return Tile(zoom, tile.x >> (tile.zoom - zoom), tile.y >> (tile.zoom - zoom))


def held_at(leaf: Tile, stored: set[Tile], first: int) -> int | None:
    """The rule itself: the deepest zoom whose tile round the place is on board."""
    return max((z for z in range(first, DEEP + 1) if ancestor(leaf, z) in stored), default=None)


def planned(leaves: set[Tile], first: int, floor: int | None) -> Plan:
    tiles = TileSet.from_tiles(leaves).pyramid(first)
    layer = LayerPlan("survey", tiles, (AreaPlan("ground", DEEP, tiles, 0, floor),))
    return Plan({"survey": layer}, {}, LonLatBox(12.0, 47.0, 12.5, 47.5), (12.2, 47.2), ())


@quick
@given(areas(), st.integers(0, DEEP))
def test_what_an_area_holds_is_the_least_that_any_place_of_it_holds(
    area: tuple[set[Tile], set[Tile], int], floor: int
) -> None:
    leaves, stored, first = area
    depths = [held_at(leaf, stored, first) for leaf in leaves]
    least = None if None in depths else min(d for d in depths if d is not None)
    ground = Holdings.recorded(
        planned(leaves, first, floor).layers["survey"].tiles, TileSet.from_tiles(stored), TileSet()
    )
    (found,) = area_depths(planned(leaves, first, floor), {"survey": ground})
    assert found.held == least
    assert found.reaches_floor == (least is not None and least >= floor)
    below = {leaf for leaf, depth in zip(leaves, depths, strict=True) if depth is None or depth < floor}
    assert set(found.below) == below
    assert found.reaches_floor == (not below)


@quick
@given(areas())
def test_for_every_zoom_the_places_below_it_are_those_of_the_rule(
    area: tuple[set[Tile], set[Tile], int],
) -> None:
    leaves, stored, first = area
    short = short_of(TileSet.from_tiles(leaves).pyramid(first), TileSet.from_tiles(stored))
    for zoom in range(first, DEEP + 1):
        below = {leaf for leaf in leaves if (held_at(leaf, stored, first) or -1) < zoom}
        assert set(short[zoom]) == {ancestor(leaf, zoom) for leaf in below}
        assert set(places_below(short, zoom)) == below


@quick
@given(areas(), st.integers(0, DEEP))
def test_the_share_at_the_floor_counts_tiles_whose_every_place_reaches_it(
    area: tuple[set[Tile], set[Tile], int], floor: int
) -> None:
    leaves, stored, first = area
    plan = planned(leaves, first, floor)
    ground = Holdings.recorded(plan.layers["survey"].tiles, TileSet.from_tiles(stored), TileSet())
    (found,) = area_depths(plan, {"survey": ground})
    at = max(floor, first)
    tiles = {ancestor(leaf, at) for leaf in leaves}
    short = {ancestor(leaf, at) for leaf in leaves if (held_at(leaf, stored, first) or -1) < at}
    assert found.share_at_floor == pytest.approx(1 - len(short) / len(tiles))


def test_an_area_without_a_single_tile_of_a_layer_meant_for_it_is_below_its_floor() -> None:
    layer = LayerPlan("survey", TileSet(), (AreaPlan("ground", 12, TileSet(), 0, 12),))
    plan = Plan({"survey": layer}, {}, LonLatBox(12.0, 47.0, 12.5, 47.5), (12.2, 47.2), ())
    (found,) = area_depths(plan, {})
    assert (found.held, found.reaches_floor) == (None, False)


def test_what_a_server_does_not_offer_counts_as_absent() -> None:
    tiles = cover_box(LonLatBox(12.3, 47.0, 12.4, 47.1), 14).pyramid(0)
    west = cover_box(LonLatBox(12.3, 47.0, 12.35, 47.1), 14).pyramid(0)
    area = AreaPlan("ground", 14, west, 0, 12, tiles - west)
    plan = Plan(
        {"survey": LayerPlan("survey", west, (area,))},
        {},
        LonLatBox(12.0, 47.0, 12.5, 47.5),
        (12.2, 47.2),
        (),
    )
    (found,) = area_depths(plan, {"survey": Holdings(west)})
    assert found.absent == len(tiles - west)
    assert not found.reaches_floor


def test_ten_million_tiles_with_a_hole_in_every_row_take_few_boundaries() -> None:
    """Bounded by the number of intervals, not by a clock: no list of tiles is ever made."""
    tiles = cover_box(LonLatBox(5.0, 45.0, 22.0, 54.0), 16).pyramid(0)
    assert len(tiles) > 10_000_000
    rows, _, last = tiles.run_arrays(16)
    holes = TileSet.from_columns(16, last, rows)
    area = AreaPlan("ground", 16, tiles, 0, 12)
    plan = Plan(
        {"survey": LayerPlan("survey", tiles, (area,))}, {}, LonLatBox(5.0, 45.0, 22.0, 54.0), (9.0, 47.0), ()
    )
    (found,) = area_depths(plan, {"survey": Holdings(tiles - holes, TileSet(), holes)})
    assert found.held == 15
    assert found.absent == len(holes)
    assert np.isclose(found.share, 1 - len(holes) / len(tiles.at(16)))


@settings(max_examples=25, deadline=None)
@given(areas(), st.integers(BASE, DEEP), st.integers(1, 3))
def test_a_part_finds_short_just_the_places_whose_tiles_are_all_in_it(
    area: tuple[set[Tile], set[Tile], int], floor: int, count: int
) -> None:
    """So no part is not ready for a gap that the whole does not have, nor for one of another part's."""
    leaves, stored, first = area
    whole = planned(leaves, first, floor)
    ground = Holdings.recorded(whole.layers["survey"].tiles, TileSet.from_tiles(stored), TileSet())
    below = set(area_depths(whole, {"survey": ground})[0].below)
    told: set[Tile] = set()
    for number in range(1, count + 1):
        part = part_of(whole, number, count)
        for asked in part.layers["survey"].areas:
            own = Holdings.recorded(asked.tiles, TileSet.from_tiles(stored), TileSet())
            (found,) = area_depths(part, {"survey": own})
            inside = {
                leaf
                for leaf in below
                if all(ancestor(leaf, z) in asked.tiles for z in range(max(first, floor), DEEP + 1))
            }
            assert set(found.below) == inside
            assert asked.floor is None or found.reaches_floor == (not inside)
            told |= inside
    assert told <= below
    assert count > 1 or told == below
