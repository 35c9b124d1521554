"""In what order tiles are asked for, so that a pack whose fetch was stopped is as useful as it can be.

The overview first, then the areas as the brief lists them, each zoom before the next deeper one. Along lines
the tiles that the line itself runs over come first, from its start to its end, and then the corridor to either
side; round points the middle comes first; boxes and polygons go outward from their middle. Everything is set
algebra on the plan's own sets: no list of tiles is ever made, and the next tile costs no search.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from packer.geometry.cover import cover_corridor
from packer.geometry.geodesics import GEOD
from packer.geometry.grid import Floats
from packer.geometry.shapes import Corridor, Shape
from packer.geometry.tileset import Tile, TileSet
from packer.planning.plan import AreaPlan

__all__ = ["in_order"]

_STRETCH_TILES = 64  # a stretch of line is some so many tiles long
_SPINE_M = 1.0  # the tiles that the line itself runs over
_RINGS = 12


def in_order(areas: Sequence[AreaPlan], shapes: Mapping[str, Shape], todo: TileSet) -> Iterator[Tile]:
    """Every tile of `todo` once, which the areas' tiles together have to hold."""
    left = todo
    for area in areas:
        part = left & area.tiles
        left = left - area.tiles  # not `part`, which may have many more boundaries
        shape = shapes.get(area.name)
        for zoom in part.zooms:
            at_zoom = part.at(zoom)
            if isinstance(shape, Corridor):
                yield from _along(shape, zoom, at_zoom)
            else:
                yield from _outward(zoom, at_zoom)
    yield from left


def _along(shape: Corridor, zoom: int, todo: TileSet) -> Iterator[Tile]:
    """The spine of every line from its start, then what lies to either side, from its start."""
    stretches = [s for line in shape.lines for s in _stretches(line, zoom)]
    left = todo
    for reach_m in (min(_SPINE_M, shape.half_width_m), shape.half_width_m):
        for stretch in stretches:
            if not left:
                return
            part = left & cover_corridor([stretch], reach_m, zoom)
            yield from part
            left = left - part
    yield from left


def _stretches(line: Floats, zoom: int) -> Iterator[Floats]:
    """The line in pieces of about `_STRETCH_TILES` tiles, each starting where the last one ended."""
    if len(line) < 3:
        yield line
        return
    lengths = np.asarray(GEOD.line_lengths(line[:, 0], line[:, 1]))
    lat = float(np.radians(np.abs(line[:, 1]).max()))
    longest_m = _STRETCH_TILES * 40_075_017.0 * max(np.cos(lat), 0.05) / (1 << zoom)
    number = (np.cumsum(lengths) // longest_m).astype(int)
    cuts = np.flatnonzero(number[1:] != number[:-1]) + 1
    starts, ends = [0, *cuts.tolist()], [*cuts.tolist(), len(line) - 1]
    for start, end in zip(starts, ends, strict=True):
        if end > start:
            yield line[start : end + 1]


def _outward(zoom: int, todo: TileSet) -> Iterator[Tile]:
    """Square ring by square ring from the middle of the set's own extent."""
    left, top, right, bottom = todo.extent(zoom)
    mid_x, mid_y = (left + right) / 2, (top + bottom) / 2
    reach = max(right - left, bottom - top) / 2
    rest = todo
    for ring in range(1, _RINGS + 1):
        near = reach * ring / _RINGS
        rows = np.arange(
            max(top, np.ceil(mid_y - near)), min(bottom, np.floor(mid_y + near)) + 1, dtype=np.int64
        )
        first, last = int(max(left, np.ceil(mid_x - near))), int(min(right, np.floor(mid_x + near)))
        if first <= last and rows.size:
            window = TileSet.from_runs(zoom, rows, np.full(rows.size, first), np.full(rows.size, last))
            yield from rest & window
            rest = rest - window
    yield from rest
