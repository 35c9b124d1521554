"""The caps of one host, lent to hands: who may use how much of them, and until when.

What is lent to all hands together is never more than the caps. A share is lent until an end, and counts for a little
longer, since clocks differ and a request that was sent just before the end still arrives. Only after that, or once its
hand has said that it uses less, is it lent again. So a hand that dies, freezes or is cut off costs its share for a
while, and never lets the caps be exceeded.

Connections that nothing uses stay open at a machine that froze or sleeps, and count at their server. So the connections
of a loan that ended without a word of its hand are kept for some time more: until the hand is heard again, is known to
be gone, or a server has most likely closed them.

Pure: times are arguments.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from packer.fetching.pacing.cap_shares import Caps

__all__ = ["NOTHING", "ShareBook", "fair_shares", "promised_until"]

NOTHING = Caps(0, 0)
_TURN_S = 5.0  # of a hand, where there are more hands than connections or starts


def promised_until(before: float, left_s: float, now: float, length_s: float) -> float:
    """When a lease of `length_s` ends that is given now, to a hand that was promised one until `before` and had, as it
    says, `left_s` of it. The answer may be lost: until it is heard of, what was promised before holds as well."""
    return max(now + length_s, min(before, now + left_s))


@dataclass(frozen=True, slots=True)
class _Loan:
    """`caps` are lent until `ends`, in seconds on the clock of whoever lends them."""

    caps: Caps
    ends: float
    gone: bool = False  # its hand has stopped, or died, so that its connections are closed by then


class ShareBook:
    """What is lent of one host's caps. A loan counts for `lag_s` seconds after its end, or for `span_s` after its
    hand has said that it has stopped: so long the starts of its requests count against the rate. The connections of one
    whose hand is silent count for `idle_s` more."""

    def __init__(self, lag_s: float, span_s: float = 0.0, idle_s: float = 0.0) -> None:
        self.lag_s, self.span_s, self._idle_s = lag_s, span_s, idle_s
        self._loans: dict[str, _Loan] = {}

    def lent(self, now: float) -> Caps:
        """What may be in use by all hands together."""
        return self._sum(now, None)

    def lent_until(self, now: float) -> float | None:
        """When nothing of it is in use any more if no hand is heard again; None if nothing is lent."""
        self._forget(now)
        ends = (
            loan.ends + self.lag_s if self._runs(loan, now) else self._kept_until(loan)
            for loan in self._loans.values()
        )
        return max(ends, default=None)

    def kept_s(self, hand: str, now: float) -> float:
        """For how many seconds more nobody else gets the connections of a hand whose loan is over; 0 if it is not."""
        loan = self._loans.get(hand)
        return 0.0 if loan is None or self._runs(loan, now) else max(self._kept_until(loan) - now, 0.0)

    def renew(self, hand: str, due: Caps, using: Caps, caps: Caps, now: float, ends: float) -> Caps:
        """Lend `hand` as much of what is due to it as nobody else has, until `ends`; gives what it may use.

        `using` is what it may still use of an earlier, larger share: that stays lent to it. `caps` are those of the
        host just now. `ends` may be sooner than was said before, if the hand knows: see `promised_until`.
        """
        others, before = self._sum(now, hand), self._loans.get(hand)
        lent = Caps(
            max(0, min(due.connections, caps.connections - others.connections)),
            max(0, min(due.starts, caps.starts - others.starts)),
        )
        if 0 in lent:  # one without the other is of no use to anybody
            lent = NOTHING
        held = before.caps if before is not None else NOTHING
        if before is not None and not self._runs(before, now):
            held = Caps(held.connections, 0)  # others may have the starts
        kept = Caps(
            max(lent.connections, min(using.connections, held.connections)),
            max(lent.starts, min(using.starts, held.starts)),
        )
        if kept == NOTHING:
            self._loans.pop(hand, None)
        else:
            self._loans[hand] = _Loan(kept, ends)
        return lent

    def end(self, hand: str, now: float) -> None:
        """The hand is known to ask for nothing any more: its loan is over, but for the starts of its last requests."""
        if (loan := self._loans.get(hand)) is not None:
            self._loans[hand] = _Loan(loan.caps, min(loan.ends, now - self.lag_s + self.span_s), gone=True)

    def hung_up(self, hand: str) -> None:
        """The hand's way to here was closed at its end, as a process does that dies: what else it had open is closed
        as well, or will be by the end of its loan."""
        if (loan := self._loans.get(hand)) is not None:
            self._loans[hand] = replace(loan, gone=True)

    def _runs(self, loan: _Loan, now: float) -> bool:
        """Whether requests may still be sent by it, or arrive."""
        return now <= loan.ends + self.lag_s

    def _kept_until(self, loan: _Loan) -> float:
        return loan.ends + self.lag_s + (0.0 if loan.gone else self._idle_s)

    def _sum(self, now: float, but: str | None) -> Caps:
        self._forget(now)
        loans = [loan for hand, loan in self._loans.items() if hand != but]
        starts = sum(loan.caps.starts for loan in loans if self._runs(loan, now))
        return Caps(sum(loan.caps.connections for loan in loans), starts)

    def _forget(self, now: float) -> None:
        for hand in [hand for hand, loan in self._loans.items() if now > self._kept_until(loan)]:
            del self._loans[hand]


def fair_shares(caps: Caps, needs: Mapping[str, Caps], now: float) -> dict[str, Caps]:
    """What is due to each hand that has a need: equal shares, but what one cannot use goes to the others (max-min
    fairness). Where there are more hands than connections or starts, they take turns."""
    names = sorted(name for name, need in needs.items() if 0 not in need)
    places = min(caps)
    if len(names) > places:
        first = int(now / _TURN_S) * places
        names = [names[(first + i) % len(names)] for i in range(places)]
    connections = _filled(caps.connections, {name: needs[name].connections for name in names})
    starts = _filled(caps.starts, {name: needs[name].starts for name in names})
    return {name: Caps(connections[name], starts[name]) if name in connections else NOTHING for name in needs}


def _filled(whole: int, needs: Mapping[str, int]) -> dict[str, int]:
    """`whole` dealt out, the least need first, so that what it leaves is there for the others."""
    dealt: dict[str, int] = {}
    for number, name in enumerate(sorted(needs, key=lambda name: (needs[name], name))):
        dealt[name] = min(needs[name], whole // (len(needs) - number))
        whole -= dealt[name]
    # What nobody needs just now is shared out as well: a need may grow within a second.
    return {
        name: share + whole // len(needs) + (n < whole % len(needs))
        for n, (name, share) in enumerate(dealt.items())
    }
