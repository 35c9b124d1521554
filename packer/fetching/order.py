"""In what order tiles are asked for, so that a pack whose fetch was stopped is as useful as it can be.

The overview first. Then all areas to their floor, and only then deeper. Each area goes zoom by zoom; of all areas the
one comes next whose next zoom has the fewest tiles, since each of those brings most. Areas with a `priority` go before
the others, both to their floor and below it, in the order of their numbers.

Inside one area and zoom, along lines the tiles that the line itself runs over come first, from its start to its end,
and then the corridor to either side; round points the middle comes first; boxes and polygons go outward from their
middle. Of several briefs fetched at once, all of what one that leaves earlier asks for goes before the rest.

The order is that of the whole plan. What of it is stored already is left out, so a fetch that is resumed goes on in
the order in which it began. Everything is set algebra on the plan's own sets: no list of tiles is ever made, and the
next tile costs no search.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from packer.geometry.cover import cover_corridor
from packer.geometry.geodesics import GEOD
from packer.geometry.grid import Floats
from packer.geometry.shapes import Corridor, Shape
from packer.geometry.tileset import Tile, TileSet
from packer.planning.plan import AreaPlan

__all__ = ["FetchStep", "in_order", "steps"]

_STRETCH_TILES = 64  # a stretch of line is some so many tiles long
_SPINE_M = 1.0  # the tiles that the line itself runs over
_RINGS = 12
_NO_PRIORITY = 1_000  # behind all that a brief can give


@dataclass(frozen=True, slots=True)
class FetchStep:
    """What is fetched together: tiles of one area at one zoom that belong to no earlier step. `area` is its index."""

    area: int
    zoom: int
    tiles: TileSet


def steps(areas: Sequence[AreaPlan], among: TileSet) -> Iterator[FetchStep]:
    """The steps of a fetch in their order, of the tiles `among`; no two share a tile, and none is empty.

    The order is that of the areas' whole plans, whatever `among` leaves out.
    """
    left = {zoom: among.at(zoom) for zoom in among.zooms}
    for *_, index, zoom in sorted(_ranks(areas)):
        if here := left.get(zoom):
            every = areas[index].tiles.at(zoom)
            if tiles := here & every:
                yield FetchStep(index, zoom, tiles)
                left[zoom] = here - every  # not `tiles`, which may have many more boundaries


def _ranks(areas: Sequence[AreaPlan]) -> Iterator[tuple[int, int, int, int, int, int]]:
    """Of every area and zoom: turn, stage, priority, number of tiles, and then which area and zoom it is."""
    for index, area in enumerate(areas):
        most = 0  # so that no area skips a zoom for a deeper one of which its server offers less
        for zoom, tiles in area.tiles.by_zoom().items():
            most = max(most, tiles)
            above = area.floor is not None and zoom <= area.floor
            stage = 0 if area.overview else 1 if above else 2
            yield area.turn, stage, area.priority or _NO_PRIORITY, most, index, zoom


def in_order(areas: Sequence[AreaPlan], shapes: Mapping[str, Shape], todo: TileSet) -> Iterator[Tile]:
    """Every tile of `todo` once; those of no area, such as a survey's samples, come last."""
    for step in steps(areas, todo):
        area = areas[step.area]
        shape = shapes.get(area.name)
        if isinstance(shape, Corridor):
            yield from _along(shape, step.zoom, step.tiles)
        else:
            yield from _outward(step.zoom, area.tiles.extent(step.zoom), step.tiles)
    yield from todo - TileSet.union(area.tiles for area in areas)


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


def _outward(zoom: int, extent: tuple[int, int, int, int], todo: TileSet) -> Iterator[Tile]:
    """Square ring by square ring from the middle of the area's own extent at a zoom."""
    left, top, right, bottom = extent
    mid_x, mid_y = (left + right) / 2, (top + bottom) / 2
    reach = max(right - left, bottom - top) / 2
    rest, before = todo, None
    for ring in range(1, _RINGS + 1):
        near = reach * ring / _RINGS
        first_row, last_row = max(top, math.ceil(mid_y - near)), min(bottom, math.floor(mid_y + near))
        first, last = max(left, math.ceil(mid_x - near)), min(right, math.floor(mid_x + near))
        reached = (first_row, last_row, first, last)
        if (
            first > last or first_row > last_row or reached == before
        ):  # on small ground many rings are the same
            continue
        before = reached
        rows = np.arange(first_row, last_row + 1, dtype=np.int64)
        window = TileSet.from_runs(zoom, rows, np.full(rows.size, first), np.full(rows.size, last))
        yield from rest & window
        rest = rest - window
        if not rest:
            return
    yield from rest
