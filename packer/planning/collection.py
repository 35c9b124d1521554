"""The planner's own collection: layers that worked, without their keys, to be taken into any brief by name.

It is one TOML file in the user's configuration folder, and can be handed on as it is.
"""

from __future__ import annotations

import os
import sys
import tomllib
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

import tomlkit

from packer.common.atomic_write import write_atomic
from packer.errors import DiskError, InputError
from packer.planning.layer_names import check_layer_name
from packer.sources.safe_address import literal_key, refusal

__all__ = ["ADDRESS_KEYS", "Collection", "configuration_folder"]

ADDRESS_KEYS = ("url", "tilejson", "wmts")
_KEPT = (
    *(
        *ADDRESS_KEYS,
        "wmts-layer",
        "wmts-style",
        "wmts-matrix-set",
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


def configuration_folder() -> Path:
    """Where this user's settings lie by the custom of the system (XDG Base Directory 0.8 where it has no other)."""
    if sys.platform == "win32":
        return Path(os.environ.get("APPDATA") or Path.home() / "AppData" / "Roaming") / "lastbar"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Application Support" / "lastbar"
    return Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config") / "lastbar"


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

    def keep(self, name: str, values: Mapping[str, Any]) -> None:
        """Keep a layer, in place of one of that name. Headers are left out: they are where keys stand.

        Raises InputError for a name or values that no layer can have, or an address with a key in it; DiskError if the
        file cannot be written. If the process dies: the old file or the new one.
        """
        try:
            check_layer_name(name, {})
        except ValueError as fault:
            raise InputError(f"This layer cannot be kept: {fault}.") from None
        if not all(values.get(key) is None or _is_plain(values[key]) for key in _KEPT):
            raise InputError(
                "A layer to keep has texts, numbers and lists of them. Look at its values again."
            )
        for key in ADDRESS_KEYS:
            if not isinstance(address := values.get(key) or "", str):
                raise InputError(f"{key} has to be an address. Look at it again.")
            if (where := literal_key(address)) is not None:
                raise InputError(refusal(where))
        layers = self.layers()
        layers[name] = {key: values[key] for key in _KEPT if values.get(key) is not None}
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            write_atomic(self.path, _HEAD + tomlkit.dumps({"layers": layers}))
        except OSError as fault:
            raise DiskError(f"{self.path} cannot be written: {fault.strerror}.") from fault


def _is_plain(value: object) -> bool:
    if isinstance(value, list):
        return all(isinstance(one, str | int | float) for one in value)
    return isinstance(value, str | int | float | date)
