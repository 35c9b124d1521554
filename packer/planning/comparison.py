"""What a changed brief adds and drops: tiles by layer, area and zoom, and stretches of route."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from packer.geometry.cover import chunked
from packer.geometry.geodesics import GEOD
from packer.geometry.grid import Floats, tiles_at
from packer.geometry.shapes import Corridor, wrapped
from packer.geometry.tileset import TileSet
from packer.planning.plan import OVERVIEW, AreaPlan, Plan, lines_of

__all__ = ["AreaChange", "Comparison", "LayerChange", "RouteStretch", "compare"]

Picked = npt.NDArray[np.bool_]
_STEP_M = 25.0  # route is compared in pieces of this length


@dataclass(frozen=True, slots=True)
class LayerChange:
    """Tiles that the new plan has more, has less, and has in common."""

    added: TileSet
    dropped: TileSet
    kept: TileSet


@dataclass(frozen=True, slots=True)
class RouteStretch:
    """Part of a line of an area, in metres from its start; lines count from 1, `start` is (longitude, latitude)."""

    area: str
    line: int
    from_m: float
    to_m: float
    start: tuple[float, float]

    @property
    def length_m(self) -> float:
        """How long it is."""
        return self.to_m - self.from_m

    def to_dict(self) -> dict[str, Any]:
        """One plain document; distances in km, to the metre."""
        return {
            "area": self.area,
            "line": self.line,
            "from_km": round(self.from_m / 1000, 3),
            "to_km": round(self.to_m / 1000, 3),
            "from": [round(v, 6) for v in self.start],
        }


@dataclass(frozen=True, slots=True)
class AreaChange:
    """What became of one area, the overview included: tiles of all layers that it has more and less, the stretches of
    line that are new and gone, and the layers whose depth has changed, each with the old and the new deepest zoom, None
    for none. `state` is "new", "gone" or "changed"."""

    name: str
    state: str
    tiles_added: int
    tiles_dropped: int
    added: tuple[RouteStretch, ...]
    dropped: tuple[RouteStretch, ...]
    depths: Mapping[str, tuple[int | None, int | None]]

    def to_dict(self) -> dict[str, Any]:
        """One plain document."""
        return {
            "area": self.name,
            "state": self.state,
            "tiles_added": self.tiles_added,
            "tiles_dropped": self.tiles_dropped,
            "route_added": [s.to_dict() for s in self.added],
            "route_dropped": [s.to_dict() for s in self.dropped],
            "deepest": {layer: list(pair) for layer, pair in self.depths.items()},
        }


@dataclass(frozen=True, slots=True)
class _Beyond:
    """Route of one plan: stretches that lie in no area of the other, and metres that lie in one less deep."""

    stretches: tuple[RouteStretch, ...] = ()
    shallower_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Comparison:
    """The change layer by layer, and the route: stretches of line that lie in an area of only one of the plans, and
    metres that lie in areas of both, but deeper in one of them. The overview is no area in this; a layer that one
    plan lacks counts as empty there. `areas` has only those that have changed."""

    layers: Mapping[str, LayerChange]
    route_deeper_m: float
    route_shallower_m: float
    route_added: tuple[RouteStretch, ...] = ()
    route_dropped: tuple[RouteStretch, ...] = ()
    areas: tuple[AreaChange, ...] = field(default=())

    @property
    def route_added_m(self) -> float:
        """Metres of route that only the new plan has in an area."""
        return sum(stretch.length_m for stretch in self.route_added)

    @property
    def route_dropped_m(self) -> float:
        """Metres of route that only the old plan has in an area."""
        return sum(stretch.length_m for stretch in self.route_dropped)


def compare(old: Plan, new: Plan) -> Comparison:
    """Hold two plans against each other."""
    names = list(dict.fromkeys((*new.layers, *old.layers)))
    layers = {}
    for name in names:
        was = old.layers[name].tiles if name in old.layers else TileSet()
        now = new.layers[name].tiles if name in new.layers else TileSet()
        layers[name] = LayerChange(now - was, was - now, now & was)
    added, dropped = _beyond(new, old), _beyond(old, new)
    areas = _area_changes(old, new, added.stretches, dropped.stretches)
    return Comparison(
        layers, added.shallower_m, dropped.shallower_m, added.stretches, dropped.stretches, areas
    )


def _area_changes(
    old: Plan, new: Plan, added: tuple[RouteStretch, ...], dropped: tuple[RouteStretch, ...]
) -> tuple[AreaChange, ...]:
    was, now = _by_area(old), _by_area(new)
    changes = []
    for name in dict.fromkeys((*now, *was)):
        before, after = was.get(name, {}), now.get(name, {})
        more = less = 0
        depths = {}
        for layer in dict.fromkeys((*after, *before)):
            tiles = [plan[layer].tiles if layer in plan else TileSet() for plan in (before, after)]
            more, less = more + len(tiles[1] - tiles[0]), less + len(tiles[0] - tiles[1])
            pair = tuple(plan[layer].deepest if layer in plan else None for plan in (before, after))
            if pair[0] != pair[1]:
                depths[layer] = (pair[0], pair[1])
        if more or less or depths:
            state = "changed" if before and after else "new" if after else "gone"
            new_parts, gone_parts = (tuple(s for s in e if s.area == name) for e in (added, dropped))
            changes.append(AreaChange(name, state, more, less, new_parts, gone_parts, depths))
    return tuple(sorted(changes, key=lambda change: change.name == OVERVIEW))


def _by_area(plan: Plan) -> dict[str, dict[str, AreaPlan]]:
    found: dict[str, dict[str, AreaPlan]] = {}
    for name, layer in plan.layers.items():
        for area in layer.areas:
            found.setdefault(area.name, {})[name] = area
    return found


def _beyond(one: Plan, other: Plan) -> _Beyond:
    """What of the route in `one` no area of `other` covers, and what one covers less deep than `one`."""
    each = [_line_beyond(name, shape, one, other) for name, shape in lines_of(one).items()]
    return _Beyond(tuple(s for b in each for s in b.stretches), sum(b.shallower_m for b in each))


def _line_beyond(area: str, shape: Corridor, one: Plan, other: Plan) -> _Beyond:
    zooms = [
        (a.deepest, layer) for layer, p in one.layers.items() for a in p.areas if a.name == area and a.tiles
    ]
    if not zooms:
        return _Beyond()
    zoom, layer = max(zooms)
    covered = other.layers[layer].tiles if layer in other.layers else TileSet()
    coarser = [a for a in _areas(other, layer) if a.name != OVERVIEW and a.deepest < zoom]
    stretches: list[RouteStretch] = []
    shallower_m = 0.0
    for number, line in enumerate((line for line in shape.lines if len(line) > 1), 1):
        pieces = chunked([line], _STEP_M)
        middle = (pieces.lon_a + pieces.lon_b) / 2, (pieces.lat_a + pieces.lat_b) / 2
        beyond = ~covered.contains(zoom, *tiles_at(*middle, zoom))
        near = np.zeros(beyond.size, dtype=bool)
        for one_area in coarser:
            near |= one_area.tiles.contains(one_area.deepest, *tiles_at(*middle, one_area.deepest))
        lengths_m = np.asarray(GEOD.inv(pieces.lon_a, pieces.lat_a, pieces.lon_b, pieces.lat_b)[2])
        shallower_m += float(lengths_m[beyond & near].sum())
        starts = np.column_stack([pieces.lon_a, pieces.lat_a])
        stretches += _stretches(area, number, beyond & ~near, lengths_m, starts)
    return _Beyond(tuple(stretches), shallower_m)


def _stretches(area: str, line: int, picked: Picked, lengths_m: Floats, starts: Floats) -> list[RouteStretch]:
    """Neighbouring pieces that are picked, as one stretch each."""
    ends_m = np.concatenate([[0.0], np.cumsum(lengths_m)])
    turns = np.flatnonzero(np.diff(picked.astype(np.int8), prepend=0, append=0)).reshape(-1, 2)
    return [
        RouteStretch(
            area,
            line,
            float(ends_m[first]),
            float(ends_m[stop]),
            (wrapped(float(starts[first, 0])), float(starts[first, 1])),
        )
        for first, stop in turns.tolist()
    ]


def _areas(plan: Plan, layer: str) -> tuple[AreaPlan, ...]:
    return plan.layers[layer].areas if layer in plan.layers else ()
