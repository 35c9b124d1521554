"""Where in a tile there is most to see, as the place to look at next, one or more zooms deeper."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from packer.errors import AnswerError
from packer.survey.imagery.pixels import Levels, grey

__all__ = ["Cell", "cells", "cells_of"]

_MOST_DEEPER = 4  # 16 × 16 cells of a tile of 256 px: of smaller ones too few pixels are left to tell


@dataclass(frozen=True, slots=True, order=True)
class Cell:
    """One of `grid` × `grid` cells of a tile, counted from the top left, and its contrast (see `cells_of`)."""

    contrast: float
    column: int
    row: int
    grid: int


def cells(body: bytes, deeper: int) -> list[Cell]:
    """The cells of a tile's body, those with most contrast first; each is a tile's ground `deeper` zooms down, or four.

    None for what is no picture.
    """
    try:
        return cells_of(grey(body).levels, deeper)
    except AnswerError:
        return []


def cells_of(levels: Levels, deeper: int) -> list[Cell]:
    """The cells of grey levels, float32 (rows, columns), those with most contrast first.

    Contrast is the deviation of grey levels within the cell, in levels, over the root of the octaves that it takes in:
    pictures have about as much in each octave (Field, J. Opt. Soc. Am. A 4(12), 1987, from memory), so that cells of
    tiles of different zooms compare.
    """
    side = min(levels.shape)
    steps = max(min(deeper, _MOST_DEEPER, int(np.log2(side)) - 2), 0)
    grid = 1 << steps
    cell = side // grid
    pieces = levels[: cell * grid, : cell * grid].reshape(grid, cell, grid, cell)
    spread = pieces.std(axis=(1, 3)) / np.sqrt(np.log2(cell))
    order = np.argsort(-spread, axis=None, kind="stable")
    return [Cell(float(spread.flat[n]), int(n % grid), int(n // grid), grid) for n in order]
