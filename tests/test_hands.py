"""Hands at work over a real network: what is fetched by several is what one would have fetched.

The planning machine runs in this process; hands run here too, or in processes of their own where they are killed.
Leases are short here, so that nobody has to wait for their end. What becomes of leases and caps, tests/test_hands_world
shows by a clock that jumps.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import sqlite3
import ssl
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import ClassVar

import pytest
from distributed.comm.core import CommClosedError
from tornado.iostream import StreamClosedError

from packer.cli.hand_text import hand_lines
from packer.common.clock import SystemClock
from packer.errors import InputError, NetworkError
from packer.fetching.hands import dealer, hands_gate, host
from packer.fetching.hands import hand as hand_module
from packer.fetching.hands.channel import CLOSED, Channel, _closed_there, listening, open_channel
from packer.fetching.hands.hand import HandNews, Joined, hand
from packer.fetching.hands.host import Hands, _usual_port, check_hands
from packer.fetching.hands.join_code import Identity, JoinCode, hand_context, kept_identity, planner_context
from packer.fetching.pacing.shared_record import state_folder
from packer.fetching.reports import FetchReport, LayerProgress, Options
from packer.fetching.run import run_fetch
from packer.geometry.tileset import Tile
from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.proof.proving import verify
from packer.version import __version__
from tests.commands import Running, fetch_with_hands, start, start_lastbar
from tests.conftest import BriefMaker
from tests.tile_server import TileServer, answer, png

CONNECTIONS = 6
AREA = "box = [12.30, 47.00, 12.36, 47.09]\ndeepest = 15"
LEASE_S = 1.5
LONGEST_S = 60.0  # of a test; on a busy machine a process may take long to start


@pytest.fixture(autouse=True)
def short_leases(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(dealer, "SHORTEST_S", LEASE_S)
    monkeypatch.setattr(dealer, "LONGEST_S", LEASE_S)
    monkeypatch.setattr(hands_gate, "CLOCKS_S", 0.5)
    monkeypatch.setattr(hand_module, "_AGAIN_S", 0.1)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


@pytest.fixture
def no_goodbye(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hands that are scripted do not ask how the run has ended."""
    monkeypatch.setattr(host, "_GOODBYE_S", 0.0)


# Who gives up to look for a planning machine leaves a socket that the library beneath collects at any time.
pytestmark = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")


@pytest.fixture
def server() -> Iterator[TileServer]:
    with TileServer(delay_s=0.004) as made:
        yield made


class Planner:
    """A run with hands in this process: the code by which they join, and where it stands."""

    def __init__(self, brief: Brief) -> None:
        self.brief, self.stop = brief, asyncio.Event()
        self.code: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        self.layers: list[LayerProgress] = []
        hands = Hands(0, "127.0.0.1", self.code.set_result)
        run = run_fetch(
            brief, plan(brief), Options(log=True), stop=self.stop, on_progress=self._note, hands=hands
        )
        self.run = asyncio.create_task(run)

    def _note(self, layers: list[LayerProgress]) -> None:
        self.layers = layers

    async def joined(self, name: str) -> Joined:
        code = JoinCode.read(await self.code)
        return Joined(code.place, await asyncio.to_thread(hand_context, code), name)

    async def until(self, there: Callable[[], bool]) -> None:
        while not there():
            await asyncio.sleep(0.01)

    async def until_stored(self, tiles: int) -> None:
        while not (self.layers and self.layers[0].counts.stored >= tiles):
            assert not self.run.done()
            await asyncio.sleep(0.01)

    def log(self) -> str:
        return (self.brief.store_folder / "lastbar.log.jsonl").read_text(encoding="utf-8")


@asynccontextmanager
async def planning(brief: Brief) -> AsyncIterator[Planner]:
    async with asyncio.timeout(LONGEST_S):
        planner = Planner(brief)
        try:
            yield planner
        finally:
            planner.run.cancel()
            await asyncio.gather(planner.run, return_exceptions=True)


