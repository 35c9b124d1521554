"""What the practice survey has where: how deep its imagery goes, where it has nothing, and what was reflown.

All regions are blocks of whole tiles, so that each tile lies wholly inside or outside.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from packer.geometry.grid import LonLatBox, tile_bounds
from packer.practice.terrain import lattice_hash

__all__ = [
    "CHANGED_SHARE",
    "DEEPEST_IMAGERY",
    "LAST_ZOOM",
    "MISSING",
    "NO_DATA",
    "WEST",
    "WEST_IMAGERY",
    "Block",
    "edition",
    "imagery_zoom",
    "is_missing",
    "is_no_data",
]

LAST_ZOOM = 19  # tiles are served from zoom 0 to this one, in every layer
DEEPEST_IMAGERY = 18  # aerial tiles below this zoom are their ancestor enlarged
WEST_IMAGERY = 15  # the same for the west, flown from higher up


@dataclass(frozen=True, slots=True)
class Block:
    """The tiles from column `x0` to `x1` and row `y0` to `y1` of a zoom, ends included, and all below them."""

    zoom: int
    x0: int
    y0: int
    x1: int
    y1: int

    def holds(self, zoom: int, x: int, y: int) -> bool:
        """Whether a tile lies in the block; a tile above the block's own zoom never does."""
        down = zoom - self.zoom
        return down >= 0 and self.x0 <= x >> down <= self.x1 and self.y0 <= y >> down <= self.y1

    @property
    def bounds(self) -> LonLatBox:
        """The block in degrees."""
        first, last = tile_bounds(self.zoom, self.x0, self.y0), tile_bounds(self.zoom, self.x1, self.y1)
        return LonLatBox(first.west, last.south, last.east, first.north)


# The west of the basin, with Ostrel Spring: longitude 11.60 to 12.48, latitude 46.68 to 47.40.
WEST = Block(12, 2180, 1434, 2189, 1445)
# One and the same grey picture stands in the aerial layer here: twice on the Hallin slopes (sector B of the
# search), once far out in the north-east.
NO_DATA: tuple[Block, ...] = (
    Block(16, 35043, 23002, 35044, 23002),
    Block(16, 35041, 23005, 35041, 23006),
    Block(14, 8775, 5741, 8775, 5742),
)
# The aerial layer has nothing here and the answer is 404: south-east of the lake (a corner of sector C).
MISSING: tuple[Block, ...] = (Block(15, 17530, 11515, 17532, 11517),)

# Each revision of the survey replaces this share of the tiles of each layer, chosen by hash.
CHANGED_SHARE = 0.10


def imagery_zoom(x: int, y: int, zoom: int) -> int:
    """The deepest zoom at which there is imagery of its own where a tile lies."""
    return WEST_IMAGERY if WEST.holds(zoom, x, y) else DEEPEST_IMAGERY


def is_no_data(zoom: int, x: int, y: int) -> bool:
    """Whether the aerial layer shows its "no data" picture for a tile."""
    return any(block.holds(zoom, x, y) for block in NO_DATA)


def is_missing(zoom: int, x: int, y: int) -> bool:
    """Whether the aerial layer has no such tile at all."""
    return any(block.holds(zoom, x, y) for block in MISSING)


def edition(layer: str, zoom: int, x: int, y: int, revision: int) -> int:
    """The last revision, up to `revision`, that replaced a tile; 0 if none did.

    Each revision from 1 on replaces a tile with probability CHANGED_SHARE, by hash of the tile, the layer and
    the revision.
    """
    salt = 100_000 + 32 * sum(layer.encode()) + zoom
    row, column = np.array([y]), np.array([x])
    for number in range(revision, 0, -1):
        if float(lattice_hash(row, column, salt + 1_000_003 * number)[0, 0]) < CHANGED_SHARE * 2**32:
            return number
    return 0
