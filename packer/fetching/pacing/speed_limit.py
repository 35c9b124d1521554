"""Room for others on the same link: at most so many bits a second over all layers of a run."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass

from packer.common.clock import Clock

__all__ = ["SpeedLimit", "SpeedLimiter"]

_CATCH_UP_S = 0.1  # what late timers and loops cost may be made up for, and no more
_LOOK_EVERY_S = 0.5  # how late a change, or the end of the layer, is heard by one who waits
_HEAD_BYTES = 300  # of an answer's status line and headers, by common servers; nothing promises it


@dataclass(slots=True)
class SpeedLimit:
    """At most so many bits a second, until a moment in seconds since 1970; None is without limit, and without end.

    Both may be changed while a fetch runs, from any thread.
    """

    bits_per_second: float | None = None
    until: float | None = None

    def at(self, wall: float) -> float | None:
        """What is allowed at a moment in seconds since 1970; None is without limit."""
        return None if self.until is not None and wall >= self.until else self.bits_per_second


class SpeedLimiter:
    """Spaces requests so that what comes for them keeps to the limit: each takes the time that its answer takes at the
    speed that is allowed. How much comes is known only afterwards, so what was taken for it is put right then.
    """

    def __init__(self, limit: SpeedLimit, clock: Clock) -> None:
        self._limit, self._clock = limit, clock
        self._turn = asyncio.Lock()
        self._owed_until = clock.now()  # when all that was asked for has had its time

    @property
    def bits_per_second(self) -> float | None:
        """What is allowed just now; None is without limit."""
        return self._limit.at(self._clock.wall())

    async def take(self, size_bytes: float, gone: Callable[[], bool]) -> float:
        """Wait for the turn of a request whose answer is likely to have so many bytes; ends early once `gone`.

        Gives the seconds that were taken, which `came` puts right. If cancelled: nothing was taken.
        """
        if self.bits_per_second is None:
            return 0.0
        async with self._turn:
            while (allowed := self.bits_per_second) is not None and not gone():
                now = self._clock.now()
                if allowed <= 0:  # nothing is left to this one of those that share a limit
                    await self._clock.sleep(_LOOK_EVERY_S)
                elif self._owed_until <= now:
                    taken = (size_bytes + _HEAD_BYTES) * 8 / allowed
                    self._owed_until = max(self._owed_until, now - _CATCH_UP_S) + taken
                    return taken
                else:
                    await self._clock.sleep(min(self._owed_until - now, _LOOK_EVERY_S))
        return 0.0

    def came(self, taken_s: float, size_bytes: int | None) -> None:
        """So many bytes came for a request that took so many seconds; None if it was not made after all."""
        allowed = self.bits_per_second
        if taken_s and allowed:
            needed_s = 0.0 if size_bytes is None else (size_bytes + _HEAD_BYTES) * 8 / allowed
            self._owed_until += needed_s - taken_s
