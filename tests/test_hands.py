"""Hands at work: what is fetched by several is what one would have fetched, whatever becomes of them on the way.

The planning machine runs in this process; hands run here too, or in processes of their own where they are killed or
frozen. Leases are short here, so that nobody has to wait for their end.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
import sqlite3
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from packer.common.clock import SystemClock
from packer.fetching.hands import dealer
from packer.fetching.hands.channel import CLOSED, Channel, open_channel
from packer.fetching.hands.hand import HandNews, Joined, hand
from packer.fetching.hands.host import Hands
from packer.fetching.hands.join_code import JoinCode, hand_context
from packer.fetching.reports import FetchReport, LayerProgress, Options
from packer.fetching.run import run_fetch
from packer.geometry.tileset import Tile
from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.proof.proving import verify
from packer.version import __version__
from tests.commands import Running, start_lastbar
from tests.conftest import BriefMaker
from tests.tile_server import TileServer, png

CONNECTIONS = 6
AREA = "box = [12.30, 47.00, 12.36, 47.09]\ndeepest = 15"
LEASE_S = 1.5
LONGEST_S = 60.0  # of a test; on a busy machine a process may take long to start


@pytest.fixture(autouse=True)
def short_leases(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(dealer, "SHORTEST_S", LEASE_S)
    monkeypatch.setattr(dealer, "LONGEST_S", LEASE_S)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


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


async def work(joined: Joined, news: HandNews | None = None) -> bool:
    return await hand(joined, SystemClock(), asyncio.Event(), news or HandNews(), lambda _text: None)


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


def test_a_frozen_hand_that_wakes_after_its_lease_asks_for_nothing_by_it(
    brief_for: BriefMaker, server: TileServer, tmp_path: Path
) -> None:
    brief = brief_for(server.url, area=AREA, connections=CONNECTIONS)
    whole = plan(brief).count

    async def go() -> FetchReport:
        async with planning(brief) as planner:
            frozen = start_hand(await planner.code, tmp_path / "state")
            await planner.until_stored(whole // 10)
            frozen.send_signal(signal.SIGSTOP)
            had = planner.layers[0].counts.stored
            other = asyncio.create_task(work(await planner.joined("other")))
            await planner.until_stored(max(had, whole // 2))
            frozen.send_signal(signal.SIGCONT)
            report = await planner.run
            assert await other
            assert frozen.wait() == 0
            return report

    assert_as_from_one(brief, asyncio.run(go()))
    assert max(server.tiles_asked.values()) <= 2
    assert server.most_at_once <= CONNECTIONS


def test_a_hand_that_stops_gives_back_what_it_has_and_nothing_is_asked_twice(
    brief_for: BriefMaker, server: TileServer
) -> None:
    brief = brief_for(server.url, area=AREA, connections=CONNECTIONS)

    async def go() -> FetchReport:
        async with planning(brief) as planner:
            stop = asyncio.Event()
            joined = await planner.joined("leaves")
            leaves = asyncio.create_task(hand(joined, SystemClock(), stop, HandNews(), lambda _text: None))
            await planner.until_stored(40)
            stop.set()
            assert await leaves is False
            assert await work(await planner.joined("stays"))
            return await planner.run

    assert_as_from_one(brief, asyncio.run(go()))
    assert set(server.tiles_asked.values()) == {1}


def test_a_stop_of_the_planning_machine_ends_with_whole_packs_and_hands_that_wait(
    brief_for: BriefMaker, server: TileServer
) -> None:
    brief = brief_for(server.url, area=AREA, connections=CONNECTIONS)

    async def go() -> None:
        stop = asyncio.Event()
        async with planning(brief) as planner:
            joined = await planner.joined("waits")
            waits = asyncio.create_task(hand(joined, SystemClock(), stop, HandNews(), lambda _text: None))
            await planner.until_stored(40)
            planner.stop.set()
            report = await planner.run
            assert report.interrupted
            assert len(bodies(brief)) == report.total("stored") == server.tiles_asked.total()
        async with planning(brief) as planner:  # the same code holds at the same place
            report = await planner.run
            assert report.complete
            assert await waits is True

    asyncio.run(go())
    assert set(server.tiles_asked.values()) == {1}


async def channel_of(joined: Joined) -> Channel:
    return await open_channel(joined.place, joined.context, 5.0)


def beat(number: object, **said: object) -> dict[str, object]:
    empty: dict[str, object] = dict.fromkeys(
        ("using", "needs", "waits", "unstarted", "back", "failed", "keys"), {}
    )
    return {"op": "beat", "hand": number, **empty, "ended": [], "longest_s": 1.0, **said}


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
            dealt = told["deal"]["survey"]
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
            assert told["deal"]["survey"] == []
            assert not await channel.ask({"op": "leave", "hand": number})
            channel.close()
            assert await work(await planner.joined("honest"))
            return await planner.run

    assert_as_from_one(brief, asyncio.run(go()))


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

    marks: list[str] = []

    def __reduce__(self) -> tuple[object, tuple[str]]:
        return Ran.marks.append, ("ran",)


def test_a_pickle_sent_by_whoever_has_the_code_is_not_run(brief_for: BriefMaker, server: TileServer) -> None:
    from distributed.protocol import ToPickle
    from distributed.protocol.core import dumps

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
                    await channel._comm.read()
                channel.close()

    asyncio.run(go())
    assert Ran.marks == []


def test_nobody_joins_without_the_secret_and_no_hand_talks_to_another_machine(
    brief_for: BriefMaker, server: TileServer
) -> None:
    from packer.errors import NetworkError

    brief = brief_for(server.url, area=AREA)

    async def go() -> None:
        async with planning(brief) as planner:
            code = JoinCode.read(await planner.code)
            wrong_secret = JoinCode(code.place, bytes(16), code.fingerprint)
            with pytest.raises((*CLOSED, NetworkError)):
                context = await asyncio.to_thread(hand_context, wrong_secret)
                channel = await open_channel(code.place, context, 2.0)
                await channel.ask({"op": "join"})
            other_machine = JoinCode(code.place, code.secret, bytes(16))
            with pytest.raises(NetworkError, match="not the planning machine"):
                await asyncio.to_thread(hand_context, other_machine)

    asyncio.run(go())
