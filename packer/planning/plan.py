"""The plan: exactly which tiles a brief asks for, layer by layer, as immutable sets."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

import numpy as np

from packer.errors import PlanError
from packer.geometry.cover import RULE, cover_box
from packer.geometry.grid import LonLatBox
from packer.geometry.partition import tiles_of_part
from packer.geometry.shapes import Corridor, Shape, around, enclosing
from packer.geometry.tileset import TileSet
from packer.planning.brief import FLOOR, OVERVIEW, Area, Brief, Layer
from packer.planning.ground import Ground
from packer.planning.offered_tiles import offered_tiles
from packer.planning.offers import offers_missing_error
from packer.planning.part_tiles import read_part_tiles
from packer.planning.plan_remarks import crew_remarks, depth_remarks, outside_remarks, shape_remarks
from packer.planning.shape_files import AreaSource
from packer.sources.offer import Offer

__all__ = [
    "OVERVIEW",
    "AreaPlan",
    "LayerPlan",
    "Plan",
    "lines_of",
    "part_of",
    "plan",
    "plan_on",
    "served",
    "tiles_digest",
]


@dataclass(frozen=True, slots=True)
class AreaPlan:
    """What one area asks of one layer.

    `deepest` is the deepest zoom that the layer can give it, and `beyond` how many more the brief asks for. `floor`
    is the zoom that every place of the area has to reach before a crew may leave; None for the overview, which
    promises none. `unoffered` are tiles of the area that are not planned, since they lie outside what the layer's
    server offers. `elsewhere` are tiles of the area that another part of the plan has. Areas with a `priority` are
    fetched first, 1 before 2; of several briefs in one plan, those with a lower `turn` before all others.
    """

    name: str
    deepest: int
    tiles: TileSet
    beyond: int = 0
    floor: int | None = None
    unoffered: TileSet = field(default_factory=TileSet)
    elsewhere: TileSet = field(default_factory=TileSet)
    priority: int | None = None
    overview: bool = False
    turn: int = 0

    @property
    def asked(self) -> int:
        """The deepest zoom that the brief asks for."""
        return self.deepest + self.beyond

    @property
    def cover(self) -> TileSet:
        """Every tile of the area at the layer's zooms, whether its server offers it or not, in whichever part."""
        return self.own | self.elsewhere if self.elsewhere else self.own

    @property
    def own(self) -> TileSet:
        """`cover` without what other parts of the plan have: the tiles that this plan answers for."""
        return self.tiles | self.unoffered if self.unoffered else self.tiles


