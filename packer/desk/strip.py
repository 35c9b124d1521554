"""The depth strip: one place at each zoom of a layer, what the picture shows there, and what a zoom deeper costs."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Any

from packer.desk.figures import Planner
from packer.errors import AnswerError, InputError
from packer.geometry.grid import metres_per_pixel
from packer.geometry.tileset import Tile
from packer.planning.brief import Brief
from packer.planning.plan import Plan
from packer.survey.estimate import estimate_layer, seconds_for
from packer.survey.imagery import Sight, detail, detail_alone, look
from packer.survey.speed import AssumedSpeed

__all__ = ["cost_of", "judged", "row", "strip_zooms"]

_FIRST_ZOOM, _MOST_ZOOMS = 7, 14


def strip_zooms(zooms: tuple[int, int]) -> list[int]:
    """The zooms of a strip: those of the layer, the deepest fourteen of them, none coarser than a district."""
    first, last = zooms
    return list(range(max(first, min(_FIRST_ZOOM, last), last - _MOST_ZOOMS + 1), last + 1))


def judged(tile: Tile, body: bytes | None, parent: bytes | None) -> str:
    """The survey's verdict on one picture: native, enlarged, undecided, blank, dark, washed out, absent, or none."""
    if body is None:
        return "absent"
    try:
        seen = look(body)
        if seen.blank:
            return "blank"
        found = detail(body, parent, (tile.x & 1, tile.y & 1)) if parent is not None else detail_alone(body)
    except AnswerError:  # no picture, such as a vector tile
        return "none"
    if seen.sight is Sight.DARK and found.verdict != "native":
        return "dark"
    return found.verdict.value


async def cost_of(
    brief: Brief, plan: Plan, planner: Planner, layer: str, area: str, speed: AssumedSpeed | None
) -> Mapping[int, dict[str, Any]]:
    """What each zoom of an area adds in one layer, down to one zoom deeper than asked. Raises InputError for none.

    If cancelled: nothing is left behind.
    """
    return await asyncio.to_thread(_cost_of, brief, plan, planner, layer, area, speed)


def _cost_of(
    brief: Brief, plan: Plan, planner: Planner, layer: str, area: str, speed: AssumedSpeed | None
) -> Mapping[int, dict[str, Any]]:
    known = next((one for one in brief.areas if one.name == area), None)
    asked = plan.layers[layer]
    found = next((one for one in asked.areas if one.name == area), None)
    if known is None or found is None:
        raise InputError(f'Area "{area}" does not use layer "{layer}".')
    deeper = found.deepest + 1
    tiles = {zoom: found.tiles.at(zoom) for zoom in found.tiles.zooms}
    if deeper <= brief.layers[layer].zooms[1]:
        tiles[deeper] = planner.cover(brief, known, deeper).at(deeper)
    sizes = planner.sizes(brief, plan)[layer]
    speed = speed or planner.last_speed(brief)
    costs = {}
    for zoom, some in tiles.items():
        weighed = estimate_layer(some, sizes)
        rest = weighed.to_fetch.expected
        costs[zoom] = {
            "tiles": len(some),
            "bytes": weighed.bytes.to_dict(),
            "seconds": None if speed is None else round(seconds_for(brief, {layer: weighed}, rest, speed), 1),
            "planned": zoom <= found.deepest,
        }
    return costs


def row(tile: Tile, lat: float, tile_px: int, verdict: str, source: str, why: str | None) -> dict[str, Any]:
    """One zoom of a strip as plain data."""
    return {
        "zoom": tile.zoom,
        "tile": str(tile),
        "metres_per_pixel": round(metres_per_pixel(tile.zoom, lat, tile_px), 3),
        "verdict": verdict,
        "from": source,
        "why": why,
    }
