"""Leaving in time: what is on board by then, what is foretold, and that the packs are whole."""

from __future__ import annotations

import asyncio
import io
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import partial

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from rich.console import Console

from packer.cli.fetch_words import outlook_text, standing_text
from packer.cli.progress import FetchProgress, LiveFetchProgress
from packer.fetching.coverage import CoverageTracker, route_share
from packer.fetching.departure import ByteBudget, Schedule, Throughput, departure_time
from packer.fetching.order import in_order
from packer.fetching.pacing.gate import Pause, PauseKind
from packer.fetching.reports import (
    Alarm,
    AreaCoverage,
    Departure,
    FetchReport,
    LayerCounts,
    LayerProgress,
    Options,
)
from packer.fetching.run import run_fetch
from packer.fetching.transports import FailureKind, Result, TransportFailure
from packer.geometry.cover import cover_box
from packer.geometry.grid import LonLatBox
from packer.geometry.shapes import Corridor, Rectangle, Shape
from packer.geometry.tileset import Tile, TileSet
from packer.planning.brief import Brief
from packer.planning.plan import AreaPlan, plan
from packer.store.pack_summary import read_summary
from tests.budgets import tries
from tests.conftest import BriefMaker
from tests.fakes import REFUSED, ScriptedTransport, VirtualClock, tile_answer

URL = "https://tiles.example.org/survey/{z}/{x}/{y}.png"
AREA = "box = [12.30, 47.00, 12.70, 47.20]\ndeepest = 15"
WALL = 1_700_001_000.0  # what the clock of the tests says at its start


@pytest.fixture
def brief(brief_for: BriefMaker) -> Brief:
    maker = partial(brief_for, overview='overview = false\ncontact = "maps@example.org"')
    return maker(URL, area=AREA, connections=4, rate=20)


@dataclass
class Told:
    """A fetch with all that it told on the way."""

    report: FetchReport
    progress: list[LayerProgress] = field(default_factory=list)
    ended_at: float = 0.0


def fetched(
    brief: Brief,
    options: Options,
    script: Callable[[Tile, int, float], Result] = lambda tile, _before, _now: tile_answer(tile),
    delay_s: float = 0.05,
) -> Told:
    async def go() -> Told:
        async with VirtualClock() as clock:
            progress: list[LayerProgress] = []
            transport = ScriptedTransport(clock, script, delay_s)
            report = await run_fetch(
                brief,
                plan(brief),
                options,
                clock=clock,
                make_transport=transport,
                on_progress=progress.extend,
            )
            return Told(report, progress, clock.wall())

    return asyncio.run(go())


def planned(brief: Brief) -> TileSet:
    return plan(brief).layers["survey"].tiles


def held(brief: Brief) -> TileSet:
    return read_summary(brief.store_folder / "survey.mbtiles").held


# ---------------------------------------------------------------------------------------------- stopping


def test_a_departure_stops_in_time_with_a_whole_pack_and_the_first_of_the_order(brief: Brief) -> None:
    told = fetched(brief, Options(depart_at=WALL + 40))
    assert told.report.stopped == "departure"
    assert told.report.interrupted
    assert not told.report.complete
    assert WALL + 28 < told.ended_at <= WALL + 40
    assert told.report.total("failed") == 0
    assert not list(brief.store_folder.glob("*-journal")), "the pack stands alone"
    worked_out = plan(brief)
    order = list(in_order(worked_out.layers["survey"].areas, worked_out.shapes, planned(brief)))
    assert set(held(brief)) == set(order[: len(held(brief))]), "the most useful tiles, and no others"
    assert len(held(brief)) > 0.6 * 20 * 40, "the time is used"


def test_a_fetch_that_is_done_before_the_departure_just_ends(brief: Brief) -> None:
    told = fetched(brief, Options(depart_at=WALL + 10_000))
    assert told.report.complete
    assert told.report.stopped is None


