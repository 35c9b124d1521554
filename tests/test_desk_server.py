"""The desk's server: who may ask, who may change, and that its answers are those of the commands."""

from __future__ import annotations

import asyncio
import json
import os
import threading
import time
from collections.abc import Iterator, MutableMapping
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import httpx
import pytest
import shapely
from geographiclib.geodesic import Geodesic

from packer import Brief, plan
from packer.common.shell import shell_command
from packer.desk.document import Snapshot
from packer.desk.elsewhere import Elsewhere
from packer.desk.events import Events, EventsResponse
from packer.desk.fetch_apart import fetch_here
from packer.desk.recent_trips import RecentTrips
from packer.desk.server import DeskServer
from packer.desk.steps import steps
from packer.desk.wording import on_page
from packer.errors import LastbarError, StoreBusyError
from packer.fetching.reports import Options
from packer.fetching.run_watch import last_run
from packer.geometry.files.drawing import Drawing
from packer.geometry.files.reading import read_drawing
from packer.geometry.tileset import Tile, TileSet
from packer.handover.drafting import refuse_gaps
from packer.planning.ground import Ground
from packer.planning.pack_path import pack_path
from packer.planning.plan import plan_on
from packer.practice import PracticeServer, write_place
from packer.proof.results import Depth
from packer.proof.wording import not_checked
from packer.store.locks import WriteLock, is_locked
from packer.survey.running import SurveyMark, running_survey
from packer.view.outlines import edge_features
from tests.fakes import PLAIN
from tests.test_desk_document import BRIEF
from tests.view_board import Board, build


class Page(AbstractContextManager["Page"]):
    """A browser that has opened the link."""

    def __init__(self, desk: DeskServer) -> None:
        self.http = httpx.Client(base_url=desk.url, follow_redirects=False, timeout=30, verify=PLAIN)
        answer = self.http.get(desk.link)
        assert answer.status_code == 303
        self.origin = desk.url.rstrip("/")

    def __exit__(self, *_: object) -> None:
        self.http.close()

    def get(self, path: str, status: int = 200) -> Any:
        answer = self.http.get(path)
        assert answer.status_code == status, answer.text
        return answer.json()

    def post(self, path: str, body: object = None, status: int = 200, **headers: str) -> Any:
        answer = self.http.post(path, json=body or {}, headers={"Origin": self.origin, **headers})
        assert answer.status_code == status, answer.text
        return answer.json()

    def change(self, status: int = 200, **change: Any) -> Any:
        revision = self.get("/api/state")["revision"]
        return self.post("/api/change", {"revision": revision, "change": change}, status)

    def ended(self, kind: str) -> Any:
        """The job once it has ended, by the events that a page follows."""
        with self.http.stream("GET", "/api/events", timeout=60) as events:
            for line in events.iter_lines():
                if line.startswith("data:") and f'"kind":"{kind}"' in line:
                    job = json.loads(line[5:])
                    if job["state"] in ("done", "failed"):
                        return job
        raise AssertionError("the events ended")


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[DeskServer]:
    (tmp_path / "brief.toml").write_text(BRIEF, encoding="utf-8")
    with DeskServer(tmp_path) as desk:
        yield desk


@pytest.fixture
def page(desk: DeskServer) -> Iterator[Page]:
    with Page(desk) as page:
        yield page


def test_the_link_opens_the_desk_once(desk: DeskServer) -> None:
    link = desk.link
    assert httpx.get(link, verify=PLAIN).status_code == 303
    assert httpx.get(link, verify=PLAIN).status_code == 403
    assert desk.link != link
    assert httpx.get(desk.link, verify=PLAIN).status_code == 303


