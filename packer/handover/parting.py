"""Cutting one file into several by place, so that each part is a map of its own stretch of ground.

The overview goes into every part. What lies deeper is taken as blocks: a tile and everything below it. Blocks
follow the areas in the order of the brief, along the line within a corridor and in quadkey order elsewhere,
and are put into parts in that order; with a block go the tiles above it, so that zooming out of any part
meets no gap that the whole does not have.

What blocks weigh is added up while the pack is read: a number for each tile some zooms above the deepest, and not one
for each tile. The few blocks that have to be cut finer than that are read once more, each by itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from packer.errors import InputError
from packer.geometry.cover import chunked
from packer.geometry.grid import Floats, Ints, x_at, y_at
from packer.geometry.shapes import Corridor, Shape
from packer.geometry.tileset import Tile, TileSet
from packer.planning.plan import OVERVIEW, LayerPlan
from packer.store.sealed_mbtiles import mbtiles_bytes_each
from packer.store.snapshot_reader import TileBatch

__all__ = ["Order", "PartSource", "along", "parts"]

_SHARED_ZOOM = 12  # the overview's deepest zoom unless the brief says otherwise
_SHARED_SHARE = 4  # at most a quarter of each part is spent on what every part has
_FINENESS = 8  # blocks of an eighth of a part leave at most about an eighth of it empty
_PIECE_M = 500.0
_SHRINK = 0.97  # of the room, each time that a part comes out larger than the estimate said
_FOLDED = 5  # zooms whose tiles are added up as one number: 1,365 tiles at most

Order = Callable[[Ints, Floats, Floats], Floats]


@dataclass(frozen=True, slots=True)
class PartSource:
    """The tiles to cut, in a pack: `batches` reads some of them in their order, and `predict` gives a size in bytes
    that a file of some of them does not exceed. `by_zoom` is about what those of each zoom take, in bytes, and
    `largest_bytes` the largest body."""

    tiles: TileSet
    by_zoom: Mapping[int, int]
    largest_bytes: int
    batches: Callable[[TileSet], Iterable[TileBatch]]
    predict: Callable[[TileSet], int]


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


_Weighed = tuple[Tile, int]
"""A tile and what it weighs by itself."""


@dataclass(frozen=True, slots=True)
class _Subtree:
    """A tile's place, which stands for everything at or below it; what that weighs; and the tiles above it."""

    tile: Tile
    weight: int
    above: tuple[_Weighed, ...]


def parts(
    source: PartSource, layer: LayerPlan, shapes: Sequence[tuple[str, Shape]], limit_bytes: int
) -> list[TileSet]:
    """The tiles of each part, where they do not fit into one: no part's prediction is over the limit.

    Raises InputError if a single tile with what has to go with it is larger than the limit.
    """
    shared = _shared(source.by_zoom, limit_bytes)
    common = source.tiles.at(*(z for z in source.tiles.zooms if z <= shared))
    room = float(limit_bytes - source.predict(common))
    weights = _Weights(source, source.tiles - common, shared + 1, _FOLDED)
    blocks = _ordered(list(weights.blocks(room / _FINENESS)), source.tiles, layer, shapes)
    while room > limit_bytes / 8:
        found = [common | part for part in _packed(blocks, source.tiles, room)]
        if all(source.predict(part) <= limit_bytes for part in found):
            return found
        room *= _SHRINK
    raise InputError(
        f"Layer {layer.name} cannot be split into files of at most {limit_bytes:,} bytes: its largest tile has "
        f"{source.largest_bytes:,} bytes, and the tiles above it go into the same file. Allow larger files "
        "with --max-file."
    )


def _shared(by_zoom: Mapping[int, int], limit_bytes: int) -> int:
    """The deepest zoom up to which everything goes into every part; -1 if not even zoom 0 is small enough."""
    for zoom in range(_SHARED_ZOOM, -1, -1):
        if sum(weight for z, weight in by_zoom.items() if z <= zoom) * _SHARED_SHARE <= limit_bytes:
            return zoom
    return -1


class _Weights:
    """What tiles weigh: each by itself from zoom `top` on, but those of the last zooms as one number for each tile
    that lies `folded` zooms above the deepest."""

    def __init__(self, source: PartSource, deep: TileSet, top: int, folded: int) -> None:
        self._source, self._deep, self._top = source, deep, top
        self._fold = max(top, (deep.zooms[-1] if deep else top) - folded)
        self._own: dict[Tile, int] = {}
        self._below: dict[int, dict[Tile, int]] = {zoom: {} for zoom in range(top, self._fold + 1)}
        for batch in source.batches(deep):
            self._take(batch)
        for tile, weight in self._own.items():
            if tile.zoom < self._fold:
                self._add(tile, weight)
        for tile, weight in list(self._below[self._fold].items()):
            if self._fold > top:
                self._add(_parent(tile), weight)

    def _take(self, batch: TileBatch) -> None:
        """Add up what comes: by itself down to the folded zoom, and in the folded tiles from there on."""
        each = mbtiles_bytes_each(batch.size_bytes)
        places = zip(batch.zoom.tolist(), batch.x.tolist(), batch.y.tolist(), each.tolist(), strict=True)
        if batch.zoom[0] <= self._fold:
            self._own.update((Tile(z, x, y), weight) for z, x, y, weight in places if z <= self._fold)
        deep = np.flatnonzero(batch.zoom >= self._fold)
        down = batch.zoom[deep] - self._fold
        keys = (batch.y[deep] >> down) << 32 | (batch.x[deep] >> down)
        found, at = np.unique(keys, return_inverse=True)
        sums = np.zeros(found.size, dtype=np.int64)
        np.add.at(sums, at, each[deep])
        level = self._below[self._fold]
        for key, weight in zip(found.tolist(), sums.tolist(), strict=True):
            tile = Tile(self._fold, key & 0xFFFFFFFF, key >> 32)
            level[tile] = level.get(tile, 0) + weight

    def _add(self, tile: Tile, weight: int) -> None:
        """To the weight of a tile's place and of those above it."""
        while True:
            level = self._below[tile.zoom]
            level[tile] = level.get(tile, 0) + weight
            if tile.zoom == self._top:
                return
            tile = _parent(tile)

    def blocks(self, most: float, above: tuple[_Weighed, ...] = ()) -> Iterator[_Subtree]:
        """Blocks that weigh at most `most` with the tiles above them, or have one tile each."""
        for tile in self._below[self._top]:
            yield from self._cut(tile, above, most)

    def _cut(self, tile: Tile, above: tuple[_Weighed, ...], most: float) -> Iterator[_Subtree]:
        weight, own = self._below[tile.zoom][tile], self._own.get(tile)
        if weight == own or weight + sum(more for _, more in above) <= most:
            yield _Subtree(tile, weight, above)
        elif tile.zoom == self._fold:
            finer = _Weights(self._source, _below([tile], self._deep), tile.zoom, 0)
            yield from finer.blocks(most, above)
        else:
            higher = above if own is None else (*above, (tile, own))
            for child in (
                Tile(tile.zoom + 1, 2 * tile.x + i, 2 * tile.y + j) for j in (0, 1) for i in (0, 1)
            ):
                if child in self._below[child.zoom]:
                    yield from self._cut(child, higher, most)


