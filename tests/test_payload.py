"""What is taken for a whole tile, held against Pillow, GDAL and the standard library's gzip."""

from __future__ import annotations

import functools
import gzip
import io
import random
import re
import struct
import sys
import tempfile
import warnings
import zlib
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from packer.content.codings import pack_vector, unwrap
from packer.content.damage import Damaged, NotATile, TooBig, UnaskedCoding
from packer.content.payload import Kind, decode_fully, examine, fault_of, is_truncated
from tests.budgets import tries

LIMIT = 1_000_000
zipped = functools.partial(gzip.compress, mtime=0)  # the same bytes in every process, for the names of tests


@functools.cache
def picture(mode: str = "RGB", side: int = 64) -> Image.Image:
    """Hills with some grain: neither flat nor pure noise, so that every part of a file carries detail."""
    rng = np.random.default_rng(7)
    hills = rng.normal(0, 1, (side, side, 3)).cumsum(0).cumsum(1)
    pixels = 128 + 60 * hills / hills.std() + rng.normal(0, 8, hills.shape)
    return Image.fromarray(pixels.clip(0, 255).astype(np.uint8)).convert(mode)


def encode(name: str, image: Image.Image | None = None, **options: object) -> bytes:
    out = io.BytesIO()
    (image or picture()).save(out, name, **options)
    return out.getvalue()


def webp_with_transparency() -> bytes:
    image = picture("RGBA").copy()
    image.putpixel((0, 0), (1, 2, 3, 0))
    return encode("WEBP", image, exif=b"Exif\0\0II*\0\x08\0\0\0\0\0\0\0\0\0")


def jpg_with_thumbnail() -> bytes:
    small = b"Exif\0\0" + encode("JPEG", picture(side=16))
    plain = encode("JPEG")
    return plain[:2] + b"\xff\xe1" + struct.pack(">H", len(small) + 2) + small + plain[2:]


@functools.cache
def vector_tiles() -> tuple[bytes, ...]:
    """Bare vector tiles as written by GDAL's MVT driver, smallest first."""
    pyogrio = pytest.importorskip("pyogrio")
    rng = np.random.default_rng(3)
    start = np.array([7.0, 46.0])
    shapes = [shapely.LineString(start + rng.normal(0, 0.01, (20, 2)).cumsum(0)) for _ in range(20)]
    shapes += [shapely.Point(7 + i / 99, 46) for i in range(20)]
    shapes += [shapely.Point(7 + i / 9, 46.1).buffer(0.02) for i in range(9)]
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the driver speaks about its own defaults; the tiles are the point
        out = Path(folder) / "tiles"
        pyogrio.raw.write(
            str(out),
            np.array([shapely.to_wkb(shape) for shape in shapes], dtype=object),
            field_data=[np.array([f"name {i % 7}" for i in range(len(shapes))], dtype=object)],
            fields=["name"],
            crs="EPSG:4326",
            geometry_type="Unknown",
            driver="MVT",
            layer="tracks",
            dataset_options={"FORMAT": "DIRECTORY", "COMPRESS": "NO", "MINZOOM": "7", "MAXZOOM": "9"},
        )
        return tuple(sorted((file.read_bytes() for file in out.rglob("*.pbf")), key=len))


WHOLE = {
    "png": (Kind.PNG, encode("PNG")),
    "png palette": (Kind.PNG, encode("PNG", picture("P"))),
    "png grey": (Kind.PNG, encode("PNG", picture("L"))),
    "png rgba": (Kind.PNG, encode("PNG", picture("RGBA"))),
    "jpg": (Kind.JPG, encode("JPEG", quality=85)),
    "jpg grey": (Kind.JPG, encode("JPEG", picture("L"))),
    "jpg cmyk": (Kind.JPG, encode("JPEG", picture("CMYK"))),
    "jpg progressive": (Kind.JPG, encode("JPEG", progressive=True)),
    "jpg restart markers": (Kind.JPG, encode("JPEG", restart_marker_blocks=2)),
    "jpg comment and profile": (
        Kind.JPG,
        encode("JPEG", comment=b"\xff\xd9 not the end", icc_profile=b"x" * 999),
    ),
    "jpg thumbnail": (Kind.JPG, jpg_with_thumbnail()),
    "webp": (Kind.WEBP, encode("WEBP")),
    "webp lossless": (Kind.WEBP, encode("WEBP", lossless=True)),
    "webp transparent": (Kind.WEBP, webp_with_transparency()),
    "pbf gzip": (Kind.PBF, gzip.compress(vector_tiles()[-1])),
}
IMAGES = {name: case for name, case in WHOLE.items() if case[0] is not Kind.PBF}


