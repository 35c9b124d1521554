"""Pictures that are whole, but carry more than any tile does: told as wrong content, at once and in little memory."""

from __future__ import annotations

import io
import struct
import tracemalloc
import zlib
from collections.abc import Callable
from functools import cache

import pytest
from PIL import Image, ImageCms, PngImagePlugin

from packer.content.damage import Damaged, NotATile
from packer.content.decoding import opened_picture
from packer.content.payload import Kind, examine, fault_of
from packer.content.seams import how_they_lie
from packer.errors import AnswerError
from packer.fetching.answers.judging import judge
from packer.fetching.answers.outcome import Stored, TileRules, WrongContent
from packer.fetching.transports import Response
from packer.proof.report.samples import _thumbnail
from packer.survey.imagery import sheet
from packer.survey.imagery.pixels import colours, grey

RULES = TileRules(None, "tiles.example.org:443", 16_000_000, 256)


@cache
def bomb() -> bytes:
    """A hundred million bytes in a hundred thousand."""
    return zlib.compress(bytes(100_000_000), 9)


def chunk(name: bytes, data: bytes) -> bytes:
    """A chunk of a PNG (W3C PNG, section 5.3)."""
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


def png(before: bytes = b"", after: bytes = b"", pixels: bytes = b"") -> bytes:
    """A grey PNG of 256 px with chunks before and after its picture."""
    head = struct.pack(">IIBBBBB", 256, 256, 8, 0, 0, 0, 0)
    pixels = pixels or chunk(b"IDAT", zlib.compress((b"\0" + bytes(range(256))) * 256))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + before + pixels + after + chunk(b"IEND", b"")


def encoded(name: str, **options: object) -> bytes:
    out = io.BytesIO()
    Image.linear_gradient("L").convert("RGB").save(out, name, **options)
    return out.getvalue()


JPEG, WEBP = encoded("JPEG"), encoded("WEBP", lossless=True)
VP8X = (b"VP8X", bytes(4) + (255).to_bytes(3, "little") * 2)


def jpeg(*segments: tuple[int, bytes]) -> bytes:
    """The JPEG with segments after its start (ITU-T T.81, B.1.1.4)."""
    more = b"".join(struct.pack(">BBH", 255, code, len(data) + 2) + data for code, data in segments)
    return JPEG[:2] + more + JPEG[2:]


def webp(*chunks: tuple[bytes, bytes]) -> bytes:
    """The WebP in the extended layout with further chunks (RFC 9649, section 2.7)."""
    every = [VP8X, (b"VP8L", WEBP[20 : 20 + int.from_bytes(WEBP[16:20], "little")]), *chunks]
    body = b"".join(n + struct.pack("<I", len(d)) + d + bytes(len(d) & 1) for n, d in every)
    return b"RIFF" + struct.pack("<I", len(body) + 4) + b"WEBP" + body


FRAME = bytes(6) + (255).to_bytes(3, "little") * 2 + bytes(4) + WEBP[12:]
HOSTILE: dict[str, Callable[[], bytes]] = {
    "a zTXt bomb": lambda: png(chunk(b"zTXt", b"a\0\0" + bomb())),
    "an iTXt bomb": lambda: png(chunk(b"iTXt", b"a\0\1\0de\0ah\0" + bomb())),
    "an iCCP bomb": lambda: png(chunk(b"iCCP", b"a\0\0" + bomb())),
    "a bomb after the picture": lambda: png(after=chunk(b"zTXt", b"a\0\0" + bomb())),
    "many small bombs": lambda: png(chunk(b"zTXt", b"a\0\0" + zlib.compress(bytes(90_000))) * 30),
    "a long tEXt": lambda: png(chunk(b"tEXt", b"a\0" + bytes(1_200_000))),
    "a huge eXIf": lambda: png(chunk(b"eXIf", b"MM\0*" + bytes(1_200_000))),
    "chunks by the thousand": lambda: png(chunk(b"teSt", b"") * 11_000),
    "IDATs by the thousand": lambda: png(
        pixels=chunk(b"IDAT", b"") * 11_000 + chunk(b"IDAT", zlib.compress(bytes(257 * 256)))
    ),
    "comments by the thousand": lambda: jpeg(*[(0xFE, b"")] * 11_000),
    "tables by the thousand": lambda: jpeg(*[(0xDB, b"\0" + b"\1" * 64)] * 11_000),
    "a huge EXIF": lambda: jpeg(*[(0xE1, b"Exif\0\0MM\0*" + bytes(65_000))] * 20),
    "a huge ICC profile": lambda: jpeg(
        *[(0xE2, b"ICC_PROFILE\0" + bytes([i + 1, 20]) + bytes(65_000)) for i in range(20)]
    ),
    "fill bytes": lambda: JPEG[:2] + b"\xff" * 5_000_000 + JPEG[2:],
    "chunks of a WebP": lambda: webp(*[(b"XXXX", b"")] * 11_000),
    "a huge profile in a WebP": lambda: webp((b"ICCP", bytes(1_200_000))),
    "frames by the thousand": lambda: webp(*[(b"ANMF", FRAME)] * 11_000),
}  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_a_picture_with_hostile_metadata_is_wrong_content_wherever_it_is_met(name: str) -> None:
    body = HOSTILE[name]()
    with pytest.raises(NotATile, match="over"):
        examine(body)
    outcome = judge(Response(200, {"content-length": str(len(body))}, body), RULES, 0.0)
    assert isinstance(outcome, WrongContent)
    assert len(outcome.reason) <= 100
    assert "over" in (fault_of(body, "png") or "")
    for work in (grey, colours):
        with pytest.raises(AnswerError):
            work(body)
    with pytest.raises(Damaged):
        how_they_lie([[body] * 4])
    assert _thumbnail(body) is None


