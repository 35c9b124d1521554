"""Is a handed-over copy of the plan of today? By its manifest alone, area by area; the files are another matter."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from packer.errors import BriefError
from packer.handover.crews import DeviceCrew, shares
from packer.handover.manifest import AreaEntry, Manifest
from packer.planning.brief import OVERVIEW, Brief
from packer.planning.brief_errors import quote_value
from packer.planning.plan import AreaPlan, LayerPlan, Plan, tiles_digest

__all__ = ["differences"]


def differences(manifest: Manifest, brief: Brief, plan: Plan) -> tuple[str, ...]:
    """What a copy would have otherwise if it were handed over today, a sentence each; none where it is up to date."""
    if manifest.rule != plan.rule:
        return ("It was made by another version, which chose tiles by another rule. Hand over again.",)
    if manifest.crew is None:
        if brief.crews:
            return ("It was handed over for everyone, and the brief now has crews.",)
        crews = []
    else:
        crews = [
            DeviceCrew(c.name, c.areas, c.layers, c.budget) for c in brief.crews if c.name == manifest.crew
        ]
        if not crews:
            return (f"The brief has no crew {quote_value(manifest.crew)} any more.",)
    try:
        (share,) = shares(plan, crews)
    except BriefError as fault:
        return (str(fault),)
    return tuple(dict.fromkeys(_differences(manifest, share.layers)))


def _differences(manifest: Manifest, layers: Mapping[str, LayerPlan]) -> Iterator[str]:
    then = {name: layer.areas for name, layer in manifest.layers.items()}
    for layer in manifest.layers.values():
        if layer.blended is not None:  # its file holds their pictures as well
            then |= layer.blended.areas
    for name in dict.fromkeys((*layers, *then)):
        if name not in then:
            yield f"Layer {quote_value(name)} is new."
        elif name not in layers:
            yield f"Layer {quote_value(name)} is not planned any more."
        else:
            yield from _layer_differences(name, then[name], layers[name])


def _layer_differences(layer: str, then: Sequence[AreaEntry], now: LayerPlan) -> Iterator[str]:
    was, areas = {area.name: area for area in then}, {area.name: area for area in now.areas}
    for name in dict.fromkeys((*areas, *was)):
        whose = "The overview" if name == OVERVIEW else f"Area {quote_value(name)}"
        if name not in was:
            yield f"{whose} is new on {layer}: {len(areas[name].tiles):,} tiles."
        elif name not in areas:
            yield f"{whose} is not planned on {layer} any more."
        elif text := _area_difference(was[name], areas[name]):
            yield f"{whose} has changed on {layer}: {text}."


def _area_difference(then: AreaEntry, now: AreaPlan) -> str:
    count = len(now.tiles)
    if then.planned_sha256 is None and then.tiles == count and then.deepest == now.deepest:
        return ""  # an older version's manifest says no more
    if then.planned_sha256 == tiles_digest(now.tiles):
        return ""
    depth = "" if then.deepest == now.deepest else f" and to zoom {now.deepest} instead of {then.deepest}"
    tiles = f"{count:,} planned tiles instead of {then.tiles:,}"
    return f"{tiles if count != then.tiles else f'as many planned tiles ({count:,}), but others'}{depth}"
