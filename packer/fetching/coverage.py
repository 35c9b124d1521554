"""What would be on board if the crew left now, and what it will have after so many more tiles.

All of it is set algebra on the plan's own sets, and only the zooms at which something came are worked out again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from packer.fetching.order import steps
from packer.fetching.reports import AreaCoverage
from packer.geometry.cover import chunked
from packer.geometry.depth import depth_held, short_of
from packer.geometry.grid import Floats, Ints, x_at, y_at
from packer.geometry.shapes import Corridor, Shape
from packer.geometry.tileset import Tile, TileSet
from packer.planning.plan import AreaPlan

__all__ = ["CoverageTracker", "route_share"]

_SAMPLES = 3000  # along a route: the share is good to a thousandth
_SHORTEST_M = 30.0
_DEEPEST = 30


@dataclass(frozen=True, slots=True)
class _Route:
    """Pieces of an area's lines: columns and rows of their middles at zoom `_DEEPEST`, and their lengths."""

    x: Ints
    y: Ints
    length: Floats

    @classmethod
    def of(cls, shape: Shape | None) -> _Route | None:
        """None for a shape that is no line."""
        if not isinstance(shape, Corridor) or shape.length_m <= 0:
            return None
        lines = [line for line in shape.lines if len(line) > 1]
        pieces = chunked(lines, max(shape.length_m / _SAMPLES, _SHORTEST_M))
        lon, lat = (pieces.lon_a + pieces.lon_b) / 2, (pieces.lat_a + pieces.lat_b) / 2
        east_m = (pieces.lon_b - pieces.lon_a) * np.cos(np.radians(lat))
        length = np.hypot(east_m, pieces.lat_b - pieces.lat_a)
        n = 1 << _DEEPEST
        x, y = np.asarray(x_at(lon)) % 1.0, np.clip(np.asarray(y_at(lat)), 0.0, 1.0 - 1e-12)
        return cls((x * n).astype(np.int64), (y * n).astype(np.int64), length)

    def within(self, tiles: TileSet, zoom: int) -> float:
        """The share of the length whose tile of a zoom is in the set."""
        shift = _DEEPEST - zoom
        inside = tiles.contains(zoom, self.x >> shift, self.y >> shift)
        return float(self.length[inside].sum() / self.length.sum())

    def count(self, tiles: TileSet, zoom: int) -> int:
        """How many tiles of the set at a zoom the lines run over, as far as the pieces show."""
        shift = _DEEPEST - zoom
        x, y = self.x >> shift, self.y >> shift
        inside = tiles.contains(zoom, x, y)
        return len(np.unique(y[inside] << 32 | x[inside]))


def route_share(shape: Shape, tiles: TileSet, zoom: int) -> float | None:
    """The share of the length of a shape's lines whose tile of a zoom is in a set; None for other shapes."""
    route = _Route.of(shape)
    return None if route is None else route.within(tiles, zoom)


@dataclass(slots=True)
class _Bucket:
    """The tiles of one step of the order, of which the `spine` that the area's line runs over comes first."""

    zoom: int
    area: int
    tiles: TileSet
    size: int
    spine: int
    done: int = 0


@dataclass(slots=True)
class _AreaZoom:
    """One area at one zoom, and the buckets that it is made of, each with its part of the whole."""

    tiles: TileSet
    size: int
    parts: list[tuple[_Bucket, float]] = field(default_factory=list)
    done: int = 0
    now: float = 0.0


class _Extents:
    """The extents of many sets of tiles, by their numbers: which of them may have a tile in common with another."""

    def __init__(self, sets: Iterable[tuple[int, int, TileSet]]) -> None:
        found: dict[int, list[tuple[int, ...]]] = {}
        for number, zoom, tiles in sets:
            found.setdefault(zoom, []).append((number, *tiles.extent(zoom)))
        self._by_zoom = {zoom: np.array(rows, dtype=np.int64).T for zoom, rows in found.items()}

    def meeting(self, zoom: int, tiles: TileSet) -> list[int]:
        """The numbers of those whose extent at a zoom meets that of `tiles`, in order."""
        if zoom not in self._by_zoom or zoom not in tiles.zooms:
            return []
        number, left, top, right, bottom = self._by_zoom[zoom]
        first, high, last, low = tiles.extent(zoom)
        meets = (left <= last) & (right >= first) & (top <= low) & (bottom >= high)
        return [int(n) for n in number[meets]]