def test_nothing_that_is_packed_is_unpacked_beyond_the_limit() -> None:
    sheet([("warm", {1: png()})])  # libraries are loaded
    tracemalloc.start()
    try:
        for body in [made() for name, made in HOSTILE.items() if "bomb" in name]:
            before, _ = tracemalloc.get_traced_memory()
            tracemalloc.reset_peak()
            with pytest.raises(NotATile):
                examine(body)
            assert tracemalloc.get_traced_memory()[1] - before < 5_000_000
    finally:
        tracemalloc.stop()


def test_a_sheet_shows_a_hostile_picture_as_unreadable_and_the_others_as_they_are() -> None:
    drawn = sheet([("place", {3: HOSTILE["a zTXt bomb"](), 4: png()})])
    with opened_picture(drawn) as page:
        right = page.convert("L").crop((360, 40, 480, 160))
    assert right.getextrema() != (255, 255)


def _ordinary() -> dict[str, Callable[[], bytes]]:
    """Pictures as software writes them, with all that it puts in."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    exif = Image.Exif()
    exif[0x010E] = "survey of 2025"
    text = PngImagePlugin.PngInfo()
    text.add_text("Software", "renderer " * 100, zip=True)
    text.add_itxt("Comment", "Höhen " * 500, zip=True)
    more = {"icc_profile": profile, "exif": exif}
    broken = b"Exif\0\0MM\0*\0\0\0\x08\x14\x00" + b"\x01\x0e\0\2\0\0\0\4\0\0\0\0" * 5000
    index = struct.pack(">HHII", 0xB001, 4, 1, 4 * 10**9)
    pixels = zlib.compress(bytes(257 * 256))
    return {
        "png": lambda: encoded("PNG", pnginfo=text, **more),
        "jpg": lambda: encoded("JPEG", progressive=True, comment=b"x" * 5000, **more),
        "webp": lambda: encoded("WEBP", **more),
        "png with many parts": lambda: png(pixels=b"".join(chunk(b"IDAT", bytes([b])) for b in pixels)),
        "png of few unpacked": lambda: png(chunk(b"zTXt", b"a\0\0" + zlib.compress(bytes(900_000)))),
        "jpg with broken EXIF": lambda: jpeg((0xE1, broken)),
        "jpg with a false index": lambda: jpeg((0xE2, b"MPF\0MM\0*\0\0\0\x08\0\1" + index)),
        "apng of many frames": lambda: png(chunk(b"acTL", struct.pack(">II", 100_000, 0))),
        "png of a bomb of pixels": lambda: png(pixels=chunk(b"IDAT", bomb())),
    }  # fmt: skip


@pytest.mark.parametrize("name", _ordinary())
def test_usual_metadata_and_harmless_oddities_are_no_hindrance(name: str) -> None:
    body = _ordinary()[name]()
    outcome = judge(Response(200, {"content-length": str(len(body))}, body), RULES, 0.0)
    assert isinstance(outcome, Stored), outcome
    assert fault_of(body, examine(body).kind.value) is None
    assert grey(body).levels.shape == (256, 256)
    assert colours(body).shape == (256, 256, 4)
    assert _thumbnail(body) is not None


def test_other_formats_that_pillow_knows_are_not_opened() -> None:
    for name in ("TIFF", "BMP", "GIF", "EPS", "PPM"):
        with pytest.raises(Damaged), opened_picture(encoded(name)):
            pass
    assert examine(png()).kind is Kind.PNG