@pytest.mark.parametrize(
    "path", ["/", "/api/state", "/api/figures", "/tiles/aerial/0/0/0", "/api/events", "/api/hands/code"]
)
def test_nothing_is_told_without_the_pass(desk: DeskServer, path: str) -> None:
    answer = httpx.get(desk.url + path.lstrip("/"), verify=PLAIN)
    assert answer.status_code == 403
    assert "aerial" not in answer.text
    assert "Ketterling" not in answer.text


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Origin": "http://attacker.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Host": "attacker.example"}, 421),
        ({"Content-Type": "text/plain"}, 415),
        ({"Content-Type": "application/x-www-form-urlencoded"}, 415),
    ],
)
def test_a_change_that_another_site_could_send_is_refused(
    desk: DeskServer, page: Page, headers: dict[str, str], status: int
) -> None:
    body = {"revision": 1, "change": {"do": "delete-area", "name": "camp"}}
    page.post("/api/change", body, status, **headers)
    assert page.get("/api/state")["revision"] == 1


def test_a_change_without_an_origin_is_refused(page: Page) -> None:
    answer = page.http.post("/api/undo", json={"revision": 1})
    assert answer.status_code == 403


def test_nothing_changes_by_get(page: Page) -> None:
    for path in ("/api/change", "/api/undo", "/api/jobs/fetch", "/api/keep-ours"):
        assert page.http.get(path).status_code == 405
    assert page.get("/api/state")["revision"] == 1


def test_a_body_without_end_is_cut_off(page: Page) -> None:
    answer = page.http.post(
        "/api/change",
        content=b'"' + b"x" * 10_000_000,
        headers={"Origin": page.origin, "Content-Type": "application/json"},
    )
    assert answer.status_code == 413


@pytest.mark.parametrize("body", [b"[]", b"{", b'{"revision": "1"}', b"[" * 100_000, b'{"revision": true}'])
def test_a_body_that_is_no_change_is_told_so(page: Page, body: bytes) -> None:
    answer = page.http.post(
        "/api/change", content=body, headers={"Origin": page.origin, "Content-Type": "application/json"}
    )
    assert answer.status_code == 400
    assert answer.json()["error"]


def test_the_state_names_areas_layers_and_steps(page: Page) -> None:
    state = page.get("/api/state")
    assert [(a["name"], a["form"], a["deepest"]) for a in state["areas"]] == [
        ("camp", "circle", 18),
        ("valley", "box", 14),
    ]
    assert state["layers"][0]["address"].startswith("http://127.0.0.1:9/")
    assert state["steps"]["ground"]["says"] == "2 areas"
    assert state["steps"]["fetch"]["says"] == "reading the packs"  # a page that opens waits for no plan
    page.get("/api/figures")
    assert page.get("/api/state")["steps"]["fetch"]["says"] == "not begun"


def test_figures_are_those_of_the_plan(page: Page, tmp_path: Path) -> None:
    figures = page.get("/api/figures")
    worked_out = plan(Brief.read(tmp_path))
    assert figures["tiles"] == worked_out.count
    counted = {a.name: len(a.tiles) for a in worked_out.layers["aerial"].areas}
    assert {n: one["layers"]["aerial"]["tiles"] for n, one in figures["areas"].items()} == counted
    page.change(do="set-area", name="valley", values={"deepest": 15})
    assert page.get("/api/figures")["tiles"] == plan(Brief.read(tmp_path)).count


def test_two_pages_that_edit_at_once_lose_nothing(page: Page, desk: DeskServer, tmp_path: Path) -> None:
    page.change(do="set-area", name="valley", values={"deepest": 15})
    stale = {"revision": 1, "change": {"do": "delete-area", "name": "valley"}}
    with Page(desk) as other:
        assert "has changed" in other.post("/api/change", stale, 409)["error"]
    assert Brief.read(tmp_path).areas[1].deepest == 15


def test_a_file_changed_by_hand_is_shown_beside_the_own_state(page: Page, tmp_path: Path) -> None:
    theirs = BRIEF.replace("Ketterling", "By hand")
    (tmp_path / "brief.toml").write_text(theirs, encoding="utf-8")
    told = page.change(409, do="set-area", name="valley", values={"deepest": 15})
    assert (told["theirs"], told["ours"]) == (theirs, BRIEF)
    assert page.post("/api/take-theirs")["title"] == "By hand"


