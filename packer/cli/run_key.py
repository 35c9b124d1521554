"""`lastbar key`: keep a layer's key in the system's keyring, or remove it."""

from __future__ import annotations

import getpass
import sys
from pathlib import Path

from packer.cli.output import echo
from packer.common.shell import quoted
from packer.errors import EXIT_NOT_COMPLETE, InputError
from packer.planning.brief import Brief
from packer.sources.allowed_commands import allow_command, is_allowed
from packer.sources.key_sources import forget_key, is_key, is_key_name, keep_key, require_keyring

__all__ = ["allow", "forget", "keep"]


def keep(name: str) -> int:
    """Ask for the key of a name without showing it, or read it from a pipe, and keep it. Raises InputError."""
    _check(name)
    require_keyring()  # before anybody types a key
    try:
        value = (
            getpass.getpass(f"Key for {name} (it is not shown): ")
            if sys.stdin.isatty()
            else sys.stdin.readline()
        )
    except (EOFError, UnicodeDecodeError):
        value = ""
    value = value.strip()
    if not is_key(value):
        raise InputError("A key is one line of letters, digits and marks. Nothing was kept.")
    keep_key(name, value)
    echo(f"Kept. ${{{name}}} in a brief is filled in from the keyring where the environment has no {name}.")
    return 0


def forget(name: str) -> int:
    """Remove the key of a name; 0 also where there was none. Raises InputError."""
    _check(name)
    echo("Removed from the keyring." if forget_key(name) else f"The keyring has no key of the name {name}.")
    return 0


def _check(name: str) -> None:
    if not is_key_name(name):
        raise InputError(
            "The name of a key has letters, digits and _, as it stands in the brief: ${MAP_KEY} has the name MAP_KEY."
        )


def allow(path: Path, yes: bool) -> int:
    """Show the programs that a brief has run for its keys, and allow them on this computer if the planner says so, or
    with `yes`; 0 if all of them are allowed then. Raises InputError where nobody can be asked."""
    brief = Brief.read(path)
    asked = {layer.key_command: name for name, layer in brief.layers.items() if layer.key_command}
    if not asked:
        echo("This brief runs no program for a key.")
    allowed = [_allowed(name, command, yes) for command, name in asked.items()]
    return 0 if all(allowed) else EXIT_NOT_COMPLETE


def _allowed(layer: str, command: tuple[str, ...], yes: bool) -> bool:
    echo(f'Layer "{layer}" has this program run for its key:')
    echo(f"  {' '.join(map(quoted, command))}")
    if is_allowed(command):
        echo("It is allowed on this computer.")
        return True
    if not yes and not sys.stdin.isatty():
        raise InputError("Whether to allow it can only be asked in a terminal. If you trust it, add --yes.")
    if not yes and not _agreed("Allow it on this computer? [y/N] "):
        echo("It stays forbidden.")
        return False
    allow_command(command)
    echo("Allowed. Another program, or other arguments, would be asked about again.")
    return True


def _agreed(question: str) -> bool:
    try:
        return input(question).strip().lower() in ("y", "yes")
    except EOFError:
        echo("")
        return False
