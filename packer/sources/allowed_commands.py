"""Which programs a brief may run for a key: those that this computer's user has allowed, and no others.

A brief may come from anyone, as a file in a message. What it says is data, but for a key-command: that would run
whatever its writer likes. So a command runs only once it was shown and allowed here, with all its arguments. The list
holds the SHA-256 of each command and no text, since an argument may be a secret.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from pathlib import Path

from packer.common.atomic_write import make_folders, write_atomic
from packer.common.configuration import configuration_folder
from packer.errors import DiskError

__all__ = ["allow_command", "is_allowed"]

_FILE = "key-commands"
_LONGEST_BYTES = 1_000_000


def is_allowed(command: Sequence[str]) -> bool:
    """Whether the command was allowed on this computer, just as it is. A list that cannot be read allows nothing."""
    return _mark(command) in _allowed(_place())


def allow_command(command: Sequence[str]) -> None:
    """Let briefs run the command from now on. Raises DiskError where that cannot be kept.

    If the process dies: it is allowed, or it is not.
    """
    place = _place()
    marks = sorted({*_allowed(place), _mark(command)})
    try:
        make_folders(place.parent)
        write_atomic(place, "".join(f"{mark}\n" for mark in marks))
    except OSError as fault:
        raise DiskError(
            f"{place} cannot be written ({fault.strerror}), so the program stays forbidden. Nothing was run."
        ) from None


def _place() -> Path:
    return configuration_folder() / _FILE


def _allowed(place: Path) -> set[str]:
    try:
        with place.open("rb") as file:
            return set(file.read(_LONGEST_BYTES).decode("ascii", "replace").split())
    except OSError:
        return set()


def _mark(command: Sequence[str]) -> str:
    return hashlib.sha256(json.dumps(list(command)).encode()).hexdigest()
