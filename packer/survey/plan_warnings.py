"""Plans that look like a mistake. Common practice, no source."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from packer.geometry.shapes import Corridor
from packer.geometry.tileset import TileSet
from packer.planning.brief import OVERVIEW, Area, Brief
from packer.planning.plan import Plan, lines_of
from packer.planning.whereabouts import doubts

__all__ = ["warnings"]

_WIDE_M, _LONG_M = 500.0, 100_000.0  # a day on foot is far less than 100 km
_FOOT_ZOOM, _ROAD_ZOOM = 17, 15


def warnings(brief: Brief, plan: Plan) -> list[str]:
    """What in a plan is likely a mistake, as sentences with their figures. Common practice, no source."""
    if brief.part:  # whoever split the plan has seen the whole of it
        return []
    lines = lines_of(plan)
    found: list[str] = []
    for area in brief.areas:
        line = lines.get(area.name)
        if line is not None and line.length_m >= _LONG_M:
            found += _of_long_line(area, line, plan)
    return [*doubts(brief, plan), *found, *_of_shallow_plan(brief, plan, lines)]


def _of_long_line(area: Area, line: Corridor, plan: Plan) -> Iterator[str]:
    deep = TileSet.union(a.tiles for la in plan.layers.values() for a in la.areas if a.name == area.name)
    tiles = {zoom: n for zoom, n in deep.by_zoom().items() if zoom >= 18}
    if not tiles:
        return
    zoom, km = min(tiles), line.length_m / 1000
    if line.half_width_m > _WIDE_M:
        narrow = replace(line, half_width_m=_WIDE_M).tiles(zoom)
        yield (
            f'Area "{area.name}" is {line.half_width_m:,.0f} m wide on either side at zoom {zoom} over '
            f"{km:,.0f} km: {tiles[zoom]:,} tiles of a layer at that zoom. With {_WIDE_M:.0f} m it would be "
            f"{len(narrow):,}. A corridor that wide and deep takes long to fetch, and often fails."
        )
    above = sum(n for z, n in deep.by_zoom().items() if z > _ROAD_ZOOM)
    yield (
        f'Area "{area.name}" goes to zoom {max(tiles)} over {km:,.0f} km. A crew on roads needs only '
        f"14 to {_ROAD_ZOOM}; {above:,} of the area's {len(deep):,} tiles are deeper than that."
    )


def _of_shallow_plan(brief: Brief, plan: Plan, lines: Mapping[str, Corridor]) -> Iterator[str]:
    deepest: dict[str, int] = {}
    for asked in (a for la in plan.layers.values() for a in la.areas if a.name != OVERVIEW and a.tiles):
        deepest[asked.name] = max(asked.deepest, deepest.get(asked.name, 0))
    for area in brief.areas:
        if area.use in ("on foot", "trail") and deepest.get(area.name, _FOOT_ZOOM) < _FOOT_ZOOM:
            yield (
                f'Area "{area.name}" is for a crew on foot, but no layer goes deeper than zoom '
                f"{deepest[area.name]} there. Paths and single obstacles show at zoom 17 to 18."
            )
    by_road = all(
        a.use == "road" or (a.name in lines and lines[a.name].length_m >= _LONG_M) for a in brief.areas
    )
    told = any(area.use in ("on foot", "trail") for area in brief.areas)
    if deepest and max(deepest.values()) < _FOOT_ZOOM and not by_road and not told:
        tiles = sum(len(la.tiles) for la in plan.layers.values())
        yield (
            f"None of the {tiles:,} tiles is deeper than zoom {max(deepest.values())}. If anyone goes on foot, plan "
            "the ground they walk at zoom 17 to 18, as separate areas. Each zoom deeper takes about four times "
            "as many tiles."
        )
