"""This program, started once more as a process of its own: by Python, or by the packaged program, in which there is no
Python to be called."""

from __future__ import annotations

import os
import sys
from collections.abc import MutableMapping

__all__ = [
    "OWN_PROCESS",
    "OWN_PROGRAMS",
    "is_packaged",
    "own_command",
    "own_program_command",
    "restore_environment",
]

OWN_PROGRAMS = ("packer.content.jpeg_checks", "packer.desk.fetch_apart")
"""The modules whose `main` is the work of a process of its own."""
OWN_PROCESS = "--own-process"
"""With this word and the name of such a module the packaged program does that work."""


def is_packaged() -> bool:
    """Whether this is the packaged program: what made it sets `sys.frozen` (documentation of PyInstaller, "Run-time
    Information")."""
    return bool(getattr(sys, "frozen", False))


def own_command(*words: object) -> list[str]:
    """The command `lastbar words`, for a process to be started with."""
    begin = [sys.executable] if is_packaged() else [sys.executable, "-m", "packer"]
    return [*begin, *map(str, words)]


def own_program_command(module: str) -> list[str]:
    """The command of a process that does the work of one of `OWN_PROGRAMS`; it loads nothing of the command line."""
    assert module in OWN_PROGRAMS, module
    return own_command(OWN_PROCESS, module) if is_packaged() else [sys.executable, "-m", module]


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
