"""Smaller copies of a picture that has none of its own, kept in a file until its tiles are cut.

A coarse tile shows thousands of pixels of the picture along a side. To read them all for each such tile would take
hours for 10 GB, so the picture is read once and the mean of each 4 x 4 pixels kept; of that copy, again.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import numpy as np

from packer.content.rasters.means import mean_of
from packer.content.rasters.picture_file import PictureFile, Piece, Rgba

__all__ = ["STEP", "ReducedCopy", "reduce_picture"]

STEP = 4
_READ_BYTES = 12_000_000  # of the picture at a time
_BANDS = 4


class ReducedCopy:
    """A copy smaller by a power of `STEP`, as rows of red, green, blue and alpha in a file without a head.

    The number of whole rows in the file says how far it has come, so a copy that was broken off is gone on with.
    """

    def __init__(self, path: Path, width: int, height: int) -> None:
        self.path, self.width, self.height = path, width, height

    @property
    def rows(self) -> int:
        """The whole rows that are in the file."""
        return self.path.stat().st_size // self._row_bytes if self.path.exists() else 0

    @property
    def _row_bytes(self) -> int:
        return self.width * _BANDS

    def read(self, piece: Piece) -> Rgba:
        """A piece of it, which lies within it."""
        rows = np.empty((piece.height, piece.width, _BANDS), np.uint8)
        with self.path.open("rb") as file:
            for number in range(piece.height):
                file.seek((piece.row + number) * self._row_bytes + piece.column * _BANDS)
                rows[number] = np.frombuffer(file.read(piece.width * _BANDS), np.uint8).reshape(-1, _BANDS)
        return np.moveaxis(rows, -1, 0)

    def append(self, pixels: Rgba) -> None:
        """Add rows, all of its width. If the process dies: a row that was not written whole counts as not there."""
        with self.path.open("r+b" if self.path.exists() else "xb") as file:
            file.truncate(self.rows * self._row_bytes)
            file.seek(0, os.SEEK_END)
            file.write(np.ascontiguousarray(np.moveaxis(pixels, 0, -1)).tobytes())


def reduce_picture(
    read: Callable[[Piece], Rgba],
    size: tuple[int, int],
    into: Path,
    piece_px: tuple[int, int],
    on_progress: Callable[[int, int], None],
) -> ReducedCopy:
    """The copy, smaller by `STEP`, of what `read` gives of a raster of `size` (width, height), made as far as it is not
    there yet. `piece_px` are rows and columns of the pieces in which the raster is packed; `on_progress` gets the rows
    made and all of them. If the process dies: whole rows stay, and are not made again.
    """
    width, height = size
    copy = ReducedCopy(into, -(-width // STEP), -(-height // STEP))
    while (done := copy.rows) < copy.height:
        on_progress(done, copy.height)
        count = min(_rows_at_a_time(width, piece_px), copy.height - done)
        copy.append(_mean_rows(read, size, done * STEP, count))
    on_progress(copy.height, copy.height)
    return copy


def _rows_at_a_time(width: int, piece_px: tuple[int, int]) -> int:
    """Rows of the copy to make at once: those of a row of packed tiles, or as many as memory is given for."""
    rows, columns = piece_px
    if columns < width:
        return max(1, rows // STEP)
    return max(1, min(64, _READ_BYTES // (width * _BANDS * STEP)))


def _mean_rows(read: Callable[[Piece], Rgba], size: tuple[int, int], top: int, count: int) -> Rgba:
    width, height = size
    deep = min(count * STEP, height - top)
    out = np.empty((_BANDS, count, -(-width // STEP)), np.uint8)
    across = max(STEP, _READ_BYTES // (_BANDS * deep) // 512 * 512)
    for left in range(0, width, across):
        wide = min(across, width - left)
        out[:, :, left // STEP : -(-(left + wide) // STEP)] = mean_of(
            read(Piece(left, top, wide, deep)), STEP
        )
    return out


def factor_reader(picture: PictureFile, factor: int) -> Callable[[Piece], Rgba]:
    """Reads the picture, or its own copy smaller by `factor`."""
    return lambda piece: picture.read(piece, factor)
