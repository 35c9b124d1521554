"""An area of a brief: one stretch of ground, and how deep its map goes."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import field_validator, model_validator

from packer.planning.brief_layer import Table
from packer.planning.brief_values import (
    Box,
    Columns,
    Depths,
    FileOrLine,
    FileOrRing,
    LayerNames,
    Names,
    Position,
    Priority,
    Reach,
    Switch,
    Text,
    one_of,
)

__all__ = ["FLOOR", "OVERVIEW", "USES", "Area"]

USES = {"on foot": 18, "trail": 17, "road": 15}  # common practice, no source
FLOOR = 12  # the zoom that every place has to reach where neither at-least nor an overview says so
OVERVIEW = "overview"  # the name under which the coarse block stands beside the areas


class Area(Table):
    """One stretch of ground and how deep its map goes. Just one of the five shapes is set; `keep` says that nothing is
    ever proposed that would cut it."""

    name: Text
    line: FileOrLine | None = None
    point: Position | None = None
    points: Text | None = None
    box: Box | None = None
    polygon: FileOrRing | None = None
    feature: Names | None = None
    columns: Columns | None = None
    half_width: Reach | None = None
    radius: Reach | None = None
    deepest: Depths | None = None
    at_least: Depths | None = None
    priority: Priority | None = None
    use: Annotated[Literal["on foot", "trail", "road"] | None, one_of(*USES)] = None
    layers: LayerNames | None = None
    keep: Switch = False

    @field_validator("name")
    @classmethod
    def _not_taken(cls, value: str) -> str:
        if value.strip().lower() == OVERVIEW:
            raise ValueError("that name is taken by the coarse block around everything; choose another")
        return value

    @model_validator(mode="after")
    def _one_shape(self) -> Area:
        shapes = [k for k in ("line", "point", "points", "box", "polygon") if getattr(self, k) is not None]
        if len(shapes) != 1:
            found = f"found {' and '.join(shapes)}" if shapes else "found none"
            raise ValueError(f"exactly one of line, point, points, box and polygon is needed; {found}")
        self._check_reach(shapes[0])
        for key in ("feature", "columns"):
            if getattr(self, key) is not None and self.file is None:
                raise ValueError(f"{key} does not go with {shapes[0]}; it chooses what of a file is used")
        if (self.deepest is None) == (self.use is None):
            raise ValueError(
                "the depth is needed exactly once: deepest = 17, or deepest = { aerial = 17, relief = 14 }, or "
                'use = "on foot", "trail" or "road"'
            )
        return self

    def _check_reach(self, shape: str) -> None:
        needed = {"line": "half-width", "point": "radius", "points": "radius"}.get(shape)
        for key, value in (("half-width", self.half_width), ("radius", self.radius)):
            if key == needed and value is None:
                raise ValueError(f'{key} is missing; {shape} needs it. Write {key} = "250 m"')
            if key != needed and value is not None:
                instead = f"; write {needed} instead" if needed else "; leave it out"
                raise ValueError(f"{key} does not go with {shape}{instead}")

    @property
    def deepest_zoom(self) -> int:
        """The deepest zoom asked of any layer, whether given outright or by the crew's use."""
        if isinstance(self.deepest, dict):
            return max(self.deepest.values())
        return USES[self.use or "road"] if self.deepest is None else self.deepest

    def uses(self, layer: str) -> bool:
        """Whether a layer of the brief is meant for this area."""
        return self.layers is None or layer in self.layers

    def deepest_for(self, layer: str) -> int:
        """The deepest zoom asked of a layer that the area uses."""
        return self.deepest[layer] if isinstance(self.deepest, dict) else self.deepest_zoom

    def least_for(self, layer: str) -> int | None:
        """The zoom that every place has to reach on a layer, as at-least says; None where it says nothing of it."""
        return self.at_least.get(layer) if isinstance(self.at_least, dict) else self.at_least

    @property
    def file(self) -> str | None:
        """The shape file that the area names, as written, if any."""
        named = self.line or self.points or self.polygon
        return named if isinstance(named, str) else None
