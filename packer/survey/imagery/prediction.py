"""Can a tile's fine detail be predicted from coarser pixels?

An enlarged picture is a fixed linear mixture of fewer pixels, and nothing else: every one of its pixels can be
predicted from them. A picture with detail of its own cannot. Three tools, all on grey levels float32:

* `from_parent` and `from_itself` fit that mixture by least squares, whatever the enlarging filter was, and
  foretell the tile with it. That interpolated pixels are linear in their neighbours, and betray themselves by
  it, is the idea of Popescu and Farid, IEEE Trans. Signal Processing 53(2), 2005, and of Kirchner's fixed
  linear predictors, ACM MM&Sec 2008 (both from memory); the fit per pixel phase is ours.
* `misfit` says how much of the tile's fine detail is left over, counting only what its own coding cannot
  explain: a DCT coefficient is allowed to be half a quantisation step away from what was predicted. It also
  says how much would be left over on ordinary ground (spectra of pictures fall off smoothly: Field, J. Opt.
  Soc. Am. A 4(12), 1987, from memory), so that a tile without texture is not taken for an enlarged one.
* `apart` compares the child with its quadrant of the parent enlarged by a known filter, and `outside` projects the
  tile on everything that such a filter can produce, in the manner of Vázquez-Padín, Comesaña and
  Pérez-González, EUSIPCO 2015 (upsampled blocks lie in a subspace).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from packer.survey.imagery.pixels import Grey, Levels

__all__ = ["KINDS", "Misfit", "apart", "from_itself", "from_parent", "misfit", "outside", "relief"]

_REACH = 2  # pixels: 5 × 5 neighbours hold the bicubic filter and most of its inverse
_GRAIN = 0.3  # variance in levels² that keeps the fit from trusting rounding noise
_MARGIN = 2  # low-resolution pixels beyond the tile's edge that may have shaped it

_INDEX = np.maximum(*np.mgrid[0:8, 0:8])  # the higher of a coefficient's two frequencies, in 1/16 per pixel
# A picture enlarged by f has nothing of its own above 1/(2f) per pixel, which is DCT index 8/f. The bands
# start one above, where a filter's slope has mostly done its work.
_BANDS = {2: _INDEX >= 5, 4: (_INDEX >= 3) & (_INDEX <= 5), 8: (_INDEX >= 2) & (_INDEX <= 3)}
# Least variance of a coefficient in the band that ordinary ground shows, as a share of the variance at lower
# index (9 stands for the block's mean against its neighbours'): the low end on the calibration pictures.
_FALL = {
    2: ((3, 4, 0.1), (2, 2, 0.018), (1, 1, 0.004), (9, 9, 0.0008)),
    4: ((2, 2, 0.1), (1, 1, 0.03), (9, 9, 0.006)),
    8: ((1, 1, 0.12), (9, 9, 0.025)),
}
# Beyond half a step: rounding to whole levels in tile and parent, and the filter's own rounding.
_ROUNDING = 0.6
_LOSSLESS = 0.7


@dataclass(frozen=True, slots=True)
class Misfit:
    """Mean squares of DCT coefficients (levels²) in the band that an enlargement leaves empty.

    `left_over` of the tile beyond what was predicted and what its coding can explain; `energy` of the tile
    itself; `expected` to be left over on ground as textured as this tile is at coarser scales.
    """

    left_over: float
    energy: float
    expected: float

    @property
    def share(self) -> float:
        """The unforeseen share of the band."""
        return self.left_over / (self.energy + 0.01)

    @property
    def score(self) -> float:
        """What is left over against what ordinary ground would leave: near 0 enlarged, near 1 or more native."""
        return self.left_over / (self.expected + 0.001)


def from_parent(child: Levels, parent: Levels, quadrant: tuple[int, int]) -> Levels:
    """The child as predicted from its quadrant (x & 1, y & 1) of the parent; both have the same even sides.

    Fitted apart for odd and even parent pixels, since the parent may itself be enlarged by 2.
    """
    half = child.shape[0] // 2
    padded = np.pad(parent, _REACH, mode="edge")
    left, top = quadrant[0] * half, quadrant[1] * half
    piece = padded[top : top + half + 2 * _REACH, left : left + half + 2 * _REACH]
    near = _neighbours(piece)
    predicted = np.empty_like(child)
    for row in range(2):
        for column in range(2):
            inputs = near[row::2, column::2]
            targets = [child[2 * row + i :: 4, 2 * column + j :: 4] for i in range(2) for j in range(2)]
            outputs = _fit(inputs, np.stack(targets, axis=-1))
            for k in range(4):
                predicted[2 * row + k // 2 :: 4, 2 * column + k % 2 :: 4] = outputs[:, :, k]
    return predicted


def from_itself(child: Levels, factor: int) -> Levels:
    """The tile as predicted from every `factor`-th of its own pixels and rows (2, 4 or 8)."""
    first = 0 if factor == 2 else factor // 2
    side = child.shape[0] // factor
    near = _neighbours(np.pad(child[first::factor, first::factor], _REACH, mode="edge"))
    cells = child.reshape(side, factor, side, factor).transpose(0, 2, 1, 3).reshape(side, side, -1)
    outputs = _fit(near, cells).reshape(side, side, factor, factor)
    return outputs.transpose(0, 2, 1, 3).reshape(child.shape)


def relief(levels: Levels, factor: int) -> tuple[float, float]:
    """What the tile shows between `factor` and twice as many pixels: root mean square in levels, and the share
    of its 16 × 16 zones in which that is over 1 level."""
    side = levels.shape[0] // factor
    means = levels.reshape(side, factor, side, factor).mean(axis=(1, 3))
    cells = means.reshape(side // 2, 2, side // 2, 2)
    squares = ((cells - cells.mean(axis=(1, 3), keepdims=True)) ** 2).mean(axis=(1, 3))
    zone = max(1, side // 32)
    zones = squares[: side // 2 // zone * zone, : side // 2 // zone * zone]
    zones = zones.reshape(len(zones) // zone, zone, len(zones) // zone, zone).mean(axis=(1, 3))
    return float(np.sqrt(squares.mean())), float(np.mean(zones > 1.0))


def _neighbours(padded: Levels) -> Levels:
    width = 2 * _REACH + 1
    views = np.lib.stride_tricks.sliding_window_view(padded, (width, width))
    return np.asarray(views.reshape(*views.shape[:2], -1))


def _fit(inputs: Levels, targets: Levels) -> Levels:
    """Least squares from inputs (rows, columns, n) to targets (rows, columns, m), about the local mean."""
    flat = inputs.reshape(-1, inputs.shape[2])
    mean = flat.mean(axis=1, keepdims=True)
    flat = flat - mean
    wanted = targets.reshape(len(flat), -1) - mean
    gram = _sums(flat, flat)
    gram[np.diag_indices_from(gram)] += 1e-3 * np.trace(gram) / len(gram) + len(flat) * _GRAIN
    outputs = _product(flat, np.linalg.solve(gram, _sums(flat, wanted))) + mean
    return np.asarray(outputs.reshape(targets.shape))


# Multiplications above this count are spread over threads by OpenBLAS (4 × 65536 in its sources, from memory).
# At our sizes that saves nothing, and on a busy machine the threads wait for one another: a tile was seen to
# take 500 ms. So products are made in pieces that stay below.
_ONE_THREAD = 1 << 18


def _product(a: Levels, b: Levels) -> Levels:
    """The matrix product a b, some rows of a at a time."""
    rows = 1
    while len(a) % (2 * rows) == 0 and 2 * rows * b.size <= _ONE_THREAD:
        rows *= 2
    return np.asarray((a.reshape(-1, rows, a.shape[1]) @ b).reshape(len(a), b.shape[1]))


def _sums(a: Levels, b: Levels) -> Levels:
    """The matrix product of a's transpose and b, some rows of both at a time."""
    rows = math.gcd(len(a), 128)
    left, right = a.reshape(-1, rows, a.shape[1]), b.reshape(-1, rows, b.shape[1])
    return np.asarray((left.transpose(0, 2, 1) @ right).sum(axis=0))


