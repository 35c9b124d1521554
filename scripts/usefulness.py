"""How useful a pack is whose fetch was cut short, and the order of tiles that would make it most useful.

The measure: each zoom of an area from 8 on is worth the same, since each shows twice the detail of the one before; all
areas are worth the same, the overview among them. Coarser zooms are worth nothing: a handful of tiles has them all, and
would make every order look good. What a zoom of an area is worth is shared out over its tiles; along a line half of it
goes to the tiles that the line itself runs over, where a crew mostly is. All this is our own choice, no source. A
tile's bytes are those that a plan guesses.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

from packer.geometry.cover import cover_box, cover_corridor
from packer.geometry.grid import Floats, LonLatBox
from packer.geometry.shapes import Corridor, Rectangle, Shape
from packer.geometry.tileset import Tile, TileSet
from packer.planning.plan import OVERVIEW, AreaPlan
from packer.survey.estimate import LayerSizes, estimate_layer

__all__ = ["best_order", "curve", "example", "tile_bytes", "worth_of_tiles"]

_FIRST_ZOOM = 8
_ON_THE_LINE_M = 1.0
_STEPS = 400  # of a curve


def example(half_width_m: float = 1000.0, deepest: int = 16) -> tuple[list[AreaPlan], dict[str, Shape]]:
    """A course of 200 km, a camp at its start, a hut at its end one or two zooms deeper, and the overview."""
    turns = np.linspace(0, 14, 2000)
    line = np.column_stack([12.3 + 0.09 * turns, 47 + 0.12 * np.sin(turns) + 0.02 * np.sin(7 * turns)])
    shapes: dict[str, Shape] = {
        "course": Corridor((line,), half_width_m),
        "camp": Rectangle(LonLatBox(12.30, 46.95, 12.40, 47.05)),
        "hut": Rectangle(LonLatBox(13.50, 46.95, 13.52, 46.97)),
    }
    depths = {"course": deepest, "camp": deepest - 1, "hut": deepest + 2}
    overview = cover_box(LonLatBox(12.1, 46.8, 13.8, 47.3), 11).pyramid(0)
    areas = [AreaPlan(OVERVIEW, 11, overview)]
    areas += [AreaPlan(n, depths[n], s.tiles(depths[n]).pyramid(0), floor=12) for n, s in shapes.items()]
    return areas, shapes


def worth_of_tiles(areas: Iterable[AreaPlan], shapes: Mapping[str, Shape]) -> dict[Tile, float]:
    """What each tile adds; all of them together are worth 1."""
    every = list(areas)
    worth = {tile: 0.0 for area in every for tile in area.tiles}

    def share_out(total: float, tiles: TileSet) -> None:
        each = total / len(tiles)
        for tile in tiles:
            worth[tile] += each

    for area in every:
        shape = shapes.get(area.name)
        zooms = [zoom for zoom in area.tiles.zooms if zoom >= _FIRST_ZOOM]
        for zoom in zooms:
            tiles = area.tiles.at(zoom)
            part = 1.0 / len(every) / len(zooms)
            if isinstance(shape, Corridor):
                part /= 2
                share_out(part, tiles & cover_corridor(list(shape.lines), _ON_THE_LINE_M, zoom))
            share_out(part, tiles)
    return worth


def tile_bytes(zoom: int) -> float:
    """What a tile of a zoom weighs, as `lastbar plan` guesses it."""
    return estimate_layer(TileSet.from_tiles([(zoom, 0, 0)]), LayerSizes()).bytes.expected


def best_order(worth: Mapping[Tile, float]) -> list[Tile]:
    """The tiles by what they add for each byte, most first."""
    sizes = {zoom: tile_bytes(zoom) for zoom in {tile.zoom for tile in worth}}
    return sorted(worth, key=lambda tile: -worth[tile] / sizes[tile.zoom])


def curve(order: Iterable[Tile], worth: Mapping[Tile, float]) -> Floats:
    """What the pack is worth after each of so many equal shares of the bytes, from 0 to 1."""
    tiles = list(order)
    sizes = {zoom: tile_bytes(zoom) for zoom in {tile.zoom for tile in tiles}}
    came = np.cumsum([sizes[tile.zoom] for tile in tiles])
    worths = np.cumsum([worth[tile] for tile in tiles])
    found: Floats = np.interp(np.linspace(0, came[-1], _STEPS), np.append(0, came), np.append(0, worths))
    return found
