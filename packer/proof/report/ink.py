"""Colours, hatches and letters of the report's pictures.

Four states are told apart three ways: by brightness, by hue (dark green, light amber, slate, rust on white, which
stay apart in the common kinds of colour-blindness), and by pattern, which is all that a black-and-white printer
leaves: plain, diagonal lines, dots, crosses.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

from packer.proof.report.coverage import State

__all__ = ["COURSE", "GRID", "INK", "LABELS", "PAPER", "TINT", "Colour", "font", "paint", "swatch"]

Colour: TypeAlias = tuple[int, int, int]

INK: Colour = (29, 35, 34)
PAPER: Colour = (250, 248, 242)
GRID: Colour = (207, 199, 178)
COURSE: Colour = (22, 48, 47)
TINT: Colour = (206, 222, 208)  # complete, and planned coarse only

LABELS = {
    State.COMPLETE: "complete",
    State.PARTIAL: "partly on board",
    State.NONE: "not on server",
    State.MISSING: "missing",
}
_GROUND: dict[int, Colour] = {
    State.COMPLETE: (35, 112, 88),
    State.PARTIAL: (243, 190, 98),
    State.NONE: (200, 205, 214),
    State.MISSING: (255, 255, 255),
}
_MARK: dict[int, Colour] = {
    State.COMPLETE: (35, 112, 88),
    State.PARTIAL: (110, 66, 8),
    State.NONE: (66, 76, 96),
    State.MISSING: (166, 28, 22),
}
_STEP = 10  # pixels from one line of a pattern to the next


@lru_cache(maxsize=16)
def font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """The letters that come with Pillow, so that a picture is the same on every machine."""
    return ImageFont.load_default(size)


def _pattern(state: int, height: int, width: int) -> npt.NDArray[np.bool_]:
    return np.tile(_cell(state), (-(-height // _STEP), -(-width // _STEP)))[:height, :width]


def _cell(state: int) -> npt.NDArray[np.bool_]:
    """The square that a pattern repeats."""
    y, x = np.mgrid[0:_STEP, 0:_STEP]
    if state == State.PARTIAL:
        return np.asarray((x + y) % _STEP < 3)
    if state == State.NONE:
        across, down = x - _STEP / 2 + 0.5, y - _STEP / 2 + 0.5
        return np.asarray(across**2 + down**2 < 6)
    if state == State.MISSING:
        return np.asarray(((x + y) % _STEP < 2) | ((x - y) % _STEP < 2))
    return np.zeros((_STEP, _STEP), dtype=bool)


def paint(picture: Image.Image, states: Image.Image, at: tuple[int, int]) -> None:
    """Paint an "L" image of State values over a picture at a place; 0 leaves the picture as it is, and 255
    minus a state is that state where only a coarse map is planned."""
    values = np.asarray(states)
    height, width = values.shape
    area = (*at, at[0] + width, at[1] + height)
    pixels = np.array(picture.crop(area))
    for state in State:
        pattern = _pattern(state, height, width)
        for here, ground in ((values == state, _GROUND[state]), (values == 255 - state, _pale(state))):
            pixels[here] = ground
            pixels[here & pattern] = _MARK[state]
    picture.paste(Image.fromarray(pixels), at)


def _pale(state: int) -> Colour:
    return TINT if state == State.COMPLETE else _GROUND[state]


def swatch(
    draw: ImageDraw.ImageDraw, picture: Image.Image, state: int, box: tuple[int, int, int, int]
) -> None:
    """A sample of a state's pattern, framed."""
    states = Image.new("L", (box[2] - box[0], box[3] - box[1]), state)
    paint(picture, states, (box[0], box[1]))
    draw.rectangle(box, outline=INK)
