"""Who gets what: the share of a plan that goes to one crew, or to every device where there are no crews."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from unicodedata import normalize

from packer.errors import BriefError, InputError
from packer.geometry.tileset import TileSet
from packer.handover.manifest import RESERVED
from packer.planning.brief import Brief
from packer.planning.layer_names import names_a_device
from packer.planning.plan import OVERVIEW, LayerPlan, Plan

__all__ = ["CrewShare", "DeviceCrew", "crews_of", "folder_name", "shares"]


@dataclass(frozen=True, slots=True)
class DeviceCrew:
    """People who leave with a device of their own: `areas` and `layers` None stand for all of them.

    `budget_bytes` is what the crew's files may take together, None for no limit.
    """

    name: str
    areas: tuple[str, ...] | None = None
    layers: tuple[str, ...] | None = None
    budget_bytes: int | None = None


def crews_of(brief: Brief, names: Collection[str] | None = None) -> list[DeviceCrew]:
    """The crews of the brief, or those of them that are named. Raises InputError for a name that none of them has."""
    every = [DeviceCrew(c.name, c.areas, c.layers, c.budget) for c in brief.crews]
    for name in names or ():
        if name not in {crew.name for crew in every}:
            known = ", ".join(crew.name for crew in every) or "none"
            raise InputError(f"Crew {name}: the brief has no crew of that name. Its crews: {known}.")
    return [crew for crew in every if not names or crew.name in names]


@dataclass(frozen=True, slots=True)
class CrewShare:
    """What goes into one folder: for each layer the plan of the crew's areas and the overview.

    `crew` is None where the plan is handed over whole.
    """

    crew: DeviceCrew | None
    layers: Mapping[str, LayerPlan]

    @property
    def areas(self) -> tuple[str, ...]:
        """The names of the areas in it, the overview left out, in the order of the brief."""
        names = [a.name for layer in self.layers.values() for a in layer.areas if a.name != OVERVIEW]
        return tuple(dict.fromkeys(names))


def shares(plan: Plan, crews: Iterable[DeviceCrew]) -> list[CrewShare]:
    """The shares of the crews, or the one share of everything if there are no crews.

    Raises BriefError for a crew that names what the plan does not have, or that is left with nothing.
    """
    crews = list(crews)
    if not crews:
        return [CrewShare(None, {name: la for name, la in plan.layers.items() if _is_meant(la)})]
    seen: dict[str, str] = {}
    for crew in crews:
        twin = seen.setdefault(folder_name(crew.name).casefold(), crew.name)
        if twin != crew.name or sum(c.name == crew.name for c in crews) > 1:
            raise BriefError(
                f'Crews "{twin}" and "{crew.name}" would share one folder. Give each its own name.'
            )
    return [_share(plan, crew) for crew in crews]


def folder_name(crew: str) -> str:
    """The folder for a crew: its name, as far as every file system takes it. Raises BriefError if nothing is."""
    plain = re.sub(r"[^\w .-]", "-", normalize("NFC", crew)).strip(" .-")[:60].rstrip(" .-")
    if not plain:
        raise BriefError(
            f'Crew "{crew}" cannot be a folder name. Use letters and digits, for example "north team".'
        )
    if names_a_device(plain):
        raise BriefError(
            f'Crew "{crew}" cannot be a folder name, because Windows reserves "{plain}" for a device. Use '
            'another name, for example "north team".'
        )
    if plain.casefold() in RESERVED:
        raise BriefError(
            f'Crew "{crew}" cannot be a folder name, because a file of the handover has that name. Use another name, '
            'for example "north team".'
        )
    return plain


def _share(plan: Plan, crew: DeviceCrew) -> CrewShare:
    known = {area.name for layer in plan.layers.values() for area in layer.areas} - {OVERVIEW}
    for what, asked, there in (("area", crew.areas, known), ("layer", crew.layers, set(plan.layers))):
        unknown = [name for name in asked or () if name not in there]
        if unknown:
            raise BriefError(
                f'Crew "{crew.name}" names the {what} "{unknown[0]}", which the plan does not have. '
                f"It has {', '.join(sorted(there))}."
            )
    layers = {}
    for name, layer in plan.layers.items():
        if crew.layers is None or name in crew.layers:
            part = _of_areas(layer, crew.areas)
            if _is_meant(part):
                layers[name] = part
    if not any(layer.tiles for layer in layers.values()):
        raise BriefError(
            f'Crew "{crew.name}" would get no tile at all: none of its layers covers any of its areas. '
            "Compare its areas and layers with lastbar plan."
        )
    return CrewShare(crew, layers)


def _is_meant(layer: LayerPlan) -> bool:
    """Whether a layer has a tile to hand over, or should have one: an area that gets none is below its floor."""
    return bool(layer.tiles) or any(area.floor is not None for area in layer.areas)


def _of_areas(layer: LayerPlan, areas: tuple[str, ...] | None) -> LayerPlan:
    if areas is None:
        return layer
    kept = tuple(area for area in layer.areas if area.name == OVERVIEW or area.name in areas)
    if all(area.name == OVERVIEW for area in kept):
        kept = ()  # an overview of nothing is of no use to the crew
    return replace(layer, tiles=TileSet.union(area.tiles for area in kept), areas=kept)
