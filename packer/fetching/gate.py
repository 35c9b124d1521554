"""The gate before a host: who may ask it, and when.

One gate stands before all layers that share a host. It keeps the caps, paces, obeys Retry-After, and tells a
tile that fails from a link that is down. While the link is down nobody passes but one prober at a time, at
growing intervals; whoever was turned back keeps its tile and its count of attempts.
"""

from __future__ import annotations

import asyncio
import enum
import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from packer.fetching.clock import Clock
from packer.fetching.pacing import Rate, Window, jittered

__all__ = ["Gate", "Pass", "Pause", "PauseKind"]

_FIRST_PROBE_S, _LONGEST_PROBE_S = 1.0, 30.0
_FIRST_PATIENCE_S, _LONGEST_PATIENCE_S = 1.0, 60.0


class PauseKind(enum.StrEnum):
    """Why nobody passes at present."""

    LINK = "link"
    SIGN_IN = "sign-in"
    SERVER = "server"
    ASKED = "asked to wait"


@dataclass(frozen=True, slots=True)
class Pause:
    """A pause of the whole host. `where` is where to sign in, if known; times on the run's clock."""

    kind: PauseKind
    reason: str
    where: str | None
    since: float
    until: float


@dataclass(frozen=True, slots=True)
class Pass:
    """Leave to send one request."""

    started: float
    probe: bool


class Gate:
    """See the module. All times are seconds on the run's clock."""

    def __init__(
        self, connections: int, per_second: float, clock: Clock, on_change: Callable[[], None] = lambda: None
    ) -> None:
        self.pause: Pause | None = None
        self.in_flight = 0
        self.ever_good = False
        self._clock, self._on_change = clock, on_change
        self._rate = Rate(per_second)
        self._window = Window(connections)
        self._waiting: deque[asyncio.Future[None]] = deque()
        self._closed = False
        self._probing = False
        self._probe_s = _FIRST_PROBE_S
        self._patience = 0
        self._streak = 0
        self._last_good_start = -math.inf

    @property
    def width(self) -> int:
        """How many requests may be under way at once just now."""
        return self._window.size

    def close(self) -> None:
        """Let nobody in any more; everyone who waits gets None."""
        self._closed = True
        self._wake_all()

    async def enter(self) -> Pass | None:
        """Wait for leave to send one request; None when the gate is closed.

        Every pass has to come back through one of `good`, `bad`, `strained` or `dropped`.
        If cancelled: no pass is held, and the next in line is woken instead.
        """
        while not self._closed:
            now = self._clock.now()
            wait_s = self._wait_s(now)
            if wait_s <= 0:
                self.in_flight += 1
                self._rate.take(now)
                self._probing = self.pause is not None
                return Pass(now, self._probing)
            await self._changed(wait_s)
        return None

    def _wait_s(self, now: float) -> float:
        """Seconds until a request may start, 0 for now, infinite until something changes."""
        if self.in_flight >= self._window.size or (self.pause is not None and self._probing):
            return math.inf
        ready = self._rate.ready_at(now)
        if self.pause is not None:
            ready = max(ready, self.pause.until)
        return ready - now

    async def _changed(self, wait_s: float) -> None:
        turn: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._waiting.append(turn)
        timer = asyncio.ensure_future(self._clock.sleep(wait_s)) if math.isfinite(wait_s) else None
        try:
            await (turn if timer is None else asyncio.wait([turn, timer], return_when="FIRST_COMPLETED"))
        except asyncio.CancelledError:
            if turn.done():
                self._wake_one()
            raise
        finally:
            if timer is not None:
                timer.cancel()
            if not turn.done():
                self._waiting.remove(turn)

    def _wake_one(self) -> None:
        while self._waiting:
            turn = self._waiting.popleft()
            if not turn.done():
                turn.set_result(None)
                return

    def _wake_all(self) -> None:
        while self._waiting:
            self._wake_one()

    def good(self, leave: Pass, size_bytes: int) -> None:
        """The host gave a proper answer, be it a tile or word that there is none."""
        now = self._clock.now()
        self.ever_good = True
        self._last_good_start = max(self._last_good_start, leave.started)
        self._streak = self._patience = 0
        self._window.good(now, now - leave.started, size_bytes)
        asked = self.pause is not None and self.pause.kind is PauseKind.ASKED and now < self.pause.until
        if self.pause is not None and not asked:
            self._resume()
        self._back(leave)

    def bad(
        self, leave: Pass, reason: str, *, kind: PauseKind | None = None, where: str | None = None
    ) -> None:
        """No proper answer came. With a kind the fault is the link's and pauses the host at once; without one
        it may be the tile's, and pauses the host only when every request under way fares likewise."""
        now = self._clock.now()
        self._streak += 1
        if kind is None and self._streak >= max(3, self._window.size):
            kind = PauseKind.SERVER
        if self.pause is not None:
            if leave.probe:
                self._probe_s = min(self._probe_s * 2, _LONGEST_PROBE_S)
                told = self.pause
                self.pause = Pause(
                    kind or told.kind, reason, where or told.where, told.since, now + self._probe_s
                )
        elif kind is not None and leave.started > self._last_good_start:
            self._probe_s = _FIRST_PROBE_S
            self.pause = Pause(kind, reason, where, now, now + self._probe_s)
        self._back(leave)
        self._on_change()

    def strained(self, leave: Pass, reason: str, seconds: float = 0.0) -> None:
        """The host asks for patience, `seconds` of it, or as long as we think fit if that is 0."""
        now = self._clock.now()
        self._window.strain(now, now - leave.started)
        if seconds <= 0:
            self._patience += 1
            span = jittered(_FIRST_PATIENCE_S, self._patience, _LONGEST_PATIENCE_S, self._clock.chance())
            seconds = max(span, 0.25 * min(_FIRST_PATIENCE_S * 2**self._patience, _LONGEST_PATIENCE_S))
        until = now + seconds
        if self.pause is None or until > self.pause.until or self.pause.kind is not PauseKind.ASKED:
            since = self.pause.since if self.pause is not None else now
            self.pause = Pause(PauseKind.ASKED, reason, None, since, until)
        self._back(leave)
        self._on_change()

    def slow(self, leave: Pass) -> None:
        """A request ran into its time limit: narrow the window (besides `bad`)."""
        now = self._clock.now()
        self._window.strain(now, now - leave.started)

    def dropped(self, leave: Pass) -> None:
        """The request was given up by ourselves: it says nothing about the host."""
        self._back(leave)

    def fair(self, leave: Pass) -> bool:
        """Whether the host has answered well a request that started after this one, so that a failure of
        this one is the tile's and not the link's."""
        return self._last_good_start > leave.started

    def _resume(self) -> None:
        self.pause = None
        self._probe_s = _FIRST_PROBE_S
        self._wake_all()
        self._on_change()

    def _back(self, leave: Pass) -> None:
        self.in_flight -= 1
        if leave.probe:
            self._probing = False
        # A window that has widened lets in one more than has come back.
        self._wake_one()
        if self.in_flight + 1 < self._window.size:
            self._wake_one()
