"""`lastbar fetch`: the run, with its progress and its result in words."""

from __future__ import annotations

import asyncio
import os
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from packer.cli.briefs import brief_with_fresh_offers
from packer.cli.fetch_changes import warn_of_changes
from packer.cli.fetch_options import FetchOptions
from packer.cli.fetch_words import alarm_text, standing_text
from packer.cli.output import echo, echo_wrapped, print_json, warn
from packer.cli.progress import FetchProgress, progress_for, warn_wrapped
from packer.cli.signals import on_stop_signals
from packer.common.battery import battery_percent
from packer.common.shell import shell_command
from packer.common.units import (
    bytes_text,
    counted,
    duration_text,
    speed_text,
)
from packer.errors import EXIT_NOT_COMPLETE
from packer.fetching.reports import AreaCoverage, FetchReport, LayerReport, Options
from packer.fetching.run import fast_loop, run_fetch
from packer.fetching.run_log import FILE_NAME as LOG_NAME
from packer.planning.brief import Brief
from packer.planning.joint import joined
from packer.planning.plan import Plan, plan
from packer.proof.below_floor import below_floor
from packer.sources.address import without_usual_port

if TYPE_CHECKING:
    from packer.fetching.hands.host import Hands

__all__ = ["exit_code", "run"]

_REASONS_SHOWN = 3
_BELOW_SHOWN = 6
_LOCK_PASSES_S = 0.0002  # a tenth less wall time on loopback than with Python's own 5 ms (measured)


def run(
    paths: Path | Sequence[Path], store: Path | None, as_json: bool, asked: FetchOptions, debug: bool = False
) -> int:
    """Fetch for the brief at a path, or for several at once; 0 if nothing is missing at the end and every floor is
    reached, otherwise 1.

    With `debug` it also tells the processor time. Raises InputError for an option that cannot be read.
    """
    began, used_s = time.monotonic(), _processor_s()
    options, hands = asked.read(store), _hands_for(asked)
    paths = [paths] if isinstance(paths, Path) else paths
    members = [_planned(path, store, asked) for path in paths]
    brief, worked_out = joined(members, store)
    _warn(worked_out, members, store)
    # The loop, the client's thread and the writer's pass the interpreter's lock on thousands of times a second.
    sys.setswitchinterval(_LOCK_PASSES_S)
    with asyncio.Runner(loop_factory=fast_loop()) as runner:
        report = runner.run(_fetch(brief, worked_out, _with_what_is_left(options, began), hands))
    below = _below(members, store) if report.complete else []
    if as_json:
        print_json(report.to_dict() | {"below_floor": below})
    else:
        verify = shell_command("verify", *paths, store=store)
        _show(report, verify, _same_fetch(paths, store, asked), below)
    if debug:
        warn(_processor_text(_processor_s() - used_s, report.total("stored")))
    return exit_code(report, below)


def _hands_for(asked: FetchOptions) -> Hands | None:
    if asked.hands is None:
        return None
    from packer.cli.fetch_hands import hands_for  # with the pages' server, which takes a tenth of a second

    return hands_for(asked)


def _planned(path: Path, store: Path | None, asked: FetchOptions) -> tuple[Brief, Plan]:
    brief = brief_with_fresh_offers(path, store, asked.transport)
    return brief, plan(brief)


def _below(members: Sequence[tuple[Brief, Plan]], store: Path | None) -> list[str]:
    """What is less deep than its floor, for each brief by its own plan."""
    if len(members) == 1:
        return below_floor(*members[0], store)
    return [f"{brief.title}: {text}" for brief, one in members for text in below_floor(brief, one, store)]


def _processor_s() -> float:
    """Processor time of this process, and of those that it started and that have ended."""
    used = os.times()
    return used.user + used.system + used.children_user + used.children_system


def _processor_text(seconds: float, tiles: int) -> str:
    """What a fetch has cost a battery."""
    each = f", {1000 * seconds / tiles:.2f} s for each 1,000 tiles" if tiles else ""
    return f"Processor time: {seconds:.1f} s{each}."


