"""What a coverage map shows: the plan in squares, each with what became of its tiles."""

from __future__ import annotations

import enum
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from packer.geometry.grid import Ints
from packer.geometry.tileset import TileSet
from packer.proof.results import LayerFindings

__all__ = ["Squares", "State", "squares"]

_MOST_SQUARES = 200_000


class State(enum.IntEnum):
    """What became of the planned tiles of one square: those in it and those above it."""

    COMPLETE = 1
    NONE = 2
    PARTIAL = 3
    MISSING = 4


@dataclass(frozen=True, slots=True)
class Squares:
    """Squares of one zoom: columns, rows and states, int64 arrays of one length; `deepest` says of each whether
    all of it is mapped as deep as anything is planned there."""

    zoom: int
    x: Ints
    y: Ints
    state: Ints
    deepest: npt.NDArray[np.bool_]


def squares(planned: TileSet, layer: LayerFindings, finest: int) -> Iterator[Squares]:
    """The squares to draw, each level over the one before: every planned tile coarser than `finest`, then those
    of `finest`, each with all that is planned below it. A square is complete only if the tiles above it are on
    board as well."""
    lacking = layer.missing | layer.corrupt
    for zoom in [z for z in planned.zooms if z < finest]:
        sets = tuple(tiles.at(zoom) for tiles in (planned, layer.stored, layer.absent, lacking))
        yield _judged(zoom, sets, lacking, planned.at(zoom + 1).parents(zoom + 1))
    sets = tuple(_lifted(tiles, finest) for tiles in (planned, layer.stored, layer.absent, lacking))
    yield _judged(finest, sets, lacking, TileSet())


def _judged(zoom: int, sets: tuple[TileSet, ...], lacking: TileSet, parted: TileSet) -> Squares:
    planned, stored, absent, missing = sets
    x, y = _places(planned, zoom)
    some_missing, some_none, some_stored = (s.contains(zoom, x, y) for s in (missing, absent, stored))
    state = np.full(x.size, State.COMPLETE, dtype=np.int64)
    state[some_none] = State.PARTIAL
    state[some_none & ~some_stored] = State.NONE
    state[some_missing] = State.PARTIAL
    state[some_missing & ~some_stored] = State.MISSING
    for above in [z for z in lacking.zooms if z < zoom]:
        under = lacking.contains(above, x >> (zoom - above), y >> (zoom - above))
        state[under & (state == State.COMPLETE)] = State.PARTIAL
    return Squares(zoom, x, y, state, ~parted.contains(zoom, x, y))


def _lifted(tiles: TileSet, zoom: int) -> TileSet:
    """The squares of one zoom that hold tiles of it or of deeper zooms."""
    level = TileSet()
    for deeper in range(max(tiles.zooms, default=0), zoom, -1):
        level = (level | tiles.at(deeper)).parents(deeper)
    return level | tiles.at(zoom)


def _places(tiles: TileSet, zoom: int) -> tuple[Ints, Ints]:
    rows, first, last = tiles.run_arrays(zoom)
    count = last - first + 1
    if int(count.sum()) > _MOST_SQUARES:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    index = np.repeat(np.arange(rows.size), count)
    return first[index] + np.arange(index.size) - np.repeat(np.cumsum(count) - count, count), rows[index]
