"""What a hand has on a lease: tiles to ask for, shares of caps, and the time in which it may use them."""

from __future__ import annotations

import math
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from packer.common.clock import Clock, SystemClock
from packer.fetching.pacing.cap_shares import Caps
from packer.fetching.pacing.gate import Gate
from packer.fetching.tile_queue import TileQueue
from packer.fetching.transports import Result, Transport
from packer.geometry.tileset import Tile

__all__ = ["HandLease", "LeaseOverError", "LeaseTransport", "LeasedTiles", "ShareKeeper"]

_FREE_LOOKS = 2  # with nothing in use beyond a smaller share, before the rest is given away
_NEARLY = 0.8  # of a share of starts: so much in use, it may be what holds the hand back
_LATELY_S = 5.0


class LeaseOverError(Exception):
    """The hand's lease is over: nothing may be asked for, and what it had is with others."""


class HandLease:
    """How long the hand may go on, by every clock that its machine has: some of them stand still while it sleeps, and
    the one on the wall may be set. It is over as soon as one of them says so."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._begun: tuple[float, ...] = ()
        self._length_s = 0.0

    def now(self) -> tuple[float, ...]:
        """What the clocks show: to be read before the question that `renew` is the answer to."""
        boot = (
            (time.clock_gettime(time.CLOCK_BOOTTIME),)
            if isinstance(self._clock, SystemClock) and hasattr(time, "CLOCK_BOOTTIME")
            else ()
        )
        return (self._clock.now(), self._clock.wall(), *boot)

    def renew(self, asked: tuple[float, ...], length_s: float) -> float:
        """The lease lasts for `length_s` from when it was asked for; gives its end on the hand's clock. Raises
        LeaseOverError if the one before was over meanwhile."""
        if self._begun and self.left_s() <= 0:
            raise LeaseOverError
        self._begun, self._length_s = asked, length_s
        return asked[0] + length_s

    def left_s(self) -> float:
        """Seconds that are left of it, 0 or less once it is over."""
        if not self._begun:
            return 0.0
        passed = max(now - then for now, then in zip(self.now(), self._begun, strict=True))
        return self._length_s - passed


class LeaseTransport:
    """A transport that sends nothing once the lease is over, and waits for no answer beyond it."""

    def __init__(self, inner: Transport, lease: HandLease) -> None:
        self._inner, self._lease = inner, lease

    async def fetch(
        self, url: str, headers: Mapping[str, str], deadline_s: float, limit_bytes: int
    ) -> Result:
        """As `Transport.fetch`. Raises LeaseOverError. If cancelled: as there."""
        left_s = self._lease.left_s()
        if left_s <= 0:
            raise LeaseOverError
        return await self._inner.fetch(url, headers, min(deadline_s, left_s), limit_bytes)

    def drop_idle(self) -> None:
        """Close the connections that nothing uses."""
        getattr(self._inner, "drop_idle", lambda: None)()

    async def aclose(self) -> None:
        """As `Transport.aclose`. If cancelled: as there."""
        await self._inner.aclose()


@dataclass(slots=True)
class LeasedTiles(TileQueue):
    """A queue whose fresh tiles come by and by. `more` is whether others may follow those that are here."""

    fresh: Iterator[Tile] = field(default_factory=lambda: iter(()))
    more: bool = True
    _dealt: deque[Tile] = field(default_factory=deque)

    def deal(self, tiles: Iterable[Tile]) -> None:
        """These are to be asked for as well."""
        self._dealt.extend(tiles)
        self._exhausted = False

    @property
    def unstarted(self) -> int:
        """How many tiles are here that may be asked for at once, by any hand."""
        return len(self._dealt) + len(self._again)

    def take_back(self, count: int) -> list[Tile]:
        """So many of those, the last ones first. They are here no longer."""
        from_dealt = min(count, len(self._dealt))
        taken = [self._dealt.pop() for _ in range(from_dealt)]
        return taken + [self._again.pop() for _ in range(min(count - from_dealt, len(self._again)))]

    def hasten(self) -> None:
        """What waits for another attempt may be asked for at once: by another hand, whose link is better."""
        self._again.extend(tile for _, _, tile in sorted(self._later))
        self._later.clear()

    def _fresh(self) -> Tile | None:
        if self._dealt:
            return self._dealt.popleft()
        self._exhausted = not self.more
        return None


class ShareKeeper:
    """Keeps one gate within the share that is lent to the hand, and tells what of it is used and needed.

    `settling` holds while something may be in use beyond a smaller share that has just come.
    """

    def __init__(self, gate: Gate, clock: Clock, drop_idle: Callable[[], None]) -> None:
        self._gate, self._clock, self._drop_idle = gate, clock, drop_idle
        self._caps = gate.own_caps
        self._share = Caps(0, 0)
        self._open, self._looks = (
            0,
            0,
        )  # connections that may be open, and looks at which no more were than the share
        self._past: deque[tuple[float, int]] = deque()  # starts of larger shares, and until when they count
        self._busiest: deque[tuple[float, int]] = deque()
        gate.set_share(self._share, -math.inf)

    @property
    def settling(self) -> bool:
        """Whether more than the share may be in use."""
        return self._open > self._share.connections or bool(self._past)

    def take(self, share: Caps, ends: float) -> None:
        """The gate may use `share` until `ends` on the hand's clock."""
        if share.starts < self._share.starts:
            self._past.append((self._clock.now() + self._gate.span_s, self._share.starts))
        if share.connections < self._share.connections:
            self._looks = 0
        self._share, self._open = share, max(self._open, share.connections)
        self._gate.set_share(share, ends)

    def using(self) -> Caps:
        """What may still be in use; to be asked about twice a second."""
        now = self._clock.now()
        while self._past and self._past[0][0] < now:
            self._past.popleft()
        if self._open > self._share.connections:
            self._gate.idle_closed()
            self._drop_idle()  # idle connections count at the server
            within = self._gate.in_flight <= self._share.connections
            self._looks = self._looks + 1 if within else 0
            if self._looks >= _FREE_LOOKS:
                self._open = self._share.connections
        return Caps(self._open, max([self._share.starts, *(starts for _, starts in self._past)]))

    def need(self) -> Caps:
        """What the hand could make use of: a little more than it used of late, and all there is if that was its whole
        share. A hand that waits needs only what a probe does."""
        if self._gate.pause is not None:
            return Caps(1, 1)
        if 0 in self._share:
            return self._caps
        now = self._clock.now()
        starts = sum(start > now - self._gate.span_s for start in self._gate.starts)
        self._busiest.append((now, starts))
        while self._busiest[0][0] < now - _LATELY_S:
            self._busiest.popleft()
        most = max(count for _, count in self._busiest)
        full = self._gate.in_flight >= self._share.connections and self._gate.width >= self._share.connections
        return Caps(
            self._caps.connections if full else self._gate.width + 1,
            self._caps.starts if most >= _NEARLY * self._share.starts else int(1.5 * most) + 2,
        )
