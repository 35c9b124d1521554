"""The desk in a real browser: the whole job without touching a file or a terminal."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from packer import Brief, plan
from packer.desk.server import DeskServer
from packer.handover import inspect_tree
from packer.practice import PracticeServer, write_place
from tests.chromium import chromium, keep, page_of, watched

pytest.importorskip("playwright.sync_api", reason="Playwright's Python package is not installed")
from playwright.sync_api import Browser, Page, expect

PATIENCE_MS = 60_000


HIDE = """(hidden) => {
  Object.defineProperty(document, "hidden", { value: hidden, configurable: true });
  document.dispatchEvent(new Event("visibilitychange"));
}"""  # as when another tab is chosen, which a browser without a screen does not tell of
REFUSED = "http://127.0.0.1:9/{z}/{x}/{y}.png"  # discard (RFC 863): nothing listens there
NOTICES = """() => {
  [window.asked, window.told] = [0, []];
  window.Notification = class {
    static permission = "default";
    static async requestPermission() {
      window.asked += 1;
      return (this.permission = "granted");
    }
    constructor(title) { window.told.push(title); }
  };
}"""  # in place of the browser's own notices, which a browser without a screen does not have


@pytest.fixture(scope="module")
def server() -> Iterator[PracticeServer]:
    with PracticeServer() as running:
        yield running


@pytest.fixture(scope="module")
def place(server: PracticeServer, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A finished brief to take the address and the course from."""
    folder = tmp_path_factory.mktemp("place")
    write_place(folder, server.base_url)
    return folder


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as running:
        yield running


@contextmanager
def sitting(browser: Browser, desk: DeskServer, width: int = 1024, height: int = 640) -> Iterator[Page]:
    """A page that has opened the desk; it may ask no other host and must not fail."""
    page = page_of(browser, width, height)
    page.set_default_timeout(PATIENCE_MS)
    with watched(page, desk.url):
        page.goto(desk.link)
        expect(page.locator("#title")).not_to_be_empty()
        yield page
        page.goto("about:blank")


def said(page: Page, step: str, words: str | re.Pattern[str]) -> None:
    """Wait until a step says these words of its state."""
    expect(page.locator(f"#step-{step} .says")).to_have_text(words, timeout=PATIENCE_MS)


def add_layer(page: Page, address: str, last: int) -> None:
    page.get_by_role("button", name="Add a layer").click()
    dialog = page.get_by_role("dialog")
    dialog.get_by_label("Address of the tiles").fill(address)
    dialog.get_by_label("Last zoom", exact=True).fill(str(last))
    dialog.get_by_label("Attribution").fill("Practice survey")
    dialog.get_by_label("Why you may keep these tiles").fill("our own practice server")
    dialog.get_by_label("Requests a second").fill("5000")
    dialog.get_by_role("button", name="Add", exact=True).click()
    expect(page.locator("#layers")).to_contain_text("aerial")


def test_the_whole_job_without_touching_a_file_or_a_terminal(
    browser: Browser, place: Path, tmp_path: Path
) -> None:
    model = Brief.read(place)
    card = tmp_path / "card"
    with DeskServer(tmp_path / "trip") as desk, sitting(browser, desk) as page:
        said(page, "ground", "needs a map layer and an area")
        keep(page, "desk-1-begin")
        add_layer(page, model.layers["aerial"].url, 19)
        page.locator("#file-input").set_input_files(place / str(model.areas[0].line))
        dialog = page.get_by_role("dialog")
        expect(dialog.get_by_text("a corridor along its lines")).to_be_visible()
        keep(page, "desk-2-file")
        dialog.get_by_label("Deepest zoom").select_option("14")
        dialog.get_by_role("button", name="Add", exact=True).click()
        said(page, "room", re.compile("about"))
        keep(page, "desk-3-drawn")
        page.evaluate(NOTICES)
        page.keyboard.press("4")
        assert page.evaluate("window.asked") == 0
        page.get_by_role("button", name="Tell me when it ends").click()
        page.get_by_role("button", name="Start").click()
        said(page, "fetch", "✓ all stored")
        assert page.evaluate("window.told") == ["The fetch has ended"]
        expect(page.locator("#panel")).to_contain_text("Complete.")
        expect(page.locator("#panel")).not_to_contain_text("Not ready")
        keep(page, "desk-4-fetched")
        page.locator("#step-proof").click()
        page.get_by_role("button", name="Check", exact=True).click()
        expect(page.locator(".verdict.ready")).to_be_visible()
        keep(page, "desk-5-proof")
        page.locator("#step-cards").click()
        page.get_by_label("Folder or card").fill(str(card))
        page.get_by_role("button", name="Write the files").click()
        expect(page.locator("#panel")).to_contain_text("sealed")
        page.get_by_role("button", name="Inspect this card").click()
        expect(page.locator(".verdict.ready")).to_be_visible()
        keep(page, "desk-6-card")
    assert inspect_tree(card).intact
    brief = Brief.read(tmp_path / "trip")
    assert brief.areas[0].line == model.areas[0].line
    assert plan(brief).count > 0


