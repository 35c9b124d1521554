"""The job that proves packs, blocking and awaited."""

from __future__ import annotations

from pathlib import Path

from packer.common.stop_signal import StopSignal
from packer.fetching.job_progress import OnProgress, counting
from packer.fetching.job_threads import in_thread
from packer.planning.brief import Brief
from packer.planning.plan import Plan
from packer.proof import proving
from packer.proof.results import Depth, VerifyReport

__all__ = ["verify", "verify_async"]


def verify(
    brief: Brief,
    plan: Plan,
    store: Path | None = None,
    *,
    depth: Depth = Depth.HASH,
    for_s: float | None = None,
    processes: int | None = None,
    stop: StopSignal | None = None,
    on_progress: OnProgress | None = None,
) -> VerifyReport:
    """Hold the packs of a brief against its plan; `ready` is True only if everything was checked and is sound.

    With `for_s` it ends after so many seconds, and the next call with `for_s` goes on from there. `stop` ends it as
    the end of the time does. `processes` is the number of workers, all cores if left out. Never writes to a pack; a
    list of corrupt tiles is left beside it, for the next fetch to replace them. Raises StoreError for a pack that is
    none of ours or that SQLite cannot read. If the process dies: the packs are untouched.
    """
    return proving.verify(
        brief,
        plan,
        store,
        depth=depth,
        for_s=for_s,
        processes=processes,
        stop=stop,
        on_progress=counting("verify", "bodies", on_progress, None),
    )


async def verify_async(
    brief: Brief,
    plan: Plan,
    store: Path | None = None,
    *,
    depth: Depth = Depth.HASH,
    for_s: float | None = None,
    processes: int | None = None,
    stop: StopSignal | None = None,
    on_progress: OnProgress | None = None,
) -> VerifyReport:
    """As `verify`, in a thread. If cancelled: it ends as by `stop` before this returns."""
    return await in_thread(
        lambda own, show: verify(
            brief, plan, store, depth=depth, for_s=for_s, processes=processes, stop=own, on_progress=show
        ),
        stop,
        on_progress,
    )