class CoverageTracker:
    """How much of each of one layer's areas is on board, in the order in which they are fetched.

    `settled` are the planned tiles that are on board, or known not to exist, at the start; `absent` the latter.
    """

    def __init__(
        self,
        areas: Sequence[AreaPlan],
        shapes: Mapping[str, Shape],
        planned: TileSet,
        settled: TileSet,
        absent: TileSet | None = None,
    ) -> None:
        self._areas, self._absent = areas, absent or TileSet()
        self._held: list[int | None] = [None] * len(areas)
        self._routes = [_Route.of(shapes.get(area.name)) for area in areas]
        self._settled = settled & planned
        self._buckets = self._partition(areas, planned)
        self._bucket_extents = _Extents((n, b.zoom, b.tiles) for n, b in enumerate(self._buckets))
        self._area_extents = _Extents(
            (n, z, area.cover) for n, area in enumerate(areas) for z in area.cover.zooms
        )
        self._shares = [
            {z: self._share_of(i, z, area.tiles.at(z)) for z in area.tiles.zooms}
            for i, area in enumerate(areas)
        ]
        self._changed = set(range(len(areas)))  # those whose depth is to be worked out again
        for zoom in planned.zooms:
            self._refresh(zoom, range(len(self._buckets)), range(len(areas)))

    def _partition(self, areas: Sequence[AreaPlan], planned: TileSet) -> list[_Bucket]:
        buckets = []
        for step in steps(areas, planned):
            route = self._routes[step.area]
            spine = route.count(step.tiles, step.zoom) if route else 0
            buckets.append(_Bucket(step.zoom, step.area, step.tiles, len(step.tiles), spine))
        return buckets

    def _share_of(self, number: int, zoom: int, tiles: TileSet) -> _AreaZoom:
        share, route = _AreaZoom(tiles, len(tiles)), self._routes[number]
        for bucket in (self._buckets[n] for n in self._bucket_extents.meeting(zoom, tiles)):
            common = bucket.tiles & tiles
            if common:
                part = route.within(common, zoom) if route else len(common) / share.size
                share.parts.append((bucket, part))
        return share

    def add(self, tiles: Iterable[Tile], absent: Iterable[Tile] = ()) -> None:
        """Take in tiles that have been settled since, `absent` those of them that the server does not have."""
        fresh = TileSet.from_tiles(tiles)
        self._settled = self._settled | fresh
        self._absent = self._absent | TileSet.from_tiles(absent)
        for zoom in fresh.zooms:
            touched = self._area_extents.meeting(zoom, fresh)
            self._refresh(zoom, self._bucket_extents.meeting(zoom, fresh), touched)
            self._changed.update(touched)

    def _refresh(self, zoom: int, buckets: Iterable[int], areas: Iterable[int]) -> None:
        """Work out again how much of some buckets and areas is there at a zoom."""
        for bucket in (self._buckets[n] for n in buckets):
            if bucket.zoom == zoom:
                bucket.done = len(bucket.tiles & self._settled)
        for number in areas:
            if share := self._shares[number].get(zoom):
                self._take_stock(self._routes[number], share, zoom)

    def _depths(self) -> Sequence[int | None]:
        """The depth that each area holds."""
        if self._changed:
            stored = self._settled - self._absent
            for number in self._changed:
                area = self._areas[number]
                on_board = stored | area.elsewhere if area.elsewhere else stored
                self._held[number] = depth_held(area.own, short_of(area.cover, on_board))
            self._changed.clear()
        return self._held

    def _take_stock(self, route: _Route | None, share: _AreaZoom, zoom: int) -> None:
        settled = share.tiles & self._settled
        share.done, share.now = len(settled), 1.0
        if share.done < share.size:
            found = route.within(settled, zoom) if route else share.done / share.size
            share.now = min(found, 0.999)

    def now(self) -> tuple[AreaCoverage, ...]:
        """How much of each area is on board."""
        return tuple(
            AreaCoverage(
                area.name,
                tuple((zoom, share.now) for zoom, share in sorted(shares.items())),
                held,
                area.asked,
                sum(share.done for share in shares.values()),
                sum(share.size for share in shares.values()),
            )
            for area, shares, held in zip(self._areas, self._shares, self._depths(), strict=True)
        )

    def after(self, tiles: int) -> tuple[AreaCoverage, ...]:
        """How much of each area will be on board when so many more tiles have come, in order of fetching."""
        reached: dict[int, float] = {}
        for bucket in self._buckets:
            more = min(tiles, bucket.size - bucket.done)
            tiles -= more
            whole = bucket.done + more == bucket.size
            part = (bucket.done + more) / (bucket.spine or bucket.size)
            reached[id(bucket)] = 1.0 if whole else min(part, 0.999)
        return tuple(
            AreaCoverage(
                area.name, tuple((z, _reached(s, number, reached)) for z, s in sorted(shares.items()))
            )
            for number, (area, shares) in enumerate(zip(self._areas, self._shares, strict=True))
        )


def _reached(share: _AreaZoom, area: int, reached: Mapping[int, float]) -> float:
    if all(reached[id(bucket)] == 1.0 for bucket, _ in share.parts):
        return 1.0
    found = 0.0
    for bucket, part in share.parts:
        ahead = reached[id(bucket)]
        if bucket.area != area and bucket.spine and ahead < 1.0:
            ahead *= bucket.spine / bucket.size  # another area's line comes first there, not this one's
        found += part * ahead
    return min(max(found, share.now), 0.999)