def exit_code(report: FetchReport, below: Sequence[str]) -> int:
    """0 if nothing is missing and nothing says that the map is not ready; `below` are the areas below their floor."""
    return 0 if report.complete and not (below or report.wrong_ground) else EXIT_NOT_COMPLETE


def _same_fetch(paths: Sequence[Path], store: Path | None, asked: FetchOptions) -> str:
    again = ["--refresh-older-than", asked.refresh_older_than] if asked.refresh_older_than else []
    again += ["--hands", asked.hands] if asked.hands else []  # those that wait find it
    return shell_command("fetch", *paths, *again, store=store)


def _warn(worked_out: Plan, members: Sequence[tuple[Brief, Plan]], store: Path | None) -> None:
    for remark in worked_out.remarks:
        warn(f"Note: {remark}")
    for member in members:
        warn_of_changes(*member, store)
    if (percent := battery_percent()) is not None:
        warn(f"This machine runs on its battery, which is {percent} % full. Plug it in if you can.")


def _with_what_is_left(options: Options, began: float) -> Options:
    """The time of --for counts from the start of the command, which may have read what servers offer first."""
    if options.for_s is None:
        return options
    return replace(options, for_s=max(options.for_s - (time.monotonic() - began), 0.0))


def _shown_end(options: Options) -> float | None:
    """When the fetch ends at the latest, in seconds since 1970, as the clock is set now."""
    return options.depart_at if options.for_s is None else time.time() + options.for_s


async def _fetch(brief: Brief, worked_out: Plan, options: Options, hands: Hands | None) -> FetchReport:
    stop = asyncio.Event()
    task = asyncio.current_task()
    assert task is not None
    progress = progress_for(_shown_end(options))

    def heed() -> None:
        if stop.is_set():
            task.cancel()
        else:
            progress.note("Finishing requests in progress, then stopping. Press Ctrl-C again to stop now.")
            stop.set()

    on_stop_signals(asyncio.get_running_loop(), heed)
    _announce(progress, options)
    try:
        with progress:
            return await run_fetch(
                brief, worked_out, options, stop=stop, on_progress=progress.show, hands=hands
            )
    except asyncio.CancelledError:
        raise KeyboardInterrupt from None


def _announce(progress: FetchProgress, options: Options) -> None:
    if (end := _shown_end(options)) is not None:
        when = datetime.fromtimestamp(end)
        left = duration_text(max(end - time.time(), 0.0))
        progress.note(
            f"The fetch stops by {when:%H:%M on %Y-%m-%d}, in {left}. A forecast of what will be on board then "
            "follows once the speed is known."
        )
    if (speed := options.speed_limit.bits_per_second) is not None:
        until = options.speed_limit.until
        till = "" if until is None else f" until {datetime.fromtimestamp(until):%H:%M on %Y-%m-%d}"
        progress.note(f"It takes at most {speed_text(speed)}{till}, to leave room for others.")


_STOPPED = {
    "asked": "Stopped, as you asked.",
    "departure": "Stopped in time to leave.",
    "max-bytes": "Stopped: the limit of --max-bytes is reached.",
}


def _show(report: FetchReport, verify: str, fetch: str, below: list[str]) -> None:
    for remark in report.remarks:
        warn(f"Note: {remark}")
    for name, layer in report.layers.items():
        _show_layer(name, layer)
    for alarm in report.alarms:
        warn_wrapped(alarm_text(alarm))
    if report.stopped:
        echo(_STOPPED[report.stopped])
    if report.wrong_ground:
        echo_wrapped(
            f"NOT READY after {duration_text(report.seconds)}: a layer does not show the ground that was planned, as "
            "said above. Check its address, and give the layer another name before the next fetch."
        )
        return
    if below:
        _show_below(report, below, verify)
        return
    echo(f"{'Complete' if report.complete else 'Not complete'} after {duration_text(report.seconds)}.")
    if report.complete:
        echo(f"Next: {verify}")
    else:
        _show_way_on(report, fetch)


