"""Places whose imagery has a known native zoom: real textures as a sensor at night, or one out of focus, would have it.

A scene is made at the native zoom and nowhere finer. Its ground is a real picture of this folder, reduced twofold so
that it is sharp to its last pixel, and laid out mirrored without end. Slow fields, made up of octaves, say how strong
its contrast is and how bright it is, so that plain ground and towns change as one goes on. Then as a camera does it:

* *night*: radiance falls to a few per cent, lamps of one pixel stand where the ground is busy, and the sensor adds shot
  noise, which grows with the root of the light, and read noise;
* *soft*: a Gaussian point spread of about one pixel takes the finest detail away before the sensor samples it.

Coarser zooms are averages of 2 × 2 pixels, as tile servers make them. Deeper ones are enlarged by a filter. Every tile
is coded on its own. Slow fields alone stand for the scene from three zooms above the native one on.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
import numpy.typing as npt
from PIL import Image

from packer.geometry.tileset import Tile, TileSet
from packer.planning.plan import AreaPlan
from packer.survey.evidence import Judged, Sort, Worth, worth_to
from packer.survey.imagery import choose, detail, detail_alone
from packer.survey.targets import Contrasts, next_samples
from tests.imagery_samples.labelled import encode, picture

__all__ = ["PLACES", "Place", "surveyed"]

Plane = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
SIDE = 256
_MARGIN = 8  # native pixels round a piece, for the spread and the filters
_FILTERS = {
    "nearest": Image.Resampling.NEAREST,
    "bilinear": Image.Resampling.BILINEAR,
    "bicubic": Image.Resampling.BICUBIC,
}
_PERIOD = 1024
_EXACT = 2  # zooms above the native one that are averaged from it pixel by pixel


@dataclass(frozen=True)
class Place:
    """A place of which a server has imagery to zoom `native`. `light` is the share of daylight, `spread_px` the
    standard deviation of the point spread, `lamps` how many lamps stand in a tile of busy ground, and `busy` how strong
    the ground's contrast is in the middle of its range, of 1."""

    name: str
    ground: str
    native: int
    light: float
    spread_px: float
    lamps: int
    busy: float
    coding: str
    enlarged_by: str
    seed: int

    def tile(self, tile: Tile) -> bytes:
        """What the server gives for a tile."""
        return encode(Image.fromarray(self.pixels(tile)), self.coding)

    def pixels(self, tile: Tile) -> npt.NDArray[np.uint8]:
        """The tile's grey levels before they are coded, (256, 256)."""
        deeper = tile.zoom - self.native
        if deeper > 0:
            return self._enlarged(tile, deeper)
        up = -deeper
        if up > _EXACT:
            step = 1 << up
            at = np.arange(0.5, SIDE, dtype=np.float64) * step
            return _levels(self._plain(tile.x * SIDE * step + at, tile.y * SIDE * step + at, step))
        side = SIDE << up
        piece = self._sensed(tile.x * side, tile.y * side, side)
        return _levels(piece.reshape(SIDE, 1 << up, SIDE, 1 << up).mean(axis=(1, 3)))

    def _enlarged(self, tile: Tile, deeper: int) -> npt.NDArray[np.uint8]:
        """From the native tile as sent before it was coded, with what lies round the piece."""
        factor, margin = 1 << deeper, 4
        side = max(SIDE >> deeper, 1)
        x, y = (tile.x * SIDE) >> deeper, (tile.y * SIDE) >> deeper
        piece = _levels(self._sensed(x - margin, y - margin, side + 2 * margin))
        wide = (side + 2 * margin) * factor
        big = np.asarray(Image.fromarray(piece).resize((wide, wide), _FILTERS[self.enlarged_by]))
        cut = margin * factor
        return np.ascontiguousarray(big[cut : cut + SIDE, cut : cut + SIDE])

    # ------------------------------------------------------------------------------------ the scene

    @cached_property
    def _texture(self) -> Plane:
        """One period of the ground, about 0 and with a deviation of 1."""
        grey = np.asarray(Image.fromarray(picture(self.ground, 1)).convert("L"), dtype=np.float64)
        plain = (grey - grey.mean()) / grey.std()
        plain = np.concatenate([plain, plain[::-1]])
        return np.concatenate([plain, plain[:, ::-1]], axis=1)

    def _slow(self, x: Plane, y: Plane, step: int) -> tuple[Plane, Plane]:
        """How busy and how bright the ground is, 0 to 1, at native pixels; without octaves finer than two steps."""
        busy = np.clip(1.6 * _octaves(x, y, step, self.seed) + self.busy, 0.02, 1.0)
        return busy, np.clip(0.5 + _octaves(x, y, step, self.seed + 1), 0, 1)

    def _plain(self, x: Plane, y: Plane, step: int) -> Plane:
        busy, bright = self._slow(x, y, step)
        lit = self.lamps * 90 / SIDE**2 * (busy > 0.6)
        return self._exposed(0.35 + 0.3 * bright) + 255 * lit * 2

    def _exposed(self, radiance: Plane) -> Plane:
        """Levels by a tone curve of 1/2.2 (ITU-R BT.709's display gamma, rounded), with light lacking at night."""
        return np.asarray(255 * np.clip(radiance * self.light, 0, 1) ** (1 / 2.2))

    def _sensed(self, x: int, y: int, side: int) -> Plane:
        """What the sensor gives for a square of native pixels."""
        wide = side + 2 * _MARGIN
        columns, rows = np.arange(x - _MARGIN, x - _MARGIN + wide), np.arange(y - _MARGIN, y - _MARGIN + wide)
        every = np.arange(0, wide + _COARSE, _COARSE, dtype=np.float64)
        busy, bright = (_between(slow, wide) for slow in self._slow(columns[0] + every, rows[0] + every, 1))
        ground = _of_period(self._texture, columns, rows)
        radiance = np.clip(0.35 + 0.3 * bright + 0.28 * busy * ground, 0.01, 1.5) * self.light
        radiance = radiance + self._lamps(columns, rows, busy)
        radiance = _spread(radiance, self.spread_px)[_MARGIN:-_MARGIN, _MARGIN:-_MARGIN]
        grain = _of_period(_noise(self.seed), columns[_MARGIN:-_MARGIN], rows[_MARGIN:-_MARGIN])
        # Full well of 4,000 electrons at white and 6 electrons of read noise: those of a small sensor, from memory.
        radiance = radiance + grain * np.sqrt(np.maximum(radiance, 0) / 4000 + (6 / 4000) ** 2)
        return np.asarray(255 * np.clip(radiance, 0, 1) ** (1 / 2.2))

    def _lamps(self, columns: Whole, rows: Whole, busy: Plane) -> Plane:
        chance = _of_period(_chances(self.seed, _PERIOD), columns, rows)
        return np.where((chance < self.lamps / SIDE**2) & (busy > 0.6), 0.25 + 0.75 * busy, 0.0)