def _parent(tile: Tile) -> Tile:
    return Tile(tile.zoom - 1, tile.x >> 1, tile.y >> 1)


def _below(tops: Sequence[Tile], tiles: TileSet) -> TileSet:
    """Those of some tiles that are one of `tops` or lie below one."""
    found = []
    for zoom in tiles.zooms:
        rows, first, last = tiles.run_arrays(zoom)
        for top in tops:
            if (down := zoom - top.zoom) >= 0:
                at = slice(*np.searchsorted(rows, [top.y << down, (top.y + 1) << down]).tolist())
                west, east = (
                    np.maximum(first[at], top.x << down),
                    np.minimum(last[at], ((top.x + 1) << down) - 1),
                )
                kept = west <= east
                found.append(TileSet.from_runs(zoom, rows[at][kept], west[kept], east[kept]))
    return TileSet.union(found)


def _ordered(
    blocks: list[_Subtree], tiles: TileSet, layer: LayerPlan, shapes: Sequence[tuple[str, Shape]]
) -> list[_Subtree]:
    number = _first_areas(blocks, tiles, layer, [name for name, _ in shapes])
    x = np.array([(block.tile.x + 0.5) / (1 << block.tile.zoom) for block in blocks])
    y = np.array([(block.tile.y + 0.5) / (1 << block.tile.zoom) for block in blocks])
    order = np.lexsort((_quadkey_order(x, y), along(shapes)(number, x, y), number))
    return [blocks[i] for i in order.tolist()]


def _first_areas(blocks: list[_Subtree], tiles: TileSet, layer: LayerPlan, names: Sequence[str]) -> Ints:
    """For each block the number of the first area that has a tile in it; a tile belongs to its first area alone."""
    found = np.full(len(blocks), len(names), dtype=np.int64)
    zooms = sorted({block.tile.zoom for block in blocks}, reverse=True)
    seen = TileSet()
    for area in layer.areas:
        if area.name == OVERVIEW:
            continue
        level, own = TileSet(), (area.tiles - seen) & tiles
        seen = seen | area.tiles
        deepest = own.zooms[-1] if own else 0
        for zoom in range(max(deepest, *zooms), zooms[-1] - 1, -1):
            level = level.parents(zoom + 1) | own.at(
                zoom
            )  # the places at this zoom with a tile at or below them
            at = [i for i, block in enumerate(blocks) if block.tile.zoom == zoom] if zoom in zooms else []
            if at:
                x, y = np.array([(blocks[i].tile.x, blocks[i].tile.y) for i in at], dtype=np.int64).T
                there = np.array(at)[level.contains(zoom, x, y)]
                found[there] = np.minimum(found[there], names.index(area.name))
    return found


def _quadkey_order(x: Floats, y: Floats) -> Ints:
    """Column and row at zoom 24 with their bits taken in turns: neighbours mostly stay together."""
    column, row = (x * (1 << 24)).astype(np.int64), (y * (1 << 24)).astype(np.int64)
    key = np.zeros_like(column)
    for bit in range(24):
        key |= (column >> bit & 1) << (2 * bit) | (row >> bit & 1) << (2 * bit + 1)
    return key


def _packed(blocks: list[_Subtree], tiles: TileSet, room: float) -> Iterator[TileSet]:
    """Fill one part after the other, in order, as far as the estimate allows."""
    inside: list[Tile] = []
    above: set[Tile] = set()
    full = 0.0
    for block in blocks:
        extra = float(sum(weight for tile, weight in block.above if tile not in above))
        if inside and full + block.weight + extra > room:
            yield _joined(inside, above, tiles)
            inside, above, full = [], set(), 0.0
            extra = float(sum(weight for _, weight in block.above))
        inside.append(block.tile)
        above.update(tile for tile, _ in block.above)
        full += block.weight + extra
    if inside:
        yield _joined(inside, above, tiles)


def _joined(inside: Sequence[Tile], above: Iterable[Tile], tiles: TileSet) -> TileSet:
    return _below(inside, tiles) | TileSet.from_tiles(above)
