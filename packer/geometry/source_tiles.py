"""Which tiles of a source's grid a tile of the web's grid is made of, at which zooms, and of which matrix.

For each tile the coarsest matrix is taken whose pixels are at least as fine as the tile's, to within 5 %, along a row
and along a column, at the latitude of the tile's row; or the finest there is. So it follows from the tile's place and
the grid alone, never from what else is planned.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from packer.geometry.grid import MAX_LATITUDE, MAX_ZOOM, Floats, Ints, latitude_at, longitude_at
from packer.geometry.source_grid import SourceGrid, positions_in
from packer.geometry.tileset import Tile, TileSet

__all__ = [
    "Footprints",
    "Window",
    "columns_and_rows",
    "derived_zooms",
    "footprints",
    "source_tiles",
    "windows_of",
    "with_source",
]

AS_FINE = 0.95  # a pixel that is larger by no more counts as no coarser
_REACH_PX = 3.0  # of cubic resampling, 2, and one for rounding
_BULGE = 0.01  # of a tile's span, by which an edge may bend between two points of the mesh
_ON_EDGE_PX = 0.5
_CHUNK = 20_000
_MOST_PIECE_PX = 4096 * 4096  # of the source that one tile may need: some 70 MB
_MOST_SHRINK = 8.0
_DOT_PX = 4  # pixels of a tile: what is smaller nobody sees
_TANGENT = 16  # a zoom at which a pixel is small beside the bends of a projection

Mask = npt.NDArray[np.bool_]


class Window(NamedTuple):
    """A block of source tiles of one matrix, its number in the grid, first and last column, first and last row. The
    tile that is made of them spans `span_px` of their pixels; `whole` is as in `Footprints`."""

    matrix: int
    first: int
    last: int
    upper: int
    lower: int
    span_px: float
    whole: bool


@dataclass(frozen=True, slots=True)
class Footprints:
    """What tiles of one zoom are made of, arrays of one length: the number of the matrix in the grid, and the first and
    last column, first and last row of its tiles, within what the matrix has. `none` holds where it has nothing of a
    tile; `whole` where the matrix reaches over all of the tile's square. `span_px` is how many pixels of the matrix a
    tile spans, along its longer side."""

    matrix: Ints
    first: Ints
    last: Ints
    upper: Ints
    lower: Ints
    span_px: Floats
    whole: Mask

    def windows(self) -> Iterator[Window | None]:
        """What each tile is made of, None where the grid has nothing."""
        arrays = (self.matrix, self.first, self.last, self.upper, self.lower, self.span_px, self.whole)
        for none, *values in zip(self.none.tolist(), *(a.tolist() for a in arrays), strict=True):
            yield None if none else Window(*values)

    @property
    def none(self) -> Mask:
        """Where the grid has nothing."""
        return (self.first > self.last) | (self.upper > self.lower)


def _middle(grid: SourceGrid) -> tuple[float, float]:
    west, south, east, north = grid.bounds
    south, north = max(south, -MAX_LATITUDE), min(north, MAX_LATITUDE)
    return (west + east) / 2, (south + north) / 2


def _pixel_sides(grid: SourceGrid, zoom: int, lat: Floats, tile_px: int) -> tuple[Floats, Floats]:
    """A tile's pixel at latitudes in degrees, on the grid's middle meridian: how far it reaches along a row and along a
    column, in units of the grid's system; infinite where it has none."""
    across = 360.0 / (1 << zoom) / tile_px
    # The projection is conformal: a pixel is as high as it is wide, in metres on the sphere.
    down = across * np.cos(np.radians(lat))
    lon = np.full_like(lat, _middle(grid)[0])
    sides = []
    for d_lon, d_lat in ((across / 2, np.zeros_like(lat)), (0.0, down / 2)):
        # The step must not pass a pole, nor be lost in rounding.
        x0, y0 = positions_in(grid.crs, lon - d_lon, np.maximum(lat - d_lat, -90.0))
        x1, y1 = positions_in(grid.crs, lon + d_lon, np.minimum(lat + d_lat, 90.0))
        with np.errstate(invalid="ignore"):
            sides.append(np.hypot(x1 - x0, y1 - y0))
    return sides[0], sides[1]


