"""What a planner sees: one screen of 24 rows and 80 columns with ten areas, and the same as plain lines in a pipe."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packer.cli import show_plan, show_status
from packer.cli.area_lines import AreaState, area_bars
from packer.cli.fetch_screen import (
    FetchState,
    RecentPace,
    fetch_state,
    plain_areas,
    screen_lines,
    total_line,
)
from packer.cli.lines import BLOCKS, HASHES, marks_for, share_bar
from packer.cli.verify_text import report_lines
from packer.desk.fetch_order import fetch_progress
from packer.fetching.pacing.gate import Pause, PauseKind
from packer.fetching.refresh import RefreshCounts
from packer.fetching.reports import AreaCoverage, Departure, LayerCounts, LayerProgress
from packer.geometry.grid import LonLatBox
from packer.geometry.tileset import TileSet
from packer.planning.plan import AreaPlan, LayerPlan, Plan
from packer.proof.depths import AreaDepth
from packer.proof.results import LayerFindings, TileCounts, VerifyReport
from tests.conftest import BriefMaker

NAMES = [
    "overview",
    *("course, the long way round", "base camp", "spring", "sectors", "north gate"),
    *("airstrip", "water point 2", "ridge relay", "landing zone A", "old mine"),
]
ROWS, COLUMNS = 23, 79
NOON = 1_700_000_000.0


def coverage(name: str, done: int = 400, held: int | None = 14, asked: int = 17) -> AreaCoverage:
    return AreaCoverage(name, ((14, 1.0), (17, done / 1000)), held, asked, done, 1000)


def layer(
    name: str, held: int = 400, pause: Pause | None = None, areas: list[AreaCoverage] | None = None
) -> LayerProgress:
    shown = tuple(areas if areas is not None else [coverage(n) for n in NAMES])
    return LayerProgress(
        name,
        27_431,
        held,
        12,
        LayerCounts(stored=held, bytes=held * 15_000),
        pause,
        "tiles.example.org",
        shown,
    )


def state_of(layers: list[LayerProgress], now: float = 100.0, depart_at: float | None = None) -> FetchState:
    return fetch_state(layers, {}, now, NOON, depart_at)


def everything_at_once() -> list[LayerProgress]:
    """Three layers with all that a screen may have to say."""
    layers = []
    for name, kind in zip(("aerial", "relief", "contours"), PauseKind, strict=False):
        pause = Pause(kind, "the server cannot answer just now (503)", None, 90.0, 130.0)
        one = layer(name, pause=pause)
        one.counts.failed = 7
        departure = Departure(900.0, 12_345, False, one.areas)
        layers.append(
            LayerProgress(
                one.name, one.planned, one.held, one.absent, one.counts, pause, f"{name}.example.org",
                one.areas, departure, (), RefreshCounts(stale=300, new=3),
            )
        )  # fmt: skip
    return layers


@pytest.mark.parametrize("layers", [[layer("aerial")], [layer("a"), layer("b")], everything_at_once()])
def test_ten_areas_and_all_else_fit_one_screen_with_a_line_for_each_area(layers: list[LayerProgress]) -> None:
    lines = screen_lines(state_of(layers, depart_at=NOON + 900), COLUMNS, ROWS)
    assert len(lines) <= ROWS
    assert max(map(len, lines)) <= COLUMNS
    if len(layers) < 3:
        for name in NAMES:
            assert sum(line.startswith(name[:15]) for line in lines) == 1
    assert sum("waiting" in line for line in lines) == sum(la.pause is not None for la in layers)
    assert any(line.startswith("all ") for line in lines)


areas_drawn = st.builds(
    AreaState,
    st.text(min_size=1, max_size=60),
    st.floats(0, 1),
    st.lists(
        st.tuples(st.text(max_size=30), st.one_of(st.none(), st.integers(0, 24)), st.integers(0, 24)),
        min_size=1,
        max_size=5,
    ).map(tuple),
    st.one_of(st.none(), st.integers(0, 24)),
)


@settings(max_examples=20, deadline=None)
@given(
    st.lists(areas_drawn, max_size=30),
    st.lists(st.text(max_size=200), max_size=6),
    st.integers(20, 79),
    st.integers(1, 60),
    st.integers(0, 10**9),
    st.integers(0, 10**9),
)
def test_no_state_of_a_fetch_is_taller_or_wider_than_the_screen(
    areas: list[AreaState], waits: list[str], width: int, height: int, done: int, more: int
) -> None:
    state = FetchState(
        tuple(areas), (("aerial", 0.5), ("relief", 1.0)), done, done + more, more, done * 15_000,
        more * 15_000.0, 5e6, 100.0, NOON, waits=tuple(waits),
    )  # fmt: skip
    lines = screen_lines(state, width, height)
    assert len(lines) <= height
    assert all(len(line) <= width for line in lines)


def test_more_areas_than_rows_show_what_is_not_complete_first_and_count_the_others() -> None:
    states = [AreaState(f"area {n}", 1.0 if n < 20 else 0.5, (("aerial", 12, 12),)) for n in range(30)]
    lines = area_bars(states, COLUMNS, 12)
    assert len(lines) == 12
    assert [line.split("  ")[0] for line in lines[:10]] == [f"area {n}" for n in range(20, 30)]
    assert lines[-1] == "and 19 more areas, all complete"
    assert area_bars(states[:3], COLUMNS, 2)[-1] == "and 2 more areas, all complete"
    assert area_bars(states[19:21], COLUMNS, 1)[-1] == "and 2 more areas, 1 of them complete"


def test_the_whole_has_bytes_speed_and_the_clock_time_of_its_end() -> None:
    paces: dict[str, RecentPace] = {}
    fetch_state([layer("aerial", 1000)], paces, 0.0, NOON)
    state = fetch_state([layer("aerial", 1100)], paces, 10.0, NOON)
    # 100 tiles of 15 kB in 10 s: 10 tiles, 1.2 Mbit a second; 27,431 - 1,100 - 12 tiles are left.
    assert state.bits_per_second == pytest.approx(1.2e6)
    assert state.left_s == pytest.approx(26_319 / 10)
    assert state.ends_at == pytest.approx(NOON + 2631.9)
    text = total_line(state)
    assert text.startswith(
        "4 %, 1,112 of 27,431 tiles, 16.5 MB came, about 394.8 MB to come, 1.2 Mbit/s, done about"
    )
    assert text.endswith("(in 44 min)")


def test_the_end_of_several_layers_is_that_of_the_last_and_unknown_while_one_waits() -> None:
    paces: dict[str, RecentPace] = {}
    fetch_state([layer("aerial", 1000), layer("relief", 1000)], paces, 0.0, NOON)
    both = fetch_state([layer("aerial", 1100), layer("relief", 1010)], paces, 10.0, NOON)
    assert both.left_s == pytest.approx((27_431 - 1010 - 12) / 1.0)
    pause = Pause(PauseKind.LINK, "no answer", None, 90.0, 130.0)
    waits = fetch_state([layer("aerial", 1200), layer("relief", 1010, pause)], paces, 20.0, NOON)
    assert waits.left_s is None
    assert "the end is not known while it waits" in total_line(waits)
    assert (
        waits.waits == ("relief: waiting for the network, for 0.0 s; next try in 1 min 50 s",) or waits.waits
    )


def test_a_depth_is_what_is_held_of_what_is_asked_and_says_where_the_server_has_no_more() -> None:
    def text(share: float, *depths: tuple[str, int | None, int], floor: int | None = None) -> str:
        return AreaState("a", share, depths, floor).depth_text(41)

    assert text(0.5, ("aerial", None, 17)) == "nothing of zoom 17"
    assert text(0.5, ("aerial", 14, 17), ("relief", 14, 17)) == "zoom 14 of 17"
    assert text(0.5, ("aerial", 13, 16), ("relief", 12, 14)) == "aerial 13 of 16, relief 12 of 14"
    assert text(1.0, ("aerial", 17, 17), ("relief", 14, 14)) == "zoom 14 and 17, as asked"
    assert text(1.0, ("aerial", 14, 16), ("relief", 16, 16)) == "aerial 14 of 16, the server has no more"
    assert text(1.0, ("aerial", 9, 16), floor=12) == "zoom 9 of 16, BELOW ITS FLOOR, 12"
    many = [(f"a layer with name {n}", 10 + n, 17) for n in range(4)]
    assert text(0.5, *many) == "at least zoom 10 of 17"
    assert text(0.5, ("not begun", None, 17), *many) == "one layer nothing of 17"


def test_in_a_pipe_the_same_is_told_in_plain_lines() -> None:
    state = state_of([layer("aerial"), layer("relief")], depart_at=NOON)
    lines = plain_areas(state)
    assert lines[1] == "  course, the long way round: 40 %, zoom 14 of 17"
    assert len(lines) == len(NAMES)
    assert "824 of 54,862 tiles" in total_line(state)


def test_the_desk_is_given_the_same_depths() -> None:
    told = fetch_progress([layer("aerial")], NOON)["layers"]["aerial"]
    assert told["depths"]["spring"] == {"held": 14, "asked": 17}


def test_only_all_fills_a_bar_and_ascii_screens_get_ascii_marks() -> None:
    assert share_bar(0.0, 10) == "·" * 10
    assert share_bar(0.0001, 10).count("■") == 1
    assert share_bar(0.9999, 10).count("■") == 9
    assert share_bar(1.0, 10, HASHES) == "#" * 10
    assert (marks_for("utf-8"), marks_for("ascii"), marks_for(None)) == (BLOCKS, HASHES, HASHES)


# ------------------------------------------------------------------------------------------------ verify


def found(below: int = 0, missing: int = 0, reasons: int = 0) -> tuple[Plan, VerifyReport]:
    """A verify of ten areas and the overview; `below` of them below their floor, tiles missing in one."""
    tiles = TileSet.from_tiles([(14, 1, 1)]).pyramid(0)
    areas = tuple(AreaPlan(name, 14, tiles, 0, 12) for name in NAMES)
    plan = Plan({"aerial": LayerPlan("aerial", tiles, areas)}, {}, LonLatBox(0, 0, 1, 1), (0.5, 0.5), ())
    depths = tuple(
        AreaDepth(
            name, "aerial", 14, 14, 12, 9 if n < below else 14, 1.0, 1.0,
            missing if n == 10 else 0, 0, 0, TileSet(),
        )
        for n, name in enumerate(NAMES)
    )  # fmt: skip
    counts = TileCounts(2_000, 2_000 - missing, 0, missing, 0)
    layers = {
        "aerial": LayerFindings(
            Path("packs/aerial.mbtiles"), counts, {}, TileSet.from_tiles([(14, 1, 1)] * bool(missing)), TileSet(),
            (), 2_000, 0, all_bodies=2_000, size_bytes=1,
        )
    }  # fmt: skip
    sentence = (
        "course, aerial: below its floor, zoom 12: to zoom 9 of 14 asked; the server does not have the rest"
    )
    report = VerifyReport(
        layers,
        reasons=tuple(f"{sentence}, case {n}." for n in range(reasons)),
        warnings=tuple(f"{sentence}, warning {n}." for n in range(3)),
        not_checked=("Pictures were not decoded. Each was whole.", "How old the pictures are. Look at them."),
        depths=depths,
    )
    return plan, report


@pytest.mark.parametrize(("below", "missing", "reasons"), [(0, 0, 0), (0, 3, 2), (11, 0, 11), (3, 9, 40)])
def test_a_verify_of_ten_areas_says_its_verdict_first_on_one_screen(
    below: int, missing: int, reasons: int
) -> None:
    plan, report = found(below, missing, reasons)
    lines = report_lines("Ketterling Basin", plan, report, Path("trip"), None, by_zoom=False)
    assert lines[1].startswith(report.verdict.value)
    assert len(lines) <= ROWS
    assert max(map(len, lines)) <= 80
    told = "\n".join(lines)
    assert told.count("BELOW ITS FLOOR") == min(below, 6)
    if reasons:
        assert "case 0" in told
    if reasons > 2:
        assert "more: --by-zoom shows all" in told
        every = report_lines("Ketterling Basin", plan, report, Path("trip"), None, by_zoom=True)
        assert f"case {reasons - 1}" in "\n".join(every)


# ------------------------------------------------------------------------------------------------ plan and status

TEN = "\n\n[[areas]]\n".join(
    f'name = "{name}"\npoint = [{12.30 + n * 0.05:.2f}, 47.0]\nradius = "600 m"\ndeepest = {13 + n % 3}'
    for n, name in enumerate(NAMES[1:])
)


def test_plan_and_status_of_ten_areas_fit_one_screen_and_tables_come_on_request(
    brief_for: BriefMaker, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    area = TEN.split("\n", 1)[1]  # the maker names the first
    brief = brief_for("http://127.0.0.1:9/{z}/{x}/{y}.png", area=area, overview="")
    monkeypatch.chdir(brief.folder)
    path = Path("brief.toml")

    def planned(by_zoom: bool) -> str:
        show_plan.run(path, False, None, False, by_zoom=by_zoom)
        return capsys.readouterr().out

    def status(by_zoom: bool) -> str:
        show_status.run(path, None, False, by_zoom)
        return capsys.readouterr().out

    for shown in (planned, status):
        out = shown(False)
        assert len(out.splitlines()) <= ROWS
        assert max(map(len, out.splitlines())) <= 80
        for name in NAMES[2:]:
            assert name in out
        assert "\n  13 " not in out
        assert "\n  13 " in shown(True)


def test_plan_says_which_areas_lie_apart_and_nothing_of_a_distance_of_0_km(
    brief_for: BriefMaker, capsys: pytest.CaptureFixture[str]
) -> None:
    near = 'point = [12.30, 47.0]\nradius = "2 km"\ndeepest = 12\n\n[[areas]]\nname = "hut"\n'
    hut = 'point = [{lon}, 47.0]\nradius = "2 km"\ndeepest = 12'
    brief = brief_for("http://127.0.0.1:9/{z}/{x}/{y}.png", area=near + hut.format(lon=12.3))
    show_plan.run(brief.path, False, None, False)
    out = capsys.readouterr().out
    assert "Each area touches or overlaps another." in out
    assert "0 km" not in out
    brief = brief_for("http://127.0.0.1:9/{z}/{x}/{y}.png", area=near + hut.format(lon=13.3))
    show_plan.run(brief.path, False, None, False)
    assert "Apart from all others: ground (76 km to hut), hut (76 km to ground)." in capsys.readouterr().out
