"""Blocks of tiles: squares of 2, 4 or 8 tiles a side, which lie in the grid like the tiles of a zoom some levels up."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from packer.geometry.tileset import Tile, TileSet

__all__ = ["TileBlock", "block_around", "block_count", "block_tiles", "largest_block"]


class TileBlock(NamedTuple):
    """A rectangle of tiles: the one at its top left, and how many columns and rows it has."""

    first: Tile
    columns: int
    rows: int

    def place(self, tile: Tile) -> tuple[int, int]:
        """Column and row of a tile in it, counted from the first."""
        return tile.x - self.first.x, tile.y - self.first.y


def largest_block(wanted: int, tile_px: int, most_px: int) -> int:
    """Tiles a side of the largest square block, up to the one wanted, whose picture is not wider than `most_px`."""
    side = wanted
    while side > 1 and side * tile_px > most_px:
        side //= 2
    return side


def block_tiles(tile: Tile, side: int) -> list[Tile]:
    """The tiles of the square block of `side` tiles, a power of two, that a tile lies in; fewer where the zoom has
    fewer."""
    side = min(side, 1 << tile.zoom)
    left, top = tile.x // side * side, tile.y // side * side
    return [Tile(tile.zoom, left + i % side, top + i // side) for i in range(side * side)]


def block_around(tiles: Iterable[Tile]) -> TileBlock:
    """The least rectangle round some tiles of one zoom, of which there is at least one."""
    zooms, columns, rows = zip(*tiles, strict=True)
    first = Tile(zooms[0], min(columns), min(rows))
    return TileBlock(first, max(columns) - first.x + 1, max(rows) - first.y + 1)


def block_count(tiles: TileSet, side: int) -> int:
    """How many blocks of `side` tiles, a power of two, have a tile of the set in them."""
    count = 0
    for zoom in tiles.zooms:
        level, at = tiles.at(zoom), zoom
        for _ in range(min(side.bit_length() - 1, zoom)):
            level, at = level.parents(at), at - 1
        count += len(level)
    return count
