"""The gate before a host, and the clocks by which it opens: no interleaving, cancellation or volley breaks it."""

from __future__ import annotations

import asyncio
import random
from collections import Counter
from collections.abc import Awaitable, Callable
from itertools import pairwise
from typing import TypeVar

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packer.fetching.pacing.gate import Gate, Pause, PauseKind, Permit
from packer.fetching.pacing.limits import ConcurrencyLimit, RetryBudget
from packer.fetching.pacing.signals import Failed, Succeeded, Throttled, Unverified
from tests.budgets import tries
from tests.fakes import VirtualClock

T = TypeVar("T")


def in_time(scene: Callable[[VirtualClock], Awaitable[T]], limit_s: float = 20.0) -> T:
    """Play a scene on a clock that jumps; fails if it hangs."""

    async def go() -> T:
        async with VirtualClock() as clock, asyncio.timeout(limit_s):
            return await scene(clock)

    return asyncio.run(go())


async def entered(gate: Gate) -> Permit:
    permit = await gate.enter()
    assert permit is not None
    gate.sent(permit)
    return permit


async def opened(gate: Gate, clock: VirtualClock, to: int) -> None:
    """Widen the window by good answers."""
    while gate.width < to:
        permit = await entered(gate)
        await clock.sleep(0.05)
        gate.report(permit, Succeeded(1000))


# ---------------------------------------------------------------------------------------------- any order

Deed = tuple[str, float, bool]  # how a request goes, how long it takes, whether its worker is cancelled then

DEEDS = st.tuples(
    st.sampled_from(
        ["good", "good", "good", "bad", "link", "sign-in", "503", "429", "answered", "dropped", "slow"]
    ),
    st.sampled_from([0.0, 0.01, 0.05, 0.3, 1.7]),
    st.booleans(),
)


def give_back(gate: Gate, permit: Permit, deed: str) -> None:
    match deed:
        case "good":
            gate.report(permit, Succeeded(15_000))
        case "bad":
            gate.report(permit, Failed("no"))
        case "slow":
            gate.report(permit, Failed("slow", timed_out=True))
        case "link":
            gate.report(permit, Failed("no link", kind=PauseKind.LINK))
        case "sign-in":
            gate.report(permit, Failed("page", kind=PauseKind.SIGN_IN))
        case "503":
            gate.report(permit, Throttled("busy", explicit=False))
        case "429":
            gate.report(permit, Throttled("too many", 5.0))
        case "answered":
            gate.report(permit, Unverified())
        case _:
            gate.drop(permit)


@settings(max_examples=tries(60, 200), deadline=None)
@given(st.lists(st.lists(DEEDS, max_size=6), min_size=1, max_size=8), st.integers(1, 6), st.integers(2, 200))
def test_whatever_happens_in_whatever_order_no_permit_leaks_and_nobody_waits_for_ever(
    crews: list[list[Deed]], cap: int, per_second: int
) -> None:
    async def scene(clock: VirtualClock) -> None:
        gate, inside, starts = Gate(cap, per_second, clock), list[Permit](), list[float]()
        asked_until = 0.0

        async def worker(deeds: list[Deed]) -> None:
            nonlocal asked_until
            for deed, span, _ in deeds:
                permit = await entered(gate)
                assert clock.now() >= asked_until, "a time that the host asked for is kept"
                starts.append(clock.now())
                inside.append(permit)
                assert len(inside) <= gate.in_flight <= cap  # one that was let in may not have come back yet
                if gate.pause is not None:
                    probes = [p for p in inside if p.probe and p.started >= gate.pause.since]
                    assert len(probes) <= 1, "one prober at a time"
                try:
                    await clock.sleep(span)
                finally:
                    inside[:] = [p for p in inside if p is not permit]
                    asked_until = clock.now() + 5.0 if deed == "429" else asked_until
                    give_back(gate, permit, deed)

        tasks = [asyncio.create_task(worker(deeds)) for deeds in crews]
        for task, deeds in zip(tasks, crews, strict=True):
            for _, span, cut in deeds:
                await clock.sleep(span / 2)
                if cut:
                    task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        for task in tasks:
            assert task.cancelled() or task.exception() is None
        assert gate.in_flight == 0
        for start in starts:
            assert sum(1 for s in starts if start <= s < start + 1) <= per_second
        permit = await entered(gate)  # it still lets people in
        gate.report(permit, Succeeded(1))
        assert gate.in_flight == 0

    in_time(scene)


