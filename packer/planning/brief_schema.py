"""The brief as a JSON Schema (draft 2020-12), for editors and for the reference of its keys; made from the model."""

from __future__ import annotations

import ast
import inspect
import itertools
import textwrap
from typing import Any

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from packer.planning.brief import Brief, Crew, Overview
from packer.planning.brief_area import Area
from packer.planning.brief_layer import Layer, Table, key_of
from packer.planning.collection import FROM

__all__ = ["DIALECT", "brief_schema"]

DIALECT = "https://json-schema.org/draft/2020-12/schema"
_FROM_FORM = {
    "description": "The name of a layer in your own collection, which `lastbar layers` lists. Its address and all "
    "else is taken from there; what stands here itself goes first. Without it, the layer is as it stands here.",
    "type": "string",
    "minLength": 1,
    "$comment": "text in quotes",
    "examples": ["aerial"],
}


_MODELS: tuple[type[Table], ...] = (Brief, Layer, Area, Overview, Crew)


class _TomlSchema(GenerateJsonSchema):
    """Without null, which TOML does not have, without titles made of names, and with defaults left to the words."""

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def field_title_should_be_set(self, schema: Any) -> bool:  # noqa: ARG002  # the signature of pydantic
        return False


def brief_schema() -> dict[str, Any]:
    """The schema as JSON has it. Days, which TOML writes without quotes, are texts of the format "date" in it."""
    made = Brief.model_json_schema(mode="validation", schema_generator=_TomlSchema)
    for model in _MODELS:
        table = made if model is Brief else made["$defs"][model.__name__]
        for key, text in _texts(model).items():
            table["properties"][key]["description"] = text
    _allow_kept(made["$defs"]["Layer"])
    return {"$schema": DIALECT, **made, "title": "A brief for Lastbar"}


def _texts(model: type[Table]) -> dict[str, str]:
    """What stands below each key of a model. It is read here, since with the model every command would wait for it."""
    (written,) = ast.parse(textwrap.dedent(inspect.getsource(model))).body
    assert isinstance(written, ast.ClassDef)
    return {
        key_of(field.target.id): inspect.cleandoc(text.value.value)
        for field, text in itertools.pairwise(written.body)
        if isinstance(field, ast.AnnAssign) and isinstance(field.target, ast.Name)
        if isinstance(text, ast.Expr)
        and isinstance(text.value, ast.Constant)
        and isinstance(text.value.value, str)
    }


def _allow_kept(layer: dict[str, Any]) -> None:
    """A layer that names one of the planner's collection needs nothing else: it is filled in before the model reads
    it."""
    needed = {key: layer.pop(key) for key in ("required", "oneOf", "dependentRequired")}
    layer["properties"] = {FROM: _FROM_FORM, **layer["properties"]}
    layer |= {"if": {"required": [FROM]}, "else": needed}
