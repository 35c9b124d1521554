"""Tiles set apart: those that hang or break while their host answers for others.

Each of them may hold a connection up to its time limit. So they are asked for again on few connections as long as other
tiles are to be fetched, with rests between them; then on as many as it takes to be done within some minutes.

Where they are too many for that, a sample of each zoom comes first. Once a whole sample has had every attempt and none
of its tiles came, the zoom is spent: its other tiles are asked for less often, by short looks, and the run comes to its
end. One tile that comes after all starts the sample of its zoom again.
"""

from __future__ import annotations

import heapq
import math
from collections import Counter

from packer.geometry.tileset import Tile

__all__ = ["ApartLane"]

_SHARE = 8  # of so many connections one is for tiles set apart
_REST = 4.0  # times what the last one took: on a single connection the sound tiles still get four fifths
_TURNS = (
    8  # requests for other tiles from one for a tile set apart to the next, where the rate is what limits
)
_ALL_WITHIN_S = 120.0
_SAMPLE_WITHIN_S = 100.0
_TOO_LONG_S = 170.0  # with every attempt for every tile: then a sample comes first
_LEAST_SAMPLE = 3  # tiles of a zoom, however long each takes
_FIRST_REST_S = 10.0  # others that were asked for before anybody knew still hold their connections
_ATTEMPTS = 4  # that a tile which is set apart still has before it, in the middle
_REQUESTS = 2  # for an attempt, where the host has to be asked about itself as well

_Waiting = list[tuple[float, int, Tile]]


class ApartLane:
    """Tiles set apart, each with the time of its next attempt. `cap` is how many connections there are, and
    `per_second` how many requests may start in a second."""

    def __init__(self, cap: int, per_second: float) -> None:
        self._cap, self._per_second = cap, per_second
        self._waiting: dict[int, _Waiting] = {}  # by zoom, without the sample
        self._sample_waiting: _Waiting = []
        self._out: dict[Tile, float] = {}  # being asked for, with the time of its start
        self._members: set[Tile] = set()
        self._number = 0
        self._rest_until = -math.inf
        self._took_s = self._full_s = 0.0  # what the last one took, and the last with a full time limit
        self._sample_size = self._zooms = 0  # for each zoom, and of how many; 0 where there is time for all
        self._sample: set[Tile] = set()
        self._sampled, self._vain = (
            Counter[int](),
            Counter[int](),
        )  # by zoom: in the sample; given up in a row

    def __len__(self) -> int:
        return len(self._sample_waiting) + sum(map(len, self._waiting.values()))

    def is_spent(self, tile: Tile) -> bool:
        """Whether a whole sample of the tile's zoom was asked for as often as any tile is, and none of it came. A tile
        of the sample itself has all its attempts."""
        return 0 < self._sample_size <= self._vain[tile.zoom] and tile not in self._sample

    def put(self, tile: Tile, when: float) -> None:
        """The tile is to be asked for again at `when`."""
        if self._rest_until == -math.inf:
            self._rest_until = when + _FIRST_REST_S
        self._number += 1
        self._members.add(tile)
        waiting = self._sample_waiting if tile in self._sample else self._waiting.setdefault(tile.zoom, [])
        heapq.heappush(waiting, (when, self._number, tile))

    def get(self, now: float, *, alone: bool) -> Tile | None:
        """The next tile that is due, if one may be asked for; `alone` holds where no other tiles are left."""
        if len(self._out) >= self._width(alone) or (not alone and now < self._rest_until):
            return None
        if alone:
            self._sample_size = self._size_of_sample()
        tile = self._due(now)
        if tile is not None:
            self._out[tile] = now
        return tile

    def _due(self, now: float) -> Tile | None:
        """The sample first, then what may join it, then the rest in order of time."""
        if self._sample_waiting and self._sample_waiting[0][0] <= now:
            return heapq.heappop(self._sample_waiting)[2]
        due = [w for w in self._eligible() if w[0][0] <= now]
        if not due:
            return None
        joining = [w for w in due if self._may_join(w[0][2].zoom)]
        tile = heapq.heappop(min(joining or due, key=lambda w: w[0]))[2]
        if joining:
            self._sample.add(tile)
            self._sampled[tile.zoom] += 1
        return tile

    def _eligible(self) -> list[_Waiting]:
        """Those beside the sample, by zoom, that may be asked for before it is known what becomes of a sample."""
        found = [w for w in self._waiting.values() if w]
        if not self._sample_size:
            return found
        return [w for w in found if self._may_join(w[0][2].zoom) or self.is_spent(w[0][2])]

    def _may_join(self, zoom: int) -> bool:
        return self._sampled[zoom] + self._vain[zoom] < self._sample_size

    def _size_of_sample(self) -> int:
        """How many tiles of each zoom to sample; 0 if every tile can have all its attempts in time. A sample that was
        begun is kept up, and is smaller or larger as its requests take longer or less."""
        tile_s = max(self._full_s / self._cap, _REQUESTS / self._per_second) * _ATTEMPTS
        if self._full_s == 0.0 or (not self._sample_size and self._all * tile_s <= _TOO_LONG_S):
            return 0
        self._zooms = self._zooms or len({tile.zoom for tile in self._members})
        return max(_LEAST_SAMPLE, int(_SAMPLE_WITHIN_S / tile_s / self._zooms))

    def returned(self, tile: Tile, now: float) -> None:
        """The tile is no longer being asked for. Does nothing for any other tile."""
        started = self._out.pop(tile, None)
        if started is not None:
            self._took_s = now - started
            if not self.is_spent(tile):
                self._full_s = self._took_s
            self._rest_until = now + max(_REST * self._took_s, _TURNS / self._per_second)

    def settled(self, tile: Tile, *, came: bool) -> None:
        """The tile needs no further request: it `came`, or was given up. Does nothing for any other tile."""
        if tile not in self._members:
            return
        self._members.remove(tile)
        if tile in self._sample:
            self._sample.remove(tile)
            self._sampled[tile.zoom] -= 1
        self._vain[tile.zoom] = 0 if came else self._vain[tile.zoom] + 1

    def next_at(self, *, alone: bool) -> float | None:
        """When the next tile may be asked for, None if that depends on one that is being asked for."""
        tops = [w[0][0] for w in (self._sample_waiting, *self._eligible()) if w]
        if not tops or len(self._out) >= self._width(alone):
            return None
        return min(tops) if alone else max(min(tops), self._rest_until)

    @property
    def _all(self) -> int:
        return len(self) + len(self._out)

    def _width(self, alone: bool) -> int:
        few = max(1, self._cap // _SHARE)
        if not alone:
            return few
        if self._sample_size:
            return self._cap
        return min(self._cap, max(few, math.ceil(self._all * _ATTEMPTS * self._took_s / _ALL_WITHIN_S)))
