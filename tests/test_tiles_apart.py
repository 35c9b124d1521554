"""Tiles that never come are not the network: one table of what a link and a server may do at once.

The time limits are those that the fetch promises in README; common practice, no source.
"""

from __future__ import annotations

import asyncio
import random
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import pytest

from packer.cli.run_fetch import never_came_text
from packer.fetching.apart_lane import ApartLane
from packer.fetching.reports import FetchReport
from packer.fetching.run import run_fetch
from packer.fetching.transports import FailureKind, Response, Result, TransportFailure
from packer.geometry.tileset import Tile
from packer.planning.brief import Brief
from packer.planning.plan import plan
from tests.budgets import tries
from tests.fakes import RESET, ScriptedTransport, VirtualClock, no_tile, page, tile_answer

STARTS = 1000.0  # of the clock
SILENCE = TransportFailure(FailureKind.DEADLINE, "")
DOWN = TransportFailure(FailureKind.REFUSED, "")

BRIEF = """
title = "Test ground"
contact = "maps@example.org"
overview = false
[layers.survey]
url = "https://tiles.example.org/survey/{z}/{x}/{y}.png"
attribution = "Test Survey (invented)"
permission = "Own server"
connections = %d
requests-per-second = %d
zooms = [10, 14]
[[areas]]
name = "ground"
box = [12.30, 47.00, 12.50, 47.15]
deepest = 14
"""


def is_bad(tile: Tile) -> bool:
    """A quarter of the tiles of two zooms, as by chance."""
    return tile.zoom >= 13 and zlib.crc32(str(tile).encode()) % 4 == 0


@dataclass(frozen=True)
class Trouble:
    """What bad tiles get instead of an answer, and when the whole link is down or wants a sign-in."""

    bad: Result | None
    down: tuple[tuple[float, float], ...] = ()
    pages: tuple[tuple[float, float], ...] = ()

    @property
    def lasts_s(self) -> float:
        return sum(end - start for start, end in (*self.down, *self.pages))

    def of_the_link(self, after_s: float) -> Result | None:
        if any(start <= after_s < end for start, end in self.down):
            return DOWN
        return page() if any(start <= after_s < end for start, end in self.pages) else None


class Server(ScriptedTransport):
    """Keeps a silent request for as long as the fetch is ready to wait; notes when each tile came, and each limit."""

    def __init__(self, clock: VirtualClock, trouble: Trouble, delay_s: float = 0.05) -> None:
        super().__init__(clock, self._answer, delay_s, robots=self._robots)
        self.trouble = trouble
        self.came: dict[Tile, float] = {}
        self.limits: dict[Tile, list[float]] = {}

    async def fetch(self, url: str, headers: object, deadline_s: float, limit_bytes: int) -> Result:
        started = self.clock.now()
        result = await super().fetch(url, {}, deadline_s, limit_bytes)
        if url.endswith(".png"):
            zoom, x, y = map(int, url.removesuffix(".png").split("/")[-3:])
            self.limits.setdefault(Tile(zoom, x, y), []).append(deadline_s)
        if result is SILENCE:
            self.under_way += 1
            try:
                await self.clock.sleep(min(deadline_s, 20.0) - (self.clock.now() - started))
            finally:
                self.under_way -= 1
        return result

    def _robots(self, now: float) -> Result:
        return self.trouble.of_the_link(now - STARTS) or no_tile(404)

    def _answer(self, tile: Tile, before: int, now: float) -> Result:
        if link := self.trouble.of_the_link(now - STARTS):
            return link
        if self.trouble.bad is not None and is_bad(tile):
            return self.trouble.bad
        self.came[tile] = now - STARTS
        return tile_answer(tile)


def fetched(brief: Brief, trouble: Trouble, delay_s: float = 0.05) -> tuple[FetchReport, Server]:
    async def go() -> tuple[FetchReport, Server]:
        async with VirtualClock() as clock, asyncio.timeout(60):
            server = Server(clock, trouble, delay_s)
            return await run_fetch(brief, plan(brief), clock=clock, make_transport=server), server

    return asyncio.run(go())


def brief_of(folder: Path, connections: int, rate: int) -> Brief:
    path = folder / "brief.toml"
    path.write_text(BRIEF % (connections, rate), encoding="utf-8")
    return Brief.read(path)


