"""Answers that are no tile, held back until it is sure that the server itself has given them.

A device between here and the server may answer 404 or 403 to everything, which would leave a hole in the map
for good. So "no such tile" and a refusal count only if the host is known to have been itself both shortly
before and shortly after: by a tile that came, or by its robots.txt answering as it did when tiles came. Since
such a device may also come and go within seconds, the first answers that look unlike any earlier one are asked
for once more. And as long as a layer has never given a single tile its address may be wrong, and nothing it
lacks is noted at all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from packer.geometry.tileset import Tile

__all__ = ["MOST_HELD", "PendingAnswer", "Quarantine"]

_NEAR_S = 10.0  # nobody signs in, or changes networks, within so short a time
_ROW, _LONGEST_ROW = 8, 400  # so many in a row, with no tile between them, are asked about at once
MOST_HELD = 200_000  # some 50 MB


@dataclass(frozen=True, slots=True)
class PendingAnswer:
    """One such answer: its status, its looks (what tells one server's answers from another's), when it was
    asked for and when it came, on the run's clock, and for a refusal its kind and reason; None for "no such
    tile"."""

    tile: Tile
    status: int
    looks: tuple[str, ...]
    started: float
    came: float
    refusal: tuple[str, str] | None = None


class Quarantine:
    """What is held back of one layer. `proven` is whether the layer has ever given a tile."""

    def __init__(self, *, proven: bool) -> None:
        self.proven = proven
        self._held: list[PendingAnswer] = []
        self._familiar: set[tuple[str, ...]] = set()
        self._once: dict[Tile, tuple[str, ...]] = {}  # asked for once more: how the first answer looked
        self._sound_at = -math.inf
        self._ask_at, self._ask_count = math.inf, _ROW

    def __len__(self) -> int:
        return len(self._held)

    @property
    def lacks(self) -> int:
        """How many of those held are "no such tile"."""
        return sum(1 for held in self._held if held.refusal is None)

    def hold(self, word: PendingAnswer) -> None:
        """Take in one more."""
        if not self._held:
            self._ask_at = word.came + _NEAR_S / 2
        self._held.append(word)

    def is_due(self, now: float) -> bool:
        """Whether the row is long enough, in number or time, for the host to be asked about. Each time that
        this is so the next row may be twice as long, so that ground with many gaps costs few questions."""
        if not self.proven or (now < self._ask_at and len(self._held) < self._ask_count):
            return False
        self._ask_at, self._ask_count = now + _NEAR_S / 2, min(2 * self._ask_count, _LONGEST_ROW)
        return True

    def refusals(self) -> list[PendingAnswer]:
        """Take out the refusals, to be taken at their word."""
        found = [h for h in self._held if h.refusal is not None]
        self._held = [h for h in self._held if h.refusal is None]
        return found

    def confirm(self, now: float) -> tuple[list[PendingAnswer], list[Tile]]:
        """The host is itself just now: what is sure by that, and the tiles that have to be asked for again."""
        before, self._sound_at = self._sound_at, now
        if not self._held:
            return [], []
        held, self._held = self._held, []
        sure: list[PendingAnswer] = []
        again: list[PendingAnswer] = []
        for one in held:
            near = one.started - before <= _NEAR_S and now - one.came <= _NEAR_S
            (sure if near and self._is_familiar(one) else again).append(one)
        return sure, [one.tile for one in again]

    def _is_familiar(self, one: PendingAnswer) -> bool:
        """Whether an answer looks like the server's own, or has come for the second time."""
        first = self._once.pop(one.tile, None)
        if first == one.looks:
            self._familiar.add(first)
        if first is None and one.looks not in self._familiar:
            self._once[one.tile] = one.looks
            return False
        return True

    def reject(self) -> list[Tile]:
        """Someone else answers: the tiles to be asked for again."""
        held, self._held = self._held, []
        self._ask_count = _ROW
        return [h.tile for h in held]
