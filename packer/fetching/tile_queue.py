"""What is still to be asked of one layer: fresh tiles in order, and tiles put back for another attempt."""

from __future__ import annotations

import heapq
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field

from packer.fetching.apart_lane import ApartLane
from packer.geometry.tileset import Tile

__all__ = ["TileQueue"]

_GOLDEN = 0.382  # of a row: steps of this length come by every place in it soon


@dataclass(slots=True)
class TileQueue:
    """Tiles are handed out by `get`; each has to come back through `requeue`, `retry_at` or `settled`.

    `lane` holds those that are set apart: see there.

    Memory is bounded by the tiles that failed: fresh ones are drawn from the iterator one at a time.
    """

    fresh: Iterator[Tile]
    lane: ApartLane = field(default_factory=lambda: ApartLane(1, 1.0))
    attempts: dict[Tile, int] = field(default_factory=dict)
    _again: deque[Tile] = field(default_factory=deque)
    _later: list[tuple[float, int, Tile]] = field(default_factory=list)
    _number: int = 0
    _out: int = 0
    _exhausted: bool = False

    def get(self, now: float, *, prefer_fresh: bool = False, ahead: int = 0) -> Tile | None:
        """The next tile to ask for, or None if there is none just now.

        `prefer_fresh` keeps put-back tiles for later, so that a probe is not made with a tile that may
        itself be the trouble. With `ahead` it is a fresh one that many later, or one from elsewhere if there are fewer.
        """
        for _ in range(ahead):
            if (passed_over := self._fresh()) is None:
                break
            self._again.append(passed_over)
        if ahead and self._exhausted:
            self._again.rotate(-int(_GOLDEN * len(self._again)))  # somewhere else each time
        if prefer_fresh:
            tile = self._fresh() or self._back(now) or self._apart(now)
        else:
            tile = (self._apart(now) if self.lane else None) or self._back(now) or self._fresh()
        if tile is not None:
            self._out += 1
        return tile

    def _fresh(self) -> Tile | None:
        if self._exhausted:
            return None
        tile = next(self.fresh, None)
        self._exhausted = tile is None
        return tile

    def _back(self, now: float) -> Tile | None:
        if self._later and self._later[0][0] <= now:
            return heapq.heappop(self._later)[2]
        return self._again.popleft() if self._again else None

    def _apart(self, now: float) -> Tile | None:
        return self.lane.get(now, alone=self._exhausted and not (self._later or self._again))

    def requeue(self, tile: Tile, now: float) -> None:
        """The tile is to be asked for again at once: what failed was not its own fault."""
        self._out -= 1
        self.lane.returned(tile, now)
        self._again.append(tile)

    def retry_at(self, tile: Tile, when: float, attempts: int, now: float, *, apart: bool = False) -> None:
        """The tile may be asked for again at `when`, set apart or not; so many attempts count against it by now."""
        self._out -= 1
        self.attempts[tile] = attempts
        self.lane.returned(tile, now)
        if apart:
            self.lane.put(tile, when)
            return
        self._number += 1
        heapq.heappush(self._later, (when, self._number, tile))

    def settled(self, tile: Tile, now: float, *, came: bool) -> None:
        """The tile needs no further request: it `came`, or was given up."""
        self._out -= 1
        self.lane.returned(tile, now)
        self.lane.settled(tile, came=came)
        self.attempts.pop(tile, None)

    @property
    def exhausted(self) -> bool:
        """Whether every tile has been asked for at least once."""
        return self._exhausted

    @property
    def is_empty(self) -> bool:
        """Whether no tile is here: each is settled or out."""
        return self._exhausted and not (self._again or self._later or self.lane)

    @property
    def next_at(self) -> float | None:
        """When the earliest of the tiles that wait for their next attempt is due."""
        later = self._later[0][0] if self._later else None
        apart = self.lane.next_at(alone=self._exhausted and not (self._later or self._again))
        return min((when for when in (later, apart) if when is not None), default=None)

    def is_all_but(self, count: int) -> bool:
        """Whether every tile is settled but `count` that are out."""
        return self.is_empty and self._out == count

    @property
    def done(self) -> bool:
        """Whether every tile is settled."""
        return self.is_empty and not self._out
