"""Which pieces of a picture become which tiles, one block of tiles at a time.

A tile is worked out from the picture and its place alone, never from other tiles: so it is the same whenever it is cut,
and a run that was broken off and gone on with gives what one run would have given.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from packer.content.rasters.encoding import Pixels
from packer.content.rasters.facts import PictureFacts
from packer.content.rasters.picture_file import PictureFile
from packer.content.rasters.reduced import STEP, ReducedCopy, factor_reader, reduce_picture
from packer.content.rasters.warping import CutBlock, Grid, resampling_for, tiles_of, warped
from packer.geometry.tileset import Tile, TileSet

__all__ = ["Cutter", "blocks_of"]

_BLOCK_PX = 1024
_MOST_SOURCE_PX = 2048  # along a side of the piece under a block
_MOST_THIN = 16
_SPARE = 2.0  # pixels of a smaller copy that still go into one of a tile, along a side

Report = Callable[[int, int], None]


def _side(shrink: float, tile_px: int) -> int:
    """The side of a block in tiles, a power of two: as large as keeps the piece under it within bounds."""
    side = 1
    while side * 2 * tile_px <= _BLOCK_PX and side * 2 * tile_px * shrink <= _MOST_SOURCE_PX:
        side *= 2
    return side


def _thin(shrink: float) -> int:
    """The side of the squares whose mean is taken first: at least two of those still go into a pixel of a tile."""
    thin = 1
    while thin < _MOST_THIN and thin * 2 * _SPARE <= shrink:
        thin *= 2
    return thin


def blocks_of(tiles: TileSet, zoom: int, side: int, tile_px: int) -> Iterator[CutBlock]:
    """The blocks of one zoom with a tile of the set in it, in order of row and column."""
    steps = side.bit_length() - 1
    coarse = tiles.at(zoom)
    for level in range(zoom, zoom - steps, -1):
        if level == 0:
            break
        coarse = coarse.parents(level)
    for tile in coarse:
        whole = 1 << (zoom - tile.zoom)
        yield CutBlock.around(Tile(zoom, tile.x * whole, tile.y * whole), side, tile_px)


@dataclass(slots=True)
class Cutter:
    """Cuts the tiles of one open picture. Smaller copies that it lacks go into `folder`, as `.STEM.FACTOR.pixels`; the
    caller removes them."""

    picture: PictureFile
    tile_px: int
    folder: Path
    stem: str
    on_reduced: Report = lambda _done, _all: None

    @property
    def facts(self) -> PictureFacts:
        """What is known of the picture."""
        return self.picture.facts

    def cut(self, tiles: TileSet) -> Iterator[tuple[CutBlock, dict[Tile, Pixels]]]:
        """The blocks with a tile of the set in them, coarse zooms first, each with its tiles that show anything.

        A block is cut as a whole, so tiles that are not in the set may come along. Raises InputError where the file
        is damaged, OSError where there is no room for a smaller copy. If the process dies: smaller copies stay as far
        as they were made.
        """
        for zoom in tiles.zooms:
            grid, shrink = self._grid(zoom)
            how = resampling_for(self.facts.shrink(zoom, self.tile_px), self.facts.palette)
            thin = _thin(shrink)
            for block in blocks_of(tiles, zoom, _side(shrink, self.tile_px), self.tile_px):
                pixels = warped(grid, block, how, thin)
                yield block, {} if pixels is None else tiles_of(block, pixels)

    def factor(self, zoom: int) -> int:
        """By how much the copy is smaller that tiles of a zoom are cut from: at least two of its pixels still go into
        one of a tile, so that it does not show how the copy was made."""
        shrink = self.facts.shrink(zoom, self.tile_px)
        factor = max((own for own in self.facts.overviews if own * _SPARE <= shrink), default=1)
        while factor * STEP * _SPARE <= shrink:
            factor *= STEP
        return factor

    def _grid(self, zoom: int) -> tuple[Grid, float]:
        """What tiles of a zoom are cut from, and how many of its pixels go into one of a tile."""
        facts, factor = self.facts, self.factor(zoom)
        full = Grid(facts.width, facts.height, facts.transform, facts.crs_wkt, factor_reader(self.picture, 1))
        shrink = facts.shrink(zoom, self.tile_px) / factor
        if factor == 1:
            return full, shrink
        if self._is_own(factor):
            return full.smaller(
                self._scale(factor), self.picture.size(factor), factor_reader(self.picture, factor)
            ), shrink
        copy = self._reduced(factor)
        return full.smaller(self._scale(factor), (copy.width, copy.height), copy.read), shrink

    def needs_copy(self, zoom: int) -> bool:
        """Whether tiles of a zoom are cut from a smaller copy that the file does not have."""
        return not self._is_own(self.factor(zoom))

    def _is_own(self, factor: int) -> bool:
        return factor == 1 or factor in self.facts.overviews

    def _scale(self, factor: int) -> tuple[float, float]:
        """How much larger the pixels of a copy are. GDAL stretches a copy whose sides were rounded up over all of the
        picture; in ours a last pixel stands for less ground."""
        if not self._is_own(factor):
            across, down = self._scale(factor // STEP)
            return across * STEP, down * STEP
        width, height = self.picture.size(factor)
        return self.facts.width / width, self.facts.height / height

    def _reduced(self, factor: int) -> ReducedCopy:
        path, larger = self.folder / f".{self.stem}.{factor}.pixels", factor // STEP
        if self._is_own(larger):
            read, size = factor_reader(self.picture, larger), self.picture.size(larger)
            return reduce_picture(read, size, path, self.picture.piece_rows(), self.on_reduced)
        copy = self._reduced(larger)
        size = (copy.width, copy.height)
        return reduce_picture(copy.read, size, path, (1, copy.width), self.on_reduced)
