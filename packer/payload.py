"""Is this body one whole tile, from its first byte to its last?

The check is structural and knows no pixels: signatures, lengths, checksums and end marks, at the speed of
`bytes.find`, `re` and `zlib.crc32`. What it proves differs by format:

    PNG    every byte is under a CRC-32: any cut and nearly any change is noticed
    gzip   the whole content is under a CRC-32: the same
    JPEG   no checksum: any cut and any trailing byte is noticed, a flipped bit inside the picture is not
    WebP   no checksum: the length is stated, so the same as JPEG
    bare vector tile   no checksum and no end mark: a cut between two layers looks whole

Hence the caller keeps a hash taken at receipt, asks for framing where a bare vector tile is concerned, and has
`runs_out` look for a JPEG that was cut and then closed with an end mark, which only its bits can tell.
`decode_fully` goes as far as a decoder can, for the verifier, at some hundred times the cost.
"""

from __future__ import annotations

import enum
import re
import struct
import zlib
from typing import NamedTuple

from packer.damage import Damaged, NotATile, TooBig, UnaskedCoding
from packer.vector import layers_of, walk_layer

__all__ = [
    "Damaged",
    "Kind",
    "NotATile",
    "Payload",
    "TooBig",
    "UnaskedCoding",
    "decode_fully",
    "describe",
    "dimensions",
    "examine",
    "fault_of",
    "inspect",
    "pack_vector",
    "runs_out",
    "unwrap",
]

# Tiles have 256 to 1024 px a side; a few hostile kilobytes of 4096² px unfold to some 200 MB while they are decoded.
_MAX_SIDE_PX = 4096
# A vector tile is some ten to some hundred kilobytes; this bounds what a hostile gzip body may unfold to.
_MAX_VECTOR_BYTES = 32 * 1024 * 1024
# Each further gzip member costs a copy of the rest of the body; real bodies have one, seldom two.
_MAX_MEMBERS = 256
_MAX_CODINGS = 4

_PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_GZIP_MAGIC = b"\x1f\x8b"
_BEGINNINGS = (_PNG_SIGNATURE, b"\xff\xd8\xff", b"RIFF", b"\x1f\x8b\x08")

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


# ------------------------------------------------------------------------------------ content codings


def unwrap(body: bytes, content_encoding: str | None, limit_bytes: int) -> bytes:
    """The content of `body` after its content codings (RFC 9110 section 8.4) are undone, last one first.

    `content_encoding` is the header's value, such as "gzip" or "gzip, identity"; None or "" means none. Every
    coding must end exactly where the body ends, with its checksum right; all members of a gzip file are
    content (RFC 1952 section 2.2). Raises UnaskedCoding, TooBig (more than `limit_bytes` at any step) or
    Damaged.
    """
    if not content_encoding and len(body) <= limit_bytes:
        return body
    codings = [name.strip().lower() for name in (content_encoding or "").split(",")]
    codings = [name for name in codings if name not in ("", "identity")]
    if len(codings) > _MAX_CODINGS:
        raise UnaskedCoding("the server piled up content codings that were not asked for")
    for name in reversed(codings):
        if name in ("gzip", "x-gzip"):
            body = _gunzip(body, limit_bytes)
        elif name == "deflate":
            body = _inflate(body, limit_bytes)
        else:
            shown = re.sub(r"[^a-z0-9.+-]", "?", name)[:16]
            raise UnaskedCoding(f'the server sent the coding "{shown}", which was not asked for')
    if len(body) > limit_bytes:
        raise TooBig(f"over the limit of {limit_bytes} bytes")
    return body


def _gunzip(body: bytes, limit_bytes: int) -> bytes:
    parts: list[bytes] = []
    room, rest = limit_bytes, body
    for _ in range(_MAX_MEMBERS):
        if not rest.startswith(_GZIP_MAGIC):
            raise Damaged("no gzip header" if not parts else "rubbish after the end of the gzip data")
        content, rest = _member(rest, 31, room, "gzip")
        parts.append(content)
        room -= len(content)
        if not rest:
            return b"".join(parts)
    raise TooBig(f"over {_MAX_MEMBERS} gzip members")


def _inflate(body: bytes, limit_bytes: int) -> bytes:
    """Undo "deflate", which is the zlib format (RFC 9110 section 8.4.1.2); its note on senders that leave
    the zlib wrapper out is honoured, and there the final block alone proves the end."""
    # RFC 1950 section 2.2: method 8 in the low bits, and the first two bytes a multiple of 31.
    wrapped = len(body) >= 2 and body[0] & 15 == 8 and (body[0] << 8 | body[1]) % 31 == 0
    content, rest = _member(body, 15 if wrapped else -15, limit_bytes, "deflate")
    if rest:
        raise Damaged("rubbish after the end of the deflate data")
    return content


