"""Who may start a request next, and when: the caps of one host, and the queue of those who wait.

Whoever waits is let in in order of arrival, so that no layer starves beside another that shares the host.
"""

from __future__ import annotations

import asyncio
import math
from collections import deque

from packer.common.clock import Clock
from packer.fetching.pacing.limits import ConcurrencyLimit, Rate, on_schedule
from packer.fetching.pacing.pause import PauseMachine, Permit

__all__ = ["Limiter"]

_SINGLE_BELOW = 8  # connections, of which even one that hangs is missed
_WARM_S = 4.0  # without an answer: a server that keeps connections open for less has closed them
_PAST_S = 1e-6  # past the moment rather than short of it by a rounding

_Turn = asyncio.Future["Permit | None"]


class Limiter:
    """Lets requests start within a rate, a limit of how many may be under way, and the pauses of the host.

    `in_flight` are under way now; `limit` is how many may be, which the answers raise and lower. `warm` counts the
    connections on which a whole answer came and nothing has been asked since; of `several` servers nothing tells which.
    """

    def __init__(self, limit: ConcurrencyLimit, rate: Rate, pauses: PauseMachine, clock: Clock) -> None:
        self.in_flight = 0
        self.limit, self.rate = limit, rate
        self.valid_until = math.inf  # after which the caps may belong to another process
        self._pauses, self._clock = pauses, clock
        self._queue: deque[_Turn] = deque()
        self._alarm: asyncio.Task[None] | None = None
        self._alarm_at = math.inf
        self._closed = False
        self._due = self._answered_at = -math.inf
        self.warm, self.several = 0, False
        self._out: dict[Permit, None] = {}  # requests under way, oldest first

    def try_acquire(self) -> Permit | None:
        """A permit if a request may start at once and nobody waits, else None."""
        if not self._queue and not self._closed and self._wait_s(now := self._clock.now()) <= 0:
            return self._grant(now)
        return None

    async def acquire(self, *, first: bool = False) -> Permit | None:
        """Wait for permission to send one request; None once the limiter is closed. `first` goes before all who
        wait. Every permit has to come back through `release`.

        If cancelled: no permit is held, and the next in line has its turn instead.
        """
        turn: _Turn = asyncio.get_running_loop().create_future()
        self._queue.appendleft(turn) if first else self._queue.append(turn)
        self.dispatch()
        try:
            return await turn
        except asyncio.CancelledError:
            granted = turn.result() if turn.done() and not turn.cancelled() else None
            if granted is not None:
                self.release(granted)  # the cancellation came between permission given and permission taken
            else:
                turn.cancel()
                self.dispatch()
            raise

    def sent(self, permit: Permit) -> None:
        """The request goes out at this moment."""
        now = self._clock.now()
        if now - self._answered_at > _WARM_S:
            self.warm = 0
        self.rate.sent(permit.start, now, new=self.warm == 0 or self.several)
        self.warm = max(self.warm - 1, 0)
        permit.started = now
        if self._queue:
            self.dispatch()

    def received(self, permit: Permit) -> None:
        """The answer is in, so that another request may start, although this one's permit is still out."""
        permit.received = self._clock.now()
        self.rate.answered(permit.start, permit.received)
        self.in_flight -= 1
        del self._out[permit]
        self.dispatch()

    def release(self, permit: Permit, *, whole: bool = False) -> None:
        """The request is over; with a `whole` answer, so that its connection serves for another."""
        now = self._clock.now()
        if permit.received is None:
            self.rate.answered(permit.start, now, whole=whole)
            self.in_flight -= 1
            del self._out[permit]
        if whole:
            self.warm, self._answered_at = self.warm + 1, now
        self._pauses.returned(permit)
        if self._queue:
            self.dispatch()

    def is_hanging(self, before: float) -> bool:
        """Whether requests that started earlier than `before` are without an answer although later ones got theirs:
        two of them, or one where there are few connections."""
        before = min(before, self._pauses.last_success)
        needed = 1 if self.limit.cap < _SINGLE_BELOW else 2
        if len(self._out) < needed:
            return False
        oldest = iter(self._out)
        return next(oldest).started < before and (needed == 1 or next(oldest).started < before)

    def close(self) -> None:
        """Let nobody in any more; everyone who waits gets None."""
        self._closed = True
        self.dispatch()

    def dispatch(self) -> None:
        """Let in whoever may go, in order, and see to it that the next one is looked at in time. To be called
        after every change of a pause."""
        queue = self._queue
        while queue:
            if queue[0].done():
                queue.popleft()
            elif self._closed:
                queue.popleft().set_result(None)
            elif self.in_flight >= self._most:
                break  # the next request that ends calls here again
            else:
                now = self._clock.now()
                wait_s = self._wait_s(now)
                if wait_s > 0:
                    self._wake_at(now + wait_s)
                    return
                queue.popleft().set_result(self._grant(now))
        if self._alarm is not None:
            self._wake_at(math.inf)

    @property
    def _most(self) -> int:
        """How many may be under way. In a pause, which lets only probes through, a second one needs a place too."""
        return self.limit.size if self._pauses.pause is None else max(self.limit.size, min(2, self.limit.cap))

    def _grant(self, now: float) -> Permit:
        self.in_flight += 1
        self._due = on_schedule(self._due + self.limit.spacing_s, now)
        permit = self._pauses.admit(now)
        permit.start = self.rate.take(now)
        self._out[permit] = None
        return permit

    def _wait_s(self, now: float) -> float:
        """Seconds until a request may start, 0 for now, infinite until something changes."""
        if self.in_flight >= self._most or now > self.valid_until:
            return math.inf
        spaced = self._due + self.limit.spacing_s
        return max(self.rate.ready_at(now), spaced, self._pauses.next_start()) - now

    def _wake_at(self, when: float) -> None:
        if when == self._alarm_at:
            return
        if self._alarm is not None:
            self._alarm.cancel()
        self._alarm_at = when
        self._alarm = None if math.isinf(when) else asyncio.ensure_future(self._ring(when))

    async def _ring(self, when: float) -> None:
        """If cancelled: somebody else sees to the next in line."""
        await self._clock.sleep(when - self._clock.now() + _PAST_S)
        self._alarm, self._alarm_at = None, math.inf
        self.dispatch()
