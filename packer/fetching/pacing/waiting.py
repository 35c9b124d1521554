"""How long a fetch has waited for a host that could not be reached: time that says nothing of how fast tiles come.

A wait counts from the last tile that came and not from when the pause began, since an outage is noticed only once
requests have run into their time limits. A wait that the host asked for does count as pace: it is how fast it gives.
Pure: times are arguments.
"""

from __future__ import annotations

from packer.fetching.pacing.signals import PauseKind

__all__ = ["WaitingTime"]

_OUT_OF_REACH = (PauseKind.LINK, PauseKind.SIGN_IN, PauseKind.SERVER)


class WaitingTime:
    """Told when tiles came and when pauses began and ended; all times in seconds on one clock."""

    def __init__(self, now: float) -> None:
        self._sound_at = now
        self._since: float | None = None
        self._over_s = 0.0
        self._asked = False

    def came(self, now: float) -> None:
        """The host gave what only it can give."""
        self._sound_at = now

    def paused(self, kind: PauseKind | None, now: float) -> None:
        """The host is paused for this reason from now on, or not any more."""
        if self._asked:
            self._sound_at = now  # the wait that the host asked for is over
        self._asked = kind is PauseKind.ASKED
        if kind in _OUT_OF_REACH:
            if self._since is None:
                self._since = self._sound_at
            return
        if self._since is not None:
            self._over_s += now - self._since
            self._since = None
        self._sound_at = now

    def seconds(self, now: float) -> float:
        """Seconds waited so far, the present wait included."""
        return self._over_s + (0.0 if self._since is None else now - self._since)
