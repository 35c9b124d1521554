"""Is a PNG, JPEG or WebP file whole, and how large is its picture?

Nothing is decoded here: only signatures, lengths, checksums and end marks are read.
"""

from __future__ import annotations

import re
import struct
import zlib

from packer.content.damage import Damaged, NotATile

__all__ = ["ENDS_EARLY", "PNG_SIGNATURE", "is_one_pass", "jpg_size_px", "png_size_px", "webp_size_px"]

# What hangs on to a picture costs decoders time as well: Pillow takes ten seconds for a million empty parts, and gives
# up on texts that unpack to more than a megabyte. Real tiles have some dozen parts and some kilobytes of it.
_MOST_PARTS, _MOST_METADATA_BYTES, _MOST_FILL_BYTES = 10_000, 1_000_000, 1_000
# Tiles have 256 to 1024 px a side. At 4096 px a few hostile kilobytes already take some 200 MB to decode.
_MAX_SIDE_PX = 4096

PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
# ITU-T T.81 section B.1.1.5: inside entropy-coded data FF is followed by 00 (stuffing) or by RST0 to RST7.
_NEXT_MARKER = re.compile(rb"\xff[^\x00\xd0-\xd7]")
_RESTART = re.compile(rb"\xff[\xd0-\xd7]")
# T.81 table B.1: start of frame is C0 to CF without C4 (DHT), C8 (JPG) and CC (DAC).
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_PROGRESSIVE = frozenset((0xC2, 0xC6, 0xCA, 0xCE))
_NOTHING_YET = 15  # no scan's low bit (Al) is above 13: T.81 table B.3, from memory
# Encoders make ten to eighteen scans. A decoder goes through every pixel for each: half a second at these limits.
_USUAL_SCANS, _MOST_SCANS, _MOST_DRAWN_PX = 20, 100, 200_000_000
ENDS_EARLY = "the picture inside the JPEG ends early"
_END = 0xD9
_NOT_FILL = re.compile(rb"[^\xff]")
_JPEG_METADATA = frozenset((*range(0xE0, 0xF0), 0xFE))  # T.81 table B.1: APPn and COM
# Of every tile on every way: a struct compiled beforehand takes half the time.
_PNG_CHUNK, _UINT32, _TWO_UINT32 = (struct.Struct(form).unpack_from for form in (">I4s", ">I", ">II"))
_PNG_PICTURE = frozenset((b"IHDR", b"PLTE", b"tRNS", b"IDAT", b"IEND"))
_PNG_PACKED = frozenset((b"zTXt", b"iTXt", b"iCCP"))
# W3C PNG, table 11.1: colour type and the bit depths that it may have. Type 3 is the one with a palette.
_PNG_DEPTHS = {0: (1, 2, 4, 8, 16), 2: (8, 16), 3: (1, 2, 4, 8), 4: (8, 16), 6: (8, 16)}
_PNG_PALETTE = 3
_WEBP_PICTURE = frozenset((b"VP8 ", b"VP8L", b"VP8X", b"ALPH", b"ANIM", b"ANMF"))
_LONE_MARKERS = frozenset((0x00, 0x01, *range(0xD0, 0xD9)))  # T.81 table B.1: without a length after them


def _sane(width: int, height: int) -> tuple[int, int]:
    if not (0 < width <= _MAX_SIDE_PX and 0 < height <= _MAX_SIDE_PX):
        raise Damaged(f"an image size of {width} x {height} px makes no sense")
    return width, height


class _Baggage:
    """What a file has besides its picture, counted while it is read."""

    __slots__ = ("_bytes", "_kind", "_parts")

    def __init__(self, kind: str) -> None:
        self._kind, self._parts, self._bytes = kind, 0, 0

    def add(self, metadata_bytes: int) -> None:
        """Count one more part, and its bytes of metadata. Raises NotATile for more than any tile has."""
        self._parts += 1
        self._bytes += metadata_bytes
        if self._parts > _MOST_PARTS:
            raise NotATile(f"a {self._kind} of over {_MOST_PARTS:,} parts")
        if self._bytes > _MOST_METADATA_BYTES:
            raise NotATile(f"a {self._kind} with over {_MOST_METADATA_BYTES // 1_000_000} MB of metadata")


