"""`lastbar survey`: a small sample of every area, what it shows, and which depth is worth fetching."""

from __future__ import annotations

import asyncio
import textwrap
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import Any

from packer.cli.briefs import brief_with_fresh_offers
from packer.cli.output import echo, print_json, table, warn
from packer.cli.progress import progress_for
from packer.common.shell import shell_command
from packer.common.units import bytes_text, counted
from packer.errors import EXIT_NOT_COMPLETE, InputError
from packer.fetching.reports import FetchReport
from packer.fetching.run import fast_loop
from packer.fetching.transports import TransportName
from packer.planning.brief import OVERVIEW, Brief
from packer.planning.brief_edits import Edit, limits, rewrite
from packer.planning.plan import Plan, plan
from packer.survey.evidence import SampleCounts
from packer.survey.inspection import AreaFinding, LayerFinding, SurveyReport
from packer.survey.rounds import survey_rounds
from packer.survey.sheets import write_sheet

__all__ = ["run"]

_WIDTH = 80
_SHOWN_ZOOMS = 6  # of each area in the text; the document has all
_LONGEST_NAME = 20


def run(
    path: Path,
    store: Path | None,
    samples: int | None,
    apply: bool,
    sheets: Path | None,
    as_json: bool,
    transport: TransportName | None = None,
) -> int:
    """Survey for the brief at `path`; 0 if every sample was answered, 1 if some could not be fetched.

    If the process dies: what was fetched is stored, and the brief is the old one or the new one.
    """
    if samples is not None and samples < 1:
        raise InputError(f"--samples {samples}: it should be at least 1 tile for each layer.")
    brief = brief_with_fresh_offers(path, store, transport)
    worked_out = plan(brief)
    for remark in worked_out.remarks:
        warn(f"Note: {remark}")
    surveyed = _surveyed(brief, worked_out, samples, store, transport)
    report, found, lacking = surveyed.fetched, surveyed.layers, surveyed.lacking
    folder = sheets or store or brief.store_folder
    drawn = {name: write_sheet(brief, layer, folder, store) for name, layer in found.items()}
    failed = [name for name, layer in (report.layers if report else {}).items() if layer.failure]
    edits = _edits(brief, found, failed)
    changed = plan(rewrite(brief, edits)).count if apply and edits else None
    if as_json:
        print_json(_json(report, found, drawn, edits, changed, lacking))
    else:
        _show(brief, worked_out, report, found, drawn)
        _show_failed(failed)
        if edits or (not failed and any(layer.judged for layer in found.values())):
            _show_edits(
                shell_command("survey", path, "--apply", store=store), edits, worked_out.count, changed
            )
        if lacking:
            warn(
                f"{counted(lacking, 'sample')} could not be fetched. To continue, run the same command again."
            )
    return EXIT_NOT_COMPLETE if lacking else 0


def _edits(brief: Brief, found: Mapping[str, LayerFinding], failed: Collection[str]) -> list[Edit]:
    """Depths to propose. The samples of a failed layer are those of an address that looks wrong, or too few."""
    sound = {name: layer for name, layer in found.items() if name not in failed}
    return limits(brief, {n: {a.name: a.worth.zoom for a in la.areas.values()} for n, la in sound.items()})


def _show_failed(failed: Collection[str]) -> None:
    if failed:
        names = " and ".join(f'"{name}"' for name in failed)
        echo()
        _wrapped(f"No depth is proposed for layer {names}, which was stopped. Mend that first.")


def _surveyed(
    brief: Brief, worked_out: Plan, samples: int | None, store: Path | None, transport: TransportName | None
) -> SurveyReport:
    with progress_for() as progress, asyncio.Runner(loop_factory=fast_loop()) as runner:
        rounds = survey_rounds(
            brief, worked_out, store, samples=samples, transport=transport, on_progress=progress.show
        )
        report = runner.run(rounds)
    for layer in report.fetched.layers.values() if report.fetched else ():
        if layer.failure:
            warn(f"lastbar: {layer.failure}")
    return report


