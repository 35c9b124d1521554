"""Do neighbouring tiles fit together? Where they do not, an address has its axes or rows the wrong way round.

Facing edges of neighbours show ground a pixel apart, so they are nearly equal wherever the ground has any texture.
Of a block of 2x2 tiles as an address gives it, four ways of lying are tried: as asked, column and row exchanged, rows
from the bottom, and both. The way whose facing edges differ least, by far less than the next, is how the server counts.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from packer.content.decoding import opened_picture

__all__ = ["Lie", "Seams", "how_they_lie"]

_LEAST_TEXTURE = (
    2.0  # mean grey levels between pixels of an edge and those halfway round the tile: below is flat
)
_CLEAR = 2.0  # the second best way has to differ at least so many times as much

_Grey = NDArray[np.float32]


class Lie(enum.StrEnum):
    """How the tiles of an address lie on the ground."""

    AS_ASKED = "as asked"
    EXCHANGED = "column and row exchanged"
    FROM_BOTTOM = "rows counted from the bottom"
    BOTH = "column and row exchanged, rows counted from the bottom"


@dataclass(frozen=True, slots=True)
class Seams:
    """What was found: `lie` None where the ground is too flat, or the ways too near one another, to tell.

    `differences` are mean grey levels (0 to 255) between facing edges, by way; `blocks` says how many were compared.
    """

    lie: Lie | None
    differences: Mapping[Lie, float]
    blocks: int


def how_they_lie(blocks: Sequence[Sequence[bytes]]) -> Seams:
    """Compare blocks of four bodies each: those of (x, y), (x+1, y), (x, y+1) and (x+1, y+1).

    Raises Damaged for a body that is no picture.
    """
    sums = dict.fromkeys(Lie, 0.0)
    used = 0
    for bodies in blocks:
        a, b, c, d = (_grey(body) for body in bodies)
        if min(map(_texture, (a, b, c, d))) < _LEAST_TEXTURE or len({a.shape, b.shape, c.shape, d.shape}) > 1:
            continue
        used += 1
        sums[Lie.AS_ASKED] += _beside(a, b) + _beside(c, d) + _above(a, c) + _above(b, d)
        sums[Lie.EXCHANGED] += _above(a, b) + _above(c, d) + _beside(a, c) + _beside(b, d)
        sums[Lie.FROM_BOTTOM] += _beside(a, b) + _beside(c, d) + _above(c, a) + _above(d, b)
        # The answer to (x, y) is then the tile of column y and row -x: more x is further up, more y further right.
        sums[Lie.BOTH] += _above(b, a) + _above(d, c) + _beside(a, c) + _beside(b, d)
    if not used:
        return Seams(None, {}, 0)
    differences = {way: total / (4 * used) for way, total in sums.items()}
    best, second = sorted(differences, key=differences.__getitem__)[:2]
    clear = differences[second] >= _CLEAR * max(differences[best], 0.25)
    return Seams(best if clear else None, differences, used)


def _grey(body: bytes) -> _Grey:
    with opened_picture(body) as picture:
        return np.asarray(picture.convert("L"), dtype=np.float32)


def _beside(left: _Grey, right: _Grey) -> float:
    return float(np.abs(left[:, -1] - right[:, 0]).mean())


def _above(upper: _Grey, lower: _Grey) -> float:
    return float(np.abs(upper[-1, :] - lower[0, :]).mean())


def _texture(grey: _Grey) -> float:
    """How much a tile's edges differ from what lies half a tile away along them."""
    edges = (grey[0, :], grey[-1, :], grey[:, 0], grey[:, -1])
    return float(min(np.abs(edge - np.roll(edge, len(edge) // 2)).mean() for edge in edges))
