"""The forms of a brief's values in JSON Schema (draft 2020-12), each with what may be written as its `$comment`.

A form takes whatever the model takes. It takes a little more where JSON Schema has no words for a rule: a length within
bounds, a box whose south is less than its north, names that stand elsewhere in the brief. Patterns use only what
ECMA-262 and Python have in common.
"""

from __future__ import annotations

import copy
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from pydantic import BeforeValidator, GetJsonSchemaHandler
from pydantic_core import CoreSchema

from packer.geometry.grid import MAX_LATITUDE, MAX_ZOOM

__all__ = [
    "ASCII_TEXT",
    "BUDGET",
    "COLUMNS",
    "COMMAND",
    "DAY",
    "DEPTHS",
    "DIMENSIONS",
    "HASHES",
    "HOSTS",
    "LAYER_NAMES",
    "LEAVING",
    "MOMENT",
    "NAMES",
    "PART",
    "POSITION",
    "PROSE",
    "RATE",
    "SERVICE_NAMES",
    "SUBDOMAINS",
    "SWITCH",
    "TEXT",
    "ZOOMS",
    "Check",
    "Form",
    "any_case",
    "box",
    "drawn",
    "headers",
    "layer_names_as_keys",
    "length",
    "whole_number",
    "words",
]

Form = dict[str, Any]

_CONTROL = r"\u0000-\u001f\u007f-\u009f"
_NUMBER = r"\s*[0-9]{1,15}(\.[0-9]{1,15})?\s*"
_POSITIVE = r"(?=[\s\S]*[1-9])"
_ASCII = r"-'*-\[\]-~"  # after a first character: printable ASCII without ( ) and \


@dataclass(frozen=True)
class Check(BeforeValidator):
    """A check of a value as TOML gave it, and the form that JSON Schema has for what passes."""

    form: Form = field(default_factory=dict)

    def __get_pydantic_json_schema__(self, _schema: CoreSchema, _handler: GetJsonSchemaHandler) -> Form:
        return copy.deepcopy(self.form)  # a key's own words are put in beside it

    def __hash__(self) -> int:
        return hash(self.func)


def any_case(words: Iterable[str]) -> str:
    """A pattern for some words of small letters, whatever their case is."""
    spelt = ("".join(f"[{c.upper()}{c}]" if c.isalpha() else c for c in word) for word in sorted(words))
    return f"({'|'.join(spelt)})"


def _array(items: Form, comment: str) -> Form:
    return {"type": "array", "items": items, "minItems": 1, "$comment": comment}


def _tuple(items: list[Form], comment: str) -> Form:
    count = len(items)
    return {
        "type": "array",
        "prefixItems": items,
        "minItems": count,
        "maxItems": count,
        "$comment": comment,
    }


def whole_number(low: int, high: int) -> Form:
    """A whole number within bounds, both included."""
    comment = f"a whole number from {low} to {high:,}, without quotes"
    return {"type": "integer", "minimum": low, "maximum": high, "$comment": comment}


def words(allowed: Iterable[object], comment: str) -> Form:
    """One of some words or numbers."""
    return {"enum": list(allowed), "$comment": comment}


def length(low_m: float, high_m: float) -> Form:
    """A length with its unit."""
    bounds = f"from {low_m:g} m to {high_m / 1000:g} km"
    return {
        "type": "string",
        "pattern": f"^{_POSITIVE if low_m > 0 else ''}{_NUMBER}(m|km|ft|mi)\\s*$",
        "$comment": f"a length with its unit (m, km, ft or mi), in quotes, {bounds}",
    }


