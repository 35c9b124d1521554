"""The pauses of one host: when nobody may ask it, for how long, and who finds out that it is back.

Why a machine of its own. A fetch runs for hours on links that fail in four ways, and each wants another answer:

    the link is down              nobody is bothered by a try: try often, for it may be there for seconds only
    a network wants a sign-in     the same, since it is the network that answers and not the server
    the server is in trouble      each try adds to its load: try ever more rarely
    the server asked for a wait   it is obeyed to the second, whatever else comes in meanwhile

In a pause one request at a time, the probe, finds out whether the host is back. If it has not ended after some
seconds, a second one joins it. All others wait: a hundred workers
that each wear out their attempts on a dead link would give up a hundred sound tiles.

What ends a pause is an answer that only the host can give, such as a tile. A mere answer does not: the page of a
network that wants a sign-in is one too. And what was asked before the last such answer says nothing of what
came after it, so a straggler that fails then starts no pause.

Pure: times are arguments, chance is handed in, and nothing here waits.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from packer.fetching.pacing.limits import OverloadDetector, Start
from packer.fetching.pacing.retries import Retries
from packer.fetching.pacing.signals import Failed, PauseKind, Throttled

__all__ = ["Pause", "PauseMachine", "Permit"]

_FIRST_PROBE_S = 1.0
_LONGEST_PROBE_S = 30.0
# A probe of a link that is down, or of a sign-in page, costs the server nothing: a link that flaps is to be
# caught while it is there.
_LONGEST_LINK_PROBE_S, _LONGEST_EARLY_PROBE_S, _EARLY_S = 10.0, 2.0, 60.0
_FIRST_WAIT_S, _LONGEST_WAIT_S = 1.0, 60.0  # after an answer such as 429 that names no time
_SECOND_PROBE_S = 5.0  # a probe that trickles or hangs must not hold the whole host up to its time limit
_MOST_PROBES = 2
_LEAST_FAILURES = 3  # in a row, before they speak of the host and not of some tiles


@dataclass(frozen=True, slots=True)
class Pause:
    """A pause of the whole host. `where` is where to sign in, if known; times on the run's clock."""

    kind: PauseKind
    reason: str
    where: str | None
    since: float
    until: float


@dataclass(slots=True, eq=False)
class Permit:
    """Permission to send one request, which started at `started`, by what counts it against the rate, `start`.
    `received` is when the answer was in, if that was said before its verdict;
    `hasty` is whether the request is but a short look; `speed_s` is what it took of the speed that is allowed."""

    started: float
    probe: bool
    start: Start = field(default_factory=lambda: Start(0.0))
    received: float | None = None
    hasty: bool = False
    speed_s: float = 0.0