@cache
def _cosines() -> Levels:
    k, n = np.mgrid[0:8, 0:8]
    matrix = np.sqrt(0.25) * np.cos((2 * n + 1) * k * np.pi / 16)
    matrix[0] /= np.sqrt(2)
    return np.asarray(matrix, dtype=np.float32)


def _dct(levels: Levels) -> Levels:
    """Orthonormal 8 × 8 DCT-II of each block, (rows, columns, 8, 8), without the outermost blocks."""
    rows, columns = levels.shape
    blocks = levels.reshape(rows // 8, 8, columns // 8, 8).transpose(0, 2, 1, 3)[1:-1, 1:-1]
    return np.asarray(_cosines() @ blocks @ _cosines().T)


def misfit(tile: Grey, predicted: Levels, factor: int) -> Misfit:
    """How far the tile departs from what was predicted, above the cut-off of an enlargement by `factor`."""
    true = _dct(tile.levels)
    band = _BANDS[factor]
    steps = tile.steps[band]
    slack = np.where(steps > 0, steps / 2, _LOSSLESS) + _ROUNDING
    beyond = np.maximum(np.abs(true - _dct(predicted))[..., band] - slack, 0)
    variance = np.maximum.reduce([fall * _energy(true, low, high) for low, high, fall in _FALL[factor]])
    deviation = np.sqrt(np.maximum(variance, 1e-6))[..., None]
    # For Laplacian coefficients of deviation s, the mean square beyond a threshold t is s² exp(-t √2 / s).
    survives = deviation**2 * np.exp(-slack * np.sqrt(2) / deviation)
    return Misfit(float(np.mean(beyond**2)), float(np.mean(true[..., band] ** 2)), float(np.mean(survives)))


def _energy(blocks: Levels, low: int, high: int) -> Levels:
    """Each block's mean square over the coefficients whose index lies in the range; 9 is the mean's own."""
    if low < 9:
        return np.asarray((blocks[..., np.isin(_INDEX, range(low, high + 1))] ** 2).mean(axis=-1))
    mean = blocks[..., 0, 0]
    ring = np.pad(mean, 1, mode="edge")
    around = (ring[:-2, 1:-1] + ring[2:, 1:-1] + ring[1:-1, :-2] + ring[1:-1, 2:]) / 4
    return np.asarray((mean - around) ** 2)


def _nearest(distance: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return np.asarray((distance >= -0.5) & (distance < 0.5), dtype=np.float64)


def _bilinear(distance: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return np.maximum(0.0, 1.0 - np.abs(distance))


def _bicubic(distance: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Keys, IEEE Trans. ASSP 29(6), 1981, with a = -0.5 (from memory)."""
    d = np.abs(distance)
    near = 1.5 * d**3 - 2.5 * d**2 + 1
    far = -0.5 * d**3 + 2.5 * d**2 - 4 * d + 2
    return np.where(d < 1, near, np.where(d < 2, far, 0.0))


KINDS: dict[str, Callable[[npt.NDArray[np.float64]], npt.NDArray[np.float64]]] = {
    "nearest": _nearest,
    "bilinear": _bilinear,
    "bicubic": _bicubic,
}


def _weights(kind: str, factor: int, side: int) -> npt.NDArray[np.float64]:
    """What each of `side` enlarged pixels takes from each pixel of the source and its margins."""
    sources = np.arange(-_MARGIN, side // factor + _MARGIN)
    places = (np.arange(side) + 0.5) / factor - 0.5
    return KINDS[kind](places[:, None] - sources[None, :])


@cache
def _enlarger(kind: str, side: int) -> Levels:
    return np.asarray(_weights(kind, 2, side), dtype=np.float32)


@cache
def _projector(kind: str, factor: int, side: int) -> Levels:
    """The matrix (side, side) that keeps of a row only what `kind` can produce by enlarging by `factor`."""
    weights = _weights(kind, factor, side)
    weights = weights[:, np.abs(weights).sum(axis=0) > 0]
    return np.asarray(weights @ np.linalg.pinv(weights), dtype=np.float32)


def outside(tile: Levels, kind: str, factor: int) -> float:
    """Root mean square, in levels, of what a filter of this kind and factor could not have produced."""
    onto = _projector(kind, factor, tile.shape[0])
    return _rms(tile - _product(_product(onto, tile), onto.T))


def apart(child: Levels, parent: Levels, quadrant: tuple[int, int], kind: str) -> float:
    """Root mean square, in levels, between a child and its quadrant of the parent enlarged by 2."""
    side = child.shape[0]
    padded = np.pad(parent, _MARGIN, mode="edge")
    left, top = quadrant[0] * side // 2, quadrant[1] * side // 2
    reach = side // 2 + 2 * _MARGIN
    enlarger = _enlarger(kind, side)
    piece = padded[top : top + reach, left : left + reach]
    return _rms(child - _product(_product(enlarger, piece), enlarger.T))


def _rms(difference: npt.NDArray[np.floating]) -> float:
    # The outermost pixels may have been enlarged with or without their neighbours: they tell nothing.
    return float(np.sqrt(np.mean(difference[8:-8, 8:-8] ** 2)))
