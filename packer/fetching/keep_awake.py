"""Keeps the machine from falling asleep while a fetch runs, where its system lets a program ask for that."""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Callable
from contextlib import AbstractContextManager
from types import TracebackType
from typing import Self

__all__ = ["KeepAwake"]

_END_S = 3.0  # a session bus that hangs must not hold up the end of a fetch

Ask = Callable[[], AbstractContextManager[str | None]]
"""Asks the system; the block's value is None where it agreed, else a sentence that says why not."""


class KeepAwake:
    """`with KeepAwake(note):` keeps the machine awake as far as that can be had; the screen may go dark.

    `note` is called once, maybe from another thread, with a sentence where it cannot be had. Nothing is waited for at
    the start. If the process dies: the system drops the request with it.
    """

    def __init__(self, note: Callable[[str], None], ask: Ask | None = None) -> None:
        self._note, self._ask = note, ask or _by_wakepy
        self._why_not = _why_not() if ask is None else None
        self._over = threading.Event()
        self._thread: threading.Thread | None = None

    def __enter__(self) -> Self:
        if self._why_not is not None:
            self._note(self._why_not)
            return self
        # A thread of its own: the request belongs to the thread that made it (SetThreadExecutionState of Windows),
        # and to load the library and to ask takes a moment for which no fetch should wait.
        self._thread = threading.Thread(target=self._hold, name="keep awake", daemon=True)
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._over.set()
        if self._thread is not None:
            self._thread.join(_END_S)

    def _hold(self) -> None:
        try:
            with self._ask() as refusal:
                if refusal is not None:
                    self._note(refusal)
                    return
                self._over.wait()
        except Exception as fault:  # noqa: BLE001  # whatever a system's service answers, the fetch goes on
            self._note(f"The machine is not kept awake: {type(fault).__name__}.")


def _why_not() -> str | None:
    """Why it need not be tried here, which spares loading the library."""
    if sys.platform not in ("win32", "darwin") and not os.environ.get("DBUS_SESSION_BUS_ADDRESS"):
        return "The machine is not kept awake: there is no desktop session (D-Bus) to ask."
    return None


class _by_wakepy(AbstractContextManager[str | None]):  # noqa: N801  # called like a function
    """Asks by the library wakepy."""

    def __enter__(self) -> str | None:
        from wakepy import keep  # costs a tenth of a second

        self._mode = keep.running(on_fail="pass")
        self._mode.__enter__()
        return (
            None if self._mode.active else "The machine is not kept awake: its system offers no way to ask."
        )

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._mode.__exit__(kind, fault, trace)