@pytest.mark.parametrize("name", WHOLE)
def test_whole_tiles_are_known_for_what_they_are(name: str) -> None:
    kind, data = WHOLE[name]
    assert examine(data).kind is kind
    decode_fully(data, kind)


@pytest.mark.parametrize("name", IMAGES)
def test_dimensions_agree_with_pillow(name: str) -> None:
    data = IMAGES[name][1]
    with Image.open(io.BytesIO(data)) as image:
        assert examine(data).size_px == image.size == (64, 64)


@pytest.mark.parametrize(("kind", "width", "height"), [("PNG", 300, 7), ("JPEG", 300, 7), ("WEBP", 300, 7)])
@pytest.mark.parametrize("lossless", [False, True])
def test_width_and_height_are_not_swapped(kind: str, width: int, height: int, lossless: bool) -> None:
    options = {"lossless": lossless} if kind == "WEBP" else {}
    assert examine(encode(kind, Image.new("RGB", (width, height)), **options)).size_px == (width, height)


def scans(jpeg: bytes) -> list[tuple[int, int]]:
    """Where each scan starts, with its marker, and ends (ITU-T T.81 annex B)."""
    found, at = [], 2
    while jpeg[at + 1] != 0xD9:
        start, code = at, jpeg[at + 1]
        at += 2 + int.from_bytes(jpeg[at + 2 : at + 4], "big")
        if code == 0xDA:
            while jpeg[at] != 0xFF or jpeg[at + 1] == 0 or 0xD0 <= jpeg[at + 1] <= 0xD7:
                at += 1
            found.append((start, at))
    return found


def scan_by_scan() -> bytes:
    """A baseline JPEG of three components with a scan for each, put together from three grey ones (T.81 A.2)."""
    bands = [encode("JPEG", band, quality=85) for band in picture().split()]
    first = bands[0]
    frame = first.index(b"\xff\xc0")
    header = b"".join(bytes([name, 0x11, 0]) for name in (1, 2, 3))
    whole = first[:frame] + b"\xff\xc0\0\x11" + first[frame + 4 : frame + 9] + b"\x03" + header
    whole += first[frame + 13 : scans(first)[0][0]]
    for name, band in enumerate(bands, 1):
        start, end = scans(band)[0]
        whole += band[start : start + 5] + bytes([name]) + band[start + 6 : end]
    return whole + b"\xff\xd9"


@pytest.mark.parametrize(
    "body", [WHOLE["jpg progressive"][1], scan_by_scan()], ids=["progressive", "baseline"]
)
def test_a_jpeg_that_lacks_whole_scans_is_damaged(body: bytes) -> None:
    decode_fully(body, Kind.JPG)
    places = scans(body)
    assert len(places) >= 3
    for _, end in places[:-1]:
        with pytest.raises(Damaged, match="ends early"):
            examine(body[:end] + b"\xff\xd9")


@settings(max_examples=tries(30, 80), deadline=None)
@given(
    st.sampled_from(["L", "RGB", "CMYK"]),
    st.tuples(st.integers(1, 70), st.integers(1, 70)),
    st.sampled_from([0, 1, 2]),
    st.booleans(),
    st.sampled_from([{"restart_marker_rows": 1}, {"restart_marker_rows": 2}, {"restart_marker_blocks": 3}]),
    st.data(),
)
def test_a_jpeg_cut_at_a_restart_marker_is_damaged_and_a_whole_one_is_not(
    mode: str,
    size: tuple[int, int],
    subsampling: int,
    progressive: bool,
    restarts: dict[str, int],
    data: st.DataObject,
) -> None:
    """A decoder goes on where the next marker comes early (ITU-T T.81 E.2.4, from memory), so it may say nothing."""
    image = picture(mode).resize(size)
    body = encode("JPEG", image, subsampling=subsampling, progressive=progressive, **restarts)
    assert examine(body).kind is Kind.JPG
    assert not is_truncated(body)
    marks = [m.start() for m in re.finditer(rb"\xff[\xd0-\xd7]", body[scans(body)[0][0] :])]
    if marks:
        cut = body[: scans(body)[0][0] + data.draw(st.sampled_from(marks))] + b"\xff\xd9"
        with pytest.raises(Damaged, match="ends early"):
            examine(cut)


