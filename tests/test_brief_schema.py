"""The JSON Schema of the brief, and the reference made from it, held to the model and to the jsonschema library.

Sources: JSON Schema draft 2020-12 by its own metaschema, as the library carries it.
"""

from __future__ import annotations

import ast
import json
import re
import tomllib
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Annotated, Any

import pytest
import typer
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from pydantic import BaseModel, TypeAdapter, ValidationError

from packer.cli.briefless_commands import schema
from packer.errors import BriefError
from packer.planning.brief import Area, Brief, Crew, Layer, Overview
from packer.planning.brief_layer import key_of
from packer.planning.brief_schema import DIALECT, brief_schema
from packer.practice.place import brief_text
from scripts.brief_reference import OUTPUT, reference
from tests.budgets import tries

ROOT = Path(__file__).parent.parent
SCHEMA = brief_schema()
VALIDATOR = Draft202012Validator(SCHEMA)
TABLES: tuple[type[BaseModel], ...] = (Brief, Layer, Area, Overview, Crew)
FORMS = {
    (table, name): (SCHEMA if table is Brief else SCHEMA["$defs"][table.__name__])["properties"][key_of(name)]
    for table in TABLES
    for name in table.model_fields
    if (table, name) != (Layer, "name")
}
KEYS = {key: Draft202012Validator({**form, "$defs": SCHEMA["$defs"]}) for key, form in FORMS.items()}


def adapter(table: type[BaseModel], name: str) -> TypeAdapter[Any]:
    """What checks one key's value by itself."""
    field = table.model_fields[name]
    marks = (*field.metadata, *([field.discriminator] if field.discriminator else []))
    return TypeAdapter(Annotated[field.annotation, *marks] if marks else field.annotation)  # type: ignore[arg-type]


ADAPTERS = {key: adapter(*key) for key in FORMS}
FIELDS = [pytest.param(table, name, id=f"{table.__name__}.{name}") for table, name in FORMS]
BASE = """
title = "Trip"
[layers.aerial]
url = "https://tiles.example.org/{z}/{x}/{y}.png"
attribution = "Example Survey"
permission = "Own server"
zooms = [0, 19]
[[areas]]
name = "camp"
point = [12.5, 47.1]
radius = "2 km"
deepest = 14
"""


def as_json(value: Any) -> Any:
    """What an editor hands to a schema: days are texts of the format "date"."""
    if isinstance(value, dict):
        return {key: as_json(one) for key, one in value.items()}
    if isinstance(value, list):
        return [as_json(one) for one in value]
    return value.isoformat() if isinstance(value, date) else value


def in_the_schema(text: str) -> bool:
    return bool(VALIDATOR.is_valid(as_json(tomllib.loads(text))))


def in_the_model(text: str) -> bool:
    try:
        Brief.from_text(text)
    except BriefError:
        return False
    return True


def texts_in(path: Path) -> Iterator[str]:
    """Every text of a Python file that has the look of a brief, with an address where one is filled in later."""
    text = path.read_text(encoding="utf-8")
    for node in ast.walk(ast.parse(text if "\n[layers." in text else "")):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and "\n[layers." in node.value:
            yield re.sub(r'"\{\w*url\}', '"http://127.0.0.1:9/{z}/{x}/{y}.png', node.value)


def test_the_schema_is_valid_by_the_metaschema_of_its_dialect() -> None:
    assert SCHEMA["$schema"] == DIALECT == Draft202012Validator.META_SCHEMA["$id"]
    Draft202012Validator.check_schema(SCHEMA)


