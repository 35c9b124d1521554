"""The structure of PNG, JPEG and WebP files: are they whole, and how large is the picture?

Nothing is decoded here: signatures, lengths, checksums and end marks are read, as the standards lay them out.
"""

from __future__ import annotations

import re
import struct
import zlib

from packer.damage import Damaged

__all__ = ["PNG_SIGNATURE", "is_one_pass", "jpg_size_px", "png_size_px", "webp_size_px"]

# Tiles have 256 to 1024 px a side; a few hostile kilobytes of 4096² px unfold to some 200 MB while they are decoded.
_MAX_SIDE_PX = 4096

PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
# ITU-T T.81 section B.1.1.5: inside entropy-coded data FF is followed by 00 (stuffing) or by RST0 to RST7.
_NEXT_MARKER = re.compile(rb"\xff[^\x00\xd0-\xd7]")
# T.81 table B.1: start of frame is C0 to CF without C4 (DHT), C8 (JPG) and CC (DAC).
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_LONE_MARKERS = frozenset((0x00, 0x01, *range(0xD0, 0xD9)))


def _sane(width: int, height: int) -> tuple[int, int]:
    if not (0 < width <= _MAX_SIDE_PX and 0 < height <= _MAX_SIDE_PX):
        raise Damaged(f"an image size of {width} x {height} px makes no sense")
    return width, height


def png_size_px(data: bytes) -> tuple[int, int]:
    """(width, height) in px of a PNG, laid out as in the W3C PNG specification, sections 5.2 to 5.6 and 11.2.

    Raises Damaged unless it is whole, every checksum included.
    """
    view, end, at = memoryview(data), len(data), 8
    size, name, drawn = None, b"", False
    while name != b"IEND":
        if at + 12 > end:
            raise Damaged("the PNG is cut short")
        length, name = struct.unpack_from(">I4s", data, at)
        stop = at + 12 + length
        if stop > end:
            raise Damaged("the PNG is cut short")
        if zlib.crc32(view[at + 4 : stop - 4]) != int.from_bytes(view[stop - 4 : stop], "big"):
            raise Damaged("a checksum inside the PNG is wrong")
        if (name == b"IHDR") != (size is None) or (name == b"IHDR" and length != 13):
            raise Damaged("the PNG does not start with its one header")
        if name == b"IHDR":
            size = _sane(*struct.unpack_from(">II", data, at + 8))
        drawn = drawn or name == b"IDAT"
        at = stop
    if at != end:
        raise Damaged("rubbish after the end of the PNG")
    if size is None or not drawn:
        raise Damaged("the PNG holds no picture")
    return size


def jpg_size_px(data: bytes) -> tuple[int, int]:
    """(width, height) in px of a JPEG, walked marker by marker (ITU-T T.81 annex B): thumbnails inside APPn are
    stepped over, each scan of a progressive file is run through, and the first EOI must be the end.

    Raises Damaged unless it is whole.
    """
    end, at = len(data), 2
    size, drawn = None, False
    while True:
        if at < end and data[at] != 0xFF:
            raise Damaged("the JPEG has no marker where one must stand")
        while at < end and data[at] == 0xFF:  # B.1.1.2: any number of fill bytes before a marker
            at += 1
        if at >= end:
            raise Damaged("the JPEG is cut short")
        code = data[at]
        if code == 0xD9:
            break
        if code in _LONE_MARKERS:
            raise Damaged("the JPEG holds a marker out of place")
        stop = at + 1 + int.from_bytes(data[at + 1 : at + 3], "big")
        if at + 3 > end or stop > end:
            raise Damaged("the JPEG is cut short")
        if stop < at + 3:
            raise Damaged("the JPEG states an impossible length")
        if code in _FRAMES:
            if size is not None or stop < at + 9:
                raise Damaged("the JPEG does not have exactly one frame")
            size = _sane(*struct.unpack_from(">HH", data, at + 4)[::-1])
        elif code == 0xDA:
            stop = _scan_end(data, stop, size)
            drawn = True
        at = stop
    if at + 1 != end:
        raise Damaged("rubbish after the end of the JPEG")
    if size is None or not drawn:
        raise Damaged("the JPEG holds no picture")
    return size


def _scan_end(data: bytes, start: int, size: tuple[int, int] | None) -> int:
    found = _NEXT_MARKER.search(data, start)
    if found is None:
        raise Damaged("the JPEG is cut short")
    if size is None or found.start() == start:
        raise Damaged("the JPEG has a scan without a frame or without data")
    return found.start()


def webp_size_px(data: bytes) -> tuple[int, int]:
    """(width, height) in px of a WebP (RFC 9649 section 2): its stated length is the body's, and chunks fill it.

    Raises Damaged unless it is whole.
    """
    end, at = len(data), 12
    if end < 20 or int.from_bytes(data[4:8], "little") + 8 > end:
        raise Damaged("the WebP is cut short")
    if int.from_bytes(data[4:8], "little") + 8 != end:
        raise Damaged("rubbish after the end of the WebP")
    size, drawn = None, False
    while at < end:
        if at + 8 > end:
            raise Damaged("the WebP is cut short within a chunk")
        name, length = struct.unpack_from("<4sI", data, at)
        stop = at + 8 + length + (length & 1)
        if stop > end:
            raise Damaged("the WebP is cut short within a chunk")
        if name in (b"VP8 ", b"VP8L", b"VP8X") and size is None:
            size = _webp_size(name, data[at + 8 : at + 18], length)
        drawn = drawn or name in (b"VP8 ", b"VP8L", b"ANMF")
        at = stop
    if size is None or not drawn:
        raise Damaged("the WebP holds no picture")
    return size


def _webp_size(name: bytes, head: bytes, length: int) -> tuple[int, int]:
    """Size from the first bytes of a chunk: RFC 9649 sections 2.7 (VP8X) and 3.4 (VP8L), RFC 6386 section
    9.1 (VP8: key frame, start code, and a first partition that fits the chunk)."""
    if name == b"VP8 " and length >= 10 and not head[0] & 1 and head[3:6] == b"\x9d\x01\x2a":
        if 10 + (int.from_bytes(head[:3], "little") >> 5) <= length:
            width, height = struct.unpack_from("<HH", head, 6)
            return _sane(width & 0x3FFF, height & 0x3FFF)
    elif name == b"VP8L" and length >= 5 and head[0] == 0x2F:
        bits = int.from_bytes(head[1:5], "little")
        return _sane((bits & 0x3FFF) + 1, (bits >> 14 & 0x3FFF) + 1)
    elif name == b"VP8X" and length >= 10:
        return _sane(int.from_bytes(head[4:7], "little") + 1, int.from_bytes(head[7:10], "little") + 1)
    raise Damaged("the picture inside the WebP is damaged")


def is_one_pass(data: bytes) -> bool:
    """Whether the first frame of a whole JPEG is baseline or extended sequential (ITU-T T.81 table B.1: C0, C1)."""
    at = 2
    while True:
        while data[at] == 0xFF:
            at += 1
        if data[at] in _FRAMES or data[at] == 0xDA:
            return data[at] in (0xC0, 0xC1)
        at += 1 + int.from_bytes(data[at + 1 : at + 3], "big")