@pytest.mark.parametrize("restarts", [{}, {"restart_marker_rows": 1}])
@pytest.mark.parametrize("progressive", [False, True])
def test_a_jpeg_with_a_restart_marker_that_is_not_due_is_damaged(
    restarts: dict[str, int], progressive: bool
) -> None:
    """ITU-T T.81, B.2.1: restart markers stand between restart intervals, and nowhere if restart is not enabled."""
    body = encode("JPEG", None, progressive=progressive, **restarts)
    start, end = scans(body)[-1]
    for cut in range(start + 1, end, 7):
        for rest in (b"\xff\xd9", body[cut:]):
            with pytest.raises(Damaged):
                examine(body[:cut] + b"\xff\xd0" * (1 + body.count(b"\xff", start, end)) + rest)


@pytest.mark.parametrize("progressive", [False, True])
def test_a_jpeg_cut_within_a_stuffed_byte_is_truncated(
    progressive: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """ITU-T T.81, B.1.1.5: a byte FF of the picture is written FF 00. Cut between the two and closed with FF D9, the
    file ends as one with a fill byte before its end mark does (B.1.1.2), which is whole."""
    noise = Image.frombytes("RGB", (128, 128), random.Random(3).randbytes(3 * 128 * 128))
    body = encode("JPEG", noise, progressive=progressive, quality=90)
    start, end = scans(body)[-1]
    cuts = [mark.start() + 1 for mark in re.finditer(rb"\xff\x00", body[start : end - 16])]
    assert len(cuts) >= 2
    with_it = [is_truncated(body[: start + cut] + b"\xff\xd9") for cut in cuts]
    monkeypatch.setitem(sys.modules, "simplejpeg", None)
    assert [is_truncated(body[: start + cut] + b"\xff\xd9") for cut in cuts] == with_it == [True] * len(cuts)
    assert not is_truncated(body[:-2] + b"\xff\xff\xff\xd9")


def test_a_frame_header_that_breaks_off_is_damage_and_no_crash() -> None:
    frame = b"\xff\xc0\0\x09\x08\0\x40\0\x40\x01\x01"  # one component, of which there is nothing but the name
    interval, scan = b"\xff\xdd\0\x04\0\x01", b"\xff\xda\0\x08\x01\x01\0\0\x3f\0"
    with pytest.raises(Damaged):
        examine(b"\xff\xd8" + frame + interval + scan + b"\x12\x34\xff\xd9")


def test_a_jpeg_of_endlessly_many_scans_is_not_drawn() -> None:
    body = WHOLE["jpg progressive"][1]
    start, end = scans(body)[-1]
    examine(body[:-2] + body[start:end] * 50 + body[-2:])
    with pytest.raises(Damaged, match="more scans than any encoder"):
        examine(body[:-2] + body[start:end] * 200 + body[-2:])


def finding(data: bytes, kind: Kind) -> str:
    """What the checks say of `data`; any exception but their own two fails the test that asks."""
    try:
        examine(data)
        decode_fully(data, kind)
    except (Damaged, NotATile) as error:
        return str(error)
    return "whole"


# The damage table: each row was first seen to slip through a decoder or its "verify" call.


@pytest.mark.parametrize("name", WHOLE)
def test_every_single_cut_is_damage_or_no_tile_at_all(name: str) -> None:
    data = WHOLE[name][1]
    for length in range(len(data)):
        with pytest.raises((Damaged, NotATile)) as caught:
            examine(data[:length])
        # From the first byte on, a cut tile is damage: worth another attempt, never "something else".
        assert length == 0 or caught.type is Damaged, length


@pytest.mark.parametrize("name", WHOLE)
@given(junk=st.binary(min_size=1, max_size=40))
def test_anything_after_the_end_is_damage(name: str, junk: bytes) -> None:
    data = WHOLE[name][1]
    for rest in (junk, data, data[-2:], data[-12:], b"\0", b"\r\n"):
        if name == "pbf gzip" and rest == data:
            continue  # a second gzip member with more layers: whole by RFC 1952 and by protobuf
        with pytest.raises(Damaged):
            examine(data + rest)


@pytest.mark.parametrize("name", [name for name in IMAGES if name.startswith("jpg")])
def test_a_jpeg_cut_and_closed_with_an_end_mark_fails_full_decoding(name: str) -> None:
    """Pillow takes it and paints the rest grey; the structure is whole, so only `decode_fully` can tell."""
    data = IMAGES[name][1]
    first = data.rindex(b"\xff\xda") + 20
    for length in (*range(first, len(data) - 8, max(1, (len(data) - first) // 12)), len(data) - 8):
        cut = data[:length].rstrip(b"\xff") + b"\xff\xd9"
        with Image.open(io.BytesIO(cut)) as image:
            image.load()
        with pytest.raises(Damaged):
            decode_fully(cut, Kind.JPG)


@pytest.mark.parametrize("name", [name for name in IMAGES if not name.startswith("webp")])
def test_a_second_half_of_zeros_is_damage(name: str) -> None:
    data = IMAGES[name][1]
    half = len(data) // 2
    with pytest.raises(Damaged):
        examine(data[:half] + bytes(len(data) - half))


def test_a_webp_zeroed_within_its_picture_passes_and_needs_the_hash_of_receipt() -> None:
    """The known gap: WebP has no checksum, and a flat lower half may lawfully end in zeros."""
    data = WHOLE["webp"][1]
    half = len(data) // 2
    zeroed = data[:half] + bytes(len(data) - half)
    assert examine(zeroed).kind is Kind.WEBP
    decode_fully(zeroed, Kind.WEBP)


def test_every_flipped_bit_of_a_png_is_noticed() -> None:
    data = WHOLE["png"][1]
    rng = random.Random(5)
    for place in rng.sample(range(len(data)), 300):
        flipped = bytearray(data)
        flipped[place] ^= 1 << rng.randrange(8)
        with pytest.raises((Damaged, NotATile)):
            examine(bytes(flipped))


def test_every_flipped_bit_of_a_gzip_tile_is_noticed_or_leaves_its_content_alone() -> None:
    """Header fields such as the time are under no checksum, and some deflate bits mean the same both ways."""
    data, bare = WHOLE["pbf gzip"][1], vector_tiles()[-1]
    harmless = 0
    for place in range(len(data)):
        flipped = bytearray(data)
        flipped[place] ^= 1 << place % 8
        try:
            examine(bytes(flipped))
        except (Damaged, NotATile):
            continue
        harmless += 1
        assert gzip.decompress(bytes(flipped)) == bare, place
    assert harmless < 20


@given(place=st.integers(0, 10_000), bit=st.integers(0, 7), name=st.sampled_from(sorted(WHOLE)))
def test_no_altered_byte_makes_the_checks_fail_in_another_way(place: int, bit: int, name: str) -> None:
    kind, data = WHOLE[name]
    altered = bytearray(data)
    altered[place % len(data)] ^= 1 << bit
    assert len(finding(bytes(altered), kind)) <= 80


HEADS = [b"", b"\xff\xd8", b"\x89PNG\r\n\x1a\n", b"RIFF\x10\0\0\0WEBP", b"\x1f\x8b\x08"]


@given(head=st.sampled_from(HEADS), rest=st.binary(max_size=200))
def test_random_bytes_are_never_a_tile(head: bytes, rest: bytes) -> None:
    if not head and rest.startswith(b"\x1a"):
        return  # a bare vector tile has no checksum: see the tests of its layout below
    with pytest.raises((Damaged, NotATile)):
        examine(head + rest)


def png_chunk(name: bytes, content: bytes = b"") -> bytes:
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))


HEADER = png_chunk(b"IHDR", struct.pack(">IIBBBBB", 4, 4, 8, 0, 0, 0, 0))
PIXELS, END = png_chunk(b"IDAT", zlib.compress(bytes(20))), png_chunk(b"IEND")


def test_the_handmade_png_is_whole() -> None:
    assert examine(b"\x89PNG\r\n\x1a\n" + HEADER + PIXELS + END).kind is Kind.PNG


@pytest.mark.parametrize(
    "chunks",
    [
        HEADER + END,
        PIXELS + HEADER + END,
        PIXELS + END,
        HEADER + HEADER + PIXELS + END,
        png_chunk(b"IHDR", struct.pack(">IIBBBBB", 0, 4, 8, 0, 0, 0, 0)) + PIXELS + END,
        png_chunk(b"IHDR", struct.pack(">IIBBBBB", 9000, 4, 8, 0, 0, 0, 0)) + PIXELS + END,
        png_chunk(b"IHDR", b"\0\0\0\4") + PIXELS + END,
        HEADER + PIXELS,
    ],
)
def test_png_chunks_in_no_lawful_order_are_damage(chunks: bytes) -> None:
    with pytest.raises(Damaged):
        examine(b"\x89PNG\r\n\x1a\n" + chunks)


@pytest.mark.parametrize(
    ("colour", "depths"), [(0, {1, 2, 4, 8, 16}), (2, {8, 16}), (3, {1, 2, 4, 8}), (4, {8, 16}), (6, {8, 16})]
)
def test_a_png_has_a_depth_that_its_colours_allow_and_its_palette(colour: int, depths: set[int]) -> None:
    """W3C PNG, table 11.1 and section 11.2.2."""
    for depth in range(18):
        header = png_chunk(b"IHDR", struct.pack(">IIBBBBB", 1, 1, depth, colour, 0, 0, 0))
        rest = png_chunk(b"IDAT", zlib.compress(bytes(9))) + png_chunk(b"IEND")
        whole = b"\x89PNG\r\n\x1a\n" + header + (png_chunk(b"PLTE", bytes(6)) if colour == 3 else b"") + rest
        if depth in depths:
            assert examine(whole).size_px == (1, 1)
            if colour == 3:
                with pytest.raises(Damaged, match="palette"):
                    examine(b"\x89PNG\r\n\x1a\n" + header + rest)
        else:
            with pytest.raises(Damaged, match="header"):
                examine(whole)


@pytest.mark.parametrize("place", [10, 11, 12])  # compression, filter, interlace
def test_a_png_of_a_method_that_there_is_not_is_damage(place: int) -> None:
    header = bytearray(struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0))
    header[place] = 2
    rest = png_chunk(b"IDAT", zlib.compress(bytes(2))) + png_chunk(b"IEND")
    with pytest.raises(Damaged, match="header"):
        examine(b"\x89PNG\r\n\x1a\n" + png_chunk(b"IHDR", bytes(header)) + rest)


def test_a_webp_whose_picture_is_not_as_large_as_its_canvas_is_damage() -> None:
    """RFC 9649, section 2.7; libwebp does not draw it."""
    data = bytearray(webp_with_transparency())
    assert data[12:16] == b"VP8X"
    data[24] ^= 1  # the width of the canvas
    with pytest.raises(Damaged, match="as large"):
        examine(bytes(data))
    with pytest.raises(OSError, match="decoder"), Image.open(io.BytesIO(data)) as image:
        image.load()


def test_a_png_whose_pixels_end_early_behind_right_checksums_fails_full_decoding() -> None:
    short = b"\x89PNG\r\n\x1a\n" + HEADER + png_chunk(b"IDAT", zlib.compress(bytes(9))) + END
    assert examine(short).kind is Kind.PNG
    with pytest.raises(Damaged):
        decode_fully(short, Kind.PNG)


def jpg_segment(code: int, content: bytes) -> bytes:
    return bytes([0xFF, code]) + struct.pack(">H", len(content) + 2) + content


FRAME = jpg_segment(0xC0, struct.pack(">BHHB", 8, 16, 24, 1) + b"\1\x11\0")
SCAN = jpg_segment(0xDA, b"\1\1\0\0\x3f\0")


def test_the_handmade_jpeg_frame_and_scan_are_whole() -> None:
    six_blocks = FRAME + jpg_segment(0xDD, b"\0\5") + SCAN + b"\x12\xff\0\xff\xd0\x34"
    assert examine(b"\xff\xd8" + six_blocks + b"\xff\xd9").size_px == (24, 16)


@pytest.mark.parametrize(
    "middle",
    [
        b"",
        FRAME,
        SCAN + b"\x12",
        FRAME + SCAN,  # no entropy-coded data
        SCAN + b"\x12" + FRAME,
        FRAME + FRAME + SCAN + b"\x12",
        FRAME + SCAN + b"\x12\xff\xd8" + FRAME,  # a second start of image
        FRAME + b"\xff\xd0" + SCAN + b"\x12",  # a restart outside a scan
        FRAME + b"\xff\xd0\0\2" + SCAN + b"\x12",  # the same, with what looks like a length
        FRAME + b"\xff\xda\0\0\x12",  # a scan header of no length
        FRAME + SCAN + b"\x12\xff\xd9",  # a second end of image
        b"\xff\xfe\0\1" + FRAME + SCAN + b"\x12",  # a segment shorter than its own length
        b"\x12" + FRAME + SCAN + b"\x12",
        jpg_segment(0xC0, b"\x08\0\x10") + SCAN + b"\x12",
        jpg_segment(0xC0, struct.pack(">BHHB", 8, 0, 24, 1)) + SCAN + b"\x12",
    ],
)
def test_jpeg_markers_in_no_lawful_order_are_damage(middle: bytes) -> None:
    with pytest.raises(Damaged):
        examine(b"\xff\xd8" + middle + b"\xff\xd9")


@pytest.mark.parametrize(
    "place", [12, 16, 20, 22, 23]
)  # name, length, frame tag, first partition, start code
def test_a_webp_with_a_broken_chunk_header_is_damage(place: int) -> None:
    data = bytearray(WHOLE["webp"][1])
    data[place] ^= 0xFF
    with pytest.raises(Damaged):
        examine(bytes(data))


def test_a_jpeg_with_fill_bytes_before_a_marker_is_whole() -> None:
    plain = WHOLE["jpg"][1]
    filled = plain[:2] + b"\xff\xff" + plain[2:-2] + b"\xff" + plain[-2:]
    assert examine(filled).kind is Kind.JPG  # ITU-T T.81 section B.1.1.2


def test_a_stored_page_or_cut_image_is_told_in_a_clause_and_stops_no_check() -> None:
    whole = encode("PNG")
    assert fault_of(whole, "png") is None
    told = [fault_of(b"<html>sign in</html>", "png"), fault_of(whole[:-9], "png"), fault_of(whole, "jpg")]
    assert all(told)
    assert "HTML" in str(told[0])
    assert "png" in str(told[2])


def test_full_decoding_names_a_tile_of_another_kind() -> None:
    with pytest.raises(Damaged, match="is png, not jpg"):
        decode_fully(WHOLE["png"][1], Kind.JPG)


@pytest.mark.parametrize(
    ("body", "what"),
    [
        (b"", "nothing (empty body)"),
        (b"<!DOCTYPE html><title>Welcome</title>", "an HTML page"),
        (b"\xef\xbb\xbf\r\n  <HTML><body>", "an HTML page"),
        (b"<!-- portal --><html>", "an HTML page"),
        (b"<script>location='/'</script>", "an HTML page"),
        (b'<?xml version="1.0"?><html xmlns="http://www.w3.org/1999/xhtml">', "an HTML page"),
        (b'<?xml version="1.0"?><ServiceException/>', "an XML document"),
        (b'{"error": "quota"}', "a JSON document"),
        (b"[1, 2]", "a JSON document"),
        (b"Rate limit exceeded\n", "plain text"),
        ("Zugriff verweigert: Schlüssel".encode(), "plain text"),
        (encode("GIF"), "a GIF image"),
        (encode("BMP"), "unknown bytes"),
        (b"RIFF\x04\0\0\0WAVE", "unknown bytes"),
        (bytes(100), "unknown bytes"),
        (zipped(b"<html></html>"), "an HTML page"),
        (zipped(b""), "nothing (empty body)"),
    ],
)
def test_what_is_no_tile_is_named_in_plain_words(body: bytes, what: str) -> None:
    with pytest.raises(NotATile) as caught:
        examine(body)
    assert caught.value.what == what


# Content codings.

TEXT = b"contour " * 500


@pytest.mark.parametrize(
    ("body", "coding"),
    [
        (TEXT, None),
        (TEXT, ""),
        (TEXT, "identity"),
        (zipped(TEXT), "gzip"),
        (zipped(TEXT), "X-GZIP"),
        (zipped(TEXT), "gzip, identity"),
        (zipped(zlib.compress(TEXT)), "deflate, gzip"),
        (zlib.compress(TEXT), "deflate"),
        (zlib.compress(TEXT, wbits=-15), "deflate"),
        (zipped(TEXT[:999]) + zipped(TEXT[999:]), "gzip"),
        (zipped(TEXT[:999]) + zipped(b"") + zipped(TEXT[999:]), "gzip"),
    ],
)
def test_codings_are_undone_to_the_last_byte(body: bytes, coding: str | None) -> None:
    assert unwrap(body, coding, len(TEXT)) == TEXT


@pytest.mark.parametrize("coding", ["gzip", "deflate"])
def test_every_cut_of_a_coded_body_is_damage(coding: str) -> None:
    body = gzip.compress(TEXT) if coding == "gzip" else zlib.compress(TEXT)
    for length in range(len(body)):
        with pytest.raises(Damaged):
            unwrap(body[:length], coding, LIMIT)


@pytest.mark.parametrize("coding", ["gzip", "deflate"])
@given(junk=st.binary(min_size=1, max_size=30))
def test_rubbish_after_a_coded_body_is_damage(coding: str, junk: bytes) -> None:
    body = gzip.compress(TEXT) if coding == "gzip" else zlib.compress(TEXT)
    with pytest.raises(Damaged):
        unwrap(body + junk, coding, LIMIT)


@pytest.mark.parametrize("place", [-1, -5])  # RFC 1952 section 2.3.1: CRC32, then ISIZE, at the end
def test_a_wrong_checksum_or_length_of_gzip_is_damage(place: int) -> None:
    body = bytearray(gzip.compress(TEXT))
    body[place] ^= 1
    with pytest.raises(Damaged):
        unwrap(bytes(body), "gzip", LIMIT)


def test_a_body_that_only_claims_to_be_gzip_is_damage() -> None:
    with pytest.raises(Damaged, match="no gzip header"):
        unwrap(TEXT, "gzip", LIMIT)


@pytest.mark.parametrize("coding", ["br", "zstd", "gzip, br", "compress", "secret\x01value" * 9, "gzip," * 9])
def test_a_coding_not_asked_for_is_named_as_such(coding: str) -> None:
    with pytest.raises(UnaskedCoding, match=r"not asked for") as caught:
        unwrap(gzip.compress(TEXT), coding, LIMIT)
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) <= 80