def test_a_departure_in_the_middle_of_an_outage_ends_the_wait(brief: Brief) -> None:
    told = fetched(
        brief,
        Options(depart_at=WALL + 60),
        lambda tile, _b, now: tile_answer(tile) if now < 1010 else REFUSED,
    )
    assert told.report.stopped == "departure"
    assert told.ended_at <= WALL + 60


def test_requests_that_do_not_come_back_are_dropped_before_the_departure(brief: Brief) -> None:
    told = fetched(brief, Options(depart_at=WALL + 120), delay_s=50.0)
    assert told.report.stopped == "departure"
    assert told.ended_at <= WALL + 120


@settings(max_examples=60, deadline=None)
@given(st.floats(1, 100_000), st.floats(0, 300))
def test_there_is_always_time_to_fold_and_most_of_the_time_is_used(whole_s: float, typical_s: float) -> None:
    schedule = Schedule(WALL, WALL + whole_s)
    stop = schedule.stop_asking_at(typical_s)
    assert WALL + 0.7 * whole_s <= stop <= schedule.drop_at < schedule.depart_at
    assert schedule.depart_at - schedule.drop_at >= min(4.0, 0.1 * whole_s)


def test_no_more_bytes_than_allowed_are_received(brief: Brief) -> None:
    most = 30_000
    told = fetched(brief, Options(max_bytes=most))
    size = len(tile_answer(Tile(15, 1, 1)).body)
    assert told.report.stopped == "max-bytes"
    assert most - 6 * size <= told.report.total("bytes") <= most + size
    again = fetched(brief, Options(max_bytes=10_000_000))
    assert again.report.complete
    assert again.report.stopped is None


def test_bodies_that_break_off_use_up_the_bytes_allowed(brief: Brief) -> None:
    broken = TransportFailure(FailureKind.SHORT, "cut", 10_000)
    told = fetched(
        brief,
        Options(max_bytes=300_000),
        lambda tile, before, _n: tile_answer(tile) if before % 3 else broken,
    )
    assert told.report.stopped == "max-bytes"
    assert told.report.total("requests") < 60


# ---------------------------------------------------------------------------------------------- foretelling


def test_what_will_be_on_board_is_foretold_early_and_comes_true(brief: Brief) -> None:
    told = fetched(brief, Options(depart_at=WALL + 60))
    foretold = [la for la in told.progress if la.departure is not None]
    first = foretold[0]
    assert first.departure is not None
    assert first.held < 0.2 * first.planned, "the first seconds are enough"
    assert not first.departure.complete
    come = first.held + first.departure.tiles
    assert abs(come - len(held(brief))) < 0.15 * len(held(brief))
    (area,) = first.departure.areas
    shares, true = dict(area.shares), told.report.layers["survey"].areas["ground"]
    assert [z for z, s in shares.items() if s == 1] == [int(z) for z, s in true.items() if s == 1]
    assert abs(shares[15] - true["15"]) < 0.1


def test_the_pace_of_the_last_run_is_known_before_the_first_tile(brief: Brief) -> None:
    fetched(brief, Options(depart_at=WALL + 40, log=True))
    told = fetched(brief, Options(depart_at=WALL + 40, log=True))
    first = told.progress[0].departure
    assert first is not None
    assert 0.7 * 20 * 30 < first.tiles < 1.3 * 20 * 40


def test_progress_says_what_the_crew_would_have_if_it_left_now(brief: Brief) -> None:
    told = fetched(brief, Options())
    tracker = [la.areas[0] for la in told.progress if la.areas]
    assert all(a.area == "ground" for a in tracker)
    at_15 = [dict(a.shares)[15] for a in tracker]
    assert at_15 == sorted(at_15)
    assert at_15[0] == 0.0
    assert at_15[-1] == 1.0
    assert len(set(at_15)) > 5