def inked(page: Page) -> bool:
    """Whether the graticule has a line or a label on it."""
    net = page.locator(".leaflet-graticule-pane canvas")
    expect(net).to_be_attached()
    return bool(
        net.evaluate("c => c.getContext('2d').getImageData(0, 0, c.width, c.height).data.some((v) => v > 0)")
    )


def radius_text(folder: Path) -> str:
    return str(tomllib.loads((folder / "brief.toml").read_text("utf-8"))["areas"][0]["radius"])


def test_without_any_network_an_area_is_drawn_on_the_graticule_dragged_undone_and_drawn_by_keyboard(
    browser: Browser, tmp_path: Path
) -> None:
    with DeskServer(tmp_path) as desk, sitting(browser, desk) as page:
        assert inked(page)
        add_layer(page, REFUSED, 19)
        page.get_by_label("Go to a position").fill("47.1023, 12.5012")
        page.keyboard.press("Enter")
        expect(page.locator("#where")).to_contain_text("zoom 13")
        box = page.locator("#map").bounding_box()
        assert box is not None
        middle = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        page.get_by_role("button", name="Draw", exact=True).click()
        page.get_by_role("button", name="Circle").click()
        page.mouse.click(*middle)
        page.mouse.move(middle[0] + 90, middle[1])
        keep(page, "desk-draw-circle")
        page.mouse.click(middle[0] + 90, middle[1])
        said(page, "ground", "✓ 1 area")
        first = Brief.read(tmp_path).areas[0]
        assert first.point == pytest.approx((12.5012, 47.1023), abs=0.001)
        before = radius_text(tmp_path)
        said(page, "room", re.compile("about"))
        expect(page.locator('.handle[aria-label^="Reach"]')).to_be_visible()
        handle = page.locator('.handle[aria-label^="Reach"]').bounding_box()
        assert handle is not None
        page.mouse.move(handle["x"] + 9, handle["y"] + 9)
        page.mouse.down()
        page.mouse.move(handle["x"] + 69, handle["y"] + 9, steps=4)
        expect(page.locator("#weighed")).to_contain_text("In all")  # before it is let go
        assert (Brief.read(tmp_path).areas[0].radius or 0) == first.radius
        page.mouse.up()
        reach = page.get_by_label("Reach", exact=True)
        expect(reach).not_to_have_value(before)
        expect(page.locator("#weighed")).to_be_hidden()
        keep(page, "desk-dragged")
        assert (Brief.read(tmp_path).areas[0].radius or 0) > (first.radius or 0)
        page.get_by_role("button", name="Undo").click()
        expect(page.get_by_role("button", name="Redo")).to_be_enabled()
        assert Brief.read(tmp_path).areas[0].radius == first.radius
        page.get_by_role("button", name="Draw", exact=True).click()
        page.get_by_role("button", name="Corridor along a line").click()
        page.keyboard.press("Enter")
        for _ in range(2):
            page.keyboard.press("ArrowRight")
        page.wait_for_timeout(300)
        page.keyboard.press("Enter")
        page.keyboard.press("f")
        said(page, "ground", "✓ 2 areas")
        line = Brief.read(tmp_path).areas[1].line
        assert isinstance(line, tuple)
        assert len(line) == 2
        assert inked(page)
        with page.expect_request("**/api/events?apart=5"):
            page.evaluate(HIDE, True)
        with page.expect_request(re.compile("/api/events$")):
            page.evaluate(HIDE, False)
        page.locator("#title").click()
        dialog = page.get_by_role("dialog")
        dialog.get_by_label("Lengths on this page").select_option("feet")
        dialog.get_by_role("button", name="Save").click()
        expect(page.locator("#areas")).to_contain_text(re.compile(r"\d\.\d mi"))
        expect(page.locator("#map .leaflet-control-scale")).to_contain_text(re.compile(r"\d+ (ft|mi)"))
        page.locator("#areas .area").nth(1).click()
        reach = page.get_by_label("Reach to either side")
        assert reach.input_value() == "820 ft"  # of 250 m
        reach.fill("0.5 mi")
        reach.press("Enter")
        expect(page.locator("#undo")).to_be_enabled()
        expect(reach).to_have_value("0.5 mi")
    with DeskServer(tmp_path / "next") as desk, sitting(browser, desk) as page:
        page.get_by_role("button", name=tmp_path.name, exact=True).click()  # of the recent trips
        said(page, "ground", "✓ 2 areas")


