"""Caps held for the machine: the gates of a run take part in the records that the user's processes share."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager

from packer.common.clock import Clock, SystemClock
from packer.fetching.hosts.host_identity import SharedGate
from packer.fetching.pacing.sharing import CapSharing
from packer.fetching.transports import Transport

__all__ = ["shared_caps"]


@asynccontextmanager
async def shared_caps(
    gates: Iterable[SharedGate],
    clock: Clock,
    transport: Transport,
    on_problem: Callable[[str], None] = lambda _reason: None,
) -> AsyncIterator[None]:
    """Hold the caps of these gates together with the other processes of this user while the context lasts.

    `on_problem` is called once with the reason if that cannot be done: each gate then keeps its own caps. On a clock
    that is not the machine's own nothing is shared. If cancelled: the shares are given back. If the process dies:
    others take its shares some seconds later.
    """
    if not isinstance(clock, SystemClock):
        yield
        return
    drop_idle = getattr(transport, "drop_idle", lambda: None)
    unique = {id(shared): shared for shared in gates}.values()
    parts = [CapSharing(shared.gate, shared.hosts, clock, drop_idle) for shared in unique]
    for part in parts:
        part.join()
    if problem := next((part.problem for part in parts if part.problem is not None), None):
        on_problem(problem)
    tasks = [asyncio.create_task(part.run()) for part in parts]
    try:
        yield
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        for part in parts:
            part.leave()
