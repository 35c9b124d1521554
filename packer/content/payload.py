"""Is this body one whole tile, from its first byte to its last?

The check reads signatures, lengths, checksums and end marks, but decodes nothing. What it proves depends on the format:

    PNG    every byte is under a CRC-32: any cut and nearly any change is noticed
    gzip   the whole content is under a CRC-32: the same
    JPEG   no checksum: any cut and any trailing byte is noticed, a flipped bit inside the picture is not
    WebP   no checksum: the length is stated, so the same as JPEG
    bare vector tile   no checksum and no end mark: a cut between two layers looks whole

So the caller keeps a hash taken at receipt, accepts a bare vector tile only where the answer states its end, and calls
`is_truncated` for a JPEG, since one that was cut and then closed with an end mark shows it only when decoded.
`decode_fully` decodes everything, for the verifier, at some hundred times the cost.
"""

from __future__ import annotations

import enum
import re
from typing import NamedTuple

from packer.content.codings import GZIP_MAGIC, MAX_VECTOR_BYTES, gunzip
from packer.content.damage import Damaged, NotATile
from packer.content.pictures import (
    ENDS_EARLY,
    PNG_SIGNATURE,
    is_one_pass,
    jpg_size_px,
    png_size_px,
    webp_size_px,
)
from packer.content.vector import layers_of, walk_layer

__all__ = [
    "HTML",
    "NOTHING",
    "Kind",
    "Payload",
    "decode_fully",
    "examine",
    "fault_of",
    "is_truncated",
]

_BEGINNINGS = (PNG_SIGNATURE, b"\xff\xd8\xff", b"RIFF", b"\x1f\x8b\x08")

NOTHING = "nothing (empty body)"
HTML = "an HTML page"


class Kind(enum.StrEnum):
    """What a tile is, in the words of the MBTiles 1.3 `format` row."""

    PNG = "png"
    JPG = "jpg"
    WEBP = "webp"
    PBF = "pbf"


class Payload(NamedTuple):
    """What `examine` found: the kind, and (width, height) in px for an image, None for a vector tile."""

    kind: Kind
    size_px: tuple[int, int] | None


def examine(data: bytes) -> Payload:
    """Kind and size of a whole tile. Raises Damaged for a cut or damaged one and NotATile for anything else."""
    if data.startswith(b"\xff\xd8"):
        return Payload(Kind.JPG, jpg_size_px(data))
    if data.startswith(PNG_SIGNATURE):
        return Payload(Kind.PNG, png_size_px(data))
    if data.startswith(b"RIFF") and b"WEBP".startswith(data[8:12]):
        return Payload(Kind.WEBP, webp_size_px(data))
    if data and any(beginning.startswith(data) for beginning in _BEGINNINGS):
        raise Damaged("cut within its first bytes")
    content = data
    if data.startswith(GZIP_MAGIC):
        content = gunzip(data, MAX_VECTOR_BYTES)
    if not content.startswith(b"\x1a"):  # the key of `layers`: field 3, length-delimited
        raise NotATile(_describe(content))
    layers_of(content)
    return Payload(Kind.PBF, None)


# A page may leave out html, head and body tags altogether.
_HTML = re.compile(rb"<(!doctype html|head|body|script|style|meta|title|h1|p|div|center|table)\b")


def _describe(data: bytes) -> str:
    """What `data`, which is no tile, looks like, in plain words."""
    if not data:
        return NOTHING
    if data[:6] in (b"GIF87a", b"GIF89a"):
        return "a GIF image"
    head = data[:4096].removeprefix(b"\xef\xbb\xbf").lstrip().lower()
    if head.startswith(b"<"):
        return HTML if _HTML.match(head) or b"<html" in head else "an XML document"
    try:
        text = data[:4096].decode("utf-8", "strict" if len(data) <= 4096 else "ignore")
    except UnicodeDecodeError:
        return "unknown bytes"
    if any(ord(char) < 32 and char not in "\t\n\r\f" for char in text):
        return "unknown bytes"
    return "a JSON document" if head.startswith((b"{", b"[")) else "plain text"


# ------------------------------------------------------------------------------------- full decoding


