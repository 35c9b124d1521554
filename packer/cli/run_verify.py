"""`lastbar verify`: the proof, in words."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterable, Sequence
from contextlib import AbstractContextManager
from pathlib import Path

from rich.console import Console
from rich.live import Live
from rich.table import Table

from packer.cli.briefs import brief_at
from packer.cli.fetch_changes import changes_json, warn_of_changes
from packer.cli.lines import wrapped
from packer.cli.output import echo, error_json, print_json, warn
from packer.cli.several import one_by_one
from packer.cli.terminal import takes_codes
from packer.cli.verify_text import show_report
from packer.common.atomic_write import write_atomic
from packer.common.units import duration_text, seconds
from packer.errors import DiskError, InputError, LastbarError
from packer.planning.brief import Brief
from packer.planning.plan import Plan, plan
from packer.proof.cluster import cluster_pool
from packer.proof.proving import verify
from packer.proof.results import Depth, VerifyReport

__all__ = ["run", "run_each"]

_PLAIN_EVERY_S = 5.0


def run_each(
    paths: Sequence[Path],
    store: Path | None,
    as_json: bool,
    quick: bool,
    full: bool,
    for_time: str | None,
    report_folder: Path | None,
    walk_file: Path | None,
    by_zoom: bool,
    cluster: str | None = None,
) -> int:
    """As `run`, for several briefs, one after another; `--report` and `--walk` are for one alone."""
    if len(paths) > 1 and (report_folder or walk_file):
        raise InputError("--report and --walk write files for one brief. Name one brief, or leave them out.")

    def work(path: Path) -> int:
        return run(path, store, as_json, quick, full, for_time, report_folder, walk_file, by_zoom, cluster)

    return one_by_one(paths, as_json, work, "READY")


def run(
    path: Path,
    store: Path | None,
    as_json: bool,
    quick: bool = False,
    full: bool = False,
    for_time: str | None = None,
    report_folder: Path | None = None,
    walk_file: Path | None = None,
    by_zoom: bool = False,
    cluster: str | None = None,
) -> int:
    """Verify the packs of the brief at `path`; 0 if ready, 1 if not. `by_zoom` shows the tables as well."""
    depth, for_s = _depth(quick, full), _for_s(for_time)
    if quick and (for_s is not None or cluster is not None):
        raise InputError(
            "--quick always takes only seconds, so --for and --cluster do not go with it. Leave them out."
        )
    brief = brief_at(path, store)
    worked_out = plan(brief)
    with cluster_pool(cluster, warn) as pool, _progress_for() as progress:
        show = progress.show
        found = verify(brief, worked_out, store, depth=depth, for_s=for_s, on_progress=show, cluster=pool)
    written, trouble = _written(walk_file, report_folder, brief, worked_out, found)
    if as_json:
        failure = error_json(str(trouble), trouble.exit_code) if trouble else {}
        print_json(found.to_dict() | changes_json(brief, worked_out, store) | failure)
    else:
        show_report(brief.title, worked_out, found, path, store, by_zoom=by_zoom)
        for line in written:
            for part in wrapped(line, 80):
                echo(part)
        warn_of_changes(brief, worked_out, store)
    if trouble:
        warn(f"lastbar: {trouble}")
        return trouble.exit_code
    return 0 if found.ready else 1


def _written(
    walk_file: Path | None, report_folder: Path | None, brief: Brief, worked_out: Plan, found: VerifyReport
) -> tuple[list[str], LastbarError | None]:
    """Write walk and report: what is to be said of them, and the last trouble of the verify or with these."""
    written: list[str] = []
    trouble: LastbarError | None = next(iter(found.unsaved), None)
    try:
        written += _write_walk(walk_file, found)
        written += _write_report(report_folder, brief, worked_out, found)
    except LastbarError as fault:  # the verdict may have taken hours: it is told all the same
        trouble = fault
    return written, trouble


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
    return _LiveVerifyProgress() if takes_codes(sys.stderr) else _VerifyProgress()