def _matrix_numbers(grid: SourceGrid, zoom: int, rows: Ints, tile_px: int) -> Ints:
    """The matrix of tiles in these rows of a zoom."""
    different, where = np.unique(rows, return_inverse=True)
    _, south, _, north = grid.bounds
    lat = np.clip(latitude_at((different + 0.5) / (1 << zoom)), south, north)
    across, down = _pixel_sides(grid, zoom, lat, tile_px)
    finest = np.minimum(across, down) / AS_FINE
    finest = np.where(np.isfinite(finest), finest, 0.0)
    pixels = np.array([matrix.pixel for matrix in grid.matrices])
    # From coarse to fine: the first that is fine enough.
    number = np.minimum((pixels[None, :] > finest[:, None]).sum(axis=1), len(pixels) - 1)
    found: Ints = number[where].astype(np.int64)
    return found


def derived_zooms(grid: SourceGrid, tile_px: int) -> tuple[int, int] | None:
    """The first and the last zoom at which tiles are made: never finer than the finest matrix at the middle latitude of
    the bounds, and none of which a tile would need more of the coarsest matrix than memory is for, or would show all
    that the source has as a dot; None where no zoom is left."""
    lat = np.array([_middle(grid)[1]])
    across, down = (float(side[0]) for side in _pixel_sides(grid, _TANGENT, lat, tile_px))
    per_pixel = float(np.sqrt(across * down)) * (1 << _TANGENT)  # of a tile of zoom 0
    if not np.isfinite(per_pixel) or per_pixel <= 0:
        return None
    last = int(np.clip(np.floor(np.log2(per_pixel / (grid.matrices[-1].pixel * AS_FINE))), -1, MAX_ZOOM))
    coarsest, finest = grid.matrices[0], grid.matrices[-1]
    widest = (
        max(finest.last - finest.first + 1, finest.lower - finest.upper + 1) * grid.tile_px * finest.pixel
    )
    every = (coarsest.last - coarsest.first + 1) * (coarsest.lower - coarsest.upper + 1) * grid.tile_px**2
    for zoom in range(MAX_ZOOM + 1):
        side = per_pixel / (1 << zoom)
        if widest >= _DOT_PX * side and (every <= _MOST_PIECE_PX or side / coarsest.pixel <= _MOST_SHRINK):
            return (zoom, last) if zoom <= last else None
    return None


def _mesh_points(zoom: int) -> int:
    """Points along a side of a tile: a large one bends."""
    return 17 if zoom < 8 else 5 if zoom < 12 else 2


def _mesh(grid: SourceGrid, zoom: int, x: Ints, y: Ints) -> tuple[Floats, Floats, Mask, Mask]:
    """Positions over tiles, arrays (tiles, points), as far as they lie around the grid's bounds; whether all of a tile
    does, and whether nothing of it."""
    share, n = np.linspace(0.0, 1.0, _mesh_points(zoom)), 1 << zoom
    lon, lat = longitude_at((x[:, None] + share) / n), latitude_at((y[:, None] + share) / n)
    clip = grid.around_bounds
    inside = (lon[:, 0] >= clip.west - 1e-9) & (lon[:, -1] <= clip.east + 1e-9)
    inside &= (lat[:, -1] >= clip.south - 1e-9) & (lat[:, 0] <= clip.north + 1e-9)
    off = (lon[:, 0] >= clip.east) | (lon[:, -1] <= clip.west)
    off |= (lat[:, -1] >= clip.north) | (lat[:, 0] <= clip.south)
    lon, lat = np.clip(lon, clip.west, clip.east), np.clip(lat, clip.south, clip.north)
    every_lon = np.repeat(lon[:, None, :], share.size, axis=1).reshape(len(x), -1)
    every_lat = np.repeat(lat[:, :, None], share.size, axis=2).reshape(len(x), -1)
    return every_lon, every_lat, inside, off


