"""Which of several files has a tile, for readers that go through tiles in order."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from packer.geometry.grid import Ints
from packer.geometry.tileset import RowRun, TileSet

__all__ = ["FileIndex", "in_two_files"]


class FileIndex:
    """Where the tiles of each of several files are. Of a tile that is in two files the first one counts."""

    def __init__(self, held: Sequence[TileSet]) -> None:
        self._only = len(held) == 1
        self._runs = {} if self._only else dict(_by_zoom(held))

    def pieces(self, run: RowRun) -> Iterator[tuple[int, RowRun]]:
        """The parts of a run that a file has, in their order, each with the place of its file; what none has is left
        out, but where there is one file alone, all of the run is said to be its."""
        if self._only:
            yield 0, run
            return
        if run.zoom not in self._runs:
            return
        starts, stops, files = self._runs[run.zoom]
        base = run.row * _width(run.zoom)
        first, stop = base + run.first, base + run.last + 1
        at = int(np.searchsorted(stops, first, side="right"))
        while at < len(starts) and starts[at] < stop:
            a, b = max(int(starts[at]), first), min(int(stops[at]), stop)
            yield int(files[at]), RowRun(run.zoom, run.row, a - base, b - 1 - base)
            at += 1


def in_two_files(held: Sequence[TileSet]) -> TileSet:
    """The tiles that are in more than one of the files."""
    known, twice = TileSet(), TileSet()
    for tiles in held:
        twice |= known & tiles
        known |= tiles
    return twice


def _width(zoom: int) -> int:
    """By how much the boundaries of a set grow from one row to the next (`TileSet.boundaries`)."""
    return (1 << zoom) + 1


def _by_zoom(held: Sequence[TileSet]) -> Iterator[tuple[int, tuple[Ints, Ints, Ints]]]:
    """For each zoom the starts and ends of runs, in order, with the file of each."""
    known, own = TileSet(), []
    for tiles in held:
        own.append(tiles - known)
        known |= tiles
    for zoom in known.zooms:
        bounds = [tiles.boundaries(zoom) for tiles in own]
        starts = np.concatenate([b[0::2] for b in bounds])
        order = np.argsort(starts)
        files = np.concatenate([np.full(len(b) // 2, at) for at, b in enumerate(bounds)])
        stops = np.concatenate([b[1::2] for b in bounds])
        yield zoom, (starts[order], stops[order], files[order])
