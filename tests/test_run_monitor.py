"""Watching over a run: it wakes when something is to be done, and neither later nor much more often."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable

import pytest

from packer.fetching.departure import ByteBudget
from packer.fetching.reports import FetchReport, LayerProgress, Options
from packer.fetching.run import run_fetch
from packer.fetching.run_log import RunLog
from packer.fetching.run_monitor import RunMonitor
from packer.fetching.transports import Result
from packer.geometry.tileset import Tile
from packer.planning.brief import Brief
from packer.planning.plan import plan
from tests.conftest import BriefMaker
from tests.fakes import REFUSED, ScriptedTransport, VirtualClock, tile_answer

OUTAGE_S = 1200.0


@pytest.fixture
def brief(brief_for: BriefMaker) -> Brief:
    return brief_for(
        "https://tiles.example.org/{z}/{x}/{y}.png",
        area="box = [12.30, 47.00, 12.40, 47.05]\ndeepest = 15",
        overview='overview = false\ncontact = "maps@example.org"',
    )


@pytest.fixture
def wakings(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """The moments at which the monitor looked at the run."""
    seen: list[float] = []
    note = RunMonitor.note

    def noted(self: RunMonitor, *, last: bool = False) -> None:
        seen.append(self.clock.now())
        note(self, last=last)

    monkeypatch.setattr(RunMonitor, "note", noted)
    return seen


def run(
    brief: Brief,
    script: Callable[[Tile, int, float], Result],
    options: Options | None = None,
    on_progress: Callable[[list[LayerProgress]], None] | None = None,
) -> FetchReport:
    """One fetch on a clock that starts at 1000 s."""

    async def go() -> FetchReport:
        async with VirtualClock() as clock:
            transport = ScriptedTransport(clock, script)
            return await run_fetch(
                brief, plan(brief), options, clock=clock, make_transport=transport, on_progress=on_progress
            )

    return asyncio.run(go())


def out_of_reach(tile: Tile, before: int, now: float) -> Result:
    """Down from 1001 s on for twenty minutes."""
    return REFUSED if 1001 <= now < 1001 + OUTAGE_S else tile_answer(tile)


def test_an_outage_of_twenty_minutes_wakes_it_every_five_seconds_if_nobody_listens(
    brief: Brief, wakings: list[float]
) -> None:
    assert run(brief, out_of_reach).complete
    assert len([now for now in wakings if 1010 < now < 1001 + OUTAGE_S]) <= OUTAGE_S / 5 + 1


def test_who_listens_is_told_each_second_of_an_outage_and_four_times_a_second_while_tiles_come(
    brief: Brief,
) -> None:
    told: list[bool] = []
    assert run(
        brief, out_of_reach, on_progress=lambda layers: told.append(layers[0].pause is not None)
    ).complete
    assert 0.9 * OUTAGE_S <= sum(told) <= 1.1 * OUTAGE_S + 10
    seconds = (
        len(plan(brief).layers["survey"].tiles) / 8 * 0.05
    )  # eight at a time, each of them as long as that
    assert told.count(False) >= 3 * seconds


@pytest.mark.parametrize("patience_s", [2.0, 90.0])
def test_it_gives_up_when_the_time_for_that_has_come_and_not_seconds_later(
    brief: Brief, patience_s: float
) -> None:
    paused: list[float] = []

    def down(tile: Tile, before: int, now: float) -> Result:
        if now >= 1001:
            paused.append(now)
            return REFUSED
        return tile_answer(tile)

    report = run(brief, down, Options(give_up_after_s=patience_s))
    assert report.layers["survey"].failure is not None
    assert 1000 + report.seconds - paused[0] == pytest.approx(patience_s, abs=0.5)


def test_a_layer_that_is_done_does_not_keep_the_monitor_awake_while_another_works() -> None:
    """Ten seconds of work after the first layer has ended: looks as time passes, not one for each turn of the loop."""
    looks = Counter[float]()

    async def go() -> None:
        async with VirtualClock() as clock:

            def counted(_layers: object) -> None:
                looks[clock.now()] += 1
                assert looks[clock.now()] <= 3, "it goes round without waiting"

            monitor = RunMonitor([], clock, RunLog(None, clock.wall), [], ByteBudget(None), None, counted)
            done = asyncio.create_task(asyncio.sleep(0))
            working = asyncio.create_task(clock.sleep(10.0))
            stopping = asyncio.create_task(asyncio.Event().wait())
            try:
                await monitor.until_done([done, working], [], stopping)
            finally:
                working.cancel()
                stopping.cancel()

    asyncio.run(go())
    assert looks
