"""Which areas are below their floor, as the packs record it, told at the end of a fetch."""

from __future__ import annotations

from pathlib import Path

from packer.cli.output import warn
from packer.planning.brief import Brief
from packer.planning.pack_path import pack_path
from packer.planning.plan import Plan
from packer.proof.depth_words import depth_lines
from packer.proof.depths import Holdings, area_depths
from packer.store.pack_summary import known_summary

__all__ = ["warn_below_floor"]


def warn_below_floor(brief: Brief, worked_out: Plan, store: Path | None) -> None:
    """Say on stderr which areas the servers leave below their floor; nothing if there is none."""
    ground = {}
    for name, layer in worked_out.layers.items():
        summary = known_summary(pack_path(brief, name, store), brief.layers[name].blank_hashes)
        ground[name] = Holdings.recorded(layer.tiles, summary.held, summary.absent)
    below = [depth for depth in area_depths(worked_out, ground) if not depth.reaches_floor]
    for line in depth_lines(below):
        warn(f"Note: {line}")
    if below:
        warn("Nothing more can be fetched, and the map is NOT READY. To see where: lastbar verify")
