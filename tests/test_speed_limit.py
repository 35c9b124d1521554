"""--at-most: what comes keeps to a speed, whatever the size of a tile, and the limit can be changed on the way."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from random import Random
from typing import Any

import pytest

from packer.cli.fetch_options import FetchOptions
from packer.errors import InputError
from packer.fetching.pacing.speed_limit import SpeedLimit, SpeedLimiter
from tests.fakes import VirtualClock

MBIT = 1e6
HEAD_BYTES = 300


async def receive(
    limiter: SpeedLimiter,
    clock: VirtualClock,
    seconds: float,
    workers: int = 8,
    sizes: Callable[[], int] = lambda: 15_000,
) -> list[tuple[float, int]]:
    """What a fetch of so many workers would receive: moments and bytes, heads included."""
    got: list[tuple[float, int]] = []
    end = clock.now() + seconds

    async def work() -> None:
        while clock.now() < end:
            taken = await limiter.take(12_000, lambda: clock.now() >= end)
            size = sizes()
            await clock.sleep(0.2)  # the link is faster than what is allowed
            limiter.came(taken, size)
            got.append((clock.now(), size + HEAD_BYTES))

    async with asyncio.TaskGroup() as group:
        for _ in range(workers):
            group.create_task(work())
    return got


def speeds(got: list[tuple[float, int]], start: float, end: float, over_s: float = 10.0) -> list[float]:
    """Bits a second over each stretch of ten seconds from `start` on."""
    found, at = [], start
    while at + over_s <= end:
        found.append(8 * sum(size for moment, size in got if at <= moment < at + over_s) / over_s)
        at += 2.5
    return found


def play(scene: Callable[[VirtualClock], Coroutine[Any, Any, None]]) -> None:
    async def go() -> None:
        async with VirtualClock() as clock, asyncio.timeout(20):
            await scene(clock)

    asyncio.run(go())


@pytest.mark.parametrize("allowed", [1 * MBIT, 8 * MBIT])
@pytest.mark.parametrize("even", [True, False])
def test_over_any_ten_seconds_what_comes_keeps_to_the_limit_within_3_percent(
    allowed: float, even: bool
) -> None:
    chance = Random(3)

    async def scene(clock: VirtualClock) -> None:
        sizes = (lambda: 15_000) if even else (lambda: chance.randint(4_000, 26_000))
        start = clock.now()
        got = await receive(SpeedLimiter(SpeedLimit(allowed), clock), clock, 30, 16, sizes)
        for speed in speeds(got, start + 1, start + 30):
            assert 0.97 * allowed <= speed <= 1.03 * allowed

    play(scene)


def test_a_change_on_the_way_holds_from_then_on_and_no_limit_lets_all_go() -> None:
    async def scene(clock: VirtualClock) -> None:
        limit = SpeedLimit(1 * MBIT)
        limiter, start = SpeedLimiter(limit, clock), clock.now()

        async def change() -> None:
            await clock.sleep(20)
            limit.bits_per_second = 4 * MBIT
            await clock.sleep(20)
            limit.bits_per_second = None

        changing = asyncio.create_task(change())
        got = await receive(limiter, clock, 45)
        await changing
        assert speeds(got, start + 5, start + 20) == pytest.approx([1 * MBIT] * 3, rel=0.03)
        assert speeds(got, start + 22, start + 40) == pytest.approx([4 * MBIT] * 4, rel=0.03)
        free = [size for moment, size in got if moment > start + 41]
        assert len(free) > 8 * 3 / 0.2 * 0.9  # as fast as eight workers and 0.2 s a tile allow

    play(scene)


def test_the_limit_ends_at_its_hour() -> None:
    async def scene(clock: VirtualClock) -> None:
        limiter, start = SpeedLimiter(SpeedLimit(1 * MBIT, clock.wall() + 20), clock), clock.now()
        got = await receive(limiter, clock, 24)
        assert speeds(got, start + 5, start + 20) == pytest.approx([1 * MBIT] * 3, rel=0.03)
        assert len([size for moment, size in got if moment > start + 21]) > 8 * 3 / 0.2 * 0.8
        assert limiter.bits_per_second is None

    play(scene)


def test_what_was_not_asked_for_takes_nothing_and_who_waits_goes_when_the_layer_ends() -> None:
    async def scene(clock: VirtualClock) -> None:
        limiter, start = SpeedLimiter(SpeedLimit(8_000), clock), clock.now()  # a kilobyte a second
        first = await limiter.take(9_700, lambda: False)
        assert first == pytest.approx(10)
        limiter.came(first, None)
        second = await limiter.take(9_700, lambda: False)  # at once, as nothing came for the first
        assert clock.now() == start
        limiter.came(second, 19_700)  # twice of what was expected
        assert await limiter.take(700, lambda: clock.now() >= start + 3) == 0.0
        assert clock.now() <= start + 3.5
        await limiter.take(700, lambda: False)
        assert clock.now() == pytest.approx(start + 20)

    play(scene)


def test_the_options_of_the_command_are_read_and_what_cannot_be_is_a_sentence() -> None:
    read = FetchOptions(at_most="2Mbit", until="23:59").read(None).speed_limit
    assert read.bits_per_second == 2 * MBIT
    assert read.until is not None
    assert FetchOptions().read(None).speed_limit == SpeedLimit()
    with pytest.raises(InputError, match=r"^--at-most 2: a speed is a number over 0 with its unit"):
        FetchOptions(at_most="2").read(None)
    with pytest.raises(InputError, match=r"^--until 25:00: "):
        FetchOptions(at_most="2Mbit", until="25:00").read(None)
    with pytest.raises(InputError, match=r"^--until says how long --at-most holds"):
        FetchOptions(until="23:00").read(None)
