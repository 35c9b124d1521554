"""An area of a brief: one stretch of ground, and how deep its map goes."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import ConfigDict, Field, field_validator, model_validator

from packer.planning.brief_forms import Form, any_case
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
_FILES = ("line", "points", "polygon")  # shapes that may come from a file
_SHAPES = ("line", "point", "points", "box", "polygon")
_RULES: Form = {
    "description": "One stretch of ground, and how deep its map goes.",
    "allOf": [
        {"oneOf": [{"required": [shape]} for shape in _SHAPES]},
        {"oneOf": [{"required": ["deepest"]}, {"required": ["use"]}]},
    ],
    "dependentRequired": {
        "line": ["half-width"],
        "point": ["radius"],
        "points": ["radius"],
        "half-width": ["line"],
    },
    "dependentSchemas": {
        "radius": {"anyOf": [{"required": ["point"]}, {"required": ["points"]}]},
        **{
            key: {"anyOf": [{"required": [s], "properties": {s: {"type": "string"}}} for s in _FILES]}
            for key in ("feature", "columns")
        },
    },
}


class Area(Table):
    """One stretch of ground and how deep its map goes. Just one of the five shapes is set; `keep` says that nothing is
    ever proposed that would cut it."""

    model_config = ConfigDict(json_schema_extra=_RULES)

    name: Text = Field(
        examples=["course"], json_schema_extra={"not": {"pattern": rf"^\s*{any_case([OVERVIEW])}\s*$"}}
    )
    """What the area is called, on every screen and card. It has to be there, and only once; "overview" is taken."""
    line: FileOrLine | None = Field(
        default=None, examples=["course.gpx", [[12.501, 47.102], [12.533, 47.118]]]
    )
    """A corridor along every track and route of a file, or along a drawn line; it needs `half-width`.
    Without it, the area has another shape."""
    point: Position | None = Field(default=None, examples=[[12.5012, 47.1023]])
    """The middle of a circle; it needs `radius`. Without it, the area has another shape."""
    points: Text | None = Field(default=None, examples=["course.gpx"])
    """A file with waypoints or points: a circle around each of them; it needs `radius`.
    Without it, the area has another shape."""
    box: Box | None = Field(default=None, examples=[[12.30, 47.00, 12.70, 47.25]])
    """A box along the lines of longitude and latitude. Without it, the area has another shape."""
    polygon: FileOrRing | None = Field(default=None, examples=["sectors.geojson"])
    """The polygons of a file, or the corners of a drawn outline. Without it, the area has another shape."""
    feature: Names | None = Field(default=None, examples=["Sector B3", ["Sector B3", "Sector B4"]])
    """Which features or folders of the file are meant, by name. Without it, all of the file is."""
    columns: Columns | None = Field(default=None, examples=[["lon", "lat"]])
    """The headings of the columns of longitude and latitude in a CSV file. Without it, usual names are looked for."""
    half_width: Reach | None = Field(default=None, examples=["250 m"])
    """How far the corridor reaches on either side of the line, in metres on the ground.
    Without it, the area cannot be a line."""
    radius: Reach | None = Field(default=None, examples=["2 km"])
    """The radius of the circle or circles, in metres on the ground.
    Without it, the area cannot be a point or points."""
    deepest: Depths | None = Field(default=None, examples=[17, {"aerial": 17, "relief": 14}])
    """The deepest zoom that the area asks for, on all layers or on each. All zooms from the layer's first come along.
    Without it, `use` has to be there."""
    at_least: Depths | None = Field(default=None, examples=[14, {"aerial": 14}])
    """The floor: without this zoom everywhere the map is NOT READY.
    Without it, the floor is the overview's `deepest`, or 12 where there is no overview."""
    priority: Priority | None = Field(default=None, examples=[1])
    """Which areas a fetch takes first: 1 before 2, and both before areas without one. All areas reach their floor
    before any goes deeper. Without it, the area comes after those that have one."""
    use: Annotated[Literal["on foot", "trail", "road"] | None, one_of(*USES)] = Field(
        default=None, examples=["on foot"]
    )
    """How the crew moves there, in place of `deepest`: on foot means zoom 18, trail 17, road 15 (common practice, no
    source). Without it, `deepest` has to be there."""
    layers: LayerNames | None = Field(default=None, examples=[["aerial"]])
    """The layers that the area uses, by name. Without it, it uses all layers."""
    keep: Switch = Field(default=False, examples=[True])
    """That no proposal of `lastbar plan --fit` or `lastbar survey` ever cuts this area.
    Without it, proposals may cut it."""

    @field_validator("name")
    @classmethod
    def _not_taken(cls, value: str) -> str:
        if value.strip().lower() == OVERVIEW:
            raise ValueError("that name is taken by the coarse block around everything; choose another")
        return value

    @model_validator(mode="after")
    def _one_shape(self) -> Area:
        shapes = [k for k in _SHAPES if getattr(self, k) is not None]
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
