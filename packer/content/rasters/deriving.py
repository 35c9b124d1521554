"""A tile of the web's grid made from tiles of another one."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from packer.content.damage import Damaged
from packer.content.payload import Kind
from packer.content.rasters.encoding import Pixels, encoded, pixels_of
from packer.content.rasters.picture_file import Rgba
from packer.content.rasters.transforms import GeoTransform
from packer.content.rasters.warping import CutBlock, laid_into, resampling_for, straight
from packer.geometry.grid import latitude_at, longitude_at
from packer.geometry.source_grid import SourceGrid, SourceMatrix
from packer.geometry.source_tiles import Window
from packer.geometry.tileset import Tile

__all__ = ["derived_body", "derived_pixels", "source_pixels"]


def derived_pixels(
    grid: SourceGrid,
    matrix: SourceMatrix,
    window: Window,
    tile: Tile,
    tile_px: int,
    pixels_at: Callable[[int, int], Pixels | None],
) -> Pixels:
    """The pixels of a tile, array (rows, columns, 4), made of the source tiles of a window of a matrix.

    `pixels_at` gives those of the source tile at a column and a row, None for one that there is none of: it is
    transparent, as is what lies outside of the window.
    """
    side = grid.tile_px
    columns, rows = window.last - window.first + 1, window.lower - window.upper + 1
    mosaic: Rgba = np.zeros((4, rows * side, columns * side), np.uint8)
    for row in range(rows):
        for column in range(columns):
            some = pixels_at(window.first + column, window.upper + row)
            if some is not None:
                place = np.s_[row * side : (row + 1) * side, column * side : (column + 1) * side]
                mosaic[:, *place] = _multiplied(some)
    transform: GeoTransform = (
        matrix.pixel,
        0.0,
        matrix.left + window.first * side * matrix.pixel,
        0.0,
        -matrix.pixel,
        matrix.top - window.upper * side * matrix.pixel,
    )
    block = CutBlock(tile.zoom, tile.x, tile.y, 1, tile_px)
    how = resampling_for(window.span_px / tile_px, palette=False)
    out = laid_into(block, mosaic, transform, grid.crs, how)
    _clear_far_ground(grid, tile, out)
    return straight(out)


def derived_body(
    grid: SourceGrid,
    window: Window,
    tile: Tile,
    tile_px: int,
    kind: Kind,
    drawn: Mapping[tuple[int, int], Pixels],
) -> bytes:
    """The bytes of a tile that is made of source tiles, by column and row; of those that are not there, it shows
    nothing, which is white in a JPEG: it knows no transparency, and a service without it draws it so."""
    matrix = grid.matrices[window.matrix]
    pixels = derived_pixels(grid, matrix, window, tile, tile_px, lambda column, row: drawn.get((column, row)))
    return encoded(_on_white(pixels) if kind is Kind.JPG else pixels, kind)


def source_pixels(body: bytes, grid: SourceGrid) -> Pixels | None:
    """The pixels of a source tile; None for what cannot be drawn, or has another size than the grid's tiles."""
    try:
        pixels = pixels_of(body)
    except Damaged:
        return None
    return pixels if pixels.shape[:2] == (grid.tile_px, grid.tile_px) else None


def _on_white(pixels: Pixels) -> Pixels:
    alpha = pixels[..., 3:].astype(np.uint16)
    out = pixels.copy()
    out[..., :3] = (pixels[..., :3] * alpha + 255 * (255 - alpha) + 127) // 255
    out[..., 3] = 255
    return out


def _multiplied(pixels: Pixels) -> Rgba:
    moved = np.moveaxis(pixels, -1, 0)
    if pixels[..., 3].min() == 255:
        return moved
    out = np.array(moved)
    out[:3] = (out[:3].astype(np.uint16) * out[3] + 127) // 255
    return out


def _clear_far_ground(grid: SourceGrid, tile: Tile, out: Rgba) -> None:
    """Far from its own place a projection may give positions a second time."""
    clip, n, px = grid.around_bounds, 1 << tile.zoom, out.shape[-1]
    middles = (np.arange(px) + 0.5) / px
    lon, lat = longitude_at((tile.x + middles) / n), latitude_at((tile.y + middles) / n)
    out[:, :, (lon < clip.west) | (lon > clip.east)] = 0
    out[:, (lat < clip.south) | (lat > clip.north)] = 0
