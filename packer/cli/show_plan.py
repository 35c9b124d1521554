"""`lastbar plan`: what the brief asks for, by layer, zoom and area."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any

from packer.address import variables
from packer.brief import Brief
from packer.cli.speech import document, note, say, table
from packer.grid import metres_per_pixel
from packer.planning import LayerPlan, Plan, plan

__all__ = ["plan_json", "run"]


def run(path: Path, listed: bool, _store: Path | None, as_json: bool) -> int:
    """Show the plan of the brief at `path`."""
    brief = Brief.read(path)
    worked_out = plan(brief)
    if as_json:
        document(plan_json(brief, worked_out))
    elif listed:
        _list(worked_out)
    else:
        _show(brief, worked_out)
    for remark in (*worked_out.remarks, *_unset(brief)):
        note(f"Note: {remark}")
    return 0


def plan_json(brief: Brief, worked_out: Plan) -> dict[str, Any]:
    """The plan as one document; no address and no key is in it."""
    return {
        "title": brief.title,
        "tiles": worked_out.count,
        "rule": worked_out.rule,
        "fingerprint": worked_out.fingerprint,
        "bounds": list(worked_out.bounds),
        "remarks": list(worked_out.remarks),
        "layers": {name: _layer_json(layer) for name, layer in worked_out.layers.items()},
    }


def _layer_json(layer: LayerPlan) -> dict[str, Any]:
    return {
        "tiles": len(layer.tiles),
        "by_zoom": {str(zoom): n for zoom, n in layer.tiles.by_zoom().items()},
        "areas": {area.name: {"deepest": area.deepest, "tiles": len(area.tiles)} for area in layer.areas},
    }


def _list(worked_out: Plan) -> None:
    for name, layer in worked_out.layers.items():
        for zoom, row, first, last in layer.tiles.runs():
            sys.stdout.writelines(f"{name} {zoom}/{x}/{row}\n" for x in range(first, last + 1))


def _show(brief: Brief, worked_out: Plan) -> None:
    say(brief.title)
    for name, layer in worked_out.layers.items():
        say()
        say(f"Layer {name}: {len(layer.tiles):,} tiles")
        if layer.tiles:
            _show_layer(layer, worked_out.middle[1])
    if len(worked_out.layers) > 1:
        say()
        say(f"All layers: {worked_out.count:,} tiles")


def _show_layer(asked: LayerPlan, lat: float) -> None:
    rows = [
        [str(zoom), f"{n:,}", _ground(metres_per_pixel(zoom, lat))]
        for zoom, n in asked.tiles.by_zoom().items()
    ]
    table(["zoom", "tiles", "ground a pixel"], rows, ["all", f"{len(asked.tiles):,}", ""])
    say()
    areas = [[area.name, f"to {area.deepest}", f"{len(area.tiles):,}"] for area in asked.areas]
    table(["area", "zoom", "tiles, shared ones in each"], areas)


def _ground(metres: float) -> str:
    if metres >= 1000:
        return f"{metres / 1000:.1f} km"
    return f"{metres:.0f} m" if metres >= 10 else f"{metres:.2f} m"


def _unset(brief: Brief) -> list[str]:
    asked = {
        v for la in brief.layers.values() for text in (la.url, *la.headers.values()) for v in variables(text)
    }
    return [
        f"The environment variable {name} is not set; fetch will need it."
        for name in sorted(asked)
        if not os.environ.get(name)
    ]
