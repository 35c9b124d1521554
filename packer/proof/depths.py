"""How deep the map is on board: of each area, at each waypoint, layer by layer, beside what was asked for.

The rule, in three sentences. A place holds depth d on a layer if the tile at zoom d with the place in it is on board.
What it holds is the deepest such d, and what an area holds is the least that any place of it holds. A floor is
reached where what is held is no less than it.

An area's places are the squares of its tiles at its deepest zoom; a coarser tile is looked at for those of them
alone that lie in it. So a tile that is lacking at the floor does no harm where the area's tiles below it are all
there. Pure set algebra on sorted boundaries: ten million tiles take some hundredths of a second.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from packer.geometry.depth import depth_held, places_below, short_of
from packer.geometry.grid import tiles_at
from packer.geometry.shapes import Corridor, Waypoint
from packer.geometry.tileset import TileSet
from packer.planning.brief import FLOOR, OVERVIEW
from packer.planning.plan import AreaPlan, LayerPlan, Plan

__all__ = [
    "AreaDepth",
    "Holdings",
    "WaypointDepth",
    "area_depths",
    "counted_as_stored",
    "layer_depths",
    "waypoint_depths",
]


@dataclass(frozen=True, slots=True)
class Holdings:
    """What became of a layer's planned tiles: four sets without a tile in common.

    `speed` is tiles a second of the last fetch, None if there was none to tell by. `partial` are those of the stored
    tiles that show ground on a part of their square alone, at the edge of a picture: they lack nothing, but no place
    holds their depth by them.
    """

    stored: TileSet
    missing: TileSet = field(default_factory=TileSet)
    absent: TileSet = field(default_factory=TileSet)
    corrupt: TileSet = field(default_factory=TileSet)
    speed: float | None = None
    partial: TileSet = field(default_factory=TileSet)

    @property
    def covering(self) -> TileSet:
        """The stored tiles that show all of their square."""
        return self.stored - self.partial if self.partial else self.stored

    @classmethod
    def recorded(
        cls, planned: TileSet, held: TileSet, absent: TileSet, partial: TileSet | None = None
    ) -> Holdings:
        """As a pack's own books have it, which may hold tiles of other plans as well."""
        stored = planned & held
        none = (planned & absent) - stored
        return cls(stored, planned - stored - none, none, partial=stored & partial if partial else TileSet())


@dataclass(frozen=True, slots=True)
class AreaDepth:
    """How deep one layer is on board all over one area.

    `asked` is the deepest zoom in the brief, `deepest` the deepest that the layer has, `floor` the zoom that every
    place has to reach (None where none is promised), `held` the one that every place does reach, None if there is
    none. `share` and `share_at_floor` are the shares, from 0 to 1, of the area's tiles at `deepest` and at the floor
    that are on board or made up for by deeper ones. `missing`, `absent` and `corrupt` count the area's tiles; what the
    server does not offer is absent. `below` are the places that do not reach the floor, as tiles of the deepest zoom.
    `over` is the layer that the layer lies over.
    """

    area: str
    layer: str
    asked: int
    deepest: int
    floor: int | None
    held: int | None
    share: float
    share_at_floor: float
    missing: int
    absent: int
    corrupt: int
    below: TileSet
    over: str | None = None

    @property
    def shows_the_other(self) -> bool:
        """Whether the layer has all that there is for it, and the one below it shows wherever it ends."""
        return self.over is not None and self.floor is None and not (self.missing or self.corrupt)

    @property
    def reaches_floor(self) -> bool:
        """Whether every place of the area holds its floor or more."""
        return self.floor is None or (self.held is not None and self.held >= self.floor)

    @property
    def as_asked(self) -> bool:
        """Whether every place of the area is as deep as the brief asks."""
        return self.held is not None and self.held >= self.asked

    def to_dict(self) -> dict[str, Any]:
        """One plain document; shares to four digits."""
        return {
            "area": self.area,
            "layer": self.layer,
            "asked": self.asked,
            "planned_to": self.deepest,
            "floor": self.floor,
            "held": self.held,
            "reaches_floor": self.reaches_floor,
            "share_at_planned": _digits(self.share),
            "share_at_floor": _digits(self.share_at_floor),
            "missing": self.missing,
            "absent": self.absent,
            "corrupt": self.corrupt,
        }


@dataclass(frozen=True, slots=True)
class WaypointDepth:
    """How deep one layer is on board at a waypoint of an area; `inside` says whether the area takes it in.

    `needed` is the zoom without which the map is not ready: the floor, but outside the area no more than what the
    overview has everywhere (zoom 12 without one). None in an area that promises nothing.
    `why` is "missing", "corrupt" or "absent" for the tile that would be one zoom deeper than what is held, "" where
    nothing more is planned.
    """

    area: str
    layer: str
    waypoint: Waypoint
    asked: int
    floor: int | None
    held: int | None
    needed: int | None
    inside: bool
    why: str

    @property
    def reaches_floor(self) -> bool:
        """Whether the place holds its floor or more."""
        return self._holds(self.floor)

    @property
    def is_reached(self) -> bool:
        """Whether the place holds what is needed."""
        return self._holds(self.needed)

    def _holds(self, zoom: int | None) -> bool:
        return zoom is None or (self.held is not None and self.held >= zoom)

    def to_dict(self) -> dict[str, Any]:
        """One plain document."""
        return {
            "area": self.area,
            "layer": self.layer,
            "name": self.waypoint.name,
            "lon": round(self.waypoint.lon, 6),
            "lat": round(self.waypoint.lat, 6),
            "asked": self.asked,
            "floor": self.floor,
            "held": self.held,
            "reaches_floor": self.reaches_floor,
            "needed": self.needed,
            "is_reached": self.is_reached,
            "inside_area": self.inside,
            "why": self.why,
        }


