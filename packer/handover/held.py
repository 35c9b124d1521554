"""How deep a copy is, area by area: of what goes onto it, not of what was asked for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from packer.errors import LastbarError
from packer.geometry.tileset import TileSet
from packer.handover.drafting import CopyDraft, LayerDraft
from packer.planning.plan import Plan
from packer.proof.depth_words import below_text, depth_text, floor_reasons
from packer.proof.depths import AreaDepth, Holdings, WaypointDepth, area_depths, waypoint_depths
from packer.proof.walk import LineWalk, walk

__all__ = ["CopyDepths", "depths_of", "refuse_below_floor"]

_NAMED = 8


@dataclass(frozen=True, slots=True)
class CopyDepths:
    """The depths of a copy's areas and waypoints, and the walk along its lines where an area is below its floor."""

    areas: tuple[AreaDepth, ...]
    waypoints: tuple[WaypointDepth, ...]
    walks: tuple[LineWalk, ...]

    @property
    def reasons(self) -> tuple[str, ...]:
        """A sentence for each area that does not reach its floor, or has waypoints that are not reached."""
        return tuple(floor_reasons(self.areas, self.waypoints, self.walks))

    def words(self, depth: AreaDepth) -> tuple[str, str]:
        """How deep an area is, and where it is below its floor, "" if nowhere."""
        return depth_text(depth), below_text(depth, self.waypoints, self.walks)


def depths_of(
    plan: Plan, layers: Mapping[str, LayerDraft], damaged: Mapping[str, TileSet] | None = None
) -> CopyDepths:
    """The depths of a copy with these layers, of which the tiles in `damaged` are left out."""
    own = replace(plan, layers={name: layer.plan for name, layer in layers.items()})
    ground = {name: _ground(layer, (damaged or {}).get(name, TileSet())) for name, layer in layers.items()}
    areas = area_depths(own, ground)
    short = not all(depth.reaches_floor for depth in areas)
    return CopyDepths(areas, waypoint_depths(own, ground), walk(own, ground) if short else ())


def _ground(layer: LayerDraft, corrupt: TileSet) -> Holdings:
    stored = layer.held - corrupt
    return Holdings(stored, layer.missing, layer.absent, corrupt, partial=stored & layer.partial)


def refuse_below_floor(plan: Plan, copies: Sequence[CopyDraft], again: str, allow_gaps: bool) -> None:
    """Raise LastbarError if some place of a copy does not reach its floor; `again` is the command that asks the
    servers once more for what they did not have."""
    if allow_gaps:
        return
    reasons = list(dict.fromkeys(r for copy in copies for r in depths_of(plan, copy.layers).reasons))
    if not reasons:
        return
    more = [f"and {len(reasons) - _NAMED:,} more"] if len(reasons) > _NAMED else []
    listed = "\n- ".join([*reasons[:_NAMED], *more])
    raise LastbarError(
        f"The map is not deep enough, so nothing was handed over:\n- {listed}\nCheck the layer's address and the depth "
        f"that its server has, ask it once more ({again}), or lower at-least in the brief. Or hand over what there is "
        "with --allow-gaps; the card then says what is missing."
    )
