"""Names of layers, which become names of files on every system that a pack is copied to."""

from __future__ import annotations

import re

from packer.planning.brief_errors import quote_value
from packer.planning.brief_forms import layer_names_as_keys

__all__ = ["ADDRESS_KEYS", "LAYER_NAME_FORM", "check_layer_name", "names_a_device"]

ADDRESS_KEYS = ("url", "tilejson", "wmts", "wms", "ogc-tiles")
"""The keys of a layer of which it has just one: the address of its tiles, or of what describes them."""

_LAYER_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _.-]{0,63}")
# Microsoft, "Naming Files, Paths, and Namespaces": the digits of Latin-1 that are written raised count as well.
_DEVICE_NAMES = {"con", "prn", "aux", "nul", *(f"{n}{i}" for n in ("com", "lpt") for i in "0123456789¹²³")}
LAYER_NAME_FORM = layer_names_as_keys(_DEVICE_NAMES)


def names_a_device(name: str) -> bool:
    """Whether Windows takes a file's or a folder's name for a device, whatever its ending is.

    Blanks before the first dot do not help: "con .north" is the device CON.
    """
    return name.split(".")[0].strip().casefold() in _DEVICE_NAMES


def check_layer_name(name: str, seen: dict[str, str]) -> None:
    """Raise ValueError unless a layer's name can name a file, on any system, apart from those seen before."""
    bad_end = name.endswith((".", " "))
    if not _LAYER_NAME.fullmatch(name) or bad_end or names_a_device(name):
        raise ValueError(
            f"the layer name {quote_value(name)} cannot be a file name; use up to 64 letters, digits, "
            '"-", "_", "." and spaces, a letter or digit first, and no name that Windows reserves'
        )
    twin = seen.setdefault(name.lower(), name)
    if twin != name:
        raise ValueError(
            f'the layers "{twin}" and "{name}" would be the same file on many systems, which ignore case; rename one'
        )
