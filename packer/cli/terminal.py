"""Whether a stream takes the codes that move the cursor and set colours (ECMA-48); what does not would show them as
letters."""

from __future__ import annotations

import ctypes
import io
import os
import sys
from typing import Any, TextIO

__all__ = ["show_square", "takes_codes"]

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


def show_square(text: str, error: str) -> None:
    """A text as a QR code on stdout, where there is a terminal that can show it. `error` is the level of ISO/IEC 18004,
    "l" to "h"."""
    if not takes_codes(sys.stdout) or "utf" not in (sys.stdout.encoding or "").lower():
        return
    import segno

    drawn = io.StringIO()
    segno.make(text, micro=False, error=error).terminal(drawn, border=2, compact=True)
    for line in drawn.getvalue().splitlines():
        # White on black whatever the terminal's own colours, which `echo` would not let through.
        sys.stdout.write(f"\033[97;40m{line}\033[0m\n")
