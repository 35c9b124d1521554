"""Keys that a brief holds in full: its text without them, for whoever it is handed or shown to."""

from __future__ import annotations

import contextlib
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import tomlkit
from tomlkit.container import Container
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Item, Whitespace

from packer.common.shell import set_variable
from packer.errors import LastbarError
from packer.planning.collection import fill_in_kept
from packer.planning.layer_names import ADDRESS_KEYS
from packer.sources.address import fill, variables
from packer.sources.safe_address import literal_key, refusal, shown_within, without_keys
from packer.sources.secrecy import MASK, Place, Secrets, is_secret_header, named_values, secrets_of

__all__ = ["LeftOut", "key_in_full", "masked_keys", "secrets_in_text", "with_variables"]

_COMMAND = "key-command"
_PROSE = ("title", "attribution", "permission")
_VARIABLE = re.compile(r"\$\{[^{}]*\}")
_URL = re.compile(r"https?://\S+")

Instead = Callable[[str, str, str], str]
"""What to write for a key: by its layer, its place in words, and its text."""


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A key that was left out: its layer, where it stood, and the variable that stands there now."""

    layer: str
    where: str
    variable: str

    def to_dict(self) -> dict[str, str]:
        """As JSON has it."""
        return {"layer": self.layer, "where": self.where, "variable": self.variable}


def with_variables(document: tomlkit.TOMLDocument) -> list[LeftOut]:
    """Put a variable in place of each key that a brief's layers hold in full; one key has one variable.

    A key-command goes. Comments and prose lose what repeats a key, and comments what may be one in an address.
    """
    names = _Names(set(variables(tomlkit.dumps(document))))
    for layer in document.get("layers", {}).values():
        layer.pop(_COMMAND, None)  # a program of this computer's, which another one had better not run
    _replace(document, names.variable)
    return names.left_out


def secrets_in_text(text: str, environment: Mapping[str, str]) -> Secrets:
    """The secrets of a brief's layers as far as its text and the environment tell; none where it is no TOML."""
    found = Secrets()
    with contextlib.suppress(ValueError, AttributeError, TypeError, RecursionError):
        layers = tomllib.loads(text).get("layers", {})
        with contextlib.suppress(LastbarError):
            fill_in_kept(layers)
        for layer in layers.values():
            headers = {name: str(value) for name, value in layer.get("headers", {}).items()}
            addresses = [str(layer[key]) for key in ADDRESS_KEYS if key in layer]
            named = named_values((*addresses, *headers.values()), environment)
            known = {name: value for name, value in named.items() if value.isprintable() and value}
            given = [name for name, value in headers.items() if known.keys() >= {*variables(value)}]
            filled = {name: fill(headers[name], known) for name in given}
            found |= secrets_of(addresses, {**headers, **filled}, named.values())
    return found


def key_in_full(values: Mapping[str, Any]) -> str | None:
    """Why values for a layer are not written into a brief: an address or a header holds a key in full. None if none
    does."""
    for key in ADDRESS_KEYS:
        if (where := literal_key(str(values.get(key) or ""))) is not None:
            return refusal(where)
    headers = values.get("headers")
    for name, value in headers.items() if isinstance(headers, dict) else ():
        if is_secret_header(str(name), str(value)) and not variables(str(value)):
            return (
                f"The header {name} holds a key in full. The brief is handed on, so no key is written into it. Set the "
                f"key in the terminal before you start the desk ({set_variable('MAP_KEY')}), and write "
                "${MAP_KEY} in its place."
            )
    return None


def masked_keys(text: str) -> str:
    """The text of a brief with *** in place of each key that its layers hold in full. Of what is no TOML nothing is
    shown, since nobody can tell where keys stand in it."""
    try:
        document = tomlkit.parse(text)
        for layer in document.get("layers", {}).values():
            if isinstance(command := layer.get(_COMMAND), list):
                layer[_COMMAND] = [*command[:1], *([MASK] if command[1:] else [])]
        _replace(document, lambda *_: MASK)
        return tomlkit.dumps(document)
    except (TOMLKitError, TypeError, AttributeError, RecursionError):
        return "This text is not valid TOML. It is not shown here, since it may hold keys."


