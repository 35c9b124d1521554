"""Waiting of a layer's workers: until a tile is due, or until another worker has come back with one."""

from __future__ import annotations

import asyncio

from packer.common.clock import Clock

__all__ = ["Turn"]


class Turn:
    """What workers wait for when there is nothing to do just now."""

    def __init__(self, clock: Clock) -> None:
        self._clock, self._event = clock, asyncio.Event()

    def call(self) -> None:
        """Have all that wait look again."""
        self._event.set()

    async def until(self, due: float | None) -> None:
        """Wait until it is so late on the run's clock (None: without end), or until `call`.

        If cancelled: nothing is left behind.
        """
        self._event.clear()
        turn = asyncio.ensure_future(self._event.wait())
        timers = [] if due is None else [asyncio.ensure_future(self._clock.sleep(due - self._clock.now()))]
        try:
            await asyncio.wait([turn, *timers], return_when="FIRST_COMPLETED")
        finally:
            for task in (turn, *timers):
                task.cancel()
