"""Keys of a layer that say what is meant of a service: their values, and which go with which kind of address."""

from __future__ import annotations

import re
from collections.abc import Collection
from datetime import date
from typing import Annotated, Any

from packer.planning import brief_forms as forms
from packer.planning.brief_forms import Check, Form
from packer.planning.brief_values import plain_text
from packer.planning.layer_names import ADDRESS_KEYS

__all__ = ["LAYER_RULES", "SERVICE_KEYS", "Dimensions", "Moment", "ServiceNames", "address_key", "check_keys"]

_OF_SERVICE = {
    "wmts": ("wmts-layer", "wmts-style", "wmts-matrix-set"),
    "wms": ("wms-layers", "wms-style", "wms-crs", "transparent"),
    "ogc-tiles": ("ogc-collection",),
}
SERVICE_KEYS = (*(key for keys in _OF_SERVICE.values() for key in keys), "dimensions", "date")
"""Keys that say what is meant of a service, and mean nothing beside another address."""
_NOT_WITH = {
    "url": {"dimensions": "url; write the value into the address"},
    "ogc-tiles": {"dimensions": "ogc-tiles", "date": "ogc-tiles"},
    "tilejson": {"dimensions": "tilejson", "date": "tilejson, which has one set of tiles"},
}

LAYER_RULES: Form = {
    "description": "One source of tiles, and the terms on which it may be asked.",
    "oneOf": [{"required": [key]} for key in ADDRESS_KEYS],
    "dependentRequired": {
        "url": ["attribution", "zooms"],
        **{key: [address] for address, keys in _OF_SERVICE.items() for key in keys},
    },
    "dependentSchemas": {
        address: {"properties": dict.fromkeys(keys, False)} for address, keys in _NOT_WITH.items()
    },
}


def address_key(given: Collection[str]) -> str:
    """The one key of an address among the keys of a layer. Raises ValueError where there is none, or more than one."""
    found = [key for key in ADDRESS_KEYS if key in given]
    if len(found) != 1:
        *first, last = ADDRESS_KEYS
        raise ValueError(
            f"exactly one of {', '.join(first)} and {last} is needed; found {' and '.join(found) or 'none'}"
        )
    return found[0]


def check_keys(address: str, given: Collection[str], values: dict[str, Any]) -> None:
    """Raise ValueError for a key that does not go with the address, or two values that do not go together."""
    for kind, keys in _OF_SERVICE.items():
        for key in keys:
            if kind != address and key in given:
                raise ValueError(f"{key} does not go with {address}; leave it out")
    for key, what in _NOT_WITH.get(address, {}).items():
        if key in given:
            raise ValueError(f"{key} does not go with {what}; leave it out")
    if values.get("transparent") and values.get("format") == "jpg":
        raise ValueError(
            'transparent does not go with format = "jpg", which knows no transparency; use "png"'
        )
    styles, layers = values.get("wms-style", ()), values.get("wms-layers", ())
    if styles and layers and len(styles) != len(layers):
        raise ValueError(
            f"wms-style has {len(styles)} names for {len(layers)} of wms-layers; it needs one for each"
        )


def check_metatile(address: str, url: str, key: str, *, given: bool) -> None:
    """Raise ValueError for a key of blocks of tiles that is given where the address can only ask for single ones."""
    if not given or address == "wms":
        return
    if address != "url" or not all(field in url for field in ("{bbox}", "{width}", "{height}")):
        raise ValueError(
            f"{key} goes with wms, or with {{bbox}}, {{width}} and {{height}} in url; leave it out"
        )


def side_tiles() -> Check:
    """Tiles a side of a block."""

    def check(value: object) -> int:
        if isinstance(value, bool) or value not in (1, 2, 4, 8):
            raise ValueError("it should be 1, 2, 4 or 8, tiles a side")
        assert isinstance(value, int)
        return value

    return Check(check, form=forms.words((1, 2, 4, 8), "1, 2, 4 or 8, without quotes"))


def gutter_px() -> Check:
    """Pixels round a picture; a JPEG is cut with next to no loss at the edges of its own blocks of 16."""

    def check(value: object) -> int:
        if isinstance(value, bool) or value not in (0, 16, 32, 64, 128):
            raise ValueError("it should be 0, 16, 32, 64 or 128, in pixels")
        assert isinstance(value, int)
        return value

    return Check(check, form=forms.words((0, 16, 32, 64, 128), "0, 16, 32, 64 or 128, without quotes"))


_MOMENT = re.compile(r"[0-9A-Za-z][0-9A-Za-z:.+_-]{0,39}")


def _service_names(value: object) -> tuple[str, ...]:
    names = [value] if isinstance(value, str) else value
    if not isinstance(names, list) or not names or len(names) > 100:
        raise ValueError('it should be a name in quotes, or a list of names, for example ["ortho", "labels"]')
    return tuple(plain_text(name) for name in names)


def _moment(value: object) -> str:
    text = value.isoformat() if isinstance(value, date) else value  # a time with a day is a date as well
    if not isinstance(text, str) or not _MOMENT.fullmatch(text):
        raise ValueError(
            'it should be a day such as "2026-11-28", a time such as "2026-11-28T10:30:00Z", or "latest"'
        )
    return text


def _dimensions(value: object) -> dict[str, str]:
    if not isinstance(value, dict) or not value:
        raise ValueError('it should be names with values in quotes, for example { elevation = "500" }')
    return {plain_text(name): plain_text(one) for name, one in value.items()}


ServiceNames = Annotated[tuple[str, ...], Check(_service_names, form=forms.SERVICE_NAMES)]
Moment = Annotated[str, Check(_moment, form=forms.MOMENT)]
"""A day or a time of a source as text, or "latest"."""
Dimensions = Annotated[dict[str, str], Check(_dimensions, form=forms.DIMENSIONS)]
