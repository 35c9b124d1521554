"""The caps of a host hold for the machine: several gates, as in several processes, share one record in the user's state
folder. The processes of these tests are gates on one clock that jumps; the record is a real file."""

from __future__ import annotations

import asyncio
import json
import random
from bisect import bisect_left
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from packer.fetching.pacing.cap_shares import Caps, Claims, Share
from packer.fetching.pacing.gate import Gate, PauseKind
from packer.fetching.pacing.shared_record import SharedRecord
from packer.fetching.pacing.sharing import CapSharing
from packer.fetching.pacing.signals import Succeeded, Throttled
from tests.fakes import VirtualClock


@pytest.fixture
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path / "state"


@given(st.integers(1, 6), st.integers(1, 12), st.lists(st.integers(0, 5), min_size=1, max_size=40))
def test_shares_never_add_up_to_more_than_the_caps(connections: int, starts: int, looks: list[int]) -> None:
    """Each in turn looks at the record, and may keep a larger claim for a while."""
    claims, caps = Claims({}), Caps(connections, starts)
    for time, who in enumerate(looks):
        name = str(who)
        due = claims.due(name, caps, float(time))
        granted = claims.grant(name, due)
        held = claims.by_name.get(name)
        if held and time % 2:  # still in use
            granted = Share(
                max(granted.connections, held["connections"]), max(granted.starts, held["starts"])
            )
        claims.put(name, 1, granted, caps, float(time))
        assert sum(c["connections"] for c in claims.by_name.values()) <= connections
        assert sum(c["starts"] for c in claims.by_name.values()) <= starts


@pytest.mark.parametrize(
    ("connections", "per_second", "processes"), [(2, 4, 2), (4, 10, 3), (1, 5, 2), (2, 1, 3), (3, 2.5, 2)]
)
def test_several_processes_together_keep_to_the_caps_in_every_second(
    state: Path, connections: int, per_second: float, processes: int
) -> None:
    starts: list[float] = []
    most, inside = 0, 0
    done: set[int] = set()

    async def worker(gate: Gate, clock: VirtualClock, until: float, number: int) -> None:
        nonlocal most, inside
        while clock.now() < until:
            permit = await gate.enter()
            if permit is None:
                return
            starts.append(clock.now())
            inside += 1
            most = max(most, inside)
            done.add(number)
            await clock.sleep(chance.choice([0.02, 0.3, 1.5]))
            inside -= 1
            gate.report(permit, Succeeded(1000))

    async def process(number: int, clock: VirtualClock) -> None:
        await clock.sleep(number * 7.3)
        gate = Gate(connections, per_second, clock)
        sharing = CapSharing(gate, ["tiles.example.org"], clock)
        sharing.join()
        looking = asyncio.create_task(sharing.run())
        until = clock.now() + 40
        workers = [asyncio.create_task(worker(gate, clock, until, number)) for _ in range(connections + 2)]
        await clock.sleep(41.5)
        gate.close()
        await asyncio.gather(*workers)
        looking.cancel()
        sharing.leave()
        assert sharing.problem is None

    async def go() -> None:
        async with VirtualClock() as clock, asyncio.timeout(60):
            await asyncio.gather(*(process(number, clock) for number in range(processes)))

    chance = random.Random(f"{connections} {per_second} {processes}")
    asyncio.run(go())
    starts.sort()
    cap = -(-per_second // 1)
    in_a_second = [bisect_left(starts, s + 1.0) - n for n, s in enumerate(starts)]
    assert max(in_a_second) <= cap
    assert most <= connections
    assert done == set(range(processes)), "nobody waits without end"


def test_the_share_of_a_process_that_died_or_was_stopped_comes_back() -> None:
    dead = {"pid": 1, "connections": 2, "starts": 4, "most_c": 2, "most_s": 4, "beat": 100.0}
    assert Claims.read({"a": dead}, 101.0, {1: True}).by_name, "its last requests still count"
    assert not Claims.read({"a": dead}, 103.0, {1: True}).by_name
    assert Claims.read({"a": dead}, 110.0, {1: False}).by_name
    assert not Claims.read({"a": dead}, 116.0, {1: False}).by_name
    assert not Claims.read({"a": dead}, 5.0, {}).by_name, "of before the machine was started anew"


@pytest.mark.parametrize("content", ["", "{", "[]", '{"claims": [1]}', '{"claims": {"a": {"pid": "x"}}}'])
def test_a_record_that_cannot_be_read_counts_as_empty(state: Path, content: str) -> None:
    async def go() -> None:
        async with VirtualClock() as clock:
            gate = Gate(2, 4, clock)
            CapSharing(gate, ["h.example"], clock).join()
            [path] = (state / "lastbar" / "hosts").glob("*.json")
            path.write_text(content)
            other = CapSharing(Gate(2, 4, clock), ["h.example"], clock)
            other.join()
            assert other.problem is None
            assert json.loads(path.read_text())["claims"]

    asyncio.run(go())


def test_where_the_record_cannot_be_used_the_process_keeps_its_own_caps(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("not a folder")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "file"))

    async def go() -> None:
        async with VirtualClock() as clock:
            gate = Gate(2, 4, clock)
            sharing = CapSharing(gate, ["alone.example"], clock)
            sharing.join()
            assert sharing.problem
            assert gate.share == Caps(2, 4)
            assert await gate.enter() is not None

    asyncio.run(go())


def test_a_wait_that_the_host_asked_for_holds_for_every_process_and_those_to_come(state: Path) -> None:
    async def go() -> None:
        async with VirtualClock() as clock:
            gates = [Gate(2, 4, clock) for _ in range(3)]
            sharings = [CapSharing(gate, ["h.example"], clock) for gate in gates]
            sharings[0].join()
            sharings[1].join()
            permit = await gates[0].enter()
            assert permit is not None
            gates[0].report(permit, Throttled("too many (429)", 3600.0))
            sharings[1].look()
            sharings[0].leave()
            sharings[2].join()
            for gate in gates:
                assert gate.pause is not None
                assert gate.pause.kind is PauseKind.ASKED
                assert gate.pause.until == pytest.approx(clock.now() + 3600.0, abs=0.01)

    asyncio.run(go())


def test_the_record_names_no_host_and_can_be_read_by_its_user_alone(state: Path) -> None:
    record = SharedRecord("secret-host.example")
    record.change(lambda content: content.update(quiet_until=1.0))
    [path] = (state / "lastbar" / "hosts").glob("*.json")
    assert "secret-host" not in path.name + path.read_text()
    assert path.stat().st_mode & 0o077 == 0
