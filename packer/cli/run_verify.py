"""`lastbar verify`: the proof, in words."""

from __future__ import annotations

import json
import sys
import textwrap
import time
from collections.abc import Iterable
from contextlib import AbstractContextManager
from pathlib import Path

from rich.console import Console
from rich.live import Live
from rich.table import Table

from packer.cli.briefs import brief_at
from packer.cli.fetch_changes import changes_json, warn_of_changes
from packer.cli.output import echo, error_json, print_json, table, warn
from packer.common.atomic_write import write_atomic
from packer.common.shell import shell_command
from packer.common.units import counted, duration_text, seconds
from packer.errors import DiskError, InputError, LastbarError
from packer.geometry.tileset import TileSet
from packer.planning.brief import Brief
from packer.planning.brief_errors import quote_value
from packer.planning.plan import Plan, plan
from packer.proof.depth_words import depth_lines
from packer.proof.proving import verify
from packer.proof.results import Depth, LayerFindings, Verdict, VerifyReport
from packer.proof.walk import LineWalk, Stretch

__all__ = ["run"]

_SHOWN = 5
_GAPS_SHOWN = 8
_PLAIN_EVERY_S = 5.0
_LOOKED = {
    Depth.QUICK: "{done:,} of {every:,} distinct tiles hashed, as a sample",
    Depth.HASH: "{done:,} of {every:,} distinct tiles hashed",
    Depth.FULL: "{done:,} of {every:,} distinct tiles hashed and decoded",
}


def run(
    path: Path,
    store: Path | None,
    as_json: bool,
    quick: bool = False,
    full: bool = False,
    for_time: str | None = None,
    report_folder: Path | None = None,
    walk_file: Path | None = None,
) -> int:
    """Verify the packs of the brief at `path`; 0 if ready, 1 if not."""
    depth, for_s = _depth(quick, full), _for_s(for_time)
    if quick and for_s is not None:
        raise InputError(
            "--quick always takes only seconds, so --for does not go with it. Leave one of them out."
        )
    brief = brief_at(path, store)
    worked_out = plan(brief)
    with _progress_for() as progress:
        found = verify(brief, worked_out, store, depth=depth, for_s=for_s, on_progress=progress.show)
    written: list[str] = []
    trouble: LastbarError | None = next(iter(found.unsaved), None)
    try:
        written += _write_walk(walk_file, found)
        written += _write_report(report_folder, brief, worked_out, found)
    except LastbarError as fault:  # the verdict may have taken hours: it is told all the same
        trouble = fault
    if as_json:
        failure = error_json(str(trouble), trouble.exit_code) if trouble else {}
        print_json(found.to_dict() | changes_json(brief, worked_out, store) | failure)
    else:
        echo(brief.title)
        _show(found, path, store)
        for line in written:
            _wrapped(line)
        warn_of_changes(brief, worked_out, store)
    if trouble:
        warn(f"lastbar: {trouble}")
        return trouble.exit_code
    return 0 if found.ready else 1


def _depth(quick: bool, full: bool) -> Depth:
    if quick and full:
        raise InputError("--quick and --full are opposites. Give one of them, or neither.")
    return Depth.QUICK if quick else Depth.FULL if full else Depth.HASH


def _for_s(text: str | None) -> float | None:
    if text is None:
        return None
    try:
        return seconds(text)
    except ValueError as fault:
        raise InputError(f"--for {text}: {fault}.") from None


def _write_walk(file: Path | None, found: VerifyReport) -> Iterable[str]:
    """If the process dies: the old file or the new one."""
    if file is None:
        return
    from packer.proof.report.route_geojson import walk_geojson

    try:
        write_atomic(file, json.dumps(walk_geojson(found.walk)) + "\n")
    except OSError as fault:
        raise DiskError(
            f"{file} cannot be written: {fault.strerror or fault}. Choose another place for it, or free some space."
        ) from fault
    yield f"Route walk, for any map program: {file}"


def _write_report(folder: Path | None, brief: Brief, worked_out: Plan, found: VerifyReport) -> Iterable[str]:
    if folder is None:
        return
    from packer.proof.report import write_report  # pictures and page are worth loading only when asked for

    yield f"Report, for screen and paper: {write_report(folder, brief, worked_out, found, time.time())}"


