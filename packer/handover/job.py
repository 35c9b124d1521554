"""The jobs that write and inspect copies for devices, blocking and awaited."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path
from typing import Literal

from packer.common.stop_signal import StopSignal
from packer.fetching.job_progress import OnProgress, counting
from packer.fetching.job_threads import in_thread
from packer.handover.crews import crews_of
from packer.handover.delivery import HandoverReport, handover
from packer.handover.kinds import As
from packer.handover.tree_inspection import InspectionSummary, inspect_tree
from packer.planning.brief import Brief
from packer.planning.plan import Plan

__all__ = ["hand_over", "hand_over_async", "inspect", "inspect_async"]


def hand_over(
    brief: Brief,
    plan: Plan,
    to: Path,
    store: Path | None = None,
    *,
    as_: As = "mbtiles",
    max_file_bytes: int | Literal["auto"] | None = "auto",
    crews: Collection[str] | None = None,
    allow_gaps: bool = False,
    blend: bool = False,
    stop: StopSignal | None = None,
    on_progress: OnProgress | None = None,
) -> HandoverReport:
    """Write what the plan asks for and the packs hold into the folder `to`, as sealed files for devices.

    `max_file_bytes` "auto" takes what the target's file system is sure to take, None means no limit. `crews` names
    some of the brief's crews; left out, each has a folder. `blend` makes one layer of each that lies over another and
    the one below. Raises InputError for what cannot be done as asked,
    LastbarError for an incomplete plan unless `allow_gaps`, StoreError for a damaged pack, DiskError for a target
    without room, and StoppedError if `stop` was set before it was done.

    If it is stopped, or the process dies: a folder that was not finished has no manifest, and the next handover
    goes on there, once it has checked what is in it.
    """
    return handover(
        brief,
        plan,
        store,
        to,
        as_=as_,
        max_file_bytes=max_file_bytes,
        crews=crews_of(brief, crews),
        allow_gaps=allow_gaps,
        blend=blend,
        on_progress=counting("hand over", "tiles", on_progress, stop),
    )


async def hand_over_async(
    brief: Brief,
    plan: Plan,
    to: Path,
    store: Path | None = None,
    *,
    as_: As = "mbtiles",
    max_file_bytes: int | Literal["auto"] | None = "auto",
    crews: Collection[str] | None = None,
    allow_gaps: bool = False,
    blend: bool = False,
    stop: StopSignal | None = None,
    on_progress: OnProgress | None = None,
) -> HandoverReport:
    """As `hand_over`, in a thread. If cancelled: it ends as by `stop` before this returns."""
    return await in_thread(
        lambda own, show: hand_over(
            brief,
            plan,
            to,
            store,
            as_=as_,
            max_file_bytes=max_file_bytes,
            crews=crews,
            allow_gaps=allow_gaps,
            blend=blend,
            stop=own,
            on_progress=show,
        ),
        stop,
        on_progress,
    )


def inspect(
    folder: Path, *, stop: StopSignal | None = None, on_progress: OnProgress | None = None
) -> InspectionSummary:
    """Hold every copy in a folder against its manifest, and the folder against its record of crews. Never writes.

    Raises InputError where there is no folder, StoreError where nothing in it was handed over, and StoppedError if
    `stop` was set: before the next file, so a large one is read to its end.
    """
    return inspect_tree(folder, on_progress=counting("inspect", "bytes", on_progress, stop))


async def inspect_async(
    folder: Path, *, stop: StopSignal | None = None, on_progress: OnProgress | None = None
) -> InspectionSummary:
    """As `inspect`, in a thread. If cancelled: it ends as by `stop` before this returns."""
    return await in_thread(lambda own, show: inspect(folder, stop=own, on_progress=show), stop, on_progress)
