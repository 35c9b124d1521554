"""The planner's own collection: layers that worked, without their keys, to be taken into any brief by name.

It is one TOML file in the user's configuration folder, and can be handed on as it is.
"""

from __future__ import annotations

import contextlib
import tomllib
from collections.abc import Mapping, MutableMapping
from datetime import date
from pathlib import Path
from typing import Any

import tomlkit
from pydantic import ValidationError

from packer.common.atomic_write import write_atomic
from packer.common.configuration import configuration_folder
from packer.common.regular_file import refuse_special
from packer.errors import BriefError, DiskError, InputError
from packer.planning.brief_errors import nearest, quote_value
from packer.planning.brief_layer import SERVICE_KEYS, Layer
from packer.planning.layer_names import ADDRESS_KEYS, check_layer_name
from packer.sources.safe_address import literal_key, refusal

__all__ = ["FROM", "Collection", "fill_in_kept"]

FROM = "from"
"""The key of a brief's layer that names one of the collection."""
_LARGEST_BYTES = 1_000_000
# What belongs to an address, and goes with another one no more.
_OF_ADDRESS = frozenset(
    (
        *ADDRESS_KEYS,
        *SERVICE_KEYS,
        "tile-hosts",
        "tile-size",
        "format",
        "subdomains",
    )
)
_KEPT = (
    *(
        *ADDRESS_KEYS,
        *SERVICE_KEYS,
        "tile-hosts",
        "tile-size",
        "zooms",
        "format",
    ),
    *(
        "attribution",
        "permission",
        "connections",
        "requests-per-second",
        "subdomains",
        "expires",
        "tile-limit",
    ),
)
_HEAD = (
    "# Map layers that worked, by name. No key is kept here: ${NAME} stands for an environment variable.\n\n"
)


class Collection:
    """The layers in one file; one that is not there yet is empty."""

    def __init__(self, path: Path | None = None) -> None:
        self.path = path or configuration_folder() / "layers.toml"

    def layers(self) -> dict[str, dict[str, Any]]:
        """Every layer's keys, as in a brief. Raises InputError for a file that cannot be read."""
        try:
            found = tomllib.loads(self.path.read_text(encoding="utf-8")).get("layers", {})
        except FileNotFoundError:
            return {}
        except (OSError, ValueError):
            raise InputError(f"{self.path} cannot be read. Correct it, or move it away.") from None
        if not isinstance(found, dict):
            return {}
        return {str(name): dict(one) for name, one in found.items() if isinstance(one, dict)}

    def to_dict(self) -> dict[str, dict[str, Any]]:
        """As `layers`, for JSON: days are text."""
        return {
            name: {key: v.isoformat() if isinstance(v, date) else v for key, v in values.items()}
            for name, values in self.layers().items()
        }

    def keep(self, name: str, values: Mapping[str, Any]) -> None:
        """Keep a layer, in place of one of that name. Headers are left out: they are where keys stand.

        Raises InputError for a name or values that no layer can have, or an address with a key in it; DiskError if the
        file cannot be written. If the process dies: the old file or the new one.
        """
        try:
            check_layer_name(name, {})
        except ValueError as fault:
            raise InputError(f"This layer cannot be kept: {fault}.") from None
        self._write({**self.layers(), name: _harmless(values)})

    def take(self, text: str) -> list[str]:
        """Take in the layers of a colleague's file; the names of those taken. One of a name that is there already is
        left as it is.

        Raises InputError for a text that is no such file, or that has a key in it, else as `keep`; then none is taken.
        """
        if len(text) > _LARGEST_BYTES:
            raise InputError(f"This is no file of layers: it is over {_LARGEST_BYTES // 1_000_000} MB.")
        try:
            found = tomllib.loads(text).get("layers")
        except (ValueError, RecursionError):
            found = None
        if not isinstance(found, dict) or not all(isinstance(one, dict) for one in found.values()):
            raise InputError(
                "This is no file of layers: it should be TOML with a heading such as [layers.aerial]."
            )
        known, seen = self.layers(), dict[str, str]()
        fresh = {name: _sound(name, values) for name, values in found.items() if name not in known}
        try:
            for name in (*known, *fresh):
                check_layer_name(name, seen)
        except ValueError as fault:
            raise InputError(f"These layers cannot be taken in: {fault}.") from None
        if fresh:
            self._write({**known, **fresh})
        return list(fresh)

    def take_file(self, path: Path) -> list[str]:
        """As `take`, from a file. Raises InputError if it cannot be read."""
        refuse_special(path, InputError)
        try:
            with path.open(encoding="utf-8-sig") as file:
                return self.take(file.read(_LARGEST_BYTES + 1))
        except (OSError, UnicodeDecodeError):
            raise InputError(
                f"{path} cannot be read as text. Name the file of layers that you were given."
            ) from None

    def text(self) -> str:
        """The whole file, to be handed to a colleague; it holds no key."""
        return _HEAD + tomlkit.dumps(
            {"layers": {name: _harmless(one) for name, one in self.layers().items()}}
        )

    def _write(self, layers: Mapping[str, Mapping[str, Any]]) -> None:
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            write_atomic(self.path, _HEAD + tomlkit.dumps({"layers": layers}))
        except OSError as fault:
            raise DiskError(f"{self.path} cannot be written: {fault.strerror}.") from fault