def _between(plane: Plane, wide: int) -> Plane:
    """Values every `_COARSE` pixels as values at every one of `wide` pixels, by straight lines between."""
    at = np.arange(wide) / _COARSE
    first = at.astype(np.int64)
    part = at - first
    rows = plane[first] * (1 - part)[:, None] + plane[first + 1] * part[:, None]
    return np.asarray(rows[:, first] * (1 - part) + rows[:, first + 1] * part)


def _levels(plane: Plane) -> npt.NDArray[np.uint8]:
    return np.asarray(np.clip(np.rint(plane), 0, 255), dtype=np.uint8)


@cache
def _chances(seed: int, side: int) -> Plane:
    """One period of numbers from 0 to 1."""
    return np.random.default_rng(seed).random((side, side), dtype=np.float32).astype(np.float64)


@cache
def _noise(seed: int) -> Plane:
    """One period of noise with a deviation of 1."""
    return (
        np.random.default_rng(seed).standard_normal((_PERIOD, _PERIOD), dtype=np.float32).astype(np.float64)
    )


def _of_period(period: Plane, columns: Whole, rows: Whole) -> Plane:
    return np.asarray(period[np.ix_(rows % period.shape[0], columns % period.shape[1])])


_LONGEST, _SHORTEST = 15, 7  # octaves have lattices of 2^15 to 2^7 native pixels
_COARSE = (
    16  # native pixels between the points at which the octaves are worked out: far fewer than their shortest
)


def _octaves(x: Plane, y: Plane, step: int, seed: int) -> Plane:
    """Value noise about 0 on a grid of columns and rows, each octave with three quarters of the strength of the next
    coarser one."""
    found = np.zeros((y.size, x.size))
    weight, whole = 1.0, 0.0
    for octave in range(_LONGEST, _SHORTEST - 1, -1):
        cell = 1 << octave
        found += weight * (_lattice(x / cell, y / cell, seed * 31 + octave) if cell >= 2 * step else 0.5)
        whole += weight
        weight *= 0.75
    return np.asarray((found / whole - 0.5) * 1.4)


