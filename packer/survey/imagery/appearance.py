"""What one tile looks like by itself: blank, dark, washed out or ordinary.

Blank is meant literally: one colour, as a server sends that has no picture. Water, snow and sand are dull but
never that even: grain and slow gradients survive all but the coarsest coding, and a tile on which they show
at all is not blank.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

import numpy as np

from packer.survey.imagery.pixels import Bytes3, colours

__all__ = ["Appearance", "Sight", "look"]

# A single colour comes back exactly from PNG and JPEG; from WebP a few pixels stray by some levels.
_BLANK_RANGE = 6.0
_BLANK_DEVIATION = 0.3
# Below opacity 8 of 255 nothing can be seen on any background.
_CLEAR = 8
# Grey levels, chosen by eye on the sample pictures: no source.
_DARK_MEAN, _DARK_BRIGHTEST = 32.0, 80.0
_WASHED_OUT_SPREAD = 24.0


class Sight(enum.StrEnum):
    """What the eye would say."""

    TRANSPARENT = "transparent"
    BLANK = "blank"
    DARK = "dark"
    WASHED_OUT = "washed out"
    ORDINARY = "ordinary"


@dataclass(frozen=True, slots=True)
class Appearance:
    """A tile's appearance.

    `colour` is the mean red, green and blue, 0 to 255, over what is not fully transparent; `deviation` and
    `spread` are the standard deviation and the 2nd-to-98th percentile distance of the grey levels; `opaque`
    is the share of pixels that can be seen at all.
    """

    sight: Sight
    colour: tuple[int, int, int]
    deviation: float
    spread: float
    opaque: float

    @property
    def blank(self) -> bool:
        """Whether there is nothing at all to see: one colour, or nothing but transparency."""
        return self.sight in (Sight.BLANK, Sight.TRANSPARENT)


def look(body: bytes) -> Appearance:
    """Judge one tile by itself.

    Raises AnswerError if the body is not a picture.
    """
    return look_at(colours(body))


def look_at(pixels: Bytes3) -> Appearance:
    """Judge decoded pixels, uint8 (rows, columns, 4)."""
    clear = pixels[:, :, 3] <= _CLEAR
    opaque = 1.0 - float(clear.mean())
    if opaque == 0.0:
        return Appearance(Sight.TRANSPARENT, (0, 0, 0), 0.0, 0.0, 0.0)
    seen = pixels.reshape(-1, 4) if opaque == 1.0 else pixels[~clear]
    rgb = np.ascontiguousarray(seen[:, :3].T, dtype=np.float32)  # whole planes: three times as fast below
    grey = 0.299 * rgb[0] + 0.587 * rgb[1] + 0.114 * rgb[2]  # ITU-R BT.601
    steps = np.cumsum(np.bincount(np.rint(grey).astype(np.int64), minlength=256)) / grey.size
    low, high, brightest = (float(level) for level in np.searchsorted(steps, [0.02, 0.98, 0.99]))
    even = opaque == 1.0 and float(np.ptp(rgb, axis=1).max()) <= _BLANK_RANGE
    if even and float(rgb.std(axis=1).max()) <= _BLANK_DEVIATION:
        sight = Sight.BLANK
    elif grey.mean() < _DARK_MEAN and brightest < _DARK_BRIGHTEST:
        sight = Sight.DARK
    elif high - low < _WASHED_OUT_SPREAD and opaque == 1.0:
        sight = Sight.WASHED_OUT
    else:
        sight = Sight.ORDINARY
    red, green, blue = (round(float(level)) for level in rgb.mean(axis=1))
    return Appearance(sight, (red, green, blue), float(grey.std()), high - low, opaque)