async def work(joined: Joined, *, stop: asyncio.Event | None = None) -> bool:
    return await hand(joined, SystemClock(), stop or asyncio.Event(), HandNews(), lambda _text: None)


def start_hand(code: str, state: Path) -> Running:
    return start_lastbar("hand", code, "--name", "killed", XDG_STATE_HOME=str(state))


def bodies(brief: Brief) -> dict[Tile, bytes]:
    with contextlib.closing(sqlite3.connect(brief.store_folder / "survey.mbtiles")) as db:
        rows = db.execute("SELECT zoom_level, tile_column, tile_row, tile_data FROM tiles").fetchall()
    return {Tile(z, x, (1 << z) - 1 - row): data for z, x, row, data in rows}


def assert_as_from_one(brief: Brief, report: FetchReport) -> None:
    tiles = plan(brief).layers["survey"].tiles
    assert report.complete
    assert bodies(brief) == {tile: png(f"/survey/{tile}.png") for tile in tiles}
    assert verify(brief, plan(brief), processes=1).ready


def test_two_hands_fetch_each_tile_once_within_the_caps(brief_for: BriefMaker, server: TileServer) -> None:
    brief = brief_for(server.url, area=AREA, connections=CONNECTIONS)

    async def go() -> FetchReport:
        async with planning(brief) as planner:
            hands = [asyncio.create_task(work(await planner.joined(f"laptop {n}"))) for n in range(2)]
            report = await planner.run
            assert await asyncio.gather(*hands) == [True, True]
            return report

    assert_as_from_one(brief, asyncio.run(go()))
    assert set(server.tiles_asked.values()) == {1}
    assert server.most_at_once <= CONNECTIONS
    assert server.most_open <= CONNECTIONS


def test_tiles_that_are_sent_on_to_another_host_come_within_the_caps_of_both(
    brief_for: BriefMaker, server: TileServer
) -> None:
    def send_on(path: str) -> bytes | None:
        if not path.startswith("/survey/"):
            return None
        return answer("302 Found", b"", "text/plain", f"Location: http://127.0.0.1:{server.port}{path}")

    with TileServer(send_on) as first:
        hosts = f'tile-hosts = ["127.0.0.1:{server.port}"]'
        brief = brief_for(first.url, area=AREA, layer=hosts, connections=CONNECTIONS)

        async def go() -> FetchReport:
            async with planning(brief) as planner:
                hands = [asyncio.create_task(work(await planner.joined(f"laptop {n}"))) for n in range(2)]
                report = await planner.run
                assert [await task for task in hands] == [True, True]
                return report

        assert_as_from_one(brief, asyncio.run(go()))
        assert set(first.tiles_asked.values()) == set(server.tiles_asked.values()) == {1}
        assert first.most_at_once <= CONNECTIONS
    assert server.most_at_once <= CONNECTIONS