def png_size_px(data: bytes) -> tuple[int, int]:
    """(width, height) in px of a PNG, laid out as in the W3C PNG specification, sections 5.2 to 5.6 and 11.2.

    Raises Damaged unless it is whole, every checksum included, and NotATile for parts or metadata beyond measure.
    """
    view, end, at = memoryview(data), len(data), 8
    size, name, drawn, parts, lacks_palette = None, b"", False, 0, False
    baggage = _Baggage("PNG")
    while name != b"IEND":
        if at + 12 > end:
            raise Damaged("the PNG is cut short")
        length, name = _PNG_CHUNK(data, at)
        stop = at + 12 + length
        if stop > end:
            raise Damaged("the PNG is cut short")
        if zlib.crc32(view[at + 4 : stop - 4]) != _UINT32(data, stop - 4)[0]:
            raise Damaged("a checksum inside the PNG is wrong")
        if (name == b"IHDR") != (size is None) or (name == b"IHDR" and length != 13):
            raise Damaged("the PNG does not start with its one header")
        if name not in _PNG_PICTURE:
            packed = _unpacked_bytes(name, data[at + 8 : stop - 4]) if name in _PNG_PACKED else 0
            baggage.add(length + packed)
        elif (parts := parts + 1) > _MOST_PARTS:
            raise NotATile(f"a PNG of over {_MOST_PARTS:,} parts")
        if size is None:
            size = _sane(*_TWO_UINT32(data, at + 8))
            lacks_palette = _png_colour(data[at + 16 : at + 21]) == _PNG_PALETTE
        elif name == b"PLTE":
            lacks_palette = False
        elif name == b"IDAT":
            if lacks_palette:
                raise Damaged("the PNG lacks its palette")
            drawn = True
        at = stop
    if at != end:
        raise Damaged("rubbish after the end of the PNG")
    if size is None or not drawn:
        raise Damaged("the PNG holds no picture")
    return size


def _png_colour(rest: bytes) -> int:
    """The colour type of a PNG, from its header after the size. Raises Damaged for what no decoder takes."""
    depth, colour, compression, filtering, interlace = rest
    # W3C PNG, section 11.2.1: one compression and one filter method, and interlaced or not.
    if depth not in _PNG_DEPTHS.get(colour, ()) or compression or filtering or interlace > 1:
        raise Damaged("the header of the PNG makes no sense")
    return colour


def _unpacked_bytes(name: bytes, content: bytes) -> int:
    """How much a packed text or colour profile unpacks to, as far as a tile may have it (W3C PNG, section 11.3)."""
    _, _, rest = content.partition(b"\0")
    if name == b"iTXt":
        if rest[:1] != b"\1":
            return 0
        rest = b"\0" + rest[2:].partition(b"\0")[2].partition(b"\0")[2]
    try:
        return len(zlib.decompressobj().decompress(rest[1:], _MOST_METADATA_BYTES + 1))
    except zlib.error:
        return 0  # decoders leave it out


