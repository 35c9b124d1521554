"""Depth along the lines of a brief: asked and held, kilometre by kilometre, for each layer. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Any

import numpy as np

from packer.geometry.cover import chunked
from packer.geometry.grid import Ints, x_at, y_at
from packer.geometry.shapes import Corridor
from packer.geometry.tileset import TileSet
from packer.planning.plan import Plan, lines_of

__all__ = ["profile"]

_SAMPLES = 1500  # of one area's lines: more cannot be told apart on a screen
_SHORTEST_M = 20.0
_DEEPEST = 30
_NONE = -1


def profile(plan: Plan, held: Mapping[str, TileSet]) -> list[dict[str, Any]]:
    """For each area with lines: its length and stretches of equal depth, from and to in km.

    Depths are those of the line's own tiles; None where a layer has nothing there. `held` is what the packs hold.
    """
    return [
        {
            "area": name,
            "length_km": round(shape.length_m / 1000, 3),
            "stretches": _stretches(shape, plan, held),
        }
        for name, shape in lines_of(plan).items()
    ]


def _stretches(shape: Corridor, plan: Plan, held: Mapping[str, TileSet]) -> list[dict[str, Any]]:
    lines = [line for line in shape.lines if len(line) > 1]
    pieces = chunked(lines, max(shape.length_m / _SAMPLES, _SHORTEST_M))
    lon, lat = (pieces.lon_a + pieces.lon_b) / 2, (pieces.lat_a + pieces.lat_b) / 2
    north = (pieces.lat_b - pieces.lat_a) * 1.0
    length = np.hypot((pieces.lon_b - pieces.lon_a) * np.cos(np.radians(lat)), north)
    ends = (
        np.concatenate([[0.0], np.cumsum(length)]) * (shape.length_m / max(float(length.sum()), 1e-12)) / 1000
    )
    n = 1 << _DEEPEST
    x = (np.asarray(x_at(lon)) % 1.0 * n).astype(np.int64)
    y = (np.clip(np.asarray(y_at(lat)), 0.0, 1.0 - 1e-12) * n).astype(np.int64)
    depths = {
        name: (_depth(asked.tiles, x, y), _depth(held.get(name, TileSet()), x, y))
        for name, asked in plan.layers.items()
    }
    changes = np.zeros(len(x), dtype=bool)
    for asked, there in depths.values():
        changes[1:] |= (np.diff(asked) != 0) | (np.diff(there) != 0)
    starts = [0, *np.flatnonzero(changes).tolist(), len(x)]
    return [
        {
            "from_km": round(float(ends[start]), 3),
            "to_km": round(float(ends[stop]), 3),
            "layers": {
                name: {"asked": int(asked[start]), "held": _or_none(there[start])}
                for name, (asked, there) in depths.items()
                if asked[start] != _NONE
            },
        }
        for start, stop in pairwise(starts)
        if stop > start
    ]


def _depth(tiles: TileSet, x: Ints, y: Ints) -> Ints:
    """The deepest zoom at which each place's tile is in the set, -1 for none."""
    found = np.full(len(x), _NONE, dtype=np.int64)
    for zoom in tiles.zooms:
        shift = _DEEPEST - zoom
        found[tiles.contains(zoom, x >> shift, y >> shift)] = zoom
    return found


def _or_none(depth: Any) -> int | None:
    return None if depth == _NONE else int(depth)
