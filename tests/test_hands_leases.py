"""What hands may use together, whatever joins, dies, freezes or is cut off: never more than the caps, no tile twice.

Each hand goes by a clock of its own, which drifts; messages take their time both ways, or are lost.
"""

from __future__ import annotations

import asyncio
import heapq
import itertools
import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packer.fetching.hands.leased_tiles import HandLease, LeasedTiles, LeaseOverError, LeaseTransport
from packer.fetching.hands.shares import NOTHING, ShareBook, fair_shares, promised_until
from packer.fetching.hands.tile_leases import TileLeases
from packer.fetching.pacing.cap_shares import Caps
from packer.fetching.transports import FailureKind, Result, TransportFailure
from packer.geometry.tileset import Tile

LENGTH_S, LAG_S = 12.0, 2.0
DRIFT = 0.02  # far more than clocks of real machines: they drift by less than a second in an hour


@dataclass
class Time:
    """The true time, which nobody sees."""

    true: float = 1000.0


@dataclass
class HandClock:
    """What a hand's machine shows: it goes wrong by a share, and stands still while the machine sleeps, but on the
    wall."""

    time: Time
    drift: float
    slept_s: float = 0.0

    def now(self) -> float:
        return self.time.true * (1 + self.drift) - self.slept_s

    def wall(self) -> float:
        return 1e9 + self.time.true * (1 + self.drift)

    async def sleep(self, seconds: float) -> None:
        raise AssertionError

    def chance(self) -> float:
        return 0.5


@dataclass
class Model:
    """One hand as the model sees it. `name` is new for each lease."""

    clock: HandClock
    lease: HandLease = field(init=False)
    name: str = ""
    was: str = ""
    share: Caps = NOTHING
    using: Caps = NOTHING
    tiles: set[Tile] = field(default_factory=set)
    frozen: bool = False
    dead: bool = False
    said: int = 0

    def __post_init__(self) -> None:
        self.lease = HandLease(self.clock)

    @property
    def alive(self) -> bool:
        return not self.dead and self.lease.left_s() > 0

    def drop(self) -> None:
        self.was, self.name = self.name, ""
        self.share = self.using = NOTHING
        self.tiles.clear()
        self.lease = HandLease(self.clock)


@dataclass(frozen=True)
class Said:
    """What a hand says of itself, and by which clocks it said it."""

    name: str
    was: str
    number: int
    lease: HandLease
    asked: tuple[float, ...]
    left_s: float
    using: Caps
    back: set[Tile]
    length_s: float


class World:
    """Planning machine, hands and the messages between them, in the order of the true time."""

    def __init__(self, caps: Caps, chance: random.Random) -> None:
        self.time, self.caps, self.chance = Time(), caps, chance
        self.book, self.leases = ShareBook(LAG_S, 0.0, 10.0), TileLeases(LAG_S)
        self.hands: list[Model] = []
        self.needs: dict[str, Caps] = {}
        self.promised: dict[str, float] = {}
        self.heard: dict[str, int] = {}
        self.free = [Tile(10, x, 0) for x in range(12)]
        self.events: list[tuple[float, int, Callable[[], None]]] = []
        self.count = itertools.count()
        self.lent = 0

    def after(self, seconds: float, what: Callable[[], None]) -> None:
        heapq.heappush(self.events, (self.time.true + seconds, next(self.count), what))

    def run(self, until: float) -> None:
        while self.events and self.events[0][0] <= until:
            self.time.true, _, what = heapq.heappop(self.events)
            what()
            self.check()

    def check(self) -> None:
        using = [Caps(*map(max, h.share, h.using)) for h in self.hands if h.alive]
        assert sum(u.connections for u in using) <= self.caps.connections
        assert sum(u.starts for u in using) <= self.caps.starts
        held = [tile for h in self.hands if h.alive for tile in h.tiles]
        assert len(held) == len(set(held)), "a tile is with two hands"

    def delay(self) -> float:
        return self.chance.choice([0.01, 0.3, 4.0, 11.0, 20.0])

    def join(self) -> None:
        hand = Model(HandClock(self.time, self.chance.uniform(-DRIFT, DRIFT)))
        self.hands.append(hand)
        self.beat(hand)

    def beat(self, hand: Model) -> None:
        """A hand says how it is. It says so again once it has an answer, or has waited for one for ten seconds: what
        comes of an answer after that it does not hear, though what it said may still come to the planning machine."""
        if hand.dead:
            return
        if hand.frozen:
            self.after(0.5, lambda: self.beat(hand))
            return
        if hand.name and not hand.alive:
            hand.drop()
        if not hand.name:
            hand.name = f"hand {next(self.count)}"
        hand.said += 1
        back = {t for t in hand.tiles if self.chance.random() < 0.2}
        hand.tiles -= back
        said = Said(
            hand.name,
            hand.was,
            hand.said,
            hand.lease,
            hand.lease.now(),
            max(hand.lease.left_s(), 0.0),
            hand.using,
            back,
            self.chance.choice([LENGTH_S, LENGTH_S, 3 * LENGTH_S]),
        )
        if self.chance.random() < 0.85:
            self.after(self.delay(), lambda: self.hear(hand, said))
        self.after(10.0, lambda: self.beat(hand) if hand.said == said.number else None)

    def hear(self, hand: Model, said: Said) -> None:
        now, name = self.time.true, said.name
        if said.was and said.was != name:
            self.book.end(said.was, now)
            self.free += self.leases.end(said.was)
            self.needs.pop(said.was, None)
        for tiles in self.leases.over(now).values():
            self.free += tiles
        if said.number <= self.heard.get(name, 0):
            return
        self.heard[name] = said.number
        self.free += [tile for tile in said.back if self.leases.remove(name, tile)]
        self.needs[name] = Caps(self.chance.randint(0, 9), self.chance.randint(0, 9))
        due = fair_shares(self.caps, self.needs, now)[name]
        ends = promised_until(self.promised.get(name, 0.0), said.left_s, now, said.length_s)
        self.promised[name] = ends
        share = self.book.renew(name, due, said.using, self.caps, now, ends)
        self.leases.extend(name, ends)
        dealt = [self.free.pop() for _ in range(min(2, len(self.free)))]
        self.leases.take(name, dealt, ends)
        self.lent += share != NOTHING
        self.after(self.delay(), lambda: self.answered(hand, said, share, dealt))

    def answered(self, hand: Model, said: Said, share: Caps, dealt: list[Tile]) -> None:
        if hand.dead or said.number != hand.said:
            return
        if hand.frozen:
            self.after(0.5, lambda: self.answered(hand, said, share, dealt))
            return
        try:
            said.lease.renew(said.asked, said.length_s)
        except LeaseOverError:
            hand.drop()
        else:
            if hand.alive:
                hand.using, hand.share = Caps(*map(max, share, hand.using)), share
                hand.tiles |= set(dealt)
                self.after(1.5, lambda: self.settled_down(hand, share))
        hand.said += 1  # whoever waits for an answer waits no longer
        self.after(0.5, lambda: self.beat(hand))

    def settled_down(self, hand: Model, share: Caps) -> None:
        """What went beyond the share has come back."""
        if hand.share == share:
            hand.using = share