def _show_below(report: FetchReport, below: list[str], verify: str) -> None:
    """The end of a fetch that has all that its servers give, and still leaves places below their floor."""
    echo_wrapped(
        f"NOT READY after {duration_text(report.seconds)}: all that the server has is on board, but places are less "
        "deep than their floor:"
    )
    for sentence in below[:_BELOW_SHOWN]:
        echo_wrapped(f"- {sentence}")
    if len(below) > _BELOW_SHOWN:
        echo(f"- and {len(below) - _BELOW_SHOWN:,} more")
    echo("Check the layer's address and how deep the server goes, or lower at-least in the brief.")
    echo("To see where:")
    echo(f"  {verify}")


def _show_way_on(report: FetchReport, fetch: str) -> None:
    old = sum(layer.refresh.get("left", 0) for layer in report.layers.values())
    if missing := report.total("missing"):
        still = "1 tile is" if missing == 1 else f"{missing:,} tiles are"
        echo(f"{still} still missing. What was fetched is kept.")
    elif old:
        echo("No planned tile is missing.")
    if old:
        need = "1 old tile still needs" if old == 1 else f"{old:,} old tiles still need"
        echo(f"{need} refreshing; the stored copies are kept.")
    echo("To continue:")
    echo(f"  {fetch}")


def _show_layer(name: str, layer: LayerReport) -> None:
    asked = counted(layer.requests, "request")
    parts = [f"{counted(layer.stored, 'tile')} stored ({bytes_text(layer.bytes)})", asked]
    if layer.held_before:
        parts.append(f"{layer.held_before:,} on board before")
    if layer.absent:
        parts.append(f"{layer.absent:,} that the server does not have")
    if layer.failed:
        parts.append(f"{layer.failed:,} could not be fetched")
    echo_wrapped(f"{name}: {', '.join(parts)}.")
    if layer.refresh:
        warn_wrapped(f"  {refresh_text(layer.refresh)}")
    for reason, tiles in list(layer.troubles.items())[:_REASONS_SHOWN]:
        warn_wrapped(f"  {counted(tiles, 'tile')} could not be fetched: {reason}.")
    if layer.never_came:
        warn_wrapped(f"  {never_came_text(layer)}")
    if layer.missing and layer.areas:
        warn_wrapped(f"  On board: {standing_text(_standings(layer))}.")
    if layer.failure:
        warn(f"lastbar: {layer.failure}")


def never_came_text(layer: LayerReport) -> str:
    """Which tiles the host never gave, and what to do."""
    *others, last = layer.never_came
    zooms = f"zooms {', '.join(others)} and {last}" if others else f"zoom {last}"
    count, less = sum(layer.never_came.values()), layer.asked_less
    how_often = (
        f"{count - less:,} of them were asked for five times or more. Since none of those came, the other {less:,} "
        "were asked for less often, but at least twice. "
    )
    return (
        f"{without_usual_port(layer.host)} answers, but not for {counted(count, 'tile')} of {zooms}. "
        f"{how_often if less else ''}{LOG_NAME} beside the packs "
        "names them. Run the fetch again later. If they still do not come, ask the server's operator about them, "
        "or plan without them."
    )


def refresh_text(counts: Mapping[str, int]) -> str:
    """What a refresh of the old tiles came to."""
    fresh = _still_fresh(counts["fresh"], more=bool(counts["stale"]))
    if not counts["stale"]:
        return f"No stored tile needed refreshing.{fresh}"
    parts = [f"{counts['new']:,} new", f"{counts['unchanged']:,} unchanged"]
    if counts["gone"]:
        parts.append(f"{counts['gone']:,} no longer on the server (old copies kept)")
    if failed := counts.get("failed", 0):
        parts.append(f"{failed:,} could not be fetched (old copies kept)")
    if later := counts["left"] - failed:
        parts.append(f"{later:,} still to do")
    return f"Refresh of {counted(counts['stale'], 'old tile')}: {', '.join(parts)}.{fresh}"


def _still_fresh(count: int, *, more: bool) -> str:
    if not count:
        return ""
    verb = "is" if count == 1 else "are"
    return f" {count:,} {'more ' if more else ''}{verb} old enough but still fresh, so not asked for."


def _standings(layer: LayerReport) -> list[AreaCoverage]:
    return [
        AreaCoverage(area, tuple((int(zoom), share) for zoom, share in shares.items()))
        for area, shares in layer.areas.items()
    ]