def test_a_decompression_bomb_stops_at_the_limit() -> None:
    bomb = gzip.compress(bytes(50_000_000))
    for body, coding in [(bomb, "gzip"), (bomb[:-9], "gzip"), (zlib.compress(bytes(5_000_000)), "deflate")]:
        with pytest.raises(TooBig):
            unwrap(body, coding, 100_000)
    with pytest.raises(TooBig):
        unwrap(gzip.compress(bytes(60_000)) * 2, "gzip", 100_000)
    with pytest.raises(TooBig):
        unwrap(gzip.compress(b"") * 100_000, "gzip", 100_000)
    with pytest.raises(TooBig):
        examine(gzip.compress(bytes(50_000_000)))


def test_content_of_exactly_the_limit_passes() -> None:
    assert len(unwrap(gzip.compress(TEXT), "gzip", len(TEXT))) == len(TEXT)
    with pytest.raises(TooBig):
        unwrap(gzip.compress(TEXT), "gzip", len(TEXT) - 1)
    with pytest.raises(TooBig):
        unwrap(TEXT, None, len(TEXT) - 1)


# Vector tiles, against tiles written by GDAL.


def test_vector_tiles_written_by_gdal_are_whole_bare_and_packed() -> None:
    tiles = vector_tiles()
    assert len(tiles) > 3
    for bare in tiles:
        packed = pack_vector(bare)
        for data in (bare, packed):
            assert examine(data).kind is Kind.PBF
            decode_fully(data, Kind.PBF)
        assert gzip.decompress(packed) == bare


