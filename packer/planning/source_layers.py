"""Layers whose tiles are derived: for each of them a source layer, whose tiles lie in the grid of its service.

A brief has the derived layer alone, and so has its plan. What is asked of servers, and kept in packs, has the source
layer as well; its name, "ortho (source)", is none that a brief can have.
"""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

from packer.common.units import counted
from packer.content.rasters.library import is_installed
from packer.geometry.source_grid import SourceGrid
from packer.geometry.source_tiles import source_tiles
from packer.geometry.tileset import TileSet
from packer.planning.brief import Brief, Layer
from packer.planning.pack_path import SOURCE
from packer.planning.plan import OVERVIEW, AreaPlan, LayerPlan, Plan

__all__ = [
    "asked_of_servers",
    "derived_from",
    "grid_of",
    "server_layers",
    "source_name",
    "source_remarks",
    "with_source_layer",
    "with_source_layers",
]


def source_name(layer: str) -> str:
    """The name of the source layer of a derived one."""
    return layer + SOURCE


def grid_of(layer: Layer) -> SourceGrid | None:
    """The grid of the source that a layer's tiles are derived from; None where they come as they are."""
    if layer.offer is None or layer.name.endswith(SOURCE):
        return None
    return layer.offer.grid


def derived_from(brief: Brief, plan: Plan) -> dict[str, SourceGrid]:
    """The layers of a plan whose tiles are derived, with the grids of their sources."""
    found = {name: grid_of(layer) for name, layer in brief.layers.items()}
    return {n: grid for n, grid in found.items() if grid is not None and plan.layers[n].tiles}


def server_layers(brief: Brief) -> dict[str, str]:
    """For each layer of a brief the one whose tiles come from its server: its source layer, or itself."""
    return {n: n if grid_of(layer) is None else source_name(n) for n, layer in brief.layers.items()}


def with_source_layer(brief: Brief, name: str) -> Brief:
    """The brief with the source layer of one of its derived layers added."""
    layer = brief.layers[name]
    grid = grid_of(layer)
    if grid is None:
        return brief
    return brief.model_copy(
        update={"layers": {**brief.layers, source_name(name): _source_layer(layer, grid)}}
    )


def with_source_layers(brief: Brief, plan: Plan) -> tuple[Brief, Plan]:
    """Brief and plan with the source layers added, behind all others; the same where there is none."""
    grids = derived_from(brief, plan)
    if not grids:
        return brief, plan
    layers = {source_name(n): _source_layer(brief.layers[n], grid) for n, grid in grids.items()}
    plans = {source_name(n): _source_plan(plan.layers[n], grid) for n, grid in grids.items()}
    return (
        brief.model_copy(update={"layers": {**brief.layers, **layers}}),
        replace(plan, layers=MappingProxyType({**plan.layers, **plans})),
    )


def asked_of_servers(brief: Brief, plan: Plan) -> tuple[Brief, Plan]:
    """Brief and plan with source layers in place of those that are derived from them: what servers are asked for."""
    wide_brief, wide_plan = with_source_layers(brief, plan)
    if wide_plan is plan:
        return brief, plan
    derived = derived_from(brief, plan)
    return (
        wide_brief.model_copy(
            update={"layers": {n: layer for n, layer in wide_brief.layers.items() if n not in derived}}
        ),
        replace(
            wide_plan,
            layers=MappingProxyType({n: one for n, one in wide_plan.layers.items() if n not in derived}),
        ),
    )


def source_remarks(brief: Brief, plan: Plan) -> list[str]:
    """A sentence for each derived layer: where its tiles come from, and at which zooms."""
    return [
        _remark(plan.layers[name], brief.layers[name], grid)
        for name, grid in derived_from(brief, plan).items()
    ]


def _remark(planned: LayerPlan, layer: Layer, grid: SourceGrid) -> str:
    asked = source_tiles(grid, planned.tiles, planned.tile_px)
    first, last = layer.zooms
    finer = max((area.beyond for area in planned.areas), default=0)
    where = f"{grid.crs} ({grid.name})" + (f', matrix set "{grid.identifier}"' if grid.identifier else "")
    rough = ""
    if grid.accuracy_m is not None and grid.accuracy_m > 1:
        rough = f" Positions are right to within about {grid.accuracy_m:.0f} m."
    lacks = ""
    if not is_installed():
        lacks = (
            " To make them, rasterio is needed, which is not installed here: pip install 'lastbar[pictures]'."
        )
    end = " Deeper zooms are not made: the source shows no more." if finer else ""
    return (
        f'Layer "{layer.name}" is asked for in {where}, not in Web Mercator. '
        f"Its {counted(len(planned.tiles), 'tile')} are made from {counted(len(asked), 'tile')} of that grid, which "
        f"are fetched and kept beside them. It can give zooms {first} to {last}.{end}{rough}{lacks}"
    )


def _source_layer(layer: Layer, grid: SourceGrid) -> Layer:
    assert layer.offer is not None
    kept = {key: getattr(layer, key) for key in type(layer).model_fields}
    kept |= {
        "name": source_name(layer.name),
        "zooms": (grid.matrices[0].zoom, grid.matrices[-1].zoom),
        "tile_size": grid.tile_px,
        "over": None,
    }
    return layer.offered(layer.offer, layer.asked, **kept)


def _source_plan(planned: LayerPlan, grid: SourceGrid) -> LayerPlan:
    areas = [_source_area(area, grid, planned.tile_px) for area in planned.areas]
    apart = planned.tiles - TileSet.union(area.tiles for area in planned.areas)  # such as a survey's samples
    tiles = TileSet.union([source_tiles(grid, apart, planned.tile_px), *(area.tiles for area in areas)])
    return LayerPlan(source_name(planned.name), tiles, tuple(areas), grid.tile_px)


def _source_area(area: AreaPlan, grid: SourceGrid, tile_px: int) -> AreaPlan:
    """As far as the order of a fetch goes, the floor is the deepest matrix that tiles down to the floor are made of.
    The area's shape lies in the web's grid, so that its name is none that a shape has."""
    tiles = source_tiles(grid, area.tiles, tile_px)
    floor = None
    if area.floor is not None and (least := area.tiles.at(*range(area.floor + 1))):
        floor = source_tiles(grid, least, tile_px).zooms[-1]
    name = area.name if area.name == OVERVIEW else source_name(area.name)
    nothing = TileSet()
    deepest = tiles.zooms[-1] if tiles else 0
    return replace(
        area,
        name=name,
        deepest=deepest,
        tiles=tiles,
        beyond=0,
        floor=floor,
        unoffered=nothing,
        elsewhere=nothing,
    )
