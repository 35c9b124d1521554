"""Cutting one file into several by place, so that each part is a map of its own stretch of ground.

The overview goes into every part. What lies deeper is taken as blocks: a tile and everything below it. Blocks
follow the areas in the order of the brief, along the line within a corridor and in quadkey order elsewhere,
and are put into parts in that order; with a block go the tiles above it, so that zooming out of any part
meets no gap that the whole does not have.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from packer.errors import InputError
from packer.geometry.cover import chunked
from packer.geometry.grid import Floats, Ints, x_at, y_at
from packer.geometry.shapes import Corridor, Shape
from packer.planning.plan import OVERVIEW, LayerPlan
from packer.store.snapshot_reader import TileIndex

__all__ = ["Order", "along", "parts"]

_SHARED_ZOOM = 12  # the overview's deepest zoom unless the brief says otherwise
_SHARED_SHARE = 4  # at most a quarter of each part is spent on what every part has
_FINENESS = 8  # blocks of an eighth of a part leave at most about an eighth of it empty
_PIECE_M = 500.0
_SHRINK = 0.97  # of the room, each time that a part comes out larger than the estimate said

Order = Callable[[Ints, Floats, Floats], Floats]


def along(shapes: Sequence[tuple[str, Shape]]) -> Order:
    """A rank for blocks from the area they first belong to (its number) and their middle (grid fractions)."""
    trees = [_pieces(shape) if isinstance(shape, Corridor) else None for _, shape in shapes]

    def rank(area: Ints, x: Floats, y: Floats) -> Floats:
        found = np.zeros(len(area))
        for number, tree in enumerate(trees):
            here = area == number
            if tree is not None and here.any():
                found[here] = tree.nearest(shapely.points(x[here], y[here]))
        return found

    return rank


def _pieces(shape: Corridor) -> shapely.STRtree:
    """The middles of a corridor's pieces in the order of its lines, as grid fractions."""
    cut = chunked(shape.lines, _PIECE_M)
    x = x_at((cut.lon_a + cut.lon_b) / 2) % 1.0
    return shapely.STRtree(shapely.points(x, y_at((cut.lat_a + cut.lat_b) / 2)))


@dataclass(frozen=True, slots=True)
class _Subtree:
    """A tile's place and, as places in the stock, everything at or below it and what lies above it."""

    zoom: int
    x: int
    y: int
    inside: Ints
    above: tuple[int, ...]


def parts(
    index: TileIndex,
    layer: LayerPlan,
    shapes: Sequence[tuple[str, Shape]],
    weight: Ints,
    predict: Callable[[TileIndex], int],
    limit_bytes: int | None,
) -> list[Ints]:
    """Places in the stock, ascending, for each part; one part if everything fits the limit.

    `weight` is about what each tile takes, in bytes, and `predict` gives a size that a file of tiles does not
    exceed: no part's prediction is over the limit. Raises InputError if a single tile with what has to go
    with it is larger than the limit.
    """
    everything = np.arange(len(index))
    if limit_bytes is None or predict(index) <= limit_bytes:
        return [everything]
    shared = _shared(index, weight, limit_bytes)
    deep = np.flatnonzero(index.zoom > shared)
    common = everything[index.zoom <= shared]
    fixed = predict(index.pick(common))
    room = float(limit_bytes - fixed)
    blocks = _ordered(
        list(_blocks(index, weight, deep, shared + 1, (), room / _FINENESS)), index, layer, shapes
    )
    while room > limit_bytes / 8:
        found = [np.union1d(common, part) for part in _packed(blocks, weight, room)]
        if all(predict(index.pick(part)) <= limit_bytes for part in found):
            return found
        room *= _SHRINK
    raise InputError(
        f"Layer {layer.name} cannot be split into files of at most {limit_bytes:,} bytes: its largest tile has "
        f"{int(index.size_bytes.max()):,} bytes, and the tiles above it go into the same file. Allow larger files "
        "with --max-file."
    )


def _shared(index: TileIndex, weight: Ints, limit_bytes: int) -> int:
    """The deepest zoom up to which everything goes into every part; -1 if not even zoom 0 is small enough."""
    for zoom in range(_SHARED_ZOOM, -1, -1):
        if int(weight[index.zoom <= zoom].sum()) * _SHARED_SHARE <= limit_bytes:
            return zoom
    return -1


def _blocks(
    index: TileIndex, weight: Ints, places: Ints, zoom: int, above: tuple[int, ...], most: float
) -> Iterator[_Subtree]:
    """Cut tiles, all at `zoom` or deeper, into blocks that weigh at most `most` or have one tile each."""
    down = index.zoom[places] - zoom
    key = (index.y[places] >> down) << 32 | (index.x[places] >> down)
    order = np.argsort(key, kind="stable")
    edges = np.flatnonzero(np.diff(key[order])) + 1
    for group in np.split(places[order], edges) if places.size else []:
        first = group[0]
        shift = int(index.zoom[first]) - zoom
        x, y = int(index.x[first]) >> shift, int(index.y[first]) >> shift
        own = group[index.zoom[group] == zoom]
        deeper = group[index.zoom[group] > zoom]
        if deeper.size and weight[group].sum() + weight[list(above)].sum() > most:
            yield from _blocks(index, weight, deeper, zoom + 1, (*above, *own.tolist()), most)
        else:
            yield _Subtree(zoom, x, y, group, above)


def _ordered(
    blocks: list[_Subtree], index: TileIndex, layer: LayerPlan, shapes: Sequence[tuple[str, Shape]]
) -> list[_Subtree]:
    names = [name for name, _ in shapes]
    first_area = np.full(len(index), len(names))
    for area in reversed(layer.areas):
        if area.name != OVERVIEW:
            first_area[index.where(area.tiles)] = names.index(area.name)
    number = np.array([first_area[block.inside].min() for block in blocks], dtype=np.int64)
    x = np.array([(block.x + 0.5) / (1 << block.zoom) for block in blocks])
    y = np.array([(block.y + 0.5) / (1 << block.zoom) for block in blocks])
    order = np.lexsort((_quadkey_order(x, y), along(shapes)(number, x, y), number))
    return [blocks[i] for i in order.tolist()]


def _quadkey_order(x: Floats, y: Floats) -> Ints:
    """Column and row at zoom 24 with their bits taken in turns: neighbours mostly stay together."""
    column, row = (x * (1 << 24)).astype(np.int64), (y * (1 << 24)).astype(np.int64)
    key = np.zeros_like(column)
    for bit in range(24):
        key |= (column >> bit & 1) << (2 * bit) | (row >> bit & 1) << (2 * bit + 1)
    return key


def _packed(blocks: list[_Subtree], weight: Ints, room: float) -> Iterator[Ints]:
    """Fill one part after the other, in order, as far as the estimate allows."""
    inside: list[Ints] = []
    above: set[int] = set()
    full = 0.0
    for block in blocks:
        own = float(weight[block.inside].sum())
        extra = float(sum(weight[i] for i in block.above if i not in above))
        if inside and full + own + extra > room:
            yield np.unique(np.concatenate([*inside, np.array(sorted(above), dtype=np.int64)]))
            inside, above, full = [], set(), 0.0
            extra = float(sum(weight[i] for i in block.above))
        inside.append(block.inside)
        above.update(block.above)
        full += own + extra
    if inside:
        yield np.unique(np.concatenate([*inside, np.array(sorted(above), dtype=np.int64)]))