def test_the_command_prints_the_schema_as_one_document(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(typer.Exit) as ended:
        schema()
    assert ended.value.exit_code == 0
    assert json.loads(capsys.readouterr().out) == json.loads(json.dumps(SCHEMA))


def test_the_briefs_of_readme_and_practice_place_fit_the_schema() -> None:
    (shown,) = re.findall(r"```toml\n(.*?)```", (ROOT / "README.md").read_text("utf-8"), re.DOTALL)
    for text in (shown, brief_text("http://127.0.0.1:8123"), BASE):
        assert list(VALIDATOR.iter_errors(as_json(tomllib.loads(text)))) == []
        assert in_the_model(text)


def test_every_brief_in_the_tests_that_the_model_takes_fits_the_schema() -> None:
    taken = 0
    for path in sorted((ROOT / "tests").glob("*.py")):
        for text in texts_in(path):
            if in_the_model(text):
                taken += 1
                assert in_the_schema(text), (path.name, text)
    assert taken >= 8


WRONG = {
    "an unknown key": ("deepest = 14", "deepest = 14\ndepth = 3"),
    "a key with an underscore": ('radius = "2 km"', 'line = "a.gpx"\nhalf_width = "2 km"'),
    "no title": ('title = "Trip"', ""),
    "a title that is a number": ('"Trip"', "7"),
    "an empty title": ('"Trip"', '"  "'),
    "a title of two lines": ('"Trip"', '"a\\nb"'),
    "a title that is too long": ('"Trip"', f'"{"a" * 2001}"'),
    "a contact outside ASCII": ('title = "Trip"', 'title = "Trip"\ncontact = "über@example.org"'),
    "a contact with brackets": ('title = "Trip"', 'title = "Trip"\ncontact = "(me)"'),
    "a folder that is no text": ('title = "Trip"', 'title = "Trip"\nstore = 3'),
    "no layer": (BASE[BASE.index("[layers") : BASE.index("[[areas")], "layers = {}\n"),
    "a layer's name that is no file name": ("[layers.aerial]", '[layers."a/b"]'),
    "a layer's name that ends in a dot": ("[layers.aerial]", '[layers."a."]'),
    "a layer's name that is a device": ("[layers.aerial]", "[layers.Con]"),
    "a layer's name given again": ('permission = "Own', 'name = "aerial"\npermission = "Own'),
    "two addresses": ("zooms =", 'tilejson = "https://tiles.example.org/a.json"\nzooms ='),
    "no address": ('url = "https://tiles.example.org/{z}/{x}/{y}.png"', ""),
    "no attribution": ('attribution = "Example Survey"', ""),
    "no permission": ('permission = "Own server"', ""),
    "no zooms": ("zooms = [0, 19]", ""),
    "zooms too deep": ("[0, 19]", "[0, 25]"),
    "one zoom": ("[0, 19]", "[19]"),
    "zooms that are true": ("[0, 19]", "[false, true]"),
    "a WMTS layer without WMTS": ("zooms =", 'wmts-layer = "a"\nzooms ='),
    "tile hosts with a scheme": ("zooms =", 'tile-hosts = ["https://a.example.org"]\nzooms ='),
    "a side that no tile has": ("zooms =", "tile-size = 300\nzooms ="),
    "no connection": ("zooms =", "connections = 0\nzooms ="),
    "half a connection": ("zooms =", "connections = 0.5\nzooms ="),
    "a rate of nothing": ("zooms =", "requests-per-second = 0\nzooms ="),
    "a rate in quotes": ("zooms =", 'requests-per-second = "20"\nzooms ='),
    "headers that are a list": ("zooms =", 'headers = ["X-Key"]\nzooms ='),
    "a header of Lastbar's own": ("zooms =", 'headers = { "User-Agent" = "a" }\nzooms ='),
    "a conditional header": ("zooms =", 'headers = { "if-match" = "a" }\nzooms ='),
    "a header's name with a blank": ("zooms =", 'headers = { "X Key" = "a" }\nzooms ='),
    "a header's value of two lines": ("zooms =", 'headers = { "X-Key" = "a\\nb" }\nzooms ='),
    "a subdomain with a dot": ("zooms =", 'subdomains = ["a.b"]\nzooms ='),
    "no subdomain": ("zooms =", "subdomains = []\nzooms ="),
    "an unknown format": ("zooms =", 'format = "gif"\nzooms ='),
    "a day that is a number": ("zooms =", "expires = 2027\nzooms ="),
    "a limit of nothing": ("zooms =", "tile-limit = 0\nzooms ="),
    "a hash that is too short": ("zooms =", 'blank = ["9f86"]\nzooms ='),
    "a switch in quotes": ("zooms =", 'permission-covers-robots = "true"\nzooms ='),
    "no area": (BASE[BASE.index("[[areas") :], ""),
    "an area in single brackets": ("[[areas]]", "[areas]"),
    "an area without a name": ('name = "camp"', ""),
    "an area named overview": ('"camp"', '" Overview "'),
    "no shape": ('point = [12.5, 47.1]\nradius = "2 km"', ""),
    "two shapes": ("deepest = 14", "deepest = 14\nbox = [12.3, 47.0, 12.7, 47.2]"),
    "no radius": ('radius = "2 km"', ""),
    "a radius of a box": ("point = [12.5, 47.1]", "box = [12.3, 47.0, 12.7, 47.2]"),
    "a half-width of a point": ("deepest = 14", 'half-width = "2 km"\ndeepest = 14'),
    "a line without half-width": ('point = [12.5, 47.1]\nradius = "2 km"', 'line = "a.gpx"'),
    "a radius without unit": ('"2 km"', '"2"'),
    "a radius that is a number": ('"2 km"', "2000"),
    "a radius of nothing": ('"2 km"', '"0 km"'),
    "a decimal comma": ('"2 km"', '"2,5 km"'),
    "a latitude off the map": ("47.1]", "86.0]"),
    "a longitude off the map": ("[12.5", "[181.0"),
    "a position with commas for points": ("[12.5, 47.1]", "[12, 5, 47, 1]"),
    "a drawn line of one position": ('point = [12.5, 47.1]\nradius = "2 km"', 'line = [[1, 2]]\nhalf-width = "1 km"'),
    "a drawn outline of two": ('point = [12.5, 47.1]\nradius = "2 km"', "polygon = [[1, 2], [3, 4]]"),
    "a box of three": ('point = [12.5, 47.1]\nradius = "2 km"', "box = [1, 2, 3]"),
    "a feature of a point": ("deepest = 14", 'feature = "a"\ndeepest = 14'),
    "a feature of a drawn line": (
        'point = [12.5, 47.1]\nradius = "2 km"',
        'line = [[1, 2], [3, 4]]\nhalf-width = "1 km"\nfeature = "a"',
    ),
    "columns of one": ('point = [12.5, 47.1]\nradius', 'points = "a.csv"\ncolumns = ["lon"]\nradius'),
    "no depth": ("deepest = 14", ""),
    "two depths": ("deepest = 14", 'deepest = 14\nuse = "road"'),
    "an unknown use": ("deepest = 14", 'use = "boat"'),
    "a depth of no zoom": ("deepest = 14", "deepest = 25"),
    "a depth of a layer that is no zoom": ("deepest = 14", 'deepest = { aerial = "14" }'),
    "depths of no layer": ("deepest = 14", "deepest = {}"),
    "a floor in quotes": ("deepest = 14", 'deepest = 14\nat-least = "12"'),
    "no layer of an area": ("deepest = 14", "deepest = 14\nlayers = []"),
    "an overview that is true": ('title = "Trip"', 'title = "Trip"\noverview = true'),
    "a margin without unit": ("[[areas]]", "[overview]\nmargin = 10\n[[areas]]"),
    "an overview with more": ("[[areas]]", "[overview]\nshallowest = 3\n[[areas]]"),
    "a crew without a name": ("[[areas]]", '[[crews]]\nbudget = "32 GB"\n[[areas]]'),
    "a budget without unit": ("[[areas]]", '[[crews]]\nname = "a"\nbudget = "32"\n[[areas]]'),
    "a budget of nothing": ("[[areas]]", '[[crews]]\nname = "a"\nbudget = "0 GB"\n[[areas]]'),
    "a part that is none": ('title = "Trip"', 'title = "Trip"\npart = "0 of 3"'),
    "tiles of no part": ('title = "Trip"', 'title = "Trip"\npart-tiles = "part-tiles.json"'),
}  # fmt: skip


def test_a_layer_of_the_planners_collection_needs_no_more_than_its_name() -> None:
    brief = {"title": "t", "areas": [{"name": "a", "box": [12.3, 47.0, 12.4, 47.1], "deepest": 14}]}
    check = Draft202012Validator(brief_schema()).is_valid
    assert check({**brief, "layers": {"aerial": {"from": "aerial"}}})
    assert check({**brief, "layers": {"aerial": {"from": "aerial", "connections": 2}}})
    assert not check({**brief, "layers": {"aerial": {"from": 3}}})
    assert not check({**brief, "layers": {"aerial": {"connections": 2}}})


@pytest.mark.parametrize("kind", WRONG)
def test_what_is_wrong_is_refused_by_model_and_schema_alike(kind: str) -> None:
    old, new = WRONG[kind]
    assert old in BASE
    text = BASE.replace(old, new, 1)
    assert not in_the_model(text)
    assert not in_the_schema(text)


@pytest.mark.parametrize(("table", "name"), FIELDS)
def test_every_key_says_what_it_is_and_what_holds_without_it_and_its_examples_are_right(
    table: type[BaseModel], name: str
) -> None:
    field, form = table.model_fields[name], FORMS[table, name]
    said = " ".join(form["description"].split())
    assert said.endswith(".")
    assert ("has to be there" if field.is_required() else "Without it, ") in said
    assert form["$comment"]
    for example in form.get("examples", []):
        assert KEYS[table, name].is_valid(example)
        taken = date.fromisoformat(example) if form.get("format") == "date" else example
        ADAPTERS[table, name].validate_python(taken)


def test_the_reference_of_the_keys_is_up_to_date() -> None:
    assert OUTPUT.read_text(encoding="utf-8") == reference(), "run python -m scripts.brief_reference"


# ------------------------------------------------------- whatever the model takes, the schema takes

TEXTS = st.text(max_size=12) | st.sampled_from(
    ["a.gpx", "2 km", "250 m", "0 m", "32 GB", "1 of 2", "aerial", "\n1 m "]
)
NUMBERS = st.integers(-3, 30) | st.floats() | st.sampled_from([256, 512, 10**30, 0.5])
POSITIONS = st.tuples(st.floats(-200, 200), st.floats(-100, 100)).map(list) | st.just([12, 47])
VALUES = st.one_of(
    TEXTS,
    NUMBERS,
    st.booleans(),
    st.dates(),
    st.lists(TEXTS, max_size=3),
    st.lists(NUMBERS, max_size=4),
    st.lists(POSITIONS, max_size=4),
    st.dictionaries(
        st.sampled_from(["aerial", "X-Key", "margin", "If-A", "a b"]), TEXTS | NUMBERS, max_size=2
    ),
)


def keys(table: type[BaseModel]) -> st.SearchStrategy[str]:
    return st.sampled_from([key_of(name) for name in table.model_fields] + ["url ", "shape"])


def edits(table: type[BaseModel]) -> st.SearchStrategy[dict[str, Any]]:
    return st.dictionaries(keys(table), VALUES | st.none(), max_size=2)  # None takes a key away


def edited(values: dict[str, Any], changes: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in {**values, **changes}.items() if value is not None}


@settings(max_examples=tries(40, 100), deadline=None)
@given(edits(Brief), edits(Layer), edits(Area), edits(Crew), st.text("aA1. ¹-con", min_size=1, max_size=5))
def test_whatever_the_model_takes_the_schema_takes_too(
    top: dict[str, Any], layer: dict[str, Any], area: dict[str, Any], crew: dict[str, Any], name: str
) -> None:
    base = tomllib.loads(BASE)
    table = {
        **base,
        "layers": {name: edited(base["layers"]["aerial"], layer)},
        "areas": [edited(base["areas"][0], area)],
        "crews": [edited({"name": "north"}, crew)],
    }
    table = edited(table, top)
    try:
        Brief.model_validate(table)
    except ValidationError:
        return
    assert list(VALIDATOR.iter_errors(as_json(table))) == []


BY_TABLE = {(Brief, "contact"), (Brief, "layers"), (Brief, "areas"), (Area, "name")}
"""Keys of which the table checks more; the test of whole briefs has them."""


@settings(max_examples=tries(60, 200), deadline=None)
@given(st.sampled_from([key for key in FORMS if key not in BY_TABLE]), VALUES)
def test_whatever_the_model_takes_for_a_key_the_schema_takes_too(
    key: tuple[type[BaseModel], str], value: Any
) -> None:
    try:
        ADAPTERS[key].validate_python(value)
    except ValidationError:
        return
    assert KEYS[key].is_valid(as_json(value))
