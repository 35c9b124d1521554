"""Whether a stream takes the codes that move the cursor and set colours (ECMA-48); what does not would show them as
letters."""

from __future__ import annotations

import ctypes
import os
import sys
from typing import Any, TextIO

__all__ = ["takes_codes"]

_VIRTUAL_TERMINAL = 0x0004  # ENABLE_VIRTUAL_TERMINAL_PROCESSING, Windows API, SetConsoleMode


def takes_codes(stream: TextIO | None) -> bool:
    """Whether the stream is a terminal that follows them. The console of Windows does once it was told to, which is
    done here; older ones do not at all. TERM "dumb" and "unknown" say that a terminal does not."""
    if stream is None or not stream.isatty():
        return False
    if sys.platform == "win32":
        return _console_follows(stream, ctypes.windll.kernel32)
    return os.environ.get("TERM", "").lower() not in ("dumb", "unknown")


def _console_follows(stream: TextIO, kernel: Any) -> bool:
    handle = kernel.GetStdHandle(-11 if stream is sys.stdout else -12)
    mode = ctypes.c_ulong()
    if not kernel.GetConsoleMode(handle, ctypes.byref(mode)):
        return False  # a terminal that is no console, such as one over a serial line
    return bool(
        mode.value & _VIRTUAL_TERMINAL or kernel.SetConsoleMode(handle, mode.value | _VIRTUAL_TERMINAL)
    )
