"""Tiles whose truth is known: cut from real pictures and drawn maps, at their own zoom or enlarged.

A *native* case is a 256 px tile cut from a picture and, as its parent, the reduced square round it. An
*enlarged* case is made the way a server makes it that has no imagery left: a piece of 128, 64 or 32 px of a
picture, with the parent enlarged likewise (or native, for a factor of 2). Both are then coded on their own.
"""

from __future__ import annotations

import io
import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

__all__ = [
    "CALIBRATION",
    "CODINGS",
    "EVALUATION",
    "FLAT",
    "WAYS",
    "Case",
    "cases",
    "encode",
    "flat_cases",
    "picture",
    "sheet_rows",
]

Pixels = npt.NDArray[np.uint8]
SIDE = 256
_PAD = 288  # room for a parent round any tile, and for the filters' reach

# The thresholds were tuned on the first set only; every figure reported comes from the second.
CALIBRATION = ("forest_road", "sand_pines", "mountains", "gravel", "faded:gravel", "map:1", "map:2")
EVALUATION = (
    "meadow",
    "colony",
    "deadwood",
    "windfall",
    "hillshade",
    "palace",
    "faded:meadow",
    "faded:windfall",
    "faded:colony",
    "map:11",
    "map:12",
    "map:13",
)
FLAT = ("water", "snow", "sand", "dusk")
CODINGS = ("png", "jpeg90", "jpeg80", "jpeg70", "jpeg60")

_FILTERS = {
    "nearest": Image.Resampling.NEAREST,
    "bilinear": Image.Resampling.BILINEAR,
    "bicubic": Image.Resampling.BICUBIC,
    "lanczos": Image.Resampling.LANCZOS,
}
WAYS = tuple((factor, kind) for factor in (2, 4, 8) for kind in ("nearest", "bilinear", "bicubic"))
_REDUCERS = (Image.Resampling.BOX, Image.Resampling.BILINEAR, Image.Resampling.LANCZOS)


@dataclass(frozen=True, slots=True)
class Case:
    """One child with its parent, and what is true of it.

    `texture` is the standard deviation, in grey levels, of what lies between a pixel and twice its size: in
    a native tile as coded, and for an enlarged tile in the piece that was enlarged, coded likewise.
    """

    picture: str
    truth: Literal["native", "enlarged"]
    factor: int
    kind: str
    coding: str
    texture: float
    child: bytes
    parent: bytes
    quadrant: tuple[int, int]

    @property
    def decidable(self) -> bool:
        """Whether there is anything to judge by: 3 levels are just visible as texture."""
        return self.texture >= 3.0


def encode(image: Image.Image, coding: str) -> bytes:
    """A body in one of `CODINGS`, or "webp80", or "palette": PNG of 256 colours."""
    buffer = io.BytesIO()
    if coding == "png":
        image.save(buffer, "PNG", compress_level=1)
    elif coding == "palette":
        image.convert("P", palette=Image.Palette.ADAPTIVE, colors=256).save(buffer, "PNG")
    elif coding.startswith("jpeg"):
        image.save(buffer, "JPEG", quality=int(coding[4:]))
    else:
        image.save(buffer, "WEBP", quality=int(coding[4:]), method=0)
    return buffer.getvalue()


@cache
def picture(name: str, level: int) -> Pixels:
    """A picture (rows, columns, 3) reduced `level` times by 2.

    "map:N" is drawn afresh at each level; "faded:" before a name leaves three tenths of the contrast.
    """
    if name.startswith("map:"):
        return _drawn(int(name[4:]), level)
    if name.startswith("faded:"):
        vivid = picture(name[6:], level).astype(np.float64)
        mean = vivid.mean(axis=(0, 1))
        return np.asarray(np.rint(mean + 0.3 * (vivid - mean)), dtype=np.uint8)
    with Image.open(Path(__file__).parent / f"{name}.webp") as file:
        image = file.convert("RGB")
    return np.asarray(image.reduce(1 << level) if level else image)


@cache
def _padded(name: str, level: int) -> Pixels:
    whole = picture(name, level)
    return np.pad(whole, ((_PAD, _PAD), (_PAD, _PAD), (0, 0)), mode="symmetric")


def _square(name: str, level: int, x: int, y: int, side: int) -> Image.Image:
    whole = _padded(name, level)
    return Image.fromarray(whole[y + _PAD : y + _PAD + side, x + _PAD : x + _PAD + side])