def test_the_survey_is_told_on_the_map_and_a_crew_can_be_left_out_of_the_cards(
    browser: Browser, tmp_path: Path
) -> None:
    (tmp_path / "brief.toml").write_text(
        f"""title = "Two crews"
overview = false
[layers.aerial]
url = "{REFUSED}"
attribution = "Survey"
permission = "Own server"
zooms = [0, 18]
[[areas]]
name = "camp"
point = [12.5, 47.1]
radius = "600 m"
deepest = 16
[[areas]]
name = "ford"
point = [12.52, 47.1]
radius = "600 m"
deepest = 14
[[crews]]
name = "North"
areas = ["camp"]
[[crews]]
name = "South"
areas = ["ford"]
""",
        encoding="utf-8",
    )
    worth = {"camp": {"deepest": 16, "worth_to": 13}, "ford": {"deepest": 14, "worth_to": 14}}
    found = {
        name: {**one, "evidence": "", "judged": 9, "saves": {"tiles": 9, "bytes": 9}, "zooms": {}}
        for name, one in worth.items()
    }
    with DeskServer(tmp_path) as desk, sitting(browser, desk) as page:
        result = {"sheets": [], "layers": {"aerial": {"notices": [], "areas": found}}}
        desk.session.jobs.start("survey", {}, lambda _reporter: result)
        page.locator("#step-worth").click()
        expect(page.locator(".leaflet-tooltip.over")).to_have_text(["camp: aerial worth zoom 13, not 16"])
        page.locator("#step-cards").click()
        page.get_by_label("Folder or card").fill(str(tmp_path / "card"))
        page.get_by_label("North").uncheck()
        # A slow hand: what the box that is left has the panel draw anew waits until the button is released.
        page.get_by_role("button", name="Write the files").hover()
        page.mouse.down()
        page.evaluate("new Promise((told) => setTimeout(() => setTimeout(told)))")
        page.mouse.up()
        expect(page.locator("#panel")).to_contain_text("No planned tile is on board")
        assert desk.session.jobs.to_dict()["handover"]["options"]["crews"] == ["South"]
        page.get_by_label("South").uncheck()
        write = page.get_by_role("button", name="Write the files")
        if write.is_enabled():  # it may be pressed before the panel is drawn anew
            write.click()
            expect(page.locator("#notice")).to_have_text("No crew is chosen, so there is nothing to write.")


def test_an_older_answer_takes_nothing_back_of_what_was_heard_of_a_job(
    browser: Browser, tmp_path: Path
) -> None:
    with DeskServer(tmp_path) as desk, sitting(browser, desk) as page:
        kept = page.evaluate(
            """async () => {
                const { store } = await import("/static/store.js");
                const [running, before] = [{ state: "running", started: 5 }, { state: "done", started: 4, ended: 4 }];
                const answers = [{}, running, before];
                const kept = [];
                for (const older of answers) {
                    store.heard("survey", { state: "done", started: 5, ended: 6, options: {}, progress: {} });
                    const jobs = older.state ? { survey: { ...older, options: {}, progress: {} } } : {};
                    store.take({ ...store.state, jobs });
                    kept.push([store.job("survey")?.started, store.job("survey")?.state]);
                }
                const next = { state: "running", started: 7, ended: null, options: {}, progress: {} };
                store.take({ ...store.state, jobs: { survey: next } });
                return [...kept, [store.job("survey").started, store.job("survey").state]];
            }"""
        )
        assert kept == [[5, "done"], [5, "done"], [5, "done"], [7, "running"]]
