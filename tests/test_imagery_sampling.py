"""Choosing a sample, and judging the size of the whole by it."""

from __future__ import annotations

import random
from itertools import pairwise

import numpy as np
import pytest

from packer.geometry.cover import cover_corridor
from packer.geometry.tileset import Tile, TileSet
from packer.survey.imagery import BUDGET, choose, size_interval
from packer.survey.imagery.sizes import _t_quantile
from tests.budgets import tries
from tests.imagery_samples.jobs import job


def road() -> TileSet:
    """Some 1,700 km of winding road, 500 m to each side, zooms 0 to 16."""
    line = np.array([(-118.0 + 0.2 * n, 37.0 + 2.0 * np.sin(n / 9)) for n in range(90)])
    return cover_corridor([line], 500.0, 16).pyramid(0)


def square(zoom: int, left: int, top: int, side: int) -> TileSet:
    rows = np.arange(top, top + side)
    return TileSet.from_runs(zoom, rows, np.full(side, left), np.full(side, left + side - 1))


def test_a_long_road_in_two_layers_stays_under_six_hundred_requests() -> None:
    whole = road()
    picked = [choose({"road": whole}, BUDGET, random.Random(seed)) for seed in (1, 2)]
    assert all(0.9 * BUDGET < len(tiles) <= BUDGET for tiles in picked)
    assert sum(map(len, picked)) < 600


def test_sample_has_no_repeats_lies_inside_and_keeps_pyramids_whole() -> None:
    areas = {"road": road(), "camp": square(17, 24000, 50000, 9).pyramid(11)}
    tiles = choose(areas, 200, random.Random(5))
    assert tiles == sorted(set(tiles))
    inside = TileSet.union(areas.values())
    assert all(tile in inside for tile in tiles)
    chosen = set(tiles)
    for tile in tiles:
        above = Tile(tile.zoom - 1, tile.x >> 1, tile.y >> 1)
        assert above in chosen or above not in inside, tile


def test_every_area_is_visited_and_large_ones_more_often() -> None:
    areas = {
        "speck": square(14, 9000, 6000, 1),
        "camp": square(14, 3000, 6000, 4),
        "range": square(14, 5000, 6000, 400),
    }
    tiles = choose(areas, 120, random.Random(9))
    seen = {name: sum(tile in area for tile in tiles) for name, area in areas.items()}
    assert seen["speck"] == 1
    assert 1 <= seen["camp"] < seen["range"]


def test_picks_are_spread_evenly_over_an_area() -> None:
    area = square(14, 4096, 4096, 256)
    tiles = choose({"area": area}, 64, random.Random(2))
    quarters = [(tile.x - 4096) // 64 + 4 * ((tile.y - 4096) // 64) for tile in tiles]
    # 64 independent picks would leave a sixteenth of the area empty more often than not.
    assert set(quarters) == set(range(16))


def test_every_tile_is_about_equally_likely() -> None:
    area = TileSet.union([square(12, 100, 200, 2), square(12, 300, 900, 14)])
    counts = dict.fromkeys(area, 0)
    for seed in range(tries(200, 400)):
        for tile in choose({"area": area}, 5, random.Random(seed)):
            counts[tile] += 1
    expected = sum(counts.values()) / len(counts)
    chi2 = sum((n - expected) ** 2 / expected for n in counts.values())
    assert chi2 < len(counts) + 4 * (2 * len(counts)) ** 0.5  # four standard deviations


def test_small_jobs_are_taken_whole_and_small_budgets_are_kept() -> None:
    area = square(10, 500, 300, 3).pyramid(8)
    assert choose({"area": area}, 280, random.Random(1)) == sorted(area)
    assert len(choose({"road": road()}, 5, random.Random(1))) == 5
    assert choose({"nothing": TileSet()}, 280, random.Random(1)) == []
    assert choose({"road": road()}, 0, random.Random(1)) == []


def test_same_chance_same_sample() -> None:
    areas = {"road": road()}
    first, again, other = (choose(areas, 90, random.Random(seed)) for seed in (4, 4, 5))
    assert first == again != other


def test_true_size_lies_inside_in_eight_to_ten_of_ten_jobs() -> None:
    inside = []
    for seed in range(5000, 5000 + tries(20, 40)):
        one = job(seed)
        sizes: dict[int, list[int]] = {}
        for tile in choose(one.areas, BUDGET // 2, random.Random(seed)):
            sizes.setdefault(tile.zoom, []).append(one.sizes[tile])
        guess = size_interval(sizes, one.counts)
        assert 0 < guess.low < guess.expected < guess.high < 4 * guess.low
        inside.append(guess.low <= one.total_bytes <= guess.high)
    assert 0.80 <= np.mean(inside) < 1.0


def test_a_complete_sample_is_exact() -> None:
    assert size_interval({3: [10, 20], 4: [5]}, {3: 2, 4: 1}) == (35, 35, 35)
    assert size_interval({}, {}) == (0, 0, 0)


def test_fewer_samples_and_longer_ways_to_borrow_make_wider_bounds() -> None:
    chance = np.random.default_rng(1)
    sizes = [int(size) for size in np.exp(chance.normal(9.5, 0.5, 60))]
    counts = {14: 5000}

    def width(sample: dict[int, list[int]], counts: dict[int, int] = counts) -> float:
        guess = size_interval(sample, counts)
        return float(np.log(guess.high / guess.low))

    widths = [width({14: sizes[:n]}) for n in (60, 30, 10, 3)]
    assert all(narrow < wide for narrow, wide in pairwise(widths))
    borrowed = [width({zoom: sizes}, counts | {zoom: 100}) for zoom in (13, 12, 10)]
    assert widths[1] < borrowed[0] < borrowed[1] < borrowed[2]
    own = width({14: sizes[:2], 12: sizes}, counts | {12: 100})
    assert own < width({12: sizes}, counts | {12: 100})


def test_a_zoom_without_samples_takes_its_size_from_its_neighbours() -> None:
    guess = size_interval({10: [100] * 20, 12: [400] * 20}, {10: 20, 11: 1000, 12: 20})
    assert guess.expected == pytest.approx(20 * 100 + 1000 * 200 + 20 * 400, rel=0.01)


def test_a_sample_that_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="No tile was sampled"):
        size_interval({}, {12: 7})
    with pytest.raises(ValueError, match="Zoom 12 has 1 tiles, but 2 sizes"):
        size_interval({12: [5, 6]}, {12: 1})


def test_empty_tiles_count_as_nothing() -> None:
    guess = size_interval({12: [0] * 30}, {12: 1000})
    assert guess.expected == 0


@pytest.mark.parametrize(("freedom", "value"), [(3, 2.353), (5, 2.015), (10, 1.812), (30, 1.697)], ids=str)
def test_student_quantiles_agree_with_the_printed_table(freedom: float, value: float) -> None:
    # t for a two-sided level of 90 %: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2 (from memory).
    assert _t_quantile(0.95, freedom) == pytest.approx(value, rel=0.01)