LINE = np.column_stack([np.linspace(12.3, 12.9, 400), 47 + 0.05 * np.sin(np.linspace(0, 9, 400))])
ROUTE, VALLEY = Corridor((LINE,), 500.0), Rectangle(LonLatBox(12.3, 46.9, 12.6, 47.1))
SHAPES: dict[str, Shape] = {"course": ROUTE, "valley": VALLEY}
AREAS = [
    AreaPlan("overview", 9, cover_box(LonLatBox(12.0, 46.8, 13.0, 47.3), 9).pyramid(0), overview=True),
    AreaPlan("course", 14, ROUTE.tiles(14).pyramid(0)),
    AreaPlan("valley", 13, VALLEY.tiles(13).pyramid(0)),
]
EVERY = TileSet.union(a.tiles for a in AREAS)
ORDER = list(in_order(AREAS, SHAPES, EVERY))


@settings(max_examples=tries(10, 25), deadline=None)
@given(st.integers(0, len(ORDER)), st.integers(0, len(ORDER)))
@example(0, 8)
@example(0, 12)
@example(0, 20)
def test_the_standing_is_that_of_the_tiles_themselves(come: int, more: int) -> None:
    tracker = CoverageTracker(AREAS, SHAPES, EVERY, TileSet())
    for start in range(0, come, 97):
        tracker.add(ORDER[start : min(start + 97, come)])
    on_board = TileSet.from_tiles(ORDER[:come])
    for standing, area in zip(tracker.now(), AREAS, strict=True):
        for zoom, share in standing.shares:
            whole = area.tiles.at(zoom)
            if not whole - on_board:
                assert share == 1.0
            else:
                true = route_share(SHAPES.get(area.name, VALLEY), on_board & whole, zoom)
                expected = len(whole & on_board) / len(whole) if true is None else true
                assert share == pytest.approx(min(expected, 0.999))
    # What is foretold for later is what a standing of later says, but for the sides of the line and a tile or
    # two; and "whole" is never promised in vain.
    later = CoverageTracker(AREAS, SHAPES, EVERY, TileSet.from_tiles(ORDER[: come + more]))
    for foretold, true_later, area in zip(tracker.after(more), later.now(), AREAS, strict=True):
        for (zoom, share), (_, then) in zip(foretold.shares, true_later.shares, strict=True):
            assert share < 1.0 or then == 1.0, (foretold.area, zoom)
            assert abs(share - then) < 0.1 + 1.5 / len(area.tiles.at(zoom))


def test_the_depth_that_is_told_is_held_and_what_the_server_lacks_does_not_count() -> None:
    tracker = CoverageTracker(AREAS, SHAPES, EVERY, TileSet())
    assert [area.held for area in tracker.now()] == [None] * 3
    upper = [tile for tile in ORDER if tile.zoom <= 11]
    tracker.add(upper)
    assert [area.held for area in tracker.now()] == [9, 11, 11]
    lower = [tile for tile in ORDER if tile.zoom > 11]
    tracker.add(lower, [tile for tile in lower if tile.zoom > 12])
    whole = tracker.now()
    assert [(area.held, area.asked) for area in whole] == [(9, 9), (12, 14), (12, 13)]
    assert all(area.done == area.planned for area in whole), "nothing is missing all the same"


def test_a_route_counts_by_its_length_and_is_whole_only_with_its_sides() -> None:
    spine = TileSet.from_tiles(t for t in ORDER[:120])
    tracker = CoverageTracker(AREAS[1:2], SHAPES, AREAS[1].tiles, spine)
    shares = dict(tracker.now()[0].shares)
    assert max(shares.values()) <= 1.0
    assert route_share(ROUTE, ROUTE.tiles(14), 14) == pytest.approx(1.0)
    assert route_share(VALLEY, VALLEY.tiles(12), 12) is None
    half = Corridor((LINE[:200],), 1.0).tiles(14)
    assert route_share(ROUTE, half, 14) == pytest.approx(0.5, abs=0.03)


def test_a_pace_is_that_of_the_last_minute() -> None:
    assert Throughput(0.0).per_second is None
    pace = Throughput(0.0)
    for second in range(1, 301):
        pace.mark(float(second), second * 10 if second < 200 else 2000)
    assert pace.per_second == 0.0
    assert Throughput(0.0, 7.5).per_second == 7.5


