"""Whole jobs with a known size: invented areas, and a size for every tile of them.

Sizes follow what map layers do: log-normal about a mean that drifts from zoom to zoom, correlated over ground
(so a sampled pyramid is large or small as a whole, and neighbours resemble each other), with a share of water
whose tiles are tiny.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from packer.geometry.grid import Floats, Ints
from packer.geometry.tileset import Tile, TileSet

__all__ = ["Job", "job"]


@dataclass(frozen=True, slots=True)
class Job:
    """Areas of one layer, and the bytes of each of their tiles."""

    areas: dict[str, TileSet]
    sizes: dict[Tile, int]

    @property
    def counts(self) -> dict[int, int]:
        """Distinct tiles at each zoom."""
        return TileSet.union(self.areas.values()).by_zoom()

    @property
    def total_bytes(self) -> int:
        """The true size."""
        return sum(self.sizes.values())


def job(seed: int) -> Job:
    """A corridor or a box or two, zooms 7 to 13-15, some thousands to some ten thousand tiles."""
    chance = np.random.default_rng(seed)
    deepest = int(chance.integers(13, 16))
    areas = {
        f"area {number}": _area(deepest - int(chance.integers(0, 2)), chance)
        for number in range(chance.integers(1, 4))
    }
    field = _Field(chance)
    sizes: dict[Tile, int] = {}
    tiles = TileSet.union(areas.values())
    for zoom in tiles.zooms:
        at = list(tiles.at(zoom))
        x, y = (np.array(part, dtype=np.int64) for part in ([t.x for t in at], [t.y for t in at]))
        sizes.update(zip(at, field.sizes(zoom, x, y).tolist(), strict=True))
    return Job(areas, sizes)


def _area(deepest: int, chance: np.random.Generator) -> TileSet:
    n = 1 << deepest
    if chance.random() < 0.5:  # a box
        width, height = chance.integers(20, 110, 2)
        left, top = chance.integers(n // 4, n // 2, 2)
        rows = np.arange(top, top + height)
        runs = TileSet.from_runs(deepest, rows, np.full(height, left), np.full(height, left + width))
    else:  # a road that wanders over a few hundred to some thousand rows
        length = int(chance.integers(200, 1500))
        top = int(chance.integers(n // 4, n // 2))
        centre = n // 3 + np.cumsum(chance.normal(0, 1.2, length)).astype(np.int64)
        half = int(chance.integers(1, 5))
        runs = TileSet.from_runs(deepest, np.arange(top, top + length), centre - half, centre + half)
    return runs.pyramid(7)


class _Field:
    """Ground whose texture and water vary smoothly, at several scales."""

    def __init__(self, chance: np.random.Generator) -> None:
        self.chance = chance
        self.grids = [(scale, chance.normal(0, 1, (257, 257))) for scale in (11, 13, 15)]
        self.ground = chance.uniform(0.15, 0.5)
        self.grain = chance.uniform(0.15, 0.6)
        self.water = chance.choice([-9.0, -1.2, -0.6])
        self.log_mean = np.log(chance.uniform(6e3, 3e4)) + np.cumsum(chance.normal(0, 0.2, 20))

    def sizes(self, zoom: int, x: Ints, y: Ints) -> Ints:
        level = sum(self._at(grid, scale, zoom, x, y) for scale, grid in self.grids) / np.sqrt(3)
        logs = self.log_mean[zoom] + self.ground * level + self.chance.normal(0, self.grain, x.size)
        wet = self._at(self.grids[0][1][::-1], 11, zoom, x, y) < self.water
        tiny = self.chance.normal(np.log(1100), 0.15, x.size)
        return np.asarray(np.exp(np.where(wet, tiny, logs)), dtype=np.int64)

    def _at(self, grid: Floats, scale: int, zoom: int, x: Ints, y: Ints) -> Floats:
        """The grid, whose meshes are tiles of zoom `scale`, read between its points at tile centres."""
        u, v = ((part + 0.5) * 2.0 ** (scale - zoom) % 256 for part in (x, y))
        i, j = u.astype(np.int64), v.astype(np.int64)
        a, b = u - i, v - j
        upper = grid[j, i] * (1 - a) + grid[j, i + 1] * a
        lower = grid[j + 1, i] * (1 - a) + grid[j + 1, i + 1] * a
        return np.asarray(upper * (1 - b) + lower * b)