class PauseMachine:
    """Told how requests went, and when; says until when the host is left alone, and which request is the probe.

    `reached` holds once the host has answered for itself in this run, `ever_good` once it has given a tile.
    `last_success` is when the latest request started that the host answered as only it can.
    `chance` gives numbers from 0 up to 1.
    """

    def __init__(self, chance: Callable[[], float]) -> None:
        self.pause: Pause | None = None
        self.reached = self.ever_good = False
        self.last_success = -math.inf
        self._chance = chance
        self._probes: list[Permit] = []  # under way, oldest first
        self._probe_s = _FIRST_PROBE_S
        self._failures = 0  # in a row, since anything was answered
        self._overload = OverloadDetector()
        self._own_waits, self._waits_counted_at = 0, -math.inf
        self._waits = Retries(_FIRST_WAIT_S, _LONGEST_WAIT_S, chance)

    # ------------------------------------------------------------------------------------ who may ask

    def next_start(self) -> float:
        """The earliest time of the next request: long past without a pause; while a probe is under way, some seconds
        after its start, and never while two are."""
        if self.pause is None:
            return -math.inf
        if not self._probes:
            return self.pause.until
        if len(self._probes) >= _MOST_PROBES:
            return math.inf
        return max(self.pause.until, self._probes[-1].started + _SECOND_PROBE_S)

    def admit(self, now: float) -> Permit:
        """A request starts, which in a pause is the probe."""
        permit = Permit(now, self.pause is not None)
        if permit.probe:
            self._probes.append(permit)
        return permit

    def returned(self, permit: Permit) -> None:
        """The request is over: if it was the probe, another one may be."""
        if permit in self._probes:
            self._probes.remove(permit)

    # ------------------------------------------------------------------------------------ how requests went

    def succeeded(self, since: float, now: float) -> None:
        """The host answered, to what was asked of it at `since`, as only it can."""
        self._overload.eased()
        self.ever_good = True
        self.confirmed(since, now)

    def confirmed(self, since: float, now: float) -> None:
        """It is known by other means that it was the host that answered at `since`. Ends a pause that may end."""
        self.ever_good = self.reached = True
        self.last_success = max(self.last_success, since)
        self._failures = self._own_waits = 0
        if self.pause is not None and not self._bound(now):
            self._probe_s = _FIRST_PROBE_S
            self.pause = None
            self._probes.clear()  # one that is still out is a request like any other

    def unverified(self, permit: Permit, now: float) -> None:
        """An answer came that the host may have given, or somebody in its place: a probe is to be repeated."""
        self._failures = 0
        if self.pause is not None and permit in self._probes:
            self.pause = replace(self.pause, until=max(self.pause.until, now + _FIRST_PROBE_S))

    def failed(self, permit: Permit, now: float, failure: Failed, width: int) -> None:
        """No proper answer came, where `width` requests may be under way at once."""
        kind = failure.kind
        self._failures += 1
        if kind is None and self._failures >= max(_LEAST_FAILURES, width):
            kind = PauseKind.SERVER if failure.by_server else PauseKind.LINK
        if self.pause is not None:
            # Only the probe's failure says something new, and a time that the host asked for stands all the same.
            if permit in self._probes and not self._bound(now):
                before, kind = self.pause, kind or self.pause.kind
                self._probe_s = _next_probe_s(self._probe_s, kind, now - before.since)
                where, until = failure.where or before.where, now + self._spread_probe_s()
                self.pause = Pause(kind, failure.reason, where, before.since, until)
        elif kind is not None and permit.started > self.last_success:
            self._probe_s = _FIRST_PROBE_S
            self.pause = Pause(kind, failure.reason, failure.where, now, now + self._spread_probe_s())

    def tile_failed(self, permit: Permit, now: float, reason: str) -> None:
        """A tile failed by its own fault, which says nothing of the host. As a probe it leaves the pause as it is."""
        if self.pause is not None and permit in self._probes:
            self.failed(permit, now, Failed(reason), 0)

    def intercepted(self, now: float, reason: str) -> None:
        """Somebody else answers in the host's place, which more than one request has shown."""
        before = self.pause
        if self._bound(now):
            return
        if before is None:
            self._probe_s = _FIRST_PROBE_S
        else:
            self._probe_s = _next_probe_s(self._probe_s, PauseKind.SIGN_IN, now - before.since)
        where, since = (before.where, before.since) if before is not None else (None, now)
        self.pause = Pause(PauseKind.SIGN_IN, reason, where, since, now + self._spread_probe_s())

    def throttled(self, permit: Permit, now: float, wish: Throttled) -> bool:
        """The host asks for a wait. Whether that is heeded, or taken for one tile's own trouble."""
        repeated = self._overload.throttled()
        if not (wish.seconds > 0 or wish.explicit or repeated or permit in self._probes):
            return False
        until, before = now + (wish.seconds or self._own_wait_s(permit, now)), self.pause
        if before is None or not self._bound(now) or until > before.until:
            since = before.since if before is not None else now
            self.pause = Pause(PauseKind.ASKED, wish.reason, None, since, until)
        return True

    def left_alone(self, reason: str, now: float, until: float) -> None:
        """The host has asked, by another way than an answer to us, to be left alone until a time."""
        before = self.pause
        if before is None or not self._bound(now) or until > before.until:
            since = before.since if before is not None else now
            self.pause = Pause(PauseKind.ASKED, reason, None, since, until)

    # ------------------------------------------------------------------------------------ how long

    def _bound(self, now: float) -> bool:
        """Whether the time still runs for which the host asked to be left alone. It may only be lengthened:
        neither what else comes nor what fails meanwhile shortens it."""
        return self.pause is not None and self.pause.kind is PauseKind.ASKED and now < self.pause.until

    def _spread_probe_s(self) -> float:
        """The time to the next probe, a tenth more or less, so that many computers in one hotel do not all probe at
        the same moment."""
        return self._probe_s * (0.9 + 0.2 * self._chance())

    def _own_wait_s(self, permit: Permit, now: float) -> float:
        """How long to wait where the host named no time: up to twice as long each time, and never less than a
        quarter of that, since chance alone would also give next to nothing."""
        if permit.started >= self._waits_counted_at:  # the rest of one volley is no further sign
            self._own_waits, self._waits_counted_at = self._own_waits + 1, now
        longest_s = min(_FIRST_WAIT_S * 2.0 ** min(self._own_waits, 10), _LONGEST_WAIT_S)
        return max(self._waits.wait_s(max(self._own_waits, 1)), 0.25 * longest_s)


def _next_probe_s(probe_s: float, kind: PauseKind, paused_s: float) -> float:
    """The time to the next probe, given that to the last one and how long the pause has lasted."""
    longest = _LONGEST_PROBE_S
    if kind in (PauseKind.LINK, PauseKind.SIGN_IN):
        longest = _LONGEST_EARLY_PROBE_S if paused_s < _EARLY_S else _LONGEST_LINK_PROBE_S
    return min(2 * probe_s, longest)