def test_an_allowance_leaves_room_for_what_is_under_way() -> None:
    byte_budget = ByteBudget(100_000)
    for _ in range(5):
        byte_budget.received(15_000)
    assert byte_budget.may_ask(1)
    assert not byte_budget.may_ask(2)
    assert ByteBudget(None).may_ask(1000)


# ---------------------------------------------------------------------------------------------- in words

NOW = datetime(2026, 11, 25, 22, 10)


@pytest.mark.parametrize(
    ("text", "when"),
    [
        ("22:30", datetime(2026, 11, 25, 22, 30)),
        ("05:30", datetime(2026, 11, 26, 5, 30)),
        ("5:30", datetime(2026, 11, 26, 5, 30)),
        ("22:10", datetime(2026, 11, 26, 22, 10)),
        ("2026-12-01 05:30", datetime(2026, 12, 1, 5, 30)),
        ("2026-12-01T05:30", datetime(2026, 12, 1, 5, 30)),
    ],
)
def test_a_departure_is_the_next_such_time_or_the_day_named(text: str, when: datetime) -> None:
    assert departure_time(text, NOW) == when.timestamp()


@pytest.mark.parametrize(
    "text", ["", "soon", "25:00", "12:60", "2026-12-01", "2026-11-25 22:09", "5.30", "-1:00"]
)
def test_what_is_no_departure_is_refused_in_words(text: str) -> None:
    with pytest.raises(ValueError, match=r"05:30|passed"):
        departure_time(text, NOW)