def footprints(grid: SourceGrid, zoom: int, x: Ints, y: Ints, tile_px: int) -> Footprints:
    """What tiles of one zoom (int64 arrays of one length) are made of."""
    number = _matrix_numbers(grid, zoom, y, tile_px)
    pixel, left, top = (_of_matrices(grid, key)[number] for key in ("pixel", "left", "top"))
    lon, lat, inside, off = _mesh(grid, zoom, x, y)
    east, north = positions_in(grid.crs, lon, lat)
    with np.errstate(invalid="ignore", over="ignore"):
        column = (east - left[:, None]) / pixel[:, None]
        row = (top[:, None] - north) / pixel[:, None]
    good = np.isfinite(column) & np.isfinite(row)
    inside &= good.all(axis=1)
    off |= ~good.any(axis=1)
    spans = [(_least(some, good), -_least(-some, good)) for some in (column, row)]
    span = np.maximum(spans[0][1] - spans[0][0], spans[1][1] - spans[1][0])
    reach = _REACH_PX * np.maximum(1.0, span / tile_px) + _BULGE * span
    edges, px = [], grid.tile_px
    for (low, high), (start, end) in zip(spans, (("first", "last"), ("upper", "lower")), strict=True):
        one, other = (_of_matrices(grid, key)[number] for key in (start, end))
        inside &= (low >= one * px - _ON_EDGE_PX) & (high <= (other + 1) * px + _ON_EDGE_PX)
        edges += [np.maximum(one, _tile(low - reach, px)), np.minimum(other, _tile(high + reach, px))]
    first, last, upper, lower = edges
    first, last = np.where(off, 1, first), np.where(off, 0, last)
    return Footprints(number, first, last, upper, lower, span, inside & ~off)


def _of_matrices(grid: SourceGrid, key: str) -> npt.NDArray[Any]:
    return np.array([getattr(matrix, key) for matrix in grid.matrices])


def _least(values: Floats, good: Mask) -> Floats:
    least: Floats = np.where(good, values, np.inf).min(axis=1)
    return least


def _tile(pixels: Floats, tile_px: int) -> Ints:
    """The number of the tile with a pixel in it; far off the grid, some number far off the grid."""
    with np.errstate(invalid="ignore"):
        found: Ints = np.floor(np.clip(np.nan_to_num(pixels / tile_px), -1e9, 1e9)).astype(np.int64)
    return found


def columns_and_rows(tiles: TileSet) -> Iterator[tuple[int, Ints, Ints]]:
    """The tiles of a set, zoom by zoom, as arrays of columns and rows."""
    for zoom in tiles.zooms:
        rows, first, last = tiles.run_arrays(zoom)
        counts = last - first + 1
        ends = np.cumsum(counts)
        start = 0
        while start < len(rows):
            before = int(ends[start - 1]) if start else 0
            stop = max(start + 1, int(np.searchsorted(ends, before + _CHUNK, side="right")))
            some = slice(start, stop)
            y = np.repeat(rows[some], counts[some])
            begins = np.repeat(ends[some] - counts[some] - before, counts[some])
            x = np.repeat(first[some], counts[some]) + np.arange(y.size) - begins
            yield zoom, x, y
            start = stop


def windows_of(grid: SourceGrid, tiles: TileSet, tile_px: int) -> Iterator[tuple[Tile, Window | None]]:
    """Each tile of a set with what it is made of, None where the grid has nothing."""
    for zoom, x, y in columns_and_rows(tiles):
        made = footprints(grid, zoom, x, y, tile_px)
        for column, row, window in zip(x.tolist(), y.tolist(), made.windows(), strict=True):
            yield Tile(zoom, column, row), window


def source_tiles(grid: SourceGrid, tiles: TileSet, tile_px: int) -> TileSet:
    """The tiles of the source's grid that these tiles are made of, under the zooms of its matrices."""
    found = TileSet()
    for zoom, x, y in columns_and_rows(tiles):
        made = footprints(grid, zoom, x, y, tile_px)
        parts = []
        for number in np.unique(made.matrix).tolist():
            some = (made.matrix == number) & ~made.none
            first, last, upper, lower = (a[some] for a in (made.first, made.last, made.upper, made.lower))
            for down in range(int((lower - upper).max(initial=-1)) + 1):
                here = upper + down <= lower
                parts.append(
                    TileSet.from_runs(grid.matrices[number].zoom, upper[here] + down, first[here], last[here])
                )
        found = TileSet.union([found, *parts])
    return found


def with_source(grid: SourceGrid, tiles: TileSet, tile_px: int) -> TileSet:
    """Those of the tiles of which the source's grid has anything."""
    parts = []
    for zoom, x, y in columns_and_rows(tiles):
        some = ~footprints(grid, zoom, x, y, tile_px).none
        parts.append(TileSet.from_columns(zoom, x[some], y[some]))
    return TileSet.union(parts)
