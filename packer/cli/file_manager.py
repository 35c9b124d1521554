"""How the packaged program tells that it was started from a file manager, where nobody can type what it should do."""

from __future__ import annotations

import ctypes
import os
import stat
import sys
from collections.abc import Mapping

__all__ = ["started_by_file_manager", "wait_for_enter"]


def started_by_file_manager(environment: Mapping[str, str] = os.environ) -> bool:
    """Whether nobody types here.

    On Windows: nobody else is on this console, so that it was made for this program (Windows API,
    GetConsoleProcessList). Elsewhere: none of the three streams is a terminal, none is a pipe, at whose other end
    there is a program, and there is a screen. A file manager that opens a terminal for the program cannot be told
    from a person who types; for that there is a file of its own in the packaged folder.
    """
    if sys.platform == "win32":
        several = (ctypes.c_ulong * 2)()
        return ctypes.windll.kernel32.GetConsoleProcessList(several, 2) == 1
    if sys.platform != "darwin" and not (environment.get("DISPLAY") or environment.get("WAYLAND_DISPLAY")):
        return False
    return not any(_is_held(handle) for handle in range(3))


def _is_held(handle: int) -> bool:
    try:
        return os.isatty(handle) or stat.S_ISFIFO(os.fstat(handle).st_mode)
    except OSError:  # it is closed
        return False


def wait_for_enter() -> None:
    """Let what was said be read: on Windows the window closes with the program."""
    if sys.platform == "win32":
        sys.stderr.write("Press Enter to close this window.\n")
        sys.stdin.readline()
