"""Tile matrix sets, as services describe them, held against the grid: which matrices are zooms of WebMercatorQuad.

The grid is that of OGC 17-083r4, annex D, its 256-pixel tiles at the scale denominators published there. A set
of 512-pixel tiles over the same square has the denominators of 256-pixel tiles one zoom deeper.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from packer.geometry.grid import EQUATOR_M, MAX_ZOOM
from packer.sources.crs import is_mercator
from packer.sources.offer import OfferError, quoted

__all__ = [
    "PIXEL_M",
    "Matrix",
    "MatrixSet",
    "TileMatrix",
    "TileMatrixSet",
    "chosen_set",
    "on_grid",
    "prefix_of",
]

PIXEL_M = 0.00028
"""The standardized rendering pixel of 07-057r7, clause 6.1, and 06-042, clause 7.2.4.6.9."""
_SIDES_PX = (256, 512)
_SCALE = 1e-5  # relative; denominators are often written with two decimal places
_CORNER_M = 1.0  # the same for the corner
_LONGEST_IDENTIFIER = 200


@dataclass(frozen=True, slots=True)
class TileMatrix:
    """One matrix of any set: `corner` is its top left corner in the order of the axes as written, empty where it is
    not a pair of numbers."""

    identifier: str
    scale_denominator: float
    corner: tuple[float, ...]
    tile_px: tuple[int, int]
    columns: int
    rows: int


@dataclass(frozen=True, slots=True)
class TileMatrixSet:
    """A set in any coordinate system, as a service defines it."""

    identifier: str
    crs: str
    matrices: tuple[TileMatrix, ...]


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


def on_grid(described: TileMatrixSet) -> MatrixSet:
    """What of a set is on the grid."""
    fitting: list[tuple[int, int, Matrix]] = []
    if is_mercator(described.crs):
        fitting = [found for one in described.matrices if (found := _placed(one))]
    sides = Counter(side for side, _, _ in fitting)
    side = max(sides, key=lambda px: (sides[px], -px), default=256)
    zooms = {zoom: matrix for px, zoom, matrix in reversed(fitting) if px == side}
    return MatrixSet(described.identifier, zooms, side)


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


def prefix_of(names: Mapping[int, str]) -> str | None:
    """What stands before the plain number of the zoom in every name; None where that is not how they are made."""
    zoom, name = next(iter(names.items()))
    prefix = name.removesuffix(str(zoom))
    return prefix if all(name == f"{prefix}{zoom}" for zoom, name in names.items()) else None


def _listed(sets: Sequence[MatrixSet]) -> str:
    names = [quoted(s.identifier) for s in sets[:8]]
    return ", ".join(names + ([f"{len(sets) - 8} more"] if sets[8:] else [])) or "none"


def _placed(one: TileMatrix) -> tuple[int, int, Matrix] | None:
    """Side in pixels, zoom and matrix; None for one that is not on the grid."""
    side, height = one.tile_px
    if side != height or side not in _SIDES_PX:
        return None
    metres = one.scale_denominator * PIXEL_M * side
    if not 0 < metres < 2 * EQUATOR_M:
        return None
    zoom = round(math.log2(EQUATOR_M) - math.log2(metres))  # the quotient itself may be infinite
    if not 0 <= zoom <= MAX_ZOOM or abs(metres * 2**zoom / EQUATOR_M - 1) > _SCALE:
        return None
    corner = one.corner
    if len(corner) != 2 or abs(corner[0] + EQUATOR_M / 2) + abs(corner[1] - EQUATOR_M / 2) > 2 * _CORNER_M:
        return None
    if not 0 < len(one.identifier) <= _LONGEST_IDENTIFIER or not (
        0 < one.columns <= 1 << zoom and 0 < one.rows <= 1 << zoom
    ):
        return None
    return side, zoom, Matrix(one.identifier, one.columns, one.rows)
