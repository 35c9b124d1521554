"""What a changed brief adds and drops: tiles by layer and zoom, and kilometres of route."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from packer.geometry.cover import chunked
from packer.geometry.geodesics import GEOD
from packer.geometry.grid import Floats, Ints, x_at, y_at
from packer.geometry.shapes import Corridor
from packer.geometry.tileset import TileSet
from packer.planning.plan import OVERVIEW, AreaPlan, Plan, lines_of

__all__ = ["Comparison", "LayerChange", "compare"]

_STEP_M = 25.0  # route is compared in pieces of this length


@dataclass(frozen=True, slots=True)
class LayerChange:
    """Tiles that the new plan has more, has less, and has in common."""

    added: TileSet
    dropped: TileSet
    kept: TileSet


@dataclass(frozen=True, slots=True)
class Comparison:
    """The change layer by layer, and the route: metres of line that lie in an area of only one of the plans, and
    metres that lie in areas of both, but deeper in one of them. The overview is no area in this; a layer that one
    plan lacks counts as empty there."""

    layers: Mapping[str, LayerChange]
    route_added_m: float
    route_dropped_m: float
    route_deeper_m: float
    route_shallower_m: float


def compare(old: Plan, new: Plan) -> Comparison:
    """Hold two plans against each other."""
    names = list(dict.fromkeys((*new.layers, *old.layers)))
    layers = {}
    for name in names:
        was = old.layers[name].tiles if name in old.layers else TileSet()
        now = new.layers[name].tiles if name in new.layers else TileSet()
        layers[name] = LayerChange(now - was, was - now, now & was)
    added_m, deeper_m = _beyond_m(new, old)
    dropped_m, shallower_m = _beyond_m(old, new)
    return Comparison(layers, added_m, dropped_m, deeper_m, shallower_m)


def _beyond_m(one: Plan, other: Plan) -> tuple[float, float]:
    """Metres of route in `one` that no area of `other` covers, and those that it covers less deep than `one`."""
    each = [_line_beyond_m(name, shape, one, other) for name, shape in lines_of(one).items()]
    return sum(alone for alone, _ in each), sum(shallower for _, shallower in each)


def _line_beyond_m(area: str, shape: Corridor, one: Plan, other: Plan) -> tuple[float, float]:
    zooms = [
        (a.deepest, layer) for layer, p in one.layers.items() for a in p.areas if a.name == area and a.tiles
    ]
    if not zooms:
        return 0.0, 0.0
    zoom, layer = max(zooms)
    covered = other.layers[layer].tiles if layer in other.layers else TileSet()
    pieces = chunked([line for line in shape.lines if len(line) > 1], _STEP_M)
    middle = np.column_stack([(pieces.lon_a + pieces.lon_b) / 2, (pieces.lat_a + pieces.lat_b) / 2])
    beyond = ~covered.contains(zoom, *_tiles_at(middle, zoom))
    near = np.zeros(beyond.size, dtype=bool)
    for one_area in _areas(other, layer):
        if one_area.name != OVERVIEW and one_area.deepest < zoom:
            near |= one_area.tiles.contains(one_area.deepest, *_tiles_at(middle, one_area.deepest))
    lengths_m = np.asarray(GEOD.inv(pieces.lon_a, pieces.lat_a, pieces.lon_b, pieces.lat_b)[2])
    return float(lengths_m[beyond & ~near].sum()), float(lengths_m[beyond & near].sum())


def _areas(plan: Plan, layer: str) -> tuple[AreaPlan, ...]:
    return plan.layers[layer].areas if layer in plan.layers else ()


def _tiles_at(positions: Floats, zoom: int) -> tuple[Ints, Ints]:
    n = 1 << zoom
    x = np.floor(x_at(positions[:, 0]) * n).astype(np.int64) % n
    y = np.clip(np.floor(y_at(positions[:, 1]) * n), 0, n - 1).astype(np.int64)
    return x, y
