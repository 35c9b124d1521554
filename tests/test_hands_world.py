"""What becomes of tiles, leases and caps while hands die, freeze, leave and are cut off: on a clock that jumps, by the
ledgers of the server and of the planning machine."""

from __future__ import annotations

import asyncio
import contextlib
import functools
import io
import random
import sqlite3
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping, Sequence
from contextlib import asynccontextmanager
from typing import TypeVar
from urllib.parse import parse_qs

import pytest
from PIL import Image

from packer.cli.hand_text import hand_lines
from packer.fetching.hands import hands_gate
from packer.fetching.hands.settled import FaultyError
from packer.fetching.hands.shares import NOTHING, ShareBook
from packer.fetching.pacing.cap_shares import Caps
from packer.fetching.pacing.speed_limit import SpeedLimit
from packer.fetching.reports import FetchReport, Options
from packer.fetching.run import run_fetch
from packer.fetching.transports import Response, Result
from packer.geometry.tileset import Tile
from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.proof.proving import verify
from tests.budgets import tries
from tests.conftest import BriefMaker
from tests.fakes import REFUSED, VirtualClock, no_tile
from tests.support.block_server import block_picture
from tests.support.hands_world import HandMachine, HandsWorld, Script, tile_of, usual
from tests.tile_server import png

T = TypeVar("T")

CONNECTIONS = 6
AREA = "box = [12.30, 47.00, 12.36, 47.09]\ndeepest = 15"
SMALL = "box = [12.30, 47.00, 12.34, 47.03]\ndeepest = 15"
URL = "http://127.0.0.1:8080/survey/{z}/{x}/{y}.png"


@asynccontextmanager
async def world_of(monkeypatch: pytest.MonkeyPatch, script: Script = usual) -> AsyncIterator[HandsWorld]:
    async with VirtualClock() as clock:
        world = HandsWorld(clock, script)
        with monkeypatch.context() as patched:
            world.patch(patched)
            yield world


def bodies(brief: Brief) -> dict[Tile, bytes]:
    with contextlib.closing(sqlite3.connect(brief.store_folder / "survey.mbtiles")) as db:
        rows = db.execute("SELECT zoom_level, tile_column, tile_row, tile_data FROM tiles").fetchall()
    return {Tile(z, x, (1 << z) - 1 - row): data for z, x, row, data in rows}


def assert_as_from_one(brief: Brief, report: FetchReport) -> None:
    assert report.complete
    assert bodies(brief) == {tile: png(str(tile)) for tile in plan(brief).layers["survey"].tiles}
    assert verify(brief, plan(brief), processes=1).ready


def assert_within_caps(world: HandsWorld) -> None:
    assert world.most_open <= CONNECTIONS
    assert world.most_at_once <= CONNECTIONS
    found = world.leases.checked(world.asked)
    assert not found["outside"]
    assert not found["same lease"]