OUTAGE = ((2.0, 1202.0),)
THREE_PAGES = ((3.0, 303.0), (320.0, 720.0), (725.0, 925.0))
TABLE = {
    "closed": Trouble(RESET),
    "silent": Trouble(SILENCE),
    "closed, and an outage of 20 minutes": Trouble(RESET, OUTAGE),
    "silent, and an outage of 20 minutes": Trouble(SILENCE, OUTAGE),
    "closed, and three sign-in pages": Trouble(RESET, pages=THREE_PAGES),
    "silent, an outage and sign-in pages": Trouble(SILENCE, OUTAGE, ((1210.0, 1500.0),)),
    "an outage at the end": Trouble(SILENCE, ((25.0, 1225.0),)),
    "an outage alone": Trouble(None, OUTAGE),
    "three sign-in pages alone": Trouble(None, pages=THREE_PAGES),
    "silent, an outage near the end": Trouble(SILENCE, ((100.0, 1300.0),)),
}


LINKS = [(2, 4), (4, 10), (8, 10)]
# Each trouble with some link, those that come alone with each; all of them in the long form.
MET = [
    pytest.param(TABLE[name], *LINKS[(number + turn) % 3], id=name)
    for number, name in enumerate(TABLE)
    for turn in range(3 if name in ("closed", "silent") else tries(1, 3))
]


@pytest.mark.parametrize(("trouble", "connections", "rate"), MET)
def test_tiles_that_never_come_end_the_run_and_no_fault_of_the_link_gives_a_tile_up(
    tmp_path: Path, trouble: Trouble, connections: int, rate: int
) -> None:
    brief = brief_of(tmp_path, connections, rate)
    planned = set(plan(brief).layers["survey"].tiles)
    bad = {tile for tile in planned if trouble.bad is not None and is_bad(tile)}
    report, server = fetched(brief, trouble)
    layer = report.layers["survey"]
    assert set(server.came) == planned - bad, "every sound tile came, whatever the link did"
    assert layer.failed == layer.missing == len(bad)
    assert report.complete == (not bad)
    assert report.stopped is None
    assert sum(layer.never_came.values()) == len(bad)
    assert set(layer.never_came) <= {"13", "14"}
    # Four minutes, and one for each trouble of the link, whose end has to be found out.
    limit_s = trouble.lasts_s + 240 + 60 * len(trouble.down + trouble.pages)
    assert report.seconds <= limit_s
    assert server.most_at_once <= connections
    if not trouble.lasts_s:
        limits = [server.limits[tile] for tile in bad]
        often = [found for found in limits if len(found) >= 5 and sum(limit >= 5 for limit in found) >= 4]
        assert len(bad) - layer.asked_less <= len(often)
        assert len(often) >= min(len(bad), 4 * connections), (
            "where the number allows it, each has its attempts"
        )
        assert all(2 <= len(found) <= 9 for found in limits)


MANY = BRIEF.replace("zooms = [10, 14]", "zooms = [10, 15]").replace("deepest = 14", "deepest = 15")


@pytest.mark.parametrize("lost", [0.0, 0.15], ids=["a sound link", "a link that loses one request in seven"])
def test_of_very_many_tiles_that_never_come_a_sample_is_asked_for_often_and_the_run_ends(
    tmp_path: Path, lost: float
) -> None:
    """Three quarters of the deepest zoom are silent. Chance on the link gives none of the others up."""
    path = tmp_path / "brief.toml"
    path.write_text(MANY % (8, 50), encoding="utf-8")
    brief, chance = Brief.read(path), random.Random(5)

    def is_silent(tile: Tile) -> bool:
        return tile.zoom == 15 and zlib.crc32(str(tile).encode()) % 4 > 0

    class Lossy(Server):
        def _answer(self, tile: Tile, before: int, now: float) -> Result:
            if is_silent(tile):
                return SILENCE
            if chance.random() < lost:
                return RESET
            self.came[tile] = now - STARTS
            return tile_answer(tile)

    async def go() -> tuple[FetchReport, Server]:
        async with VirtualClock() as clock, asyncio.timeout(60):
            server = Lossy(clock, Trouble(None))
            return await run_fetch(brief, plan(brief), clock=clock, make_transport=server), server

    report, server = asyncio.run(go())
    layer = report.layers["survey"]
    silent = {tile for tile in plan(brief).layers["survey"].tiles if is_silent(tile)}
    assert layer.failed == layer.missing == sum(layer.never_came.values()) == len(silent) > 250
    assert len(silent) - layer.asked_less >= 10, "a sample of them has every attempt"
    assert layer.asked_less >= 50
    assert min(len(server.limits[tile]) for tile in silent) >= 2
    assert report.seconds <= max(server.came.values()) + 180
    text = never_came_text(layer)
    assert f"answers, but not for {len(silent)} tiles of zoom 15." in text
    assert f"{len(silent) - layer.asked_less} of them were asked for five times or more." in text
    assert f"the other {layer.asked_less} were asked for less often" in text


