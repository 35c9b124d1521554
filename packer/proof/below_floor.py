"""Which areas are below their floor, as the packs record it: for the end of a fetch, and for status."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from packer.common.units import counted
from packer.planning.brief import Brief
from packer.planning.pack_path import pack_path
from packer.planning.plan import Plan
from packer.proof.depth_words import depth_lines, unreached_text
from packer.proof.depths import AreaDepth, Holdings, area_depths, waypoint_depths
from packer.store.pack_summary import known_summary

__all__ = ["below_floor", "below_floor_of"]


def below_floor(brief: Brief, worked_out: Plan, store: Path | None) -> list[str]:
    """A sentence for each area that the packs leave below its floor, for waypoints that are not reached, and for layers
    whose own pictures are not cut yet, which no fetch can bring."""
    ground: dict[str, Holdings] = {}
    for name, layer in worked_out.layers.items():
        summary = known_summary(pack_path(brief, name, store), brief.layers[name].blank_hashes)
        ground[name] = Holdings.recorded(layer.tiles, summary.held, summary.absent, summary.partial)
    uncut = [
        f"{name}: {counted(len(one.missing), 'tile')} of own pictures not cut yet. Take in the layer's pictures."
        for name, one in ground.items()
        if one.missing and brief.layers[name].pictures
    ]
    return [*below_floor_of(worked_out, ground, area_depths(worked_out, ground)), *uncut]


def below_floor_of(plan: Plan, ground: Mapping[str, Holdings], depths: Iterable[AreaDepth]) -> list[str]:
    """The same where `depths` are known already."""
    below = depth_lines(depth for depth in depths if not depth.reaches_floor)
    return [*below, *unreached_text(waypoint_depths(plan, ground))]
