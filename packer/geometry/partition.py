"""Splitting a plan into parts that several people fetch and merge.

The ground is cut into strips across its longer side, so that each part makes sense by itself: a stretch of the
route, one end of the valley. Every tile goes to the strip that holds its middle, so the parts have no tile in
common and together are the whole; the cuts lie where the parts have the same number of tiles.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from packer.geometry.grid import Floats, Ints
from packer.geometry.tileset import TileSet

__all__ = ["tiles_of_part"]


def tiles_of_part(layers: Mapping[str, TileSet], number: int, count: int) -> dict[str, TileSet]:
    """What of each layer belongs to part `number`, from 1 to `count`; some layer has to have tiles."""
    upright = _is_tall(TileSet.union(layers.values()))
    cuts = _cuts(list(layers.values()), upright, count)
    return {name: _strip(tiles, upright, cuts[number - 1], cuts[number]) for name, tiles in layers.items()}


def _is_tall(tiles: TileSet) -> bool:
    """Whether the deepest tiles reach further down than across."""
    left, top, right, bottom = tiles.extent(tiles.zooms[-1])
    return bottom - top > right - left


def _cuts(layers: list[TileSet], upright: bool, count: int) -> Floats:
    """`count` + 1 grid fractions between which the parts weigh alike; the outermost hold everything."""
    middles, weights = zip(*(_weighed(tiles, upright) for tiles in layers if tiles), strict=True)
    at, weight = np.concatenate(middles), np.concatenate(weights)
    order = np.argsort(at, kind="stable")
    at, heaped = at[order], np.cumsum(weight[order])
    wanted = heaped[-1] * np.arange(1, count) / count
    inner = at[np.searchsorted(heaped, wanted, side="left")]
    return np.concatenate([[-1.0], inner, [2.0]])


def _weighed(tiles: TileSet, upright: bool) -> tuple[Floats, Ints]:
    """Middles of all columns (rows, if upright) as grid fractions, and the number of tiles in each."""
    middles, weights = [], []
    for zoom in tiles.zooms:
        rows, first, last = tiles.run_arrays(zoom)
        if upright:
            low = int(rows.min())
            counts = np.bincount(rows - low, weights=last - first + 1).astype(np.int64)
        else:
            low = int(first.min())
            steps = np.zeros(int(last.max()) - low + 2, dtype=np.int64)
            np.add.at(steps, first - low, 1)
            np.add.at(steps, last - low + 1, -1)
            counts = np.cumsum(steps)[:-1]
        middles.append((low + np.arange(counts.size) + 0.5) / (1 << zoom))
        weights.append(counts)
    return np.concatenate(middles), np.concatenate(weights)


def _strip(tiles: TileSet, upright: bool, low: float, high: float) -> TileSet:
    """The tiles whose middle lies at `low` or beyond, but before `high`."""
    return TileSet.union(_strip_at(tiles, zoom, upright, low, high) for zoom in tiles.zooms)


def _strip_at(tiles: TileSet, zoom: int, upright: bool, low: float, high: float) -> TileSet:
    n = 1 << zoom
    start, stop = (int(np.ceil(np.clip(edge, 0, 1) * n - 0.5)) for edge in (low, high))
    stop = n if high > 1 else stop
    rows, first, last = tiles.run_arrays(zoom)
    if upright:
        kept = (rows >= start) & (rows < stop)
        return TileSet.from_runs(zoom, rows[kept], first[kept], last[kept])
    first, last = np.maximum(first, start), np.minimum(last, stop - 1)
    kept = last >= first
    return TileSet.from_runs(zoom, rows[kept], first[kept], last[kept])
