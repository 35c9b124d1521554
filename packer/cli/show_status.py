"""`lastbar status`: how much of the plan is recorded as stored."""

from __future__ import annotations

import textwrap
from datetime import date
from pathlib import Path
from typing import Any

from packer.cli.briefs import brief_at
from packer.cli.fetch_changes import changes_json, warn_of_changes
from packer.cli.output import echo, print_json, table, warn
from packer.common.shell import shell_command
from packer.common.units import bytes_text, counted
from packer.planning.pack_path import pack_path
from packer.planning.plan import plan
from packer.proof.depth_words import depth_lines
from packer.proof.depths import AreaDepth, Holdings, area_depths
from packer.store.pack_summary import PackSummary, known_summary
from packer.store.readability import refuse_unreadable

__all__ = ["run"]

_LOOK_S = 0.3


def run(path: Path, store: Path | None, as_json: bool) -> int:
    """Show what each pack holds of the plan of the brief at `path`; 1 if anything is still to be fetched, or if some
    place does not reach its floor.

    Raises StoreError for a pack that would be complete and cannot be read.
    """
    brief = brief_at(path, store)
    worked_out = plan(brief)
    rows, layers, ground = [], {}, {}
    for name, layer in worked_out.layers.items():
        if not layer.tiles:
            continue
        pack = pack_path(brief, name, store)
        summary = known_summary(pack, brief.layers[name].blank_hashes)
        ground[name] = known = Holdings.recorded(layer.tiles, summary.held, summary.absent)
        held, absent, missing = (len(tiles) for tiles in (known.stored, known.absent, known.missing))
        if held and not missing:
            refuse_unreadable(pack, _LOOK_S)
        layers[name] = _layer_json(len(layer.tiles), held, absent, missing, summary)
        size = bytes_text(summary.file_bytes) if summary.file_bytes else "-"
        rows.append([name, f"{len(layer.tiles):,}", f"{held:,}", f"{absent:,}", f"{missing:,}", size])
    missing = sum(la["missing"] for la in layers.values())
    depths = area_depths(worked_out, ground)
    below = [depth for depth in depths if not depth.reaches_floor]
    if as_json:
        told = {"complete": missing == 0, "layers": layers, "depths": [d.to_dict() for d in depths]}
        print_json(told | changes_json(brief, worked_out, store))
    else:
        echo(brief.title)
        table(["layer", "planned", "on board", "not on server", "to fetch", "pack"], rows)
        _show_troubles(layers)
        _show_depths(depths)
        echo()
        for line in _closing(path, store, missing, bool(below)):
            echo(line)
        warn_of_changes(brief, worked_out, store)
    if missing and not as_json:
        # It takes a while to load, and a complete pack does not need it.
        from packer.planning.terms import preview_terms

        for note in preview_terms(brief, worked_out, date.today()):
            warn(f"Note: {note}")
    return 1 if missing or below else 0


def _show_depths(depths: tuple[AreaDepth, ...]) -> None:
    echo()
    echo("How deep the map is on board, as recorded:")
    for line in depth_lines(depths):
        echo(textwrap.fill(line, 80, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False))


def _layer_json(planned: int, held: int, absent: int, missing: int, summary: PackSummary) -> dict[str, Any]:
    return {
        "planned": planned,
        "stored": held,
        "absent": absent,
        "missing": missing,
        "file_bytes": summary.file_bytes,
        "last_run": summary.last_run,
        "troubles": [{"reason": reason, "tiles": n} for reason, n in summary.troubles],
    }


def _show_troubles(layers: dict[str, Any]) -> None:
    for name, layer in layers.items():
        for trouble in layer["troubles"]:
            echo(f"  {name}: {counted(trouble['tiles'], 'tile')} could not be fetched: {trouble['reason']}")


def _closing(path: Path, store: Path | None, missing: int, below: bool) -> tuple[str, str]:
    if missing:
        still = "1 tile is" if missing == 1 else f"{missing:,} tiles are"
        return f"{still} still missing. To fetch:", f"  {shell_command('fetch', path, store=store)}"
    if below:
        return "NOT READY: places are less deep than their floor. To see where, run:", (
            f"  {shell_command('verify', path, store=store)}"
        )
    return "Every planned tile is recorded as stored. To check the files, run:", (
        f"  {shell_command('verify', path, store=store)}"
    )
