"""Changes of a brief as the page sends them: small, named, and made to its TOML with comments and order kept."""

from __future__ import annotations

from collections.abc import Mapping, MutableMapping
from typing import Annotated, Any, Literal

import tomlkit
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError
from tomlkit import TOMLDocument
from tomlkit.items import AoT, Array, Item, Table

from packer.errors import InputError

__all__ = ["Change", "SetArea", "make", "read_change"]

Name = Annotated[str, Field(min_length=1, max_length=2000)]
Values = dict[Name, Any]
"""Keys of a table with their new values, as JSON has them; null takes the key out."""
_SHORT_ROW = 4  # positions that still stand in one line


class _NamedChange(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class SetBrief(_NamedChange):
    """Title, contact or the folder of the packs."""

    do: Literal["set-brief"]
    values: dict[Literal["title", "contact", "store"], Any]


class SetOverview(_NamedChange):
    """Margin and depth of the coarse block round everything; false takes it away."""

    do: Literal["set-overview"]
    values: Values | Literal[False]


class AddArea(_NamedChange):
    """A new area, at the end."""

    do: Literal["add-area"]
    values: Values


class SetArea(_NamedChange):
    """New values for some keys of an area; a new `name` is followed by the crews."""

    do: Literal["set-area"]
    name: Name
    values: Values


class CopyArea(_NamedChange):
    """A twin of an area, right after it."""

    do: Literal["copy-area"]
    name: Name
    to: Name


class DeleteArea(_NamedChange):
    """An area goes, and out of the crews' lists as well."""

    do: Literal["delete-area"]
    name: Name


class MoveArea(_NamedChange):
    """An area takes another place in the list, counted from 0."""

    do: Literal["move-area"]
    name: Name
    to: Annotated[int, Field(ge=0)]


class AddLayer(_NamedChange):
    """A new layer, below a heading of its own."""

    do: Literal["add-layer"]
    name: Name
    values: Values


class SetLayer(_NamedChange):
    """New values for some keys of a layer."""

    do: Literal["set-layer"]
    name: Name
    values: Values


class DeleteLayer(_NamedChange):
    """A layer goes, and out of the lists of areas and crews as well."""

    do: Literal["delete-layer"]
    name: Name


class AddCrew(_NamedChange):
    """A new crew, at the end."""

    do: Literal["add-crew"]
    values: Values


class SetCrew(_NamedChange):
    """New values for some keys of a crew."""

    do: Literal["set-crew"]
    name: Name
    values: Values


class DeleteCrew(_NamedChange):
    """A crew goes."""

    do: Literal["delete-crew"]
    name: Name


Change = (
    SetBrief
    | SetOverview
    | AddArea
    | SetArea
    | CopyArea
    | DeleteArea
    | MoveArea
    | AddLayer
    | SetLayer
    | DeleteLayer
    | AddCrew
    | SetCrew
    | DeleteCrew
)
_READ: TypeAdapter[Change] = TypeAdapter(Annotated[Change, Field(discriminator="do")])


def read_change(sent: object) -> Change:
    """A change out of JSON. Raises InputError with what is wrong with it."""
    try:
        return _READ.validate_python(sent)
    except ValidationError as fault:
        first = fault.errors(include_url=False, include_input=False)[0]
        where = ".".join(str(part) for part in first["loc"]) or "it"
        raise InputError(f"This change cannot be read: {where}: {first['msg']}.") from None


def make(change: Change, document: TOMLDocument) -> None:
    """Make a change to a document, in place. Raises InputError for a name that it does not have.

    Whether the outcome is a sound brief is for the brief's own model to say.
    """
    match change:
        case SetBrief():
            _set(document, change.values)
        case SetOverview():
            _set_overview(document, change.values)
        case AddArea():
            _append(document, "areas", change.values)
        case SetArea():
            _set(_find(document, "areas", change.name), change.values)
            if isinstance(to := change.values.get("name"), str):
                _replace_in_lists(document, "crews", "areas", change.name, to)
        case CopyArea():
            _copy(document, change.name, change.to)
        case DeleteArea():
            _remove(document, "areas", change.name)
            _replace_in_lists(document, "crews", "areas", change.name, None)
        case MoveArea():
            _move(document, change.name, change.to)
        case AddLayer() | SetLayer():
            _set_layer(document, change)
        case DeleteLayer():
            _delete_layer(document, change.name)
        case AddCrew():
            _append(document, "crews", change.values)
        case SetCrew():
            _set(_find(document, "crews", change.name), change.values)
        case DeleteCrew():
            _remove(document, "crews", change.name)


def _find(document: TOMLDocument, key: str, name: str) -> Table:
    for table in document.get(key, ()):
        if table.get("name") == name:
            assert isinstance(table, Table)
            return table
    raise InputError(f'The brief has no {key[:-1]} "{name}" any more. Look at the list again.')


def _set(table: MutableMapping[str, Any], values: Mapping[Any, Any]) -> None:
    for key, value in values.items():
        if value is None:
            table.pop(key, None)
        else:
            table[key] = toml_item(value)


def toml_item(value: Any) -> Item:
    """A JSON value as TOML: tables inline, long lists of positions with one to a line. Raises InputError for null."""
    if isinstance(value, dict):
        inline = tomlkit.inline_table()
        for key, one in value.items():
            inline[key] = toml_item(one)
        return inline
    if isinstance(value, list):
        array = tomlkit.array()
        for one in value:
            array.append(toml_item(one))
        long = len(value) > _SHORT_ROW and all(isinstance(one, list) for one in value)
        array.multiline(long)
        return array
    if value is None:
        raise InputError("TOML has no null: in a change it takes a whole key out, and stands nowhere else.")
    item: Item = tomlkit.item(value)
    return item


def _set_overview(document: TOMLDocument, values: Values | Literal[False]) -> None:
    if values is False:
        document.pop("overview", None)
        # A plain value has to stand above the first heading, or it would belong to that.
        document.body.insert(0, (tomlkit.items.SingleKey("overview"), tomlkit.item(False)))
        return
    if not isinstance(document.get("overview"), Table):
        document.pop("overview", None)
        document["overview"] = tomlkit.table()
    _set(document["overview"], values)


def _append(document: TOMLDocument, key: str, values: Values) -> None:
    table = tomlkit.table()
    _set(table, values)
    if not isinstance(document.get(key), AoT):
        document.pop(key, None)
        document[key] = tomlkit.aot()
    tables = document[key]
    assert isinstance(tables, AoT)
    tables.append(table)


def _copy(document: TOMLDocument, name: str, to: str) -> None:
    twin = tomlkit.parse(tomlkit.dumps({"areas": [_find(document, "areas", name)]}))["areas"][0]
    twin["name"] = to
    tables = _in_order(document)
    at = next(i for i, table in enumerate(tables) if table.get("name") == name)
    _reorder(document, [*tables[: at + 1], twin, *tables[at + 1 :]])


def _move(document: TOMLDocument, name: str, to: int) -> None:
    moved = _find(document, "areas", name)
    tables = [table for table in _in_order(document) if table is not moved]
    tables.insert(to, moved)
    _reorder(document, tables)


def _in_order(document: TOMLDocument) -> list[Table]:
    tables = document["areas"]
    assert isinstance(tables, AoT)
    return list(tables.body)


def _reorder(document: TOMLDocument, tables: list[Table]) -> None:
    document["areas"] = tomlkit.aot()
    areas = document["areas"]
    assert isinstance(areas, AoT)
    for table in tables:
        areas.append(table)


def _remove(document: TOMLDocument, key: str, name: str) -> None:
    _find(document, key, name)
    tables = document[key]
    assert isinstance(tables, AoT)
    del tables[next(i for i, table in enumerate(tables.body) if table.get("name") == name)]
    if not tables.body:
        del document[key]


def _set_layer(document: TOMLDocument, change: AddLayer | SetLayer) -> None:
    if change.values.get("key-command") is not None:
        raise InputError(
            "A key-command is a program that runs on this computer, so the page does not write one. Write it into the "
            "brief with an editor."
        )
    layers = document.get("layers")
    if isinstance(change, AddLayer):
        if not isinstance(layers, Table):
            document["layers"] = tomlkit.table(is_super_table=True)
            layers = document["layers"]
        if change.name in layers:
            raise InputError(f'The brief has a layer "{change.name}" already. Choose another name.')
        layers[change.name] = tomlkit.table()
    if layers is None or change.name not in layers:
        raise InputError(f'The brief has no layer "{change.name}" any more. Look at the list again.')
    _set(layers[change.name], change.values)


def _delete_layer(document: TOMLDocument, name: str) -> None:
    layers = document.get("layers")
    if not isinstance(layers, MutableMapping) or name not in layers:
        raise InputError(f'The brief has no layer "{name}" any more. Look at the list again.')
    del layers[name]
    for key in ("areas", "crews"):
        _replace_in_lists(document, key, "layers", name, None)


def _replace_in_lists(document: TOMLDocument, tables: str, key: str, name: str, to: str | None) -> None:
    """Put `to` in place of a name, or take it out, in each table's list; a list left empty goes."""
    for table in document.get(tables, ()):
        found = table.get(key)
        if isinstance(found, Array) and name in found:
            left = [to if one == name else str(one) for one in found if to is not None or one != name]
            if left:
                table[key] = toml_item(left)
            else:
                del table[key]
