"""Pacing rules for one host, as plain arithmetic on times that are handed in."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

__all__ = ["ConcurrencyLimit", "OverloadDetector", "Rate", "RetryBudget", "Start", "on_schedule"]

# A request may reach the server later than it was sent, and the next one sooner: Wi-Fi holds packets back while the
# channel is busy (1.03 s of distance came as 0.955 s), and a new connection has to be made first. What was answered
# has arrived. What was not is taken to arrive within so long; three round trips of 150 ms make a connection over TLS.
_LAG_S, _LAG_OF_NEW_S = 0.12, 0.5
_CLOCKS_S = 0.002  # that the clocks here and there may differ by in a second
_SPACED_ABOVE_S = 0.002  # below this an event loop cannot space requests any more evenly than chance does
_CATCH_UP_S = 0.04  # two ticks of such a clock and a late task
_SLOW_S = 1.0  # below this a longer answer is no sign of a link that is full
_CLEAN = 1.5  # times the shortest answer: up to here the link is not filling up, however far the server is
_TRIPS, _SECURE_TRIPS = 2, 3  # to the first answer on a new connection; TLS 1.3 (RFC 8446) takes one more
_OPEN_S, _LEAST_TILE_S = 1.0, 0.002
_CROWDED_S = 4.0
_SPREAD_OVER = 0.7  # of a round trip, so that the window can still be filled within each
_EASE_IN = 4  # requests at once when a server comes back from trouble
_LATE = 20  # answers that count as "of late"
_CHANCE = 1e-9  # a row of failures this unlikely is no accident of the link


@dataclass(slots=True, eq=False)
class Start:
    """One request's start. `at` is when it was sent, until then when it was let go; `arrived_by` is when it has reached
    the server at the latest, without end until it is sent."""

    at: float
    arrived_by: float = math.inf
    new: bool = False  # on a connection that had to be made for it


class Rate:
    """At most `per_second` request starts in any second at the server, spread rather than bunched.

    Where that is no whole number, no second sees more than the next one above it, and over a longer time it is
    never more than `per_second` on average: of 2.9 a second, 3 in one second and 29 in ten.

    Of any requests one more than the cap, the last was let go a whole span after the first had arrived. So whatever the
    order of the others, no span at the server holds them all.
    """

    def __init__(self, per_second: float) -> None:
        self._many = math.ceil(per_second)
        self._span_s = self._many / per_second + _CLOCKS_S
        self._allowed = self._many
        self._spacing_s = self._spacing_of(self._many)
        self._starts: deque[Start] = deque(maxlen=self._many)
        self._due = -math.inf  # when the latest was to start
        self._new_took_s = 0.0  # the longest whole answer on a new connection

    def ready_at(self, now: float) -> float:
        """The earliest time, `now` or later, at which the next request may start; infinite while that depends on one
        that has been let go and was not sent."""
        if not self._starts:
            return now if self._allowed else math.inf
        if not self._allowed:
            return math.inf
        ready = max(now, self._due + self._spacing_s)
        if len(self._starts) >= self._allowed:
            ready = max(ready, self._starts[-self._allowed].arrived_by + self._span_s)
        return ready

    def allow(self, starts: int) -> None:
        """Of the starts that the cap allows within its span, use only so many: other processes use the rest."""
        if starts != self._allowed:
            self._allowed = starts
            self._spacing_s = self._spacing_of(starts)

    @property
    def span_s(self) -> float:
        """The time from when requests are sent until all of them count no more."""
        return self._span_s + _LAG_OF_NEW_S

    def arrivals(self, now: float) -> list[float]:
        """When the latest requests have reached the server at the latest, as far as is known `now`."""
        return [min(start.arrived_by, now + _LAG_OF_NEW_S) for start in self._starts]

    def began(self, arrivals: list[float]) -> None:
        """Requests of others that arrived shortly before count as our own."""
        others = [Start(arrived, arrived) for arrived in arrivals]
        self._starts = deque(sorted([*self._starts, *others], key=lambda start: start.at), maxlen=self._many)

    def _spacing_of(self, starts: int) -> float:
        spacing_s = 0.8 * self._span_s / max(starts, 1)
        return spacing_s if spacing_s > _SPACED_ABOVE_S else 0.0

    def take(self, now: float) -> Start:
        """A request is let go. It has to be `sent`, or `answered` if it never was."""
        self._starts.append(start := Start(now))
        self._due = on_schedule(self._due + self._spacing_s, now)
        return start

    def sent(self, start: Start, now: float, *, new: bool) -> None:
        """The request is sent, on a `new` connection or not."""
        new_lag_s = (
            min(max(_LAG_S, 2 * self._new_took_s), _LAG_OF_NEW_S) if self._new_took_s else _LAG_OF_NEW_S
        )
        start.at, start.new, start.arrived_by = now, new, now + (new_lag_s if new else _LAG_S)

    def answered(self, start: Start, now: float, *, whole: bool = False) -> None:
        """The request has arrived, or is not on its way any more; with a `whole` answer it has not failed."""
        start.arrived_by = min(start.arrived_by, now)
        if start.new and whole:
            self._new_took_s = max(self._new_took_s, now - start.at)


def on_schedule(due: float, now: float) -> float:
    """When a request that starts `now` was to start. A little late, as on a clock that ticks 64 times a second, it is
    counted from when it was `due`, or every delay would be lost to the rate; the cap holds all the same. After a rest
    nothing is caught up."""
    return due if now - due <= _CATCH_UP_S else now


class ConcurrencyLimit:
    """How many requests may be under way at once: rises with good answers, falls with signs of strain.

    The first tile on an open connection tells how long a tile takes beside the round trip, which robots.txt has shown:
    so many places are opened at once as the link carries in a second.
    Each answer within a second, or about as quick as the quickest, opens one more place up to the cap. Where answers
    take longer the link is filling up: one place more a round trip, and only if the last one brought more bytes a
    second; one less if answers take over four seconds for no gain, since crowding only makes each tile slower and
    brings its time limit nearer. Timeouts, 429 and 503 halve it, at most once a round trip.

    On a slow link starts are spread over the round trip. Else answers that share the link come to their end
    together, the next requests start together, and the link lies idle while they travel: a quarter of a
    4 Mbit/s link of 150 ms was lost to that (measured).

    `secure` holds where a connection takes a handshake of TLS as well.
    """

    def __init__(self, cap: int, *, secure: bool = False) -> None:
        self.cap = cap
        self._trips = _SECURE_TRIPS if secure else _TRIPS
        self._quickest_s = [math.inf, math.inf]  # on an open connection, and on a new one
        self._opened = False
        self.size = min(cap, 4)
        self._strained_at = -math.inf
        self._mark_s = -math.inf
        self._bytes = 0
        self._best_rate = 0.0
        self._took_s = 0.0

    @property
    def spacing_s(self) -> float:
        """The least time from one start to the next, 0 where it would be too short to keep."""
        spacing_s = _SPREAD_OVER * self._took_s / max(self.size, 1)
        return spacing_s if spacing_s > _SPACED_ABOVE_S else 0.0

    def allow(self, cap: int) -> None:
        """Other processes use the rest of the connections: no more than `cap` here, which may be none for a while."""
        self.cap = cap
        self.size = min(self.size or _EASE_IN, cap)

    def timed(self, took_s: float, *, new: bool) -> None:
        """An answer of next to no bytes came, on a `new` connection or not: its time is that of the round trips."""
        self._quickest_s[new] = min(self._quickest_s[new], took_s)

    def good(self, now: float, took_s: float, size_bytes: int, *, new: bool = False) -> None:
        """A whole answer of `size_bytes` came, `took_s` after its request, on a `new` connection or not."""
        self._bytes += size_bytes
        self._took_s += 0.1 * (took_s - self._took_s)
        if size_bytes and not new and not self._opened:
            self._open(took_s)
        self._quickest_s[new] = quickest_s = min(self._quickest_s[new], took_s)
        if took_s < _SLOW_S or took_s < _CLEAN * quickest_s:
            self.size = min(self.size + 1, self.cap)
        elif now - self._mark_s >= took_s:
            self._weigh(now, took_s)

    def _open(self, took_s: float) -> None:
        """The first tile on an open connection took so long: as many as would take the link a second. A guess, since
        a look-up of the name or a server that draws each tile takes time as well; further answers tell."""
        self._opened = True
        round_trip_s = min(self._quickest_s[True] / self._trips, self._quickest_s[False])
        if math.isfinite(round_trip_s):
            tile_s = max(took_s - round_trip_s, _LEAST_TILE_S)
            self.size = min(max(self.size, int(_OPEN_S / tile_s)), self.cap)

    def strain(self, now: float, took_s: float) -> None:
        """A timeout, or the server asked for a wait."""
        self._opened = True
        if now - self._strained_at > took_s:
            self.size = max(min(1, self.cap), self.size // 2)
            self._strained_at = now
            self._best_rate = 0.0

    def _weigh(self, now: float, took_s: float) -> None:
        """Once a round trip on a slow link: did it bring more bytes a second than ever before?"""
        rate = self._bytes / (now - self._mark_s) if math.isfinite(self._mark_s) else 0.0
        if rate > 1.1 * self._best_rate:
            self.size = min(self.size + 1, self.cap)
        elif took_s > _CROWDED_S:
            self.size = max(min(1, self.cap), self.size - 1)
        self._best_rate = max(0.98 * self._best_rate, rate)
        self._mark_s, self._bytes = now, 0

    def ease_in(self) -> None:
        """A server is back from trouble: let not everyone in at once who has waited for it."""
        self.size = min(self.size, _EASE_IN)


class OverloadDetector:
    """Whether signs of strain are more than one tile's own trouble: a second one within a few answers."""

    def __init__(self) -> None:
        self._since_last = _LATE

    def eased(self) -> None:
        """A good answer came."""
        self._since_last += 1

    def throttled(self) -> bool:
        """A sign of strain came; whether there was one of late already."""
        often, self._since_last = self._since_last < _LATE, 0
        return often


class RetryBudget:
    """After how many failures in a row a tile is taken for broken, given how often any request fails here.

    On a bad link each request fails by chance, and among a hundred thousand tiles some fail many times over.
    A failure is only counted as one of chance once its tile has come after all, so that broken tiles, however many,
    do not pass for a bad link.
    """

    def __init__(self) -> None:
        self._tried = self._failed = 0.0

    def first_attempt(self) -> None:
        """A tile was asked for the first time; the last few hundred count."""
        self._tried, self._failed = 0.998 * self._tried + 1, 0.998 * self._failed

    def recovered(self) -> None:
        """A tile came that had failed before."""
        self._failed += 1

    def enough_beside_sample(self) -> int:
        """So many failures are enough for a tile if a sample of its like has failed as often as any tile may."""
        return self.enough(2, chance=1e-4)

    def enough(self, least: int, most: int = 60, *, chance: float = _CHANCE) -> int:
        """So many failures in a row are enough to give a tile up, at least and at most so many: by accident a sound
        tile has them with less than this `chance`."""
        share = (self._failed + 0.5) / (self._tried + 20)  # as if some had gone well before the first
        if share >= 0.7:
            return most
        return min(most, max(least, math.ceil(math.log(chance) / math.log(share))))