def test_packing_is_repeatable_and_never_done_twice() -> None:
    bare = vector_tiles()[-1]
    packed = pack_vector(bare)
    assert packed[:2] == b"\x1f\x8b"
    assert packed[4:8] == bytes(4)  # RFC 1952 section 2.3.1: MTIME
    assert pack_vector(bare) == packed == pack_vector(packed)
    dated = gzip.compress(bare, mtime=1_700_000_000)
    assert pack_vector(dated) == dated


def test_several_members_are_packed_into_one_for_readers_that_stop_after_the_first() -> None:
    bare = vector_tiles()[-1]
    packed = pack_vector(gzip.compress(bare[:50]) + gzip.compress(bare[50:]))
    assert packed == pack_vector(bare)
    stream = zlib.decompressobj(31)
    assert stream.decompress(packed) == bare
    assert stream.unused_data == b""


def field(number: int, content: bytes | int) -> bytes:
    """One protobuf field, by the encoding's own rules; content and numbers here stay below 128."""
    if isinstance(content, int):
        return bytes([number << 3, content])
    return bytes([number << 3 | 2, len(content)]) + content


NAME, VERSION = field(1, b"roads"), field(15, 2)
TAGS = field(3, b"name") + field(4, field(1, b"ridge"))
LINE = field(4, bytes([9, 4, 4, 10, 1, 1]))  # MoveTo 2,2; LineTo: the specification's example, shortened


