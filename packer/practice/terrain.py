"""The invented ground: one continuous elevation field over the whole Web Mercator square.

Heights are sums of octaves of lattice noise: random values on a square lattice, joined by uniform cubic
B-splines (de Boor, A Practical Guide to Splines, chapter IX), so that the field and its slope are continuous
everywhere. A B-spline surface is separable, which makes an octave over a tile the product of three small
matrices; that is what makes 256 × 256 px cheap. Coarse octaves are folded into ridges, fine ones roughen the
slopes down to a cell of two pixels at zoom 18 (about 0.8 m on the ground at 47° north).

Every value follows from integers alone (octave, column, row, seed), never from a generator's state. The same
numpy build on the same kind of processor gives the same bits.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from packer.geometry.grid import x_at, y_at

__all__ = [
    "BASIN_LAT",
    "BASIN_LON",
    "Patch",
    "RasterWindow",
    "TerrainPatch",
    "elevation",
    "fade",
    "lambert",
    "lattice_hash",
    "noise",
    "slopes",
]

Patch = npt.NDArray[np.float32]
Hashes = npt.NDArray[np.uint32]
_Axis = npt.NDArray[np.float64]

BASIN_LON, BASIN_LAT = 12.50, 47.10
SEA_LEVEL_M = 0.0
LAKE_LEVEL_M = 985.0

_MASK = 0xFFFFFFFF
_U0, _V0 = float(x_at(BASIN_LON)), float(y_at(BASIN_LAT))
# Kilometres on the ground at the basin, in grid fractions: 40,075 km × cos 47.1° = 27,280 km.
_KM = 1 / 27_280.0


@dataclass(frozen=True, slots=True)
class RasterWindow:
    """The pixel centres of a raster: two axes of grid fractions, ascending by `pixel`, the size of a pixel."""

    u: _Axis
    v: _Axis
    pixel: float

    @classmethod
    def of_tile(cls, zoom: int, x: int, y: int, border_px: int = 0, size_px: int = 256) -> RasterWindow:
        """The window of a tile, with `border_px` more pixels on each side."""
        pixel = 1.0 / (size_px << zoom)
        steps: _Axis = np.arange(-border_px, size_px + border_px, dtype=np.float64) + 0.5
        return cls((x * size_px + steps) * pixel, (y * size_px + steps) * pixel, pixel)


@dataclass(frozen=True, slots=True)
class TerrainPatch:
    """What lies under a window. Arrays are (rows, columns), float32.

    `height_m` is above the sea; `water_m` the depth of water, 0 on land; `rough` 0 to 1 says how rugged the
    ground is; `wash` 0 to 1 where a dry stream bed runs.
    """

    height_m: Patch
    water_m: Patch
    rough: Patch
    wash: Patch


def lattice_hash(rows: npt.NDArray[np.int64], columns: npt.NDArray[np.int64], salt: int) -> Hashes:
    """32 well-mixed bits for each pair of a row and a column, as (rows, columns).

    The mixing steps are those of a common 32-bit finaliser (shift, multiply, shift); from memory.
    """
    r = (rows & _MASK).astype(np.uint32) * np.uint32(0x9E3779B1)
    c = (columns & _MASK).astype(np.uint32) * np.uint32(0x85EBCA77)
    h: Hashes = r[:, None] ^ c[None, :] ^ np.uint32((salt * 0xC2B2AE3D + 0x27D4EB2F) & _MASK)
    for shift, factor in ((16, 0x7FEB352D), (15, 0x846CA68B)):
        h ^= h >> np.uint32(shift)
        h *= np.uint32(factor)
    h ^= h >> np.uint32(16)
    return h


def _cells(octave: int) -> int:
    """Lattice cells round the world; no power of two, lest lattice lines fall on tile edges."""
    return int(2**octave * (0.83 + 0.34 * ((octave * 37 % 64) / 64)))


class _Spline(NamedTuple):
    """The lattice lines that an axis needs; the weight (count, len(lines)) of each at each place; and, for
    stretches of places, the slice of places and the slice of lines that alone has weight there."""

    lines: npt.NDArray[np.int64]
    weights: Patch
    stretches: tuple[tuple[slice, slice], ...]


@functools.lru_cache(maxsize=256)  # neighbours in a row share one axis; 256 matrices are at most some 35 MB
def _spline(first: float, count: int, step: float, cells: int, shift: float) -> _Spline:
    place = (first + np.arange(count) * step) * cells + shift
    base = np.floor(place)
    t = (place - base).astype(np.float32)
    at = (base - base[0]).astype(np.int64)
    start = int(base[0]) - 1
    lines = np.arange(start, start + int(at[-1]) + 4)
    long = 128 if len(lines) <= 7 else 64 if len(lines) <= 15 else 32
    stretches = tuple(
        (slice(n, n + long), slice(int(at[n]), int(at[min(n + long, count) - 1]) + 4))
        for n in range(0, count, long)
    )
    weights = np.zeros((count, len(lines)), np.float32)
    flat = weights.reshape(-1)
    at += np.arange(0, count * len(lines), len(lines))
    t2 = t * t
    t3 = t2 * t
    last = t3 / 6
    third = (1 + 3 * (t + t2 - t3)) / 6
    second = (4 - 6 * t2 + 3 * t3) / 6
    flat[at] = 1 - last - third - second
    flat[at + 1] = second
    flat[at + 2] = third
    flat[at + 3] = last
    return _Spline(lines, weights, stretches)


def _splines(window: RasterWindow, cells: int, shift: tuple[float, float]) -> tuple[_Spline, _Spline]:
    """For the columns and for the rows of a window."""
    return (
        _spline(float(window.u[0]), len(window.u), window.pixel, cells, shift[0]),
        _spline(float(window.v[0]), len(window.v), window.pixel, cells, shift[1]),
    )


def _weave(rows: _Spline, values: Patch, columns: _Spline) -> Patch:
    """The spline surface through lattice `values`: rows.weights @ values @ columns.weights.T.

    Worked out stretch by stretch, since weights are 0 away from their place. It also keeps each product so
    small that the matrix library does not spread it over threads, which costs far more than it brings.
    """
    half = np.empty((len(rows.weights), values.shape[1]), np.float32)
    for places, lines in rows.stretches:
        np.matmul(rows.weights[places, lines], values[lines], out=half[places])
    whole = np.empty((len(rows.weights), len(columns.weights)), np.float32)
    for places, lines in columns.stretches:
        whole[:, places] = half[:, lines] @ columns.weights[places, lines].T
    return whole


def fade(window: RasterWindow, octave: int) -> float:
    """How far an octave shows, 0 to 1: cells under some 3 px fade out, so that nothing finer than a pixel
    can show is ever sampled, and below 1.5 px there is nothing left."""
    cell_px = 1 / (_cells(octave) * window.pixel)
    return min(1.0, max(0.0, (cell_px - 1.5) / 1.5))


def noise(window: RasterWindow, octave: int, salt: int = 0, size: float = 1.0) -> Patch:
    """One octave over a window: mean 0, nearly all of it within ±`size`, before any `fade`.

    Lattice columns wrap at the antimeridian.
    """
    cells = _cells(octave)
    shift = (0.31 + 0.17 * (octave % 5), 0.13 + 0.19 * (octave % 4))
    columns, rows = _splines(window, cells, shift)
    lattice = lattice_hash(rows.lines, columns.lines % cells, salt * 64 + octave)
    # A cubic B-spline over uniform values on ±1 has a standard deviation of about 0.28: 2.2 spreads it to ±1.
    values = lattice.astype(np.float32) * np.float32(2.2 * size * 2.0**-31) - np.float32(2.2 * size)
    return _weave(rows, values, columns)


def _bump(window: RasterWindow, east_km: float, north_km: float, width_km: float, height_km: float) -> Patch:
    """A smooth hill, 1 at its middle and 0 beyond `width_km` east-west and `height_km` north-south."""
    a = np.clip(1 - ((window.u - _U0 - east_km * _KM) / (width_km * _KM)) ** 2, 0, None)
    b = np.clip(1 - ((window.v - _V0 + north_km * _KM) / (height_km * _KM)) ** 2, 0, None)
    return np.outer(b * b, a * a).astype(np.float32)


_MEAN_CREST = np.float32(0.55)  # what a folded octave comes to on average


def _folded(window: RasterWindow, octave: int, salt: int) -> Patch | np.float32:
    """An octave folded at 0 into crests of height 1; the root rounds the fold off, as weather would."""
    share = np.float32(fade(window, octave))
    if share == 0:
        return _MEAN_CREST
    n = noise(window, octave, salt)
    crest = np.float32(1.02) - np.sqrt(n * n + np.float32(0.004)) * np.float32(1.25)
    np.clip(crest, 0, None, out=crest)
    mixed: Patch = crest if share == 1 else _MEAN_CREST + (crest - _MEAN_CREST) * share
    return mixed


# Metres of ridge for each folded octave; cells of octave 13 are some 3 km wide at the basin.
_RIDGES = ((11, 420.0), (12, 520.0), (13, 470.0), (14, 290.0), (15, 170.0), (16, 85.0))


def _ridges(window: RasterWindow, massif: Patch) -> Patch:
    """Metres of ridge and valley: folded octaves, each weighted by the one before, so that crests gather
    detail and valley floors stay plain."""
    height = np.zeros_like(massif)
    weight = massif
    for octave, size_m in _RIDGES:
        crest = _folded(window, octave, salt=1) * weight
        height += crest * np.float32(size_m)
        weight = np.clip(crest * np.float32(1.25) + np.float32(0.22), 0, 1)
        weight *= massif
    return height


# Metres of each fine octave. From octave 20 on they fall off faster than the cells shrink: bare ground is
# smoother in the small than mountains are in the large (common practice in terrain synthesis, no source).
_FINE = (
    (17, 34.0), (18, 15.0), (19, 6.5), (20, 2.6), (21, 1.0), (22, 0.38), (23, 0.15), (24, 0.07), (25, 0.03),
    (26, 0.012),
)  # fmt: skip
_BROAD = ((2, 900.0), (3, 800.0), (4, 560.0), (5, 380.0), (6, 260.0), (7, 170.0), (8, 110.0), (9, 80.0))


def _sum(window: RasterWindow, octaves: tuple[tuple[int, float], ...], salt: int) -> Patch:
    total = np.zeros((len(window.v), len(window.u)), np.float32)
    for octave, size_m in octaves:
        share = fade(window, octave)
        if share:
            total += noise(window, octave, salt, size_m * share)
    return total


def _mountains(window: RasterWindow) -> tuple[Patch, Patch]:
    """Height in metres of all that is wider than 400 m or so, and the ruggedness that goes with it."""
    uplift = _bump(window, 0, 0, 260, 210)
    basin = _bump(window, 2.0, -0.5, 19.0, 13.0)
    broad = _sum(window, _BROAD, salt=0)
    broad *= 1 - np.float32(0.95) * uplift
    broad += np.float32(150)
    broad += uplift * np.float32(1000)
    massif = np.clip(broad * np.float32(0.0011), 0, 1)
    massif *= 1 - np.float32(0.80) * np.clip(basin * np.float32(1.3), 0, 1)
    height = _ridges(window, massif)
    rough = np.clip(height * np.float32(1 / 800), 0.09, 1)
    height += broad
    height -= basin * np.float32(230)
    height -= _bump(window, 6.0, -3.0, 5.2, 3.4) * np.float32(150)
    return height, rough


# Mountains are worked out on a lattice of four pixels of zoom 12 (some 100 m) and splined from there: at
# zooms 12 and deeper it is the same surface at a fraction of the cost. Blocks of it are kept, one for each
# tile of zoom 12 with a margin, since all tiles below share one.
_FRAME_CELLS = 64 << 12
_BLOCK, _MARGIN = 64, 4


@functools.lru_cache(maxsize=64)
def _frame(column: int, columns: int, row: int, rows: int) -> tuple[Patch, Patch]:
    u = np.arange(column, column + columns) / _FRAME_CELLS
    v = np.arange(row, row + rows) / _FRAME_CELLS
    return _mountains(RasterWindow(u, v, 1 / _FRAME_CELLS))


def _block(first: int, last: int) -> tuple[int, int]:
    """The start and length of the stretch of lattice lines to work out for the lines from first to last."""
    start = first // _BLOCK * _BLOCK - _MARGIN
    if first % _BLOCK >= _BLOCK - _MARGIN and last - first < _BLOCK:
        start += _BLOCK
    if last < start + _BLOCK + 2 * _MARGIN:
        return start, _BLOCK + 2 * _MARGIN
    return first, last + 1 - first


def _framed_mountains(window: RasterWindow) -> tuple[Patch, Patch]:
    columns, rows = _splines(window, _FRAME_CELLS, (0.0, 0.0))
    first_u, last_u = int(columns.lines[0]), int(columns.lines[-1])
    first_v, last_v = int(rows.lines[0]), int(rows.lines[-1])
    left, width = _block(first_u, last_u)
    top, height = _block(first_v, last_v)
    part = np.s_[first_v - top : last_v + 1 - top, first_u - left : last_u + 1 - left]
    tall, rough = _frame(left, width, top, height)
    return _weave(rows, tall[part], columns), _weave(rows, rough[part], columns)


# Dry washes run where an octave passes through 0: winding lines that never end in the open.
_WASHES = ((13, 0.022), (15, 0.045))


def _washes(window: RasterWindow, rough: Patch, fine: Patch) -> Patch:
    """Dry stream beds, 0 to 1, led astray by what is fine on the ground; none where it is rugged."""
    bed = np.zeros_like(rough)
    for octave, width in _WASHES:
        share = fade(window, octave + 3)
        if share:
            n = np.abs(noise(window, octave, salt=5) + fine * np.float32(0.012 * width / 0.035))
            np.maximum(bed, np.float32(share) - n * np.float32(share / width), out=bed)
    bed *= np.clip(np.float32(1.5) - rough * np.float32(3.2), 0, 1)
    return bed


def elevation(window: RasterWindow) -> TerrainPatch:
    """The ground under a window."""
    framed = window.pixel * _FRAME_CELLS < 0.3
    height, rough = _framed_mountains(window) if framed else _mountains(window)
    fine = _sum(window, _FINE, salt=2)
    fine *= rough
    height += fine
    wash = _washes(window, rough, fine)
    height -= wash * np.float32(3)
    water = np.clip(_water_level(window) - height, 0, None)
    return TerrainPatch(height, water, rough, wash)


def _water_level(window: RasterWindow) -> Patch:
    """The lake's level within 100 km of the basin, the sea's elsewhere: (rows, columns), metres."""
    near_u, near_v = np.abs(window.u - _U0) < 100 * _KM, np.abs(window.v - _V0) < 100 * _KM
    near = near_v[:, None] & near_u[None, :]
    return np.where(near, np.float32(LAKE_LEVEL_M), np.float32(SEA_LEVEL_M))


def slopes(ground: TerrainPatch, metres_per_px: float) -> tuple[Patch, Patch]:
    """Rise eastward and southward, metres a metre, by central differences; one pixel is lost at each edge."""
    surface = ground.height_m + ground.water_m
    scale = np.float32(0.5 / metres_per_px)
    east = (surface[1:-1, 2:] - surface[1:-1, :-2]) * scale
    south = (surface[2:, 1:-1] - surface[:-2, 1:-1]) * scale
    return east, south


def lambert(east: Patch, south: Patch, altitude_sin: float = 0.707) -> Patch:
    """Light on the ground from the north-west, 0 to 1: the cosine between the light and the surface normal.

    Formula: Lambert's law; e.g. Horn, Hill shading and the reflectance map, Proc. IEEE 69 (1981).
    """
    level = np.float32((1 - altitude_sin**2) ** 0.5 * 0.7071)
    # The normal is (-east, -south, 1) with y southward; the light stands at (-1, -1) in the plane.
    lit = (east + south) * level + np.float32(altitude_sin)
    lit /= np.sqrt(1 + east * east + south * south)
    return np.clip(lit, 0, 1, out=lit)
