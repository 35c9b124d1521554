"""The hour of leaving: when it is, how many tiles can come until then, and when to stop asking."""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

__all__ = ["ByteBudget", "Countdown", "Schedule", "Throughput", "departure_time"]

_CLOCK = re.compile(r"([0-9]{1,2}):([0-9]{2})")

_CLOSE_S = 4.0  # to commit the last batch and the short cuts, both synced, on a slow card
_LONGEST_IN_HAND_S = 20.0
_LARGEST_RESERVE = 0.25  # of the whole time, where that is short

_PACE_OVER_S = 60.0
_PACE_KNOWN_S = 4.0
_TYPICAL_BYTES = 15_000.0  # of a tile, before any has come


def departure_time(text: str, now: datetime) -> float:
    """Seconds since 1970 of a local time such as "05:30", the next one after `now`, or "2026-12-01 05:30".

    Of a time that comes twice, when clocks go back, the first that is still to come. Raises ValueError, worded
    for the planner, for anything else and for a time that has passed.
    """
    match = _CLOCK.fullmatch(text.strip())
    try:
        if match:
            today = now.replace(
                hour=int(match[1]), minute=int(match[2]), second=0, microsecond=0, tzinfo=None
            )
            found = [*_moments(today), *_moments(today + timedelta(days=1))]
        elif re.search(r"[0-9]{2}:[0-9]{2}", text):
            found = _moments(datetime.fromisoformat(text.strip()))
        else:
            raise ValueError
    except (ValueError, OverflowError):
        raise ValueError('it should be a time such as "05:30", or "2026-12-01 05:30" with its day') from None
    if later := [moment for moment in found if moment > now.timestamp()]:
        return later[0]
    raise ValueError("that time has passed")


def _moments(when: datetime) -> list[float]:
    """The moments at which clocks show a local time, ascending: two in the hour that comes twice (PEP 495).

    In the hour that clocks skip it is the one at which they would have shown it without.
    """
    first, second = (when.replace(fold=fold).timestamp() for fold in (0, 1))
    return [first, second] if second > first else [first]


@dataclass(frozen=True, slots=True)
class Schedule:
    """A departure at `depart_at` of a fetch that starts at `started`, both in seconds on one clock."""

    started: float
    depart_at: float

    def stop_asking_at(self, typical_s: float) -> float:
        """When to ask for nothing more, if a request takes `typical_s`: requests under way can then still end,
        and the packs are whole in time."""
        in_hand = min(2 * typical_s + 0.5, _LONGEST_IN_HAND_S)
        return self.depart_at - min(_CLOSE_S + in_hand, self._largest_reserve)

    @property
    def drop_at(self) -> float:
        """When to drop what has not come by then."""
        return self.depart_at - min(_CLOSE_S, 0.6 * self._largest_reserve)

    @property
    def _largest_reserve(self) -> float:
        return _LARGEST_RESERVE * max(self.depart_at - self.started, 0.0)


@dataclass(frozen=True, slots=True)
class Countdown:
    """A schedule and the clock that it goes by: that on the wall for an hour of leaving, which is meant as clocks show
    it, and one that never jumps for a length of time, which is to be kept whatever becomes of the hour."""

    schedule: Schedule
    now: Callable[[], float]

    def asking_s(self, typical_s: float) -> float:
        """Seconds until nothing more is to be asked for; 0 once that has come."""
        return max(self.schedule.stop_asking_at(typical_s) - self.now(), 0.0)

    @property
    def drop_s(self) -> float:
        """Seconds until what has not come is to be dropped; 0 once that has come."""
        return max(self.schedule.drop_at - self.now(), 0.0)


class Throughput:
    """Tiles a second over the last minute; before that is known, those of an earlier run if given.

    Its times leave out what was spent waiting for a host that could not be reached. Such a wait is noticed late and
    counts from the last tile, so these times may go back a little.
    """

    def __init__(self, now: float, before: float | None = None) -> None:
        self._marks: deque[tuple[float, int]] = deque([(now, 0)])
        self._before = before

    def mark(self, now: float, settled: int) -> None:
        """So many tiles are settled in this run by now."""
        while len(self._marks) > 1 and self._marks[-1][0] >= now:
            self._marks.pop()
        self._marks.append((now, settled))
        while len(self._marks) > 2 and now - self._marks[1][0] >= _PACE_OVER_S:
            self._marks.popleft()

    @property
    def per_second(self) -> float | None:
        """None while nothing is known."""
        (start, first), (end, last) = self._marks[0], self._marks[-1]
        if end - start < _PACE_KNOWN_S:
            return self._before
        return (last - first) / (end - start)


class ByteBudget:
    """How many bytes may still be received, over all layers; None is without limit."""

    def __init__(self, most: int | None) -> None:
        self._most = most
        self._received = self._bodies = self._tiles = 0

    def received(self, size_bytes: int, tiles: int = 1) -> None:
        """An answer came for so many tiles. One without a body says nothing of how large a tile is."""
        self._received += size_bytes
        self._bodies += size_bytes > 0
        self._tiles += tiles * (size_bytes > 0)

    @property
    def typical_bytes(self) -> float:
        """Of one body, by what has come; above 0."""
        return self._received / self._bodies if self._bodies else _TYPICAL_BYTES

    @property
    def typical_tile_bytes(self) -> float:
        """Of one tile, likewise: a body may be that of a block of tiles."""
        return self._received / self._tiles if self._tiles else _TYPICAL_BYTES

    @property
    def left(self) -> int | None:
        """Bytes left."""
        return None if self._most is None else max(self._most - self._received, 0)

    def may_ask(self, in_flight: int) -> bool:
        """Whether one more of so many requests under way is likely to fit in."""
        return self.left is None or self.left >= in_flight * self.typical_bytes