def layer(*features: bytes) -> bytes:
    return field(3, NAME + b"".join(field(2, feature) for feature in features) + TAGS + VERSION)


def test_the_handmade_layer_is_whole() -> None:
    tile = layer(field(2, b"\0\0") + field(3, 2) + LINE)
    assert examine(tile).kind is Kind.PBF
    decode_fully(tile, Kind.PBF)


@pytest.mark.parametrize(
    "tile",
    [
        field(3, NAME),
        field(3, VERSION),
        field(3, b""),
        layer() + field(4, b"x"),
        layer() + b"\x1b",
        layer() + b"\x1a",
        layer() + b"\x02\x00",
        layer() + b"\x1a" + b"\xff" * 11,
        layer()[:-1],
        layer(field(2, b"\0\0")) + layer(),  # two answers in one: their layers have the same names
    ],
)
def test_bytes_not_laid_out_as_layers_are_damage(tile: bytes) -> None:
    with pytest.raises(Damaged):
        examine(tile)


def test_two_vector_tiles_packed_in_one_body_are_damage() -> None:
    """Vector Tile Specification 2.1, section 4.1: a tile must not have two layers whose names are the same bytes."""
    with pytest.raises(Damaged, match="same name"):
        examine(gzip.compress(layer()) + gzip.compress(layer()))
    roads, water = layer(), layer().replace(b"roads", b"water")
    assert examine(gzip.compress(roads) + gzip.compress(water)).kind is Kind.PBF


@pytest.mark.parametrize(
    "feature",
    [
        field(2, b"\0"),
        field(2, b"\1\0"),
        field(2, b"\0\1"),
        field(3, 2) + field(4, bytes([9, 4])),
        field(3, 2) + field(4, bytes([11, 4, 4])),
        field(3, 2) + field(4, b"\x80"),
    ],
)
def test_a_broken_feature_fails_the_full_walk(feature: bytes) -> None:
    tile = layer(feature)
    assert examine(tile).kind is Kind.PBF
    with pytest.raises(Damaged):
        decode_fully(tile, Kind.PBF)


def test_a_bare_vector_tile_cut_within_a_layer_is_damage_and_between_layers_is_not_seen() -> None:
    tile = layer() + layer(LINE)
    for length in range(1, len(tile)):
        if length == len(layer()):
            assert examine(tile[:length]).kind is Kind.PBF  # the known gap, closed by asking for framing
        else:
            with pytest.raises(Damaged):
                examine(tile[:length])


@given(rest=st.binary(max_size=60))
def test_any_bytes_after_a_layer_key_are_a_tile_or_damage(rest: bytes) -> None:
    assert len(finding(b"\x1a" + rest, Kind.PBF)) <= 80
