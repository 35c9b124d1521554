"""Which file of a large pack a new tile goes to: that of its place, as long as the file has room.

A place is a cell, a tile of zoom 10; tiles above that go to the first file. A cell stays with the file that has tiles
of it. Cells that have none yet are dealt out before a fetch along the Z-order curve, by what their missing tiles should
weigh, so that a file is one stretch of ground. When a file turns out full before its cells are complete, what is left
of them goes to another one. None of this is kept: it follows from what the files hold, and no reader needs it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from packer.errors import StoreError
from packer.geometry.grid import Ints
from packer.geometry.tileset import Tile, TileSet
from packer.store.pack_files import MOST_FILES

__all__ = ["FileLimit", "FilePlaces"]

_ZOOM = 10  # 39 km at the equator; 65,536 tiles at zoom 18, some 1 GB of aerial pictures
_SIDE = 1 << _ZOOM
_TILE_BYTES = 20_000  # of a tile of which nothing is known yet; our own choice, no source
_ROW_BYTES, _PAGES = 150, 1.07  # what a tile takes beside its body, measured: docs/large.md
_DEALT = 0.9  # of the limit, since means are means
_RUNS = 50_000


@dataclass(frozen=True, slots=True)
class FileLimit:
    """The bytes that each file of a pack may have, and the tiles that are planned, by which places are dealt out.

    A file may end up larger by one batch of tiles. A pack that is larger already stays as it is.
    """

    bytes: int
    planned: TileSet = field(default_factory=TileSet)


class FilePlaces:
    """Where new tiles go, as numbers of files counted from 0; one beyond the last says that a file is to be made.

    `sizes` are the bytes of the files that there are, `held` the tiles in each, and `limit_bytes` None for no limit.
    """

    def __init__(self, limit_bytes: int | None, sizes: Sequence[int], held: Sequence[TileSet]) -> None:
        self._limit = limit_bytes
        self._sizes = list(sizes)
        self._next = len(self._sizes)
        self._cells: dict[int, int] = {}
        self._before: dict[int, tuple[int, ...]] = {}
        self._spill: int | None = None
        for number, tiles in enumerate(held):
            for code in _codes(tiles):
                self._cells[code] = number

    def deal(self, missing: TileSet, mean_bytes: Mapping[int, float]) -> None:
        """Deal out the places that no file has yet, by what their missing tiles should weigh; `mean_bytes` by zoom."""
        if self._limit is None:
            return
        weights = _weights(missing, mean_bytes)
        expected = [float(size) for size in self._sizes]
        new = []
        for code in _along_the_curve(np.flatnonzero(weights)):
            number = self._cells.get(code)
            if number is None or self.is_full(number):
                new.append(code)
            else:
                expected[number] += weights[code]
        at, most = len(expected) - 1, self._limit * _DEALT
        room = MOST_FILES - len(expected)
        if room > 0:  # where the guess would take too many files, fuller ones may still do
            most = max(most, float(sum(weights[code] for code in new)) / room)
        for code in new:
            if expected[at] > 0 and expected[at] + weights[code] > most and len(expected) < MOST_FILES:
                expected.append(0.0)
                at += 1
            self._cells[code] = at
            expected[at] += weights[code]
        self._next = len(expected)

    def is_full(self, number: int) -> bool:
        """Whether a file takes no new tile any more."""
        return self._limit is not None and number < len(self._sizes) and self._sizes[number] >= self._limit

    def grown(self, number: int, size_bytes: int) -> None:
        """Take in how large a file is now; a number just beyond the last is that of a new file."""
        self._sizes[number : number + 1] = [size_bytes]
        self._next = max(self._next, len(self._sizes))

    def file_for(self, tile: Tile) -> int:
        """The file for a tile that none has yet. Raises StoreError where there would be too many."""
        code = _code(tile)
        number = self._cells.get(code)
        if number is None:
            # A place that nobody planned goes where tiles come just now.
            number = 0 if code < 0 else len(self._sizes) - 1
        if self.is_full(number):
            self._before[code] = (*self._before.get(code, ()), number)
            number = self._spilled()
        self._cells[code] = number
        return number

    def before(self, tile: Tile) -> tuple[int, ...]:
        """The full files that tiles of this place went to: this one may be in there, if it came before."""
        code = _code(tile)
        now = self._cells.get(code)
        return (*self._before.get(code, ()), *([now] if now is not None and self.is_full(now) else []))

    def _spilled(self) -> int:
        if self._spill is None or self.is_full(self._spill):
            roomy = (
                [n for n in range(len(self._sizes)) if not self.is_full(n)]
                if self._next >= MOST_FILES
                else []
            )
            if self._next >= MOST_FILES and not roomy:
                raise StoreError(
                    f"The pack has {MOST_FILES} files, each as large as max-pack-file in the brief lets it be, and "
                    "there cannot be more. Write a larger max-pack-file into the brief, or take it out, then run the "
                    "same command again: it goes on from what is stored."
                )
            self._spill = roomy[-1] if roomy else self._next
            self._next = max(self._next, self._spill + 1)
        return self._spill


def _code(tile: Tile) -> int:
    up = tile.zoom - _ZOOM
    return -1 if up < 0 else (tile.y >> up) * _SIDE + (tile.x >> up)


def _codes(tiles: TileSet) -> list[int]:
    """The cells that tiles of a set lie in."""
    parts = []
    for zoom in tiles.zooms:
        if zoom >= _ZOOM:
            up = zoom - _ZOOM
            rows, first, last = tiles.run_arrays(zoom)
            parts.append(TileSet.from_runs(_ZOOM, rows >> up, first >> up, last >> up))
    rows, first, last = TileSet.union(parts).run_arrays(_ZOOM)
    return [
        row * _SIDE + x
        for row, a, b in zip(rows.tolist(), first.tolist(), last.tolist(), strict=True)
        for x in range(a, b + 1)
    ]


def _weights(tiles: TileSet, mean_bytes: Mapping[int, float]) -> np.typing.NDArray[np.float64]:
    """The bytes that the tiles of a set should take in each cell, by the cell's code."""
    known = float(np.mean(list(mean_bytes.values()))) if mean_bytes else _TILE_BYTES
    weights = np.zeros(_SIDE * _SIDE)
    for zoom in tiles.zooms:
        each = (mean_bytes.get(zoom, known) + _ROW_BYTES) * _PAGES
        rows, first, last = tiles.run_arrays(zoom)
        for start in range(0, len(rows) if zoom >= _ZOOM else 0, _RUNS):
            some = slice(start, start + _RUNS)
            codes, counts = _counted(zoom - _ZOOM, rows[some], first[some], last[some])
            weights += np.bincount(codes, counts * each, minlength=weights.size)
    return weights


def _counted(up: int, rows: Ints, first: Ints, last: Ints) -> tuple[Ints, Ints]:
    """Runs cut at the edges of cells that are `up` zooms above: the cell and the number of tiles of each piece."""
    cells = (last >> up) - (first >> up) + 1
    run = np.repeat(np.arange(len(rows)), cells)
    column = (first >> up)[run] + np.arange(len(run)) - np.repeat(np.cumsum(cells) - cells, cells)
    starts = np.maximum(first[run], column << up)
    ends = np.minimum(last[run], ((column + 1) << up) - 1)
    return (rows[run] >> up) * _SIDE + column, ends - starts + 1


def _along_the_curve(codes: Ints) -> list[int]:
    """Cells in Z-order: by the bits of row and column in turn (Morton 1966)."""
    rows, columns = np.divmod(codes, _SIDE)
    order = np.argsort(_spread(columns) | (_spread(rows) << 1))
    return list(codes[order].tolist())


def _spread(numbers: Ints) -> Ints:
    """Whole numbers of 10 bits with a zero put before each bit."""
    spread = np.zeros_like(numbers)
    for bit in range(_ZOOM):
        spread |= ((numbers >> bit) & 1) << (2 * bit)
    return spread