def _texture(piece: Image.Image, coding: str) -> float:
    with Image.open(io.BytesIO(encode(piece, coding))) as coded:
        grey = coded.convert("RGB").convert("L")
    half = grey.reduce(2).resize(grey.size, Image.Resampling.BICUBIC)
    return float(np.std(np.asarray(grey, dtype=np.float64) - np.asarray(half, dtype=np.float64)))


def _native(name: str, level: int, coding: str, chance: random.Random) -> Case:
    height, width = picture(name, level).shape[:2]
    x = chance.randrange(0, width - SIDE + 1, 2)
    y = chance.randrange(0, height - SIDE + 1, 2)
    qx, qy = chance.randrange(2), chance.randrange(2)
    child = _square(name, level, x, y, SIDE)
    if name.startswith("map:"):
        parent = _square(name, level + 1, x // 2 - qx * 128, y // 2 - qy * 128, SIDE)
    else:
        round_it = _square(name, level, x - qx * SIDE, y - qy * SIDE, 2 * SIDE)
        parent = round_it.resize((SIDE, SIDE), chance.choice(_REDUCERS))
    return Case(
        name,
        "native",
        1,
        "native",
        coding,
        _texture(child, coding),
        encode(child, coding),
        encode(parent, coding),
        (qx, qy),
    )


def _enlarge(name: str, level: int, box: tuple[int, int, int], factor: int, kind: str) -> Image.Image:
    x, y, side = box
    if factor == 1:
        return _square(name, level, x, y, side)
    margin = 4
    round_it = _square(name, level, x - margin, y - margin, side + 2 * margin)
    size = (side + 2 * margin) * factor
    big = round_it.resize((size, size), _FILTERS[kind])
    return big.crop((margin * factor, margin * factor, (margin + side) * factor, (margin + side) * factor))


def _enlarged(name: str, level: int, factor: int, kind: str, coding: str, chance: random.Random) -> Case:
    side = SIDE // factor
    height, width = picture(name, level).shape[:2]
    x = chance.randrange(0, max(width - side, 1))
    y = chance.randrange(0, max(height - side, 1))
    qx, qy = chance.randrange(2), chance.randrange(2)
    child = _enlarge(name, level, (x, y, side), factor, kind)
    parent = encode(
        _enlarge(name, level, (x - qx * side, y - qy * side, 2 * side), factor // 2, kind), coding
    )
    if factor == 2 and chance.random() < 0.5:  # some servers enlarge the tile as sent, losses and all
        with Image.open(io.BytesIO(parent)) as sent:
            piece = sent.convert("RGB").crop((qx * 128, qy * 128, qx * 128 + 128, qy * 128 + 128))
        child = piece.resize((SIDE, SIDE), _FILTERS[kind])
    texture = _texture(_square(name, level, x, y, side), coding)
    return Case(name, "enlarged", factor, kind, coding, texture, encode(child, coding), parent, (qx, qy))


def cases(
    names: Sequence[str],
    each: int,
    seed: int,
    codings: Sequence[str] = CODINGS,
    ways: Sequence[tuple[int, str]] = WAYS,
) -> Iterator[Case]:
    """`each` native and `each` enlarged cases for every picture and coding, in a mix fixed by the seed."""
    chance = random.Random(seed)
    for name in names:
        levels = [n for n in range(3) if min(picture(name, n).shape[:2]) >= SIDE]
        for coding in codings:
            for _ in range(each):
                yield _native(name, chance.choice(levels), coding, chance)
                factor, kind = chance.choice(ways)
                yield _enlarged(name, chance.choice(levels), factor, kind, coding, chance)


def _drawn(seed: int, level: int) -> Pixels:
    """An invented street map, 1024 px at level 0: lines keep their width in pixels at every level."""
    chance = random.Random(seed)
    side = 1024 >> level
    paper = chance.randrange(225, 250), chance.randrange(225, 250), chance.randrange(225, 250)
    smooth = 2 if seed % 3 else 1  # every third map is drawn without smoothing, as old map servers do
    scale = side * smooth
    image = Image.new("RGB", (scale, scale), paper)
    pen = ImageDraw.Draw(image)

    for _ in range(12):
        tint = chance.randrange(170, 240), chance.randrange(170, 240), chance.randrange(170, 240)
        pen.polygon(_path(chance, 9, 0.25, scale), fill=tint)
    for width, count, points, reach in ((2, 260, 4, 0.06), (4, 60, 9, 0.12), (7, 14, 12, 0.2)):
        for _ in range(count):
            line = _path(chance, points, reach, scale)
            dark = chance.randrange(60, 150), chance.randrange(60, 150), chance.randrange(60, 150)
            light = chance.randrange(200, 256), chance.randrange(200, 256), chance.randrange(200, 256)
            pen.line(line, fill=dark, width=width * smooth, joint="curve")
            if width > 2:
                pen.line(line, fill=light, width=(width - 2) * smooth, joint="curve")
    for _ in range(120):
        x, y = chance.random() * scale, chance.random() * scale
        pen.rectangle((x, y, x + scale / 60, y + scale / 75), fill=(190, 180, 170))
    font = ImageFont.load_default(11 * smooth)
    for number in range(90):
        name = chance.choice(("Alder Fork", "Mossgill", "Tarn Lane", "Upper Reach", "Quarry Rd", "Saddle"))
        at = (chance.random() * scale, chance.random() * scale)
        pen.text(at, f"{name} {number}", fill=(50, 50, 60), font=font)
    return np.asarray(image.resize((side, side), Image.Resampling.LANCZOS) if smooth > 1 else image)


def _path(chance: random.Random, points: int, reach: float, scale: int) -> list[tuple[float, float]]:
    x, y = chance.random(), chance.random()
    path = []
    for _ in range(points):
        path.append((x * scale, y * scale))
        x, y = x + chance.uniform(-reach, reach), y + chance.uniform(-reach, reach)
    return path


def flat_cases(each: int, seed: int) -> Iterator[tuple[str, str, bytes]]:
    """(surface, coding, body) of dull but real-looking ground: a slow gradient under faint grain.

    The grain is generated: 0.8 to 2.5 levels of noise, softened over a pixel or two, as sensors and
    resampling leave it on water, snow and sand.
    """
    chance = np.random.default_rng(seed)
    colours = {"water": (38, 62, 84), "snow": (238, 241, 245), "sand": (214, 190, 150), "dusk": (16, 18, 22)}
    for surface in FLAT:
        for coding in CODINGS:
            for _ in range(each):
                yield surface, coding, encode(_surface(colours[surface], chance), coding)


def _surface(colour: tuple[int, int, int], chance: np.random.Generator) -> Image.Image:
    grain = chance.normal(0.0, 1.0, (SIDE + 2, SIDE + 2))
    grain = (
        grain[:-2, 1:-1] + grain[2:, 1:-1] + grain[1:-1, :-2] + grain[1:-1, 2:] + 2 * grain[1:-1, 1:-1]
    ) / 6
    grain *= chance.uniform(0.8, 2.5) / grain.std()
    y, x = np.mgrid[0:SIDE, 0:SIDE] / SIDE
    slope = chance.uniform(-4, 4) * x + chance.uniform(-4, 4) * y
    grey = (grain + slope)[:, :, None] + np.array(colour, dtype=np.float64)
    return Image.fromarray(np.clip(np.rint(grey), 0, 255).astype(np.uint8))


def sheet_rows(coded: Callable[[Image.Image], bytes]) -> list[tuple[str, dict[int, bytes | None]]]:
    """Rows for a contact sheet: pyramids that end at their own zoom, that are enlarged, and that have holes."""
    rows: list[tuple[str, dict[int, bytes | None]]] = []
    for name, place in (("meadow", "Km 40, ford"), ("colony", "Km 212, spit"), ("map:11", "Town map")):
        above, below = _square(name, 1, 64, 64, SIDE), _square(name, 0, 128, 128, SIDE)
        rows.append((f"{place}: native to zoom 18", {17: coded(above), 18: coded(below)}))
        twice, four = (_enlarge(name, 1, (64, 64, side), SIDE // side, "bilinear") for side in (128, 64))
        rows.append(
            (f"{place}: native to 16, then enlarged", {16: coded(above), 17: coded(twice), 18: coded(four)})
        )
        rows.append((f"{place}: nothing below 16", {16: coded(above), 17: None}))
    rows.append(("Open water", {16: coded(Image.new("RGB", (SIDE, SIDE), (38, 62, 84))), 17: b"?"}))
    return rows
