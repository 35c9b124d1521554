"""Pixels of any grid, laid into the square of tiles of the web's grid."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from packer.content.rasters.library import rasterio
from packer.content.rasters.means import mean_of
from packer.content.rasters.picture_file import Piece, Rgba
from packer.content.rasters.positions import transformed
from packer.content.rasters.transforms import GeoTransform, applied, inverse, scaled, shifted
from packer.errors import InputError
from packer.geometry.grid import EQUATOR_M, Floats
from packer.geometry.tileset import Tile

__all__ = ["CutBlock", "Grid", "Resampling", "laid_into", "resampling_for", "straight", "tiles_of", "warped"]

Resampling = Literal["nearest", "cubic", "average"]
_MESH = 17  # points along a side at which it is looked up where a block lies in the source
_REACH_PX = 3  # of cubic resampling, 2, and one for rounding
_MOST_PIECE_PX = 50_000_000
_WARP_MB = 32  # that GDAL takes besides what it is given


@dataclass(frozen=True, slots=True)
class Grid:
    """Where the pixels of a source lie, and how to read a piece of them. `crs` is WKT or "EPSG:NUMBER"."""

    width: int
    height: int
    transform: GeoTransform
    crs: str
    read: Callable[[Piece], Rgba]

    def smaller(
        self, scale: tuple[float, float], size: tuple[int, int], read: Callable[[Piece], Rgba]
    ) -> Grid:
        """The same ground in pixels larger by `scale`, along a row and along a column; `size` is (width, height)."""
        return Grid(*size, scaled(self.transform, *scale), self.crs, read)


@dataclass(frozen=True, slots=True)
class CutBlock:
    """A square of `side` x `side` tiles of one zoom, whose first tile is at `x`, `y`."""

    zoom: int
    x: int
    y: int
    side: int
    tile_px: int

    @property
    def side_px(self) -> int:
        """Its side in pixels."""
        return self.side * self.tile_px

    @property
    def transform(self) -> GeoTransform:
        """Where its pixels lie in EPSG:3857 (OGC 17-083r4, annex D)."""
        tile_m = EQUATOR_M / (1 << self.zoom)
        pixel_m = tile_m / self.tile_px
        return pixel_m, 0.0, self.x * tile_m - EQUATOR_M / 2, 0.0, -pixel_m, EQUATOR_M / 2 - self.y * tile_m

    @classmethod
    def around(cls, tile: Tile, side: int, tile_px: int) -> CutBlock:
        """The block with a tile in it, of those that part the zoom from its first tile on."""
        return cls(tile.zoom, tile.x // side * side, tile.y // side * side, side, tile_px)


def resampling_for(shrink: float, palette: bool) -> Resampling:
    """How to work out a pixel of a tile that `shrink` pixels of the source go into, along a side.

    The colours of a palette stand for classes, and a mixture of two stands for nothing: so the nearest is taken, as
    long as hardly a pixel is passed over. From two pixels on the mean of all of them is taken, since any other way
    passes over pixels, and thin lines break. In between cubic convolution keeps edges sharp where bilinear softens.
    """
    if shrink >= 2:
        return "average"
    return "nearest" if palette else "cubic"


def warped(grid: Grid, block: CutBlock, how: Resampling, thin: int = 1) -> Rgba | None:
    """The pixels of a block, array (4, rows, columns), colours multiplied by alpha; None where the source has none.

    `thin` is the side of squares of the source, from 1 to 16, whose mean is taken first: for a mean of many pixels,
    of which GDAL's own takes many times as long. Only the piece of the source under the block is read. Raises
    InputError where that is more than memory is for.
    """
    piece = _piece_under(grid, block, thin)
    if piece is None:
        return None
    if piece.width * piece.height > _MOST_PIECE_PX:
        raise InputError(
            f"A tile of zoom {block.zoom} would take {piece.width:,} x {piece.height:,} px of the picture at once. Its "
            "coordinate system does not fit a web map there."
        )
    pixels = grid.read(piece)
    if not pixels[3].any():
        return None
    here = scaled(shifted(grid.transform, piece.column, piece.row), thin, thin)
    out = laid_into(block, np.ascontiguousarray(mean_of(pixels, thin)), here, grid.crs, how)
    return out if out[3].any() else None


def laid_into(block: CutBlock, pixels: Rgba, transform: GeoTransform, crs: str, how: Resampling) -> Rgba:
    """Pixels that lie by `transform` in `crs`, laid into the square of a block: array (4, rows, columns), colours
    multiplied by alpha, transparent where there are none."""
    warp, affine = rasterio("rasterio.warp"), rasterio("rasterio.transform").Affine
    out: Rgba = np.zeros((4, block.side_px, block.side_px), np.uint8)
    warp.reproject(
        pixels,
        out,
        src_transform=affine(*transform),
        src_crs=crs,
        dst_transform=affine(*block.transform),
        dst_crs="EPSG:3857",
        resampling=getattr(warp.Resampling, how),
        num_threads=1,
        warp_mem_limit=_WARP_MB,
    )
    # A kernel with negative weights may leave a colour above its alpha.
    np.minimum(out[:3], out[3], out=out[:3])
    return out


def _piece_under(grid: Grid, block: CutBlock, thin: int) -> Piece | None:
    """The pixels of the source that a block may need, by a mesh of positions, from whole squares of `thin` on; None
    if it has none there."""
    share = np.linspace(0.0, 1.0, _MESH) * block.side_px
    columns, rows = (each.ravel() for each in np.meshgrid(share, share))
    a, _, c, _, e, f = block.transform
    x, y = transformed("EPSG:3857", grid.crs, columns * a + c, rows * e + f)
    with np.errstate(invalid="ignore"):
        column, row = applied(inverse(grid.transform), x, y)
    good = np.isfinite(column) & np.isfinite(row)
    if not good.any():
        return None
    # Between two points of the mesh a curved edge may bulge; and a pixel's kernel reaches past it.
    span = max(float(np.ptp(column[good])), float(np.ptp(row[good])))
    reach = _REACH_PX * max(1.0, span / block.side_px) + 0.01 * span
    left, width = _whole(column[good], reach, grid.width, thin)
    top, height = _whole(row[good], reach, grid.height, thin)
    return Piece(left, top, width, height) if width > 0 and height > 0 else None


def _whole(places: Floats, reach: float, most: int, thin: int) -> tuple[int, int]:
    first = max(0, int(np.floor(places.min() - reach))) // thin * thin
    return first, min(most, int(np.ceil(places.max() + reach))) - first


def straight(pixels: Rgba) -> Rgba:
    """Pixels as pictures have them, array (rows, columns, 4): colours no longer multiplied by alpha."""
    alpha = pixels[3].astype(np.uint16)
    out = np.moveaxis(pixels, 0, -1).copy()
    part = (alpha > 0) & (alpha < 255)
    if part.any():
        shares = alpha[part][:, None]
        out[part, :3] = np.minimum((out[part, :3].astype(np.uint16) * 255 + shares // 2) // shares, 255)
    return out


def tiles_of(block: CutBlock, pixels: Rgba) -> dict[Tile, Rgba]:
    """The tiles of a block that show anything, each array (rows, columns, 4) with colours as they are."""
    drawn, px = straight(pixels), block.tile_px
    found = {}
    for down in range(block.side):
        for across in range(block.side):
            one = drawn[down * px : (down + 1) * px, across * px : (across + 1) * px]
            if one[..., 3].any():
                found[Tile(block.zoom, block.x + across, block.y + down)] = one
    return found
