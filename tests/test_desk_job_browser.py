"""The whole job on the desk with all that comes between: the page closed, the server killed, a sign-in page, and a
course that changes at the last hour. The desk is a process of its own, the tile server keeps its own ledger."""

from __future__ import annotations

import re
import sqlite3
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from packer import Brief, plan
from packer.handover import inspect_tree
from packer.planning.pack_path import pack_path
from packer.proof.proving import verify
from tests.chromium import chromium
from tests.tile_server import TileServer, answer

pytest.importorskip("playwright.sync_api", reason="Playwright's Python package is not installed")
from playwright.sync_api import Browser, BrowserContext, Page, expect

PATIENCE_MS = 30_000
PORTAL = "http://sign-in.invalid/welcome"
CONNECTIONS = 4  # the desk's own for a new layer
HELD = 40
NOTICES = """
localStorage.setItem("desk-notices", "yes");
window.told = [];
window.Notification = class {
  static permission = "granted";
  constructor(title) { window.told.push(title); }
};
"""  # in place of the browser's own notices, which a browser without a screen does not have
ON_BOARD = (
    "async () => (await (await fetch('/board.json')).json()).layers[0].on_board > 0"  # committed, that is
)
DROP = """([name, text]) => {
  const carried = new DataTransfer();
  carried.items.add(new File([text], name));
  document.dispatchEvent(new DragEvent("drop", { dataTransfer: carried, bubbles: true, cancelable: true }));
}"""


def course(*places: tuple[float, float]) -> str:
    """The course, and beside it a track that nobody is to walk."""
    points = "".join(f'<trkpt lat="{lat}" lon="{lon}"/>' for lon, lat in places)
    far = '<trkpt lat="47.9" lon="12.4"/><trkpt lat="47.9" lon="12.5"/>'
    head = '<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">'
    tracks = "".join(
        f"<trk><name>{name}</name><trkseg>{each}</trkseg></trk>"
        for name, each in (("Way in", points), ("Old way", far))
    )
    return f"{head}{tracks}</gpx>"


COURSE = course((12.40, 47.02), (12.43, 47.03))
CHANGED = course((12.40, 47.02), (12.43, 47.03), (12.45, 47.03))


class DeskProcess:
    """`lastbar desk` in a process of its own, as a terminal runs it."""

    def __init__(self, trip: Path) -> None:
        command = [sys.executable, "-m", "packer", "desk", str(trip), "--no-browser"]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        assert self.process.stdout is not None
        found = re.search(r"http://\S+", self.process.stdout.readline())
        assert found is not None
        self.link, self.url = found[0], found[0].split("open?")[0]

    def kill(self) -> None:
        """By SIGKILL, which leaves it no time for anything."""
        self.process.kill()
        self.process.communicate()

    def end(self) -> None:
        self.process.terminate()
        self.process.communicate(timeout=60)


@contextmanager
def desk_process(trip: Path) -> Iterator[DeskProcess]:
    desk = DeskProcess(trip)
    try:
        yield desk
        desk.end()
    finally:
        if desk.process.poll() is None:
            desk.kill()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as running:
        yield running


@pytest.fixture
def context(browser: Browser) -> Iterator[BrowserContext]:
    context = browser.new_context(viewport={"width": 1024, "height": 640}, reduced_motion="reduce")
    context.set_default_timeout(PATIENCE_MS)
    context.add_init_script(NOTICES)
    yield context
    context.close()


def opened(context: BrowserContext, address: str) -> Page:
    page = context.new_page()
    page.goto(address)
    expect(page.locator("#title")).not_to_be_empty()
    return page


def said(page: Page, step: str, words: str | re.Pattern[str]) -> None:
    expect(page.locator(f"#step-{step} .says")).to_have_text(words, timeout=PATIENCE_MS)


def begin(page: Page, server: TileServer) -> None:
    """A pasted address and a dropped course."""
    page.get_by_role("button", name="Add a layer").click()
    dialog = page.get_by_role("dialog")
    dialog.get_by_label("Name").fill("survey")
    dialog.get_by_label("Address of the tiles").fill(server.url)
    dialog.get_by_label("Last zoom", exact=True).fill("16")
    dialog.get_by_label("Attribution").fill("Practice survey")
    dialog.get_by_label("Why you may keep these tiles").fill("our own practice server")
    dialog.get_by_label("Requests a second").fill("5000")
    dialog.get_by_role("button", name="Add", exact=True).click()
    expect(page.locator("#layers")).to_contain_text("survey")
    page.evaluate(DROP, ["course.gpx", COURSE])
    dialog.get_by_text("Only some of its features").click()
    dialog.get_by_label("Way in").check()
    dialog.get_by_label("Deepest zoom").select_option("16")
    dialog.get_by_role("button", name="Add", exact=True).click()
    said(page, "room", re.compile("about"))


def stored(trip: Path) -> set[str]:
    """What the pack holds, as z/x/y, read by SQLite alone."""
    with closing(sqlite3.connect(pack_path(Brief.read(trip), "survey"))) as db:
        rows = db.execute("SELECT zoom_level, tile_column, tile_row FROM placement").fetchall()
    return {f"{z}/{x}/{(1 << z) - 1 - row}" for z, x, row in rows}


