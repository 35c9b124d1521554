"""What a host's own answer for robots.txt looks like, and when a reading of it is believed to be the host's own.

Over plain HTTP a network that wants a sign-in can answer in the host's place, and it may take over and let go again at
any moment. So a reading is believed only between two tiles: one that came shortly before it and one that was asked for
shortly after it, and only if no page came for a tile in between. What looks like a sign-in page itself is believed only
if it came twice in a stretch of time in which every single answer was a tile: a network answers everything alike.

Pure: times are arguments.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

__all__ = ["HostReading", "HostSample", "OwnAnswer", "SeenBeside"]

_LASTING_S = (
    600.0  # longer than a device on the way or a server in trouble answers alike; from experience, no source
)
_NEAR_S = 10.0  # nobody signs in, or changes networks, within so short a time: as in `answers.quarantine`


@dataclass(frozen=True, slots=True)
class HostSample:
    """What of an answer distinguishes one host from another: no more than the same server would say again.

    `foreign` holds for what may well be the page of a network that wants a sign-in.
    """

    status: int
    kind: str
    server: str
    body: bytes  # its SHA-256; empty once it was seen to differ from one answer to the next
    foreign: bool

    def equals(self, other: HostSample) -> bool:
        """Whether one server may have given both."""
        whole = self.body == other.body or not (self.body and other.body)
        return whole and self.head == other.head

    @property
    def head(self) -> tuple[int, str, str]:
        """All but the body."""
        return self.status, self.kind, self.server

    def common(self, other: HostSample) -> HostSample:
        """What two answers of one host have in common."""
        return self if self.body == other.body else replace(self, body=b"")


class HostReading(NamedTuple):
    """An answer for robots.txt: asked for at `started`, in at `ended`. The tile before it was asked for at `tile_asked`
    and in at `tile_came`."""

    sample: HostSample
    started: float
    ended: float
    tile_asked: float = -math.inf
    tile_came: float = -math.inf


class SeenBeside(NamedTuple):
    """What other answers of the host show: when the latest request started that brought a tile, when a page came last
    for a tile, and when anything came last that anybody may have given."""

    last_tile: float
    foreign_at: float
    unsure_at: float

    def disturbed_at(self, sample: HostSample) -> float:
        """When the latest answer came that speaks against a reading beside it."""
        return max(self.foreign_at, self.unsure_at) if sample.foreign else self.foreign_at


class OwnAnswer:
    """The host's own answer, as far as it is known. `proven` holds where nobody else can answer in the host's name.

    `settled` holds once two readings have agreed.
    """

    def __init__(self, *, proven: bool) -> None:
        self.settled = False
        self._proven = proven
        self._own: HostSample | None = None
        self._since = math.inf  # of a page that is believed
        self._pending: HostReading | None = None
        self._earlier: HostReading | None = None  # the latest one before
        self._first_alike: HostReading | None = None  # of those since the last tile that are like the latest

    @property
    def is_pending(self) -> bool:
        """Whether a reading waits for the tile after it."""
        return self._pending is not None

    def sample(self, beside: SeenBeside) -> HostSample | None:
        """The host's own answer, None if it is not known. A page says nothing once somebody gave a page for a tile."""
        own = self._own
        if own is not None and own.foreign and not self._proven and beside.foreign_at > self._since:
            return None
        return own

    def set_own(self, sample: HostSample) -> None:
        """It is sure by other means that the host itself gave this answer."""
        self._own = sample

    def note(self, reading: HostReading) -> None:
        """A reading before any tile: one to compare with."""
        self._earlier = reading

    def note_again(self, reading: HostReading) -> None:
        """A reading of a host in whose name nobody else can answer, when no tile came: a robots.txt that has changed is
        its own once every reading of some minutes agrees. Before, it may be that of a device on the way that this
        machine was told to trust, as in offices."""
        found, first = reading.sample, self._first_alike
        if first is None or first.sample.head != found.head:
            self._first_alike = reading
        elif reading.started - first.started >= _LASTING_S and not found.foreign and found.status < 500:
            self._own = found
        self._earlier = reading

    def learn(self, reading: HostReading, beside: SeenBeside) -> None:
        """A reading that was made because a tile had just come."""
        self._first_alike = None
        if self._proven:
            self._believe(reading, beside)
            self._earlier = reading
        else:
            self._pending = reading

    def tile_came(self, beside: SeenBeside) -> bool:
        """A tile came: see what becomes of the reading that waits. Whether it was believed."""
        reading = self._pending
        assert reading is not None
        if beside.disturbed_at(reading.sample) >= reading.tile_asked:
            self._pending = None
        elif beside.last_tile > reading.ended:
            self._pending = None
            if max(reading.started - reading.tile_came, beside.last_tile - reading.ended) <= _NEAR_S:
                self._believe(reading, beside)
                self._earlier = reading
                return True
        return False

    def _believe(self, reading: HostReading, beside: SeenBeside) -> None:
        found, earlier, own = reading.sample, self._earlier, self.sample(beside)
        others = [] if own is None else [own]
        if earlier is not None and (self._proven or beside.disturbed_at(found) < earlier.started):
            others.append(earlier.sample)
        for other in others:
            if other.head == found.head:
                # A body that differs all the same is another with each answer.
                self._own, self.settled, self._since = found.common(other), True, reading.ended
                return
        if not found.foreign and not (self._proven and own is not None):
            self._own = found
