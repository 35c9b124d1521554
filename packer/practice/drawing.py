"""Roads, tracks, fields and houses of the practice survey, drawn over a tile."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from PIL import Image, ImageDraw

from packer.geometry.grid import EQUATOR_M, Floats, x_at, y_at
from packer.practice.place import waypoint, ways
from packer.practice.terrain import BASIN_LAT, Patch, lattice_hash

__all__ = ["Overlay", "overlay"]

Colour = tuple[int, int, int]
LayerName = Literal["aerial", "relief"]

_FIRST_ZOOM = 10
_SCALE = 2  # drawn at twice the size and halved, which softens the edges
_METRE = 1 / (EQUATOR_M * math.cos(math.radians(BASIN_LAT)))  # in grid fractions


@dataclass(frozen=True, slots=True)
class Overlay:
    """What to lay over a tile: colours (3, rows, columns) and their share (rows, columns), 0 to 1."""

    rgb: Patch
    share: Patch


class _LineStyle(NamedTuple):
    colour: Colour
    width_m: float
    least_px: float
    strength: int  # of 255


_LOOKS: dict[LayerName, dict[str, _LineStyle]] = {
    "aerial": {
        "road": _LineStyle((222, 210, 186), 7.0, 1.0, 235),
        "track": _LineStyle((214, 198, 168), 3.2, 0.8, 190),
        "trail": _LineStyle((212, 192, 158), 1.5, 0.5, 140),
    },
    "relief": {
        "road": _LineStyle((150, 66, 48), 8.0, 2.2, 255),
        "track": _LineStyle((128, 96, 70), 4.0, 1.4, 235),
        "trail": _LineStyle((90, 78, 70), 2.0, 1.2, 210),
    },
}
_CROPS: tuple[Colour, ...] = ((104, 124, 66), (128, 136, 76), (190, 168, 112), (150, 120, 86), (88, 108, 58))
_ROOFS: tuple[Colour, ...] = ((206, 198, 188), (158, 104, 84), (176, 164, 150), (226, 222, 214))
_CAST: Colour = (62, 54, 46)
_WALLS: Colour = (70, 62, 58)


class _Shape(NamedTuple):
    """A polygon in grid fractions, and how each layer fills it (None: not at all)."""

    ring: Floats
    aerial: Colour
    relief: Colour | None
    first_zoom: int


class _Line(NamedTuple):
    kind: str
    points: Floats


def _box(points: Floats) -> tuple[float, float, float, float]:
    return (*points.min(axis=0).tolist(), *points.max(axis=0).tolist())


@functools.lru_cache(maxsize=1)
def _lines() -> tuple[list[_Line], Floats]:
    """All ways in short pieces, in grid fractions, and their boxes (n, 4)."""
    pieces = []
    for way in sorted(ways(), key=lambda w: ("trail", "track", "road").index(w.kind)):
        points = np.column_stack([x_at(way.line[:, 0]), y_at(way.line[:, 1])])
        pieces += [_Line(way.kind, points[n : n + 17]) for n in range(0, len(points) - 1, 16)]
    return pieces, np.array([_box(piece.points) for piece in pieces])


def _draws(salt: int, count: int, each: int) -> Floats:
    """Numbers in 0 to 1, (count, each), from hashes."""
    return lattice_hash(np.arange(count), np.arange(each), salt).astype(np.float64) * 2.0**-32


def _rectangle(middle: tuple[float, float], along_m: float, across_m: float, turn: float) -> Floats:
    c, s = math.cos(turn), math.sin(turn)
    corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * (along_m / 2, across_m / 2)
    ring: Floats = np.array(middle) + corners @ np.array([(c, s), (-s, c)]) * _METRE
    return ring


def _fields(place: str, turn: float, columns: int, rows: int, salt: int) -> list[_Shape]:
    """Parcels in rows south-east of a place, some left fallow."""
    lon, lat = waypoint(place)
    origin = np.array([float(x_at(lon)), float(y_at(lat))])
    c, s = math.cos(turn), math.sin(turn)
    shapes = []
    for n, (kept, crop, trim, slide) in enumerate(_draws(salt, columns * rows, 4)):
        if kept < 0.25:
            continue
        row, column = divmod(n, columns)
        ahead, aside = 150 + column * 128, 90 + row * 74 + slide * 6
        middle = origin + np.array([c * ahead - s * aside, s * ahead + c * aside]) * _METRE
        ring = _rectangle((middle[0], middle[1]), 118 - 30 * trim, 68, turn)
        shapes.append(_Shape(ring, _CROPS[int(crop * len(_CROPS))], (206, 216, 176), 12))
    return shapes


def _houses(place: str, count: int, reach_m: float, size_m: float, salt: int) -> list[_Shape]:
    lon, lat = waypoint(place)
    x, y = float(x_at(lon)), float(y_at(lat))
    shapes = []
    for far, way, turn, length, roof in _draws(salt, count, 5):
        out_m = 25 + reach_m * far**0.7
        middle = (x + math.cos(way * 6.283) * out_m * _METRE, y + math.sin(way * 6.283) * out_m * _METRE)
        long_m, angle = size_m * (1 + 0.7 * length), 0.5 + 1.57 * round(turn * 2) + 0.2 * turn
        ring = _rectangle(middle, long_m, size_m * 0.8, angle)
        shapes.append(_Shape(ring + 0.4 * size_m * _METRE, _CAST, None, 16))
        shapes.append(_Shape(ring, _ROOFS[int(roof * len(_ROOFS))], _WALLS, 15))
    return shapes


@functools.lru_cache(maxsize=1)
def _shapes() -> tuple[list[_Shape], Floats]:
    shapes = [
        *_fields("Vellmark", 0.42, 6, 5, salt=501),
        *_fields("Drover's Ford", -0.3, 4, 3, salt=502),
        *_fields("Ostrel Spring", 1.1, 2, 2, salt=503),
        *_houses("Vellmark", 46, 210, 11, salt=511),
        *_houses("Drover's Ford", 9, 120, 10, salt=512),
        *_houses("Ostrel Spring", 3, 60, 8, salt=513),
        *_houses("Ketterling Camp", 14, 70, 5.5, salt=514),
    ]
    return shapes, np.array([_box(shape.ring) for shape in shapes])


def _touching(boxes: Floats, box: tuple[float, float, float, float], reach: float) -> list[int]:
    west, north, east, south = box
    hit = (boxes[:, 0] <= east + reach) & (boxes[:, 2] >= west - reach)
    hit &= (boxes[:, 1] <= south + reach) & (boxes[:, 3] >= north - reach)
    return [int(n) for n in np.flatnonzero(hit)]


def overlay(zoom: int, x: int, y: int, layer: LayerName) -> Overlay | None:
    """The works of man on a tile; None where there are none."""
    if zoom < _FIRST_ZOOM:
        return None
    side = 1 / (1 << zoom)
    box = (x * side, y * side, (x + 1) * side, (y + 1) * side)
    lines, line_boxes = _lines()
    shapes, shape_boxes = _shapes()
    reach = 6 * _METRE + 3 * side / 256  # half of the widest line, however it is drawn
    on_lines = [lines[n] for n in _touching(line_boxes, box, reach)]
    on_shapes = [s for s in (shapes[n] for n in _touching(shape_boxes, box, 0.0)) if zoom >= s.first_zoom]
    if not on_lines and not on_shapes:
        return None
    return _draw(zoom, (box[0], box[1]), layer, on_lines, on_shapes)


def _draw(
    zoom: int, corner: tuple[float, float], layer: LayerName, lines: list[_Line], shapes: list[_Shape]
) -> Overlay:
    px = 256 * _SCALE
    picture = Image.new("RGB", (px, px), _LOOKS[layer]["track"].colour)
    mask = Image.new("L", (px, px), 0)
    on_picture, on_mask = ImageDraw.Draw(picture), ImageDraw.Draw(mask)
    scale = float(px << zoom)

    def pixels(points: Floats) -> list[tuple[float, float]]:
        return [(a, b) for a, b in ((points - corner) * scale).tolist()]

    for shape in shapes:
        fill = shape.aerial if layer == "aerial" else shape.relief
        if fill is not None:
            on_picture.polygon(pixels(shape.ring), fill=fill)
            on_mask.polygon(pixels(shape.ring), fill=225)
    for line in lines:
        look = _LOOKS[layer][line.kind]
        true_px = look.width_m * _METRE * scale
        width = max(1, round(max(true_px, look.least_px * _SCALE)))
        # A line drawn wider than it is lets more of the ground through instead.
        strength = (
            look.strength if layer == "relief" else round(look.strength * min(1.0, (true_px / width) ** 0.5))
        )
        path = pixels(line.points)
        on_picture.line(path, fill=look.colour, width=width, joint="curve")
        on_mask.line(path, fill=strength, width=width, joint="curve")
    rgb = np.asarray(picture.reduce(_SCALE), np.float32).transpose(2, 0, 1)
    share = np.asarray(mask.reduce(_SCALE), np.float32) * np.float32(1 / 255)
    return Overlay(rgb, share)
