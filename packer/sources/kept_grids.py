"""A source grid as a kept offer has it, in plain values, and read again with every number checked."""

from __future__ import annotations

import math
from typing import Any

from packer.geometry.grid import MAX_ZOOM, LonLatBox
from packer.geometry.source_grid import SourceGrid, SourceMatrix

__all__ = ["grid_from", "grid_values"]

_LONGEST = 200
_MOST_M = 1e9
_ADDED = ("zoom", "first", "last", "upper", "lower")


def grid_values(grid: SourceGrid) -> dict[str, Any]:
    """A grid in plain values."""
    return {
        "crs": grid.crs,
        "name": grid.name,
        "identifier": grid.identifier,
        "north_first": grid.north_first,
        "tile_px": grid.tile_px,
        "bounds": list(grid.bounds),
        "accuracy_m": grid.accuracy_m,
        "matrices": [
            [m.identifier, m.pixel, m.left, m.top, *(getattr(m, name) for name in _ADDED)]
            for m in grid.matrices
        ],
    }


def grid_from(told: Any) -> SourceGrid:
    """The grid of plain values. Raises ValueError, TypeError or KeyError for anything that `grid_values` does not
    give."""
    matrices = tuple(_matrix(*one) for one in told["matrices"])
    zooms = [matrix.zoom for matrix in matrices]
    if not matrices or zooms != sorted(set(zooms)):
        raise ValueError
    west, south, east, north = (_number(v, 360.0) for v in told["bounds"])
    if not (-180 <= west < east <= 180 and -90 <= south < north <= 90):
        raise ValueError
    accuracy = told["accuracy_m"]
    return SourceGrid(
        _text(told["crs"]),
        _text(told["name"]),
        _text(told["identifier"]),
        bool(told["north_first"]),
        _whole(told["tile_px"], 1024),
        matrices,
        LonLatBox(west, south, east, north),
        None if accuracy is None else _number(accuracy, _MOST_M),
    )


def _matrix(identifier: str, pixel: float, left: float, top: float, *numbers: int) -> SourceMatrix:
    zoom, first, last, upper, lower = (_whole(v, 1 << MAX_ZOOM) for v in numbers)
    side = 1 << _whole(zoom, MAX_ZOOM)
    if not (first <= last < side and upper <= lower < side and _number(pixel, _MOST_M) > 0):
        raise ValueError
    return SourceMatrix(
        zoom,
        _text(identifier),
        float(pixel),
        _number(left, _MOST_M),
        _number(top, _MOST_M),
        first,
        last,
        upper,
        lower,
    )


def _text(value: object) -> str:
    if not isinstance(value, str) or not value.isprintable() or len(value) > _LONGEST:
        raise ValueError
    return value


def _number(value: object, most: float) -> float:
    if (
        not isinstance(value, int | float)
        or isinstance(value, bool)
        or not math.isfinite(value)
        or abs(value) > most
    ):
        raise ValueError
    return float(value)


def _whole(value: object, most: int) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value <= most:
        raise ValueError
    return value