def test_one_tile_of_a_sample_that_comes_starts_the_sample_again() -> None:
    lane = ApartLane(1, 100.0)
    tiles = [Tile(14, n, 0) for n in range(30)]
    for tile in tiles:
        lane.put(tile, 0.0)

    def ask(now: float) -> Tile:
        tile = lane.get(now, alone=True)
        assert tile is not None
        lane.returned(tile, now + 5.0)
        return tile

    lane.put(ask(100.0), 100.0)  # only now is it known how long one takes
    sample = [ask(200.0 + 10 * n) for n in range(5)]
    for tile in sample[:4]:
        lane.settled(tile, came=False)
    lane.settled(sample[4], came=True)
    assert not lane.is_spent(tiles[-1])
    for n in range(5):
        assert not lane.is_spent(tiles[-1])
        lane.settled(ask(300.0 + 10 * n), came=False)
    assert lane.is_spent(tiles[-1])
    assert not lane.is_spent(Tile(13, 0, 0))


def test_where_there_is_time_for_every_attempt_no_zoom_is_spent() -> None:
    lane, tiles = ApartLane(8, 100.0), [Tile(14, n, 0) for n in range(60)]
    for tile in tiles:
        lane.put(tile, 0.0)
    for n in range(60):
        due = lane.get(100.0 + 10 * n, alone=True)
        assert due is not None
        lane.returned(due, 105.0 + 10 * n)
        lane.settled(due, came=False)
        assert not lane.is_spent(tiles[-1])


@pytest.mark.parametrize(("connections", "rate"), [(4, 10), (8, 10), (2, 4)])
@pytest.mark.parametrize("bad", [RESET, SILENCE], ids=["closed", "silent"])
def test_sound_tiles_keep_nearly_their_pace_beside_those_that_never_come(
    tmp_path: Path, bad: Result, connections: int, rate: int
) -> None:
    brief = brief_of(tmp_path, connections, rate)
    _, sound = fetched(brief, Trouble(None))
    (brief.store_folder / "survey.mbtiles").unlink()
    _, server = fetched(brief, Trouble(bad))
    assert max(server.came.values()) <= 1.3 * max(sound.came.values())


def test_a_probe_that_trickles_is_joined_by_a_second_one_after_some_seconds(tmp_path: Path) -> None:
    """Retry-After said one second; the first request after it takes thirty."""
    brief = brief_of(tmp_path, 4, 100)
    planned = list(plan(brief).layers["survey"].tiles)

    async def go() -> list[float]:
        async with VirtualClock() as clock, asyncio.timeout(60):
            asked: list[float] = []

            class Trickling(ScriptedTransport):
                async def fetch(
                    self, url: str, headers: Mapping[str, str], deadline_s: float, limit_bytes: int
                ) -> Result:
                    if url.endswith(".png"):
                        asked.append(clock.now())
                        self.delay_s = 30.0 if len(asked) == 12 else 0.05
                    return await super().fetch(url, headers, deadline_s, limit_bytes)

            def script(tile: Tile, before: int, now: float) -> Result:
                return (
                    no_tile(429, retry_after="1") if 10 <= transport.asked.total() < 12 else tile_answer(tile)
                )

            transport = Trickling(clock, script)
            report = await run_fetch(brief, plan(brief), clock=clock, make_transport=transport)
            assert report.complete
            return asked

    asked = asyncio.run(go())
    assert len(asked) >= len(planned)
    assert max(later - earlier for earlier, later in pairwise(asked[:20])) <= 6.5


def test_wrong_content_under_status_200_that_ends_by_itself_loses_no_tile(tmp_path: Path) -> None:
    """Zeros for half a minute, then the tiles: the run gets them by itself."""
    brief = brief_of(tmp_path, 8, 100)
    zeros = Response(200, {"content-type": "image/png", "content-length": "500"}, bytes(500))

    async def go() -> FetchReport:
        async with VirtualClock() as clock, asyncio.timeout(60):

            def script(tile: Tile, before: int, now: float) -> Result:
                return zeros if is_bad(tile) and now < STARTS + 30 else tile_answer(tile)

            return await run_fetch(
                brief, plan(brief), clock=clock, make_transport=ScriptedTransport(clock, script)
            )

    report = asyncio.run(go())
    assert report.complete
    assert report.seconds < 120


def test_the_end_says_that_the_host_answers_but_not_for_which_tiles_and_what_to_do(tmp_path: Path) -> None:
    report, _ = fetched(brief_of(tmp_path, 8, 100), Trouble(RESET))
    text = never_came_text(report.layers["survey"])
    assert text.startswith("tiles.example.org answers, but not for 38 tiles of zooms 13 and 14.")
    assert "lastbar.log.jsonl" in text
