"""Which tiles of a plan a server offers, by the bounds and limits of its description."""

from __future__ import annotations

import numpy as np

from packer.geometry.cover import cover_box
from packer.geometry.grid import latitude_at
from packer.geometry.source_tiles import with_source
from packer.geometry.tileset import TileSet
from packer.sources.offer import Offer, TileLimits

__all__ = ["offered_tiles"]


def offered_tiles(offer: Offer, tiles: TileSet, tile_px: int = 256) -> TileSet:
    """Those of the tiles that the offer has. Its bounds are cut to the tiles' own rows first, since a box may be
    the world and the rows of a deep zoom are millions. Of a source with a grid of its own a tile is on offer if any of
    its ground is; `tile_px` is the side of such a tile."""
    kept = []
    for zoom in tiles.zooms:
        some = tiles.at(zoom)
        _, top, _, bottom = tiles.extent(zoom)
        if offer.bounds is not None:
            north = min(offer.bounds.north, float(latitude_at(top / (1 << zoom))))
            south = max(offer.bounds.south, float(latitude_at((bottom + 1) / (1 << zoom))))
            box = offer.bounds._replace(south=south, north=north)
            some = some & cover_box(box, zoom) if south <= north else TileSet()
        if offer.limits is not None:
            some = some & _block(zoom, offer.limits.get(zoom), top, bottom)
        if offer.grid is not None and some:
            some = with_source(offer.grid, some, tile_px)
        kept.append(some)
    return TileSet.union(kept)


def _block(zoom: int, window: TileLimits | None, top: int, bottom: int) -> TileSet:
    if window is None or (top := max(top, window.top)) > (bottom := min(bottom, window.bottom)):
        return TileSet()
    rows = np.arange(top, bottom + 1, dtype=np.int64)
    return TileSet.from_runs(zoom, rows, np.full(rows.size, window.first), np.full(rows.size, window.last))
