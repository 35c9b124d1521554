"""Time and chance, handed in so that tests need neither wait nor guess."""

from __future__ import annotations

import asyncio
import random
import time
from typing import Protocol

__all__ = ["Clock", "SystemClock"]


class Clock(Protocol):
    """What the fetch knows of time and chance."""

    def now(self) -> float:
        """Seconds on a clock that never jumps."""
        ...

    def wall(self) -> float:
        """Seconds since 1970, for what is written down."""
        ...

    async def sleep(self, seconds: float) -> None:
        """Let `seconds` pass. If cancelled: nothing is held."""
        ...

    def chance(self) -> float:
        """A number from 0 up to 1."""
        ...


class SystemClock:
    """The machine's own clock and chance."""

    now = staticmethod(time.monotonic)
    wall = staticmethod(time.time)
    chance = staticmethod(random.random)

    async def sleep(self, seconds: float) -> None:
        """Let `seconds` pass. If cancelled: nothing is held."""
        await asyncio.sleep(seconds)
