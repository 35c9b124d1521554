"""Answers in a row that say something of a whole layer, and not of a tile."""

from __future__ import annotations

__all__ = ["PageRow", "Unreached"]


class PageRow:
    """Sign-in pages in a row, `count` of them, about which the host is asked first after `ask_at`."""

    def __init__(self, ask_at: int) -> None:
        self.count = 0
        self._ask_at = ask_at

    def another(self) -> bool:
        """One more has come; whether it is time to ask about them. A sign-in may take hours: few questions in all."""
        self.count += 1
        if self.count != self._ask_at:
            return False
        self._ask_at *= 2
        return True


class Unreached:
    """Requests of a layer that reached no server, while other servers behind its gate answer: if those answer time and
    again between this layer's failures, and its own never does, its requests would hold theirs up to the end."""

    def __init__(self) -> None:
        self._at: float | None = None  # when the last of them started
        self._passed_over = 0

    def another(self, started: float, last_success: float) -> int:
        """One more; how often by now another server answered between two of them."""
        before, self._at = self._at, started
        self._passed_over += before is not None and last_success > before
        return self._passed_over