@pytest.mark.parametrize("seed", range(12))
def test_a_cancelled_wait_leaves_its_turn_to_the_next(seed: int) -> None:
    """Cancel each waiter in turn, at each of the moments at which leave may just have been given."""

    async def scene(clock: VirtualClock) -> None:
        chance = random.Random(seed)
        gate = Gate(1, 50, clock)
        first = await entered(gate)
        waiting = [asyncio.create_task(gate.enter()) for _ in range(6)]
        await asyncio.sleep(0)
        victims = chance.sample(waiting, 3)
        if seed % 2:
            gate.report(first, Succeeded(1))
        for _ in range(seed % 3):
            await asyncio.sleep(0)
        for victim in victims:
            victim.cancel()
        if not seed % 2:
            gate.report(first, Succeeded(1))
        served = 0
        for task in waiting:
            try:
                permit = await task
            except asyncio.CancelledError:
                continue
            assert permit is not None
            gate.report(permit, Succeeded(1))
            served += 1
        assert served >= 3
        assert gate.in_flight == 0
        gate.report(await entered(gate), Succeeded(1))

    in_time(scene)


def test_a_closed_gate_turns_everyone_away_and_keeps_count_of_those_inside() -> None:
    async def scene(clock: VirtualClock) -> None:
        gate = Gate(2, 1000, clock)
        inside = [await entered(gate), await entered(gate)]
        waiting = [asyncio.create_task(gate.enter()) for _ in range(3)]
        await asyncio.sleep(0)
        gate.close()
        assert await asyncio.gather(*waiting) == [None, None, None]
        assert await gate.enter() is None
        for permit in inside:
            gate.report(permit, Succeeded(1))
        assert gate.in_flight == 0

    in_time(scene)


# ---------------------------------------------------------------------------------------------- fairness


def test_layers_that_share_a_host_share_its_gate_evenly() -> None:
    async def scene(clock: VirtualClock) -> Counter[str]:
        gate, served = Gate(4, 10_000, clock), Counter[str]()

        async def worker(layer: str) -> None:
            while served.total() < 400:
                permit = await entered(gate)
                await clock.sleep(0.05)
                served[layer] += 1
                gate.report(permit, Succeeded(1000))

        crews = [asyncio.create_task(worker(layer)) for layer in ("aerial", "relief") for _ in range(4)]
        await asyncio.gather(*crews)
        return served

    served = in_time(scene)
    assert min(served.values()) > 0.4 * served.total()


def test_a_layer_whose_tiles_all_fail_does_not_keep_another_from_probing() -> None:
    async def scene(clock: VirtualClock) -> float:
        gate, done = Gate(4, 10_000, clock), asyncio.Event()

        async def hopeless() -> None:
            while not done.is_set():
                permit = await gate.enter()
                if permit is None:
                    return
                await clock.sleep(0.05)
                gate.report(permit, Failed("no whole tile"))

        async def sound() -> None:
            for _ in range(40):
                permit = await entered(gate)
                await clock.sleep(0.05)
                gate.report(permit, Succeeded(1000))

        started = clock.now()
        crews = [asyncio.create_task(hopeless()) for _ in range(4)]
        await asyncio.gather(*(asyncio.create_task(sound()) for _ in range(4)))
        done.set()
        gate.close()
        await asyncio.gather(*crews)
        return clock.now() - started

    assert in_time(scene) < 90


def test_a_gate_that_opens_again_lets_few_in_at_first() -> None:
    """After trouble at the server, sixteen waiting workers must not all fall on it at once."""

    async def scene(clock: VirtualClock) -> list[float]:
        gate = Gate(16, 10_000, clock)
        await opened(gate, clock, 16)
        inside = [await entered(gate) for _ in range(16)]
        for permit in inside:
            gate.report(permit, Failed("502", by_server=True))
        assert gate.pause is not None
        assert gate.pause.kind is PauseKind.SERVER
        starts: list[float] = []

        async def worker() -> None:
            for _ in range(4):
                permit = await entered(gate)
                starts.append(clock.now())
                await clock.sleep(0.2)
                gate.report(permit, Succeeded(1000))

        await asyncio.gather(*(worker() for _ in range(16)))
        return starts

    starts = in_time(scene)
    probe = starts[0]
    assert sum(1 for s in starts if s < probe + 0.19) == 1, "one prober first"
    assert sum(1 for s in starts if s < probe + 0.39) <= 6, "then a few"
    assert len(starts) == 64


# ---------------------------------------------------------------------------------------------- waiting


def test_a_volley_of_503_is_one_sign_of_strain_and_not_sixteen() -> None:
    async def scene(clock: VirtualClock) -> float:
        gate = Gate(16, 10_000, clock)
        await opened(gate, clock, 16)
        inside = [await entered(gate) for _ in range(16)]
        await clock.sleep(0.1)
        for permit in inside:
            gate.report(permit, Throttled("busy", explicit=False))
        assert gate.pause is not None
        return gate.pause.until - clock.now()

    assert in_time(scene) <= 2.0


