"""Where the hands of a fetch stand, as plain data for the page: those at work, and those that have left. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from packer.fetching.reports import HandProgress, LayerProgress

__all__ = ["HandsSeen"]


class HandsSeen:
    """Remembers which hands were at work, so that those that have left are shown as well."""

    def __init__(self) -> None:
        self._known: dict[str, HandProgress] = {}
        self._left: dict[str, dict[str, Any]] = {}

    def note(self, layers: Sequence[LayerProgress], now: float) -> dict[str, Any]:
        """Where they stand at `now`, in seconds since 1970: `here` are those at work; `left` those that were, with
        `tiles` that came from each, `at` what time it left and whether it was `lost`, which is to say not heard any
        more. None of them before hands may join."""
        lent = [one for one in layers if one.hands is not None]
        roster = (lent[0].hands or ()) if lent else tuple(self._known.values())
        here = {hand.name: hand for hand in roster}
        for name, hand in self._known.items():
            if name not in here:
                left = {"name": name, "tiles": hand.tiles, "at": round(now, 1), "lost": hand.silent_s > 0}
                self._left[name] = left
        for name in here:
            self._left.pop(name, None)
        self._known = here
        return {
            "here": [_told(hand) for hand in roster],
            "left": list(self._left.values()),
        }


def _told(hand: HandProgress) -> dict[str, Any]:
    rounded = {
        name: round(getattr(hand, name), 1)
        for name in ("tiles_per_second", "bits_per_second", "silent_s", "given_up_in_s", "kept_s")
    }
    return {**asdict(hand), **rounded}
