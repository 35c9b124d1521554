"""Where a file's tiles lie: the box to show, and a place to start at.

The tiles above reach far beyond what was asked for; only tiles that have nothing below them count.
"""

from __future__ import annotations

from packer.geometry.grid import LonLatBox, latitude_at, longitude_at
from packer.geometry.tileset import TileSet

__all__ = ["GridBox", "degrees", "extent", "ground", "middle"]

GridBox = tuple[float, float, float, float]  # west, south, east, north as grid fractions; y grows southward
_OVERVIEW_ZOOM = 12


def extent(tiles: TileSet) -> GridBox:
    """The box round everything at its deepest. Tiles on both sides of the antimeridian give the whole belt,
    since bounds run from left to right in MBTiles, TileJSON and GeoPackage."""
    west, south, east, north = 1.0, 0.0, 0.0, 1.0
    for zoom in tiles.zooms:
        ends = tiles.at(zoom) - tiles.parents(zoom + 1)
        if ends:
            first, top, last, bottom = ends.extent(zoom)
            n = 1 << zoom
            west, east = min(west, first / n), max(east, (last + 1) / n)
            north, south = min(north, top / n), max(south, (bottom + 1) / n)
    return west, south, east, north


def ground(tiles: TileSet) -> GridBox:
    """The box round what lies deeper than an overview, or round everything if nothing does."""
    deep = tiles.at(*(z for z in tiles.zooms if z > _OVERVIEW_ZOOM))
    return extent(deep or tiles)


def degrees(box: GridBox) -> LonLatBox:
    """The same box in degrees."""
    west, south, east, north = box
    return LonLatBox(
        float(longitude_at(west)),
        float(latitude_at(south)),
        float(longitude_at(east)),
        float(latitude_at(north)),
    )


def middle(tiles: TileSet) -> tuple[float, float, int]:
    """Longitude and latitude of a tile in the midst of the deepest zoom, and a zoom to start at."""
    deepest = tiles.zooms[-1]
    rows, first, last = tiles.run_arrays(deepest)
    at = len(rows) // 2
    n = 1 << deepest
    lon = float(longitude_at((int(first[at]) + int(last[at]) + 1) / 2 / n))
    lat = float(latitude_at((int(rows[at]) + 0.5) / n))
    return lon, lat, max(tiles.zooms[0], min(deepest, _OVERVIEW_ZOOM))
