"""The mean of each square of pixels: what takes most of the time where pictures shrink."""

from __future__ import annotations

import numpy as np

from packer.content.rasters.picture_file import Rgba

__all__ = ["mean_of"]

_MOST = 16  # along a side: 16 x 16 x 255 is the most that a sum in 16 bits holds


def mean_of(pixels: Rgba, side: int) -> Rgba:
    """The mean of each `side` x `side` pixels of an array (4, rows, columns), from the first row and column on; of
    fewer at the last ones. `side` is from 1 to 16."""
    if side == 1:
        return pixels
    if not 1 < side <= _MOST:
        raise ValueError(f"squares of {side} pixels a side are too large for a sum in 16 bits")
    bands, rows, columns = pixels.shape
    down, across = -(-rows // side), -(-columns // side)
    by_rows = np.zeros((bands, down, columns), np.uint16)
    for step in range(side):
        part = pixels[:, step::side]
        by_rows[:, : part.shape[1]] += part
    sums = np.zeros((bands, down, across), np.uint16)
    for step in range(side):
        some = by_rows[:, :, step::side]
        sums[:, :, : some.shape[2]] += some
    counts = np.outer(_counts(rows, side), _counts(columns, side)).astype(np.uint16)
    mean: Rgba = ((sums + counts // 2) // counts).astype(np.uint8)
    return mean


def _counts(every: int, side: int) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    counts = np.full(-(-every // side), side, np.int64)
    counts[-1] = every - side * (counts.size - 1)
    return counts