def sign_in(_path: str) -> bytes:
    return answer("302 Found", b"", "text/html", f"Location: {PORTAL}")


def test_closed_killed_and_signed_in_the_fetch_ends_with_each_tile_asked_for_once(
    context: BrowserContext, tmp_path: Path
) -> None:
    trip = tmp_path / "trip"
    with TileServer() as server:
        with desk_process(trip) as desk:
            page = opened(context, desk.link)
            begin(page, server)
            server.hold_after(HELD)  # so that it is caught in the middle
            page.keyboard.press("4")
            page.get_by_role("button", name="Start").click()
            assert server.reached(HELD).poll(PATIENCE_MS / 1000)
            page.close()
            page = opened(context, desk.url)  # closing it has stopped nothing
            page.keyboard.press("4")
            expect(page.get_by_role("button", name="Pause")).to_be_visible()
            page.wait_for_function(ON_BOARD, polling=100)
            desk.kill()
            expect(page.locator("body")).to_have_class(re.compile("lost"))
            page.close()
        before, asked = stored(trip), server.tiles_asked
        assert before <= asked.keys()
        assert len(before) > 0
        assert max(asked.values()) == 1
        server.fault = sign_in
        server.hold_after(None)
        with desk_process(trip) as desk:
            page = opened(context, desk.link)
            said(page, "fetch", re.compile(r"\d+ % stored"))
            page.keyboard.press("4")
            page.get_by_role("button", name="Start").click()
            said(page, "fetch", re.compile("waiting: sign in"))
            expect(page.locator("#panel .warning")).to_contain_text(
                "a sign-in page answers in place of the server"
            )
            link = page.get_by_role("link", name="Sign in at sign-in.invalid")
            expect(link).to_have_attribute("href", "http://sign-in.invalid/")
            assert page.evaluate("window.told") == ["A sign-in is needed"]
            turned_away = server.tiles_asked - asked
            server.fault = None  # signed in
            said(page, "fetch", "✓ all stored")
            assert page.evaluate("window.told") == ["A sign-in is needed", "The fetch has ended"]
        planned = {str(tile) for tile in plan(Brief.read(trip)).layers["survey"].tiles}
        twice = Counter({tile: n for tile, n in (server.tiles_asked - turned_away).items() if n > 1})
        assert stored(trip) == planned
        assert not (server.tiles_asked - asked).keys() & before
        assert len(twice) <= HELD + CONNECTIONS - len(
            before
        )  # under way when it was killed, and never stored
        assert verify(Brief.read(trip), plan(Brief.read(trip)), processes=1).ready


def check_and_write(page: Page, card: Path) -> None:
    page.keyboard.press("5")
    page.get_by_role("button", name="Check", exact=True).click()
    expect(page.locator(".verdict.ready")).to_be_visible()
    page.keyboard.press("6")
    page.get_by_label("Folder or card").fill(str(card))
    page.get_by_role("button", name="Write the files").click()
    said(page, "cards", "✓ 1 written")


def fetch_all(page: Page) -> None:
    page.keyboard.press("4")
    page.locator("#panel").get_by_role("button", name=re.compile("^(Start|Go on|Fetch again)$")).click()
    said(page, "fetch", "✓ all stored")


def test_a_course_that_changes_at_the_last_hour_costs_only_what_is_new_and_a_new_card(
    context: BrowserContext, tmp_path: Path
) -> None:
    trip, card = tmp_path / "trip", tmp_path / "card"
    with TileServer() as server, desk_process(trip) as desk:
        page = opened(context, desk.link)
        begin(page, server)
        assert Brief.read(trip).areas[0].feature == ("Way in",)
        fetch_all(page)
        check_and_write(page, card)
        old, asked = plan(Brief.read(trip)).layers["survey"].tiles, server.tiles_asked
        settings = (trip / "brief.toml").read_bytes()
        page.evaluate(DROP, ["course.gpx", CHANGED])
        dialog = page.get_by_role("dialog")
        new = plan(Brief.read(trip)).layers["survey"].tiles
        assert new == old  # nothing is taken before it was said what it costs
        expect(dialog).to_contain_text(re.compile(r"The plan would have \d+ tiles more and \d+ fewer"))
        dialog.get_by_role("button", name="Go on").click()
        said(page, "cards", "! 1 out of date")
        assert (trip / "brief.toml").read_bytes() == settings
        page.keyboard.press("4")
        expect(page.locator("#panel .changed")).to_contain_text("course.gpx has changed since the last fetch")
        page.keyboard.press("6")
        expect(page.locator("#panel .cards")).to_contain_text('Area "course" has changed on survey')
        fetch_all(page)
        new = plan(Brief.read(trip)).layers["survey"].tiles
        fresh = server.tiles_asked - asked
        assert set(fresh) == {str(tile) for tile in new - old}
        assert set(fresh.values()) == {1}
        check_and_write(page, card)
        page.get_by_role("button", name="Inspect this card").click()
        expect(page.locator(".verdict.ready")).to_be_visible()
    assert inspect_tree(card).intact
