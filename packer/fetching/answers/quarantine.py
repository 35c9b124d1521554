"""Quarantine: answers that are no tile wait here until it is sure that the server itself has given them.

Why. A tile proves itself: nobody in between can make one. A "no such tile" or a refusal does not. A hotel's network
may answer 404 or 403 to everything, and a 404 that is believed is never asked for again: a hole in the map for good.

So such an answer counts only if the host is known to have been itself shortly before it and shortly after it: by a
tile that came, or by its robots.txt answering as it did when tiles came. Since a network may also take over and let go
again within seconds, answers that look unlike any earlier one are asked for a second time. And as long as a layer has
never given a single tile its address may be wrong, and none of its tiles is noted as absent. A tile of the first few
zooms does not count for that: with the numbers of an address in the wrong order some of those come all the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from packer.fetching.transports import Response, Result
from packer.geometry.tileset import Tile

__all__ = ["MOST_HELD", "PendingAnswer", "Quarantine", "signature_of"]

_NEAR_S = 10.0  # nobody signs in, or changes networks, within so short a time
_FIRST_ROW, _LONGEST_ROW = 8, 400  # so many in a row, with no tile between them, are asked about at once
_NONE_AT_FIRST = 24  # of the first tiles: then it is time to doubt the address
MOST_HELD = 200_000  # some 50 MB

Signature = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PendingAnswer:
    """One answer in quarantine.

    `signature` is what one server's answers have in common and another's do not. `started` and `came` are when the
    tile was asked for and when the answer was in, on the run's clock. `refusal` holds the kind and the reason of a
    refusal, None for "no such tile".
    """

    tile: Tile
    status: int
    signature: Signature
    started: float
    came: float
    refusal: tuple[str, str] | None = None


class Quarantine:
    """The pending answers of one layer. `proven` is whether the layer has ever given a tile from `telling_zoom` on."""

    def __init__(self, *, proven: bool, telling_zoom: int = 0) -> None:
        self.proven = proven
        self._telling_zoom, self._doubt_at = telling_zoom, _NONE_AT_FIRST
        self._held: list[PendingAnswer] = []
        self._known: set[Signature] = set()  # those of the server
        self._seen_once: dict[Tile, Signature] = {}  # of the tiles that are asked for a second time
        self._confirmed_at = -math.inf
        self._due_at, self._due_count = math.inf, _FIRST_ROW

    def __len__(self) -> int:
        return len(self._held)

    @property
    def absent(self) -> int:
        """How many of those held are "no such tile"."""
        return sum(1 for held in self._held if held.refusal is None)

    def hold(self, answer: PendingAnswer) -> None:
        """Take in one more."""
        if not self._held:
            self._due_at = answer.came + _NEAR_S / 2
        self._held.append(answer)

    def tile_came(self, tile: Tile) -> None:
        """The layer has given this tile."""
        self.proven = self.proven or tile.zoom >= self._telling_zoom

    @property
    def is_doubtful(self) -> bool:
        """Whether so many tiles do not exist, and none that tells has come, that the address may be wrong."""
        return not self.proven and len(self._held) >= self._doubt_at and self.absent > 0

    def doubt_settled(self, *, right: bool) -> None:
        """The address was tried: it is `right`, or nothing could tell, so that it is tried again much later."""
        self.proven, self._doubt_at = self.proven or right, 2 * len(self._held)

    def is_due(self, now: float) -> bool:
        """Whether the row is long enough, in number or time, for the host to be asked about itself. Each time that
        this is so the next row may be twice as long, so that ground with many gaps costs few questions."""
        if not self.proven or (now < self._due_at and len(self._held) < self._due_count):
            return False
        self._due_at, self._due_count = now + _NEAR_S / 2, min(2 * self._due_count, _LONGEST_ROW)
        return True

    def take_refusals(self) -> list[PendingAnswer]:
        """Take out the refusals, to be believed as they are."""
        found = [h for h in self._held if h.refusal is not None]
        self._held = [h for h in self._held if h.refusal is None]
        return found

    def confirm(self, since: float, now: float) -> tuple[list[PendingAnswer], list[Tile]]:
        """The host has answered as only it can a request that started at `since`: what is sure by that, and the tiles
        that have to be asked for again.

        What came later than `since` stays held, unless it looks as the server's own answers do: a request that was
        under way meanwhile may have passed a device on the way before that device began to answer."""
        before, self._confirmed_at = self._confirmed_at, now
        if not self._held:
            return [], []
        held, self._held = self._held, []
        sure: list[PendingAnswer] = []
        again: list[PendingAnswer] = []
        for answer in held:
            if answer.came > since and answer.signature not in self._known:
                self._held.append(answer)
                continue
            # Both times matter: an answer in the middle of a long gap between two tiles may be anybody's.
            near = answer.started - before <= _NEAR_S and since - answer.came <= _NEAR_S
            (sure if near and self._is_the_servers(answer) else again).append(answer)
        return sure, [answer.tile for answer in again]

    def _is_the_servers(self, answer: PendingAnswer) -> bool:
        """Whether an answer looks as the server's do, or has come for the second time."""
        first = self._seen_once.pop(answer.tile, None)
        if first == answer.signature:
            self._known.add(first)
        if first is None and answer.signature not in self._known:
            self._seen_once[answer.tile] = answer.signature
            return False
        return True

    def reject(self) -> list[Tile]:
        """Somebody else answers: the tiles to be asked for again."""
        held, self._held = self._held, []
        self._due_count = _FIRST_ROW
        return [h.tile for h in held]


def signature_of(result: Result) -> tuple[str, ...]:
    """What a server's refusals have in common, whatever tile was asked for: not their text, which may name it."""
    if not isinstance(result, Response):
        return (result.kind.value,)
    return str(result.status), *(result.headers.get(name, "") for name in ("content-type", "server", "via"))
