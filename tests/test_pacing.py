"""Pacing as plain arithmetic: the rate cap in any second, and the window's rise and fall."""

from __future__ import annotations

import math
from bisect import bisect_left

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from packer.fetching.pacing.limits import ConcurrencyLimit, Rate, Start
from packer.fetching.pacing.retries import Retries


@given(st.floats(0.2, 500), st.lists(st.floats(0, 0.5), min_size=20, max_size=200))
def test_no_second_ever_sees_more_starts_than_the_cap(per_second: float, waits: list[float]) -> None:
    rate, now, starts = Rate(per_second), 100.0, []
    for wait in waits:
        now = max(now + wait / per_second, rate.ready_at(now))
        rate.sent(rate.take(now), now, new=False)
        starts.append(now)
    whole = math.ceil(per_second)
    for start in starts:
        assert sum(1 for s in starts if start <= s < start + whole / per_second) <= whole


@example(1.5, [0.0] * 40)
@example(2.9, [0.0] * 40)
@given(st.floats(0.1, 200), st.lists(st.floats(0, 0.5), min_size=20, max_size=400))
def test_a_rate_that_is_no_whole_number_is_kept_in_a_second_and_on_average(
    per_second: float, waits: list[float]
) -> None:
    rate, now, starts = Rate(per_second), 100.0, list[float]()
    for wait in waits:
        now = max(now + wait / per_second, rate.ready_at(now))
        rate.sent(rate.take(now), now, new=False)
        starts.append(now)
    most = math.ceil(per_second)
    for number, start in enumerate(starts):
        assert sum(1 for s in starts[number:] if s < start + 1) <= most
        for later in range(number + most, len(starts), most):  # as many starts as end here, from this one on
            assert later - number <= per_second * (starts[later] - start)


@given(st.floats(1, 2000))
def test_a_steady_asker_who_is_answered_at_once_gets_the_rate_but_for_that_time(per_second: float) -> None:
    rate, now = Rate(per_second), 0.0
    for _ in range(1000):
        now = rate.ready_at(now)
        start = rate.take(now)
        rate.sent(start, now, new=False)
        rate.answered(start, now + 0.02)
    assert 1000 / max(now, 1e-9) > per_second / 1.025 - 1


WAY_S = st.floats(0, 0.12)  # to the server, on a connection that is there


@given(
    st.integers(1, 12),
    st.lists(st.tuples(WAY_S, st.floats(0, 0.3), st.floats(0, 0.4), st.booleans()), min_size=12, max_size=80),
)
def test_no_second_at_the_server_sees_more_than_the_cap_however_late_requests_are_sent_and_arrive(
    per_second: int, requests: list[tuple[float, float, float, bool]]
) -> None:
    """Each is held up in our own process between leave and sending, travels, and may be answered."""
    rate, now, arrivals = Rate(per_second), 100.0, list[float]()
    answers: list[tuple[float, Start]] = []
    for way_s, held_up_s, work_s, answered in requests:
        while math.isinf(ready := rate.ready_at(now)) or ready > now:
            known = [a for a in answers if a[0] <= (now if math.isinf(ready) else ready)]
            now = max(now, ready) if not known else max(now, min(known)[0])
            for at, start in known:
                rate.answered(start, at)
            answers = [a for a in answers if a not in known]
        start = rate.take(now)
        assert math.isinf(rate.ready_at(now)) or per_second > 1, "it is not sent yet"
        now += held_up_s
        rate.sent(start, now, new=False)
        arrivals.append(now + way_s)
        if answered:
            answers.append((now + way_s + work_s, start))
    arrivals.sort()
    for number, first in enumerate(arrivals):
        assert sum(1 for a in arrivals[number:] if a < first + 1.0) <= per_second


TICK_S = 0.015625  # of a clock of 64 Hz, as older Pythons have it on Windows; from memory


@pytest.mark.parametrize("per_second", [20, 50, 200])
def test_on_a_clock_that_ticks_64_times_a_second_the_rate_is_reached_and_never_exceeded(
    per_second: int,
) -> None:
    rate, starts, under_way = Rate(per_second), list[float](), list[tuple[float, Start]]()
    for tick in range(round(20 / TICK_S)):
        now = tick * TICK_S
        for ended in [one for one in under_way if one[0] <= now]:
            under_way.remove(ended)
            rate.answered(ended[1], now, whole=True)
        while rate.ready_at(now) <= now:
            start = rate.take(now)
            rate.sent(start, now, new=False)
            starts.append(now)
            under_way.append((now + 0.03, start))
    assert all(bisect_left(starts, t + 1) - n <= per_second for n, t in enumerate(starts))
    assert len(starts) > 0.9 * 20 * per_second


def test_after_a_rest_nothing_is_caught_up() -> None:
    rate = Rate(50)
    for now in (0.0, 10.0):
        assert rate.ready_at(now) == now
        rate.sent(rate.take(now), now, new=False)
        assert rate.ready_at(now) >= now + 0.01