def test_two_hands_fetch_each_tile_once_within_the_caps(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    brief = brief_for(URL, area=AREA, connections=CONNECTIONS, rate=60)

    async def go() -> tuple[FetchReport, HandsWorld]:
        async with world_of(monkeypatch) as world, world.planning(brief) as planner:
            hands = [HandMachine(world, f"laptop {n}") for n in range(2)]
            report = await planner.run
            assert await asyncio.gather(*(hand.task for hand in hands)) == [True, True]
            return report, world

    report, world = asyncio.run(go())
    assert_as_from_one(brief, report)
    assert_within_caps(world)
    assert len(world.asked) == plan(brief).count


def run_in(
    monkeypatch: pytest.MonkeyPatch, go: Callable[[HandsWorld], Awaitable[T]], script: Script = usual
) -> T:
    async def inside() -> T:
        async with world_of(monkeypatch, script) as world:
            return await go(world)

    return asyncio.run(inside())


def test_a_hand_that_is_killed_costs_only_what_it_had_under_way(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    brief = brief_for(URL, area=AREA, connections=CONNECTIONS, rate=60)

    async def go(world: HandsWorld) -> tuple[FetchReport, int]:
        async with world.planning(brief) as planner:
            killed = HandMachine(world, "killed")
            await planner.until(lambda: planner.stored > 20)
            await killed.kill()
            asked = len(world.asked)
            had = planner.stored
            HandMachine(world, "other")
            report = await planner.run
            assert_within_caps(world)
            assert world.leases.checked(world.asked)["again"] <= asked - had
            return report, asked

    report, _ = run_in(monkeypatch, go)
    assert_as_from_one(brief, report)


def test_a_frozen_hand_that_wakes_after_its_lease_asks_for_nothing_by_it(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    brief = brief_for(URL, area=SMALL, connections=CONNECTIONS, rate=1)

    async def go(world: HandsWorld) -> FetchReport:
        async with world.planning(brief) as planner:
            frozen, other = HandMachine(world, "frozen"), HandMachine(world, "other")

            def with_a_request_under_way() -> None:
                if planner.stored > 5 and frozen.awake.is_set() and not woken.is_set():
                    frozen.awake.clear()

            woken = asyncio.Event()
            frozen.link = with_a_request_under_way
            await planner.until(lambda: not frozen.awake.is_set())
            await world.clock.sleep(90.0)  # a lease lasts 66 s at most
            woken.set()
            frozen.awake.set()
            report = await planner.run
            assert all(await asyncio.gather(frozen.task, other.task))
            found = world.leases.checked(world.asked)
            assert found["again"]
            assert not found["outside"] + found["same lease"]
            assert world.most_at_once <= CONNECTIONS
            return report

    assert_as_from_one(brief, run_in(monkeypatch, go))


def test_open_connections_of_a_frozen_hand_are_lent_to_nobody_while_a_server_may_keep_them(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    brief = brief_for(URL, area=AREA, connections=CONNECTIONS, rate=1000)
    monkeypatch.setattr(hands_gate, "_IDLE_S", 10.0)

    async def go(world: HandsWorld) -> None:
        world.delay_s = 4.0
        async with world.planning(brief) as planner:
            frozen, other = HandMachine(world, "frozen"), HandMachine(world, "other")
            await planner.until(lambda: planner.stored > 5)
            frozen.awake.clear()
            kept, whole = list[float](), list[float]()
            for second in range(90):
                await world.clock.sleep(1.0)
                assert not planner.run.done()
                line = hand_lines(planner.layers[0].hands)[0]
                if "its connections in" in line and not whole:
                    kept.append(second)
                    assert "frozen: not heard for " in line
                    assert other.news.connections < CONNECTIONS
                    assert world.most_open <= CONNECTIONS
                elif other.news.connections == CONNECTIONS:
                    whole.append(second)
            assert kept[0] < 70, "its tiles are with others by then"
            assert 8 <= kept[-1] - kept[0] <= 12
            assert whole[0] - kept[-1] <= 4, "then the other has them"
            await frozen.kill()
            await other.kill()

    run_in(monkeypatch, go)


def test_a_hand_that_is_cut_off_stops_with_its_lease_and_joins_again(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    brief = brief_for(URL, area=AREA, connections=CONNECTIONS, rate=5)

    async def go(world: HandsWorld) -> FetchReport:
        async with world.planning(brief) as planner:
            cut, other = HandMachine(world, "cut off"), HandMachine(world, "other")
            await planner.until(lambda: planner.stored > 20)
            cut.line.clear()
            await world.clock.sleep(30.0)
            cut.line.set()
            report = await planner.run
            assert all(await asyncio.gather(cut.task, other.task))
            assert any("out of reach for too long" in note for note in cut.notes)
            assert_within_caps(world)
            return report

    assert_as_from_one(brief, run_in(monkeypatch, go))


def test_a_hand_that_stops_gives_back_what_it_has_and_nothing_is_asked_twice(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    brief = brief_for(URL, area=AREA, connections=CONNECTIONS, rate=60)

    async def go(world: HandsWorld) -> FetchReport:
        async with world.planning(brief) as planner:
            leaves = HandMachine(world, "leaves")
            await planner.until(lambda: planner.stored > 20)
            leaves.stop.set()
            assert await leaves.task is False
            HandMachine(world, "stays")
            report = await planner.run
            assert_within_caps(world)
            assert len(world.asked) == plan(brief).count
            return report

    assert_as_from_one(brief, run_in(monkeypatch, go))


def test_a_stop_of_the_planning_machine_ends_with_whole_packs_and_hands_that_wait(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    brief = brief_for(URL, area=AREA, connections=CONNECTIONS, rate=60)

    async def go(world: HandsWorld) -> FetchReport:
        async with world.planning(brief) as planner:
            waits = HandMachine(world, "waits")
            await planner.until(lambda: planner.stored > 20)
            planner.stop.set()
            report = await planner.run
            assert report.interrupted
            assert len(bodies(brief)) == report.total("stored") == len(world.asked)
        async with world.planning(brief) as planner:
            report = await planner.run
            assert await waits.task is True
            assert len(world.asked) == plan(brief).count
            return report

    assert_as_from_one(brief, run_in(monkeypatch, go))


def test_a_hand_whose_clock_is_an_hour_off_notes_times_as_the_planning_machine_has_them(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    brief = brief_for(URL, area=AREA, connections=CONNECTIONS)

    def script(url: str, headers: Mapping[str, str]) -> Result:
        found = usual(url, headers)
        assert isinstance(found, Response)
        return Response(found.status, {**found.headers, "cache-control": "max-age=600"}, found.body)

    async def go(world: HandsWorld) -> FetchReport:
        async with world.planning(brief) as planner:
            ahead = HandMachine(world, "ahead", skew_s=3600.0)
            report = await planner.run
            assert await ahead.task
            with contextlib.closing(sqlite3.connect(brief.store_folder / "survey.mbtiles")) as db:
                [(latest,)] = db.execute("SELECT max(fresh_until) FROM placement").fetchall()
            assert 0 < latest - world.clock.wall() <= 600
            return report

    assert_as_from_one(brief, run_in(monkeypatch, go, script))


def test_hands_whose_planning_machine_dies_find_it_again_and_nothing_that_was_stored_is_asked_for(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    brief = brief_for(URL, area=AREA, connections=CONNECTIONS, rate=60)

    async def go(world: HandsWorld) -> FetchReport:
        hands: list[HandMachine] = []
        async with world.planning(brief) as planner:
            hands += [HandMachine(world, f"laptop {n}") for n in range(2)]
            await planner.until(lambda: planner.stored > 20)
        stored, asked = set(bodies(brief)), len(world.asked)
        assert 20 < len(stored) < plan(brief).count
        async with world.planning(brief) as planner:
            report = await planner.run
            assert await asyncio.gather(*(hand.task for hand in hands)) == [True, True]
            assert not stored & {tile for _, tile in world.asked[asked:]}
            assert [hand.notes[0] for hand in hands] == ["Waiting for the planning machine at planner:1."] * 2
            return report

    assert_as_from_one(brief, run_in(monkeypatch, go))


def test_whatever_becomes_of_hands_the_ledgers_agree_and_the_pack_is_that_of_one_machine(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Hands are killed, frozen, cut off, stopped and started again at random moments."""
    brief = brief_for(URL, area=AREA, connections=CONNECTIONS, rate=6)
    chance, acts = random.Random(11), tries(8, 60)

    async def go(world: HandsWorld) -> FetchReport:
        later: list[tuple[float, asyncio.Event]] = []
        async with world.planning(brief) as planner:
            hands = [HandMachine(world, f"hand {n}") for n in range(3)]
            for _ in range(acts):
                wanted = planner.stored + plan(brief).count // (acts + 2)
                await planner.until(lambda wanted=wanted: planner.stored >= wanted)  # type: ignore[misc]
                number = chance.randrange(3)
                hand, now = hands[number], world.clock.now()
                match chance.choice(["kill", "kill", "freeze", "cut", "stop"]):
                    case "kill":
                        await hand.kill()
                    case "freeze":
                        hand.awake.clear()
                        later.append((now + chance.choice([20.0, 90.0]), hand.awake))
                    case "cut":
                        hand.line.clear()
                        later.append((now + chance.choice([4.0, 11.0, 90.0]), hand.line))
                    case "stop":
                        hand.stop.set()
                hands[number] = HandMachine(world, f"hand {number}")
                for when, event in later:
                    if when <= now:
                        event.set()
            for _, event in later:
                event.set()
            report = await planner.run
            found = world.leases.checked(world.asked)
            assert not found["outside"] + found["same lease"]
            assert found["first"] == plan(brief).count
            assert world.most_at_once <= CONNECTIONS
            return report

    assert_as_from_one(brief, run_in(monkeypatch, go))


def test_what_is_noted_of_tiles_that_do_not_come_is_what_one_machine_notes(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    brief = brief_for(URL, area=AREA, connections=CONNECTIONS)
    tiles = list(plan(brief).layers["survey"].tiles)
    absent, broken = set(tiles[60:90]), tiles[100]
    flaky = set(tiles[9::11]) - absent - {broken}

    def script(url: str, headers: Mapping[str, str]) -> Result:
        tile = tile_of(url)
        if tile in flaky:
            flaky.discard(tile)
            return no_tile(500)
        return no_tile(404) if tile in absent else no_tile(403) if tile == broken else usual(url, headers)

    async def go(world: HandsWorld) -> FetchReport:
        async with world.planning(brief) as planner:
            hands = [HandMachine(world, f"laptop {n}") for n in range(2)]
            report = await planner.run
            for hand in hands:
                hand.stop.set()  # or they wait for the next run
            assert await asyncio.gather(*(hand.task for hand in hands)) == [False, False]
            return report

    found = run_in(monkeypatch, go, script).layers["survey"]
    assert (found.stored, found.absent, found.failed) == (len(tiles) - 31, 30, 1)
    assert list(found.troubles.values()) == [1]
    assert set(bodies(brief)) == set(tiles) - absent - {broken}
    assert not flaky


def test_a_hand_whose_link_is_down_waits_alone_and_keeps_no_tile_from_the_others(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    brief = brief_for(URL, area=AREA, connections=CONNECTIONS)

    async def go(world: HandsWorld) -> FetchReport:
        async with world.planning(brief) as planner:
            truck = HandMachine(world, "truck", link=lambda: REFUSED)
            await planner.until(lambda: any(h.waits for la in planner.layers for h in la.hands or ()))
            assert not world.requests[1:], "but for the robots.txt of the planning machine"
            camp = HandMachine(world, "camp")
            report = await planner.run
            assert await camp.task
            truck.stop.set()
            await truck.task
            assert_within_caps(world)
            assert len(world.asked) == plan(brief).count
            return report

    assert_as_from_one(brief, run_in(monkeypatch, go))


def test_tiles_in_an_answer_that_a_hand_never_heard_are_dealt_again_at_once(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    brief = brief_for(URL, area=AREA, connections=CONNECTIONS, rate=6)

    async def go(world: HandsWorld) -> FetchReport:
        async with world.planning(brief) as planner:
            hand = HandMachine(world, "one")
            await planner.until(lambda: planner.stored > 20)
            hand.deaf = 2  # answers are lost, and asked for again before the lease ends
            report = await planner.run
            assert hand.deaf == 0
            assert planner.log().count('"hand joined"') == 1
            assert_within_caps(world)
            return report

    assert_as_from_one(brief, run_in(monkeypatch, go))


# ------------------------------------------------------------------------------------ connections that nobody uses


def test_nothing_is_lent_before_the_connection_of_robots_txt_is_closed(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    brief = brief_for(URL, area=AREA, connections=CONNECTIONS)

    async def go(world: HandsWorld) -> None:
        world.closes = asyncio.Event()
        async with world.planning(brief) as planner:
            hand = HandMachine(world, "one")
            await world.clock.sleep(30.0)
            assert [url for _, url, _ in world.requests] == ["http://127.0.0.1:8080/robots.txt"]
            assert world.requests[0][2]["Connection"] == "close"
            assert not planner.run.done()
            world.closes.set()
            assert (await planner.run).complete
            assert await hand.task
            assert world.most_open <= CONNECTIONS

    run_in(monkeypatch, go)


# ------------------------------------------------------------------------------------ a speed that all share


def bits_in_any(seconds: float, received: Sequence[tuple[float, int]]) -> float:
    return max(
        sum(8 * size for when, size in received if start <= when < start + seconds) / seconds
        for start, _ in received
    )


def large(url: str, _headers: Mapping[str, str]) -> Result:
    """Tiles of 15 KB: a PNG with what means nothing after it would be no tile, so its pixels are noise."""
    tile = tile_of(url)
    if tile is None:
        return no_tile(404)
    body = noisy_png(str(tile))
    return Response(200, {"content-type": "image/png", "content-length": str(len(body))}, body)


@functools.lru_cache(maxsize=500)
def noisy_png(seed: str) -> bytes:
    noise = random.Random(seed).randbytes(70 * 70 * 3)
    made = io.BytesIO()
    Image.frombytes("RGB", (70, 70), noise).save(made, "PNG")
    return made.getvalue()


def test_all_hands_together_keep_to_a_speed_and_to_another_one_while_they_work(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    brief = brief_for(URL, area=AREA, connections=CONNECTIONS)
    limit = SpeedLimit(600_000.0)

    async def go(world: HandsWorld) -> None:
        async with world.planning(brief, Options(speed_limit=limit)) as planner:
            hands = [HandMachine(world, f"laptop {n}") for n in range(3)]
            await planner.until(lambda: planner.stored > 60)
            before = list(world.received)
            limit.bits_per_second = 1_800_000.0
            await world.clock.sleep(3.0)  # each is told with its next beat
            begun = len(world.received)
            await planner.run
            await asyncio.gather(*(hand.task for hand in hands))
            after = world.received[begun:]
            assert 0.8 * 600_000 < bits_in_any(8.0, before[1:]) < 1.1 * 600_000
            assert 1.5 * 600_000 < bits_in_any(4.0, after) < 1.1 * 1_800_000

    run_in(monkeypatch, go, large)


def test_a_dead_hand_s_share_of_a_speed_is_given_to_nobody_before_its_lease_is_over() -> None:
    book, whole, third = ShareBook(2.0), Caps(900, 900), Caps(300, 300)
    for name in ("one", "two", "dead"):
        assert book.renew(name, third, NOTHING, whole, 0.0, 12.0) == third
    half = Caps(450, 450)
    assert book.renew("one", half, third, whole, 11.0, 23.0) == third
    assert book.renew("two", half, third, whole, 11.0, 23.0) == third
    assert book.renew("one", half, third, whole, 14.1, 26.1) == half
    assert sum(book.lent(14.1)) <= sum(whole)


# ------------------------------------------------------------------------------------ refresh


def rows_of(brief: Brief) -> dict[str, list[tuple[object, ...]]]:
    """All that a pack says of tiles, apart from when it was."""
    with contextlib.closing(sqlite3.connect(brief.store_folder / "survey.mbtiles")) as db:
        return {
            name: sorted(db.execute(query).fetchall())
            for name, query in {
                "tiles": "SELECT zoom_level, tile_column, tile_row, hash, data, seal, etag, modified, fresh_until "
                "FROM placement JOIN blob ON blob.id = blob_id",
                "absent": "SELECT zoom_level, tile_column, tile_row, status FROM absent",
                "trouble": "SELECT zoom_level, tile_column, tile_row, kind FROM trouble",
            }.items()
        }


def test_a_refresh_by_hands_ends_as_one_by_this_machine_alone(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    brief = brief_for(URL, area=AREA, connections=CONNECTIONS)
    tiles = list(plan(brief).layers["survey"].tiles)
    edition = 0

    def script(url: str, headers: Mapping[str, str]) -> Result:
        tile = tile_of(url)
        if tile is None:
            return no_tile(404)
        number = tiles.index(tile)
        revision = edition and number % 3
        if edition and number % 31 == 5:
            return no_tile(404)
        if edition and number % 31 == 6:
            return Response(200, {"content-type": "image/png"}, b"\x89PNG broken")
        tag = f'"{number} {revision}"'
        if headers.get("If-None-Match") == tag:
            return Response(304, {"etag": tag}, b"")
        body = png(f"{tile} {revision}")
        sizes = {"content-type": "image/png", "content-length": str(len(body))}
        return Response(200, {**sizes, "etag": tag}, body)

    async def alone(world: HandsWorld, options: Options) -> FetchReport:
        return await run_fetch(brief, plan(brief), options, clock=world.clock, make_transport=world.transport)

    async def go(world: HandsWorld) -> None:
        nonlocal edition
        assert (await alone(world, Options())).complete
        pack = brief.store_folder / "survey.mbtiles"
        old = pack.read_bytes()
        edition = 1
        options = Options(refresh_older_s=0.001)
        await world.clock.sleep(100.0)
        by_one = await alone(world, options)
        wanted, pack_of_one = rows_of(brief), pack.read_bytes()
        assert pack_of_one != old
        pack.write_bytes(old)
        world.requests.clear()
        world.asked.clear()
        async with world.planning(brief, options) as planner:
            stop = [HandMachine(world, f"laptop {n}") for n in range(2)]
            by_hands = await planner.run
            for hand in stop:
                hand.stop.set()
            await asyncio.gather(*(hand.task for hand in stop))
            assert by_hands.layers["survey"].refresh == by_one.layers["survey"].refresh
            assert by_one.layers["survey"].refresh["unchanged"] > 40
            assert by_one.layers["survey"].refresh["failed"] == 5
        assert rows_of(brief) == wanted
        asked = [headers for _, url, headers in world.requests if tile_of(url) is not None]
        assert all("If-None-Match" in headers for headers in asked)

    run_in(monkeypatch, go, script)


def test_a_hand_that_says_of_a_tile_that_was_not_to_be_refreshed_that_it_is_as_it_was_is_not_believed(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    brief = brief_for(URL, area=AREA, connections=CONNECTIONS)

    async def go(world: HandsWorld) -> None:
        async with world.planning(brief) as planner:
            await planner.until(lambda: world.dealer is not None)
            assert world.dealer is not None
            [fetcher] = world.dealer.fetchers.values()
            [tile] = fetcher.deal("liar", 1, world.clock.now() + 10.0)
            with pytest.raises(FaultyError, match="not to be refreshed"):
                await fetcher.settle("liar", ["kept", list(tile), None, None, None])
            assert not fetcher.leases.has("liar", tile)

    run_in(monkeypatch, go)


# ------------------------------------------------------------------------------------ blocks

BLOCKS = "http://127.0.0.1:8080/map?b={bbox}&w={width}&h={height}"


def drawn(url: str, _headers: Mapping[str, str]) -> Result:
    """A picture of a block, each tile of it in a colour of its own."""
    query = parse_qs(url.partition("?")[2])
    if not query:
        return no_tile(404)
    width, height = int(query["w"][0]), int(query["h"][0])
    body = block_picture([float(v) for v in query["b"][0].split(",")], width, height)
    return Response(200, {"content-type": "image/png", "content-length": str(len(body))}, body)


def test_blocks_are_fetched_cut_and_stored_by_hands_as_by_this_machine_alone(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    area = AREA.replace("15", "14")
    brief = brief_for(BLOCKS, area=area, layer='metatile = 4\nformat = "png"', connections=CONNECTIONS)
    pack = brief.store_folder / "survey.mbtiles"

    async def go(world: HandsWorld) -> None:
        alone = await run_fetch(brief, plan(brief), clock=world.clock, make_transport=world.transport)
        wanted, asked = rows_of(brief), sorted(url for _, url, _ in world.requests)
        assert alone.complete
        pack.unlink()
        world.requests.clear()
        async with world.planning(brief) as planner:
            killed = HandMachine(world, "killed")
            await planner.until(lambda: planner.stored > 5)
            await killed.kill()
            hands = [HandMachine(world, f"laptop {n}") for n in range(2)]
            report = await planner.run
            await asyncio.gather(*(hand.task for hand in hands))
        assert report.complete
        assert rows_of(brief) == wanted
        urls = [url for _, url, _ in world.requests if "?" in url]
        assert sorted(set(urls)) == [url for url in asked if "?" in url]
        assert len(urls) - len(set(urls)) <= CONNECTIONS, "only what the killed hand had under way"
        assert verify(brief, plan(brief), processes=1).ready

    run_in(monkeypatch, go, drawn)