def fault_of(data: bytes, kind: str | None) -> str | None:
    """What is wrong with a stored body of a pack of this kind, as a clause; None if all of it can be decoded.

    Slow: it decodes the whole body.
    """
    try:
        found = examine(data).kind
        if found.value != kind:
            return f"it is {found.value}, in a pack of {kind}"
        _decode(data, found)
    except NotATile as fault:
        return f"it is no tile: {fault}"
    except Damaged as fault:
        return f"it cannot be decoded: {fault}"
    return None


def decode_fully(data: bytes, kind: Kind) -> None:
    """Decode a stored tile to its last pixel or feature: slow, for the verifier.

    Raises Damaged if the tile is not whole or not of `kind`, or if its decoder raises or warns; NotATile as
    `examine` does. A WebP with altered bytes in its picture may pass, since that format has no checksum. Not
    thread-safe: Python's warning filters belong to the whole process.
    """
    found = examine(data).kind
    if found is not kind:
        raise Damaged(f"the tile is {found.value}, not {kind.value}")
    _decode(data, kind)


def _decode(data: bytes, kind: Kind) -> None:
    if kind is Kind.PBF:
        content = gunzip(data, MAX_VECTOR_BYTES) if data.startswith(GZIP_MAGIC) else data
        for layer in layers_of(content):
            walk_layer(content, layer)
        return
    if kind is Kind.JPG and _decodes_without_warning(data):
        return
    pixels = _pixels(data, kind)
    if kind is Kind.JPG and _pixels(_with_more(data), kind) != pixels:
        raise Damaged(ENDS_EARLY)


def is_truncated(data: bytes) -> bool:
    """Whether the picture inside a JPEG that passed `examine` ends early or cannot be decoded.

    Some 0.1 ms for a baseline tile of 256 px, ten times that for a progressive one.
    """
    if _decodes_without_warning(data, small=True):
        return False
    try:
        return _draw(data, "JPEG") != _draw(_with_more(data), "JPEG")
    except Exception:  # noqa: BLE001  # a decoder fed with damage may raise anything at all
        return True


def _decodes_without_warning(data: bytes, *, small: bool = False) -> bool:
    """Whether a sequential JPEG decodes without a warning from libjpeg, which warns where data runs out.

    True proves that the picture is whole, in a quarter of the time of the two decodings that decide otherwise.
    False proves nothing: the warning may be harmless, and a progressive file is not tried, since one that lacks
    its last scans gives no warning. Only the brightness is drawn, with `small` at an eighth of width and height;
    the bits of all components are read all the same, and that is where damage shows.
    """
    if not is_one_pass(data):
        return False
    try:
        import simplejpeg  # it has no types
    except ImportError:  # it has no wheel for some systems
        return False
    try:
        # "At least 1 px" makes the library draw as small as it can.
        least_px = 1 if small else 0
        simplejpeg.decode_jpeg(data, colorspace="GRAY", strict=True, min_height=least_px, min_width=least_px)
    except ValueError:
        return False
    return True


# Nearly any bytes would do. Of 46,000 cuts of all lengths, in pictures of five kinds, this pattern left one unseen that
# changes a pixel: of the last two bytes of a progressive file.
_MORE = bytes(range(254, 0, -1)) * 3


def _with_more(data: bytes) -> bytes:
    """The JPEG with more bytes before its end mark: skipped if the picture is complete, and drawn if it is not.

    Needed because a JPEG that was cut and then closed with an end mark decodes without an error, the rest in grey.
    """
    # It may be cut within FF 00, which stands for a byte FF (ITU-T T.81, B.1.1.5). FF and another byte are a marker, at
    # which a decoder ends the scan just as at the end mark, so the 00 is put back.
    missing = b"\0" if data[-3] == 0xFF else b""
    return data[:-2] + missing + _MORE + data[-2:]


def _draw(data: bytes, name: str) -> bytes:
    import io  # here and below: loading an image library takes time, and most callers never decode

    from PIL import Image

    with Image.open(io.BytesIO(data), formats=[name]) as image:
        image.load()
        return image.tobytes()


def _pixels(data: bytes, kind: Kind) -> bytes:
    import warnings

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            # A camera's data that cannot be read spoils no picture.
            warnings.filterwarnings("ignore", module=r"PIL\.(Tiff|Jpeg|Mpo)ImagePlugin")
            return _draw(data, "JPEG" if kind is Kind.JPG else kind.name)
    except Exception as error:  # a decoder fed with damage may raise anything at all
        raise Damaged(f"the picture inside the {kind.value} cannot be decoded") from error
