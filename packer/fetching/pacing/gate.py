"""The gate before a host: who may ask it, and when.

One gate stands before all layers that share a host. It keeps the caps, paces, obeys Retry-After, and tells a
tile that fails from a link that is down. While the link is down nobody passes but one prober at a time, at
growing intervals; whoever was turned back keeps its tile and its count of attempts. Whoever waits is let in
in order of arrival, so that no layer starves beside another.
"""

from __future__ import annotations

import asyncio
import enum
import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace

from packer.common.clock import Clock
from packer.fetching.pacing.limits import ConcurrencyLimit, OverloadDetector, Rate, RetryBudget
from packer.fetching.pacing.retries import Retries

__all__ = ["Gate", "Pause", "PauseKind", "Permit"]

_FIRST_PROBE_S = 1.0
_HAIR_S = 1e-6  # past the moment rather than short of it by a rounding
_FIRST_PATIENCE_S, _LONGEST_PATIENCE_S = 1.0, 60.0


class PauseKind(enum.StrEnum):
    """Why nobody passes at present."""

    LINK = "link"
    SIGN_IN = "sign-in"
    SERVER = "server"
    ASKED = "asked to wait"


_LONGEST_PROBE_S = 30.0
# A probe of a link that is down, or of a sign-in page, costs the server nothing: a link that flaps is to be
# caught while it is there.
_LONGEST_LINK_PROBE_S, _LONGEST_EARLY_PROBE_S, _EARLY_S = 10.0, 2.0, 60.0


def _next_probe_s(probe_s: float, kind: PauseKind, paused_s: float) -> float:
    """The time to the next probe, given that to the last one and how long the pause has lasted."""
    longest = _LONGEST_PROBE_S
    if kind in (PauseKind.LINK, PauseKind.SIGN_IN):
        longest = _LONGEST_EARLY_PROBE_S if paused_s < _EARLY_S else _LONGEST_LINK_PROBE_S
    return min(2 * probe_s, longest)


@dataclass(frozen=True, slots=True)
class Pause:
    """A pause of the whole host. `where` is where to sign in, if known; times on the run's clock."""

    kind: PauseKind
    reason: str
    where: str | None
    since: float
    until: float


@dataclass(slots=True, eq=False)
class Permit:
    """Leave to send one request. `landed` is when the answer was in, if the gate was told before its verdict."""

    started: float
    probe: bool
    landed: float | None = None


_Turn = asyncio.Future["Permit | None"]


