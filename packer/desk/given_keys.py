"""Keys that are typed into the page: held in the memory of the desk's process, or kept in the system's keyring. And the
programs that a brief has run for a key, which the planner allows or not."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from packer.common.shell import set_variable
from packer.errors import InputError
from packer.planning.brief import Brief
from packer.sources.allowed_commands import allow_command, is_allowed
from packer.sources.key_sources import give_key, has_keyring, is_key, is_key_name, keep_key

__all__ = ["allow_program", "forbidden_programs", "key_facts", "key_programs", "take_key"]


def key_facts() -> dict[str, Any]:
    """What the page has to know before it asks for a key: whether it can be kept, and how a variable called NAME is set
    in a terminal of this machine."""
    return {"keyring": has_keyring(), "set": set_variable("NAME")}


def take_key(body: Mapping[str, Any]) -> dict[str, Any]:
    """Take a key: `name` of its variable, `value`, and `keep` for the keyring. The answer never has the value in it.

    A fetch that waits for a key finds it within a second. Raises InputError for a name or a value that cannot be
    used, and where the keyring does not keep it: it then holds until the desk ends. If the process dies: what was not
    kept is gone.
    """
    name, value = body.get("name"), body.get("value")
    if not isinstance(name, str) or not is_key_name(name):
        raise InputError("The name of a key has letters, digits and _, for example MAP_KEY.")
    value = value.strip() if isinstance(value, str) else ""
    if not is_key(value):
        raise InputError("A key is one line of letters, digits and marks.")
    give_key(name, value)
    if body.get("keep") is True:
        keep_key(name, value)
    return {"name": name, "kept": body.get("keep") is True}


def key_programs(brief: Brief | None) -> dict[str, Any]:
    """The programs that a brief has run for its keys, in full, for the planner to look at."""
    layers = brief.layers.items() if brief is not None else ()
    return {
        "programs": [
            {"layer": name, "command": list(layer.key_command), "allowed": is_allowed(layer.key_command)}
            for name, layer in layers
            if layer.key_command
        ]
    }


def forbidden_programs(brief: Brief | None) -> list[str]:
    """The layers whose program is not allowed on this computer."""
    return [str(one["layer"]) for one in key_programs(brief)["programs"] if not one["allowed"]]


def allow_program(brief: Brief | None, body: Mapping[str, Any]) -> dict[str, Any]:
    """Allow a program on this computer: the `command` of a `layer`, just as it was shown.

    Raises InputError if the brief has another one by now, and DiskError where it cannot be kept.

    If the process dies: it is allowed, or it is not.
    """
    layer = brief.layers.get(str(body.get("layer"))) if brief is not None else None
    if layer is None or not layer.key_command or body.get("command") != list(layer.key_command):
        raise InputError("The brief has another program by now. Look at it again.")
    allow_command(layer.key_command)
    return key_programs(brief)