def test_a_hand_that_is_killed_costs_only_what_it_had_in_hand(
    brief_for: BriefMaker, server: TileServer, tmp_path: Path
) -> None:
    brief = brief_for(server.url, area=AREA, connections=CONNECTIONS)
    whole = plan(brief).count

    async def go() -> tuple[FetchReport, int]:
        async with planning(brief) as planner:
            killed = start_hand(await planner.code, tmp_path / "state")
            await planner.until_stored(whole // 10)
            killed.kill()
            before = server.tiles_asked.total()
            assert await work(await planner.joined("other"))
            return await planner.run, before

    report, before = asyncio.run(go())
    assert_as_from_one(brief, report)
    twice = {tile for tile, times in server.tiles_asked.items() if times > 1}
    assert max(server.tiles_asked.values()) <= 2
    assert len(twice) <= before - whole // 10, "only what the killed hand had asked for and not sent"
    assert server.most_at_once <= CONNECTIONS


def test_a_planning_machine_that_is_killed_goes_on_where_it_was_and_its_hands_find_it_again(
    brief_for: BriefMaker, server: TileServer, tmp_path: Path
) -> None:
    brief = brief_for(server.url, area=AREA, connections=CONNECTIONS)
    state = str(tmp_path / "state")

    async def go() -> FetchReport:
        server.hold_after(60)
        killed = start(fetch_with_hands, str(brief.path), LEASE_S, environment={"XDG_STATE_HOME": state})
        identity = await asyncio.to_thread(_identity_once_there, brief)
        place = f"127.0.0.1:{_usual_port(identity.secret)}"
        joined = Joined(place, await asyncio.to_thread(_context_once_there, identity, place), "laptop")
        laptop = asyncio.create_task(work(joined))
        await asyncio.to_thread(server.reached(40).poll, LONGEST_S)
        killed.kill()
        server.hold_after(None)
        async with planning(brief) as planner:
            report = await planner.run
            assert await laptop is True
            return report

    assert_as_from_one(brief, asyncio.run(go()))
    assert server.most_at_once <= CONNECTIONS
    assert max(server.tiles_asked.values()) <= 2


def _identity_once_there(brief: Brief) -> Identity:
    folder = state_folder().parent / "hands"
    _until(lambda: any(folder.glob("*.json")))
    return kept_identity(brief.store_folder)


def _context_once_there(identity: Identity, place: str) -> ssl.SSLContext:
    found: list[ssl.SSLContext] = []

    def there() -> bool:
        with contextlib.suppress(NetworkError):
            found.append(hand_context(identity.code(place)))
        return bool(found)

    _until(there)
    return found[0]


def _until(there: Callable[[], bool]) -> None:
    ends = time.monotonic() + LONGEST_S
    while not there():
        assert time.monotonic() < ends
        time.sleep(0.02)


def test_a_key_reaches_no_hand_s_disk_and_no_log(
    brief_for: BriefMaker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    key = "k3yOfTheLayer77"
    monkeypatch.setenv("MAP_KEY", key)
    home = tmp_path / "other laptop"
    home.mkdir()
    with TileServer(keep_heads=True) as server:
        brief = brief_for(
            f"{server.url}?key=${{MAP_KEY}}", area="box = [12.30, 47.0, 12.32, 47.02]\ndeepest = 13"
        )

        async def go() -> FetchReport:
            async with planning(brief) as planner:
                places = dict.fromkeys(("HOME", "TMPDIR", "XDG_STATE_HOME", "XDG_CONFIG_HOME"), str(home))
                away = start_lastbar("hand", await planner.code, cwd=home, **{**places, "MAP_KEY": ""})
                report = await planner.run
                said = await asyncio.to_thread(away.result)
                assert said.returncode == 0
                assert key not in said.stdout + said.stderr
                assert key not in planner.log()
                return report

        assert asyncio.run(go()).complete
        assert all(f"key={key}" in head for head in server.heads if "/survey/" in head)
    for file in (*home.rglob("*"), *(tmp_path / "state").rglob("*"), *brief.store_folder.rglob("*")):
        if file.is_file():
            assert key.encode() not in file.read_bytes(), file


def test_without_hands_nothing_of_the_extra_is_loaded_and_with_hands_its_absence_is_said(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    code = (
        "import sys, packer.cli.run_fetch, packer.cli.run_hand, packer.fetching.run, packer.cli.app\n"
        "loaded = {'distributed', 'dask', 'msgpack', 'cryptography'} & set(sys.modules)\n"
        "assert not loaded, loaded"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=LONGEST_S)
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match=r'pip install "lastbar\[hands\]"'):
        check_hands()


async def channel_of(joined: Joined) -> Channel:
    return await open_channel(joined.place, joined.context, 5.0)


COUNT = itertools.count(1)


def beat(number: object, **said: object) -> dict[str, object]:
    """What a hand says, which has heard every answer before."""
    empty: dict[str, object] = {
        key: {} for key in ("using", "needs", "waits", "unstarted", "back", "failed", "keys")
    }
    count = next(COUNT)
    return {
        "op": "beat",
        "hand": number,
        **empty,
        "ended": [],
        "count": count,
        "heard": count - 1,
        "speed": None,
        "longest_s": 1.0,
        "left_s": 0.0,
        **said,
    }


def test_what_a_hostile_hand_sends_is_not_stored_and_it_is_dealt_nothing_more(
    brief_for: BriefMaker, server: TileServer
) -> None:
    brief = brief_for(server.url, area=AREA, connections=CONNECTIONS)
    good, other = png("good"), png("other")

    async def go() -> FetchReport:
        async with planning(brief) as planner:
            joined = await planner.joined("hostile")
            channel = await channel_of(joined)
            found = await channel.ask({"op": "join", "hand": "", "name": "hostile", "version": __version__})
            number = found["hand"]
            told = await channel.ask(beat(number))
            dealt = told["deal"]["survey"]["places"]
            from packer.content.digest import body_hash

            mine, foreign = dealt[:3], [3, 0, 0]
            fresh = [None, None, None]
            bad = [
                ["tile", mine, good, body_hash(other), "png", *fresh],
                ["tile", mine, b"<html>", body_hash(b"<html>"), "png", *fresh],
                ["tile", mine, good[:-9], body_hash(good[:-9]), "png", *fresh],
                ["tile", [3, 99, 0], good, body_hash(good), "png", *fresh],
                ["tile", "../../x", good, body_hash(good), "png", *fresh],
                ["tile", mine, good, body_hash(good), "png", "e\x00tag", None, None],
                ["absent", mine, 500],
                ["tile", foreign, good, body_hash(good), "png", *fresh],  # in order, but not its own
                ["tile", mine],
                "nonsense",
            ]
            batch = {"op": "give", "hand": number, "layer": "survey", "records": bad, "requests": 0}
            assert await channel.ask(batch) == {}
            told = await channel.ask(beat(number, unstarted={"survey": 0}))
            assert "survey" not in told["deal"]
            assert not await channel.ask({"op": "leave", "hand": number})
            channel.close()
            assert await work(await planner.joined("honest"))
            return await planner.run

    assert_as_from_one(brief, asyncio.run(go()))


async def scripted(planner: Planner, name: str) -> tuple[Channel, str]:
    """A hand that does what a test says, and nothing by itself."""
    channel = await channel_of(await planner.joined(name))
    found = await channel.ask({"op": "join", "hand": "", "name": name, "version": __version__})
    return channel, found["hand"]


@pytest.mark.usefixtures("no_goodbye")
def test_a_host_that_asks_one_hand_for_patience_is_left_alone_by_all(
    brief_for: BriefMaker, server: TileServer
) -> None:
    brief = brief_for(server.url, area=AREA, connections=CONNECTIONS)

    async def go() -> None:
        async with planning(brief) as planner:
            first, one = await scripted(planner, "one")
            second, other = await scripted(planner, "other")
            assert (await first.ask(beat(one)))["shares"]["gate0"][0] > 0
            await first.ask({"op": "patience", "hand": one, "gate": "gate0", "wait_s": 30.0})
            for channel, number in ((first, one), (second, other)):
                told = await channel.ask(beat(number))
                assert told["shares"] == {"gate0": [0, 0]}
                assert told["quiet"]["gate0"] > 20
                assert "survey" not in told["deal"]
                channel.close()

    asyncio.run(go())


@pytest.mark.usefixtures("no_goodbye")
def test_what_a_hand_said_before_its_last_word_is_not_taken_for_news(
    brief_for: BriefMaker, server: TileServer
) -> None:
    brief = brief_for(server.url, area=AREA, connections=CONNECTIONS)

    async def go() -> None:
        async with planning(brief) as planner:
            channel, number = await scripted(planner, "one")
            older, newer = beat(number), beat(number)
            assert (await channel.ask(newer))["shares"]["gate0"][0] > 0
            assert await channel.ask(older) == {"late": True}
            channel.close()

    asyncio.run(go())


def test_a_hand_behind_a_sign_in_page_says_so_by_its_name_and_its_tiles_go_to_others(
    brief_for: BriefMaker, server: TileServer
) -> None:
    brief = brief_for(server.url, area=AREA, connections=CONNECTIONS)
    waits = {"gate0": ["sign-in", "a page came in place of a tile", "https://portal.example/", 4.0]}

    async def go() -> FetchReport:
        async with planning(brief) as planner:
            hotel, number = await scripted(planner, "hotel")
            dealt = (await hotel.ask(beat(number)))["deal"]["survey"]["places"]
            here = len(dealt) // 3
            told = await hotel.ask(beat(number, waits=waits, unstarted={"survey": here}))
            assert "survey" not in told["deal"]
            assert told["back"]["survey"] == here - 2, "two stay, to find out by whether the link is back"
            await planner.until(lambda: bool(planner.layers and planner.layers[0].hands))
            (line,) = hand_lines(planner.layers[0].hands)
            assert line == (
                "hotel: waits, its network wants a sign-in; on that machine, open https://portal.example/"
            )
            assert planner.layers[0].pause is not None, "nobody else fetches"
            back = [dealt[i : i + 3] for i in range(6, len(dealt), 3)]
            await hotel.ask(beat(number, waits=waits, unstarted={"survey": 2}, back={"survey": back}))
            other = asyncio.create_task(work(await planner.joined("camp")))
            while planner.layers[0].counts.stored < plan(brief).count - 2:
                await hotel.ask(beat(number, waits=waits, unstarted={"survey": 2}))
                await asyncio.sleep(0.1)
            await hotel.ask({"op": "leave", "hand": number})
            hotel.close()
            assert await other
            return await planner.run

    assert_as_from_one(brief, asyncio.run(go()))
    assert set(server.tiles_asked.values()) == {1}


@pytest.mark.usefixtures("no_goodbye")
def test_a_layer_is_given_up_once_every_hand_has_given_it_up(
    brief_for: BriefMaker, server: TileServer
) -> None:
    brief = brief_for(server.url, area=AREA, connections=CONNECTIONS)
    failed = {"survey": ["AnswerError", "every answer is a refusal"]}

    async def go() -> FetchReport:
        async with planning(brief) as planner:
            first, one = await scripted(planner, "one")
            second, other = await scripted(planner, "other")
            told = await first.ask(beat(one, failed=failed, ended=["survey"]))
            assert told["halt"] == []
            told = await second.ask(beat(other, failed=failed, ended=["survey"]))
            assert told["halt"] == ["survey"]
            for channel in (first, second):
                channel.close()
            return await planner.run

    report = asyncio.run(go())
    assert report.layers["survey"].failure == "every answer is a refusal"
    assert report.layers["survey"].stored == 0


def test_a_hand_of_another_version_is_refused_with_what_to_do(
    brief_for: BriefMaker, server: TileServer
) -> None:
    brief = brief_for(server.url, area=AREA)

    async def go() -> str:
        async with planning(brief) as planner:
            channel = await channel_of(await planner.joined("old"))
            found = await channel.ask({"op": "join", "hand": "", "name": "old", "version": "0.0.1"})
            channel.close()
            return str(found["refused"])

    assert "Put the same version on both" in asyncio.run(go())


class Ran:
    """A pickle of this that is read leaves a mark."""

    marks: ClassVar[list[str]] = []

    def __reduce__(self) -> tuple[object, tuple[str]]:
        return Ran.marks.append, ("ran",)


def test_a_pickle_sent_by_whoever_has_the_code_is_not_run(brief_for: BriefMaker, server: TileServer) -> None:
    from distributed.protocol.core import dumps
    from distributed.protocol.serialize import ToPickle

    brief = brief_for(server.url, area=AREA)
    message = [bytes(frame) for frame in dumps({"op": "join", "x": ToPickle(Ran())})]

    async def go() -> None:
        async with planning(brief) as planner:
            joined = await planner.joined("hostile")
            for data in (message[0], b"".join(message), b"\xc1", b"\x93\x01"):
                channel = await channel_of(joined)
                stream = channel._comm.stream  # type: ignore[attr-defined]
                await stream.write(len(data).to_bytes(4, "big") + data)
                with contextlib.suppress(*CLOSED):
                    await channel._comm.read()  # type: ignore[no-untyped-call]
                channel.close()

    asyncio.run(go())
    assert Ran.marks == []


def test_nobody_joins_without_the_secret_and_no_hand_talks_to_another_machine(
    brief_for: BriefMaker, server: TileServer
) -> None:
    brief = brief_for(server.url, area=AREA)

    async def go() -> None:
        async with planning(brief) as planner:
            code = JoinCode.read(await planner.code)
            wrong_secret = JoinCode(code.place, bytes(10), code.fingerprint)
            with pytest.raises(NetworkError, match="does not take this code"):
                await asyncio.to_thread(hand_context, wrong_secret)
            assert await asyncio.to_thread(hand_context, code)
            other_machine = JoinCode(code.place, code.secret, bytes(10))
            with pytest.raises(NetworkError, match="not the planning machine"):
                await asyncio.to_thread(hand_context, other_machine)

    asyncio.run(go())


def test_a_hand_whose_process_died_is_told_from_one_that_is_cut_off(tmp_path: Path) -> None:
    """Its system closes its streams; of a machine that froze or sleeps nothing is heard, or that nobody answers."""
    hung_up: list[str] = []

    async def answer(_message: dict[str, object]) -> dict[str, object]:
        return {}

    async def go() -> None:
        identity = kept_identity(tmp_path)
        async with listening("127.0.0.1:0", planner_context(identity), answer, hung_up.append) as port:
            place = f"127.0.0.1:{port}"
            context = await asyncio.to_thread(hand_context, identity.code(place))
            beats, batches = [await open_channel(place, context, 5.0) for _ in range(2)]
            await beats.ask({"op": "beat", "hand": "n"})
            await batches.ask({"op": "give", "hand": "n"})
            beats.close()
            await batches.ask({"op": "give", "hand": "n"})
            assert not hung_up, "one is left"
            batches.close()
            async with asyncio.timeout(LONGEST_S):
                while not hung_up:
                    await asyncio.sleep(0.001)
        assert hung_up == ["n"]

    asyncio.run(go())
    for fault, there in (
        (None, True),
        (ConnectionResetError(), True),
        (TimeoutError(), False),
        (OSError(), False),
    ):
        broken = CommClosedError("closed")
        broken.__cause__ = StreamClosedError(fault)
        assert _closed_there(broken) is there
    assert not _closed_there(CommClosedError("a message of 99,000,000 bytes"))


def test_whoever_hangs_up_before_the_greeting_is_no_planning_machine_and_no_bug(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Such as a relay of a network whose planning machine is away."""
    identity = kept_identity(tmp_path)

    async def go() -> None:
        async with listening("127.0.0.1:0", planner_context(identity), dict) as port:  # type: ignore[arg-type]
            context = await asyncio.to_thread(hand_context, identity.code(f"127.0.0.1:{port}"))
        relay = await asyncio.start_server(lambda _reader, writer: writer.close(), "127.0.0.1", 0)
        async with relay:
            place = f"127.0.0.1:{relay.sockets[0].getsockname()[1]}"
            with pytest.raises(CLOSED):
                await open_channel(place, context, 0.05)

            async def not_idle(*_: object, **__: object) -> None:
                raise ValueError("IOStream is not idle; cannot convert to SSL")

            monkeypatch.setattr("packer.fetching.hands.channel.connect", not_idle)
            with pytest.raises(CLOSED, match="not idle"):
                await open_channel(place, context, 0.05)

    asyncio.run(go())