@dataclass(slots=True)
class _Names:
    """Names for variables: the layer's name, then that of the place."""

    taken: set[str]
    left_out: list[LeftOut] = field(default_factory=list)
    by_text: dict[str, str] = field(default_factory=dict)

    def variable(self, layer: str, where: str, text: str) -> str:
        name = self.by_text.get(text)
        if name is None:
            last = where.removeprefix("the ").partition(" of its ")[0]
            last = last.removeprefix("part ").removeprefix("header ").removesuffix(" in the path")
            stem = re.sub(r"[^A-Z0-9]+", "_", f"{layer}_{last}".upper()).strip("_")
            stem = stem if stem[:1].isalpha() else f"LAYER_{stem}"
            name = next(n for n in (stem, *(f"{stem}_{i}" for i in range(2, 10_000))) if n not in self.taken)
            self.taken.add(name)
            self.by_text[text] = name
        self.left_out.append(LeftOut(layer, where, name))
        return f"${{{name}}}"


def _replace(document: tomlkit.TOMLDocument, instead: Instead) -> None:
    before, found = tomlkit.dumps(document), list[str]()

    def note(layer: str, where: str, text: str) -> str:
        found.append(text)
        return instead(layer, where, text)

    layers: dict[str, Any] = document.get("layers", {})
    for name, layer in layers.items():
        _in_layer(name, layer, note)
    secrets = secrets_in_text(before, {}) | Secrets.of(found)
    for table in (document, *layers.values()):
        for key in _PROSE:
            if isinstance(table.get(key), str) and secrets.found_in(table[key]):
                table[key] = secrets.scrub(str(table[key]))
    for item in _items(document):
        if not isinstance(item, Whitespace) and item.trivia.comment:
            item.trivia.comment = secrets.scrub(shown_within(item.trivia.comment))


def _in_layer(name: str, layer: Any, instead: Instead) -> None:
    for key in ADDRESS_KEYS:
        if isinstance(text := layer.get(key), str):

            def place(place: Place, part: str, literal: str, key: str = key) -> str:
                return instead(name, f"{_named(place, part)} of its {key}", literal)

            if (other := without_keys(str(text), place)) != text:
                layer[key] = other
    headers = layer.get("headers", {})
    for header, value in list(headers.items()):
        write = partial(instead, name, f"the header {header}")
        if (other := _header(header, str(value), write)) != value:
            headers[header] = other


def _named(place: Place, part: str) -> str:
    if place is Place.USER:
        return f"the {part}"
    if place is Place.PATH:
        return "the key in the path"
    return f"the part {part}" if part else "the key in the query"


def _header(name: str, value: str, instead: Callable[[str], str]) -> str:
    """A header's value with each literal text in it replaced, but for a scheme before it (RFC 9110, section 11.4).

    Of one that is not secret, such as Referer, only what is a key in an address is.
    """
    if not is_secret_header(name, value):
        return _URL.sub(lambda url: without_keys(url[0], lambda _place, _name, text: instead(text)), value)
    scheme, blank, rest = value.partition(" ")
    if not blank or not scheme.isalpha():
        scheme, blank, rest = "", "", value
    kept = _VARIABLE.findall(rest)
    parts = [instead(part) if part.strip(" ;,=:-") else part for part in _VARIABLE.split(rest)]
    return scheme + blank + "".join(a + b for a, b in zip(parts, [*kept, ""], strict=True))


def _items(holder: Any) -> Iterator[Item]:
    """Every item of a document, with those in it."""
    body = holder.body if isinstance(holder, Container | AoT) else []
    for entry in body:
        item = entry[1] if isinstance(entry, tuple) else entry
        yield item
        yield from _items(getattr(item, "value", item) if not isinstance(item, AoT) else item)
