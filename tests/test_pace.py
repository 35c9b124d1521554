"""The pace at which tiles come: what a fetch waited for a sign-in or an outage is no part of it."""

from __future__ import annotations

import asyncio
import json
import sqlite3
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import pytest

from packer.cli.fetch_screen import RecentPace, fetch_state
from packer.fetching.departure import Throughput
from packer.fetching.pacing.signals import PauseKind
from packer.fetching.pacing.waiting import WaitingTime
from packer.fetching.reports import FetchReport, LayerProgress, Options
from packer.fetching.run import run_fetch
from packer.fetching.run_log import FILE_NAME, last_pace, seconds_waited
from packer.fetching.transports import FailureKind, Result, TransportFailure
from packer.geometry.tileset import Tile
from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.survey.estimate import last_speed
from tests.conftest import BriefMaker
from tests.fakes import REFUSED, ScriptedTransport, VirtualClock, page, tile_answer

WALL = 1_700_001_000.0  # what the clock of the tests says at its start
BEGAN, OUT_S = 1020.0, 300.0  # tiles come for twenty seconds, then for five minutes nothing
RATE = 5  # requests a second
SILENT = TransportFailure(FailureKind.DEADLINE, "no answer in time")


@pytest.fixture
def brief(brief_for: BriefMaker) -> Brief:
    return brief_for(
        "https://tiles.example.org/survey/{z}/{x}/{y}.png",
        area="box = [12.30, 47.00, 12.50, 47.10]\ndeepest = 15",
        overview='overview = false\ncontact = "maps@example.org"',
        connections=4,
        rate=RATE,
    )


@dataclass
class Told:
    """A fetch, what it told of its one layer at each moment of the run, and the seconds that it said were left."""

    report: FetchReport
    progress: list[tuple[float, LayerProgress]] = field(default_factory=list)
    ended_at: float = 0.0
    left: list[float] = field(default_factory=list)


@dataclass(frozen=True)
class Interrupted:
    """The script of a host in whose place something else answers, or nothing at all, for a while."""

    what: Result

    def instead(self, now: float) -> Result | None:
        return self.what if BEGAN <= now < BEGAN + OUT_S else None

    def __call__(self, tile: Tile, _before: int, now: float) -> Result:
        return self.instead(now) or tile_answer(tile)


class PatientTransport(ScriptedTransport):
    """A request that gets no answer takes as long as it may, and robots.txt fares as the tiles do."""

    async def fetch(
        self, url: str, headers: Mapping[str, str], deadline_s: float, limit_bytes: int
    ) -> Result:
        answer = await super().fetch(url, headers, deadline_s, limit_bytes)
        if url.endswith("/robots.txt") and isinstance(self.script, Interrupted):
            answer = self.script.instead(self.clock.now()) or answer
        if answer is SILENT:
            await self.clock.sleep(deadline_s)
        return answer


def fetched(
    brief: Brief,
    options: Options,
    script: Callable[[Tile, int, float], Result],
    clock: VirtualClock | None = None,
) -> Told:
    async def go() -> Told:
        async with clock or VirtualClock() as ticking:
            told: list[tuple[float, LayerProgress]] = []
            left: list[float] = []
            paces: dict[str, RecentPace] = {}

            def show(layers: list[LayerProgress]) -> None:
                told.extend((ticking.now(), one) for one in layers)
                state = fetch_state(layers, paces, ticking.now(), ticking.wall())
                if state.left_s:
                    left.append(state.left_s)

            transport = PatientTransport(ticking, script, 0.05)
            report = await run_fetch(
                brief, plan(brief), options, clock=ticking, make_transport=transport, on_progress=show
            )
            return Told(report, told, ticking.now(), left)

    return asyncio.run(go())


OUTAGES = pytest.mark.parametrize("what", [REFUSED, SILENT, page()], ids=["refused", "silent", "sign-in"])


