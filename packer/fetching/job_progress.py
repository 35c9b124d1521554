"""How far a long job is, in one form for all jobs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from packer.common.stop_signal import StopSignal
from packer.errors import StoppedError
from packer.fetching.reports import LayerProgress

__all__ = ["JobName", "OnProgress", "Progress", "counting", "following_layers"]

JobName = Literal["fetch", "survey", "verify", "hand over", "inspect"]


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a job is with one layer or one file: `done` of `total`, in the job's `unit`.

    `item` is the layer's name, or says what is done to which file. `layer` has more on a layer that is being
    fetched: its pause, its coverage by area, what will be on board at departure; None in the other jobs.
    """

    job: JobName
    item: str
    done: int
    total: int
    unit: Literal["tiles", "bodies", "bytes"]
    layer: LayerProgress | None = None


OnProgress = Callable[[Progress], None]
"""Called often, some times a second; an error that it raises ends the job."""


def following_layers(job: JobName, on_progress: OnProgress | None) -> Callable[[list[LayerProgress]], None]:
    """For a job that fetches: one `Progress` for each layer."""

    def show(layers: list[LayerProgress]) -> None:
        for layer in layers if on_progress else ():
            assert on_progress is not None
            on_progress(Progress(job, layer.name, layer.held + layer.absent, layer.planned, "tiles", layer))

    return show


def counting(
    job: JobName,
    unit: Literal["tiles", "bodies", "bytes"],
    on_progress: OnProgress | None,
    stop: StopSignal | None,
) -> Callable[[str, int, int], None]:
    """For a job that counts: raises StoppedError once `stop` is set."""

    def show(item: str, done: int, total: int) -> None:
        if stop is not None and stop.is_set():
            raise StoppedError(
                f"Stopped as asked, {item}: {done:,} of {total:,} {unit} were done. Start it again."
            )
        if on_progress is not None:
            on_progress(Progress(job, item, done, total, unit))

    return show
