"""A wish to end a long job, from any thread."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from threading import RLock

__all__ = ["StopSignal"]


class StopSignal:
    """Handed to a long job; `set` asks the job to end early. May be set from any thread, and for several jobs."""

    def __init__(self) -> None:
        self._lock = RLock()  # a signal handler may set it in the thread that holds it
        self._is_set = False
        self._heard_by: list[Callable[[], None]] = []

    def set(self) -> None:
        """Ask for the end. More than once changes nothing."""
        with self._lock:
            if self._is_set:
                return
            self._is_set = True
            heard_by = list(self._heard_by)
        for listener in heard_by:
            listener()

    def is_set(self) -> bool:
        """Whether the end was asked for."""
        return self._is_set

    @contextlib.contextmanager
    def heard_by(self, listener: Callable[[], None]) -> Iterator[None]:
        """Have a function called when `set` is, in the thread that sets it; at once if it was set before."""
        with self._lock:
            called_for = self._is_set
            self._heard_by.append(listener)
        try:
            if called_for:
                listener()
            yield
        finally:
            with self._lock:
                self._heard_by.remove(listener)
