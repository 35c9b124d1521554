"""What each hand gets: of every host's caps, and of every layer's tiles."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from packer.fetching.hands.beats import Beat
from packer.fetching.hands.hand_state import HandState
from packer.fetching.hands.hands_fetcher import HandsFetcher
from packer.fetching.hands.hands_gate import CLOCKS_S, HandsGate
from packer.fetching.hands.shares import NOTHING, ShareBook, fair_shares
from packer.fetching.pacing.cap_shares import Caps
from packer.fetching.pacing.signals import PauseKind
from packer.geometry.tileset import Tile

__all__ = ["MOST_FAULTS", "Dealing"]

MOST_FAULTS = 5
"""Of what a hand sends, after which it is dealt nothing more."""

_LEAST, _MOST = 2, 4000  # tiles that a hand has in hand without having asked for them
_WORK_S = 2.5  # of its pace that a hand has in hand
_ITS_OWN = (PauseKind.LINK, PauseKind.SIGN_IN, PauseKind.SERVER)  # waits in which others may have better luck
_SPEED_UNIT = 1000.0  # bits a second, in which shares of a speed are counted
_NEARLY = 0.8  # of a share: so much taken, it may be what holds the hand back
_REFILL_S = 1.0  # from which on the tiles of a slow hand go to one that has none


@dataclass(slots=True)
class Dealing:
    """Deals to `hands`, by number, from `fetchers` by layer and `gates` by name, which the layers of
    `layers_at` ask, or are sent on to."""

    fetchers: Mapping[str, HandsFetcher]
    gates: Mapping[str, HandsGate]
    layers_at: Mapping[str, Sequence[str]]
    hands: dict[str, HandState] = field(default_factory=dict)
    speed_book: ShareBook = field(default_factory=lambda: ShareBook(CLOCKS_S))
    _wanted_back: set[tuple[str, str]] = field(default_factory=set)

    def shares(self, beat: Beat, hand: HandState, now: float, ends: float) -> dict[str, Caps]:
        """What the hand may use of each gate until `ends`."""
        found = {}
        for name, gate in self.gates.items():
            needs = {
                number: other.needs.get(name, gate.lendable)
                if self._has_work(number, other, name)
                else NOTHING
                for number, other in self.hands.items()
                if not other.silent(now)
            }
            caps = gate.lendable
            due = NOTHING if gate.quiet_s() > 0 else fair_shares(caps, needs, now)[beat.hand]
            using = beat.using.get(name, NOTHING)
            hand.shares[name] = found[name] = gate.book.renew(beat.hand, due, using, caps, now, ends)
        return found

    def speed(self, beat: Beat, hand: HandState, now: float, ends: float) -> float | None:
        """How many bits a second the hand may take until `ends`; None is without limit."""
        whole = next(iter(self.fetchers.values())).bits_per_second if self.fetchers else None
        if whole is None:
            self.speed_book.end(beat.hand, now)
            hand.speed = None
            return None
        units = int(whole / _SPEED_UNIT)
        needs = {
            number: self._speed_need(other, units, now) if self._works(number, other) else NOTHING
            for number, other in self.hands.items()
            if not other.silent(now)
        }
        due = fair_shares(Caps(units, units), needs, now)[beat.hand]
        using = min(int((beat.speed or 0.0) / _SPEED_UNIT), units)
        lent = self.speed_book.renew(beat.hand, due, Caps(using, using), Caps(units, units), now, ends)
        hand.speed = lent.connections * _SPEED_UNIT
        return hand.speed

    def _speed_need(self, hand: HandState, units: int, now: float) -> Caps:
        """A little more than it took of late, and all there is if that was its whole share."""
        took = hand.pace(now)[1] * 8 / _SPEED_UNIT
        share = units if hand.speed is None else hand.speed / _SPEED_UNIT
        need = units if hand.speed is None or took >= _NEARLY * share else int(1.5 * took) + units // 20 + 1
        return Caps(min(need, units), min(need, units))

    def _works(self, number: str, hand: HandState) -> bool:
        """Whether a hand has tiles to ask for at any host, or is to get some."""
        return any(self._has_work(number, hand, gate) for gate in self.gates)

    def _has_work(self, number: str, hand: HandState, gate: str) -> bool:
        """Whether a hand has tiles to ask this gate's host for, or is to get some."""
        return any(
            fetcher.leases.out_with(number) or (fetcher.has_more and name not in hand.failed)
            for name in self.layers_at[gate]
            if (fetcher := self.fetchers[name])
        )

    def deal(self, told: dict[str, Any], number: str, layer: str, now: float, ends: float) -> list[Tile]:
        """The tiles of a layer that a hand gets; `told` has then what it has to give back, and whether more may
        follow."""
        hand, fetcher = self.hands[number], self.fetchers[layer]
        gate = next(name for name, gate in self.gates.items() if gate is fetcher.gate)
        here = hand.unstarted.get(layer, 0)
        waits = gate in hand.waits and hand.waits[gate].kind in _ITS_OWN
        share = hand.share(gate)
        if layer in hand.failed or waits:
            at_end = fetcher.exhausted and self._others_work(number, layer, gate, now)
            keep = 0 if layer in hand.failed or at_end else _LEAST  # to find out by whether its link is back
            told["back"][layer] = max(0, here - keep)
            wanted = keep
            if at_end and fetcher.leases.out_with(number) > here:
                told["recall"].append(layer)
        else:
            pace = hand.pace(now)[0] / fetcher.tiles_each
            wanted = max(_LEAST * share.connections, int(pace * _WORK_S))
        wanted = min(wanted, _MOST) - here
        idle = wanted > 0 and not here and not waits
        if share == NOTHING or hand.faults >= MOST_FAULTS:
            wanted = 0
        dealt = fetcher.deal(number, wanted, ends) if wanted > 0 else []
        told["more"][layer] = fetcher.has_more
        if idle and not dealt and not fetcher.has_more and not fetcher.stopping:
            self._call_back(number, layer, now)
        elif (number, layer) in self._wanted_back:
            self._wanted_back.discard((number, layer))
            told["back"].setdefault(layer, here - here // 2)
        return dealt

    def _others_work(self, number: str, layer: str, gate: str, now: float) -> bool:
        """Whether another hand asks for this layer's tiles."""
        return any(
            other != number and gate not in hand.waits and layer not in hand.failed and not hand.silent(now)
            for other, hand in self.hands.items()
        )

    def _call_back(self, idle: str, layer: str, now: float) -> None:
        """A hand has nothing to ask for and none is left: one that would take long for its own is to give half back.
        What it is asking for just now stays with it."""
        left_s, slowest, each = _REFILL_S, None, self.fetchers[layer].tiles_each
        for number, hand in self.hands.items():
            here = hand.unstarted.get(layer, 0)
            takes_s = here * each / max(hand.pace(now)[0], 0.1)
            if number != idle and here > 1 and takes_s > left_s:
                left_s, slowest = takes_s, number
        if slowest is not None:
            self._wanted_back.add((slowest, layer))