@given(
    st.integers(1, 8),
    st.integers(1, 8),
    st.integers(0, 10**9),
    st.lists(st.sampled_from(["join", "die", "freeze", "wake", "sleep", "pass"]), max_size=25),
)
@settings(max_examples=60)
def test_shares_never_exceed_the_caps_and_no_tile_is_with_two_hands(
    connections: int, starts: int, seed: int, acts: list[str]
) -> None:
    chance = random.Random(seed)
    world = World(Caps(connections, starts), chance)
    world.join()
    for act in acts:
        hand = chance.choice(world.hands)
        match act:
            case "join":
                world.join()
            case "die":
                hand.dead = True
            case "freeze":
                hand.frozen = True
            case "wake":
                hand.frozen = False
            case "sleep":  # the machine sleeps: most of its clocks stand still
                hand.clock.slept_s += 8.0
        world.run(world.time.true + chance.choice([0.1, 1.0, 5.0, 30.0]))


def test_what_a_dead_hand_had_comes_back_once_its_lease_is_over_and_not_before() -> None:
    book, leases, caps, tile = ShareBook(LAG_S), TileLeases(LAG_S), Caps(4, 10), Tile(3, 1, 1)
    assert book.renew("dead", caps, NOTHING, caps, 0.0, LENGTH_S) == caps
    leases.take("dead", [tile], LENGTH_S)
    ends = LENGTH_S + LAG_S
    assert book.renew("other", caps, NOTHING, caps, ends, ends + LENGTH_S) == NOTHING
    assert leases.over(ends) == {}
    assert book.renew("other", caps, NOTHING, caps, ends + 0.01, ends + LENGTH_S) == caps
    assert leases.over(ends + 0.01) == {"dead": [tile]}
    assert not leases.remove("dead", tile), "what it sends of it now is too late"


def test_a_shorter_lease_holds_only_once_its_hand_has_heard_of_it() -> None:
    long = promised_until(0.0, 0.0, 100.0, 60.0)
    assert long == 160.0
    assert promised_until(long, 58.0, 102.0, 12.0) == 160.0, "the answer may be lost"
    assert promised_until(160.0, 11.5, 104.0, 12.0) == 116.0, "it has the shorter one"


def test_what_a_hand_still_uses_of_a_larger_share_is_lent_to_nobody_else() -> None:
    book, caps = ShareBook(LAG_S), Caps(8, 8)
    book.renew("first", caps, NOTHING, caps, 0.0, 12.0)
    half = Caps(4, 4)
    assert book.renew("first", half, caps, caps, 1.0, 13.0) == half
    assert book.renew("second", half, NOTHING, caps, 1.0, 13.0) == NOTHING
    book.renew("first", half, half, caps, 2.0, 14.0)
    assert book.renew("second", half, NOTHING, caps, 2.0, 14.0) == half


