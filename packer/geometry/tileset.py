"""Sets of tiles as intervals of rows, so that memory grows with a set's outline and not with its tiles.

For each zoom a set is one sorted int64 array of boundaries. A tile's place is `row * stride + column`, with a
stride of 2^zoom + 1: the extra column keeps the end of a row apart from the start of the next, so that a run
never spans two rows. Boundaries alternate between "a run starts here" and "the run ended before here". A place
is therefore inside exactly when an odd number of boundaries is at or before it, and union, difference and
intersection are all questions about that parity.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from packer.geometry.grid import MAX_ZOOM, Ints

__all__ = ["RowRun", "Tile", "TileCollector", "TileSet"]

_EMPTY: Ints = np.empty(0, dtype=np.int64)
_COLLECTED = 65_536
_Mask = npt.NDArray[np.bool_]


class Tile(NamedTuple):
    """One tile in XYZ numbering: column x from the west, row y from the top."""

    zoom: int
    x: int
    y: int

    def __str__(self) -> str:
        return f"{self.zoom}/{self.x}/{self.y}"


class RowRun(NamedTuple):
    """Neighbouring tiles of one row, columns `first` to `last`, both included."""

    zoom: int
    row: int
    first: int
    last: int


def _stride(zoom: int) -> int:
    return (1 << zoom) + 1


def _merge(starts: Ints, stops: Ints) -> Ints:
    """Boundaries of the union of half-open intervals, in any order, overlapping or not."""
    if starts.size == 0:
        return _EMPTY
    order = np.argsort(starts, kind="stable")
    starts, reach = starts[order], np.maximum.accumulate(stops[order])
    # A run begins where an interval starts beyond all that the earlier ones reach. One that starts just there
    # (not beyond) continues the run, so equal sets always have equal arrays.
    fresh = np.ones(starts.size, dtype=bool)
    fresh[1:] = starts[1:] > reach[:-1]
    last = np.append(fresh[1:], True)
    bounds = np.empty(2 * int(fresh.sum()), dtype=np.int64)
    bounds[0::2], bounds[1::2] = starts[fresh], reach[last]
    return bounds


def _inside(bounds: Ints, places: Ints) -> _Mask:
    return (np.searchsorted(bounds, places, side="right") & 1).astype(bool)


_Keep = Callable[[_Mask, _Mask], _Mask]
_IN, _OUT = np.ones(1, dtype=bool), np.zeros(1, dtype=bool)
_LOPSIDED = 64  # with so many times the other's boundaries, `_combine_few` is faster than sorting all of them


def _combine(a: Ints, b: Ints, keep: _Keep) -> Ints:
    """Boundaries of all places where `keep(inside a, inside b)` holds. `keep(False, False)` must be False."""
    # Most sets are held against an empty one, or against themselves: the plan against what is stored of it.
    if b.size == 0:
        return a if keep(_IN, _OUT)[0] else _EMPTY
    if a.size == 0:
        return b if keep(_OUT, _IN)[0] else _EMPTY
    if a.size == b.size and np.array_equal(a, b):
        return a if keep(_IN, _IN)[0] else _EMPTY
    if a.size * _LOPSIDED < b.size:
        return _combine_few(b, a, lambda in_b, in_a: keep(in_a, in_b))
    return _combine_few(a, b, keep) if b.size * _LOPSIDED < a.size else _combine_all(a, b, keep)


def _combine_few(many: Ints, few: Ints, keep: _Keep) -> Ints:
    """`_combine` for a set with few boundaries, without sorting the many.

    Between two neighbouring boundaries of `few` the result is `many`, or its complement, or nothing, or everything:
    its boundaries there are those of `many`, copied in one slice, or none. A boundary of `few` is itself one of the
    result's where the result changes at it.
    """
    passed = np.arange(few.size + 1) & 1 == 1  # for each stretch, whether it is inside `few`
    everywhere, nowhere = np.ones(passed.size, dtype=bool), np.zeros(passed.size, dtype=bool)
    copied = keep(everywhere, passed) != keep(nowhere, passed)
    # A boundary that both sets have is in neither slice; `turned` alone decides whether it stays.
    left, right = np.searchsorted(many, few, side="left"), np.searchsorted(many, few, side="right")
    before = keep(left & 1 == 1, passed[:-1])
    after = keep(right & 1 == 1, passed[1:])
    starts, ends = np.append(0, right).tolist(), np.append(left, many.size).tolist()
    turned = (before != after).tolist()
    parts = []
    for index, (start, end, copy) in enumerate(zip(starts, ends, copied.tolist(), strict=True)):
        if index and turned[index - 1]:
            parts.append(few[index - 1 : index])
        if copy:
            parts.append(many[start:end])
    return np.concatenate(parts) if parts else _EMPTY


def _combine_all(a: Ints, b: Ints, keep: _Keep) -> Ints:
    """`_combine` for sets of like size: sorts all boundaries together and counts how many of each set were passed."""
    places = np.concatenate([a, b])
    order = np.argsort(places, kind="stable")  # of two sorted parts, which a stable sort merges in one pass
    places, from_a = places[order], order < a.size
    # Where both sets have a boundary, only the count after both tells.
    last = np.append(places[1:] != places[:-1], np.ones(min(places.size, 1), dtype=bool))
    passed_a = np.cumsum(from_a)[last]
    passed_b = np.flatnonzero(last) + 1 - passed_a
    kept = keep((passed_a & 1).astype(bool), (passed_b & 1).astype(bool))
    changes = np.empty(kept.size, dtype=bool)
    changes[:1] = kept[:1]
    changes[1:] = kept[1:] != kept[:-1]
    result: Ints = places[last][changes]
    return result


class TileSet:
    """An immutable set of tiles of any zooms; combine sets with `|`, `-` and `&`."""

    __slots__ = ("_bounds",)

    def __init__(self, bounds: Mapping[int, Ints] | None = None) -> None:
        """From boundaries by zoom, as `boundaries` returns them."""
        self._bounds: dict[int, Ints] = {z: b for z, b in sorted((bounds or {}).items()) if b.size}

    @classmethod
    def from_runs(cls, zoom: int, rows: Ints, first: Ints, last: Ints) -> TileSet:
        """All tiles of the runs (three int64 arrays of one length), in any order, overlapping or not.

        Raises ValueError if a run leaves the grid or ends before it starts: it would stand for other tiles.
        """
        rows, n = np.asarray(rows, dtype=np.int64), 1 << zoom
        if ((rows < 0) | (rows >= n) | (first < 0) | (last < first) | (last >= n)).any():
            raise ValueError(f"a run of tiles at zoom {zoom} lies off the grid or is reversed")
        base = rows * _stride(zoom)
        return cls({zoom: _merge(base + first, base + last + 1)})

    @classmethod
    def from_columns(cls, zoom: int, x: Ints, y: Ints) -> TileSet:
        """The tiles with these columns and rows (two int64 arrays of one length), in any order, repeats allowed.

        Raises ValueError if one of them is off the grid.
        """
        return cls.from_runs(zoom, y, x, x)

    @classmethod
    def from_tiles(cls, tiles: Iterable[tuple[int, int, int]]) -> TileSet:
        """The tiles given as (zoom, x, y). What is off the grid is not a tile, and is left out."""
        by_zoom: dict[int, tuple[list[int], list[int]]] = {}
        for zoom, x, y in tiles:
            if not (0 <= zoom <= MAX_ZOOM and 0 <= x < 1 << zoom and 0 <= y < 1 << zoom):
                continue  # a damaged pack can name such a place
            xs, ys = by_zoom.setdefault(zoom, ([], []))
            xs.append(x)
            ys.append(y)
        sets = (cls.from_columns(z, np.array(xs), np.array(ys)) for z, (xs, ys) in by_zoom.items())
        return cls.union(sets)

    @classmethod
    def union(cls, sets: Iterable[TileSet]) -> TileSet:
        """The union of any number of sets, faster than one `|` after another."""
        parts: dict[int, list[Ints]] = {}
        for one in sets:
            for zoom, bounds in one._bounds.items():
                parts.setdefault(zoom, []).append(bounds)
        merged = {}
        for zoom, each in parts.items():
            joined = np.concatenate(each) if len(each) > 1 else each[0]
            merged[zoom] = _merge(joined[0::2], joined[1::2]) if len(each) > 1 else joined
        return cls(merged)

    def __or__(self, other: TileSet) -> TileSet:
        return TileSet.union((self, other))

    def __sub__(self, other: TileSet) -> TileSet:
        return self._with(other, self._bounds, lambda a, b: a & ~b)

    def __and__(self, other: TileSet) -> TileSet:
        return self._with(other, self._bounds.keys() & other._bounds.keys(), lambda a, b: a & b)

    def _with(self, other: TileSet, zooms: Iterable[int], keep: _Keep) -> TileSet:
        return TileSet(
            {z: _combine(self._bounds[z], other._bounds.get(z, _EMPTY), keep) for z in sorted(zooms)}
        )

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, TileSet):
            return NotImplemented
        return self._bounds.keys() == other._bounds.keys() and all(
            b is (their := other._bounds[z]) or np.array_equal(b, their) for z, b in self._bounds.items()
        )

    __hash__ = None  # type: ignore[assignment]  # compared by its arrays, never used as a key

    def __len__(self) -> int:
        return sum(self.by_zoom().values())

    def __bool__(self) -> bool:
        return bool(self._bounds)

    def __contains__(self, tile: tuple[int, int, int]) -> bool:
        zoom, x, y = tile
        bounds = self._bounds.get(zoom, _EMPTY)
        if bounds.size == 0 or not 0 <= x < 1 << zoom:
            return False
        return bool(np.searchsorted(bounds, y * _stride(zoom) + x, side="right") & 1)

    def contains(self, zoom: int, x: Ints, y: Ints) -> _Mask:
        """For each tile of one zoom (int64 arrays of one length), whether it is in the set."""
        on_grid = (x >= 0) & (x < 1 << zoom)  # a row off the grid is outside all boundaries
        return on_grid & _inside(self._bounds.get(zoom, _EMPTY), y * _stride(zoom) + x)

    def contains_runs(self, zoom: int, rows: Ints, first: Ints, last: Ints) -> _Mask:
        """For each run of one zoom, whether all of it is in the set. An empty run is; one off the grid is not."""
        bounds, base = self._bounds.get(zoom, _EMPTY), rows * _stride(zoom)
        # First and last tile are inside with no boundary between them.
        index = np.searchsorted(bounds, base + first, side="right")
        one_run = (index == np.searchsorted(bounds, base + last, side="right")) & (index & 1 == 1)
        inside: _Mask = (last < first) | (one_run & (first >= 0) & (last < 1 << zoom))
        return inside

    @property
    def zooms(self) -> tuple[int, ...]:
        """The zooms that have tiles, ascending."""
        return tuple(self._bounds)

    def by_zoom(self) -> dict[int, int]:
        """The number of tiles for each zoom that has any."""
        return {z: int((b[1::2] - b[0::2]).sum()) for z, b in self._bounds.items()}

    def at(self, *zooms: int) -> TileSet:
        """The part of the set at these zooms."""
        return TileSet({z: b for z, b in self._bounds.items() if z in zooms})

    def boundaries(self, zoom: int) -> Ints:
        """The sorted boundaries at one zoom: starts of runs at even indices, their ends at odd ones."""
        return self._bounds.get(zoom, _EMPTY)

    def run_arrays(self, zoom: int) -> tuple[Ints, Ints, Ints]:
        """Rows, first columns and last columns of the runs at one zoom, in order of row and column."""
        bounds = self.boundaries(zoom)
        rows, first = np.divmod(bounds[0::2], _stride(zoom))
        return rows, first, bounds[1::2] - 1 - rows * _stride(zoom)

    def runs(self) -> Iterator[RowRun]:
        """The runs in order of zoom, row and column."""
        for zoom in self._bounds:
            rows, first, last = self.run_arrays(zoom)
            for row, a, b in zip(rows.tolist(), first.tolist(), last.tolist(), strict=True):
                yield RowRun(zoom, row, a, b)

    def __iter__(self) -> Iterator[Tile]:
        """The tiles in order of zoom, row and column, one at a time."""
        for zoom, row, first, last in self.runs():
            for x in range(first, last + 1):
                yield Tile(zoom, x, row)

    def parents(self, zoom: int) -> TileSet:
        """The tiles one zoom up that hold the tiles of `zoom`, which is 1 or more."""
        rows, first, last = self.run_arrays(zoom)
        return TileSet.from_runs(zoom - 1, rows >> 1, first >> 1, last >> 1)

    def children(self, zoom: int) -> TileSet:
        """The tiles one zoom down that make up the tiles of `zoom`, which is below the deepest of the grid."""
        rows, first, last = self.run_arrays(zoom)
        both = np.concatenate([2 * rows, 2 * rows + 1])
        return TileSet.from_runs(zoom + 1, both, np.tile(2 * first, 2), np.tile(2 * last + 1, 2))

    def pyramid(self, top: int) -> TileSet:
        """The set with all ancestors of its tiles at zoom `top` and deeper."""
        layers = [self]
        level = self
        for zoom in range(max(self.zooms, default=0), top, -1):
            level = level.parents(zoom) | self.at(zoom - 1)
            layers.append(level)
        return TileSet.union(layers)

    def extent(self, zoom: int) -> tuple[int, int, int, int]:
        """First column, first row, last column and last row at a zoom that has tiles."""
        rows, first, last = self.run_arrays(zoom)
        return int(first.min()), int(rows[0]), int(last.max()), int(rows[-1])

    def __repr__(self) -> str:
        return f"TileSet({', '.join(f'z{z}: {n}' for z, n in self.by_zoom().items())})"


class TileCollector:
    """A set that is put together from tiles one by one, in memory that grows with its outline."""

    def __init__(self) -> None:
        self._set = TileSet()
        self._some: list[Tile] = []

    def add(self, tile: Tile) -> None:
        """Take in one more tile, which is on the grid."""
        self._some.append(tile)
        if len(self._some) >= _COLLECTED:
            self.tiles()

    def tiles(self) -> TileSet:
        """All tiles so far."""
        if self._some:
            self._set = self._set | TileSet.from_tiles(self._some)
            self._some = []
        return self._set