def _harmless(values: Mapping[str, Any]) -> dict[str, Any]:
    """What of a layer's keys is kept. Raises InputError for values that no layer has, or an address with a key in
    it."""
    if not all(values.get(key) is None or _is_plain(values[key]) for key in _KEPT):
        raise InputError("A layer to keep has texts, numbers and lists of them. Look at its values again.")
    for key in ADDRESS_KEYS:
        if not isinstance(address := values.get(key) or "", str):
            raise InputError(f"{key} has to be an address. Look at it again.")
        if (where := literal_key(address)) is not None:
            raise InputError(refusal(where))
    kept = {key: values[key] for key in _KEPT if values.get(key) is not None}
    with contextlib.suppress(ValueError):  # a page sends a day as text, and TOML has days
        if isinstance(day := kept.get("expires"), str):
            kept["expires"] = date.fromisoformat(day)
    return kept


def _sound(name: str, values: Mapping[str, Any]) -> dict[str, Any]:
    """A layer of a colleague's file as it is kept. Raises InputError if no brief could use it, or for a key in it."""
    kept = _harmless(values)
    try:
        Layer.model_validate({**kept, "name": name})
    except ValidationError as fault:
        places = sorted({".".join(map(str, one["loc"])) or "its address" for one in fault.errors()})
        raise InputError(
            f"The layer {quote_value(name)} cannot be taken in: {', '.join(places)} is missing or wrong."
        ) from None  # the cause would repeat what stands there
    return kept


def fill_in_kept(
    layers: Mapping[str, MutableMapping[str, Any]], collection: Collection | None = None
) -> None:
    """Give each layer of a brief that names one of the collection by `from` the keys of that one which it lacks, and
    take `from` out. What the brief says itself goes first; where it has an address of its own, only terms are taken.

    Raises BriefError for a name that the collection does not have, InputError where it cannot be read.
    """
    for name, layer in layers.items():
        if not isinstance(layer, MutableMapping) or FROM not in layer:
            continue
        collection = collection or Collection()
        kept, asked = collection.layers(), layer[FROM]
        if not isinstance(asked, str) or asked not in kept:
            hint = nearest(asked, kept) if isinstance(asked, str) and kept else ""
            raise BriefError(
                f'Layer "{name}": from names {quote_value(asked)}, which is not in your collection of layers'
                f"{hint}{'' if hint.endswith('?') else '.'} The collection is "
                f"{collection.path}; lastbar layers lists it, and lastbar layers FILE takes in a colleague's."
            )
        del layer[FROM]
        own = any(key in layer for key in ADDRESS_KEYS)
        for key, value in kept[asked].items():
            if key not in layer and not (own and key in _OF_ADDRESS):
                layer[key] = value


def _is_plain(value: object) -> bool:
    if isinstance(value, list):
        return all(isinstance(one, str | int | float) for one in value)
    return isinstance(value, str | int | float | date)
