"""Commands as a planner can type or paste them into a terminal."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
from pathlib import Path

from packer.common.own_process import is_packaged

__all__ = ["quoted", "set_variable", "shell_command"]


def quoted(word: object) -> str:
    """A word as the terminal takes it: in quotes if there are blanks or other marks in it that would split it."""
    return subprocess.list2cmdline([str(word)]) if sys.platform == "win32" else shlex.quote(str(word))


def shell_command(command: str, *words: object, store: Path | None = None) -> str:
    """`lastbar command words`, and the folder of the packs if it is another than the brief's."""
    every = [_program(), command, *map(quoted, words)]
    if store is not None:
        every += ["--store", quoted(store)]
    return " ".join(every)


def _program() -> str:
    """`lastbar`, or how the packaged program was called, which is seldom where the terminal looks for programs."""
    called = sys.argv[0]
    return quoted(called) if is_packaged() and os.path.basename(called) != called else "lastbar"  # noqa: PTH119  # no file


def set_variable(name: str) -> str:
    """How an environment variable is set in a terminal: that of PowerShell on Windows."""
    return f'$env:{name} = "..."' if sys.platform == "win32" else f"export {name}=..."
