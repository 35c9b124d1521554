"""The watch over a run: it wakes when something happens or time has passed, and at no other moment."""

from __future__ import annotations

import asyncio
from collections import Counter

from packer.fetching.departure import ByteBudget
from packer.fetching.run_log import RunLog
from packer.fetching.run_monitor import RunMonitor
from tests.fakes import VirtualClock


def test_a_layer_that_is_done_does_not_keep_the_monitor_awake_while_another_works() -> None:
    """Ten seconds of work after the first layer has ended: looks as time passes, not one for each turn of the loop."""
    looks = Counter[float]()

    async def go() -> None:
        async with VirtualClock() as clock:

            def counted(_layers: object) -> None:
                looks[clock.now()] += 1
                assert looks[clock.now()] <= 3, "it goes round without waiting"

            monitor = RunMonitor([], clock, RunLog(None, clock.wall), None, ByteBudget(None), None, counted)
            done = asyncio.create_task(asyncio.sleep(0))
            working = asyncio.create_task(clock.sleep(10.0))
            stopping = asyncio.create_task(asyncio.Event().wait())
            try:
                await monitor.until_done([done, working], [], stopping)
            finally:
                working.cancel()
                stopping.cancel()

    asyncio.run(go())
    assert looks
