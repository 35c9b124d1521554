"""The planning machine's side of hands: answers what they say, and deals tiles and shares out.

A hand speaks first, always. It joins once, and from then on says twice a second how it is (a beat); in the answer are
what it may use and until when, and its next tiles. Settled tiles it sends in batches, each of which is answered once
the writer has taken it, so a hand is never ahead of the writer by more than a batch.

A lease is counted by the hand from when it asked, and here from when it was answered and a little longer: so it is over
there before it is over here, whatever time a message takes.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from packer.common.clock import Clock
from packer.fetching.actions import Store
from packer.fetching.answers.outcome import MAX_WAIT_S
from packer.fetching.hands.beats import Beat, read_batch, read_beat, read_join
from packer.fetching.hands.dealing import MOST_FAULTS, Dealing
from packer.fetching.hands.hand_state import HandState, Wait
from packer.fetching.hands.hands_fetcher import HandsFetcher, error_of
from packer.fetching.hands.hands_gate import HandsGate
from packer.fetching.hands.settled import FaultyError
from packer.fetching.hands.shares import promised_until
from packer.fetching.pacing.pause import Pause
from packer.fetching.pacing.signals import PauseKind
from packer.fetching.reports import HandProgress
from packer.version import __version__

__all__ = ["Dealer", "Message"]

Message = dict[str, Any]

SHORTEST_S, LONGEST_S = 12.0, 66.0  # of a lease: the longest answer that is waited for has to fit in
_MOST_HANDS = 200
_TELL_S = 0.05
_LAST_WORD_S = 0.2  # until the last answer is over the network, and its connection may be closed


@dataclass(slots=True)
class Dealer:
    """Deals for a run whose layers are `fetchers`, at hosts with `gates`, by name.

    `orders` gives what hands are told of gates and layers just now, `note` is called for what the log is to have.
    `ended` is how the run ended, once it has: "complete" or "stopped".
    """

    clock: Clock
    fetchers: Mapping[str, HandsFetcher]
    gates: Mapping[str, HandsGate]
    layers_at: Mapping[str, Sequence[str]]
    orders: Callable[[], Message]
    note: Callable[..., None] = lambda _event, **_known: None
    ended: str | None = None
    hands: dict[str, HandState] = field(default_factory=dict)
    _orders: Message = field(default_factory=dict, repr=False)
    _version: int = 0
    _dealing: Dealing = field(init=False)

    def __post_init__(self) -> None:
        self._dealing = Dealing(self.fetchers, self.gates, self.layers_at, self.hands)

    async def answer(self, message: Message) -> Message:
        """What is said to a hand. If cancelled: a record may be lost, and its tile is asked for again by the next
        run."""
        try:
            match message.get("op"):
                case "join":
                    return self._join(message)
                case "beat":
                    return await self._beat(message)
                case "give":
                    return await self._give(message)
                case "patience":
                    return self._patience(message)
                case "leave":
                    return self._leave(message)
        except (FaultyError, ValueError) as fault:
            return {"refused": f"The planning machine could not read what this hand says ({_clause(fault)})."}
        return {"refused": "The planning machine does not know what this hand asks. Update both."}

    def roster(self) -> tuple[HandProgress, ...]:
        """What is shown of the hands, in the order in which they joined."""
        now = self.clock.now()
        return tuple(
            replace(hand.progress(now), kept_s=self._kept_s(number, now))
            for number, hand in self.hands.items()
        )

    def _kept_s(self, number: str, now: float) -> float:
        return max((gate.book.kept_s(number, now) for gate in self.gates.values()), default=0.0)

    # ------------------------------------------------------------------------------------ who is there

    def _join(self, message: Message) -> Message:
        """A hand is there, with nothing in hand. One that was there before says by which number, and that it has
        stopped all that it did by it."""
        found = read_join(message)
        if found.version != __version__:
            return {
                "refused": f"This hand has version {found.version} of lastbar, the planning machine has {__version__}. "
                "Put the same version on both."
            }
        if found.was:
            self._gone(found.was)
        if self.ended is not None:
            return {"ended": self.ended}
        if len(self.hands) >= _MOST_HANDS:
            return {"refused": f"There are {_MOST_HANDS} hands already."}
        now, number = self.clock.now(), uuid.uuid4().hex
        name = _free_name(found.name, [hand.name for hand in self.hands.values()])
        self.hands[number] = HandState(name, now, now)
        self.note("hand joined", hand=name)
        self._renew_orders()
        self.hands[number].orders = self._version
        return {"hand": number, "name": name, "wall": self.clock.wall(), "orders": self._orders}

    def _leave(self, message: Message) -> Message:
        self._gone(str(message.get("hand")))
        return {}

    def _gone(self, number: str) -> None:
        """A hand asks for nothing any more, as it says itself."""
        for fetcher in self.fetchers.values():
            fetcher.left(number)
        for gate in self.gates.values():
            gate.book.end(number, self.clock.now())
        if (hand := self.hands.pop(number, None)) is not None:
            self.note("hand left", hand=hand.name, tiles=hand.tiles)
        self._show_waits()

    def hung_up(self, number: str) -> None:
        """Every channel of a hand was closed at its end: it has died, or says more by another one."""
        for gate in self.gates.values():
            gate.book.hung_up(number)

    def look(self) -> None:
        """Forget hands that are not heard any more; to be called now and then. Their tiles and shares come back by the
        end of their leases."""
        now = self.clock.now()
        for number, hand in list(self.hands.items()):
            if now > max(hand.heard + LONGEST_S, hand.ends) and not self._kept_s(number, now):
                del self.hands[number]
                self.note("hand lost", hand=hand.name, tiles=hand.tiles)
        self._show_waits()

    # ------------------------------------------------------------------------------------ the beat

    async def _beat(self, message: Message) -> Message:
        """If cancelled: what was dealt comes back with the hand's next beat, or by the end of its lease."""
        beat = read_beat(message)
        hand = self.hands.get(beat.hand)
        if hand is None:
            return {"join": True} if self.ended is None else {"ended": self.ended}
        if beat.count <= hand.beats:
            return {
                "late": True
            }  # the hand has given up waiting for an answer to it, and has said more since
        now, hand.beats = self.clock.now(), beat.count
        length_s = min(max(SHORTEST_S, beat.longest_s + 4.0), LONGEST_S)
        hand.promised = ends = promised_until(hand.promised, beat.left_s, now, length_s)
        hand.ends = ends + max((gate.book.lag_s for gate in self.gates.values()), default=0.0)
        self._hear(hand, beat, now)
        for fetcher in self.fetchers.values():
            fetcher.leases.extend(beat.hand, ends)
        shares = self._dealing.shares(beat, hand, now, ends)
        told: Message = {
            "length_s": length_s,
            "shares": {name: list(share) for name, share in shares.items()},
            "quiet": {name: gate.quiet_s() for name, gate in self.gates.items() if gate.quiet_s() > 0},
            "speed": self._dealing.speed(beat, hand, now, ends),
            **{"deal": {}, "more": {}, "back": {}, "recall": []},
            "halt": [name for name, fetcher in self.fetchers.items() if fetcher.stopping],
        }
        dealt = {name: self._dealing.deal(told, beat.hand, name, now, ends) for name in self.fetchers}
        hand.unheard[beat.count] = {name: tiles for name, tiles in dealt.items() if tiles}
        self._renew_orders()
        if hand.orders != self._version:
            hand.orders, told["orders"] = self._version, self._orders
        if self.ended is not None:
            told["ended"] = self.ended
            self._gone(beat.hand)
        self._show_waits()
        for name, tiles in dealt.items():
            if tiles:
                told["deal"][name] = await self.fetchers[name].dealt(tiles)
        return told

    async def all_told(self, within_s: float) -> None:
        """Once the run has ended: until every hand was told, or so many seconds have passed. If cancelled: some find
        nobody there, and wait."""
        until, there = self.clock.now() + within_s, bool(self.hands)
        while self.hands and self.clock.now() < until:
            await self.clock.sleep(_TELL_S)
        if there:
            await self.clock.sleep(_LAST_WORD_S)

    def _hear(self, hand: HandState, beat: Beat, now: float) -> None:
        hand.heard = now
        for count, dealt in hand.unheard.items():
            if count > beat.heard:  # it waits for that answer no longer, and never had these
                for name, tiles in dealt.items():
                    self.fetchers[name].given_back(beat.hand, tiles)
        hand.unheard.clear()
        hand.needs = {name: need for name, need in beat.needs.items() if name in self.gates}
        hand.unstarted = dict(beat.unstarted)
        hand.waits = {name: Wait(*found) for name, found in beat.waits.items() if name in self.gates}
        for name, (kind, text) in beat.failed.items():
            if name in self.fetchers and name not in hand.failed:
                self._failed(hand, name, kind, text)
        for name, reason in beat.keys.items():
            if name in self.fetchers:
                self.fetchers[name].key_wait.begin(self.fetchers[name].requests.source.secrets.scrub(reason))
        for name in beat.ended:
            if name in self.fetchers:
                self.fetchers[name].left(beat.hand)
        for name, tiles in beat.back.items():
            if name in self.fetchers:
                self.fetchers[name].given_back(beat.hand, list(tiles))

    def _failed(self, hand: HandState, layer: str, kind: str, text: str) -> None:
        """A layer had to be given up at a hand. What the owner does not permit holds for all; else others may have
        another link, so it is given up once each of them says so."""
        fetcher = self.fetchers[layer]
        text = fetcher.requests.source.secrets.scrub(text)
        hand.failed[layer] = text
        self.note("hand gave up", hand=hand.name, layer=layer, reason=text)
        now = self.clock.now()
        others = [h for h in self.hands.values() if layer not in h.failed and not h.silent(now)]
        if kind == "TermsError" or not others:
            fetcher.stop(error_of(kind, text))

    # ------------------------------------------------------------------------------------ what comes

    async def _give(self, message: Message) -> Message:
        """If cancelled: as `answer`."""
        batch = read_batch(message)
        hand, fetcher = self.hands.get(batch.hand), self.fetchers.get(batch.layer)
        if hand is None or fetcher is None:
            return {"join": True}
        fetcher.asked(batch.requests)
        tiles = size_bytes = 0
        for found in batch.records:
            try:
                came = await fetcher.settle(batch.hand, found)
            except FaultyError as fault:
                hand.faults += 1
                self.note("hand sent a faulty tile", hand=hand.name, layer=batch.layer, reason=_clause(fault))
                if hand.faults == MOST_FAULTS:
                    hand.failed |= dict.fromkeys(self.fetchers, f"it sent faulty tiles: {_clause(fault)}")
                continue
            tiles += len(came)
            size_bytes += sum(len(one.outcome.data) for one in came if isinstance(one, Store))
        if tiles:
            hand.came(self.clock.now(), tiles, size_bytes)
            for name, layers in self.layers_at.items():
                if batch.layer in layers:
                    self.gates[name].worked()
        return {}

    def _patience(self, message: Message) -> Message:
        """A host asked a hand to be left alone: all others are told with their next beat."""
        gate, wait_s = self.gates.get(str(message.get("gate"))), message.get("wait_s")
        if gate is None or message.get("hand") not in self.hands or not isinstance(wait_s, int | float):
            return {}
        gate.ask_patience(
            "the server asks for fewer requests (429)", min(max(float(wait_s), 0.0), MAX_WAIT_S)
        )
        return {}

    # ------------------------------------------------------------------------------------ what is shown and told

    def _show_waits(self) -> None:
        """A host is waited for where every hand waits."""
        now = self.clock.now()
        for name, gate in self.gates.items():
            here = [hand for hand in self.hands.values() if not hand.silent(now)]
            waits = [hand.waits[name] for hand in here if name in hand.waits]
            if not waits or len(waits) < len(here):
                gate.show(None)
                continue
            soonest = min(waits, key=lambda wait: wait.left_s)
            since = now if gate.pause is None else gate.pause.since
            kind = PauseKind(soonest.kind)
            gate.show(Pause(kind, soonest.reason, soonest.where, since, now + soonest.left_s))

    def _renew_orders(self) -> None:
        told = self.orders()
        if told != self._orders:
            self._orders, self._version = told, self._version + 1


def _free_name(name: str, taken: list[str]) -> str:
    """The name, with a number where several hands have it."""
    if name not in taken:
        return name
    return next(f"{name} {n}" for n in range(2, len(taken) + 3) if f"{name} {n}" not in taken)


def _clause(fault: Exception) -> str:
    return str(fault.args[0]) if fault.args else type(fault).__name__
