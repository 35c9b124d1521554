"""This program, started once more as a process of its own: by Python, or by the packaged program, in which there is no
Python to be called."""

from __future__ import annotations

import os
import sys
from collections.abc import MutableMapping

__all__ = [
    "CHECK_JPEGS",
    "FETCH_APART",
    "fetch_apart_command",
    "is_packaged",
    "jpeg_checks_command",
    "own_command",
    "restore_environment",
]

CHECK_JPEGS = "--own-process-checks-jpegs"
"""The one word with which the packaged program does the work of `packer.content.jpeg_checks`."""

FETCH_APART = "--own-process-fetches"
"""The one word with which the packaged program does the work of `packer.desk.fetch_apart`."""


def is_packaged() -> bool:
    """Whether this is the packaged program: what made it sets `sys.frozen` (documentation of PyInstaller, "Run-time
    Information")."""
    return bool(getattr(sys, "frozen", False))


def own_command(*words: object) -> list[str]:
    """The command `lastbar words`, for a process to be started with."""
    begin = [sys.executable] if is_packaged() else [sys.executable, "-m", "packer"]
    return [*begin, *map(str, words)]


def jpeg_checks_command() -> list[str]:
    """The command of the process that checks JPEGs; it loads nothing of the command line."""
    return own_command(CHECK_JPEGS) if is_packaged() else [sys.executable, "-m", "packer.content.jpeg_checks"]


def fetch_apart_command() -> list[str]:
    """The command of the process that fetches for the desk; it loads nothing of the command line."""
    return own_command(FETCH_APART) if is_packaged() else [sys.executable, "-m", "packer.desk.fetch_apart"]


def restore_environment(environment: MutableMapping[str, str] = os.environ) -> None:
    """Take back what the packaged program's start has set for its own libraries: other programs that are started from
    here, such as the browser, have their own. This process has loaded its first ones by then, and finds the others all
    the same, since the system looks at the variable only once (ld.so(8))."""
    for name in ("LD_LIBRARY_PATH", "LIBPATH"):
        before = environment.pop(f"{name}_ORIG", None)
        if before is not None:
            environment[name] = before
        else:
            environment.pop(name, None)
