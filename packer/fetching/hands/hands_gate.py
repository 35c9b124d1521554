"""The gate before a host where hands do the asking: the planning machine's own, of which it lends shares."""

from __future__ import annotations

import math

from packer.common.clock import Clock
from packer.fetching.hands.shares import ShareBook
from packer.fetching.pacing.cap_shares import Caps
from packer.fetching.pacing.gate import Gate, Pause, PauseKind

__all__ = ["CLOCKS_S", "HandsGate"]

CLOCKS_S = 2.0
"""How far the clocks of two machines may drift apart within one lease, and how late a word may be put down."""

_IDLE_S = (
    75.0  # until most servers close what nothing uses: what nginx does unless told otherwise (from memory)
)


class HandsGate(Gate):
    """A gate whose caps are lent to hands. To whoever shares them on this machine, what is lent is in use.

    `waiting` is the pause to show while every hand waits. The gate's own requests, such as that for robots.txt, are
    made before the first share is lent.
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
        super().__init__(connections, per_second, clock, several=several, host=host, secure=secure)
        self.per_second = per_second
        span_s = super().span_s
        self.book = ShareBook(CLOCKS_S + span_s, span_s, _IDLE_S)
        self.lending = False
        self._shown: Pause | None = None

    @property
    def lendable(self) -> Caps:
        """The caps that may be lent just now: those of the brief, or what other processes here leave of them, without
        what this one has just used itself."""
        began = self._clock.now() - self.span_s
        own = sum(start > began for start in super().starts)
        return Caps(max(self.share.connections - super().in_flight, 0), max(self.share.starts - own, 0))

    @property
    def pause(self) -> Pause | None:
        """Why nobody asks at present, if so."""
        return self._shown if self.lending else super().pause

    def show(self, pause: Pause | None) -> None:
        """Every hand waits, as `pause` says, or one works."""
        before, self._shown = self._shown, pause
        if (before is None) != (pause is None) or (before and pause and before.kind is not pause.kind):
            self._waiting.paused(None if pause is None else pause.kind, self._clock.now())
            self.on_change(before, pause)

    def ask_patience(self, reason: str, wait_s: float) -> None:
        """A hand was asked by the host to leave it alone for so long: every hand has to, and every process here."""
        now = self._clock.now()
        self._pauses.left_alone(reason, now, now + wait_s)
        if (pause := self._pauses.pause) is not None:
            self.on_asked(pause)

    def quiet_s(self) -> float:
        """For how many seconds the host wants to be left alone by all."""
        pause = self._pauses.pause
        if pause is None or pause.kind is not PauseKind.ASKED:
            return 0.0
        return max(0.0, pause.until - self._clock.now())

    def worked(self) -> None:
        """A hand got a tile: the host is there."""
        self._pauses.reached = self._pauses.ever_good = True
        self._waiting.came(self._clock.now())

    @property
    def in_flight(self) -> int:
        """Requests under way, with those that hands may have."""
        return super().in_flight + self.book.lent(self._clock.now()).connections

    @property
    def starts(self) -> list[float]:
        """When the latest requests have arrived at the latest, with those that hands may have sent."""
        now = self._clock.now()
        return [*super().starts, *[now] * self.book.lent(now).starts]

    @property
    def held_until(self) -> float:
        """Until when what is lent is in use if this process dies."""
        return self.book.lent_until(self._clock.now()) or -math.inf