def _member(body: bytes, wbits: int, room: int, name: str) -> tuple[bytes, bytes]:
    """One compressed stream's content, at most `room` bytes, and what follows it in `body`."""
    stream = zlib.decompressobj(wbits)
    try:
        # One byte more than allowed tells "full" from "too big"; 0 would mean "no limit" to zlib.
        content = stream.decompress(body, room + 1)
    except zlib.error as error:
        raise Damaged(f"{name} data is damaged") from error
    if len(content) > room:
        raise TooBig("over the size limit once unfolded")
    if not stream.eof:
        raise Damaged(f"{name} data is cut short")
    return content, stream.unused_data


def pack_vector(data: bytes) -> bytes:
    """A vector tile in the form that MBTiles 1.3 stores: gzip, one member, no time and no name in it.

    A body that is one gzip member already is kept as it is. Several members are joined into one, since some
    readers stop after the first. The same content gives the same bytes, on one build of zlib. Raises Damaged.
    """
    if data.startswith(_GZIP_MAGIC):
        if not _member(data, 31, _MAX_VECTOR_BYTES, "gzip")[1]:
            return data
        data = _gunzip(data, _MAX_VECTOR_BYTES)
    deflate = zlib.compressobj(6, zlib.DEFLATED, -15)
    # RFC 1952 section 2.3: method 8, no flags, mtime 0, no extra flags, system 255 (unknown). Written here,
    # since the header that the standard library writes differs from one Python version to the next.
    head = b"\x1f\x8b\x08\0\0\0\0\0\0\xff"
    tail = struct.pack("<II", zlib.crc32(data), len(data) & 0xFFFFFFFF)
    return head + deflate.compress(data) + deflate.flush() + tail


# ------------------------------------------------------------------------------------------ whole tiles


def inspect(data: bytes) -> Kind:
    """The kind of a whole tile. Raises Damaged for a cut or damaged one and NotATile for anything else."""
    return examine(data).kind


def dimensions(data: bytes) -> tuple[int, int] | None:
    """(width, height) in px of a whole image; None for a vector tile and for whatever is no whole tile."""
    try:
        return examine(data).size_px
    except (Damaged, NotATile):
        return None


def examine(data: bytes) -> Payload:
    """Kind and size of a whole tile, in one pass. Raises Damaged or NotATile, as `inspect` does."""
    if data.startswith(b"\xff\xd8"):
        return Payload(Kind.JPG, _jpg(data))
    if data.startswith(_PNG_SIGNATURE):
        return Payload(Kind.PNG, _png(data))
    if data.startswith(b"RIFF") and b"WEBP".startswith(data[8:12]):
        return Payload(Kind.WEBP, _webp(data))
    if data and any(beginning.startswith(data) for beginning in _BEGINNINGS):
        raise Damaged("cut within its first bytes")
    content = data
    if data.startswith(_GZIP_MAGIC):
        content = _gunzip(data, _MAX_VECTOR_BYTES)
    if not content.startswith(b"\x1a"):  # the key of `layers`: field 3, length-delimited
        raise NotATile(describe(content))
    layers_of(content)
    return Payload(Kind.PBF, None)


# A page may leave out html, head and body tags altogether.
_HTML = re.compile(rb"<(!doctype html|head|body|script|style|meta|title|h1|p|div|center|table)\b")


def describe(data: bytes) -> str:
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


def _sane(width: int, height: int) -> tuple[int, int]:
    if not (0 < width <= _MAX_SIDE_PX and 0 < height <= _MAX_SIDE_PX):
        raise Damaged(f"an image size of {width} x {height} px makes no sense")
    return width, height


def _png(data: bytes) -> tuple[int, int]:
    """Size of a PNG. The layout is that of the W3C PNG specification, sections 5.2 to 5.6 and 11.2."""
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


# ITU-T T.81 section B.1.1.5: inside entropy-coded data FF is followed by 00 (stuffing) or by RST0 to RST7.
_NEXT_MARKER = re.compile(rb"\xff[^\x00\xd0-\xd7]")
# T.81 table B.1: start of frame is C0 to CF without C4 (DHT), C8 (JPG) and CC (DAC).
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_LONE_MARKERS = frozenset((0x00, 0x01, *range(0xD0, 0xD9)))


def _jpg(data: bytes) -> tuple[int, int]:
    """Size of a JPEG, walked marker by marker (ITU-T T.81 annex B): thumbnails inside APPn are stepped over,
    each scan of a progressive file is run through, and the first EOI must be the end."""
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