_LONGEST_TEXT = 2000
TEXT: Form = {
    "type": "string",
    "maxLength": _LONGEST_TEXT,
    "pattern": rf"^[^{_CONTROL}]*[^{_CONTROL}\s][^{_CONTROL}]*$",
    "$comment": f"text in quotes, on one line, at most {_LONGEST_TEXT:,} characters",
}
ASCII_TEXT: Form = {
    "pattern": f"^[ {_ASCII}]*[!{_ASCII}][ {_ASCII}]*$",
    "$comment": r"text in quotes, plain ASCII without ( ) and \, on one line",
}
PROSE: Form = {
    "type": "string",
    "maxLength": _LONGEST_TEXT,
    "pattern": r"\S",
    "$comment": f"text in quotes, at most {_LONGEST_TEXT:,} characters",
}
_NOT_BLANK: Form = {"type": "string", "pattern": r"\S"}
DAY: Form = {"type": "string", "format": "date", "$comment": "a day, without quotes: year-month-day"}
LEAVING: Form = {
    "type": "string",
    "pattern": r"^[0-9]{4}-[0-9]{2}-[0-9]{2} [0-9]{2}:[0-9]{2}$",
    "$comment": "a day and a time of day, local, in quotes",
}
SWITCH: Form = {"type": "boolean", "$comment": "true or false, without quotes"}
PART: Form = {
    "type": "string",
    "pattern": "^([1-9][0-9]?|100) of ([1-9][0-9]?|100)$",
    "$comment": "a part and the number of parts, in quotes",
}
BUDGET: Form = {
    "type": "string",
    "pattern": f"^{_POSITIVE}{_NUMBER}(B|kB|KB|MB|GB|TB|KiB|MiB|GiB|TiB)\\s*$",
    "$comment": "a size with its unit, in quotes",
}
RATE: Form = {
    "type": "number",
    "exclusiveMinimum": 0,
    "maximum": 100_000,
    "$comment": "a number over 0 and up to 100,000, without quotes",
}
_ZOOM = {"type": "integer", "minimum": 0, "maximum": MAX_ZOOM}
DEPTHS: Form = {
    "anyOf": [_ZOOM, {"type": "object", "minProperties": 1, "additionalProperties": _ZOOM}],
    "$comment": f"a zoom from 0 to {MAX_ZOOM}, or one for each layer",
}
ZOOMS: Form = _tuple([_ZOOM, _ZOOM], f"the first and the last zoom, each from 0 to {MAX_ZOOM}")
HASHES: Form = _array(
    {"type": "string", "pattern": "^[0-9a-f]{64}$"},
    "a list of SHA-256 hashes, each 64 digits and letters a to f",
)
SUBDOMAINS: Form = _array({"type": "string", "pattern": "^[A-Za-z0-9-]{1,63}$"}, "a list of host names")
COMMAND: Form = _array(_NOT_BLANK, "a program and its arguments")
HOSTS: Form = _array(
    {"type": "string", "pattern": r"^(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9.-]{1,253})(:[0-9]{1,5})?$"},
    "a list of hosts, without http://, with a port if need be",
)
NAMES: Form = {
    "anyOf": [_NOT_BLANK, {"type": "array", "items": _NOT_BLANK, "minItems": 1}],
    "$comment": "a name in quotes, or a list of names",
}
SERVICE_NAMES: Form = {
    "anyOf": [TEXT, {"type": "array", "items": TEXT, "minItems": 1, "maxItems": 100}],
    "$comment": "a name in quotes, or a list of names",
}
MOMENT: Form = {
    "type": "string",
    "pattern": "^[0-9A-Za-z][0-9A-Za-z:.+_-]{0,39}$",
    "$comment": 'a day such as "2026-11-28", or "latest"',
}
DIMENSIONS: Form = {
    "type": "object",
    "minProperties": 1,
    "propertyNames": TEXT,
    "additionalProperties": TEXT,
    "$comment": "names and values in quotes",
}
LAYER_NAMES: Form = _array(_NOT_BLANK, "a list of names")
COLUMNS: Form = _tuple(
    [_NOT_BLANK, _NOT_BLANK], "the two headings: that of the longitude, that of the latitude"
)
_LON = {"type": "number", "minimum": -180, "maximum": 180}
_LAT = {"type": "number", "minimum": -MAX_LATITUDE, "maximum": MAX_LATITUDE}
POSITION: Form = _tuple([_LON, _LAT], "longitude, then latitude, in degrees with a decimal point")


def box() -> Form:
    """West, south, east and north."""
    comment = "[west, south, east, north] in degrees; a west over east goes across the antimeridian"
    return _tuple([_LON, _LAT, _LON, _LAT], comment)


def drawn(least: int, most: int) -> Form:
    """A file's name, or so many positions."""
    place = _tuple([_LON, _LAT], "longitude, then latitude")
    places = {"type": "array", "items": place, "minItems": least, "maxItems": most}
    comment = f"a file's name in quotes, or {least} to {most:,} positions, each [longitude, latitude]"
    return {"anyOf": [TEXT, places], "$comment": comment}


def headers(own: Iterable[str]) -> Form:
    """Header names with their values, but for those that Lastbar sets itself (in small letters)."""
    return {
        "type": "object",
        "propertyNames": {
            "pattern": r"^[!#$%&'*+.^_`|~0-9A-Za-z-]+$",
            "not": {"pattern": f"^({any_case(own)}$|[Ii][Ff]-)"},
        },
        "additionalProperties": {"type": "string", "pattern": "^[!-~]([ -~]*[!-~])?$"},
        "$comment": "names and values in quotes; ${NAME} stands for an environment variable",
    }


def layer_names_as_keys(devices: Iterable[str]) -> Form:
    """What the name in [layers.NAME] may be."""
    return {
        "pattern": "^[A-Za-z0-9]([A-Za-z0-9 _.-]{0,62}[A-Za-z0-9_-])?$",
        "not": {"pattern": f"^{any_case(n for n in devices if n.isascii())} *([.]|$)"},
    }