def _json(
    report: FetchReport | None,
    found: Mapping[str, LayerFinding],
    drawn: Mapping[str, Path | None],
    edits: list[Edit],
    changed: int | None,
    lacking: int,
) -> dict[str, Any]:
    return {
        "requests": report.total("requests") if report else 0,
        "lacking": lacking,
        "layers": {
            name: layer.to_dict() | {"sheet": None if drawn[name] is None else str(drawn[name])}
            for name, layer in found.items()
        },
        "edits": [f"{edit.area}: {edit}" for edit in edits],
        "applied": changed is not None,
        "tiles_after": changed,
    }


def _show(
    brief: Brief,
    worked_out: Plan,
    report: FetchReport | None,
    found: Mapping[str, LayerFinding],
    drawn: Mapping[str, Path | None],
) -> None:
    looked = sum(len(layer.judged) for layer in found.values())
    requests = report.total("requests") if report else 0
    echo(brief.title)
    _wrapped(
        f"{looked:,} of {counted(worked_out.count, 'planned tile')} sampled, with {requests:,} requests. The samples "
        "are in the packs and are not fetched again."
    )
    for name, layer in found.items():
        echo()
        echo(f"Layer {name} (of the samples, in per cent):")
        _show_layer(layer, {area.name for area in brief.areas if area.keep})
        for notice in layer.notices:
            _wrapped(f"  {notice}", "    ")
        if drawn[name] is not None:
            echo(f"  Sheet of samples: {drawn[name]}")


def _show_layer(layer: LayerFinding, kept: Collection[str]) -> None:
    rows = []
    for area in layer.areas.values():
        label = _short(area.name)
        for zoom in sorted(area.zooms)[-_SHOWN_ZOOMS:]:
            rows.append([label, str(zoom), *_shares(area.zooms[zoom])])
            label = ""
    if not rows:
        echo("  No sample could be fetched.")
        return
    heads = ["area", "zoom", "samples", "absent", "blank", "dull", "enlarged", "detail", "unclear"]
    table(heads, rows)
    for area in layer.areas.values():
        if area.name == OVERVIEW and area.worth.zoom == area.deepest:
            continue
        _wrapped(f"  {_short(area.name)}: {_verdict(area, area.name in kept)}", "    ")


def _shares(tally: SampleCounts) -> list[str]:
    parts = (tally.absent, tally.blank, tally.dull, tally.enlarged, tally.native, tally.undecided)
    return [str(tally.sampled), *("-" if not n else f"{n * 100 / tally.sampled:.0f}" for n in parts)]


def _verdict(area: AreaFinding, kept: bool) -> str:
    worth = area.worth
    if worth.zoom < area.deepest and kept:
        return (
            f"shows nothing new below zoom {worth.zoom}; {worth.evidence}. It stays as it is, since the brief says "
            "keep = true."
        )
    if worth.zoom < area.deepest:
        return (
            f"worth fetching to zoom {worth.zoom} of {area.deepest}, which saves {counted(area.saves_tiles, 'tile')}, "
            f"about {bytes_text(area.saves_bytes)}; {worth.evidence}."
        )
    return f"keep zoom {area.deepest}; {worth.evidence}."


def _show_edits(command: str, edits: list[Edit], before: int, after: int | None) -> None:
    echo()
    if not edits:
        echo("The depths in the brief are right. Nothing to change.")
        return
    echo("Written into the brief:" if after is not None else "Suggested changes to the brief:")
    for edit in edits:
        _wrapped(f"  {edit.area}: {edit}", "    ")
    if after is None:
        echo("To write them into the brief:")
        echo(f"  {command}")
    else:
        echo(f"The plan now has {counted(after, 'tile')}, {before - after:,} fewer.")


def _short(name: str) -> str:
    return name if len(name) <= _LONGEST_NAME else name[: _LONGEST_NAME - 1] + "…"


def _wrapped(text: str, then: str = "") -> None:
    for line in textwrap.wrap(
        text, _WIDTH, subsequent_indent=then, break_long_words=False, break_on_hyphens=False
    ):
        echo(line)
