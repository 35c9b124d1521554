"""The jobs that ask servers for what is planned: reading what they offer, and fetching."""

from __future__ import annotations

import asyncio
from collections.abc import Collection, Coroutine, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, TypeVar

from packer.common.stop_signal import StopSignal
from packer.fetching.hosts import offer_reading
from packer.fetching.job_progress import OnProgress, following_layers
from packer.fetching.reports import FetchReport, Options
from packer.fetching.run import fast_loop, run_fetch
from packer.fetching.transports import TransportName
from packer.planning.brief import Brief
from packer.planning.plan import Plan

__all__ = ["blocking", "event_of", "fetch", "fetch_async", "read_offers", "read_offers_async"]

T = TypeVar("T")


async def fetch_async(
    brief: Brief,
    plan: Plan,
    options: Options | None = None,
    *,
    environment: Mapping[str, str] | None = None,
    stop: StopSignal | None = None,
    on_progress: OnProgress | None = None,
) -> FetchReport:
    """Fetch what the plan asks for and the packs lack. `stop` ends the run cleanly; its report says so.

    `environment` has the values for `${NAME}` in the brief, that of the process if left out. Raises TermsError where
    a layer's terms do not permit it, BriefError for a variable or a contact that is not set, StoreError and DiskError
    if a pack cannot be used or written; a layer that had to be given up says so in its report. If cancelled:
    requests under way are dropped, what was handed to a writer is committed, every pack is closed whole.
    """
    with event_of(stop) as event:
        return await run_fetch(
            brief,
            plan,
            options,
            stop=event,
            environment=environment,
            on_progress=following_layers("fetch", on_progress),
        )


def fetch(
    brief: Brief,
    plan: Plan,
    options: Options | None = None,
    *,
    environment: Mapping[str, str] | None = None,
    stop: StopSignal | None = None,
    on_progress: OnProgress | None = None,
) -> FetchReport:
    """As `fetch_async`, in an event loop of its own. Ctrl-C ends it as a cancellation does.

    If the process dies: the packs hold every committed batch, and the next fetch asks only for the rest.
    """
    return blocking(
        fetch_async(brief, plan, options, environment=environment, stop=stop, on_progress=on_progress)
    )


async def read_offers_async(
    brief: Brief,
    store: Path | None = None,
    *,
    only: Collection[str] | None = None,
    transport: TransportName | None = None,
    environment: Mapping[str, str] | None = None,
) -> tuple[Brief, list[str]]:
    """Read what the servers offer (TileJSON, WMTS) for the layers that say so, and fill it into the brief.

    Gives the brief and remarks, one for each layer whose server did not answer as it should, so that what it offered
    before is used. `only` names the layers to read. Raises BriefError and TermsError for what must not be asked,
    NetworkError or AnswerError where nothing is kept to fall back on, DiskError. If cancelled: the offers read so far
    are kept beside the packs.
    """
    return await offer_reading.read_offers(
        brief, store, only=only, transport=transport, environment=environment
    )


def read_offers(
    brief: Brief,
    store: Path | None = None,
    *,
    only: Collection[str] | None = None,
    transport: TransportName | None = None,
    environment: Mapping[str, str] | None = None,
) -> tuple[Brief, list[str]]:
    """As `read_offers_async`, in an event loop of its own.

    If the process dies: each layer's old offer is kept, or its new one.
    """
    return blocking(read_offers_async(brief, store, only=only, transport=transport, environment=environment))


def blocking(job: Coroutine[Any, Any, T]) -> T:
    """The outcome of a job, in an event loop of its own. Raises RuntimeError where one runs in this thread."""
    try:
        asyncio.get_running_loop()
    except RuntimeError:
        with asyncio.Runner(loop_factory=fast_loop()) as runner:
            return runner.run(job)
    job.close()
    raise RuntimeError(
        "This call blocks, and an event loop is running here. Await its form with _async instead."
    )


@contextmanager
def event_of(stop: StopSignal | None) -> Iterator[asyncio.Event]:
    """An event of the running loop that is set when `stop` is."""
    event, loop = asyncio.Event(), asyncio.get_running_loop()

    def pass_on() -> None:
        with suppress(RuntimeError):  # the loop has ended, and with it what was to be stopped
            loop.call_soon_threadsafe(event.set)

    with (stop or StopSignal()).heard_by(pass_on):
        if stop is not None and stop.is_set():
            event.set()
        yield event
