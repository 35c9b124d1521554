"""Several briefs fetched at once into one store: each tile once, for whoever leaves first.

Each brief is planned by itself. The joint plan has the areas of all of them, under names that say whose they are, so
that a run shows each on its own; the plan of a layer is the union. Nothing else is shared: verify, handover and the
report go by each brief's own plan.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from types import MappingProxyType

from packer.errors import BriefError
from packer.geometry.grid import LonLatBox
from packer.geometry.shapes import enclosing
from packer.geometry.tileset import TileSet
from packer.planning.brief import Brief, Layer
from packer.planning.brief_errors import quote_value
from packer.planning.plan import AreaPlan, LayerPlan, Plan

__all__ = ["joined"]

Planned = tuple[Brief, Plan]
_CAPS = ("connections", "requests_per_second", "tile_limit")


def joined(planned: Sequence[Planned], store: Path | None) -> Planned:
    """One brief and one plan for several, to be fetched into one store. Those that leave first are first in it, and
    those without a departure last. A single one is given back as it is.

    Raises BriefError where they keep their packs in different folders and `store` names none, where one is named
    twice, and where two mean different things by one layer, since it has one pack.
    """
    if len(planned) == 1:
        return planned[0]
    ordered = sorted(planned, key=lambda one: one[0].departs or datetime.max)
    _check_stores([brief for brief, _ in ordered], store)
    titles = _titles([brief for brief, _ in ordered])
    layers = _layers([brief for brief, _ in ordered])
    leaving = sorted({brief.departs or datetime.max for brief, _ in ordered})
    turns = [leaving.index(brief.departs or datetime.max) for brief, _ in ordered]
    plans = [
        _renamed(plan, title, turn) for (_, plan), title, turn in zip(ordered, titles, turns, strict=True)
    ]
    first = ordered[0][0]
    brief = first.model_copy(
        update={
            "title": "; ".join(titles),
            "contact": next((brief.contact for brief, _ in ordered if brief.contact), None),
            "max_pack_file": min((b.max_pack_file for b, _ in ordered if b.max_pack_file), default=None),
            "layers": layers,
            "part": None,
            "part_tiles": None,
            "crews": (),
        }
    )
    return brief, _plan(plans, layers, tuple(ordered))


def _check_stores(briefs: Sequence[Brief], store: Path | None) -> None:
    paths = Counter(brief.path.resolve() for brief in briefs)
    if twice := [path for path, count in paths.items() if count > 1]:
        raise BriefError(f"{twice[0]} is named twice. Name each brief once.")
    folders = list(dict.fromkeys(str(brief.store_folder.resolve()) for brief in briefs))
    if store is None and len(folders) > 1:
        raise BriefError(
            f"These briefs keep their packs in different folders: {', '.join(folders)}. Several briefs are fetched "
            "into one: name it with --store DIR, for verify and handover as well, or fetch them one after another."
        )


def _titles(briefs: Sequence[Brief]) -> list[str]:
    """What each is called, told apart by where it lies if two have one title."""
    count = Counter(brief.title for brief in briefs)
    return [b.title if count[b.title] == 1 else f"{b.title} ({b.path})" for b in briefs]


def _layers(briefs: Sequence[Brief]) -> dict[str, Layer]:
    """Every layer, with the lowest of the caps that the briefs state for it."""
    found: dict[str, tuple[Brief, Layer]] = {}
    for brief in briefs:
        for name, layer in brief.layers.items():
            if name not in found:
                found[name] = brief, layer
                continue
            other, before = found[name]
            caps = {key: _lower(getattr(before, key), getattr(layer, key)) for key in _CAPS}
            lowest = layer.model_copy(update=caps)
            if before.model_copy(update=caps) != lowest:
                raise BriefError(_differ(name, (other, before), (brief, layer)))
            found[name] = other, lowest
    return {name: layer for name, (_, layer) in found.items()}


def _lower(one: float | None, other: float | None) -> float | None:
    given = [cap for cap in (one, other) if cap is not None]
    return min(given) if given else None


def _differ(name: str, one: tuple[Brief, Layer], other: tuple[Brief, Layer]) -> str:
    keys = [
        key.replace("_", "-")
        for key in type(one[1]).model_fields
        if key not in _CAPS and getattr(one[1], key) != getattr(other[1], key)
    ]
    what = f": {', '.join(keys)}" if keys else ""
    return (
        f"Layer {quote_value(name)} is one thing in {one[0].path} and another in {other[0].path}{what}. A layer "
        "has one pack: give one of the two another name, or make them alike."
    )


def _renamed(plan: Plan, title: str, turn: int) -> Plan:
    """The plan with names of areas that say whose they are, and the place in the order of the briefs."""

    def name(area: str) -> str:
        return f"{title}: {area}"

    def area(one: AreaPlan) -> AreaPlan:
        return replace(one, name=name(one.name), turn=turn)

    layers = {n: replace(la, areas=tuple(map(area, la.areas))) for n, la in plan.layers.items()}
    return replace(
        plan,
        layers=MappingProxyType(layers),
        shapes=MappingProxyType({name(n): shape for n, shape in plan.shapes.items()}),
        sources=MappingProxyType({name(n): source for n, source in plan.sources.items()}),
        remarks=tuple(f"{title}: {remark}" for remark in plan.remarks),
    )


def _running_east(box: LonLatBox) -> LonLatBox:
    return box._replace(east=box.east + 360) if box.west > box.east else box


def _plan(plans: Sequence[Plan], layers: dict[str, Layer], members: tuple[Planned, ...]) -> Plan:
    whole: dict[str, LayerPlan] = {}
    for name in layers:
        some = [plan.layers[name] for plan in plans if name in plan.layers]
        areas = tuple(area for one in some for area in one.areas)
        whole[name] = replace(some[0], tiles=TileSet.union(one.tiles for one in some), areas=areas)
    return replace(
        plans[0],
        layers=MappingProxyType(whole),
        shapes=MappingProxyType({n: shape for plan in plans for n, shape in plan.shapes.items()}),
        bounds=enclosing([_running_east(plan.bounds) for plan in plans]),
        remarks=tuple(remark for plan in plans for remark in plan.remarks),
        sources=MappingProxyType({n: source for plan in plans for n, source in plan.sources.items()}),
        members=members,
    )
