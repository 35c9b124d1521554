"""Sample tiles for the report: one for each zoom, from places spread along the route."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from PIL import Image

from packer.content.damage import Damaged
from packer.content.decoding import opened_picture
from packer.errors import LastbarError
from packer.geometry.shapes import Corridor
from packer.geometry.tileset import Tile, TileSet
from packer.planning.plan import Plan, lines_of
from packer.proof.results import LayerFindings
from packer.store.reader import TileReader, tile_at

__all__ = ["Sample", "samples"]

_SIDE_PX = 192
_PLACES = 60


@dataclass(frozen=True, slots=True)
class Sample:
    """A stored tile, as a JPEG of at most 192 pixels a side; `jpeg` is None where it is no picture."""

    tile: Tile
    jpeg: bytes | None


def samples(plan: Plan, layer: LayerFindings) -> Iterator[Sample]:
    """One tile for each zoom on board, coarse ones first. Reads the pack and never writes it."""
    reader = TileReader(layer.pack)
    places, zooms = _places(plan), layer.stored.zooms
    for number, zoom in enumerate(zooms):
        start = number * len(places) // len(zooms)
        tile = _tile(layer.stored, zoom, [*places[start:], *places[:start]])
        try:
            body = reader.body(tile)
        except LastbarError:
            continue  # found damaged, and named as such elsewhere in the report
        yield Sample(tile, _thumbnail(body) if body else None)


def _places(plan: Plan) -> list[tuple[float, float]]:
    """Positions along the lines of the plan, or in its areas where it has none."""
    lines = [line for shape in lines_of(plan).values() for line in shape.lines if len(line) > 1]
    if lines:
        points = np.concatenate(lines)
        pick = points[np.linspace(0, len(points) - 1, min(_PLACES, len(points))).astype(np.int64)]
        return [(float(lon), float(lat)) for lon, lat in pick]
    spots = [
        (float(line[0, 0]), float(line[0, 1]))
        for s in plan.shapes.values()
        if isinstance(s, Corridor)
        for line in s.lines[:_PLACES]
    ]
    return spots or [shape.middle for shape in plan.shapes.values()]


def _tile(stored: TileSet, zoom: int, places: list[tuple[float, float]]) -> Tile:
    for lon, lat in places:
        if (tile := tile_at(lon, lat, zoom)) in stored:
            return tile
    rows, first, _ = stored.run_arrays(zoom)
    return Tile(zoom, int(first[rows.size // 2]), int(rows[rows.size // 2]))


def _thumbnail(body: bytes) -> bytes | None:
    try:
        with opened_picture(body) as image:
            shown = image.convert("RGBA")
        shown.thumbnail((_SIDE_PX, _SIDE_PX), Image.Resampling.LANCZOS)
        ground = Image.new("RGB", shown.size, (255, 255, 255))
        ground.paste(shown, mask=shown.getchannel("A"))
        out = io.BytesIO()
        ground.save(out, "JPEG", quality=82)
        return out.getvalue()
    except Damaged:
        return None
