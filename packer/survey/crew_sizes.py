"""What each crew's files will take beside the budget of its card, while there is still time to change the plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from packer.geometry.tileset import TileSet
from packer.planning.brief import OVERVIEW, Brief, Crew
from packer.planning.plan import LayerPlan, Plan
from packer.survey.estimate import OVERHEAD, Bytes, LayerSizes, estimate_layer, total

__all__ = ["CrewSize", "crew_sizes"]


@dataclass(frozen=True, slots=True)
class CrewSize:
    """One crew's share: its tiles, the bytes of its files, and what its card takes (None for no limit)."""

    name: str
    tiles: int
    bytes: Bytes
    budget: int | None

    @property
    def over(self) -> float:
        """Bytes by which the expected size is over the budget; 0 where it is not."""
        return 0.0 if self.budget is None else max(self.bytes.expected - self.budget, 0.0)

    @property
    def may_be_over(self) -> bool:
        """Whether the upper bound is over the budget."""
        return self.budget is not None and self.bytes.high > self.budget

    def to_dict(self) -> dict[str, Any]:
        """One plain document; sizes in bytes."""
        return {
            "name": self.name,
            "tiles": self.tiles,
            "bytes": self.bytes.to_dict(),
            "budget": self.budget,
            "over": round(self.over),
            "may_be_over": self.may_be_over,
        }


def crew_sizes(brief: Brief, plan: Plan, sizes: Mapping[str, LayerSizes]) -> tuple[CrewSize, ...]:
    """The share of every crew of the brief, in its order; `sizes` is what is known of each layer.

    A crew gets its areas and the overview of its layers, as at handover. Pure.
    """
    return tuple(_size(crew, plan, sizes) for crew in brief.crews)


def _size(crew: Crew, plan: Plan, sizes: Mapping[str, LayerSizes]) -> CrewSize:
    count, parts = 0, []
    for name, layer in plan.layers.items():
        if crew.layers is None or name in crew.layers:
            tiles = _tiles(layer, crew.areas)
            count += len(tiles)
            parts.append(estimate_layer(tiles, sizes.get(name, LayerSizes())).bytes)
    body = total(parts)
    files = Bytes(body.expected * OVERHEAD, body.low * OVERHEAD, body.high * OVERHEAD, body.basis)
    return CrewSize(crew.name, count, files, crew.budget)


def _tiles(layer: LayerPlan, areas: tuple[str, ...] | None) -> TileSet:
    if areas is None:
        return layer.tiles
    kept = [area.tiles for area in layer.areas if area.name in areas]
    # An overview of nothing is of no use to a crew.
    return (
        TileSet.union([*kept, *(a.tiles for a in layer.areas if a.name == OVERVIEW)]) if kept else TileSet()
    )
