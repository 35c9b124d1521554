"""Which tiles to sample next, where the first samples leave a depth undecided: those that should show most.

Plain ground, night and water tell nothing of depth, at whatever zoom. So the next places are those where the coarser
tiles that were sampled show most contrast. Each is looked at in every zoom that is still open. Pure.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping

from packer.geometry.tileset import Tile, TileSet
from packer.planning.plan import AreaPlan
from packer.survey.evidence import Judged, open_zooms
from packer.survey.imagery.contrast import Cell, cells

__all__ = ["Contrasts", "next_samples"]

_PLACES = 8  # a round: enough to end most, few enough that what they show guides the next


class Contrasts:
    """The cells of sampled tiles by contrast, each tile looked at once."""

    def __init__(self, body: Callable[[Tile], bytes | None]) -> None:
        self._body = body
        self._known: dict[tuple[Tile, int], list[Cell]] = {}

    def of(self, tile: Tile, deeper: int) -> list[Cell]:
        """The cells of a tile's ground `deeper` zooms down, those with most contrast first."""
        if (tile, deeper) not in self._known:
            body = self._body(tile)
            self._known[tile, deeper] = [] if body is None else cells(body, deeper)
        return self._known[tile, deeper]


def next_samples(
    areas: Collection[AreaPlan], judged: Mapping[Tile, Judged], contrasts: Contrasts, room: int
) -> list[Tile]:
    """At most `room` tiles to sample next for the areas of one layer, in order; none where nothing is open any more, or
    where every place worth it has been looked at.

    Equal samples give equal choices.
    """
    chosen: dict[Tile, None] = {}
    wanted = [(area, zooms) for area in areas if (zooms := _open(area, judged))]
    for area, zooms in wanted:
        share = max(_PLACES // len(wanted), 1)
        for place in _places(area, zooms, judged, contrasts):
            above = (Tile(z, place.x >> place.zoom - z, place.y >> place.zoom - z) for z in zooms)
            fresh = [t for t in above if t in area.tiles and t not in judged and t not in chosen]
            if fresh and len(chosen) + len(fresh) <= room:
                chosen.update(dict.fromkeys(fresh))
                share -= 1
            if not share:
                break
    return sorted(chosen)


def _open(area: AreaPlan, judged: Mapping[Tile, Judged]) -> range:
    inside = {tile: one for tile, one in judged.items() if tile in area.tiles}
    return open_zooms(inside, area.tiles.by_zoom(), area.deepest)


def _places(area: AreaPlan, zooms: range, judged: Mapping[Tile, Judged], contrasts: Contrasts) -> list[Tile]:
    """Tiles of the deepest open zoom that were not sampled, the most promising first, no two close by each other."""
    deepest = zooms[-1]
    ground, found = area.tiles.at(deepest), []
    for tile in judged:
        if tile.zoom < deepest and tile in area.tiles:
            best = _best(tile, deepest, ground, judged, contrasts)
            if best is not None:
                found.append(best)
    seen = {_around(tile) for tile in judged if tile.zoom == deepest}
    apart: dict[Tile, Tile] = {}
    # Where nothing is known yet comes first: what is plain there is plain next to it as well.
    for _, place in sorted(found, key=lambda each: (_around(each[1]) in seen, -each[0], each[1])):
        apart.setdefault(_around(place), place)
    return list(apart.values())


def _around(tile: Tile) -> Tile:
    """The ground of 4 × 4 tiles that a tile lies in."""
    return Tile(max(tile.zoom - 2, 0), tile.x >> 2, tile.y >> 2)


def _best(
    tile: Tile, deepest: int, ground: TileSet, judged: Mapping[Tile, Judged], contrasts: Contrasts
) -> tuple[float, Tile] | None:
    """The contrast of a sampled tile's best cell that is not sampled yet, and the tile in the middle of it."""
    deeper = deepest - tile.zoom
    for cell in contrasts.of(tile, deeper):
        side = (1 << deeper) // cell.grid
        x = (tile.x << deeper) + cell.column * side + side // 2
        y = (tile.y << deeper) + cell.row * side + side // 2
        place = Tile(deepest, x, y)
        if cell.contrast > 0 and place in ground and place not in judged:
            return cell.contrast, place
    return None