def test_a_change_that_makes_no_sound_brief_is_told_in_the_briefs_own_words(page: Page) -> None:
    told = page.change(422, do="set-area", name="valley", values={"deepest": 99})
    assert "deepest" in told["error"]


def test_a_key_in_the_brief_is_never_told(tmp_path: Path) -> None:
    keyed = BRIEF.replace("{y}.png", "{y}.png?key=S3cretS3cretS3cret")
    (tmp_path / "brief.toml").write_text(keyed, encoding="utf-8")
    with DeskServer(tmp_path) as desk, Page(desk) as page:
        for path in ("/api/state", "/api/figures", "/api/shapes", "/board.json"):
            assert "S3cret" not in page.http.get(path).text


def test_the_whole_job_from_an_empty_folder_to_a_sealed_card(tmp_path: Path) -> None:
    with PracticeServer() as server:
        place = write_place(tmp_path / "place", server.base_url)
        model = Brief.read(place if place.is_file() else tmp_path / "place")
        aerial = model.layers["aerial"]
        (tmp_path / "trip").mkdir()
        with DeskServer(tmp_path / "trip" / "brief.toml") as desk, Page(desk) as page:
            assert page.get("/api/state")["lacks"] == "a map layer and an area"
            values = {
                "url": aerial.url,
                "zooms": list(aerial.zooms),
                "attribution": aerial.attribution,
                "permission": "the practice server of this machine",
                "requests-per-second": 5000,
                "connections": 8,
            }
            page.change(do="add-layer", name="aerial", values=values)
            lon, lat = plan(model).middle
            camp = {"name": "camp", "point": [lon, lat], "radius": "300 m", "deepest": 15}
            page.change(do="add-area", values=camp)
            page.change(do="set-overview", values=False)
            assert page.get("/api/figures")["tiles"] > 10
            page.post("/api/jobs/fetch")
            job = page.ended("fetch")
            assert job["state"] == "done", job
            assert job["result"]["complete"]
            assert page.get("/api/state")["steps"]["fetch"]["says"] == "all stored"
            page.post("/api/jobs/verify", {"depth": "full"})
            assert page.ended("verify")["result"]["ready"]
            page.post("/api/jobs/handover", {"to": str(tmp_path / "card")})
            job = page.ended("handover")
            assert job["state"] == "done", job
            page.post("/api/jobs/inspect", {"to": str(tmp_path / "card")})
            assert page.ended("inspect")["result"]["intact"]
            assert Brief.read(tmp_path / "trip").areas[0].name == "camp"


