"""`lastbar fetch`: the run, with its progress and its ending in words."""

from __future__ import annotations

import asyncio
import contextlib
import signal
from pathlib import Path

from packer.brief import Brief
from packer.cli.progress import progress_for
from packer.cli.speech import bytes_text, document, duration_text, note, say
from packer.errors import EXIT_NOT_COMPLETE, InputError
from packer.fetching import FetchReport, Options, run_fetch
from packer.fetching.run import fast_loop
from packer.planning import Plan, plan
from packer.quantities import seconds

__all__ = ["run"]


def run(
    path: Path, store: Path | None, give_up_after: str | None, ask_absent_again: bool, as_json: bool
) -> int:
    """Fetch for the brief at `path`; 0 if nothing is missing at the end, 1 if something is."""
    options = Options(store, _seconds(give_up_after), ask_absent_again)
    brief = Brief.read(path)
    worked_out = plan(brief)
    for remark in worked_out.remarks:
        note(f"Note: {remark}")
    with asyncio.Runner(loop_factory=fast_loop()) as runner:
        report = runner.run(_fetch(brief, worked_out, options))
    if as_json:
        document(report.as_json())
    else:
        _show(report, path)
    return 0 if report.complete else EXIT_NOT_COMPLETE


def _seconds(text: str | None) -> float | None:
    try:
        return None if text is None else seconds(text)
    except ValueError as fault:
        raise InputError(f"--give-up-after {text}: {fault}.") from None


async def _fetch(brief: Brief, worked_out: Plan, options: Options) -> FetchReport:
    stop = asyncio.Event()
    task = asyncio.current_task()
    assert task is not None

    def heed() -> None:
        if stop.is_set():
            task.cancel()
        else:
            note("Stopping: what is in hand is finished and stored. Once more stops at once.")
            stop.set()

    loop = asyncio.get_running_loop()
    for name in (signal.SIGINT, signal.SIGTERM):
        with contextlib.suppress(NotImplementedError):  # Windows: Ctrl-C cancels the run instead
            loop.add_signal_handler(name, heed)
    try:
        with progress_for(brief) as progress:
            return await run_fetch(brief, worked_out, options, stop=stop, on_progress=progress.show)
    except asyncio.CancelledError:
        raise KeyboardInterrupt from None


def _show(report: FetchReport, path: Path) -> None:
    for name, layer in report.layers.items():
        parts = [f"{layer.stored:,} tiles stored ({bytes_text(layer.bytes)})", f"{layer.requests:,} requests"]
        if layer.held_before:
            parts.append(f"{layer.held_before:,} on board before")
        if layer.absent:
            parts.append(f"{layer.absent:,} that the server has not")
        if layer.failed:
            parts.append(f"{layer.failed:,} not to be had")
        say(f"{name}: {', '.join(parts)}.")
        if layer.failure:
            note(f"lastbar: {layer.failure}")
    say(f"{'Complete' if report.complete else 'Not complete'} after {duration_text(report.seconds)}.")
    if report.complete:
        say(f"Next: lastbar verify {path}")
    else:
        say(f"{report.total('missing'):,} tiles are still to be fetched. What came is kept; go on with:")
        say(f"  lastbar fetch {path}")
