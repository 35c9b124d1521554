"""`lastbar status`: how far the packs are, by their own books."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

from packer.cli.briefs import brief_at
from packer.cli.output import echo, print_json, table, warn
from packer.common.shell import shell_command
from packer.common.units import bytes_text
from packer.planning.pack_path import pack_path
from packer.planning.plan import plan
from packer.store.pack_summary import PackSummary, known_books

__all__ = ["run"]


def run(path: Path, store: Path | None, as_json: bool) -> int:
    """Show what each pack holds of the plan of the brief at `path`; 1 if anything is still to be fetched."""
    brief = brief_at(path, store)
    worked_out = plan(brief)
    rows, layers = [], {}
    for name, layer in worked_out.layers.items():
        if not layer.tiles:
            continue
        pack = pack_path(brief, name, store)
        books = known_books(pack)
        held = len(layer.tiles & books.held)
        absent = len((layer.tiles & books.absent) - books.held)
        missing = len(layer.tiles) - held - absent
        layers[name] = _layer_json(len(layer.tiles), held, absent, missing, books)
        size = bytes_text(books.file_bytes) if books.file_bytes else "-"
        rows.append([name, f"{len(layer.tiles):,}", f"{held:,}", f"{absent:,}", f"{missing:,}", size])
    missing_all = sum(la["missing"] for la in layers.values())
    if as_json:
        print_json({"complete": missing_all == 0, "layers": layers})
    else:
        echo(brief.title)
        table(["layer", "planned", "on board", "server has none", "to fetch", "pack"], rows)
        _say_troubles(layers)
        echo()
        for line in _closing(path, store, missing_all):
            echo(line)
    if missing_all and not as_json:
        # Its tables take a while to load, and a whole pack has no need of them.
        from packer.planning.terms import preview_terms

        for remark in preview_terms(brief, worked_out, date.today()):
            warn(f"Note: {remark}")
    return 1 if missing_all else 0


def _layer_json(planned: int, held: int, absent: int, missing: int, books: PackSummary) -> dict[str, Any]:
    return {
        "planned": planned,
        "stored": held,
        "absent": absent,
        "missing": missing,
        "file_bytes": books.file_bytes,
        "last_run": books.last_run,
        "troubles": [{"reason": reason, "tiles": n} for reason, n in books.troubles],
    }


def _say_troubles(layers: dict[str, Any]) -> None:
    for name, layer in layers.items():
        for trouble in layer["troubles"]:
            echo(f"  {name}: {trouble['tiles']:,} tiles could not be had: {trouble['reason']}")


def _closing(path: Path, store: Path | None, missing: int) -> tuple[str, str]:
    if missing:
        return f"{missing:,} tiles are still to be fetched:", f"  {shell_command('fetch', path, store=store)}"
    return "Everything planned is on board by the packs' own books. Prove it:", (
        f"  {shell_command('verify', path, store=store)}"
    )
