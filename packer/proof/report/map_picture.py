"""The coverage map of one layer: what is complete, partial, absent and missing, over the ground."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from PIL import Image, ImageDraw

from packer.geometry.grid import Floats, ground_scale, latitude_at, longitude_at
from packer.geometry.shapes import Corridor, Polygons, Rectangle, Waypoint, wrapped
from packer.planning.plan import OVERVIEW, LayerPlan, Plan
from packer.proof.report.coverage import State, squares
from packer.proof.report.frame import PictureFrame, frame_round
from packer.proof.report.ink import COURSE, GRID, INK, LABELS, PAPER, TINT, font, paint, swatch
from packer.proof.results import LayerFindings

__all__ = ["map_picture", "numbered_waypoints"]

_EDGE, _FOOT = 54, 74
_MOST_WAYPOINTS = 60
_MARK = 15  # pixels from the middle of a waypoint's mark to its end, and a little


def numbered_waypoints(plan: Plan) -> list[Waypoint]:
    """The waypoints that pictures number from 1, in the order of the brief."""
    found: dict[tuple[str, float, float], Waypoint] = {}
    for shape in plan.shapes.values():
        if isinstance(shape, Corridor):
            found |= {(w.name, w.lon, w.lat): w for w in shape.waypoints}
    return list(found.values())[:_MOST_WAYPOINTS]


def map_picture(plan: Plan, asked: LayerPlan, layer: LayerFindings) -> Image.Image:
    """An RGB picture, up to about 1500 pixels wide, with scale bar, degrees and key."""
    frame = frame_round(plan)
    picture = Image.new("RGB", (frame.width + 2 * _EDGE, frame.height + _EDGE + _FOOT + 30), PAPER)
    draw = ImageDraw.Draw(picture)
    paint(picture, _states(frame, asked, layer), (_EDGE, _EDGE))
    _degrees(draw, frame)
    _shapes(picture, frame, plan)
    draw.rectangle((_EDGE, _EDGE, _EDGE + frame.width, _EDGE + frame.height), outline=INK, width=2)
    _scale_bar(draw, frame)
    _key(draw, picture, _EDGE + frame.height + 40)
    return picture


def _states(frame: PictureFrame, asked: LayerPlan, layer: LayerFindings) -> Image.Image:
    states = Image.new("L", (frame.width, frame.height), 0)
    draw = ImageDraw.Draw(states)
    finest = min(frame.finest, max(asked.tiles.zooms))
    coarse = max((a.deepest for a in asked.areas if a.name == OVERVIEW), default=-1)
    for level in squares(asked.tiles, layer, finest):
        side = frame.scale / (1 << level.zoom)
        left = (level.x / (1 << level.zoom) - frame.x + 0.25) % 1.0 - 0.25
        top = (level.y / (1 << level.zoom) - frame.y) * frame.scale
        gap = 1 if side >= 6 else 0  # a seam between squares, so that they can be counted
        pale = ~level.deepest | (level.zoom <= coarse)
        fill = np.where(pale, 255 - level.state, level.state)
        for x, y, value in zip((left * frame.scale).tolist(), top.tolist(), fill.tolist(), strict=True):
            if x + side > 0 and y + side > 0 and x < frame.width and y < frame.height:
                box = (round(x), round(y), round(x + side) - 1 - gap, round(y + side) - 1 - gap)
                draw.rectangle(box, fill=value)
    return states


def _shapes(picture: Image.Image, frame: PictureFrame, plan: Plan) -> None:
    drawn = Image.new("RGBA", (frame.width, frame.height), (0, 0, 0, 0))
    draw = ImageDraw.Draw(drawn)
    for line, closed in _outlines(plan):
        points = [(x, y) for x, y in frame.pixels(line[:, 0], line[:, 1]).tolist()]
        if closed:
            draw.line(points, fill=(*COURSE, 255), width=2)
        else:
            draw.line(points, fill=(255, 255, 255, 255), width=9, joint="curve")
            draw.line(points, fill=(*COURSE, 255), width=4, joint="curve")
    for number, place in enumerate(numbered_waypoints(plan), 1):
        ((x, y),) = frame.pixels(np.array([place.lon]), np.array([place.lat])).tolist()
        if not (_MARK < x < frame.width - _MARK and _MARK < y < frame.height - _MARK):
            continue  # one far from all that is planned: half a mark would say that it is just here
        draw.ellipse(
            (x - 13, y - 13, x + 13, y + 13), fill=(255, 255, 255, 255), outline=(*INK, 255), width=2
        )
        draw.text((x, y), str(number), font=font(16), fill=(*INK, 255), anchor="mm")
    picture.paste(drawn, (_EDGE, _EDGE), drawn)


def _outlines(plan: Plan) -> Iterator[tuple[Floats, bool]]:
    """Lines to draw, and whether they are outlines of areas."""
    for shape in plan.shapes.values():
        if isinstance(shape, Polygons):
            for rings in shape.polygons:
                yield from ((ring, True) for ring in rings)
        elif isinstance(shape, Rectangle):
            b = shape.boxes()[0]
            corners = [(b.west, b.north), (b.east, b.north), (b.east, b.south), (b.west, b.south)]
            yield np.array([*corners, corners[0]]), True
        else:
            for line in shape.lines:
                if len(line) > 1:
                    yield line, False
                else:
                    yield _circle(float(line[0, 0]), float(line[0, 1]), shape.half_width_m), True


def _circle(lon: float, lat: float, radius_m: float) -> Floats:
    east_m, north_m = ground_scale(lat)
    turn = np.linspace(0, 2 * np.pi, 49)
    return np.column_stack(
        [
            lon + np.degrees(radius_m / east_m) * np.cos(turn),
            lat + np.degrees(radius_m / north_m) * np.sin(turn),
        ]
    )


def _degrees(draw: ImageDraw.ImageDraw, frame: PictureFrame) -> None:
    """Lines of whole degrees or parts of them, labelled at the edge."""
    step = _round_step(360.0 * frame.width / frame.scale / 6)
    west = float(longitude_at(frame.x))
    for k in range(math.ceil(west / step), math.floor((west + 360 * frame.width / frame.scale) / step) + 1):
        x = _EDGE + (k * step - west) / 360 * frame.scale
        draw.line((x, _EDGE, x, _EDGE + frame.height), fill=GRID)
        draw.text(
            (x, _EDGE - 8), _degree_text(wrapped(k * step), step, "EW"), font=font(17), fill=INK, anchor="ms"
        )
    south, north = (float(latitude_at(frame.y + d / frame.scale)) for d in (frame.height, 0))
    for k in range(math.ceil(south / step), math.floor(north / step) + 1):
        y = _EDGE + float(frame.pixels(np.array([west]), np.array([k * step]))[0, 1])
        draw.line((_EDGE, y, _EDGE + frame.width, y), fill=GRID)
        label = Image.new("L", (110, 22), 0)
        ImageDraw.Draw(label).text(
            (55, 11), _degree_text(k * step, step, "NS"), font=font(17), fill=255, anchor="mm"
        )
        turned = label.rotate(90, expand=True)
        draw.bitmap((_EDGE - 30, round(y) - turned.height // 2), turned, fill=INK)


def _round_step(least: float) -> float:
    for step in (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30):
        if step >= least:
            return step
    return 60.0


def _degree_text(value: float, step: float, sides: str) -> str:
    places = max(0, math.ceil(-math.log10(step) - 1e-9))
    side = "" if abs(value) < step / 2 else sides[0] if value > 0 else sides[1]
    return f"{abs(value):.{places}f}°{side}"


def _scale_bar(draw: ImageDraw.ImageDraw, frame: PictureFrame) -> None:
    """A bar of a round length, true at the middle latitude, and an arrow to the north."""
    metre_px = frame.scale / (float(ground_scale(frame.middle_latitude)[0]) * 2 * math.pi)
    length_m = max(
        (m * 10**e for e in range(7) for m in (1, 2, 5) if m * 10**e * metre_px <= 0.28 * frame.width),
        default=1,
    )
    x1, y = _EDGE + frame.width - 24, _EDGE + frame.height - 22
    x0 = x1 - length_m * metre_px
    draw.rectangle((x0 - 12, y - 34, x1 + 12, y + 12), fill=PAPER, outline=GRID)
    draw.line((x0, y - 8, x0, y, x1, y, x1, y - 8), fill=INK, width=3)
    text = f"{length_m // 1000:,} km" if length_m >= 1000 else f"{length_m} m"
    draw.text(((x0 + x1) / 2, y - 6), text, font=font(18), fill=INK, anchor="ms")
    x, top = _EDGE + frame.width - 34, _EDGE + 16
    draw.rectangle((x - 18, top - 6, x + 18, top + 56), fill=PAPER, outline=GRID)
    draw.polygon([(x, top), (x - 10, top + 28), (x, top + 21), (x + 10, top + 28)], fill=INK)
    draw.text((x, top + 50), "N", font=font(20), fill=INK, anchor="ms")


def _key(draw: ImageDraw.ImageDraw, picture: Image.Image, y: int) -> None:
    entries = [(int(state), LABELS[state]) for state in LABELS] + [
        (255 - State.COMPLETE, "complete, coarse only")
    ]
    x = _EDGE
    for state, text in entries:
        width = 34 + 12 + round(draw.textlength(text, font=font(19))) + 26
        if x + width > picture.width and x > _EDGE:
            x, y = _EDGE, y + 34
        if state == 255 - State.COMPLETE:
            draw.rectangle((x, y, x + 34, y + 24), fill=TINT, outline=INK)
        else:
            swatch(draw, picture, state, (x, y, x + 34, y + 24))
        draw.text((x + 44, y + 12), text, font=font(19), fill=INK, anchor="lm")
        x += width
