"""Tiles as bytes: drawn pixels into PNG, WebP or JPEG, and one picture laid over another."""

from __future__ import annotations

import io

import numpy as np
import numpy.typing as npt
from PIL import Image, __version__, features

from packer.content.decoding import let_others_run, opened_picture
from packer.content.payload import Kind
from packer.geometry.tileset import Tile

__all__ = ["Pixels", "encoded", "encoder_mark", "enlarged", "is_whole", "laid_over", "pixels_of"]

Pixels = npt.NDArray[np.uint8]
"""A tile's pixels, array (rows, columns, 4): red, green, blue and alpha."""

_JPEG_QUALITY, _WEBP_QUALITY = 90, 90  # common practice, no source: no loss that is seen at arm's length


def is_whole(pixels: Pixels) -> bool:
    """Whether no pixel lets anything through."""
    return bool(pixels[..., 3].min() == 255)


def encoded(pixels: Pixels, kind: Kind, *, lossless: bool = False) -> bytes:
    """The bytes of a tile. A JPEG has no alpha: only a whole tile may become one. `lossless` keeps the colours of
    classes as they are, in WebP. The same pixels give the same bytes with the same Pillow."""
    image = Image.fromarray(np.ascontiguousarray(pixels[..., :3] if is_whole(pixels) else pixels))
    let_others_run()
    out = io.BytesIO()
    if kind is Kind.JPG:
        image.convert("RGB").save(out, "JPEG", quality=_JPEG_QUALITY)
    elif kind is Kind.WEBP:
        image.save(out, "WEBP", quality=_WEBP_QUALITY, lossless=lossless, method=4)
    else:
        image.save(out, "PNG")
    return out.getvalue()


def encoder_mark() -> str:
    """What decides on the bytes of a tile besides its pixels: the versions of Pillow and of what it encodes with."""
    with_what = ("zlib", "jpg", "libjpeg_turbo", "webp")
    return ", ".join([f"Pillow {__version__}", *(f"{name} {features.version(name)}" for name in with_what)])


def pixels_of(body: bytes) -> Pixels:
    """The pixels of a stored tile. Raises Damaged for what is no picture."""
    with opened_picture(body) as picture:
        return np.array(picture.convert("RGBA"))


def enlarged(pixels: Pixels, above: Tile, tile: Tile) -> Pixels:
    """What the pixels of a coarser tile, `above`, show of a tile in it, at that one's size; every pixel a block, so
    that no detail is made up."""
    side, times = pixels.shape[0], 1 << (tile.zoom - above.zoom)
    across, down = tile.x - above.x * times, tile.y - above.y * times
    place = np.arange(side)
    rows = (down * side + place) // times
    columns = (across * side + place) // times
    part: Pixels = pixels[rows][:, columns]
    return part


def laid_over(upper: Pixels, lower: Pixels) -> Pixels:
    """One tile's pixels over another's, by alpha (Porter and Duff 1984, "over").

    A lower one of another size is brought to the size of the upper one.
    """
    below = Image.fromarray(lower)
    if lower.shape != upper.shape:
        below = below.resize((upper.shape[1], upper.shape[0]), Image.Resampling.BICUBIC)
    return np.array(Image.alpha_composite(below, Image.fromarray(np.ascontiguousarray(upper))))
