"""Row intervals against plain Python sets of tiles."""

from __future__ import annotations

import time
import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packer.geometry.cover import cover_box
from packer.geometry.grid import LonLatBox
from packer.geometry.tileset import RowRun, Tile, TileSet

quick = settings(max_examples=40, deadline=None)  # a busy machine is no failure

Plain = set[tuple[int, int, int]]


@st.composite
def tiles(draw: st.DrawFn) -> tuple[int, int, int]:
    """A tile of the first zooms or of two deep ones, often at the end of a row."""
    zoom = draw(st.sampled_from([0, 1, 2, 3, 23, 24]))
    n = 1 << zoom
    place = st.one_of(st.integers(0, min(n - 1, 7)), st.integers(max(n - 8, 0), n - 1))
    return zoom, draw(place), draw(place)


plain_sets = st.sets(tiles(), max_size=40)


def column_of_runs(zoom: int, runs: list[tuple[int, int, int]]) -> TileSet:
    rows, first, last = (np.array(each, dtype=np.int64) for each in zip(*runs, strict=True))
    return TileSet.from_runs(zoom, rows, first, last)


def ordered(plain: Plain) -> list[tuple[int, int, int]]:
    return sorted(plain, key=lambda t: (t[0], t[2], t[1]))


def plain_parents(plain: Plain, zoom: int) -> Plain:
    return {(z - 1, x // 2, y // 2) for z, x, y in plain if z == zoom}


@quick
@given(plain_sets)
def test_a_set_gives_back_its_tiles_in_order_of_zoom_row_and_column(plain: Plain) -> None:
    built = TileSet.from_tiles(plain)
    assert list(built) == ordered(plain)
    assert all(isinstance(t, Tile) for t in built)
    assert len(built) == len(plain)
    assert bool(built) == bool(plain)
    assert built.zooms == tuple(sorted({z for z, _, _ in plain}))
    assert built.by_zoom() == {z: sum(t[0] == z for t in plain) for z in built.zooms}


@quick
@given(plain_sets, plain_sets)
def test_union_difference_and_intersection_are_those_of_plain_sets(a: Plain, b: Plain) -> None:
    one, other = TileSet.from_tiles(a), TileSet.from_tiles(b)
    assert set(one | other) == a | b
    assert set(one - other) == a - b
    assert set(one & other) == a & b
    assert set((one | other) - (one & other)) == a ^ b


@quick
@given(plain_sets)
def test_against_itself_an_equal_set_and_the_empty_one_a_set_is_as_a_plain_one(plain: Plain) -> None:
    one, equal, none = TileSet.from_tiles(plain), TileSet.from_tiles(plain), TileSet()
    for other in (one, equal):
        assert set(one - other) == set()
        assert set(one & other) == set(one | other) == plain
    assert set(one - none) == set(one | none) == set(none | one) == plain
    assert set(one & none) == set(none & one) == set(none - one) == set()


@quick
@given(st.integers(0, 40), st.integers(0, 40), plain_sets, st.integers(1, 3))
def test_a_set_of_very_many_boundaries_meets_one_of_few_as_plain_sets_do(
    left: int, top: int, few: Plain, step: int
) -> None:
    """Every second tile of a block, so that one set has far more than sixty-four times the other's boundaries."""
    many = {(24, left + x, top + y) for y in range(0, 40, step) for x in range(y % 2, 80, 2)}
    for some in (few, {(24, left + x, top + 3) for x in range(5, 20)}, {(24, left, top)}, set()):
        one, other = TileSet.from_tiles(many), TileSet.from_tiles(some)
        assert set(one - other) == many - some
        assert set(other - one) == some - many
        assert set(one & other) == set(other & one) == many & some
        assert (one - other) | (one & other) == one


@quick
@given(st.lists(plain_sets, max_size=5))
def test_the_union_of_many_is_that_of_plain_sets(many: list[Plain]) -> None:
    joined = TileSet.union(TileSet.from_tiles(each) for each in many)
    assert set(joined) == set().union(*many)
    assert len(joined) == len(set().union(*many))


@quick
@given(plain_sets, plain_sets)
def test_sets_are_equal_exactly_when_their_tiles_are_however_they_were_made(a: Plain, b: Plain) -> None:
    one, other = TileSet.from_tiles(a), TileSet.from_tiles(b)
    assert (one == other) == (a == b)
    assert (one | other) - (other - one) == one
    assert (one - other) | (one & other) == one
    assert one - one == TileSet()
    assert one != "a set"


@quick
@given(plain_sets, tiles())
def test_a_tile_is_contained_exactly_when_it_was_given(plain: Plain, tile: tuple[int, int, int]) -> None:
    built = TileSet.from_tiles(plain)
    assert (tile in built) == (tile in plain)
    assert all(t in built for t in plain)


@quick
@given(plain_sets)
def test_places_off_the_grid_are_never_contained(plain: Plain) -> None:
    built = TileSet.from_tiles(plain)
    for zoom in (0, 1, 3, 24):
        n = 1 << zoom
        for x, y in ((-1, 0), (n, 0), (0, -1), (0, n), (-1, n), (n, n - 1), (n, -1)):
            assert (zoom, x, y) not in built


@quick
@given(plain_sets)
def test_asking_for_many_at_once_agrees_with_asking_for_each(plain: Plain) -> None:
    built = TileSet.from_tiles(plain)
    x, y = (each.ravel() for each in np.meshgrid(np.arange(-2, 10), np.arange(-2, 10)))
    asked = built.contains(3, x, y)
    assert asked.tolist() == [(3, a, b) in plain for a, b in zip(x.tolist(), y.tolist(), strict=True)]


@quick
@given(
    plain_sets, st.lists(st.tuples(st.integers(-1, 8), st.integers(-3, 12), st.integers(-3, 12)), min_size=1)
)
def test_a_run_is_contained_exactly_when_all_its_tiles_are(
    plain: Plain, runs: list[tuple[int, int, int]]
) -> None:
    asked = TileSet.from_tiles(plain).contains_runs(
        3, *(np.array(each, dtype=np.int64) for each in zip(*runs, strict=True))
    )
    for row, first, last in runs:
        expected = all((3, x, row) in plain for x in range(first, last + 1))
        assert asked[runs.index((row, first, last))] == expected


def test_a_run_off_the_grid_is_not_taken_for_tiles_of_the_rows_beside_it() -> None:
    full = TileSet.from_runs(3, np.arange(8), np.zeros(8, dtype=np.int64), np.full(8, 7))
    rows = np.array([3, 3, 3, 3])
    asked = full.contains_runs(3, rows, np.array([0, 9, -4, 7]), np.array([7, 11, -2, 8]))
    assert asked.tolist() == [True, False, False, False]


@quick
@given(plain_sets)
def test_runs_are_as_long_as_can_be_and_never_leave_their_row(plain: Plain) -> None:
    built = TileSet.from_tiles(plain)
    runs = list(built.runs())
    assert {(r.zoom, x, r.row) for r in runs for x in range(r.first, r.last + 1)} == plain
    for run in runs:
        assert 0 <= run.first <= run.last < 1 << run.zoom
        assert (run.zoom, run.first - 1, run.row) not in plain
        assert (run.zoom, run.last + 1, run.row) not in plain
    for zoom in built.zooms:
        arrays = zip(*(each.tolist() for each in built.run_arrays(zoom)), strict=True)
        assert [RowRun(zoom, *each) for each in arrays] == [r for r in runs if r.zoom == zoom]


def test_full_rows_one_above_the_other_stay_two_runs() -> None:
    for zoom in (0, 1, 5, 24):
        n = 1 << zoom
        full = column_of_runs(zoom, [(row, 0, n - 1) for row in range(min(n, 4))])
        assert [r.row for r in full.runs()] == list(range(min(n, 4)))
        assert len(full) == n * min(n, 4)


@quick
@given(st.lists(st.tuples(st.integers(0, 7), st.integers(0, 7), st.integers(0, 7)), min_size=1, max_size=20))
def test_runs_that_overlap_in_any_way_count_each_tile_once(drawn: list[tuple[int, int, int]]) -> None:
    runs = [(row, min(a, b), max(a, b)) for row, a, b in drawn]
    plain = {(3, x, row) for row, first, last in runs for x in range(first, last + 1)}
    built = column_of_runs(3, runs)
    assert set(built) == plain
    assert len(built) == len(plain)


@quick
@given(plain_sets)
def test_repeated_tiles_count_once(plain: Plain) -> None:
    assert TileSet.from_tiles([*plain, *plain]) == TileSet.from_tiles(plain)


@quick
@given(plain_sets, st.sampled_from([1, 2, 3, 24]))
def test_parents_are_the_tiles_that_hold_the_tiles(plain: Plain, zoom: int) -> None:
    assert set(TileSet.from_tiles(plain).parents(zoom)) == plain_parents(plain, zoom)


@quick
@given(plain_sets, st.sampled_from([0, 1, 2, 22, 24]))
def test_a_pyramid_adds_every_ancestor_down_from_its_top(plain: Plain, top: int) -> None:
    wanted = set(plain)
    for zoom in range(24, top, -1):
        wanted |= plain_parents(wanted, zoom)
    assert set(TileSet.from_tiles(plain).pyramid(top)) == wanted


@quick
@given(plain_sets)
def test_the_extent_is_the_least_rectangle_of_tiles(plain: Plain) -> None:
    built = TileSet.from_tiles(plain)
    for zoom in built.zooms:
        x, y = zip(*((x, y) for z, x, y in plain if z == zoom), strict=True)
        assert built.extent(zoom) == (min(x), min(y), max(x), max(y))


@quick
@given(plain_sets)
def test_boundaries_build_the_same_set_again(plain: Plain) -> None:
    built = TileSet.from_tiles(plain)
    assert TileSet({z: built.boundaries(z) for z in range(25)}) == built
    for zoom in built.zooms:
        assert (np.diff(built.boundaries(zoom)) > 0).all()


@quick
@given(plain_sets, st.sets(st.sampled_from([0, 1, 2, 3, 23, 24])))
def test_the_part_at_some_zooms_is_those_tiles(plain: Plain, zooms: set[int]) -> None:
    assert set(TileSet.from_tiles(plain).at(*zooms)) == {t for t in plain if t[0] in zooms}


OFF_THE_GRID = [(3, 8, 0), (3, 9, 0), (3, -1, 1), (3, 0, 8), (3, 0, -1), (0, 0, 1), (3, 2**40, 0)]


@pytest.mark.parametrize("tile", [*OFF_THE_GRID, (25, 0, 0), (-1, 0, 0), (999, 0, 0)])
def test_a_place_off_the_grid_is_never_taken_for_some_tile(tile: tuple[int, int, int]) -> None:
    assert TileSet.from_tiles([tile, (3, 7, 0), (3, 0, 1)]) == TileSet.from_tiles([(3, 7, 0), (3, 0, 1)])
    assert tile not in TileSet.from_tiles(
        [(z, x, y) for z in (0, 3) for x in range(1 << z) for y in range(1 << z)]
    )


@pytest.mark.parametrize("tile", OFF_THE_GRID)
def test_columns_off_the_grid_are_refused(tile: tuple[int, int, int]) -> None:
    zoom, x, y = tile
    with pytest.raises(ValueError, match="off the grid"):
        TileSet.from_columns(zoom, np.array([x]), np.array([y]))


def test_a_reversed_run_is_refused() -> None:
    with pytest.raises(ValueError, match="reversed"):
        column_of_runs(3, [(0, 5, 4)])


def test_the_empty_set_answers_like_an_empty_set() -> None:
    empty = TileSet()
    assert not empty
    assert list(empty) == []
    assert list(empty.runs()) == []
    assert empty.zooms == ()
    assert empty.boundaries(5).size == 0
    assert empty == TileSet.from_tiles([]) == empty.pyramid(0) == empty.parents(5) == empty & empty
    assert not empty.contains(5, np.array([1]), np.array([1])).any()


@pytest.mark.parametrize("zoom", [0, 1, 2, 5, 9])
def test_a_box_across_the_antimeridian_counts_each_tile_once(zoom: int) -> None:
    built = cover_box(LonLatBox(175.0, 5.0, -175.0, 10.0), zoom)
    listed = list(built)
    assert len(listed) == len(set(listed)) == len(built)
    n = 1 << zoom
    assert {x for _, x, _ in listed} >= {0, n - 1}


def test_ten_million_tiles_cost_little_time_and_memory() -> None:
    tracemalloc.start()
    began = time.process_time()
    rows = np.arange(20_000, 23_200, dtype=np.int64)
    big = TileSet.from_runs(16, rows, np.full(3200, 30_000), np.full(3200, 33_199))
    rest = big - TileSet.from_tiles([(16, 31_000, 21_000)])
    whole = rest.pyramid(0)
    took_s, (_, peak) = time.process_time() - began, tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert len(big) == 10_240_000
    assert len(rest) == 10_239_999
    assert len(whole) > len(rest)
    assert peak < 4_000_000
    assert took_s < 5.0  # of processor time; it is some 10 ms
