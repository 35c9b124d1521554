"""`lastbar status`: how much of the plan is recorded as stored."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from packer.cli.area_lines import area_bars, area_states
from packer.cli.briefs import brief_at
from packer.cli.fetch_changes import changes_json, warn_of_changes
from packer.cli.lines import marks_for
from packer.cli.output import echo, echo_wrapped, print_json, table, warn
from packer.cli.several import one_by_one
from packer.common.shell import shell_command
from packer.common.units import bytes_text, counted
from packer.planning.brief import Brief
from packer.planning.pack_dates import check_pack_dates
from packer.planning.pack_path import pack_path
from packer.planning.plan import Plan, plan
from packer.planning.source_layers import with_source_layers
from packer.proof.below_floor import below_floor_of
from packer.proof.depth_words import depth_lines
from packer.proof.depths import AreaDepth, Holdings, area_depths
from packer.store.pack_summary import PackSummary, known_summary
from packer.store.readability import refuse_unreadable

__all__ = ["run", "run_each"]

_LOOK_S = 0.3
_WIDTH, _AREAS, _SENTENCES, _PICTURES = 80, 12, 4, 3


@dataclass(frozen=True, slots=True)
class _Status:
    """What the packs record of a plan, by layer, and what follows from it."""

    plan: Plan
    ground: Mapping[str, Holdings]
    summaries: Mapping[str, PackSummary]
    depths: tuple[AreaDepth, ...]
    below: tuple[str, ...]
    own: tuple[str, ...]
    sources: Mapping[str, Holdings]

    @property
    def uncut(self) -> tuple[str, ...]:
        """The layers without a server that lack tiles, where no other layer does."""
        lacking = [name for name, one in self.ground.items() if one.missing]
        return tuple(lacking) if set(lacking) <= set(self.own) else ()

    @property
    def missing(self) -> int:
        return sum(len(one.missing) for one in (*self.ground.values(), *self.sources.values()))


def run_each(paths: Sequence[Path], store: Path | None, as_json: bool, by_zoom: bool) -> int:
    """As `run`, for several briefs, one after another."""
    good = "every planned tile is recorded as stored"
    return one_by_one(paths, as_json, lambda path: run(path, store, as_json, by_zoom), good)


def run(path: Path, store: Path | None, as_json: bool, by_zoom: bool = False) -> int:
    """Show what each pack holds of the plan of the brief at `path`; 1 if anything is still to be fetched, or if some
    place does not reach its floor. `by_zoom` shows the tables as well.

    Raises StoreError for a pack that would be complete and cannot be read, InputError for one of another date.
    """
    brief = brief_at(path, store)
    worked_out = plan(brief)
    check_pack_dates(brief, worked_out.layers, store)
    status = _status(brief, worked_out, store)
    if as_json:
        print_json(_json(status) | changes_json(brief, worked_out, store))
    else:
        _show(brief.title, status, path, store)
        if by_zoom:
            _show_tables(status)
        warn_of_changes(brief, worked_out, store)
    if status.missing and not as_json:
        # It takes a while to load, and a complete pack does not need it.
        from packer.cli.key_notes import key_notes
        from packer.planning.terms import preview_terms

        ends = key_notes(brief, worked_out, lacking=False)
        for note in (*preview_terms(brief, worked_out, date.today()), *ends):
            warn(f"Note: {note}")
    return 1 if status.missing or status.below else 0


def _status(brief: Brief, worked_out: Plan, store: Path | None) -> _Status:
    ground, summaries = {}, {}
    wide_brief, wide_plan = with_source_layers(brief, worked_out)
    for name, layer in wide_plan.layers.items():
        if not layer.tiles:
            continue
        pack = pack_path(wide_brief, name, store)
        summaries[name] = summary = known_summary(pack, wide_brief.layers[name].blank_hashes)
        ground[name] = known = Holdings.recorded(layer.tiles, summary.held, summary.absent, summary.partial)
        if known.stored and not known.missing:
            refuse_unreadable(pack, _LOOK_S)
    sources = {name: ground.pop(name) for name in tuple(ground) if name not in worked_out.layers}
    depths = area_depths(worked_out, ground)
    own = tuple(name for name, layer in brief.layers.items() if layer.pictures)
    below = tuple(below_floor_of(worked_out, ground, depths))
    return _Status(worked_out, ground, summaries, depths, below, own, sources)


def _json(status: _Status) -> dict[str, Any]:
    layers = {}
    for name, known in (*status.ground.items(), *status.sources.items()):
        summary = status.summaries[name]
        layers[name] = {
            "planned": sum(_counts(known)[1:]),
            "stored": len(known.stored),
            "absent": len(known.absent),
            "missing": len(known.missing),
            "by_zoom": {zoom: dict(zip(_FIELDS, counts, strict=True)) for zoom, counts in _by_zoom(known)},
            "file_bytes": summary.file_bytes,
            "lost_files": [path.name for path in summary.lost],
            "last_run": summary.last_run,
            "date": summary.date,
            "troubles": [{"reason": reason, "tiles": n} for reason, n in summary.troubles],
            "pictures": list(summary.pictures),
        }
    return {
        "complete": status.missing == 0,
        "below_floor": list(status.below),
        "layers": {name: one for name, one in layers.items() if name in status.ground},
        "sources": {name: one for name, one in layers.items() if name in status.sources},
        "depths": [depth.to_dict() for depth in status.depths],
    }


_FIELDS = ("planned", "stored", "absent", "missing")


def _by_zoom(known: Holdings) -> Iterator[tuple[str, tuple[int, int, int, int]]]:
    sets = [tiles.by_zoom() for tiles in (known.stored, known.absent, known.missing)]
    for zoom in sorted({zoom for each in sets for zoom in each}):
        stored, absent, missing = (each.get(zoom, 0) for each in sets)
        yield str(zoom), (stored + absent + missing, stored, absent, missing)


# ------------------------------------------------------------------------------------------------ the screen


def _show(title: str, status: _Status, path: Path, store: Path | None) -> None:
    echo(title)
    for line in _summary(status, path, store):
        echo(line)
    echo()
    for line in area_bars(
        area_states(status.plan, status.depths), _WIDTH, _AREAS, marks_for(sys.stdout.encoding)
    ):
        echo(line)
    echo()
    rows = []
    for name, known in (*status.ground.items(), *status.sources.items()):
        counts = [f"{n:,}" for n in _counts(known)]
        size = status.summaries[name].file_bytes
        rows.append([name, *counts, bytes_text(size) if size else "-"])
    table(["layer", "planned", "on board", "not on server", "to fetch", "pack"], rows)
    if status.sources:
        echo_wrapped("A layer with a source is made from it, as its tiles come.")
    for name, summary in status.summaries.items():
        if summary.date is not None:
            echo_wrapped(f"{name}: shows {summary.date}")
        for lost in summary.lost:
            echo_wrapped(f"{name}: {lost} is gone, one of the files of its pack. Put it back if you have it.")
        for picture in summary.pictures[-_PICTURES:]:
            echo_wrapped(f"{name}: has tiles cut from {picture}")
        for reason, tiles in summary.troubles:
            echo_wrapped(f"{name}: {counted(tiles, 'tile')} could not be fetched: {reason}")
    if not status.missing:
        for sentence in status.below[:_SENTENCES]:
            echo_wrapped(f"- {sentence}")
        if len(status.below) > _SENTENCES:
            echo(f"- and {len(status.below) - _SENTENCES:,} more")


def _counts(known: Holdings) -> tuple[int, int, int, int]:
    stored, absent, missing = (len(tiles) for tiles in (known.stored, known.absent, known.missing))
    return stored + absent + missing, stored, absent, missing


def _summary(status: _Status, path: Path, store: Path | None) -> Iterator[str]:
    """How it stands, and the next command."""
    if status.uncut:
        yield f"NOT COMPLETE: {counted(status.missing, 'tile')} not cut yet. Take in the layer's pictures:"
        yield f"  {shell_command('take-in', path, status.uncut[0], store=store)} FILE"
        return
    if status.missing:
        still = "1 tile is" if status.missing == 1 else f"{status.missing:,} tiles are"
        yield f"NOT COMPLETE: {still} still missing. To fetch:"
        yield f"  {shell_command('fetch', path, store=store)}"
        return
    if status.below:
        yield "NOT READY: places are less deep than their floor. To see where, run:"
    else:
        yield "Every planned tile is recorded as stored. To check the files, run:"
    yield f"  {shell_command('verify', path, store=store)}"


def _show_tables(status: _Status) -> None:
    echo()
    echo("How deep the map is on board, as recorded:")
    for line in depth_lines(status.depths):
        echo_wrapped(line)
    for name, known in (*status.ground.items(), *status.sources.items()):
        echo()
        echo(f"Layer {name}:")
        rows = [[zoom, *(f"{n:,}" for n in counts)] for zoom, counts in _by_zoom(known)]
        foot = ["all", *(f"{n:,}" for n in _counts(known))]
        table(["zoom", "planned", "on board", "not on server", "to fetch"], rows, foot)
