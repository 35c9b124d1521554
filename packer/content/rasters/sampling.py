"""A few tiles cut on trial: how large they are, and how long all of them will take."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from packer.content.payload import Kind
from packer.content.rasters.cutting import Cutter
from packer.content.rasters.encoding import encoded, is_whole
from packer.geometry.tileset import Tile, TileSet

__all__ = ["TrialCut", "try_cutting"]

_TILES, _LONGEST_S = 6, 3.0


@dataclass(frozen=True, slots=True)
class TrialCut:
    """What tiles take on average: bytes of one that shows anything, the share that do, and seconds for any of them."""

    tile_bytes: float
    shown: float
    tile_s: float


def try_cutting(
    cutter: Cutter,
    tiles: TileSet,
    kind: Kind,
    *,
    lossless: bool = False,
    now: Callable[[], float] = time.monotonic,
) -> TrialCut:
    """Cut some tiles of the deepest zoom of the set, spread evenly, for some seconds at most. Nothing is stored, and
    none is cut where a smaller copy would have to be made for it.

    Raises InputError where the picture is damaged.
    """
    zoom = tiles.zooms[-1]
    if cutter.needs_copy(zoom):
        return TrialCut(0.0, 0.0, 0.0)
    deepest = tiles.at(zoom)
    rows, first, last = deepest.run_arrays(zoom)
    picks = np.unique(np.linspace(0, len(rows) - 1, min(_TILES, len(rows))).round().astype(np.int64))
    began = now()
    looked = shown = size_bytes = 0
    for pick in picks.tolist():
        tile = Tile(zoom, int(first[pick] + last[pick]) // 2, int(rows[pick]))
        for block, found in cutter.cut(TileSet.from_tiles([tile])):
            looked += block.side**2
            shown += len(found)
            for pixels in found.values():
                form = kind if is_whole(pixels) or kind is not Kind.JPG else Kind.PNG
                size_bytes += len(encoded(pixels, form, lossless=lossless))
        if now() - began > _LONGEST_S:
            break
    return TrialCut(size_bytes / max(1, shown), shown / max(1, looked), (now() - began) / max(1, looked))
