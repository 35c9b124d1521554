"""A contact sheet: a few places down, their zooms across, for a planner to look at."""

from __future__ import annotations

import io
import textwrap
from collections.abc import Mapping, Sequence

from PIL import Image, ImageDraw, ImageFont

from packer.errors import AnswerError
from packer.survey.imagery.pixels import image

__all__ = ["sheet"]

_GAP = 6
_HEADING = 26
_LABEL = 176
_TEXT = 13
_PAPER, _PRINT, _HATCH = (255, 255, 255), (30, 30, 30), (170, 170, 170)


def sheet(
    rows: Sequence[tuple[str, Mapping[int, bytes | None]]],
    cell_px: int = 160,
    marks: Sequence[Mapping[int, str]] = (),
) -> bytes:
    """A PNG with one row for each place: its label, then its tile at each zoom, ascending; `marks` has, row by row, a
    word to be written on some of the tiles, such as the verdict on it.

    Columns are all zooms that any row mentions. A tile that is None or not mentioned is drawn as hatching; one
    that cannot be decoded as hatching with a word. Tiles of any size are drawn `cell_px` wide, in their own
    pixels if that is their size, so that detail can be compared along a row; transparency shows as white.
    """
    zooms = sorted({zoom for _, bodies in rows for zoom in bodies})
    width = _LABEL + len(zooms) * (cell_px + _GAP) + _GAP
    height = _HEADING + len(rows) * (cell_px + _GAP) + _GAP
    page = Image.new("RGB", (width, height), _PAPER)
    pen = ImageDraw.Draw(page)
    font = ImageFont.load_default(_TEXT)
    for column, zoom in enumerate(zooms):
        pen.text((_LABEL + _GAP + column * (cell_px + _GAP), _GAP), f"zoom {zoom}", _PRINT, font)
    for line, (label, bodies) in enumerate(rows):
        top = _HEADING + _GAP + line * (cell_px + _GAP)
        pen.multiline_text((_GAP, top), _wrapped(label, font, cell_px), _PRINT, font)
        for column, zoom in enumerate(zooms):
            left = _LABEL + _GAP + column * (cell_px + _GAP)
            page.paste(_cell(bodies.get(zoom), cell_px, font), (left, top))
            if line < len(marks) and (word := marks[line].get(zoom)):
                _write_on(pen, (left, top + cell_px), word, font)
    buffer = io.BytesIO()
    page.save(buffer, "PNG")
    return buffer.getvalue()


def _write_on(
    pen: ImageDraw.ImageDraw,
    corner: tuple[int, int],
    word: str,
    font: ImageFont.FreeTypeFont | ImageFont.ImageFont,
) -> None:
    """A word in the lower left corner of a cell, on paper, since the picture below it may be of any colour."""
    left, bottom = corner
    top = bottom - _TEXT - 6
    pen.rectangle((left, top, left + int(font.getlength(word)) + 7, bottom - 1), fill=_PAPER)
    pen.text((left + 4, top + 1), word, _PRINT, font)


def _wrapped(label: str, font: ImageFont.FreeTypeFont | ImageFont.ImageFont, room: int) -> str:
    letters = int((_LABEL - 2 * _GAP) / font.getlength("n"))
    lines = textwrap.wrap(label, letters, max_lines=room // (_TEXT + 6), placeholder=" …")
    return "\n".join(lines)


def _cell(body: bytes | None, side: int, font: ImageFont.FreeTypeFont | ImageFont.ImageFont) -> Image.Image:
    if body is None:
        return _hatched(side)
    try:
        with image(body) as opened:
            tile = opened.convert("RGBA")
    except AnswerError:
        # The sheet is for looking at: a damaged tile is shown as such and not let spoil the rest.
        cell = _hatched(side)
        ImageDraw.Draw(cell).text((_GAP, side // 2 - _TEXT), "unreadable", _PRINT, font)
        return cell
    if tile.size != (side, side):
        tile = tile.resize((side, side), Image.Resampling.LANCZOS)
    cell = Image.new("RGB", (side, side), _PAPER)
    cell.paste(tile, mask=tile.getchannel("A"))
    return cell


def _hatched(side: int) -> Image.Image:
    cell = Image.new("RGB", (side, side), _PAPER)
    pen = ImageDraw.Draw(cell)
    for start in range(-side, side, 12):
        pen.line((start, side, start + side, 0), _HATCH)
    pen.rectangle((0, 0, side - 1, side - 1), outline=_HATCH)
    return cell
