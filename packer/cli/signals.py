"""What ends a command from outside: Ctrl-C, a request to end, and a terminal that is closed."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
from collections.abc import Callable
from types import FrameType
from typing import TYPE_CHECKING, NoReturn

from packer.errors import EXIT_NOT_COMPLETE

if TYPE_CHECKING:
    import asyncio

__all__ = ["end_process", "end_quietly", "on_stop_signals", "stop_signals_as_ctrl_c"]

_STDOUT, _STDERR = 1, 2


def on_stop_signals(loop: asyncio.AbstractEventLoop, stop: Callable[[], None]) -> None:
    """Have `stop` called in the loop for each Ctrl-C, SIGTERM and SIGHUP, and Ctrl-Break on Windows; under nohup,
    SIGHUP stays ignored."""
    terminals = [handle for handle in (_STDOUT, _STDERR) if os.isatty(handle)]

    def hang_up() -> None:
        _mute(terminals)
        stop()

    try:
        for name in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(name, stop)
    except NotImplementedError:  # the loops of Windows take none
        _on_plain_signals(loop, stop)
    else:
        if sys.platform != "win32" and signal.getsignal(signal.SIGHUP) != signal.SIG_IGN:
            loop.add_signal_handler(signal.SIGHUP, hang_up)


def _on_plain_signals(loop: asyncio.AbstractEventLoop, stop: Callable[[], None]) -> None:
    """The same by handlers of the interpreter, which run between two of its steps and may only tell the loop."""

    def tell(_number: int, _frame: FrameType | None) -> None:
        with contextlib.suppress(RuntimeError):  # the loop has ended, and with it what was to be stopped
            loop.call_soon_threadsafe(stop)

    for name in ("SIGINT", "SIGBREAK", "SIGTERM"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), tell)


def stop_signals_as_ctrl_c() -> None:
    """Have SIGTERM and SIGHUP raise KeyboardInterrupt in the main thread; under nohup, SIGHUP stays ignored."""
    terminals = [handle for handle in (_STDOUT, _STDERR) if os.isatty(handle)]

    def hang_up(_number: int, _frame: FrameType | None) -> NoReturn:
        _mute(terminals)
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, signal.default_int_handler)
    if sys.platform != "win32" and signal.getsignal(signal.SIGHUP) != signal.SIG_IGN:
        signal.signal(signal.SIGHUP, hang_up)


def _mute(terminals: list[int]) -> None:
    """Let what is still said go nowhere: to write to a terminal that is gone is an error (EIO, termios(3)), which
    would end a fetch that is about to end in order."""
    null = os.open(os.devnull, os.O_WRONLY)
    for handle in terminals:
        os.dup2(null, handle)
    os.close(null)


def end_quietly(_number: int, _frame: FrameType | None) -> NoReturn:
    """A handler for Ctrl-C while the program loads, when there is nothing to be brought to an end yet."""
    os.write(_STDERR, b"Stopped.\n")
    os._exit(EXIT_NOT_COMPLETE)


def end_process(code: int) -> NoReturn:
    """End the process once everything is closed, without taking the interpreter apart.

    An exchange that was abandoned before its head came goes on in a thread of the HTTP client even when the client is
    closed. If that thread comes back to Python while the interpreter is taken apart, the process is aborted
    ("PyGILState_Release", SIGABRT): 1 of 40 runs of the client alone (measured). Nothing relies on what Python does at
    its end.
    """
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(OSError, ValueError, AttributeError):
            stream.flush()
    os._exit(code)
