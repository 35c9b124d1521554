"""Tile matrix sets of a WMTS, held against the grid: which of their matrices are zooms of WebMercatorQuad.

The grid is that of OGC 17-083r4, annex D, its 256-pixel tiles at the scale denominators published there. A set
of 512-pixel tiles over the same square has the denominators of 256-pixel tiles one zoom deeper.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from xml.etree.ElementTree import Element

from packer.geometry.grid import EQUATOR_M, MAX_ZOOM
from packer.sources.offer import OfferError, quoted
from packer.sources.xml_tree import children, text_at

__all__ = ["Matrix", "MatrixSet", "chosen_set", "number", "read_matrix_set", "whole_number"]

_PIXEL_M = 0.00028  # the standardized rendering pixel of 07-057r7, clause 6.1
_AUTHORITIES = ("EPSG", "ESRI", "OSGEO")
# Names of one coordinate system: 3857 and those that it had before the registry gave it that number.
_MERCATOR = {"3857", "900913", "102100", "102113", "3785"}
_SIDES_PX = (256, 512)
_SCALE = 1e-5  # relative; denominators are often written with two decimal places
_CORNER_M = 1.0  # the same for the corner
_LONGEST_IDENTIFIER = 200


@dataclass(frozen=True, slots=True)
class Matrix:
    """One zoom of a set: its identifier, and how many columns and rows it has."""

    identifier: str
    columns: int
    rows: int


@dataclass(frozen=True, slots=True)
class MatrixSet:
    """A set as far as it fits the grid: its matrices by zoom, none where it does not, and their tiles' side."""

    identifier: str
    matrices: Mapping[int, Matrix]
    tile_px: int


def read_matrix_set(element: Element) -> MatrixSet:
    """What of a TileMatrixSet is on the grid. Raises OfferError for a number that is none."""
    name = text_at(element, "Identifier") or ""
    fitting: list[tuple[int, int, Matrix]] = []
    if _is_mercator(text_at(element, "SupportedCRS") or ""):
        fitting = [found for one in children(element, "TileMatrix") if (found := _placed(one))]
    sides = Counter(side for side, _, _ in fitting)
    side = max(sides, key=lambda px: (sides[px], -px), default=256)
    return MatrixSet(name, {zoom: matrix for px, zoom, matrix in reversed(fitting) if px == side}, side)


def chosen_set(sets: Sequence[MatrixSet], wanted: str | None, tile_px: int | None) -> MatrixSet:
    """The set to ask in: the wanted one, or the first whose tiles have the right side, 256 px before 512.

    Raises OfferError where none fits.
    """
    named = [s for s in sets if wanted is None or s.identifier == wanted]
    if wanted is not None and not named:
        raise OfferError(f"the layer has no matrix set {quoted(wanted)}; it has {_listed(sets)}")
    fitting = [s for s in named if s.matrices and tile_px in (None, s.tile_px)]
    if not fitting:
        side = f" of {tile_px} pixels" if tile_px else " of 256 or 512 pixels"
        raise OfferError(
            f"none of its matrix sets ({_listed(named)}) has the grid of WebMercatorQuad in EPSG:3857 with tiles"
            f"{side}"
        )
    return min(fitting, key=lambda s: s.tile_px)


def _listed(sets: Sequence[MatrixSet]) -> str:
    names = [quoted(s.identifier) for s in sets[:8]]
    return ", ".join(names + ([f"{len(sets) - 8} more"] if sets[8:] else [])) or "none"


def _is_mercator(crs: str) -> bool:
    """By the code at the end of a URN, an address or a short name of a coordinate system."""
    short = crs[:_LONGEST_IDENTIFIER].upper()
    return any(name in short for name in _AUTHORITIES) and re.split("[:/]", short)[-1] in _MERCATOR


def _placed(element: Element) -> tuple[int, int, Matrix] | None:
    """Side in pixels, zoom and matrix; None for one that is not on the grid."""
    side, height = whole_number(element, "TileWidth"), whole_number(element, "TileHeight")
    if side != height or side not in _SIDES_PX:
        return None
    metres = number(text_at(element, "ScaleDenominator")) * _PIXEL_M * side
    if not 0 < metres < 2 * EQUATOR_M:
        return None
    zoom = round(math.log2(EQUATOR_M) - math.log2(metres))  # the quotient itself may be infinite
    if not 0 <= zoom <= MAX_ZOOM or abs(metres * 2**zoom / EQUATOR_M - 1) > _SCALE:
        return None
    corner = [number(part) for part in (text_at(element, "TopLeftCorner") or "").split()]
    if len(corner) != 2 or abs(corner[0] + EQUATOR_M / 2) + abs(corner[1] - EQUATOR_M / 2) > 2 * _CORNER_M:
        return None
    identifier = text_at(element, "Identifier") or ""
    columns, rows = whole_number(element, "MatrixWidth"), whole_number(element, "MatrixHeight")
    if not 0 < len(identifier) <= _LONGEST_IDENTIFIER or not (
        0 < columns <= 1 << zoom and 0 < rows <= 1 << zoom
    ):
        return None
    return side, zoom, Matrix(identifier, columns, rows)


def number(text: str | None) -> float:
    """A finite number as XML writes it. Raises OfferError."""
    try:
        value = float((text or "").replace("_", "?"))  # Python alone would read 1_2 as 12
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise OfferError(f"{quoted(text or '')} is where a number should be")
    return value


def whole_number(element: Element, name: str) -> int:
    """A whole number from 0 up to 2^31, the text of a child. Raises OfferError."""
    text = text_at(element, name) or ""
    if not (text.isascii() and text.isdecimal() and len(text) <= 10 and int(text) <= 1 << 31):
        raise OfferError(f"{name} is {quoted(text)}, but it should be a whole number")
    return int(text)
