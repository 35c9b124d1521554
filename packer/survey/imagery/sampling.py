"""Which tiles to look at before a whole layer is fetched.

A pick is a whole small pyramid: a tile of an area's deepest zoom with its parent, grandparent and so on, since
only neighbours in zoom show whether a zoom adds anything. Picks are spread evenly over each area: its tiles
are laid out along a Z-order curve (Morton), and places on it are taken from the van der Corput sequence with a
random start, so that any number of picks covers the area about evenly, every tile equally likely.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping

import numpy as np

from packer.geometry.grid import Ints
from packer.geometry.tileset import Tile, TileSet

__all__ = ["BUDGET", "choose"]

# Requests for a look round one layer: enough for some thirty pyramids, and two layers stay under 600.
BUDGET = 280

_CELLS = 1024  # enough for a spread finer than any budget; more only costs time
_PATIENCE = 24  # picks in a row that bring nothing new before an area counts as seen


def choose(areas: Mapping[str, TileSet], per_layer_budget: int, chance: random.Random) -> list[Tile]:
    """At most `per_layer_budget` distinct tiles of one layer, in order of zoom, column and row.

    Every area gets a pyramid while the budget lasts, larger areas more of them (in proportion to the square
    root of their tiles, so that a short detour is not lost beside a long road). A pyramid that no longer fits
    is left out; one that is by itself beyond the budget is cut at the top.
    """
    weight = {name: len(tiles) ** 0.5 for name, tiles in areas.items() if tiles}
    picks = {name: _deepest(areas[name], chance) for name in weight}
    taken = dict.fromkeys(weight, 0)
    idle = dict.fromkeys(weight, 0)
    depth = max(3, per_layer_budget // max(len(weight), 1))
    chosen: set[Tile] = set()
    while weight and len(chosen) < per_layer_budget:
        name = min(weight, key=lambda one: (taken[one] / weight[one], -weight[one], one))
        taken[name] += 1
        room = per_layer_budget - len(chosen)
        fresh = [tile for tile in _pyramid(areas[name], next(picks[name]))[:depth] if tile not in chosen]
        if not chosen:
            fresh = fresh[:room]
        if fresh and len(fresh) <= room:
            chosen.update(fresh)
            idle[name] = 0
        else:
            idle[name] += 1
        if idle[name] == _PATIENCE:
            del weight[name]
    return sorted(chosen)


def _pyramid(tiles: TileSet, deepest: Tile) -> list[Tile]:
    """The tile and its ancestors that belong to the set, deepest first."""
    above = (
        Tile(zoom, deepest.x >> (deepest.zoom - zoom), deepest.y >> (deepest.zoom - zoom))
        for zoom in range(deepest.zoom - 1, tiles.zooms[0] - 1, -1)
    )
    return [deepest, *(tile for tile in above if tile in tiles)]


def _deepest(tiles: TileSet, chance: random.Random) -> Iterator[Tile]:
    """Without end, tiles of the deepest zoom, evenly spread and each as likely as any other."""
    zoom = tiles.zooms[-1]
    shift, columns, rows = _cells(tiles, zoom)
    runs = tiles.run_arrays(zoom)
    inside = [_within(runs, shift, int(x), int(y)) for x, y in zip(columns, rows, strict=True)]
    ends = np.cumsum([int(lengths.sum()) for _, _, lengths in inside])
    start, step = chance.random(), 0
    while True:
        place = int((start + _van_der_corput(step)) % 1.0 * int(ends[-1]))
        step += 1
        cell = int(np.searchsorted(ends, place, side="right"))
        row, first, lengths = inside[cell]
        place -= int(ends[cell - 1]) if cell else 0
        stops = np.cumsum(lengths)
        run = int(np.searchsorted(stops, place, side="right"))
        yield Tile(zoom, int(first[run] + place - (stops[run] - lengths[run])), int(row[run]))


def _cells(tiles: TileSet, zoom: int) -> tuple[int, Ints, Ints]:
    """Columns and rows, in Z-order, of the ancestors `shift` zooms up: the most that are not too many."""
    level, shift = tiles.at(zoom), 0
    while len(level) > _CELLS:
        level, shift = level.parents(zoom - shift), shift + 1
    found = np.array([(tile.x, tile.y) for tile in level], dtype=np.int64)
    order = np.argsort(_z_order(found[:, 0], found[:, 1]), kind="stable")
    return shift, found[order, 0], found[order, 1]


def _z_order(x: Ints, y: Ints) -> Ints:
    code = np.zeros_like(x)
    for bit in range(24):
        code |= (x >> bit & 1) << (2 * bit) | (y >> bit & 1) << (2 * bit + 1)
    return code


def _within(runs: tuple[Ints, Ints, Ints], shift: int, x: int, y: int) -> tuple[Ints, Ints, Ints]:
    """Row, first column and length of the pieces of runs inside the cell x, y, `shift` zooms up."""
    rows, first, last = runs
    low, high = np.searchsorted(rows, [y << shift, (y + 1) << shift])
    left = np.maximum(first[low:high], x << shift)
    right = np.minimum(last[low:high], ((x + 1) << shift) - 1)
    kept = right >= left
    return rows[low:high][kept], left[kept], (right - left + 1)[kept]


def _van_der_corput(step: int) -> float:
    """The step's binary digits mirrored at the point: 0, 1/2, 1/4, 3/4, 1/8, …"""
    value, weight = 0.0, 0.5
    while step:
        value += weight * (step & 1)
        step, weight = step >> 1, weight / 2
    return value
