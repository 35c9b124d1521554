"""From a tile's body to arrays of pixels, and what its coding can be trusted for.

A JPEG states its own quantisation steps. They tell how far each DCT coefficient may lie from the truth, and
are kept with the grey levels, so that coding noise is measured and not guessed.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from PIL import Image

from packer.content.damage import Damaged
from packer.content.decoding import opened_picture
from packer.errors import AnswerError

__all__ = ["Bytes3", "Grey", "Levels", "colours", "grey", "image"]

Levels = npt.NDArray[np.float32]
Bytes3 = npt.NDArray[np.uint8]

# Lossy WebP (VP8) hides its quantiser in the entropy-coded part. This flat step is near that of quality 75
# to 80 (measured on our sample pictures); a tile coded better is then judged more cautiously than need be.
_WEBP_STEP = 24.0


@dataclass(frozen=True, slots=True)
class Grey:
    """A tile's grey levels, float32 (rows, columns) 0 to 255, and the quantisation step of each of the
    8 × 8 DCT coefficients, vertical frequency first, in the orthonormal scale; zeros if coded without loss.

    `guessed` says that the coding keeps its steps to itself and these are a guess.
    """

    levels: Levels
    steps: Levels
    guessed: bool


@contextmanager
def image(body: bytes) -> Iterator[Image.Image]:
    """The body as an opened picture, to be decoded within the block.

    Raises AnswerError if it cannot be decoded.
    """
    try:
        with opened_picture(body) as picture:
            yield picture
    except Damaged as error:
        raise AnswerError(_UNREADABLE.format(len(body))) from error


_UNREADABLE = (
    "A body of {} bytes cannot be decoded as a picture, so its detail cannot be judged. "
    "Verify the pack to have its damaged tiles named and fetched again."
)


def colours(body: bytes) -> Bytes3:
    """Red, green, blue and opacity of every pixel, uint8 (rows, columns, 4).

    Raises AnswerError if the body cannot be decoded.
    """
    with image(body) as opened:
        return np.asarray(opened.convert("RGBA"))


def grey(body: bytes) -> Grey:
    """The luminance as coded (ITU-R BT.601 weights, as in JFIF and Pillow).

    Raises AnswerError if the body cannot be decoded.
    """
    with image(body) as opened:
        if opened.format == "JPEG":
            opened.draft("L", opened.size)  # the coded Y itself, without a round trip through RGB
        flat = opened if opened.mode == "L" else opened.convert("RGB").convert("L")
        levels = np.asarray(flat, dtype=np.float32)
        lossy_webp = opened.format == "WEBP" and b"VP8 " in body[:64]
        return Grey(levels, _steps(opened, lossy_webp), lossy_webp)


def _steps(opened: Image.Image, lossy_webp: bool) -> Levels:
    tables = getattr(opened, "quantization", None)
    if opened.format == "JPEG" and tables:
        first = tables[min(tables)]  # component 0, luminance, uses the first table
        return np.array(first, dtype=np.float32).reshape(8, 8)
    return np.full((8, 8), _WEBP_STEP if lossy_webp else 0.0, dtype=np.float32)
