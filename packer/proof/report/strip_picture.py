"""The walk along one line as a strip: kilometres across, and down to which zoom the map is complete."""

from __future__ import annotations

import math
from collections.abc import Sequence

from PIL import Image, ImageDraw

from packer.proof.report.coverage import State
from packer.proof.report.ink import GRID, INK, LABELS, PAPER, font, paint, swatch
from packer.proof.walk import LineWalk, Stretch

__all__ = ["strip_picture"]

_WIDE, _BAND, _LEFT, _RIGHT, _TOP = 1130, 110, 190, 80, 30
_LEVELS = 8  # zooms shown below the deepest; what lacks at coarser ones reaches the floor
_LEAST_PX = 4  # a gap is never drawn narrower, however long the line


def strip_picture(walks: Sequence[LineWalk]) -> Image.Image:
    """An RGB picture of one line's walk through each of its layers; gaps are numbered through."""
    height = _TOP + len(walks) * (_BAND + 48) + 84
    picture = Image.new("RGB", (_LEFT + _WIDE + _RIGHT, height), PAPER)
    draw = ImageDraw.Draw(picture)
    y, number = _TOP, 0
    for walk in walks:
        number = _band(picture, draw, walk, y + 24, number)
        y += _BAND + 48
    _axis(draw, walks[0].length_m, _TOP + 24, y)
    _key(draw, picture, y + 52)
    return picture


def _state(stretch: Stretch, deepest: int) -> State:
    if stretch.complete_to == deepest:
        return State.COMPLETE
    if not stretch.missing and stretch.absent:
        return State.NONE
    return State.MISSING


def _band(picture: Image.Image, draw: ImageDraw.ImageDraw, walk: LineWalk, y: int, number: int) -> int:
    states = Image.new("L", (_WIDE + 1, _BAND), 0)
    inside = ImageDraw.Draw(states)
    levels = min(_LEVELS, walk.deepest - walk.first + 1)
    floor = walk.deepest - levels
    marks = []
    for stretch in sorted(walk.stretches, key=lambda s: s.complete_to != walk.deepest):
        a, b = (round(m / max(walk.length_m, 1) * _WIDE) for m in (stretch.from_m, stretch.to_m))
        gap = stretch.complete_to != walk.deepest
        b = min(max(b, a + (_LEAST_PX if gap else 0)), _WIDE)
        a = min(a, b - _LEAST_PX) if gap else a
        reached = 0 if stretch.complete_to is None else max(0, stretch.complete_to - floor)
        split = _BAND - round(_BAND * reached / levels)
        inside.rectangle((a, split, b, _BAND), fill=int(State.COMPLETE))
        if gap:
            inside.rectangle((a, 0, b, split - 1), fill=int(_state(stretch, walk.deepest)))
            marks.append((a + b) / 2 + _LEFT)
    paint(picture, states, (_LEFT, y))
    draw.rectangle((_LEFT, y, _LEFT + _WIDE, y + _BAND), outline=INK, width=2)
    draw.text((_LEFT - 12, y + _BAND / 2), _short(walk.layer), font=font(27), fill=INK, anchor="rm")
    draw.text((_LEFT + _WIDE + 10, y), f"z{walk.deepest}", font=font(23), fill=INK, anchor="lt")
    draw.text((_LEFT + _WIDE + 10, y + _BAND), f"z{floor + 1}", font=font(23), fill=INK, anchor="ls")
    last = -math.inf
    for x in sorted(marks):
        number += 1
        if x - last >= 22:
            last = x
            draw.polygon([(x, y - 2), (x - 6, y - 10), (x + 6, y - 10)], fill=INK)
            draw.text((x, y - 11), str(number), font=font(20), fill=INK, anchor="ms")
    return number


def _short(text: str) -> str:
    return text if len(text) <= 14 else text[:13] + "…"


def _axis(draw: ImageDraw.ImageDraw, length_m: float, top: int, y: int) -> None:
    length_km = max(length_m / 1000, 0.001)
    step = next(
        (m * 10.0**e for e in range(-2, 5) for m in (1, 2, 5) if length_km / (m * 10.0**e) <= 12), 1e5
    )
    for k in range(math.floor(length_km / step + 1e-9) + 1):
        x = _LEFT + k * step / length_km * _WIDE
        draw.line((x, y - 16, x, y - 6), fill=INK, width=2)
        draw.line((x, top, x, y - 16), fill=GRID)
        draw.text((x, y), f"{k * step:g}", font=font(23), fill=INK, anchor="mt")
    draw.line((_LEFT, y - 16, _LEFT + _WIDE, y - 16), fill=INK, width=2)
    draw.text((_LEFT - 12, y), "km", font=font(23), fill=INK, anchor="rt")


def _key(draw: ImageDraw.ImageDraw, picture: Image.Image, y: int) -> None:
    x = _LEFT
    words = {State.COMPLETE: "complete to this depth", State.MISSING: "gap: " + LABELS[State.MISSING]}
    words[State.NONE] = "gap: " + LABELS[State.NONE]
    for state, text in words.items():
        swatch(draw, picture, state, (x, y, x + 34, y + 22))
        draw.text((x + 44, y + 11), text, font=font(22), fill=INK, anchor="lm")
        x += 44 + round(draw.textlength(text, font=font(22))) + 34