def jpg_size_px(data: bytes) -> tuple[int, int]:
    """(width, height) in px of a JPEG, laid out as in ITU-T T.81 annex B.

    Raises Damaged unless it is whole: its scans together draw the whole picture, and the first end mark (EOI) outside
    APPn segments, which may hold thumbnails, is its last two bytes. Raises NotATile for parts or metadata beyond
    measure.
    """
    at = 2
    baggage = _Baggage("JPEG")
    frame: _JpegFrame | None = None
    interval = 0  # units between two restart markers (B.2.4.4), 0 for none
    while True:
        at, stop = _jpeg_segment(data, at)
        code = data[at]
        baggage.add(stop - at if code in _JPEG_METADATA else 0)
        if code == _END:
            break
        if code in _FRAMES:
            if frame is not None or stop < at + 9:
                raise Damaged("the JPEG does not have exactly one frame")
            frame = _JpegFrame(code, data[at + 3 : stop])
        elif code == 0xDD:
            interval = int.from_bytes(data[at + 3 : stop], "big")
        elif code == 0xDA:
            if frame is None:
                raise Damaged("the JPEG has a scan without a frame")
            names = frame.draw(data[at + 3 : stop])
            stop, start = _scan_end(data, stop), stop
            # At a restart marker that is not due a decoder ends the scan, as at the end mark, and tells so no more
            # than of a file that was cut at one that is.
            due = -(-frame.units(names) // interval) - 1 if interval else 0
            if len(_RESTART.findall(data, start, stop)) != due:
                raise Damaged(ENDS_EARLY)
        at = stop
    if stop != len(data):
        raise Damaged("rubbish after the end of the JPEG")
    if frame is None:
        raise Damaged("the JPEG holds no picture")
    frame.check()
    return frame.size_px


def _jpeg_segment(data: bytes, at: int) -> tuple[int, int]:
    """Where the second byte of the marker at `at` is, and where its segment ends. Raises Damaged."""
    end = len(data)
    if at < end and data[at] != 0xFF:
        raise Damaged("the JPEG has no marker where one is required")
    # B.1.1.2: any number of fill bytes before a marker; decoders read them one by one.
    found = _NOT_FILL.search(data, at, at + _MOST_FILL_BYTES + 1)
    if found is None and at + _MOST_FILL_BYTES < end:
        raise NotATile(f"a JPEG with over {_MOST_FILL_BYTES:,} fill bytes in a row")
    if found is None:
        raise Damaged("the JPEG is cut short")
    at = found.start()
    if data[at] == _END:
        return at, at + 1
    if data[at] in _LONE_MARKERS:
        raise Damaged("the JPEG holds a marker out of place")
    stop = at + 1 + int.from_bytes(data[at + 1 : at + 3], "big")
    if at + 3 > end or stop > end:
        raise Damaged("the JPEG is cut short")
    if stop < at + 3:
        raise Damaged("the JPEG states an impossible length")
    return at, stop


class _JpegFrame:
    """The frame of a JPEG, and which parts of its picture the scans so far have drawn (ITU-T T.81 annex G)."""

    __slots__ = ("_components", "_drawn", "_scans", "_to_come", "size_px")

    def __init__(self, code: int, header: bytes) -> None:
        """From a frame header after its length (B.2.2)."""
        self.size_px = _sane(*struct.unpack_from(">HH", header, 1)[::-1])
        self._components = header[6 : 6 + 3 * header[5]]  # of each three bytes: name, sampling factors, table
        self._drawn: set[int] = set()
        self._scans = 0
        # In a progressive frame: for each component and each of its 64 coefficients, the lowest bit drawn so far.
        # The picture is whole once all of them are 0.
        names = self._components[::3]
        self._to_come = {name: [_NOTHING_YET] * 64 for name in names} if code in _PROGRESSIVE else None

    def draw(self, header: bytes) -> bytes:
        """Note a scan by its header after the length (B.2.3); gives the names of its components. Raises Damaged."""
        count = header[0] if header else 0
        names = header[1 : 1 + 2 * count : 2]
        if len(header) != 4 + 2 * count or not names or not set(names) <= set(self._components[::3]):
            raise Damaged("the JPEG has a scan that does not fit its frame")
        self._scans += 1
        if self._scans > _USUAL_SCANS:
            most = max(_USUAL_SCANS, _MOST_DRAWN_PX // (self.size_px[0] * self.size_px[1]))
            if self._scans > min(_MOST_SCANS, most):
                raise Damaged("the JPEG has more scans than any encoder makes")
        self._drawn.update(names)
        if self._to_come is not None:
            first, last, bits = header[-3:]
            for name in names:
                self._to_come[name][first : last + 1] = [bits & 15] * (min(last, 63) + 1 - first)
        return names

    def units(self, names: bytes) -> int:
        """How many units (MCUs, A.2) a scan of these components has.

        With one component a unit is one block of it; with several it is all their blocks at one place.
        """
        factors = {
            name: (both >> 4, both & 15)
            for name, both in zip(self._components[::3], self._components[1::3], strict=False)
        }
        widest = max((1, *(h for h, _ in factors.values())))
        tallest = max((1, *(v for _, v in factors.values())))
        width, height = self.size_px
        if len(names) == 1:
            across, down = factors.get(names[0], (1, 1))  # the frame header may have been cut
            width, height = -(-width * across // widest), -(-height * down // tallest)
            return -(-width // 8) * -(-height // 8)
        return -(-width // (8 * widest)) * -(-height // (8 * tallest))

    def check(self) -> None:
        """Raise Damaged unless the scans draw the picture to its last bit."""
        if not self._scans:
            raise Damaged("the JPEG holds no picture")
        to_come = self._to_come or {}
        if not self._drawn >= set(self._components[::3]) or any(any(bits) for bits in to_come.values()):
            raise Damaged(ENDS_EARLY)


def _scan_end(data: bytes, start: int) -> int:
    found = _NEXT_MARKER.search(data, start)
    if found is None:
        raise Damaged("the JPEG is cut short")
    if found.start() == start:
        raise Damaged("the JPEG has a scan without data")
    return found.start()


def webp_size_px(data: bytes) -> tuple[int, int]:
    """(width, height) in px of a WebP, laid out as in RFC 9649 section 2.

    Raises Damaged unless it is whole: it is as long as it states, and its chunks fill it. Raises NotATile for parts or
    metadata beyond measure.
    """
    baggage = _Baggage("WebP")
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
        baggage.add(0 if name in _WEBP_PICTURE else length)
        if name in (b"VP8 ", b"VP8L", b"VP8X"):
            own_size = _webp_size(name, data[at + 8 : at + 18], length)
            # RFC 9649 section 2.7.1.1: the one picture inside is as large as the canvas.
            if size is not None and own_size != size:
                raise Damaged("the picture inside the WebP is not as large as its header says")
            size = own_size
        drawn = drawn or name in (b"VP8 ", b"VP8L", b"ANMF")
        at = stop
    if size is None or not drawn:
        raise Damaged("the WebP holds no picture")
    return size


def _webp_size(name: bytes, head: bytes, length: int) -> tuple[int, int]:
    """(width, height) in px from the first bytes of a chunk. Raises Damaged.

    RFC 9649 sections 2.7 (VP8X) and 3.4 (VP8L); RFC 6386 section 9.1 (VP8: a key frame with its start code,
    whose first partition fits the chunk).
    """
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