def test_a_lone_503_among_good_answers_pauses_nobody() -> None:
    async def scene(clock: VirtualClock) -> None:
        gate = Gate(8, 10_000, clock)
        await opened(gate, clock, 8)
        gate.report(await entered(gate), Throttled("busy", explicit=False))
        assert gate.pause is None
        assert gate.width == 8
        gate.report(await entered(gate), Throttled("busy", explicit=False))
        assert gate.pause is not None, "a second one so soon is a sign"

    in_time(scene)


def test_a_storm_of_503_is_met_with_ever_longer_patience_and_one_request_at_a_time() -> None:
    async def scene(clock: VirtualClock) -> list[float]:
        gate, starts = Gate(8, 10_000, clock), list[float]()
        ends = clock.now() + 600

        async def worker() -> None:
            while clock.now() < ends:
                permit = await entered(gate)
                starts.append(clock.now())
                await clock.sleep(0.1)
                gate.report(permit, Throttled("busy", explicit=False))

        await asyncio.gather(*(worker() for _ in range(8)))
        return starts

    starts = in_time(scene)
    assert len(starts) < 60, "ten minutes of it"
    assert len([s for s in starts if s > starts[0] + 300]) < 20


def test_retry_after_binds_even_when_other_answers_are_good() -> None:
    async def scene(clock: VirtualClock) -> None:
        gate = Gate(4, 10_000, clock)
        one, other = await entered(gate), await entered(gate)
        told = clock.now()
        gate.report(one, Throttled("too many", 90.0))
        gate.report(other, Succeeded(1000))
        permit = await entered(gate)
        assert 90.0 <= clock.now() - told < 90.1
        gate.report(permit, Succeeded(1000))
        assert gate.pause is None

    in_time(scene)


def test_a_shorter_wish_does_not_shorten_a_longer_one() -> None:
    async def scene(clock: VirtualClock) -> None:
        gate = Gate(4, 10_000, clock)
        one, other = await entered(gate), await entered(gate)
        told = clock.now()
        gate.report(one, Throttled("too many", 90.0))
        gate.report(other, Throttled("too many", 5.0))
        gate.report(await entered(gate), Succeeded(1000))
        assert clock.now() - told >= 90.0

    in_time(scene)


LATER_WORD: dict[str, Callable[[Gate, Permit], None]] = {
    "failed": lambda gate, prober: gate.report(prober, Failed("the connection broke off")),
    "no link": lambda gate, prober: gate.report(prober, Failed("no link", kind=PauseKind.LINK)),
    "sign-in page": lambda gate, prober: gate.report(prober, Failed("page", kind=PauseKind.SIGN_IN)),
    "in trouble": lambda gate, prober: gate.report(
        prober, Failed("502", kind=PauseKind.SERVER, by_server=True)
    ),
    "refused": lambda gate, prober: gate.report(prober, Unverified()),
    "a tile": lambda gate, prober: gate.report(prober, Succeeded(1000)),
    "busy": lambda gate, prober: gate.report(prober, Throttled("busy", explicit=False)),
    "a shorter wish": lambda gate, prober: gate.report(prober, Throttled("too many", 5.0)),
}


@pytest.mark.parametrize("word", LATER_WORD.values(), ids=LATER_WORD)
def test_retry_after_binds_whatever_comes_of_the_probe_that_was_out(
    word: Callable[[Gate, Permit], None],
) -> None:
    """Retry-After is obeyed to its end (RFC 9110 section 10.2.3), also when a straggler brought it."""

    async def scene(clock: VirtualClock) -> None:
        gate = Gate(4, 10_000, clock)
        first, straggler = await entered(gate), await entered(gate)
        gate.report(first, Failed("reset", kind=PauseKind.LINK))
        prober = await entered(gate)
        assert prober.probe
        told = clock.now()
        gate.report(straggler, Throttled("too many", 60.0))
        await clock.sleep(4)
        word(gate, prober)
        assert gate.pause is not None
        assert (gate.pause.kind, gate.pause.until) == (PauseKind.ASKED, told + 60.0)
        gate.report(await entered(gate), Succeeded(1000))
        assert clock.now() - told >= 60.0
        assert gate.pause is None

    in_time(scene)


def test_retry_after_binds_even_when_somebody_else_seems_to_answer_meanwhile() -> None:
    async def scene(clock: VirtualClock) -> None:
        gate = Gate(4, 10_000, clock)
        told = clock.now()
        gate.report(await entered(gate), Throttled("too many", 60.0))
        await clock.sleep(4)
        gate.intercepted("the server stopped answering as before")
        gate.drop(await entered(gate))
        assert clock.now() - told >= 60.0
        gate.intercepted("the server stopped answering as before")
        assert gate.pause is not None
        assert gate.pause.kind is PauseKind.SIGN_IN, "the time is over"

    in_time(scene)


