"""The pause machine of one host, as arithmetic on times: when it pauses, for how long, and what ends a pause."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from packer.fetching.pacing.pause import PauseMachine, Permit
from packer.fetching.pacing.signals import Failed, PauseKind, Throttled

WIDTH = 8  # requests that may be under way at once


def wait_s(machine: PauseMachine, now: float) -> float:
    assert machine.pause is not None
    return machine.pause.until - now


def kind_of(machine: PauseMachine) -> PauseKind | None:
    return machine.pause.kind if machine.pause else None


@pytest.mark.parametrize("kind", [PauseKind.LINK, PauseKind.SIGN_IN, PauseKind.SERVER])
@pytest.mark.parametrize(("chance", "factor"), [(0.0, 0.9), (0.5, 1.0), (0.75, 1.05)])
def test_a_probe_is_put_off_by_a_tenth_more_or_less_as_chance_has_it(
    kind: PauseKind, chance: float, factor: float
) -> None:
    """Also where the time to it is no whole number of its own: 1, 2, 4 ... seconds, each spread."""
    machine, now = PauseMachine(lambda: chance), 100.0
    machine.failed(machine.admit(now), now, Failed("no", kind), WIDTH)
    assert wait_s(machine, now) == pytest.approx(1.0 * factor)
    probe = machine.admit(now + 1.1)
    machine.failed(probe, now + 1.2, Failed("no", kind), WIDTH)
    assert wait_s(machine, now + 1.2) == pytest.approx(2.0 * factor)


@given(st.floats(0.0, 0.999))
def test_a_bare_429_is_never_answered_by_next_to_no_wait(chance: float) -> None:
    """Chance alone gives anything from 0 (full jitter): at least a quarter of the longest is kept all the same."""
    machine, now = PauseMachine(lambda: chance), 100.0
    for number in range(1, 10):
        machine.throttled(machine.admit(now), now, Throttled("too many (429)"))
        longest_s = min(2.0**number, 60.0)
        assert 0.25 * longest_s <= wait_s(machine, now) <= longest_s
        now += wait_s(machine, now)
        machine.returned(Permit(now, probe=True))


def test_one_broken_tile_pauses_nobody_but_as_many_failures_as_are_under_way_do() -> None:
    machine = PauseMachine(lambda: 0.5)
    permits = [machine.admit(float(n)) for n in range(WIDTH)]
    for permit in permits[:-1]:
        machine.failed(permit, 10.0, Failed("reset"), WIDTH)
    assert kind_of(machine) is None
    machine.failed(permits[-1], 10.0, Failed("reset"), WIDTH)
    assert kind_of(machine) is PauseKind.LINK


def test_in_a_pause_one_request_may_ask_when_it_is_due_and_a_second_one_only_if_the_first_hangs() -> None:
    machine = PauseMachine(lambda: 0.5)
    machine.failed(machine.admit(100.0), 100.0, Failed("no", PauseKind.LINK), WIDTH)
    assert machine.next_start() == 101.0
    probe = machine.admit(101.0)
    assert probe.probe
    assert machine.next_start() == 106.0
    second = machine.admit(106.0)
    assert machine.next_start() == float("inf"), "never a third"
    machine.returned(probe)
    machine.returned(second)
    assert machine.next_start() == 101.0


def test_a_straggler_of_before_the_last_tile_starts_no_pause() -> None:
    machine = PauseMachine(lambda: 0.5)
    early, late = machine.admit(100.0), machine.admit(100.1)
    machine.succeeded(late.started, 100.2)
    machine.failed(early, 100.3, Failed("reset", PauseKind.LINK), WIDTH)
    assert machine.pause is None


@given(
    st.lists(st.sampled_from(["failed", "sign-in", "intercepted", "succeeded", "unverified"]), max_size=12)
)
def test_a_time_that_the_host_asked_for_is_never_shortened(events: list[str]) -> None:
    machine = PauseMachine(lambda: 0.5)
    permit = machine.admit(100.0)
    machine.throttled(permit, 100.0, Throttled("too many (429)", 60.0))
    for number, event in enumerate(events):
        now = 101.0 + number
        match event:
            case "failed":
                machine.failed(permit, now, Failed("reset", PauseKind.LINK), WIDTH)
            case "sign-in":
                machine.failed(permit, now, Failed("page", PauseKind.SIGN_IN), WIDTH)
            case "intercepted":
                machine.intercepted(now, "somebody else answers")
            case "succeeded":
                machine.succeeded(now, now)
            case _:
                machine.unverified(permit, now)
        assert machine.pause is not None
        assert (machine.pause.kind, machine.pause.until) == (PauseKind.ASKED, 160.0)
