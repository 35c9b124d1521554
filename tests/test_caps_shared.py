"""The caps of a host hold for the machine: several gates, as in several processes, share one record in the user's state
folder. The processes of these tests are gates on one clock that jumps; the record is a real file."""

from __future__ import annotations

import asyncio
import json
import random
from bisect import bisect_left
from datetime import datetime
from pathlib import Path

import ifaddr
import pytest
from hypothesis import given
from hypothesis import strategies as st

from packer.cli.fetch_screen import fetch_state, screen_lines
from packer.cli.progress import FetchProgress
from packer.common.clock import SystemClock
from packer.desk.fetch_order import fetch_progress
from packer.fetching.hands.hands_gate import HandsGate
from packer.fetching.hosts.host_identity import gates_for
from packer.fetching.hosts.offer_reading import read_offers
from packer.fetching.hosts.source import sources_for
from packer.fetching.pacing.cap_shares import Caps, Claims, Share
from packer.fetching.pacing.gate import Gate, PauseKind
from packer.fetching.pacing.shared_record import SharedRecord
from packer.fetching.pacing.sharing import CapSharing
from packer.fetching.pacing.signals import Succeeded, Throttled
from packer.fetching.reports import LayerProgress, Options
from packer.fetching.run import run_fetch
from packer.fetching.run_log import FILE_NAME
from packer.geometry.tileset import Tile
from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.sources.address import canonical_host
from packer.sources.own_names import capped_host
from tests.conftest import BriefMaker
from tests.fakes import ScriptedTransport, VirtualClock, tile_answer
from tests.tile_server import TileServer, answer


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
            gate.sent(permit)
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


def test_what_a_process_started_before_it_ended_counts_for_each_that_takes_a_part_of_its_share(
    state: Path,
) -> None:
    async def go() -> None:
        async with VirtualClock() as clock:
            gates = [Gate(3, 6, clock) for _ in range(3)]
            sharings = [CapSharing(gate, ["h.example"], clock) for gate in gates]
            for sharing in sharings:
                sharing.join()
            for _ in range(20):
                await clock.sleep(0.5)
                for sharing in sharings:
                    sharing.look()
            assert [gate.share for gate in gates] == [Caps(1, 2)] * 3
            permit = await gates[0].enter()
            assert permit is not None
            gates[0].sent(permit)
            gates[0].report(permit, Succeeded(1000))
            started = clock.now()
            sharings[0].leave()
            for gate, sharing in zip(gates[1:], sharings[1:], strict=True):
                sharing.look()
                assert gate.share.starts == 3
                assert started in gate.starts
                sharing.look()
                assert gate.starts.count(started) == 1

    asyncio.run(go())


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


def test_a_wait_asked_for_by_a_description_holds_for_the_tiles_and_the_next_reading(
    state: Path, tmp_path: Path
) -> None:
    """RFC 9110 section 10.2.3: Retry-After. No request follows, whatever it would be for."""
    busy = False

    def fault(path: str) -> bytes | None:
        if busy:
            return answer("429 Too Many Requests", b"", "text/plain", "Retry-After: 3600")
        if not path.endswith(".json"):
            return None
        tiles = [f"http://127.0.0.1:{server.port}/survey/{{z}}/{{x}}/{{y}}.png"]
        return answer(
            "200 OK", json.dumps({"tilejson": "3.0.0", "tiles": tiles}).encode(), "application/json"
        )

    with TileServer(fault) as server:
        path = tmp_path / "brief.toml"
        layers = "".join(
            f'[layers.l{n}]\ntilejson = "http://127.0.0.1:{server.port}/{n}.json"\n'
            'attribution = "A (invented)"\npermission = "Own server"\nzooms = [0, 12]\n'
            for n in range(2)
        )
        area = '[[areas]]\nname = "g"\nbox = [12.30, 47.00, 12.34, 47.03]\ndeepest = 12\n'
        path.write_text(f'title = "T"\noverview = false\n{layers}{area}')
        brief = Brief.read(path)

        async def go() -> None:
            nonlocal busy
            await read_offers(brief)
            busy = True
            before = server.asked.total()
            found, remarks = await read_offers(brief)
            assert server.asked.total() == before + 1, "the second layer is not asked about"
            assert len(remarks) == 2
            assert "asked for a wait" in remarks[1]
            stop = asyncio.Event()

            def show(progress: list[LayerProgress]) -> None:
                assert progress[0].pause is not None
                assert progress[0].pause.kind is PauseKind.ASKED
                stop.set()

            await run_fetch(found, plan(found), stop=stop, on_progress=show)
            assert server.asked.total() == before + 1

        asyncio.run(go())