def test_a_request_that_has_to_make_its_connection_is_given_longer_to_arrive() -> None:
    rate = Rate(1)
    rate.sent(rate.take(10.0), 10.0, new=True)
    assert rate.ready_at(10.0) == pytest.approx(11.5, abs=0.01)
    for at, took_s in ((20.0, 0.05), (30.0, 0.1)):
        start = rate.take(at)
        rate.sent(start, at, new=True)
        rate.answered(start, at + took_s, whole=True)
    rate.sent(rate.take(40.0), 40.0, new=True)
    assert rate.ready_at(40.0) == pytest.approx(41.2, abs=0.01), "twice the longest that was seen"
    rate = Rate(1)
    rate.sent(rate.take(10.0), 10.0, new=False)
    assert rate.ready_at(10.0) == pytest.approx(11.12, abs=0.01)


@given(st.integers(1, 3000), st.floats(0, 0.999))
def test_jitter_stays_between_nothing_and_the_longest(attempt: int, chance: float) -> None:
    wait_s = Retries(0.5, 20.0, lambda: chance).wait_s(attempt)
    assert wait_s == pytest.approx(chance * min(20.0, 0.5 * 2.0 ** min(attempt - 1, 30)))


@given(st.integers(0, 100), st.integers(1, 60))
def test_a_tile_is_given_up_after_just_as_many_attempts_as_are_enough(attempts: int, most: int) -> None:
    assert Retries(0.5, 20.0, lambda: 0.5).enough(attempts, most) == (attempts >= most)


def test_a_fast_link_opens_the_window_to_the_cap_in_a_few_answers() -> None:
    window = ConcurrencyLimit(32)
    for number in range(40):
        window.good(number * 0.01, 0.02, 15_000)
    assert window.size == 32


@pytest.mark.parametrize(
    ("trips", "secure", "round_trip_s", "tile_s", "opened"),
    [
        (2, False, 0.6, 0.0024, 32),  # a satellite: far, and wide enough
        (3, True, 0.6, 0.0024, 32),
        (3, True, 0.6, 0.06, 16),  # at 2 Mbit/s, tiles of 15 KB
        (2, False, 0.15, 0.12, 8),  # 1 Mbit/s
        (2, False, 0.3, 1.9, 4),  # 64 kbit/s: as many as before, since one takes longer than a second
    ],
)
def test_the_first_tile_on_an_open_connection_opens_as_many_places_as_the_link_carries_in_a_second(
    trips: int, secure: bool, round_trip_s: float, tile_s: float, opened: int
) -> None:
    window = ConcurrencyLimit(32, secure=secure)
    window.timed(trips * round_trip_s, new=True)  # robots.txt
    window.good(3.0, round_trip_s + tile_s, 15_000)
    assert window.size == pytest.approx(opened, abs=1)


def test_a_server_that_takes_its_time_for_each_tile_is_not_asked_for_many_at_once() -> None:
    window = ConcurrencyLimit(32)
    window.timed(0.1, new=True)
    window.good(1.0, 0.55, 15_000)  # half a second to draw it
    assert window.size == 5  # as an answer within a second opens one more


def test_a_second_answer_opens_no_more_than_one_place_and_after_strain_no_first_one_does() -> None:
    window = ConcurrencyLimit(32)
    window.timed(0.1, new=True)
    window.good(1.0, 0.3, 15_000)
    opened = window.size
    window.good(1.1, 0.06, 15_000)
    assert window.size == opened + 1
    strained = ConcurrencyLimit(32)
    strained.timed(0.1, new=True)
    strained.strain(1.0, 0.5)
    strained.good(2.0, 0.051, 15_000)
    assert strained.size == 3


def test_answers_from_far_away_open_the_window_as_those_from_near_by_do() -> None:
    """A connection that has to be made takes two round trips of 0.6 s more over TLS: that is no full link."""
    window = ConcurrencyLimit(32, secure=True)
    window.timed(1.8, new=True)
    for number in range(28):
        window.good(2.0 + number / 10, 1.85, 15_000, new=True)
    assert window.size == 32


def test_strain_halves_the_window_once_a_round_trip() -> None:
    window = ConcurrencyLimit(32)
    for number in range(40):
        window.good(number * 0.01, 0.02, 15_000)
    for _ in range(10):
        window.strain(1.0, 0.5)
    assert window.size == 16
    window.strain(1.6, 0.5)
    assert window.size == 8
    for number in range(20):
        window.strain(2.0 + number, 0.1)
    assert window.size == 1


def test_a_full_slow_link_is_not_crowded_further() -> None:
    """A link that carries one tile a second however many are asked for: each answer takes size seconds."""
    window, now = ConcurrencyLimit(64), 0.0
    for _ in range(200):
        now += 1.0
        window.good(now, float(window.size), 15_000)
    assert window.size < 16