def test_shares_are_equal_but_what_one_does_not_need_goes_to_the_others() -> None:
    full = Caps(12, 60)
    assert fair_shares(full, {"a": full, "b": full, "c": full}, 0.0) == dict.fromkeys("abc", Caps(4, 20))
    dealt = fair_shares(full, {"a": full, "b": full, "slow": Caps(2, 8)}, 0.0)
    assert dealt == {"a": Caps(5, 26), "b": Caps(5, 26), "slow": Caps(2, 8)}


def test_more_hands_than_connections_take_turns_and_each_has_its_own() -> None:
    caps, needs = Caps(2, 10), dict.fromkeys("abcde", Caps(2, 10))
    served: set[str] = set()
    for turn in range(5):
        dealt = fair_shares(caps, needs, 5.0 * turn)
        assert sum(share.connections for share in dealt.values()) == 2
        served |= {name for name, share in dealt.items() if share != NOTHING}
    assert served == set("abcde")


def test_a_lease_that_was_over_is_not_taken_up_again_by_a_late_answer() -> None:
    time = Time()
    lease = HandLease(HandClock(time, 0.0))
    first = lease.now()
    lease.renew(first, LENGTH_S)
    asked = lease.now()
    time.true += LENGTH_S + 0.1
    with pytest.raises(LeaseOverError):
        lease.renew(asked, LENGTH_S)


def test_a_machine_that_slept_has_no_lease_any_more() -> None:
    time = Time()
    clock = HandClock(time, 0.0)
    lease = HandLease(clock)
    lease.renew(lease.now(), LENGTH_S)
    time.true += 60.0
    clock.slept_s = 60.0  # the clock that never jumps stood still
    assert lease.left_s() < 0


def test_tiles_of_a_hand_come_in_order_and_go_back_from_the_end() -> None:
    tiles = [Tile(5, x, 0) for x in range(5)]
    queue = LeasedTiles()
    queue.deal(tiles)
    assert queue.get(0.0) == tiles[0]
    assert queue.take_back(2) == [tiles[4], tiles[3]]
    assert not queue.done
    queue.more = False
    assert [queue.get(0.0), queue.get(0.0), queue.get(0.0)] == [tiles[1], tiles[2], None]
    for tile in tiles[:3]:
        queue.settled(tile, 0.0, came=True)
    assert queue.done


def test_a_queue_that_was_done_is_not_once_more_tiles_come() -> None:
    queue = LeasedTiles(more=False)
    assert queue.get(0.0) is None
    queue.deal([Tile(6, 0, 0)])
    assert not queue.done


def test_nothing_is_sent_once_the_lease_is_over_and_no_answer_is_waited_for_beyond_it() -> None:
    time = Time()
    clock = HandClock(time, 0.0)
    lease, limits = HandLease(clock), []

    class Inner:
        async def fetch(self, url: str, headers: Mapping[str, str], deadline_s: float, limit: int) -> Result:
            limits.append(deadline_s)
            return TransportFailure(FailureKind.DEADLINE, "")

        async def aclose(self) -> None:
            return None

    async def go() -> None:
        transport = LeaseTransport(Inner(), lease)
        lease.renew(lease.now(), LENGTH_S)
        time.true += 5.0
        await transport.fetch("http://127.0.0.1/", {}, 60.0, 1000)
        await transport.fetch("http://127.0.0.1/", {}, 2.0, 1000)
        time.true += LENGTH_S
        with pytest.raises(LeaseOverError):
            await transport.fetch("http://127.0.0.1/", {}, 60.0, 1000)

    asyncio.run(go())
    assert limits == [pytest.approx(LENGTH_S - 5.0), 2.0]


def test_connections_of_a_hand_that_fell_silent_are_kept_for_longer_and_its_rate_is_not() -> None:
    whole, half = Caps(8, 8), Caps(4, 4)
    for name in ("silent", "dead", "back"):
        book = ShareBook(2.0, 1.0, 75.0)
        assert book.renew(name, half, NOTHING, whole, 0.0, 12.0) == half
        assert book.lent_until(13.0) == 14.0, "while it may be heard again, nobody waits for longer"
        if name == "dead":
            book.hung_up(name)
        kept = Caps(0, 0) if name == "dead" else Caps(4, 0)
        assert (book.lent(14.0), book.lent(14.1)) == (half, kept)
        assert book.lent_until(14.1) == (None if name == "dead" else 89.0)
        assert book.kept_s(name, 14.0) == 0.0
        if name == "back":  # it has lost its lease meanwhile, and joins by another number
            book.end(name, 20.0)
            assert book.lent(20.0) == Caps(0, 0)
        if name == "silent":
            assert book.kept_s(name, 50.0) == 39.0
            assert book.renew("other", whole, NOTHING, whole, 50.0, 62.0) == Caps(4, 8)
            assert book.renew(name, whole, half, whole, 50.0, 62.0) == Caps(0, 0), "the other has every start"
            assert book.lent(50.0) == Caps(8, 8)