@pytest.mark.parametrize(
    "host",
    ["LOCALHOST", "localhost.", "l%6Fcalhost", "\uff4cocalhost", "%6c%6F%63alhost", "127.0.0.1", "[::1]"],
)
def test_however_a_host_is_spelled_its_layers_share_one_gate(tmp_path: Path, host: str) -> None:
    path = tmp_path / "brief.toml"
    layers = "".join(
        f'[layers.l{n}]\nurl = "http://{name}:8080/{{z}}/{{x}}/{{y}}"\nattribution = "A"\n'
        'permission = "Own server"\nzooms = [0, 9]\n'
        for n, name in enumerate(["localhost", host])
    )
    path.write_text(
        f'title = "T"\noverview = false\n{layers}[[areas]]\nname = "g"\nbox = [12.3, 47.0, 12.4, 47.1]\ndeepest = 9\n'
    )
    brief = Brief.read(path)
    sources = sources_for(brief, plan(brief), {})
    gates = gates_for(brief, sources, SystemClock())
    assert gates["l0"].gate is gates["l1"].gate
    if "1" not in host:
        assert sources["l1"].url(Tile(0, 0, 0)) == "http://localhost:8080/0/0/0"


@pytest.mark.parametrize(
    ("host", "counted_as"),
    [
        ("127.0.0.1:8080", "localhost:8080"),
        ("LocalHost.:8080", "localhost:8080"),
        ("l%6Fcalhost:8080", "localhost:8080"),
        ("[::1]:8080", "localhost:8080"),
        ("[::ffff:127.0.0.1]:8080", "localhost:8080"),
        ("127.1:80", "localhost"),
        ("maps.localhost:8080", "localhost:8080"),
        ("0.0.0.0:8080", "localhost:8080"),
        ("surveybox:8080", "localhost:8080"),
        ("surveybox.local:8080", "localhost:8080"),
        ("192.168.43.17:8080", "localhost:8080"),
        ("192.168.43.18:8080", "192.168.43.18:8080"),
        ("tiles.example.org:443", "tiles.example.org"),
        ("[2001:db8::1]:8080", "[2001:db8::1]:8080"),
        ("surveybox.example.org", "surveybox.example.org"),
    ],
)
def test_every_name_of_this_machine_is_one_host_and_no_other_is(
    monkeypatch: pytest.MonkeyPatch, host: str, counted_as: str
) -> None:
    """RFC 6761 section 6.3 (localhost), RFC 4291 section 2.5 (::1, and addresses that hold one of IPv4)."""
    monkeypatch.setattr("socket.gethostname", lambda: "SurveyBox")
    ips = [ifaddr.IP("192.168.43.17", 24, "wlan0")]
    monkeypatch.setattr(ifaddr, "get_adapters", lambda: [ifaddr.Adapter("wlan0", "wlan0", ips)])
    assert capped_host(host) == counted_as


@pytest.mark.parametrize("host", ["127.1", "0x7f.0.0.1", "2130706433", "127.0.0.1."])
def test_numbers_are_read_as_the_address_that_they_stand_for(host: str) -> None:
    """URL Standard, section 3.5 (from memory), and inet_aton of POSIX."""
    assert canonical_host(host) == "127.0.0.1"


# ------------------------------------------------------------------------------------ what was lent and not given back


class JumpingClock(SystemClock):
    """One that jumps, in place of the machine's own, by which alone caps are shared."""

    def __init__(self, clock: VirtualClock) -> None:
        self.__dict__.update(now=clock.now, wall=clock.wall, sleep=clock.sleep, chance=clock.chance)


def lend_and_die(host: str, until: float, now: float) -> None:
    """A planning machine lent all of a host's caps until a time, and was killed just now."""
    gone = 2**22 + 1  # no process of Linux has this number: its PID_MAX_LIMIT is 2**22 (proc(5))
    caps = {"connections": 2, "starts": 9, "most_c": 2, "most_s": 9}
    claims = {"lost": {"pid": gone, "beat": now, "until": until, **caps}}
    SharedRecord(host).change(lambda content: content.update(claims=claims))