@dataclass(frozen=True, slots=True)
class LayerPlan:
    """What all areas ask of one layer: `tiles` is the union, so that each tile counts once. `tile_px` is the side
    of a tile in pixels, as far as brief or server say so. `over` is the layer that this one lies over. `more` are
    tiles that a blend adds for the handover: they go along, and nothing is promised of them; `blended` are the plans of
    the layers that it took in."""

    name: str
    tiles: TileSet
    areas: tuple[AreaPlan, ...]
    tile_px: int = 256
    over: str | None = None
    more: TileSet = field(default_factory=TileSet)
    blended: tuple[LayerPlan, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Counts as plain values: in all, by zoom and by area."""
        return {
            "tiles": len(self.tiles),
            "by_zoom": {str(zoom): n for zoom, n in self.tiles.by_zoom().items()},
            "areas": {area.name: {"deepest": area.deepest, "tiles": len(area.tiles)} for area in self.areas},
        }


@dataclass(frozen=True, slots=True)
class Plan:
    """A worked-out brief. `bounds` holds every area with its reach and the overview; `sources` tells of each area
    with a file what it takes of it. Of a plan that joins several, `members` are the briefs with theirs."""

    layers: Mapping[str, LayerPlan]
    shapes: Mapping[str, Shape]
    bounds: LonLatBox
    middle: tuple[float, float]
    remarks: tuple[str, ...]
    rule: str = RULE
    sources: Mapping[str, AreaSource] = field(default_factory=dict)
    members: tuple[tuple[Brief, Plan], ...] = ()

    @property
    def count(self) -> int:
        """Tiles in all layers together."""
        return sum(len(layer.tiles) for layer in self.layers.values())

    @property
    def fingerprint(self) -> str:
        """A name for this very set of tiles under this rule: equal plans have equal names."""
        digest = hashlib.sha256(self.rule.encode())
        for name in sorted(self.layers):
            digest.update(f"\n{name}".encode())
            _take_in(digest, self.layers[name].tiles)
        return digest.hexdigest()[:16]

    def to_dict(self) -> dict[str, Any]:
        """One plain document. It has no address and no key in it."""
        return {
            "tiles": self.count,
            "rule": self.rule,
            "fingerprint": self.fingerprint,
            "bounds": list(self.bounds),
            "remarks": list(self.remarks),
            "files": {area: source.to_dict() for area, source in self.sources.items()},
            "layers": {name: layer.to_dict() for name, layer in self.layers.items()},
        }


def tiles_digest(tiles: TileSet) -> str:
    """A name for a set of tiles, as 64 hexadecimal digits: equal sets have equal names."""
    digest = hashlib.sha256()
    _take_in(digest, tiles)
    return digest.hexdigest()


def _take_in(digest: hashlib._Hash, tiles: TileSet) -> None:
    for zoom in tiles.zooms:
        digest.update(f"\n{zoom}:".encode() + np.ascontiguousarray(tiles.boundaries(zoom), "<i8").tobytes())


def plan(brief: Brief) -> Plan:
    """Work out a brief.

    Raises BriefError where a shape file cannot serve, or what a layer's server offers is not filled in;
    PlanError where no tile at all is asked for.
    """
    return plan_on(brief, Ground())


def plan_on(brief: Brief, ground: Ground) -> Plan:
    """As `plan`, with shapes and covers that an earlier plan has worked out.

    Raises BriefError where a shape file cannot serve, or what a layer's server offers is not filled in;
    PlanError where no tile at all is asked for.
    """
    if unread := [name for name, layer in brief.layers.items() if not layer.has_address]:
        raise offers_missing_error(brief, unread)
    shapes = {area.name: ground.shape(brief, area) for area in brief.areas}
    bounds = enclosing([box for area in brief.areas for box in ground.boxes(brief, area)])
    covers = {a.name: ground.cover(brief, a, _deepest_needed(brief, a)) for a in brief.areas}
    if brief.overview:
        bounds = _with_margin(bounds, brief.overview.margin)
        covers[OVERVIEW] = cover_box(bounds, brief.overview.deepest).pyramid(0)
    sources = {area.name: source for area in brief.areas if (source := ground.source(brief, area))}
    layers, remarks = {}, shape_remarks(brief, shapes, sources)
    for layer in brief.layers.values():
        layers[layer.name], notes = _layer_plan(brief, layer, covers)
        remarks += notes
    remarks += crew_remarks(brief)
    if not any(layer.tiles for layer in layers.values()):
        raise PlanError(
            "\n- ".join(
                [
                    f"{brief.path} asks for no tile at all. Change the layers or depths of its areas, because:",
                    *remarks,
                ]
            )
        )
    middle = shapes[brief.areas[0].name].middle
    whole = Plan(
        MappingProxyType(layers),
        MappingProxyType(shapes),
        bounds,
        middle,
        tuple(remarks),
        sources=MappingProxyType(sources),
    )
    if brief.part_tiles is not None:
        return _only(whole, read_part_tiles(brief.folder / brief.part_tiles))
    return part_of(whole, *brief.part) if brief.part else whole


def served(brief: Brief, whole: Plan) -> Plan:
    """The plan without what no server can be asked for: the tiles of layers of own pictures."""
    own = [name for name, layer in brief.layers.items() if layer.pictures]
    if not own:
        return whole
    none = {name: LayerPlan(name, TileSet(), ()) for name in own if name in whole.layers}
    return replace(whole, layers=MappingProxyType({**whole.layers, **none}))


def part_of(whole: Plan, number: int, count: int, missing: Mapping[str, TileSet] | None = None) -> Plan:
    """Part `number`, from 1 to `count`, of a plan: no two parts share a tile, together they are the whole, or what is
    `missing` of its layers. Some tile has to be there to be dealt.

    Areas keep what of theirs lies in the part, with floor and priority; one with nothing in it is not in the part.
    """
    dealt = {name: layer.tiles for name, layer in whole.layers.items()} if missing is None else missing
    return _only(whole, tiles_of_part(dealt, number, count))


def _only(whole: Plan, tiles: Mapping[str, TileSet]) -> Plan:
    """The plan with no other tiles than these."""
    layers = {}
    for name, layer in whole.layers.items():
        some = layer.tiles & tiles.get(name, TileSet())
        areas = [_in_part(area, some) for area in layer.areas if not area.cover or area.tiles & some]
        layers[name] = replace(layer, tiles=some, areas=tuple(areas))
    return replace(whole, layers=MappingProxyType(layers))


def _in_part(area: AreaPlan, dealt: TileSet) -> AreaPlan:
    """A tile and the deeper ones that stand in for it can lie in different parts, so a part knows of the others'."""
    tiles = area.tiles & dealt
    part = replace(area, tiles=tiles, unoffered=TileSet(), elsewhere=area.cover - tiles)
    # Places are the squares of the deepest tiles: a part with none of them has no place to answer for.
    return part if part.own.zooms[-1:] == area.cover.zooms[-1:] else replace(part, floor=None)


def _deepest_needed(brief: Brief, area: Area) -> int | None:
    """The deepest zoom at which any layer can serve the area; None if none of them does."""
    ends = [min(area.deepest_for(n), la.zooms[1]) for n, la in brief.layers.items() if area.uses(n)]
    return max(ends, default=None)


def _layer_plan(brief: Brief, layer: Layer, covers: Mapping[str, TileSet]) -> tuple[LayerPlan, list[str]]:
    first, last = layer.zooms
    users = [a for a in brief.areas if a.uses(layer.name)]
    remarks = depth_remarks(layer, users)
    wanted: list[tuple[str, int, int | None, int | None]] = [
        (a.name, a.deepest_for(layer.name), _floor(brief, a, layer), a.priority) for a in users
    ]
    if wanted and brief.overview:
        wanted.insert(0, (OVERVIEW, brief.overview.deepest, None, None))
    areas = []
    for name, asked, floor, priority in wanted:
        deepest = min(asked, last)
        tiles = covers[name].at(*range(first, deepest + 1))
        areas.append(
            AreaPlan(
                name, deepest, tiles, asked - deepest, floor, priority=priority, overview=name == OVERVIEW
            )
        )
    if layer.offer and not layer.offer.whole_grid:
        kept = [_cut(a, layer.offer, layer.tile_size or 256) for a in areas]
        remarks += outside_remarks(
            layer,
            ((a.name, len(a.tiles), len(a.tiles) - len(k.tiles)) for a, k in zip(areas, kept, strict=True)),
        )
        areas = kept
    tiles = TileSet.union(a.tiles for a in areas)
    return LayerPlan(layer.name, tiles, tuple(areas), layer.tile_size or 256, layer.over), remarks


def _floor(brief: Brief, area: Area, layer: Layer) -> int | None:
    """The zoom that every place of an area has to reach on a layer.

    None for a layer that lies over another which the area uses as well: the floor is the other's, and is judged on that
    one alone, since a device may show one layer at a time. A floor that the brief names for the layer itself holds.
    """
    least = area.least_for(layer.name)
    own = isinstance(area.at_least, dict) and least is not None
    if layer.over is not None and area.uses(layer.over) and not own:
        return None
    if least is None:
        least = brief.overview.deepest if brief.overview else FLOOR
    return min(least, area.deepest_for(layer.name), layer.zooms[1])


def _cut(area: AreaPlan, offer: Offer, tile_px: int) -> AreaPlan:
    tiles = offered_tiles(offer, area.tiles, tile_px)
    return replace(area, tiles=tiles, unoffered=area.tiles - tiles)


def _with_margin(bounds: LonLatBox, margin_m: float) -> LonLatBox:
    east = bounds.east + 360 if bounds.west > bounds.east else bounds.east
    wide = around(bounds._replace(east=east), margin_m)
    if wide.east - wide.west >= 360:
        return LonLatBox(-180.0, wide.south, 180.0, wide.north)
    return enclosing([wide])


def lines_of(plan: Plan) -> dict[str, Corridor]:
    """The areas that are corridors round lines, by name, in the order of the brief."""
    return {
        name: shape
        for name, shape in plan.shapes.items()
        if isinstance(shape, Corridor) and any(len(line) > 1 for line in shape.lines)
    }
