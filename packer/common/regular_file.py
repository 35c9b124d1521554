"""What is not a regular file is refused before it is opened: a pipe, socket or device may hold a reader for ever."""

from __future__ import annotations

import stat
from pathlib import Path

from packer.errors import InputError, LastbarError

__all__ = ["refuse_special"]

_KINDS = (
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


def refuse_special(path: Path, error: type[LastbarError] = InputError) -> None:
    """Raise `error` if `path` leads to a pipe, a socket or a device.

    A regular file, a folder and what cannot be looked at pass: the caller's own opening tells of those.
    """
    try:
        mode = path.stat().st_mode
    except (OSError, ValueError):  # ValueError: a name that no file can have
        return
    for is_kind, name in _KINDS:
        if is_kind(mode):
            raise error(f"{path} is {name} and not a regular file, so it was not opened. Name a file.")