def test_the_end_of_the_desk_stops_its_fetch_cleanly(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("DBUS_SESSION_BUS_ADDRESS", raising=False)
    with PracticeServer() as server:
        write_place(tmp_path, server.base_url)
        path = tmp_path / "brief.toml"
        path.write_text(
            path.read_text("utf-8").replace("per-second = 500", "per-second = 20"), encoding="utf-8"
        )
        with DeskServer(tmp_path) as desk, Page(desk) as page:
            page.post("/api/jobs/fetch")
            job = desk.session.jobs._last["fetch"]
            with page.http.stream("GET", "/api/events", timeout=60) as events:
                next(line for line in events.iter_lines() if '"host"' in line)
    assert job.state == "done", job.error
    assert job.result is not None
    assert job.result["stopped"] == "asked"
    brief = Brief.read(tmp_path)
    assert not any(is_locked(pack_path(brief, name)) for name in brief.layers)
    assert not list(brief.store_folder.glob("*-journal"))
    run = last_run(brief.store_folder)
    assert run is not None
    assert run.ended
    assert sum("not kept awake" in one["text"] for one in run.events()) == 1


def test_how_much_of_the_link_a_fetch_may_take_is_set_and_lifted_also_while_one_runs(
    page: Page, desk: DeskServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert page.get("/api/state")["at_most"] is None
    told = page.post("/api/at-most", {"speed": "2 Mbit", "until": "23:59"})["at_most"]
    assert told["bits_per_second"] == 2_000_000
    assert told["until"] > time.time()
    asked: list[Options] = []

    async def run_fetch(_brief: Brief, _plan: object, options: Options, **_more: object) -> Any:
        asked.append(options)
        page.post("/api/at-most", {"speed": "5 Mbit"})
        raise LastbarError("enough is seen")

    monkeypatch.setattr("packer.desk.fetch_order.run_fetch", run_fetch)
    desk.session.support = replace(desk.session.support, run=fetch_here)
    page.post("/api/jobs/fetch")
    page.ended("fetch")
    assert (asked[0].speed_limit.bits_per_second, asked[0].speed_limit.until) == (5_000_000, None)
    assert page.post("/api/at-most", {"speed": ""})["at_most"] is None
    assert asked[0].speed_limit.bits_per_second is None
    wrong = page.post("/api/at-most", {"speed": "much"}, 400)
    assert "a speed is a number over 0 with its unit" in json.dumps(wrong)
    page.post("/api/at-most", {"speed": ["2 Mbit"]}, 400)


def test_a_second_fetch_is_not_started_beside_the_first(page: Page, desk: DeskServer) -> None:
    held = threading.Event()
    desk.session.jobs.start("fetch", {}, lambda _reporter: {"held": held.wait(20)})
    assert "running already" in page.post("/api/jobs/fetch", {}, 400)["error"]
    held.set()


@contextmanager
def fetch_in_a_terminal(board: Board) -> Iterator[Path]:
    """The signs of a fetch by another process: its lock on the pack, and its lines in the log."""
    log = board.store / "lastbar.log.jsonl"
    start = {"at": "2026-05-01T10:00:00Z", "run": "20260501T100000Z-1", "event": "start"}
    pause = {
        **start,
        "event": "pause",
        "layers": ["aerial", "ground 2"],
        "kind": "sign-in",
        "reason": "a page came",
    }
    with WriteLock(pack_path(board.brief, "aerial", board.store), "busy"):
        log.write_text(f"{json.dumps(start)}\n{json.dumps(pause)}\n", encoding="utf-8")
        yield log


def test_a_fetch_in_a_terminal_is_shown_and_no_second_one_started(tmp_path: Path) -> None:
    board = build(tmp_path)
    with DeskServer(board.brief.path, board.store) as desk, Page(desk) as page:
        assert page.get("/api/state")["elsewhere"] is None
        with fetch_in_a_terminal(board) as log:
            assert "another process (1)" in page.post("/api/jobs/fetch", {}, 400)["error"]
            desk.session.look_elsewhere()
            state = page.get("/api/state")
            seen = state["elsewhere"]
            assert seen["progress"]["layers"]["aerial"]["pause"]["kind"] == "sign-in"
            assert seen["progress"]["done"] == sum(
                one["on_board"] + one["absent"]
                for one in (la.counts() for la in desk.session.board().layers.values())
            )
            for layer in seen["progress"]["layers"].values():
                assert layer["depths"].keys() == layer["areas"].keys() != set(), (
                    "the page shows both for each"
                )
            assert seen["events"][-1]["text"] == "aerial, ground 2: waiting. a page came."
            assert state["steps"]["fetch"]["mood"] == "wrong"
            with log.open("a", encoding="utf-8") as file:
                file.write(
                    json.dumps({"at": "2026-05-01T10:01:00Z", "run": "20260501T100000Z-1", "event": "end"})
                )
            desk.session.look_elsewhere()
            assert page.get("/api/state")["elsewhere"] is None
        assert page.get("/api/log")["events"][-1]["text"].startswith("Ended")


def test_a_fetch_that_died_in_a_terminal_is_not_said_to_run(tmp_path: Path) -> None:
    board = build(tmp_path)
    with fetch_in_a_terminal(board):
        pass
    assert Elsewhere().run(board.brief, board.store) is None


@contextmanager
def survey_in_a_terminal(folder: Path) -> Iterator[SurveyMark]:
    """The signs of a survey by another process: its lock, and its word with another process' number."""
    with SurveyMark(folder) as mark:
        word = folder / ".+survey.json"
        word.write_text(word.read_text("utf-8").replace(f'"process": {os.getpid()}', '"process": 1'), "utf-8")
        yield mark


def test_a_survey_in_a_terminal_is_shown_and_nothing_else_asks_meanwhile(tmp_path: Path) -> None:
    board = build(tmp_path)
    with DeskServer(board.brief.path, board.store) as desk, Page(desk) as page:
        page.get("/api/figures")
        with survey_in_a_terminal(board.store):
            for kind in ("survey", "fetch"):
                told = page.post(f"/api/jobs/{kind}", {}, 400)["error"]
                assert "A survey of these packs has been running in another process (1)" in told
            state = page.get("/api/state")
            assert state["survey_elsewhere"]["process"] == 1
            assert state["steps"]["worth"] == {"says": "surveying in a terminal", "mood": "busy"}
        desk.session.look_elsewhere()
        state = page.get("/api/state")
        assert (state["survey_elsewhere"], state["steps"]["worth"]["says"]) == (None, "not surveyed")


def test_a_second_survey_of_the_same_packs_is_refused_and_word_of_the_first_is_gone_with_it(
    tmp_path: Path,
) -> None:
    clock = iter(range(100))
    with SurveyMark(tmp_path, lambda: next(clock)) as mark:
        with pytest.raises(StoreBusyError, match="already"), SurveyMark(tmp_path):
            pass
        mark.progress(40, 7)
        assert json.loads((tmp_path / ".+survey.json").read_bytes())["done"] == 7
        assert running_survey(tmp_path) is None  # its own
    with survey_in_a_terminal(tmp_path):
        found = running_survey(tmp_path)
        assert found is not None
        assert found.process == 1
    assert running_survey(tmp_path) is None
    assert not (tmp_path / ".+survey.json").exists()


@pytest.mark.parametrize("word", ["", "[]", '{"process": "1"}', "[" * 900, " " * 2000])
def test_a_word_of_a_survey_that_cannot_be_read_tells_of_none(tmp_path: Path, word: str) -> None:
    with survey_in_a_terminal(tmp_path):
        (tmp_path / ".+survey.json").write_text(word, encoding="utf-8")
        assert running_survey(tmp_path) is None


@pytest.mark.parametrize("apart", ["0", "-1", "61", "nan", "inf", "x", ""])
def test_events_come_as_seldom_as_asked_for_within_bounds(page: Page, apart: str) -> None:
    assert "number of seconds" in page.get(f"/api/events?apart={apart}", 400)["error"]


def test_a_page_that_goes_away_in_mid_event_is_forgotten_and_nothing_is_left_open() -> None:
    events, said = Events(), list[dict[str, Any]]()

    async def follow(sent: asyncio.Event, gone: asyncio.Event) -> None:
        async def receive() -> dict[str, Any]:
            await gone.wait()
            return {"type": "http.disconnect"}

        async def send(_message: MutableMapping[str, Any]) -> None:
            sent.set()

        try:
            await EventsResponse(events.follow())({"type": "http", "method": "GET"}, receive, send)
        finally:
            sent.set()

    async def go() -> None:
        asyncio.get_running_loop().set_exception_handler(lambda _loop, context: said.append(context))
        for close_early in (True, False):
            sent, gone = asyncio.Event(), asyncio.Event()
            page = asyncio.create_task(follow(sent, gone))
            await sent.wait()
            if not close_early:
                events.tell("state", {})
                await asyncio.sleep(0)
            gone.set()
            await page

    asyncio.run(go())
    assert not said
    assert not events._followers


def test_no_sentence_on_the_page_asks_for_a_command() -> None:
    fetch = shell_command("fetch", Path("a b/brief.toml"))
    with pytest.raises(LastbarError) as empty:
        refuse_gaps([SimpleNamespace(layers={}, files=(), share=SimpleNamespace(crew=None))], fetch, False)  # type: ignore[list-item]
    layers = {"aerial": SimpleNamespace(missing=TileSet.from_tiles([Tile(3, 1, 1)]))}
    with pytest.raises(LastbarError) as gaps:
        refuse_gaps([SimpleNamespace(layers=layers, files=("a",))], fetch, False)  # type: ignore[list-item]
    brief = SimpleNamespace(part=None)
    told = [t for depth in Depth for t in not_checked(brief, depth, {})]  # type: ignore[arg-type]
    for sentence in map(on_page, (str(empty.value), str(gaps.value), *told)):
        assert "--" not in sentence
        assert "lastbar " not in sentence


def test_a_verdict_and_a_card_of_another_brief_are_out_of_date() -> None:
    job = {
        "state": "done",
        "ended": 0.0,
        "brief_mark": "a",
        "result": {"ready": True, "verdict": "READY", "copies": [1]},
    }
    now = Snapshot(1, "", None, "an area", False, False, True)
    jobs = {"verify": job, "handover": job}
    fresh: dict[str, list[str]] = {"differences": []}
    old = {"differences": ['Area "camp" is new on aerial: 9 tiles.']}
    same, other = steps(now, None, None, jobs, "a", [fresh]), steps(now, None, None, jobs, "b", [fresh, old])
    assert same["proof"]["mood"] == same["cards"]["mood"] == "done"
    assert other["proof"]["mood"] == "todo"
    assert "READY" not in other["proof"]["says"]
    assert other["cards"]["mood"] == "wrong"


@pytest.mark.parametrize(
    ("result", "words"),
    [
        ({"below_floor": ["course: relief to zoom 5"]}, "below the floor"),
        ({"wrong_ground": ["relief"]}, "the wrong ground"),
    ],
)
def test_a_fetch_that_got_all_there_is_and_too_little_is_not_called_done(
    result: dict[str, Any], words: str
) -> None:
    now = Snapshot(1, "", None, None, False, False, True)
    board = [{"planned": 9, "missing": 0}]
    for found, expected in ((result, (words, "wrong")), ({}, ("all stored", "done"))):
        job = {"state": "done", "result": found, "progress": {}}
        step = steps(now, None, board, {"fetch": job}, "a")["fetch"]
        assert (step["says"], step["mood"]) == expected


def test_the_edge_of_a_corridor_is_its_half_width_from_the_line() -> None:
    """Measured along geodesics by geographiclib, which nothing of the drawing uses."""
    line = "line = [[12.5, 60.0], [12.9, 60.4], [13.4, 60.3]]"
    text = (
        f'{BRIEF.split("[[areas]]")[0]}\n[[areas]]\nname = "way"\n{line}\nhalf-width = "2 km"\ndeepest = 10\n'
    )
    (edge,) = edge_features(plan(Brief.from_text(text, Path("brief.toml"))))
    assert edge["properties"] == {"kind": "edge", "name": "way"}
    outline = shapely.geometry.shape(edge["geometry"])
    for lon, lat in ((12.5, 60.0), (12.9, 60.4), (13.4, 60.3)):
        far = [
            Geodesic.WGS84.Inverse(lat, lon, y, x)["s12"]
            for x, y in shapely.get_coordinates(outline.boundary)
        ]
        assert min(far) == pytest.approx(2000, rel=0.1)


def test_another_half_width_does_not_parse_the_file_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    area = '[[areas]]\nname = "way"\nline = "w.gpx"\nhalf-width = "WIDE"\ndeepest = 10\n'
    text = f"{BRIEF.split('[[areas]]')[0]}\n{area}"
    points = '<trkpt lat="47" lon="12"/><trkpt lat="47.1" lon="12.1"/>'
    gpx = f'<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>{points}</trkseg></trk></gpx>'
    (tmp_path / "w.gpx").write_text(gpx, encoding="utf-8")
    parsed: list[Path] = []

    def counted(path: Path, columns: tuple[str, str] | None) -> Drawing:
        parsed.append(path)
        return read_drawing(path, columns)

    monkeypatch.setattr("packer.planning.ground.read_drawing", counted)
    known = Ground()
    briefs = [
        Brief.from_text(text.replace("WIDE", wide), tmp_path / "brief.toml")
        for wide in ("250 m", "2 km", "3 km")
    ]
    found = [plan_on(brief, known).fingerprint for brief in briefs]
    assert len(parsed) == 1
    assert found == [plan(brief).fingerprint for brief in briefs]
    (tmp_path / "w.gpx").write_text(gpx.replace("47.1", "47.25"), encoding="utf-8")
    assert plan_on(briefs[0], known).fingerprint == plan(briefs[0]).fingerprint != found[0]


def test_the_report_of_the_last_check_is_a_page_that_may_run_nothing(tmp_path: Path) -> None:
    board = build(tmp_path)
    with DeskServer(board.brief.path, board.store) as desk, Page(desk) as page:
        assert "Check first" in page.get("/api/report", 400)["error"]
        page.post("/api/jobs/verify", {"depth": "usual"})
        job = desk.session.jobs._last["verify"]
        assert job.thread is not None
        job.thread.join(60)
        answer = page.http.get("/api/report")
        assert "READY" in answer.text
        assert "default-src 'none'" in answer.headers["content-security-policy"]
        assert "script" not in answer.headers["content-security-policy"]


def test_a_recent_trip_takes_the_place_of_the_one_on_the_desk_and_no_other_path_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    board = build(tmp_path)
    first = str(board.brief.path.absolute())
    with DeskServer(board.brief.path):
        pass
    other = tmp_path / "other"
    other.mkdir()
    (other / "brief.toml").write_text(BRIEF, encoding="utf-8")
    with DeskServer(tmp_path / "new") as desk, Page(desk) as page:
        assert [one["path"] for one in page.get("/api/recent")["trips"]] == [first]
        assert (
            "none of the trips" in page.post("/api/open", {"path": str(other / "brief.toml")}, 400)["error"]
        )
        before, held = desk.session, threading.Event()
        before.jobs.start("fetch", {}, lambda _reporter: {"held": held.wait(20)})
        assert "Stop it first" in page.post("/api/open", {"path": first}, 400)["error"]
        held.set()
        before.jobs.stop_all()
        assert page.post("/api/open", {"path": first})["path"] == first
        assert page.get("/api/state")["title"] == board.brief.title
        assert before.events.closed
        assert desk.session is not before
        board.brief.path.rename(tmp_path / "gone.toml")
        assert page.get("/api/recent")["trips"] == []


@pytest.mark.parametrize("text", ["", "{", "{}", "[1]", '[{"path": 1}]', "[" * 5000])
def test_a_damaged_list_of_trips_is_as_none(tmp_path: Path, text: str) -> None:
    (tmp_path / "recent.json").write_text(text, encoding="utf-8")
    assert RecentTrips(tmp_path).trips() == []


def test_the_list_of_trips_names_each_once_the_newest_first_and_twelve_at_most(tmp_path: Path) -> None:
    clock = iter(range(100))
    recent = RecentTrips(tmp_path, lambda: next(clock))
    for n in (*range(15), 14, 3):
        (tmp_path / f"{n}.toml").touch()
        recent.note(tmp_path / f"{n}.toml", f"trip {n}")
    assert [one["title"] for one in recent.trips()] == [
        f"trip {n}" for n in (3, 14, 13, 12, 11, 10, 9, 8, 7, 6, 5, 4)
    ]