class _VerifyProgress(AbstractContextManager["_VerifyProgress"]):
    """Plain lines: one every few seconds."""

    def __init__(self) -> None:
        self._shown_at = time.monotonic()
        self._starts: dict[str, tuple[float, int]] = {}

    def __exit__(self, *_: object) -> None:
        return None

    def show(self, layer: str, done: int, every: int) -> None:
        """Take in how far a layer is."""
        now = time.monotonic()
        speed, left = self._pace(layer, done, every, now)
        if now - self._shown_at >= _PLAIN_EVERY_S:
            self._shown_at = now
            share = done * 100 // max(every, 1)
            warn(f"{layer}: {done:,} of {every:,} distinct tiles checked ({share} %), {speed:,.0f}/s{left}")

    def _pace(self, layer: str, done: int, every: int, now: float) -> tuple[float, str]:
        began, before = self._starts.setdefault(layer, (now, done))
        speed = (done - before) / (now - began) if now > began else 0.0
        more = every - done
        return speed, f", about {duration_text(more / speed)} left" if speed > 0 and more > 0 else ""


class _LiveVerifyProgress(_VerifyProgress):
    """One line a layer, redrawn in place."""

    def __init__(self) -> None:
        super().__init__()
        self._lines: dict[str, list[str]] = {}
        self._live = Live(console=Console(stderr=True), refresh_per_second=4, transient=True)

    def __enter__(self) -> _LiveVerifyProgress:
        self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._live.stop()

    def show(self, layer: str, done: int, every: int) -> None:
        """Take in how far a layer is."""
        speed, left = self._pace(layer, done, every, time.monotonic())
        share = f"{done * 100 // max(every, 1):3d} %"
        self._lines[layer] = [
            layer,
            share,
            f"{done:,} of {every:,} distinct tiles",
            f"{speed:,.0f}/s",
            left.removeprefix(", "),
        ]
        grid = Table.grid(padding=(0, 2))
        for cells in self._lines.values():
            grid.add_row(*cells)
        self._live.update(grid)


def _progress_for() -> _VerifyProgress:
    return _LiveVerifyProgress() if sys.stderr is not None and sys.stderr.isatty() else _VerifyProgress()


def _wrapped(text: str, indent: str = "") -> None:
    for line in textwrap.wrap(
        text,
        80,
        initial_indent=indent,
        subsequent_indent=indent + "  ",
        break_long_words=False,
        break_on_hyphens=False,
    ):
        echo(line)


def _show(found: VerifyReport, path: Path, store: Path | None) -> None:
    for name, layer in found.layers.items():
        echo()
        looked = _LOOKED[found.depth].format(done=layer.bodies, every=layer.all_bodies)
        done = f"{looked}, in" if layer.size_bytes else "no pack yet at"
        _wrapped(f"Layer {name}: {done} {layer.pack}")
        if layer.earlier:
            _wrapped(
                f"{layer.earlier:,} of them in earlier checks that stopped early",
                "  ",
            )
        if layer.note:
            _wrapped(layer.note, "  ")
        _show_layer(layer)
    _show_depths(found)
    _show_walk(found.walk)
    echo()
    echo("Not checked:")
    for text in found.not_checked:
        _wrapped(f"- {text}", "  ")
    _show_verdict(found, path, store)


def _show_depths(found: VerifyReport) -> None:
    echo()
    echo("How deep the map is on board:")
    for line in depth_lines(found.depths):
        _wrapped(line, "  ")


def _show_verdict(found: VerifyReport, path: Path, store: Path | None) -> None:
    told = [*found.reasons, *found.warnings]
    if told:
        echo()
        echo("Warnings:" if found.ready else "What was found:")
        for text in told:
            _wrapped(f"- {text}", "  ")
    echo()
    verdict = found.verdict
    if verdict is Verdict.NOT_READY:
        _show_way_on(found, path, store)
        return
    if verdict is Verdict.UNFINISHED:
        echo(f"{verdict.value}. No fault so far. To continue from here:")
        full = ["--full"] if found.depth is Depth.FULL else []
        echo(f"  {shell_command('verify', path, *full, '--for', '60s', store=store)}")
        return
    absent = sum(la.counts.absent for la in found.layers.values())
    but = f", except {counted(absent, 'tile')} that the server does not have" if absent else ""
    intact = "intact" if found.depth is not Depth.QUICK else "intact as far as --quick checks"
    _wrapped(f"{verdict.value}: every planned tile is on board and {intact}{but}.")
    echo("The crew must still carry another means of navigation: imagery is dated, and Web")
    echo("Mercator maps are for viewing, not for positioning.")


