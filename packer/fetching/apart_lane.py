"""Tiles set apart: those that hang or break while their host answers for others.

Each of them may hold a connection up to its time limit. So they are asked for again on few connections as long as other
tiles are to be fetched, with rests between them; then on as many as it takes to be done within some minutes.
"""

from __future__ import annotations

import heapq
import math

from packer.geometry.tileset import Tile

__all__ = ["ApartLane"]

_SHARE = 8  # of so many connections one is for tiles set apart
_REST = 2.0  # times what the last one took: on a single connection the sound tiles still get two thirds
_TURNS = (
    8  # requests for other tiles from one for a tile set apart to the next, where the rate is what limits
)
_ALL_WITHIN_S = 120.0
_FIRST_REST_S = 10.0  # others that were asked for before anybody knew still hold their connections
_ATTEMPTS = 4  # that a tile which is set apart still has before it, in the middle


class ApartLane:
    """Tiles set apart, each with the time of its next attempt. `cap` is how many connections there are, and
    `per_second` how many requests may start in a second."""

    def __init__(self, cap: int, per_second: float) -> None:
        self._cap, self._least_rest_s = cap, _TURNS / per_second
        self._waiting: list[tuple[float, int, Tile]] = []
        self._out: dict[Tile, float] = {}  # being asked for, with the time of its start
        self._number = 0
        self._rest_until = -math.inf
        self._took_s = 0.0

    def __len__(self) -> int:
        return len(self._waiting)

    def put(self, tile: Tile, when: float) -> None:
        """The tile is to be asked for again at `when`."""
        if self._rest_until == -math.inf:
            self._rest_until = when + _FIRST_REST_S
        self._number += 1
        heapq.heappush(self._waiting, (when, self._number, tile))

    def get(self, now: float, *, alone: bool) -> Tile | None:
        """The next tile that is due, if one may be asked for; `alone` holds where no other tiles are left."""
        if not self._waiting or self._waiting[0][0] > now or len(self._out) >= self._width(alone):
            return None
        if not alone and now < self._rest_until:
            return None
        tile = heapq.heappop(self._waiting)[2]
        self._out[tile] = now
        return tile

    def returned(self, tile: Tile, now: float) -> None:
        """The tile is no longer being asked for. Does nothing for any other tile."""
        started = self._out.pop(tile, None)
        if started is not None:
            self._took_s = now - started
            self._rest_until = now + max(_REST * self._took_s, self._least_rest_s)

    def next_at(self, *, alone: bool) -> float | None:
        """When the next tile may be asked for, None if that depends on one that is being asked for."""
        if not self._waiting or len(self._out) >= self._width(alone):
            return None
        return self._waiting[0][0] if alone else max(self._waiting[0][0], self._rest_until)

    def _width(self, alone: bool) -> int:
        few = max(1, self._cap // _SHARE)
        if not alone:
            return few
        tiles = len(self._waiting) + len(self._out)
        return min(self._cap, max(few, math.ceil(tiles * _ATTEMPTS * self._took_s / _ALL_WITHIN_S)))
