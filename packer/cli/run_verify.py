"""`lastbar verify`: the proof, in words."""

from __future__ import annotations

import sys
import time
from pathlib import Path

from packer.brief import Brief
from packer.cli.speech import document, note, say, table
from packer.planning import plan
from packer.proof import LayerFindings, VerifyReport, verify
from packer.tileset import TileSet

__all__ = ["run"]

_SHOWN = 5


def run(path: Path, store: Path | None, as_json: bool) -> int:
    """Verify the packs of the brief at `path`; 0 if ready, 1 if not."""
    brief = Brief.read(path)
    report = verify(brief, plan(brief), store, on_progress=_Progress().show)
    if as_json:
        document(report.as_json())
    else:
        say(brief.title)
        _show(report, path)
    return 0 if report.ready else 1


class _Progress:
    def __init__(self) -> None:
        self._last = time.monotonic()

    def show(self, layer: str, done: int, every: int) -> None:
        now = time.monotonic()
        if now - self._last > 2.0 and sys.stderr is not None:
            self._last = now
            note(f"verify: {layer} {done:,} of {every:,} bodies checked ({done * 100 // max(every, 1)} %)")


def _show(report: VerifyReport, path: Path) -> None:
    for name, layer in report.layers.items():
        say()
        say(f"Layer {name}: {layer.bodies:,} bodies in {layer.pack} hashed and decoded")
        _show_layer(layer)
    say()
    if report.ready:
        absent = sum(la.counts.absent for la in report.layers.values())
        say(
            "READY: every planned tile is on board and sound"
            + (f", but {absent:,} that the server has not." if absent else ".")
        )
        say("The crew still carries another means of navigation: imagery is dated, and Web")
        say("Mercator maps are for viewing, not for positioning.")
    else:
        say(f"NOT READY. To close the gaps: lastbar fetch {path}")


def _show_layer(layer: LayerFindings) -> None:
    heads = ["zoom", "planned", "stored", "server has none", "missing", "corrupt"]
    fields = ["planned", "stored", "absent", "missing", "corrupt"]
    rows = [[str(z), *(f"{getattr(c, f):,}" for f in fields)] for z, c in layer.by_zoom.items()]
    table(heads, rows, ["all", *(f"{getattr(layer.counts, f):,}" for f in fields)])
    _name("missing", layer.missing)
    for bad in layer.bad[:_SHOWN]:
        say(f"  corrupt {bad.tile}: {bad.kind}")
    if len(layer.bad) > _SHOWN:
        say(f"  and {len(layer.bad) - _SHOWN:,} more corrupt tiles")
    if layer.stray:
        say(f"  {layer.stray:,} rows lie outside the grid, where no reader can show them")


def _name(what: str, tiles: TileSet) -> None:
    count = len(tiles)
    for number, tile in enumerate(tiles):
        if number == _SHOWN:
            say(f"  and {count - _SHOWN:,} more {what} tiles")
            return
        say(f"  {what} {tile}")
