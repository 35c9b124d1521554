"""Opening a tile's picture for its pixels: the one place where Pillow meets bytes from outside."""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator
from contextlib import contextmanager

from PIL import Image, ImageFile

from packer.content.damage import Damaged, NotATile
from packer.content.payload import Kind, examine

__all__ = ["let_others_run", "opened_picture"]

_FORMATS = {Kind.PNG: "PNG", Kind.JPG: "JPEG", Kind.WEBP: "WEBP"}
_BLOCK_BYTES = 4096


def let_others_run() -> None:
    """Have Pillow let go of the interpreter's lock more often: it holds it until it has so many bytes of a PNG, 50 ms
    with its own 64 kB. A PNG is written in pieces of that size, so whoever writes one for good calls this first: its
    bytes are then the same whatever the process did before."""
    ImageFile.MAXBLOCK = min(ImageFile.MAXBLOCK, _BLOCK_BYTES)


@contextmanager
def opened_picture(body: bytes) -> Iterator[Image.Image]:
    """The picture of a tile, to be decoded within the block, by the decoder of its own format alone.

    Size, parts and metadata have been held to the limits of `pictures` before Pillow sees them. Raises Damaged for what
    is no whole picture, and in place of anything that is raised within the block: a decoder fed with damage may raise
    whatever it likes. Warnings, such as those on metadata that nobody asked for, are not shown.
    """
    try:
        kind = examine(body).kind
    except NotATile as fault:
        raise Damaged(f"no picture but {fault}") from None
    if kind not in _FORMATS:
        raise Damaged("no picture but a vector tile")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(body), formats=[_FORMATS[kind]]) as picture:
                yield picture
    except Exception as fault:
        raise Damaged("no picture that can be decoded") from fault