@pytest.mark.parametrize(
    ("kind", "longest_s"), [(PauseKind.LINK, 11.1), (PauseKind.SIGN_IN, 11.1), (PauseKind.SERVER, 33.1)]
)
def test_probes_grow_rarer_up_to_a_limit(kind: PauseKind, longest_s: float) -> None:
    async def scene(clock: VirtualClock) -> list[float]:
        gate, starts = Gate(1, 10_000, clock), list[float]()
        for _ in range(60):
            permit = await entered(gate)
            starts.append(clock.now())
            gate.report(permit, Failed("no", kind=kind))
        return starts

    starts = in_time(scene)
    gaps = [b - a for a, b in pairwise(starts)]
    assert gaps[0] <= 1.11
    assert 0.8 * longest_s <= gaps[-1] <= longest_s


def test_a_host_that_flaps_is_used_while_it_is_there() -> None:
    """Three seconds there, ten away, over and over: a good part of the time it is there is used."""

    async def scene(clock: VirtualClock) -> float:
        gate, served = Gate(4, 50, clock), 0
        ends, start = clock.now() + 390, clock.now()

        async def worker() -> None:
            nonlocal served
            while clock.now() < ends:
                permit = await entered(gate)
                await clock.sleep(0.08)
                if (clock.now() - start) % 13 < 3:
                    served += 1
                    gate.report(permit, Succeeded(1000))
                else:
                    gate.report(permit, Failed("gone", kind=PauseKind.LINK))

        await asyncio.gather(*(worker() for _ in range(4)))
        return served / (50 * 3 * 30)

    assert in_time(scene) > 0.35


def test_what_began_before_the_last_good_answer_pauses_nobody() -> None:
    async def scene(clock: VirtualClock) -> None:
        gate = Gate(4, 10_000, clock)
        early = await entered(gate)
        await clock.sleep(0.1)
        late = await entered(gate)
        gate.report(late, Succeeded(1000))
        assert gate.last_success > early.started
        gate.report(early, Failed("reset", kind=PauseKind.LINK))
        assert gate.pause is None

    in_time(scene)


def test_every_change_of_a_pause_is_told() -> None:
    async def scene(clock: VirtualClock) -> list[tuple[Pause | None, Pause | None]]:
        told: list[tuple[Pause | None, Pause | None]] = []
        gate = Gate(4, 10_000, clock)
        gate.on_change = lambda before, now: told.append((before, now))
        gate.report(await entered(gate), Failed("no link", kind=PauseKind.LINK))
        gate.report(await entered(gate), Succeeded(1000))
        return told

    (none, paused), (was, nothing) = in_time(scene)
    assert none is nothing is None
    assert paused is was is not None


# ---------------------------------------------------------------------------------------------- the window


def test_a_link_of_1_mbit_carries_eight_connections_without_a_timeout() -> None:
    """15 KB tiles through 125,000 bytes a second: no request may come near the time limit of 60 s, and the
    link has to be full."""

    async def scene(clock: VirtualClock) -> tuple[float, float]:
        gate, free_at, longest, done = Gate(8, 10_000, clock), clock.now(), 0.0, 0
        started = clock.now()

        async def worker() -> None:
            nonlocal free_at, longest, done
            while done < 300:
                permit = await entered(gate)
                free_at = max(free_at, clock.now()) + 15_000 / 125_000
                await clock.sleep(free_at - clock.now() + 0.1)
                longest = max(longest, clock.now() - permit.started)
                done += 1
                gate.report(permit, Succeeded(15_000))

        await asyncio.gather(*(worker() for _ in range(8)))
        return longest, done * 15_000 / (clock.now() - started) / 125_000

    longest, used = in_time(scene)
    assert longest < 2.0
    assert used > 0.95


def test_a_window_eases_in_after_trouble() -> None:
    window = ConcurrencyLimit(32)
    for n in range(40):
        window.good(n * 0.01, 0.02, 15_000)
    window.ease_in()
    assert window.size == 4


@given(st.floats(0.0, 0.9))
def test_a_tile_is_given_up_only_if_chance_cannot_explain_its_failures(share: float) -> None:
    retry_budget, chance = RetryBudget(), random.Random(3)
    for _ in range(4000):
        retry_budget.first_attempt()
        if chance.random() < share:
            retry_budget.recovered()
    enough = retry_budget.enough(5)
    assert 5 <= enough <= 60
    # A hundred thousand tiles, each failing by chance: fewer than one in ten such fetches loses a tile.
    if share < 0.6:
        assert 100_000 * share**enough < 0.1
