"""`lastbar key`: keep a layer's key in the system's keyring, or remove it."""

from __future__ import annotations

import getpass
import re
import sys

from packer.cli.output import echo
from packer.errors import InputError
from packer.sources.key_sources import forget_key, keep_key, require_keyring

__all__ = ["forget", "keep"]

_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]{0,63}")
_LONGEST = 16_000


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
    if not value or not value.isprintable() or len(value) > _LONGEST:
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
    if not _NAME.fullmatch(name):
        raise InputError(
            "The name of a key has letters, digits and _, as it stands in the brief: ${MAP_KEY} has the name MAP_KEY."
        )