def _webp(data: bytes) -> tuple[int, int]:
    """Size of a WebP (RFC 9649 section 2): its stated length is the body's, and chunks fill it exactly."""
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


# ------------------------------------------------------------------------------------- full decoding


def fault_of(data: bytes, kind: str | None) -> str | None:
    """What is wrong with a stored body of a pack of this kind, in a clause; None if it is sound to its last
    pixel. Slow: it decodes the whole image."""
    try:
        found = inspect(data)
        if found.value != kind:
            return f"it is {found.value}, in a pack of {kind}"
        _decode(data, found)
    except NotATile as fault:
        return f"it is no tile: {fault}"
    except Damaged as fault:
        return f"it cannot be decoded: {fault}"
    return None


def decode_fully(data: bytes, kind: Kind) -> None:
    """Decode a stored tile to its last pixel or feature. For the verifier: slow, and never on the way in.

    Raises Damaged when the tile is not whole, not of `kind`, or its decoder errs or warns; NotATile as
    `inspect` does. A WebP with altered bytes inside its picture may still pass: that format has no checksum.
    Not for use from several threads at once: warnings are a setting of the whole process.
    """
    found = inspect(data)
    if found is not kind:
        raise Damaged(f"the tile is {found.value}, not {kind.value}")
    _decode(data, kind)


def _decode(data: bytes, kind: Kind) -> None:
    if kind is Kind.PBF:
        content = _gunzip(data, _MAX_VECTOR_BYTES) if data.startswith(_GZIP_MAGIC) else data
        for layer in layers_of(content):
            walk_layer(content, layer)
        return
    if kind is Kind.JPG and _decodes_without_a_word(data):
        return
    pixels = _pixels(data, kind)
    if kind is Kind.JPG and _pixels(_with_more(data), kind) != pixels:
        raise Damaged("the picture inside the JPEG ends early")


def runs_out(data: bytes) -> bool:
    """Whether the picture inside a JPEG that `examine` has found whole ends early, or cannot be decoded.

    Some 0.1 ms for a baseline tile of 256 px, ten times that for a progressive one.
    """
    if _decodes_without_a_word(data, small=True):
        return False
    try:
        return _draw(data, "JPEG") != _draw(_with_more(data), "JPEG")
    except Exception:  # noqa: BLE001  # a decoder fed with damage may raise anything at all
        return True


def _decodes_without_a_word(data: bytes, *, small: bool = False) -> bool:
    """Whether a JPEG of one pass decodes with no warning of libjpeg's, which it gives where data runs out.

    That takes a quarter of the time of two decodings. True is a proof; False says nothing: a warning may be
    about something harmless, and a progressive file that lacks its last passes gives none. Only the brightness
    is drawn, and `small` draws an eighth of its width and height, but the bits of all components are read,
    which is where damage shows.
    """
    if not _one_pass(data):
        return False
    try:
        import simplejpeg  # it has no types
    except ImportError:  # there are systems that it has no wheel for
        return False
    try:
        # Of 1 px at least is drawn as small as the library can.
        least_px = 1 if small else 0
        simplejpeg.decode_jpeg(data, colorspace="GRAY", strict=True, min_height=least_px, min_width=least_px)
    except ValueError:
        return False
    return True


def _one_pass(data: bytes) -> bool:
    """Whether the first frame of a JPEG that `inspect` has found whole is baseline or extended sequential
    (ITU-T T.81 table B.1: C0 and C1)."""
    at = 2
    while True:
        while data[at] == 0xFF:
            at += 1
        if data[at] in _FRAMES or data[at] == 0xDA:
            return data[at] in (0xC0, 0xC1)
        at += 1 + int.from_bytes(data[at + 1 : at + 3], "big")


# Any bytes but FF and 00 would do; of the patterns tried, this one showed every cut down to one missing byte.
_MORE = bytes(range(254, 0, -1)) * 3


def _with_more(data: bytes) -> bytes:
    """A JPEG that was cut and then closed with an end mark decodes without complaint, the rest in grey. More
    bytes before the end mark are skipped when the picture is complete, and drawn when it is not."""
    return data[:-2] + _MORE + data[-2:]


def _draw(data: bytes, name: str) -> bytes:
    import io  # here and below: only who decodes pays for loading an image library

    from PIL import Image

    with Image.open(io.BytesIO(data), formats=[name]) as image:
        image.load()
        return image.tobytes()


def _pixels(data: bytes, kind: Kind) -> bytes:
    import warnings

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            return _draw(data, "JPEG" if kind is Kind.JPG else kind.name)
    except Exception as error:  # a decoder fed with damage may raise anything at all
        raise Damaged(f"the picture inside the {kind.value} cannot be decoded") from error
