"""Do the tiles on board fit together? A few blocks of neighbours out of a pack are compared edge to edge."""

from __future__ import annotations

from dataclasses import dataclass

from packer.content.damage import Damaged
from packer.content.seams import Lie, how_they_lie
from packer.errors import StoreError
from packer.geometry.tileset import Tile, TileSet
from packer.store.reader import TileReader

__all__ = ["SeamMisfit", "misfit_on_board", "misfit_sentence"]

_FIRST_ZOOM = 8  # above it a region's tiles are too few, and sea
_MOST_BLOCKS, _OF_A_ZOOM, _LEAST_BLOCKS = 6, 2, 2


@dataclass(frozen=True, slots=True)
class SeamMisfit:
    """Neighbours in a pack fit only if tiles lie otherwise than they are stored. `at` is the first compared tile."""

    lie: Lie
    at: Tile
    blocks: int


def misfit_on_board(pack: TileReader) -> SeamMisfit | None:
    """How a pack's tiles would fit, if not as they are; None where they do, or where nothing tells.

    Reads at most 24 bodies. A pack that cannot be read tells nothing here.
    """
    try:
        corners = _corners(pack.facts().held)
        bodies = pack.bodies([tile for corner in corners for tile in _block(corner)])
        blocks = [bodies[start : start + 4] for start in range(0, len(bodies), 4)]
        whole = [[body for body in block if body is not None] for block in blocks]
        found = how_they_lie([block for block in whole if len(block) == 4])
    except (StoreError, Damaged):
        return None
    if found.lie in (None, Lie.AS_ASKED) or found.blocks < _LEAST_BLOCKS:
        return None
    assert found.lie is not None
    return SeamMisfit(found.lie, corners[0], found.blocks)


def misfit_sentence(layer: str, found: SeamMisfit) -> str:
    """What to tell the planner."""
    return (
        f'Layer "{layer}": neighbouring tiles do not fit together, as at {found.at}. They would with {found.lie} '
        f"({found.blocks} blocks of four tiles compared edge to edge), so the address is most likely wrong and the map "
        "shows the wrong ground. Look at it, change the address, and give the layer another name."
    )


def _corners(held: TileSet) -> list[Tile]:
    """The first tiles of blocks of four that are all held, two a zoom, from the deepest up."""
    found: list[Tile] = []
    for zoom in reversed([zoom for zoom in held.zooms if zoom >= _FIRST_ZOOM]):
        runs = list(held.at(zoom).runs())
        taken = 0
        for _, row, first, last in runs[len(runs) // 4 :]:
            corner = Tile(zoom, ((first + last) // 2) & ~1, row & ~1)
            if corner not in found and all(tile in held for tile in _block(corner)):
                found.append(corner)
                taken += 1
            if taken == _OF_A_ZOOM:
                break
        if len(found) >= _MOST_BLOCKS:
            break
    return found[:_MOST_BLOCKS]


def _block(corner: Tile) -> tuple[Tile, ...]:
    zoom, x, y = corner
    return corner, Tile(zoom, x + 1, y), Tile(zoom, x, y + 1), Tile(zoom, x + 1, y + 1)