def _show_way_on(found: VerifyReport, path: Path, store: Path | None) -> None:
    if not all(layer.sound for layer in found.layers.values()):
        echo(f"{found.verdict.value}. Close the gaps, then verify again:")
        echo(f"  {shell_command('fetch', path, store=store)}")
        return
    _wrapped(
        f"{found.verdict.value}: the server does not have what these places need. Check the layer's address and how "
        "deep the server goes, or lower at-least in the brief. To ask the server once more:"
    )
    echo(f"  {shell_command('fetch', path, '--ask-absent-again', store=store)}")


def _show_layer(layer: LayerFindings) -> None:
    heads = ["zoom", "planned", "stored", "not on server", "missing", "corrupt"]
    fields = ["planned", "stored", "absent", "missing", "corrupt"]
    rows = [[str(z), *(f"{getattr(c, f):,}" for f in fields)] for z, c in layer.by_zoom.items()]
    table(heads, rows, ["all", *(f"{getattr(layer.counts, f):,}" for f in fields)])
    _name("missing", layer.missing)
    for bad in layer.bad[:_SHOWN]:
        echo(f"  corrupt {bad.tile}: {bad.kind}")
    if len(layer.bad) > _SHOWN:
        echo(f"  and {len(layer.bad) - _SHOWN:,} more corrupt")
    if layer.stray:
        _wrapped(
            f"{counted(layer.stray, 'row')} outside the tile grid, where no map program looks",
            "  ",
        )


def _name(what: str, named: TileSet) -> None:
    count = len(named)
    for number, tile in enumerate(named):
        if number == _SHOWN:
            echo(f"  and {count - _SHOWN:,} more {what}")
            return
        echo(f"  {what} {tile}")


def _show_walk(walks: tuple[LineWalk, ...]) -> None:
    if not walks:
        return
    echo()
    echo("Along the route:")
    lines = {(one.area, one.line) for one in walks}
    for one in walks:
        many = sum(area == one.area for area, _ in lines) > 1
        which = f"{one.area}, line {one.line}" if many else one.area
        head = f"{one.layer}, {which}, {one.length_m / 1000:,.1f} km"
        if not one.gaps:
            asked = "as asked" if one.deepest == one.asked else f"of {one.asked} asked"
            _wrapped(f"{head}: complete to zoom {one.deepest} {asked}, no gap", "  ")
            continue
        _wrapped(f"{head}: zoom {one.asked} asked, with gaps", "  ")
        for gap in one.gaps[:_GAPS_SHOWN]:
            _wrapped(gap_text(gap, one.floor), "    ")
        if len(one.gaps) > _GAPS_SHOWN:
            echo(f"    and {counted(len(one.gaps) - _GAPS_SHOWN, 'more gap')} (all: --walk FILE or --json)")
        for stop in one.stops[:_SHOWN]:
            _wrapped(
                f"waypoint {quote_value(stop.waypoint.name)} at km {stop.at_m / 1000:.1f} lies in a gap",
                "    ",
            )


def gap_text(gap: Stretch, floor: int | None = None) -> str:
    """One gap in words: where, how deep the map still goes, and what closing it takes; `floor` is the area's."""
    depth = "no zoom complete" if gap.complete_to is None else f"only to zoom {gap.complete_to}"
    if gap.held is not None and gap.held > (-1 if gap.complete_to is None else gap.complete_to):
        depth += f", deeper tiles to zoom {gap.held}"
    if floor is not None and (gap.held is None or gap.held < floor):
        depth += f", BELOW THE FLOOR, zoom {floor}"
    start = f"{gap.start[1]:.5f} {gap.start[0]:.5f}"
    told = [f"km {gap.from_m / 1000:.3f} to {gap.to_m / 1000:.3f} (from {start}): {depth}"]
    if gap.missing:
        time_text = f", about {duration_text(gap.seconds)} at the last speed" if gap.seconds else ""
        told.append(f"{counted(gap.missing, 'tile')} missing{time_text}")
    if gap.corrupt:
        told.append(f"{gap.corrupt:,} corrupt")
    if gap.absent:
        told.append(f"{gap.absent:,} not on the server")
    return "; ".join(told)
