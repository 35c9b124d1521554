"""One picture of a block of tiles, cut apart into its tiles.

PNG and WebP are written again without loss. A JPEG is written with the tables of its own quantisation: tiles of 256 or
512 px lie on the edges of its blocks of 8 or 16 px, so that nearly every coefficient comes out as it was.
"""

from __future__ import annotations

import io
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from packer.content.damage import Damaged
from packer.content.payload import Kind

if TYPE_CHECKING:
    from PIL import Image

__all__ = ["cut_picture"]

_FORMATS = {Kind.PNG: "PNG", Kind.JPG: "JPEG", Kind.WEBP: "WEBP"}


def cut_picture(
    data: bytes, kind: Kind, side_px: int, places: Iterable[tuple[int, int]], gutter_px: int = 0
) -> list[bytes]:
    """The bodies of the tiles at some columns and rows of a picture, each `side_px` wide and high, in their order; so
    many pixels round all of them are thrown away.

    Slow: some 10 to 50 ms a tile, so not for the event loop's thread. Raises Damaged where the picture cannot be
    decoded.
    """
    from PIL import Image  # it takes time to load, and most fetches never cut

    from packer.content.decoding import let_others_run

    let_others_run()
    try:
        with Image.open(io.BytesIO(data), formats=[_FORMATS[kind]]) as image:
            options = _options(image, kind)
            image.load()
            corners = [(gutter_px + column * side_px, gutter_px + row * side_px) for column, row in places]
            return [_tile(image, kind, side_px, corner, options) for corner in corners]
    except Exception as error:  # a decoder fed with damage may raise anything at all
        raise Damaged(f"the picture inside the {kind.value} cannot be decoded") from error


def _tile(
    image: Image.Image, kind: Kind, side_px: int, corner: tuple[int, int], options: dict[str, Any]
) -> bytes:
    left, top = corner
    piece, made = image.crop((left, top, left + side_px, top + side_px)), io.BytesIO()
    piece.save(made, _FORMATS[kind], **options)
    return made.getvalue()


def _options(image: Any, kind: Kind) -> dict[str, Any]:
    if kind is Kind.PNG:
        return {}
    if kind is Kind.WEBP:
        return {"lossless": True, "quality": 50, "method": 2}
    from PIL import JpegImagePlugin

    image.draft("YCbCr", image.size)  # its own colours: to change them to RGB and back would cost twice
    sampling = JpegImagePlugin.get_sampling(image)
    options: dict[str, Any] = {"qtables": image.quantization, "optimize": True}
    return options if sampling < 0 or image.mode == "L" else {**options, "subsampling": sampling}