def test_a_fetch_says_until_when_it_waits_for_the_hands_of_one_that_was_killed(
    brief_for: BriefMaker, state: Path
) -> None:
    brief = brief_for("http://127.0.0.1:8/{z}/{x}/{y}.png", connections=2)
    worked_out, shown = plan(brief), list[str]()

    async def go() -> None:
        async with VirtualClock() as jumping:
            clock, transport = (
                JumpingClock(jumping),
                ScriptedTransport(jumping, lambda tile, *_: tile_answer(tile)),
            )
            lend_and_die(capped_host("127.0.0.1:8"), clock.now() + 40.0, clock.now())
            screen = FetchProgress(now=clock.now, wall=clock.wall)
            screen.note = shown.append  # type: ignore[method-assign, assignment]
            began, options, desk, live = clock.now(), Options(log=True), list[object](), list[str]()

            def show(layers: list[LayerProgress]) -> None:
                screen.show(layers)
                live.extend(screen_lines(fetch_state(layers, {}, clock.now(), clock.wall()), 79, 23))
                desk.append(fetch_progress(layers, clock.wall())["layers"]["survey"]["pause"])

            report = await run_fetch(
                brief, worked_out, options, clock=clock, make_transport=transport, on_progress=show
            )
            assert report.complete
            assert began + 40.0 <= min(transport.starts) < began + 41.0
            ends = f"{datetime.fromtimestamp(1_700_000_000 + began + 40.0):%H:%M:%S}"
            reason = f"until {ends} hands of an earlier fetch may ask this server, which is not to get more"
            assert shown[0].startswith(f"survey: waiting 40 s: {reason}")
            assert shown[1] == "survey: continuing."
            assert str(desk[0]).startswith(f"{{'kind': 'leases', 'reason': '{reason}")
            assert desk[-1] is None
            assert live[0].startswith("54 tiles planned; what is on board is kept"), "not: 0 of 54"
            assert live[2] == "  0.0 s; starts in 40 s"

    asyncio.run(go())
    log = [json.loads(one) for one in (brief.store_folder / FILE_NAME).read_text("utf-8").splitlines()]
    [line, over] = [one for one in log if one["event"] in ("pause", "resume")]
    assert (line["kind"], line["layers"], line["next_try_seconds"]) == ("leases", ["survey"], 40.0)
    assert 40.0 <= over["paused_seconds"] < 41.0


def test_a_fetch_beside_one_that_lives_or_has_only_a_part_of_the_caps_waits_for_no_lease() -> None:
    caps = {"pid": 1, "most_c": 2, "most_s": 9, "starts": 9, "beat": 100.0, "until": 160.0}
    whole, nothing = caps | {"connections": 2}, caps | {"connections": 0}
    assert Claims.read({"a": whole}, 100.4, {1: False}).lent_until("me") is None, "it lives, and makes room"
    assert Claims.read({"a": whole}, 100.4, {1: True}).lent_until("me") == 160.0
    assert Claims.read({"a": whole}, 103.0, {1: False}).lent_until("me") == 160.0, (
        "frozen, or another start's number"
    )
    assert Claims.read({"a": whole}, 100.4, {1: True}).lent_until("a") is None
    assert Claims.read({"a": nothing}, 100.4, {1: True}).lent_until("me") is None
    assert (
        Claims.read({"a": whole, "b": whole | {"until": 130.0}}, 100.4, {1: True}).lent_until("me") == 130.0
    )


def test_what_was_lent_when_a_fetch_ended_is_waited_for_at_once(state: Path) -> None:
    async def go() -> None:
        async with VirtualClock() as clock:
            ended, following = HandsGate(2, 4, clock), Gate(2, 4, clock)
            sharing = CapSharing(ended, ["h.example"], clock)
            sharing.join()
            ended.book.renew("hand", Caps(2, 4), Caps(0, 0), Caps(2, 4), clock.now(), clock.now() + 30.0)
            sharing.look()
            sharing.leave()
            CapSharing(following, ["h.example"], clock).join()
            assert following.lease_wait is not None
            assert following.lease_wait.until == pytest.approx(ended.held_until)

    asyncio.run(go())
