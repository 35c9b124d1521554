"""How deep a set of tiles goes all over some ground: the zoom that each place of it holds.

A place holds the deepest zoom whose tile with the place in it is there. Places are the squares of the deepest zoom of
a cover; a coarser tile is looked at for those of them alone that lie in it. Pure set algebra on sorted boundaries:
ten million tiles take some hundredths of a second.
"""

from __future__ import annotations

from collections.abc import Mapping

from packer.geometry.tileset import TileSet

__all__ = ["depth_held", "places_below", "short_of"]


def short_of(cover: TileSet, stored: TileSet) -> dict[int, TileSet]:
    """For each zoom of an area's tiles, those with a place in them that holds less than this zoom.

    `cover` has with each tile those of its ancestors that are at its zooms, as a pyramid has.
    """
    short: dict[int, TileSet] = {}
    if not (bare := cover - stored):
        return dict.fromkeys(cover.zooms, bare)
    deeper = None
    for zoom in reversed(cover.zooms):
        here = bare.at(zoom)
        if deeper is not None:
            here = here & deeper.parents(zoom + 1)
        short[zoom] = deeper = here
    return short


def places_below(short: Mapping[int, TileSet], floor: int) -> TileSet:
    """The places, as tiles of the deepest zoom, that hold less than a zoom; `short` is as `short_of` gives it."""
    zooms = [zoom for zoom in sorted(short) if zoom >= floor]
    if not zooms:
        return TileSet()
    found = short[zooms[0]]
    for zoom in zooms[1:]:
        found = found.children(zoom - 1) & short[zoom]
    return found


def depth_held(own: TileSet, short: Mapping[int, TileSet]) -> int | None:
    """The deepest zoom that all places hold, no deeper than the tiles of `own` go; None if there is none.

    `short` is as `short_of` gives it.
    """
    end = max(own.zooms, default=-1)
    return max((zoom for zoom, tiles in short.items() if zoom <= end and not tiles), default=None)