@OUTAGES
def test_after_an_outage_the_time_left_and_what_is_foretold_rest_on_the_pace_before_it(
    brief: Brief, what: Result
) -> None:
    told = fetched(brief, Options(depart_at=WALL + BEGAN - 1000 + OUT_S + 40), Interrupted(what))
    later = [one.departure for now, one in told.progress if now > BEGAN + 10 and one.departure is not None]
    paces = [
        d.tiles / d.seconds_left for d in later if not d.complete and d.seconds_left and d.seconds_left > 5
    ]
    assert len(paces) > 30
    assert min(paces) > 0.7 * RATE, "with the wait in it, the pace would sink to nothing"
    assert len(told.left) > 50, "what the screen says is left, in seconds"
    assert max(told.left[20:]) <= 1.3 * told.report.layers["survey"].planned / RATE


def test_a_wait_counts_from_the_last_tile_and_one_that_the_host_asked_for_not_at_all() -> None:
    waiting = WaitingTime(0.0)
    waiting.came(10.0)
    waiting.paused(PauseKind.LINK, 25.0)
    assert waiting.seconds(25.0) == 15.0
    waiting.paused(PauseKind.SIGN_IN, 40.0)
    assert waiting.seconds(60.0) == 50.0
    waiting.paused(None, 70.0)
    assert waiting.seconds(500.0) == 60.0
    waiting.came(510.0)
    waiting.paused(PauseKind.ASKED, 520.0)
    waiting.paused(PauseKind.SERVER, 600.0)
    waiting.paused(PauseKind.ASKED, 640.0)
    waiting.paused(None, 700.0)
    assert waiting.seconds(1000.0) == 60.0 + 40.0


def test_a_pace_whose_time_goes_back_a_little_is_still_the_pace() -> None:
    pace = Throughput(0.0)
    for now, settled in ((5.0, 50), (10.0, 100), (15.0, 120), (12.0, 120), (12.0, 120), (17.0, 170)):
        pace.mark(now, settled)
    assert pace.per_second == 10.0


def test_what_a_run_waited_is_left_out_of_the_pace_and_of_the_speed_that_it_leaves(brief: Brief) -> None:
    fetched(brief, Options(log=True), Interrupted(page()))
    end = json.loads((brief.store_folder / FILE_NAME).read_text().splitlines()[-1])
    layer = end["layers"]["survey"]
    assert layer["seconds"] > OUT_S
    assert layer["waited_seconds"] == pytest.approx(OUT_S, abs=15)
    pace = last_pace(brief.store_folder, "survey")
    assert pace is not None
    assert pace > 0.7 * RATE
    db = sqlite3.connect(brief.store_folder / "survey.mbtiles")
    started, ended = db.execute("SELECT started, ended FROM run").fetchone()
    db.close()
    assert seconds_waited(brief.store_folder, "survey", started, ended) == layer["waited_seconds"]
    assert seconds_waited(brief.store_folder, "survey", started - 5000, ended - 5000) == 0.0, "another run"
    assert seconds_waited(brief.store_folder, "other", started, ended) == 0.0
    assert seconds_waited(brief.folder / "nowhere", "survey", started, ended) == 0.0
    speed = last_speed(brief)
    assert speed is not None
    assert speed.bits_per_second > 0.6 * 8 * layer["bytes"] / (layer["seconds"] - layer["waited_seconds"])


class ResetClock(VirtualClock):
    """Its hour is set back or forward by `step_s` once the run has gone on for ten seconds."""

    def __init__(self, step_s: float) -> None:
        super().__init__()
        self._step_s = step_s

    def wall(self) -> float:
        return super().wall() + (self._step_s if self.now() > 1010 else 0.0)


@pytest.mark.parametrize("step_s", [-3600.0, 0.0, 3600.0])
def test_a_fetch_for_so_long_takes_so_long_however_the_clock_is_set_meanwhile(
    brief: Brief, step_s: float
) -> None:
    told = fetched(
        brief, Options(for_s=30.0), lambda tile, _before, _now: tile_answer(tile), ResetClock(step_s)
    )
    assert told.report.stopped == "departure"
    assert 1000 + 0.7 * 30 < told.ended_at <= 1030


def test_the_earlier_of_a_departure_and_a_length_of_time_ends_the_fetch(brief: Brief) -> None:
    for options in (Options(for_s=20.0, depart_at=WALL + 500), Options(for_s=500.0, depart_at=WALL + 20)):
        told = fetched(brief, options, lambda tile, _before, _now: tile_answer(tile))
        assert told.report.stopped == "departure" or told.report.complete
        assert told.ended_at <= 1020