def _lattice(x: Plane, y: Plane, seed: int) -> Plane:
    """Random numbers at whole places, 0 to 1, and smoothly between them."""
    left, top = np.floor(x).astype(np.int64), np.floor(y).astype(np.int64)
    right, down = (t * t * (3 - 2 * t) for t in (x - left, y - top))
    corners = _chances(seed, 128)
    upper, lower = (
        _of_period(corners, left, row) * (1 - right) + _of_period(corners, left + 1, row) * right
        for row in (top, top + 1)
    )
    return np.asarray(upper * (1 - down)[:, None] + lower * down[:, None])


@cache
def _kernel(spread_px: float) -> Plane:
    at = np.arange(-6, 7)
    weights = np.exp(-(at**2) / (2 * spread_px**2))
    return np.asarray(weights / weights.sum())


def _spread(plane: Plane, spread_px: float) -> Plane:
    if spread_px <= 0:
        return plane
    kernel = _kernel(spread_px)
    for axis in (0, 1):
        padded = np.pad(plane, [(6, 6) if a == axis else (0, 0) for a in (0, 1)], mode="edge")
        length = plane.shape[axis]
        pieces = (
            weight * (padded[n : n + length] if axis == 0 else padded[:, n : n + length])
            for n, weight in enumerate(kernel)
        )
        plane = np.asarray(sum(pieces))
    return plane


PLACES = (
    Place("night, meadow", "meadow", 14, 0.01, 0.5, 30, 0.15, "jpeg80", "bilinear", 1),
    Place("night, shore", "colony", 15, 0.012, 0.5, 40, 0.1, "jpeg75", "bicubic", 2),
    Place("night, forest", "deadwood", 16, 0.015, 0.6, 20, 0.1, "jpeg85", "bilinear", 3),
    Place("night, windfall, no lamps", "windfall", 14, 0.03, 0.5, 0, 0.2, "jpeg80", "bicubic", 4),
    Place("night, without loss", "meadow", 15, 0.01, 0.6, 20, 0.1, "png", "bilinear", 5),
    Place("soft, meadow", "meadow", 16, 1.0, 0.9, 0, 0.1, "jpeg80", "bicubic", 6),
    Place("soft, shore", "colony", 16, 0.9, 1.1, 0, 0.2, "jpeg75", "bilinear", 7),
    Place("soft, forest", "deadwood", 17, 0.8, 1.0, 0, 0.1, "jpeg90", "bicubic", 8),
    Place("soft, town", "palace", 15, 0.9, 1.2, 0, 0.2, "jpeg70", "nearest", 9),
    Place("dusk and soft", "windfall", 15, 0.12, 0.9, 10, 0.1, "jpeg80", "bilinear", 10),
)


def surveyed(
    place: Place, tiles: TileSet, deepest: int, most: int
) -> tuple[Worth, Worth, dict[Tile, Judged]]:
    """What the first, evenly spread samples of a route or an area say of it, what all of them do, and the samples.

    As `packer.survey.rounds` goes on, but without packs and servers: seven tenths of `most` first, the rest where there
    is most to see.
    """
    bodies: dict[Tile, bytes] = {}
    judged: dict[Tile, Judged] = {}
    area, contrasts = AreaPlan("ground", deepest, tiles), Contrasts(bodies.get)

    def look(some: list[Tile]) -> Worth:
        bodies.update((tile, place.tile(tile)) for tile in some)
        for tile in some:
            above = bodies.get(Tile(tile.zoom - 1, tile.x >> 1, tile.y >> 1))
            found = (
                detail(bodies[tile], above, (tile.x & 1, tile.y & 1)) if above else detail_alone(bodies[tile])
            )
            sort = Sort(found.verdict.value)
            judged[tile] = Judged(tile, sort, None, len(bodies[tile]), found.factor, found.hint)
        return worth_to(judged, tiles.by_zoom(), deepest)

    first = last = look(choose({"ground": tiles}, round(0.7 * most), random.Random(place.seed)))
    while more := next_samples([area], judged, contrasts, most - len(judged)):
        last = look(more)
    return first, last, judged