@pytest.fixture
def clocks_that_change(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Local time as in Central Europe: from 01:00 UTC on the last Sunday of March to that of October one hour
    more (Directive 2000/84/EC, articles 1 to 3), in the writing of POSIX, 8.3."""
    with monkeypatch.context() as inside:
        inside.setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3")
        time.tzset()
        yield
    time.tzset()


@pytest.mark.usefixtures("clocks_that_change")
@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the time zone of a process cannot be set here")
@pytest.mark.parametrize(
    ("text", "now", "when"),
    [
        ("02:50", "2026-10-24 20:00", "2026-10-25 00:50"),
        ("02:50", "2026-10-25 00:30", "2026-10-25 00:50"),
        ("02:50", "2026-10-25 00:55", "2026-10-25 01:50"),  # the first has passed
        ("02:50", "2026-10-25 01:15", "2026-10-25 01:50"),  # 02:15 for the second time
        ("02:10", "2026-10-25 01:15", "2026-10-26 01:10"),
        ("03:10", "2026-10-25 01:15", "2026-10-25 02:10"),
        ("2026-10-25 02:50", "2026-10-25 00:30", "2026-10-25 00:50"),
        ("2026-10-25 02:50", "2026-10-25 01:15", "2026-10-25 01:50"),
        ("2026-10-25T02:50+02:00", "2026-10-25 00:30", "2026-10-25 00:50"),
        ("02:30", "2026-03-28 22:00", "2026-03-29 01:30"),  # never shown: 03:30 then
        ("03:30", "2026-03-28 22:00", "2026-03-29 01:30"),
        ("02:30", "2026-03-29 02:00", "2026-03-30 00:30"),
    ],
)
def test_a_departure_in_the_night_when_clocks_change_is_the_next_such_time(
    text: str, now: str, when: str
) -> None:
    """Source of the two meanings of one local time: PEP 495. `now` and `when` are in UTC."""
    started, expected = (datetime.fromisoformat(f"{t}+00:00").timestamp() for t in (now, when))
    assert departure_time(text, datetime.fromtimestamp(started)) == expected


def test_standings_read_in_brief() -> None:
    areas = (
        AreaCoverage("overview", ((0, 1.0), (1, 1.0))),
        AreaCoverage("course", ((12, 1.0), (13, 1.0), (14, 0.999), (15, 0.408), (16, 0.0), (17, 0.0))),
    )
    assert standing_text(areas) == "overview complete; course z12-13 100 %, z14 99 %, z15 40 %, z16-17 0 %"


def test_an_outlook_names_what_is_ready_and_what_is_not() -> None:
    areas = (AreaCoverage("overview", ((0, 1.0),)), AreaCoverage("course", ((15, 1.0), (16, 0.62))))
    soon = (datetime.now() + timedelta(minutes=5)).timestamp()
    text = outlook_text("aerial", Departure(300.0, 1200, False, areas), soon)
    assert "Complete: overview." in text
    assert "Not complete: course z15 100 %, z16 62 %." in text
    assert "everything" in outlook_text("aerial", Departure(300.0, 10, True, areas), soon)


# ---------------------------------------------------------------------------------------------- on the screen


def layer_progress(name: str, pause: Pause | None = None, held: int = 400) -> LayerProgress:
    shares = ((12, 1.0), (13, 1.0), (14, 0.4 + held / 10_000), (15, 0.0), (16, 0.0))
    areas = tuple(
        AreaCoverage(area, shares) for area in ("course", "base camp", "valley", "sectors", "depot")
    )
    return LayerProgress(
        name,
        163_162,
        held,
        12,
        LayerCounts(bytes=held * 15_000),
        pause,
        "tiles.with-a-long-name.example.org:8443",
        areas,
        Departure(900.0, 12_345, False, areas),
        (Alarm(name, "ab" * 32, 1234, "15/17501/11475"),),
    )


PAUSES = [Pause(kind, "the server cannot answer just now (503)", None, 90.0, 130.0) for kind in PauseKind]
PAUSES.append(
    Pause(PauseKind.SIGN_IN, "an HTML page came in place of a tile", "http://p.example/a", 90.0, 130.0)
)


@pytest.mark.parametrize("pause", [None, *PAUSES])
@pytest.mark.parametrize("columns", [80, 132, 40])
def test_no_line_of_the_display_is_wider_than_the_screen(
    pause: Pause | None, columns: int, capsys: pytest.CaptureFixture[str]
) -> None:
    now = [100.0]
    for progress in (
        LiveFetchProgress(None, lambda: now[0], Console(file=sys.stderr, width=columns, height=24)),
        FetchProgress(1_700_000_000.0, lambda: now[0]),
    ):
        with progress:
            for held in range(400, 1000, 100):
                now[0] += 20.0
                progress.show([layer_progress("aerial", pause, held), layer_progress("relief", pause, held)])
        out = capsys.readouterr().err
        # A hash and a host are not broken, however narrow the screen.
        lines = [line for line in out.splitlines() if "abab" not in line and "long-name" not in line]
        assert len(lines) > 4
        assert max(map(len, lines)) <= (80 if type(progress) is FetchProgress else columns)
        if columns >= 80:
            assert max(map(len, out.splitlines())) <= 80


def test_the_display_is_drawn_again_only_where_something_has_changed() -> None:
    out = io.StringIO()
    console = Console(file=out, width=80, height=24, force_terminal=True)
    progress = LiveFetchProgress(None, lambda: 100.0, console)
    with progress:
        progress.show([layer_progress("aerial")])
        drawn = len(out.getvalue())
        for _ in range(10):
            progress.show([layer_progress("aerial")])
        assert len(out.getvalue()) == drawn


def test_waiting_layers_of_one_host_are_told_once_and_where_to_sign_in(
    capsys: pytest.CaptureFixture[str],
) -> None:
    progress = FetchProgress(None, lambda: 100.0)
    for _ in range(3):
        progress.show([layer_progress("aerial", PAUSES[-1]), layer_progress("relief", PAUSES[-1])])
    err = " ".join(capsys.readouterr().err.split())
    assert err.count("waiting") == 1
    assert "aerial, relief: waiting" in err
    assert "Open http://p.example/a in a browser" in err
