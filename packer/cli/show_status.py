"""`lastbar status`: how much of the plan is recorded as stored."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

from packer.cli.briefs import brief_at
from packer.cli.output import echo, print_json, table, warn
from packer.common.shell import shell_command
from packer.common.units import bytes_text, counted
from packer.planning.pack_path import pack_path
from packer.planning.plan import plan
from packer.store.pack_summary import PackSummary, known_summary
from packer.store.readability import refuse_unreadable

__all__ = ["run"]

_LOOK_S = 0.3


def run(path: Path, store: Path | None, as_json: bool) -> int:
    """Show what each pack holds of the plan of the brief at `path`; 1 if anything is still to be fetched.

    Raises StoreError for a pack that would be complete and cannot be read.
    """
    brief = brief_at(path, store)
    worked_out = plan(brief)
    rows, layers = [], {}
    for name, layer in worked_out.layers.items():
        if not layer.tiles:
            continue
        pack = pack_path(brief, name, store)
        summary = known_summary(pack)
        held = len(layer.tiles & summary.held)
        absent = len((layer.tiles & summary.absent) - summary.held)
        missing = len(layer.tiles) - held - absent
        if held and not missing:
            refuse_unreadable(pack, _LOOK_S)
        layers[name] = _layer_json(len(layer.tiles), held, absent, missing, summary)
        size = bytes_text(summary.file_bytes) if summary.file_bytes else "-"
        rows.append([name, f"{len(layer.tiles):,}", f"{held:,}", f"{absent:,}", f"{missing:,}", size])
    missing_all = sum(la["missing"] for la in layers.values())
    if as_json:
        print_json({"complete": missing_all == 0, "layers": layers})
    else:
        echo(brief.title)
        table(["layer", "planned", "on board", "not on server", "to fetch", "pack"], rows)
        _show_troubles(layers)
        echo()
        for line in _closing(path, store, missing_all):
            echo(line)
    if missing_all and not as_json:
        # It takes a while to load, and a complete pack does not need it.
        from packer.planning.terms import preview_terms

        for note in preview_terms(brief, worked_out, date.today()):
            warn(f"Note: {note}")
    return 1 if missing_all else 0


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


def _closing(path: Path, store: Path | None, missing: int) -> tuple[str, str]:
    if missing:
        still = "1 tile is" if missing == 1 else f"{missing:,} tiles are"
        return f"{still} still missing. To fetch:", f"  {shell_command('fetch', path, store=store)}"
    return "Every planned tile is recorded as stored. To check the files, run:", (
        f"  {shell_command('verify', path, store=store)}"
    )
