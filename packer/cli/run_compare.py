"""`lastbar compare`: what a changed brief adds and drops."""

from __future__ import annotations

import textwrap
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from packer.cli.briefs import brief_at
from packer.cli.output import echo, print_json, table
from packer.common.shell import shell_command
from packer.common.units import bytes_text
from packer.errors import InputError
from packer.geometry.tileset import TileSet
from packer.planning.brief import Brief
from packer.planning.changes import area_text
from packer.planning.comparison import Comparison, compare
from packer.planning.fetched_for import recall_fetch
from packer.planning.pack_path import pack_path
from packer.planning.plan import plan
from packer.store.figures import mean_sizes
from packer.store.pack_files import has_pack

__all__ = ["run"]


def run(old: Path, new: Path | None, store: Path | None, as_json: bool) -> int:
    """Compare the briefs at `old` and `new`; one alone is compared with what it was last fetched for."""
    briefs = [brief_at(old, store)] if new is None else [brief_at(old, store), brief_at(new, store)]
    if new is None:
        (now,) = briefs
        known = recall_fetch(now, store or now.store_folder)
        if known is None:
            raise InputError(
                f"It is not known what {now.path} was last fetched for: there is no record beside its packs. Fetch "
                "first, or name two briefs to compare."
            )
        when = datetime.fromtimestamp(known.fetched, UTC).strftime("%Y-%m-%d %H:%M UTC")
        change, start = compare(known.plan, plan(now)), f"the last fetch ({when})"
    else:
        was, now = briefs
        change, start = compare(plan(was), plan(now)), str(was.path)
    weights = {
        name: mean_sizes(pack_path(brief, name, store))
        for brief in briefs
        for name in brief.layers
        if has_pack(pack_path(brief, name, store))
    }
    if as_json:
        print_json(_json(change, weights))
    else:
        _show(change, weights, start, now)
    return 0


def _bytes(tiles: TileSet, weights: dict[int, float] | None) -> int | None:
    """What the tiles weigh by the mean of what is stored at their zoom, or at the nearest one; None if the
    layer has nothing stored to go by."""
    if not weights:
        return None
    return round(
        sum(n * weights[min(weights, key=lambda z: abs(z - zoom))] for zoom, n in tiles.by_zoom().items())
    )


def _json(change: Comparison, weights: dict[str, dict[int, float]]) -> dict[str, Any]:
    layers = {}
    for name, layer in change.layers.items():
        layers[name] = {
            "added": {"tiles": len(layer.added), "bytes": _bytes(layer.added, weights.get(name))},
            "dropped": {"tiles": len(layer.dropped), "bytes": _bytes(layer.dropped, weights.get(name))},
            "kept": {"tiles": len(layer.kept)},
        }
    return {
        "layers": layers,
        "route_added_km": round(change.route_added_m / 1000, 3),
        "route_dropped_km": round(change.route_dropped_m / 1000, 3),
        "route_deeper_km": round(change.route_deeper_m / 1000, 3),
        "route_shallower_km": round(change.route_shallower_m / 1000, 3),
        "areas": [area.to_dict() for area in change.areas],
    }


def _show(change: Comparison, weights: dict[str, dict[int, float]], start: str, now: Brief) -> None:
    echo(f"From {start} to {now.path}:")
    rows = []
    for name, layer in change.layers.items():
        added, dropped = (_bytes(t, weights.get(name)) for t in (layer.added, layer.dropped))
        rows.append(
            [
                name,
                _signed("+", len(layer.added)),
                "?" if added is None else bytes_text(added),
                _signed("-", len(layer.dropped)),
                "?" if dropped is None else bytes_text(dropped),
                f"{len(layer.kept):,}",
            ]
        )
    table(["layer", "new tiles", "size", "dropped", "size", "in both"], rows)
    echo(
        f"Route: {change.route_added_m / 1000:.1f} km new, {change.route_dropped_m / 1000:.1f} km removed, "
        f"{change.route_deeper_m / 1000:.1f} km deeper, {change.route_shallower_m / 1000:.1f} km less deep."
    )
    for area in change.areas:
        echo(textwrap.fill(area_text(area), 80, subsequent_indent="  ", break_on_hyphens=False))
    echo(f"{shell_command('fetch', now.path)} fetches only what is new.")
    echo("lastbar prune removes tiles that no brief needs, to free disk space.")


def _signed(sign: str, count: int) -> str:
    return f"{sign}{count:,}" if count else "0"
