"""A gate's part in the record that the processes of one user share: its share of the caps, and pauses asked for."""

from __future__ import annotations

import math
import os
import uuid
from collections.abc import Callable, Iterable, Sequence
from functools import partial

from packer.common.clock import Clock
from packer.fetching.pacing.cap_shares import GONE_AFTER_S, Share
from packer.fetching.pacing.gate import Gate, Pause
from packer.fetching.pacing.shared_record import Content, SharedRecord, add_recent, claims_in, recent_in

__all__ = ["CapSharing"]

_EVERY_S = 0.5
_VALID_S = 5.0  # a process that was held up for longer has to look first
_FREE_LOOKS = 2  # with nothing in use beyond a smaller share, before the rest is given away
_REASON = "the server asks for fewer requests (429)"


class CapSharing:
    """Keeps one gate within its share. `hosts` are those behind the gate, each by its one name.

    `drop_idle` closes connections that nothing uses, before their places go to another process.
    """

    def __init__(
        self, gate: Gate, hosts: Iterable[str], clock: Clock, drop_idle: Callable[[], None] = lambda: None
    ) -> None:
        self._gate, self._clock, self._drop_idle = gate, clock, drop_idle
        self._records = [SharedRecord(host) for host in sorted(hosts)]
        self._name, self._own = uuid.uuid4().hex, gate.own_caps
        self._share: dict[int, Share] = {}
        self._lent: dict[int, float | None] = {}  # until when another process's hands use what is not granted
        self._counted: set[float] = set()  # starts of processes that have ended, counted as our own
        self._shrunk_at, self._free_looks = -math.inf, _FREE_LOOKS
        gate.on_asked = self._asked
        self._asked_until = -math.inf

    @property
    def problem(self) -> str | None:
        """Why a record cannot be used, if one cannot: the gate then keeps its own caps, for this process alone."""
        return next((r.problem for r in self._records if r.problem is not None), None)

    def join(self) -> None:
        """Take a share, if there is one, and note a pause that the host asked for. Waits for a lock for two seconds
        at most."""
        self._look(wait=True)

    def look(self) -> None:
        """Adapt the share to the processes there are; to be called twice a second."""
        self._look(wait=False)

    async def run(self) -> None:
        """Look twice a second. If cancelled: the share is kept until `leave`."""
        while True:
            await self._clock.sleep(_EVERY_S)
            self.look()

    def leave(self) -> None:
        """Give the share back. What was asked just now still counts for those who take it."""
        now, starts = self._clock.now(), self._gate.starts
        for record in self._records:

            def gone(content: Content) -> None:
                claims = claims_in(content, now)
                mine, until = claims.by_name.pop(self._name, None), self._gate.held_until
                if mine is not None and until > now:  # what was lent is not back yet
                    held = Share(mine["connections"], mine["starts"])
                    # Whoever comes has to wait for it from now on, and not for more signs of life from here.
                    claims.put(self._name, os.getpid(), held, self._own, now - GONE_AFTER_S, until)
                add_recent(content, (s for s in starts if s > now - self._gate.span_s))

            record.change(gone, wait=True)

    def _look(self, *, wait: bool) -> None:
        now = self._clock.now()
        for number, record in enumerate(self._records):
            found = record.change(partial(self._settle, number, now), wait=wait)
            if found is not None:
                self._share[number] = found
        self._apply(list(self._share.values()), now)

    def _settle(self, number: int, now: float, content: Content) -> Share:
        claims, own = claims_in(content, now), self._own
        recent = recent_in(content, now, self._gate.span_s)
        had = self._share.get(number, Share(0, 0))
        mine = claims.by_name.get(self._name)
        held = Share(mine["connections"], mine["starts"]) if mine else Share(0, 0)
        claims.put(self._name, os.getpid(), held, own, now)
        due = claims.due(self._name, own, now)
        granted = claims.grant(self._name, due)
        self._lent[number] = claims.lent_until(self._name) if 0 in granted else None
        # What is used may not be given away: a larger claim stands until it is used no more.
        still = granted if self._free_looks >= _FREE_LOOKS and had == granted else held
        claim = Share(max(granted.connections, still.connections), max(granted.starts, still.starts))
        until = self._gate.held_until
        claims.put(self._name, os.getpid(), claim, own, now, max(until + _EVERY_S, 0.0))
        if granted.starts > held.starts and (
            new := [start for start in recent if start not in self._counted]
        ):
            # They stay for others, of whom each may get a part of what became free.
            self._counted = set(recent)
            self._gate.count_starts(new)
        self._heed(content)
        return granted

    def _apply(self, shares: Sequence[Share], now: float) -> None:
        if len(shares) < len(self._records):
            return  # another process held a lock: look again
        share = Share(min(s.connections for s in shares), min(s.starts for s in shares))
        before = self._gate.share
        self._gate.set_share(share, math.inf if self.problem else now + _VALID_S)
        self._gate.await_leases(max((until for until in self._lent.values() if until), default=None))
        if share.connections < before.connections or share.starts < before.starts:
            self._shrunk_at, self._free_looks = now, 0
        if self._free_looks < _FREE_LOOKS:
            within = self._gate.in_flight <= share.connections and now - self._shrunk_at > self._gate.span_s
            self._free_looks = self._free_looks + 1 if within else 0
            self._gate.idle_closed()
            self._drop_idle()  # so that from here on no more are open than the share has

    # ------------------------------------------------------------------------------------ pauses

    def _asked(self, pause: Pause) -> None:
        """The host asked to be left alone: every process has to know."""
        until = self._clock.wall() + pause.until - self._clock.now()
        self._asked_until = max(self._asked_until, until)
        for record in self._records:
            record.change(lambda content: content.update(quiet_until=self._asked_until), wait=True)

    def _heed(self, content: Content) -> None:
        until = content.get("quiet_until", 0.0)
        wall = self._clock.wall()
        if not isinstance(until, float) or not wall < until <= wall + 86_400.0:  # a clock that was wrong
            return
        if until > self._asked_until:
            self._asked_until = until
            self._gate.leave_alone(_REASON, self._clock.now() + until - wall)
