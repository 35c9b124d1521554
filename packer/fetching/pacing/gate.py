"""The gate before a host: who may ask it, and when.

One gate stands before all layers that share a host. It has two halves: a `Limiter`, which keeps the caps and the
queue, and a `PauseMachine`, which decides when the host is left alone. The gate takes the permits back, tells both
halves what each request has shown, and lets the next one in.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime

from packer.common.clock import Clock
from packer.fetching.pacing.cap_shares import Caps
from packer.fetching.pacing.limiter import Limiter
from packer.fetching.pacing.limits import ConcurrencyLimit, Rate, RetryBudget
from packer.fetching.pacing.patience import Patience
from packer.fetching.pacing.pause import Pause, PauseMachine, Permit
from packer.fetching.pacing.signals import (
    Failed,
    PauseKind,
    Signal,
    Succeeded,
    Throttled,
    TileFault,
    Unverified,
)
from packer.fetching.pacing.waiting import WaitingTime

__all__ = ["Gate", "Pause", "PauseKind", "Permit"]

_LEASES = (
    "hands of an earlier fetch may ask this server, which is not to get more requests than the brief allows"
)


class Gate:
    """Lets requests to one host start, and learns from how they end. All times are seconds on the run's clock.

    `several` holds if more than one server stands behind it, by name or port, of which one may be out of order.
    `host` names the one that layers are only sent on to. `secure` holds if it is asked over TLS.
    `foreign_at` and `unsure_at` are when a sign-in page came last, and an answer that anybody may have given.
    `on_asked` is called with a pause for which the host named the time. `on_change` is called with the pause before
    and the one now whenever a pause begins, ends or is lengthened. `lease_wait` is the wait for shares that another
    process lent, which is not heard any more, while nothing is left of the caps.
    """

    def __init__(
        self,
        connections: int,
        per_second: float,
        clock: Clock,
        *,
        several: bool = False,
        host: str = "",
        secure: bool = False,
    ) -> None:
        self.several, self.host = several, host
        self.on_change: Callable[[Pause | None, Pause | None], None] = lambda _before, _now: None
        self.cap = connections
        self.retry_budget = RetryBudget()
        self._patience = Patience()
        self.foreign_at = self.unsure_at = -math.inf
        self.on_asked: Callable[[Pause], None] = lambda _pause: None
        self.own_caps = self.share = Caps(connections, math.ceil(per_second))
        self.lease_wait: Pause | None = None
        self._clock = clock
        self._pauses = PauseMachine(clock.chance)
        self._waiting = WaitingTime(clock.now())
        limit = ConcurrencyLimit(connections, secure=secure)
        self._limiter = Limiter(limit, Rate(per_second), self._pauses, clock)
        self._limiter.several = several

    @property
    def pause(self) -> Pause | None:
        """Why nobody may ask but a probe at present, if so."""
        return self._pauses.pause

    @property
    def waited_s(self) -> float:
        """Seconds in which the host could not be reached so far: no part of the pace at which it gives tiles."""
        return self._waiting.seconds(self._clock.now())

    @property
    def width(self) -> int:
        """How many requests may be under way at once just now."""
        return self._limiter.limit.size

    @property
    def in_flight(self) -> int:
        """How many requests are under way."""
        return self._limiter.in_flight

    @property
    def reached(self) -> bool:
        """Whether the host has answered for itself in this run."""
        return self._pauses.reached

    @property
    def ever_good(self) -> bool:
        """Whether the host has given a tile in this run."""
        return self._pauses.ever_good

    @property
    def last_success(self) -> float:
        """When the latest request started that the host answered as only it can. A request that started earlier
        and failed did so on a sound link: the fault is its tile's."""
        return self._pauses.last_success

    def deadline_s(self, *, first: bool, spent: bool = False) -> float:
        """How long a request that starts now may take, in seconds. The `first` one for a tile is only a short look
        while other tiles get no answer, see `Patience`; so is each where others of its zoom were waited for in vain."""
        patience = self._patience
        if spent and patience.known:
            return patience.shortest_look_s
        if first and patience.known:
            look_s = patience.look_s
            if patience.expects_silence or self._limiter.is_hanging(self._clock.now() - look_s):
                return look_s
        return patience.deadline_s(alone=self.width == 1)

    # ------------------------------------------------------------------------------------ beside other processes

    @property
    def starts(self) -> list[float]:
        """When the latest requests have arrived at the latest."""
        return self._limiter.rate.arrivals(self._clock.now())

    @property
    def held_until(self) -> float:
        """Until when others use what was lent of the caps, whatever becomes of this process."""
        return -math.inf

    @property
    def span_s(self) -> float:
        """The time from when requests are sent until all of them count no more."""
        return self._limiter.rate.span_s

    def set_share(self, share: Caps, valid_until: float) -> None:
        """Use no more of the caps than `share`, and nothing after `valid_until` until this is called again."""
        self._limiter.valid_until = valid_until
        if share != self.share:
            self.share = share
            self._limiter.limit.allow(share.connections)
            self._limiter.rate.allow(share.starts)
        self._limiter.dispatch()

    def await_leases(self, until: float | None) -> None:
        """Nothing is left of the caps until a time, since another process has lent it to hands and is not heard any
        more; None if that is not so, or over."""
        before, now = self.lease_wait, self._clock.now()
        if until is None:
            self.lease_wait = None
        elif before is None or before.until != until:
            when = datetime.fromtimestamp(self._clock.wall() + until - now)
            reason = f"until {when:%H:%M:%S} {_LEASES}"
            self.lease_wait = Pause(
                PauseKind.LEASES, reason, None, now if before is None else before.since, until
            )
        if (before is None) != (self.lease_wait is None):
            self.on_change(before, self.lease_wait)

    def count_starts(self, starts: list[float]) -> None:
        """Requests of a process that has ended count as if this one had sent them."""
        self._limiter.rate.began(starts)

    def idle_closed(self) -> None:
        """Connections that nothing used were closed: the next requests have to make new ones."""
        self._limiter.warm = 0

    def leave_alone(self, reason: str, until: float) -> None:
        """The host asked another process to be left alone."""
        before = self._pauses.pause
        self._pauses.left_alone(reason, self._clock.now(), until)
        self._announce(before)

    # ------------------------------------------------------------------------------------ in and out

    async def enter(self, *, first: bool = False) -> Permit | None:
        """Wait for permission to send one request; None when the gate is closed. `first` goes before all who wait.

        Every permit has to come back through `report` or `drop`.
        If cancelled: no permit is held, and the next in line has its turn instead.
        """
        return self._limiter.try_acquire() or await self._limiter.acquire(first=first)

    def sent(self, permit: Permit) -> None:
        """The request goes out at this moment. Until this is said, or the permit comes back, the rate waits for it."""
        self._limiter.sent(permit)

    def received(self, permit: Permit) -> None:
        """The answer is in, so that another request may start; what it says is still to be found out, and
        reported."""
        self._limiter.received(permit)

    def timed(self, permit: Permit) -> None:
        """An answer came that is no tile and says nothing about the host, but for the time that it took."""
        self._limiter.limit.timed(self._clock.now() - permit.started, new=permit.start.new)
        self._limiter.release(permit, whole=True)

    def drop(self, permit: Permit) -> None:
        """The request was given up by ourselves: it says nothing about the host."""
        self._limiter.release(permit)

    def close(self) -> None:
        """Let nobody in any more; everyone who waits gets None."""
        self._limiter.close()

    # ------------------------------------------------------------------------------------ what was learnt

    def report(self, permit: Permit, signal: Signal) -> None:
        """A request is over, and this is what it says about the host."""
        now, before, limit = self._clock.now(), self._pauses.pause, self._limiter.limit
        match signal:
            case Succeeded():
                took_s = (permit.received or now) - permit.started
                limit.good(now, took_s, signal.size_bytes, new=permit.start.new)
                self._patience.answered(took_s)
                self._waiting.came(now)
                self._pauses.succeeded(permit.started, now)
            case Unverified():
                self.unsure_at = now
                limit.good(now, now - permit.started, 0, new=permit.start.new)
                self._pauses.unverified(permit, now)
            case Failed():
                if signal.kind is PauseKind.SIGN_IN:
                    self.foreign_at = now
                if signal.timed_out:
                    if not permit.hasty:
                        limit.strain(now, now - permit.started)
                    self._patience.timed_out()
                self._pauses.failed(permit, now, signal, limit.size)
            case TileFault():
                if signal.silent:
                    self._patience.hung()
                self._pauses.tile_failed(permit, now, signal.reason)
            case Throttled():
                if self._pauses.throttled(permit, now, signal):
                    limit.strain(now, now - permit.started)
                    if signal.seconds > 0 and self._pauses.pause is not None:
                        self.on_asked(self._pauses.pause)
        if self._pauses.pause is not before:  # first: the limit may have to be lowered before others start
            self._announce(before)
        self._limiter.release(permit, whole=isinstance(signal, Succeeded | Unverified | Throttled))

    def confirmed(self, since: float) -> None:
        """The host is known to have answered for itself to what was asked of it at `since`."""
        before = self._pauses.pause
        self._pauses.confirmed(since, self._clock.now())
        self._announce(before)

    def intercepted(self, reason: str) -> None:
        """Somebody else answers in the host's place, which more than one request has shown."""
        before = self._pauses.pause
        self._pauses.intercepted(self._clock.now(), reason)
        self._announce(before)

    def note_reached(self) -> None:
        """The host has answered for itself, though with no tile."""
        self._pauses.reached = True

    def _announce(self, before: Pause | None) -> None:
        """Pass a change of the pause on, if there was one."""
        now = self._pauses.pause
        if now is before:
            return
        self._waiting.paused(None if now is None else now.kind, self._clock.now())
        if before is not None and now is None and before.kind in (PauseKind.ASKED, PauseKind.SERVER):
            self._limiter.limit.ease_in()
        self.on_change(before, now)
        self._limiter.dispatch()
