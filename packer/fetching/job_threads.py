"""A job that blocks, awaited: it runs in a thread beside the event loop."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from functools import partial
from typing import TypeVar

from packer.common.stop_signal import StopSignal
from packer.fetching.job_progress import OnProgress, Progress

__all__ = ["in_thread"]

T = TypeVar("T")


async def in_thread(
    job: Callable[[StopSignal, OnProgress | None], T], stop: StopSignal | None, on_progress: OnProgress | None
) -> T:
    """Run `job(stop, on_progress)` in a thread; `on_progress` is called in this thread all the same.

    If cancelled: the job is asked to stop, and this returns when it has ended, so that nothing goes on unseen.
    """
    loop = asyncio.get_running_loop()
    own = StopSignal()

    def pass_on(progress: Progress) -> None:
        assert on_progress is not None
        loop.call_soon_threadsafe(on_progress, progress)

    with (stop or StopSignal()).heard_by(own.set):
        work = loop.run_in_executor(None, partial(job, own, pass_on if on_progress else None))
        try:
            return await asyncio.shield(work)
        except asyncio.CancelledError:
            own.set()
            await asyncio.wait([work])
            work.exception()  # taken note of: a cancelled job's error is the cancellation
            raise