def area_depths(plan: Plan, ground: Mapping[str, Holdings]) -> tuple[AreaDepth, ...]:
    """The depths of every area and of the overview, in the order of the brief; a layer that is not in `ground` has
    nothing on board."""
    found = [d for name, layer in plan.layers.items() for d in layer_depths(layer, ground.get(name))]
    order = {name: place for place, name in enumerate(plan.shapes)}
    return tuple(sorted(found, key=lambda d: order.get(d.area, len(order))))


def layer_depths(layer: LayerPlan, ground: Holdings | None) -> tuple[AreaDepth, ...]:
    """The depths of one layer's areas, in the plan's order."""
    return tuple(replace(_area_depth(layer.name, area, ground), over=layer.over) for area in layer.areas)


def _area_depth(layer: str, area: AreaPlan, ground: Holdings | None) -> AreaDepth:
    own = area.own
    short = short_of(area.cover, counted_as_stored(area, ground))
    floor = area.floor
    held = depth_held(own, short)
    counts = (ground.missing, ground.absent, ground.corrupt) if ground else (area.tiles, TileSet(), TileSet())
    missing, absent, corrupt = (len(area.tiles & tiles) if tiles else 0 for tiles in counts)
    return AreaDepth(
        area.name,
        layer,
        area.asked,
        area.deepest,
        floor,
        held,
        _share(own, short, area.deepest),
        _share(own, short, area.deepest if floor is None else floor),
        missing,
        absent + len(area.unoffered),
        corrupt,
        TileSet() if floor is None else places_below(short, floor),
    )


def counted_as_stored(area: AreaPlan, ground: Holdings | None) -> TileSet:
    """What counts as on board in judging one area: tiles that other parts of the plan have are theirs to answer for.

    So a place on the edge of a part, some of whose tiles another part has, is not found short by either; the whole
    that is merged from the parts is judged without such an allowance.
    """
    stored = ground.covering if ground else TileSet()
    return stored | area.elsewhere if area.elsewhere else stored


def _share(own: TileSet, short: Mapping[int, TileSet], zoom: int) -> float:
    """The share of the tiles at a zoom, or at the first below it, in which no place holds less."""
    at = next((z for z in own.zooms if z >= zoom), None)
    if at is None:
        return 0.0
    return 1.0 - len(short[at]) / len(own.at(at))


def waypoint_depths(plan: Plan, ground: Mapping[str, Holdings]) -> tuple[WaypointDepth, ...]:
    """The depths at every waypoint of every area, on each layer that is meant for the area.

    A part of a plan leaves out those that other parts have, and those outside their area.
    """
    found: list[WaypointDepth] = []
    for name, shape in plan.shapes.items():
        if isinstance(shape, Corridor) and shape.waypoints:
            for layer in plan.layers.values():
                area = next((a for a in layer.areas if a.name == name), None)
                if area is not None:
                    found += _of_waypoints(shape.waypoints, layer, area, ground.get(layer.name))
    return tuple(found)


def _of_waypoints(
    waypoints: Sequence[Waypoint], layer: LayerPlan, area: AreaPlan, ground: Holdings | None
) -> Iterator[WaypointDepth]:
    lon, lat = np.array([(w.lon, w.lat) for w in waypoints]).T
    held, why = np.full(lon.size, -1), np.full(lon.size, "", dtype=object)
    inside = np.zeros(lon.size, dtype=bool)
    cover, elsewhere = area.cover, np.zeros(lon.size, dtype=bool)
    covering = ground.covering if ground else TileSet()
    for zoom in sorted({*layer.tiles.zooms, *cover.zooms}):
        x, y = tiles_at(lon, lat, zoom)
        stored = covering.contains(zoom, x, y)
        held[stored], why[stored] = zoom, ""
        for reason, tiles in _lacking(layer, area, ground):
            why[(why == "") & tiles.contains(zoom, x, y)] = reason
        elsewhere |= area.elsewhere.contains(zoom, x, y)
        if cover.zooms and zoom == cover.zooms[-1]:
            inside = cover.contains(zoom, x, y)
    for place, waypoint in enumerate(waypoints):
        if area.elsewhere and (elsewhere[place] or not inside[place]):
            continue
        depth = int(held[place])
        yield WaypointDepth(
            area.name,
            layer.name,
            waypoint,
            area.asked,
            area.floor,
            None if depth < 0 else depth,
            area.floor if inside[place] else _needed_outside(layer, area),
            bool(inside[place]),
            str(why[place]),
        )


def _needed_outside(layer: LayerPlan, area: AreaPlan) -> int | None:
    """What a waypoint has to hold that its area does not take in.

    Most such are on the overview, near their area. Any tile of the world's first zooms holds the others as well, so
    that to hold something says nothing.
    """
    everywhere = next((a.deepest for a in layer.areas if a.name == OVERVIEW), FLOOR)
    return None if area.floor is None else min(area.floor, everywhere)


def _lacking(layer: LayerPlan, area: AreaPlan, ground: Holdings | None) -> list[tuple[str, TileSet]]:
    if ground is None:
        return [("missing", layer.tiles), ("absent", area.unoffered)]
    return [
        ("missing", ground.missing),
        ("corrupt", ground.corrupt),
        ("absent", ground.absent),
        ("absent", ground.partial),
        ("absent", area.unoffered),
    ]


def _digits(share: float) -> float:
    """Four digits, and never rounded up to all of it."""
    return share if share in (0.0, 1.0) else min(max(round(share, 4), 0.0001), 0.9999)