class Gate:
    """See the module. All times are seconds on the run's clock.

    `reached` tells that the host has answered for itself in this run, `ever_good` that it has given a tile.
    `several` holds if more than one server stands behind it, by name or port, of which one may be out of order.
    `on_change` is called with the pause before and the one now whenever a pause begins, ends or is lengthened.
    """

    def __init__(
        self,
        connections: int,
        per_second: float,
        clock: Clock,
        on_change: Callable[[Pause | None, Pause | None], None] = lambda _before, _now: None,
    ) -> None:
        self.in_flight = 0
        self.ever_good = self.reached = self.several = False
        self.retry_budget = RetryBudget()
        self.on_change = on_change
        self._pause: Pause | None = None
        self._clock = clock
        self._rate = Rate(per_second)
        self._limit = ConcurrencyLimit(connections)
        self._overload = OverloadDetector()
        self._queue: deque[_Turn] = deque()
        self._alarm: asyncio.Task[None] | None = None
        self._alarm_at = math.inf
        self._closed = False
        self._prober: Permit | None = None
        self._probe_s = _FIRST_PROBE_S
        self._patience, self._patience_at = 0, -math.inf
        self._patiently = Retries(_FIRST_PATIENCE_S, _LONGEST_PATIENCE_S, clock.chance)
        self._streak = 0
        self._started = self._last_good_start = -math.inf

    @property
    def pause(self) -> Pause | None:
        """Why nobody passes but a prober at present, if so."""
        return self._pause

    @property
    def width(self) -> int:
        """How many requests may be under way at once just now."""
        return self._limit.size

    def close(self) -> None:
        """Let nobody in any more; everyone who waits gets None."""
        self._closed = True
        self._dispatch()

    async def enter(self, *, first: bool = False) -> Permit | None:
        """Wait for leave to send one request; None when the gate is closed. `first` goes before all who wait.

        Every pass has to come back through one of `good`, `bad`, `throttled`, `answered` or `dropped`.
        If cancelled: no pass is held, and the next in line has its turn instead.
        """
        if not self._queue and not self._closed and self._wait_s(now := self._clock.now()) <= 0:
            return self._grant(now)
        turn: _Turn = asyncio.get_running_loop().create_future()
        self._queue.appendleft(turn) if first else self._queue.append(turn)
        self._dispatch()
        try:
            return await turn
        except asyncio.CancelledError:
            granted = turn.result() if turn.done() and not turn.cancelled() else None
            if granted is not None:
                self.dropped(granted)  # the cancellation came between leave given and leave taken
            else:
                turn.cancel()
                self._dispatch()
            raise

    def _dispatch(self) -> None:
        """Let in whoever may go, in order, and see to it that the next one is looked at in time."""
        while self._queue:
            if self._queue[0].done():
                self._queue.popleft()
            elif self._closed:
                self._queue.popleft().set_result(None)
            else:
                now = self._clock.now()
                wait_s = self._wait_s(now)
                if wait_s > 0:
                    self._wake_at(now + wait_s)
                    return
                self._queue.popleft().set_result(self._grant(now))
        self._wake_at(math.inf)

    def _grant(self, now: float) -> Permit:
        self.in_flight += 1
        self._rate.take(now)
        self._started = now
        permit = Permit(now, self._pause is not None)
        self._prober = permit if permit.probe else None
        return permit

    def _wait_s(self, now: float) -> float:
        """Seconds until a request may start, 0 for now, infinite until something changes."""
        if self.in_flight >= self._limit.size or (self._pause is not None and self._prober):
            return math.inf
        ready = max(self._rate.ready_at(now), self._started + self._limit.spacing_s)
        if self._pause is not None:
            ready = max(ready, self._pause.until)
        return ready - now

    def _wake_at(self, when: float) -> None:
        if when == self._alarm_at:
            return
        if self._alarm is not None:
            self._alarm.cancel()
        self._alarm_at = when
        self._alarm = None if math.isinf(when) else asyncio.ensure_future(self._ring(when))

    async def _ring(self, when: float) -> None:
        """If cancelled: somebody else sees to the next in line."""
        await self._clock.sleep(when - self._clock.now() + _HAIR_S)
        self._alarm, self._alarm_at = None, math.inf
        self._dispatch()

    # ------------------------------------------------------------------------------------ how it went

    def landed(self, permit: Permit) -> None:
        """The answer is in, so that another request may start; what it says is still to be found out, and
        told through `good`, `bad` or another of these."""
        permit.landed = self._clock.now()
        self.in_flight -= 1
        self._dispatch()

    def good(self, permit: Permit, size_bytes: int) -> None:
        """The host gave a proper answer that can only be its own, such as a tile."""
        now = self._clock.now()
        self._limit.good(now, (permit.landed or now) - permit.started, size_bytes)
        self._overload.eased()
        self.confirmed(permit.started)
        self._back(permit)

    def confirmed(self, since: float) -> None:
        """The host is known to have answered for itself to what was asked of it at `since`."""
        self.ever_good = self.reached = True
        self._last_good_start = max(self._last_good_start, since)
        self._streak = self._patience = 0
        if self._pause is not None and not self._bound(self._clock.now()):
            if self._pause.kind in (PauseKind.ASKED, PauseKind.SERVER):
                self._limit.ease_in()
            self._probe_s = _FIRST_PROBE_S
            self._set(None)

    def answered(self, permit: Permit) -> None:
        """An answer came that the host may have given, or someone in its place: a probe is to be repeated."""
        now = self._clock.now()
        self._streak = 0
        self._limit.good(now, now - permit.started, 0)
        if self._pause is not None and permit is self._prober:
            self._pause = replace(self._pause, until=max(self._pause.until, now + _FIRST_PROBE_S))
        self._back(permit)

    def bad(
        self,
        permit: Permit,
        reason: str,
        *,
        kind: PauseKind | None = None,
        where: str | None = None,
        by_server: bool = False,
    ) -> None:
        """No proper answer came. With a kind the fault is the link's and pauses the host at once; without one
        it may be the tile's, and pauses the host only when every request under way fares likewise: as the
        server's trouble if it was `by_server` that an answer came at all, else as the link's. A time that the
        host asked for stands, whatever comes of what was under way."""
        now = self._clock.now()
        self._streak += 1
        if kind is None and self._streak >= max(3, self._limit.size):
            kind = PauseKind.SERVER if by_server else PauseKind.LINK
        if self._pause is not None:
            if permit is self._prober and not self._bound(now):
                told = self._pause
                kind = kind or told.kind
                self._probe_s = _next_probe_s(self._probe_s, kind, now - told.since)
                self._set(Pause(kind, reason, where or told.where, told.since, now + self._spread()))
        elif kind is not None and permit.started > self._last_good_start:
            self._probe_s = _FIRST_PROBE_S
            self._set(Pause(kind, reason, where, now, now + self._spread()))
        self._back(permit)

    def _bound(self, now: float) -> bool:
        """Whether the time still runs for which the host asked to be left alone. It may only be lengthened:
        neither what else comes nor what fails meanwhile takes the host's word back."""
        told = self._pause
        return told is not None and told.kind is PauseKind.ASKED and now < told.until

    def _spread(self) -> float:
        """The time to the next probe, a tenth more or less, so that many crews in one hotel do not march."""
        return self._probe_s * (0.9 + 0.2 * self._clock.chance())

    def intercepted(self, reason: str) -> None:
        """Somebody else answers in the host's place: as `bad`, but not told by one request alone."""
        now, told = self._clock.now(), self._pause
        if self._bound(now):
            return
        if told is None:
            self._probe_s = _FIRST_PROBE_S
        else:
            self._probe_s = _next_probe_s(self._probe_s, PauseKind.SIGN_IN, now - told.since)
        where, since = (told.where, told.since) if told is not None else (None, now)
        self._set(Pause(PauseKind.SIGN_IN, reason, where, since, now + self._spread()))

    def throttled(self, permit: Permit, reason: str, seconds: float = 0.0, *, plainly: bool = True) -> None:
        """The host asks for patience, `seconds` of it, or as long as we think fit if that is 0.

        `plainly` False is for an answer such as 503 that may be one tile's own trouble: without a time it
        pauses the host only if it is not the only one of late.
        """
        now = self._clock.now()
        often = self._overload.throttled()
        if seconds > 0 or plainly or often or permit is self._prober:
            self._limit.strain(now, now - permit.started)
            self._wait_as_asked(now, reason, seconds or self._own_patience(permit, now))
        self._back(permit)

    def _own_patience(self, permit: Permit, now: float) -> float:
        if permit.started >= self._patience_at:  # the rest of one volley is no further sign
            self._patience, self._patience_at = self._patience + 1, now
        most = min(_FIRST_PATIENCE_S * 2.0 ** min(self._patience, 10), _LONGEST_PATIENCE_S)
        return max(self._patiently.wait_s(max(self._patience, 1)), 0.25 * most)

    def _wait_as_asked(self, now: float, reason: str, seconds: float) -> None:
        told, until = self._pause, now + seconds
        if told is None or not self._bound(now) or until > told.until:
            since = told.since if told is not None else now
            self._set(Pause(PauseKind.ASKED, reason, None, since, until))

    def slow(self, permit: Permit) -> None:
        """A request ran into its time limit: narrow the window (besides `bad`)."""
        now = self._clock.now()
        self._limit.strain(now, now - permit.started)

    def dropped(self, permit: Permit) -> None:
        """The request was given up by ourselves: it says nothing about the host."""
        self._back(permit)

    def is_tile_fault(self, permit: Permit) -> bool:
        """Whether the host has answered well a request that started after this one, so that a failure of
        this one is the tile's and not the link's."""
        return self._last_good_start > permit.started

    def _set(self, pause: Pause | None) -> None:
        before, self._pause = self._pause, pause
        if pause is None:
            self._prober = None  # one that is still out is a request like any other
        self.on_change(before, pause)
        self._dispatch()

    def _back(self, permit: Permit) -> None:
        if permit.landed is None:
            self.in_flight -= 1
        if permit is self._prober:
            self._prober = None
        self._dispatch()
