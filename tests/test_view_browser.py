"""The page in a real browser, with every other host out of reach."""

from __future__ import annotations

import asyncio
import gzip
import io
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urljoin

import mercantile
import numpy as np
import pytest
from PIL import Image

from packer.geometry.tileset import Tile
from packer.store.writer import PackWriter
from packer.view import Sharing, ViewServer
from tests.chromium import chromium, keep
from tests.view_board import Board, build, labels_for, received

pytest.importorskip("playwright.sync_api", reason="Playwright's Python package is not installed")
from playwright.sync_api import Browser, FloatRect, Locator, Page, Request, expect

DESKTOP, PHONE = (1024, 720), (390, 844)  # no larger than shows all: each pixel is drawn by the processor

BARE = Tile(10, *mercantile.tile(12.8, 47.19, 10)[:2])  # nothing at all there
SHALLOW = Tile(13, *mercantile.tile(12.502, 47.1, 13)[:2])  # zoom 12 is the deepest there


def _under(tile: Tile, top: Tile) -> bool:
    up = tile.zoom - top.zoom
    return up >= 0 and (tile.x >> up, tile.y >> up) == (top.x, top.y)


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Board:
    return build(
        tmp_path_factory.mktemp("browser"),
        leave_out=lambda layer, t: layer == "aerial" and (_under(t, BARE) or _under(t, SHALLOW)),
    )


@pytest.fixture(scope="module")
def view(board: Board) -> Iterator[ViewServer]:
    with ViewServer(board.brief, board.plan) as running:
        yield running


@pytest.fixture(scope="module")
def browser(board: Board) -> Iterator[Browser]:
    """After `board`, which runs an event loop of its own: none may be started while the browser is driven."""
    with chromium() as running:
        yield running


@dataclass
class Visit:
    """A page, and what it did that it should not: requests to other than `home`, errors, words on the console."""

    page: Page
    home: str = ""
    strayed: list[str] = field(default_factory=list)
    troubles: list[str] = field(default_factory=list)

    def find(self, text: str) -> None:
        self.page.get_by_label("Position").fill(text)
        self.page.keyboard.press("Enter")
        expect(self.page.locator("#find-said")).not_to_be_empty()

    def settled(self, words: str) -> None:
        """Wait until the line on the tiles in view holds these words."""
        expect(self.page.locator("#tally")).to_contain_text(words)

    def keep(self, name: str) -> None:
        keep(self.page, f"view-{name}")


def _arrive(browser: Browser, size: tuple[int, int]) -> Visit:
    phone = size == PHONE
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]},
        has_touch=phone,
        is_mobile=phone,
        reduced_motion="no-preference" if phone else "reduce",
    )
    visit = Visit(context.new_page())

    def asked(request: Request) -> None:
        if not request.url.startswith((visit.home, "data:", "blob:")):
            visit.strayed.append(request.url)

    visit.page.on("request", asked)
    visit.page.on("console", lambda said: visit.troubles.append(said.text) if said.type != "log" else None)
    visit.page.on("pageerror", lambda fault: visit.troubles.append(str(fault)))
    visit.page.on("dialog", lambda dialog: visit.troubles.append(dialog.message))
    return visit


@contextmanager
def _looking(visit: Visit, link: str) -> Iterator[Visit]:
    """The page opened anew; it has to end without a word on the console, a foreign request or a script let in."""
    visit.home = urljoin(link, "/")
    visit.strayed.clear()
    visit.troubles.clear()
    visit.page.mouse.move(0, 0)
    visit.page.goto(link)
    visit.settled("In view at zoom")
    yield visit
    let_in = visit.page.evaluate("() => window.pwned")
    visit.page.goto("about:blank")
    assert (visit.strayed, visit.troubles, let_in) == ([], [], None)


@pytest.fixture(scope="module")
def wide(browser: Browser) -> Visit:
    return _arrive(browser, DESKTOP)


@pytest.fixture(scope="module")
def narrow(browser: Browser) -> Visit:
    return _arrive(browser, PHONE)


@pytest.fixture
def desktop(wide: Visit, view: ViewServer) -> Iterator[Visit]:
    with _looking(wide, view.link) as visit:
        yield visit


@pytest.fixture
def phone(narrow: Visit, view: ViewServer) -> Iterator[Visit]:
    with _looking(narrow, view.link) as visit:
        yield visit


def _in_view(sheets: Locator) -> list[Locator]:
    frame = sheets.page.locator("#map").bounding_box()
    assert frame is not None
    found = []
    for sheet in sheets.all():
        box = sheet.bounding_box()
        if box and box["x"] >= 260 and box["x"] + 256 <= frame["width"] - 60 and box["y"] >= frame["y"]:
            found.append(sheet)
    return found


def _colours(picture: Image.Image) -> dict[object, int]:
    return {colour: count for count, colour in picture.getcolors(picture.width * picture.height) or []}


def _picture(sheet: Locator) -> Image.Image:
    return Image.open(io.BytesIO(sheet.screenshot())).convert("RGB")


def test_first_look_shows_title_tiles_route_caution_and_attribution(desktop: Visit, board: Board) -> None:
    page = desktop.page
    expect(page.get_by_role("heading")).to_have_text(board.brief.title)
    expect(page.locator("#caution")).to_have_text("For viewing, not for positioning.")
    expect(page.locator("#attribution")).to_have_text("© Invented Survey & Co terms more")
    links = [a.get_attribute("href") for a in page.locator("#attribution a").all()]
    assert links == ["https://survey.example.org/terms"]
    desktop.settled("planned tiles, 13 not on board")
    assert page.locator(".sheet.exact canvas").count() >= 4
    expect(page.locator(".waypoint")).to_have_count(1)
    expect(page.locator(".tip.place")).to_have_text("Spring <img src=x onerror=alert(1)>")
    assert page.locator("#map path[stroke='#5a1f7a']").count() == 1  # the route
    assert page.locator("#map path[stroke='#0b5c8a']").count() == 2  # camp and valley
    expect(page.locator(".leaflet-control-scale-line")).to_contain_text("km")
    desktop.keep("desktop-overview")


def test_tile_on_board_is_drawn_pixel_for_pixel(desktop: Visit) -> None:
    """The canvas holds what Pillow decodes from the stored JPEG, a different decoder from the browser's."""
    for name in ("route", "areas", "gaps"):
        desktop.page.locator(f"#show-{name}").uncheck()
    desktop.page.locator("#edge").select_option("")
    desktop.page.locator("#over summary").click()
    sheets = _in_view(desktop.page.locator(".sheet.exact"))
    tile = sheets[0].evaluate("el => el.dataset.tile")
    stored = received("aerial", Tile(*(int(v) for v in tile.split("/")))).data
    expected = Image.open(io.BytesIO(stored)).convert("RGB")
    shown = _picture(sheets[0])
    assert shown.size == expected.size == (256, 256)
    apart = np.abs(np.asarray(shown, np.int16) - np.asarray(expected, np.int16))
    assert apart.max() <= 8  # two decoders may round colours a little differently


def test_layer_choice_brings_the_other_pack_and_its_attribution(desktop: Visit) -> None:
    page = desktop.page
    before = _picture(_in_view(page.locator(".sheet.exact"))[0])
    page.get_by_label("Layer").select_option("ground 2")
    expect(page.locator("#attribution")).to_have_text("Invented Mapping Office")
    desktop.settled("All 45 planned tiles on board")
    expect(page.locator("#rungs li").first).to_have_text("15")
    after = _picture(_in_view(page.locator(".sheet.exact"))[0])
    assert (238, 241, 228) in _colours(after)  # the ground that only this layer has
    assert (238, 241, 228) not in _colours(before)
    desktop.keep("desktop-other-layer")


def test_where_nothing_is_on_board_the_map_is_plainly_hatched(desktop: Visit) -> None:
    page = desktop.page
    page.locator("#show-gaps").uncheck()
    desktop.find("47.19, 12.8")
    desktop.settled("zoom 13")
    desktop.settled("empty. ")
    desktop.keep("desktop-hatched")
    colours = _colours(_picture(_in_view(page.locator(".sheet.empty"))[0]))
    assert {(236, 231, 218), (185, 176, 154)} <= set(colours)  # paper and stroke of empty.svg
    assert colours[236, 231, 218] < 256 * 256 * 0.95
    expect(page.locator("#pointer")).to_contain_text("Nothing on board")


def test_where_only_a_coarser_zoom_is_on_board_it_is_enlarged_and_says_so(desktop: Visit) -> None:
    page = desktop.page
    desktop.find("47.0998, 12.502")
    desktop.settled("zoom 13")
    page.get_by_label("Zoom in").click()
    desktop.settled("zoom 14")
    desktop.settled("enlarged from zoom 12")
    marked = page.locator(".sheet.enlarged[data-tile^='14/'][data-zoom='12']")
    expect(marked.first.locator("span")).to_have_text("zoom 12 ×4")
    desktop.keep("desktop-enlarged")
    page.locator("#show-gaps").uncheck()  # its red lies over the mark
    assert (232, 161, 58) in _colours(_picture(_in_view(marked)[0]))  # the amber mark
    expect(page.locator("#pointer")).to_contain_text("Zoom 12 on board")
    expect(page.locator("#pointer")).to_contain_text("planned to 15")
    rungs = {r.inner_text(): r.get_attribute("class") or "" for r in page.locator("#rungs li").all()}
    assert ["held" in rungs[z] for z in ("12", "13", "15")] == [True, False, False]
    assert ["lacking" in rungs[z] for z in ("12", "13", "15", "16")] == [False, True, True, False]


def test_depth_is_read_under_the_pointer(desktop: Visit) -> None:
    page = desktop.page
    desktop.find("47.1, 12.502")
    frame = page.locator("#map").bounding_box()
    assert frame is not None
    x, y = frame["x"] + frame["width"] / 2, frame["y"] + frame["height"] / 2
    page.mouse.move(x, y)
    expect(page.locator("#pointer")).to_contain_text("Zoom 12 on board")
    expect(page.locator("#pointer")).to_contain_text("under the pointer: 47.100")
    page.mouse.move(x + 330, y + 60)
    expect(page.locator("#pointer")).not_to_contain_text("12.502")


def test_position_search_answers_in_words_and_moves_the_map(desktop: Visit) -> None:
    page = desktop.page
    desktop.find("33T UN 06440 18290")
    expect(page.locator("#find-said")).to_contain_text("Read as the middle of an MGRS square of 1 m")
    expect(page.locator("#pointer")).to_contain_text("33T UN 064")
    desktop.find("33T UN 06 18")
    expect(page.locator("#find-said")).to_contain_text("square of 1 km")
    assert page.locator("#map path[stroke='#c2410c']").count() == 1
    desktop.find("the spring")
    expect(page.locator("#find-said")).to_contain_text("Write it like")
    expect(page.get_by_label("Position")).to_have_attribute("aria-invalid", "true")
    assert page.locator("#map path[stroke='#c2410c'], .found").count() == 0


def test_every_control_can_be_reached_and_worked_by_keyboard(desktop: Visit) -> None:
    page = desktop.page
    reached = []
    page.locator("body").focus()
    for _ in range(20):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("() => document.activeElement.id || document.activeElement.tagName"))
    for control in [
        "layer",
        "find-text",
        "map",
        "in",
        "out",
        "show-route",
        "show-areas",
        "show-gaps",
        "edge",
        "again",
        "A",
    ]:
        assert control in reached, control
    unnamed = page.evaluate(
        """() => [...document.querySelectorAll("button, input, select, a, #map")].filter((el) =>
            !(el.labels?.[0]?.textContent ?? "").trim() && !el.textContent.trim() && !el.ariaLabel
        ).map((el) => el.outerHTML)"""
    )
    assert unnamed == []
    page.locator("#map").focus()
    before = page.locator("#pointer").inner_text()
    page.keyboard.press("ArrowRight")
    expect(page.locator("#pointer")).not_to_have_text(before)
    page.keyboard.press("+")
    desktop.settled("zoom 12")
    page.locator("#show-route").focus()
    page.keyboard.press("Space")
    expect(page.locator(".waypoint")).to_have_count(0)


def test_tile_that_a_fetch_brings_meanwhile_is_seen_on_looking_again(wide: Visit, tmp_path: Path) -> None:
    lost = Tile(11, *mercantile.tile(12.45, 47.09, 11)[:2])
    with ThreadPoolExecutor(1) as pool:  # a loop in this thread is not possible while the browser is driven
        board = pool.submit(build, tmp_path, leave_out=lambda _, t: t.zoom != 11 or t == lost).result()

        async def fetch() -> None:
            labels = labels_for(board.brief, board.plan, "aerial")
            async with PackWriter(board.store / "aerial.mbtiles", labels, lambda: 0.0) as pack:
                await pack.write([received("aerial", lost)])

        with (
            ViewServer(board.brief, board.plan) as view,
            _looking(wide, view.link) as visit,
        ):
            visit.settled("zoom 11")
            visit.settled("empty")
            expect(visit.page.locator(f".sheet.exact[data-tile='{lost}']")).to_have_count(0)
            pool.submit(asyncio.run, fetch()).result()
            visit.page.get_by_role("button", name="Reload").click()
            expect(visit.page.locator(f".sheet.exact[data-tile='{lost}'] canvas")).to_have_count(1)


def _changed(page: Page, box: str) -> int:
    """How many pixels of the map a tick in this box changes, compared with none in it."""
    frame = page.locator("#map").bounding_box()
    assert frame is not None
    clip: FloatRect = {"x": frame["x"], "y": frame["y"], "width": frame["width"], "height": frame["height"]}
    seen = []
    for tick in (True, False):
        page.locator(box).set_checked(tick)
        picture = Image.open(io.BytesIO(page.screenshot(clip=clip))).convert("RGB")
        seen.append(np.asarray(picture, np.int16)[:, 260:-60])
    return int((np.abs(seen[0] - seen[1]).max(axis=2) > 20).sum())


def test_gap_of_a_deep_zoom_is_seen_from_every_shallower_one(wide: Visit, tmp_path: Path) -> None:
    """The one tile of zoom 15 is a thirtieth of a pixel at zoom 2."""
    gone = Tile(15, *mercantile.tile(12.474, 47.09, 15)[:2])
    with ThreadPoolExecutor(1) as pool:
        board = pool.submit(
            build, tmp_path, leave_out=lambda layer, t: (layer, t) == ("aerial", gone)
        ).result()
    with ViewServer(board.brief, board.plan) as view, _looking(wide, view.link) as visit:
        visit.settled("planned tiles, 1 not on board")
        visit.keep("desktop-gap-from-afar")
        visit.page.locator("#show-route").uncheck()
        for zoom in (11, 8, 5, 2):
            visit.settled(f"In view at zoom {zoom}:")
            if zoom in (11, 2):
                assert 12 <= _changed(visit.page, "#show-gaps") <= 900
            visit.page.locator("#map").press("Shift+Minus")


_SHOWN = """() => [...document.querySelectorAll(".tip.place")].filter(
    (el) => getComputedStyle(el).visibility === "visible"
).map((el) => [el.textContent, el.getBoundingClientRect().toJSON()])"""


def _names(page: Page) -> list[str]:
    """The names of places that are shown, none of which may lie over another."""
    shown: list[tuple[str, dict[str, float]]] = page.evaluate(_SHOWN)
    for n, (name, a) in enumerate(shown):
        for other, b in shown[:n]:
            apart = a["left"] >= b["right"] or b["left"] >= a["right"]
            assert apart or a["top"] >= b["bottom"] or b["top"] >= a["bottom"], (name, other)
    return [name for name, _ in shown]


def test_names_that_have_no_room_wait_until_the_map_is_zoomed_in(wide: Visit, tmp_path: Path) -> None:
    names = [f"Place number {n}" for n in range(1, 9)]
    at = [(47.09 + 0.0012 * n, 12.45 + 0.008 * n) for n in range(len(names))]
    places = "".join(
        f'<wpt lat="{lat}" lon="{lon}"><name>{name}</name></wpt>'
        for name, (lat, lon) in zip(names, at, strict=True)
    )
    with ThreadPoolExecutor(1) as pool:
        board = pool.submit(build, tmp_path, places=places).result()
    with ViewServer(board.brief, board.plan) as view, _looking(wide, view.link) as visit:
        page = visit.page
        expect(page.locator(".waypoint")).to_have_count(len(names))
        opening = _names(page)
        assert opening[0] == names[0]
        assert len(opening) < len(names)
        page.locator(".waypoint").nth(1).hover()
        expect(page.locator(".tip.place", has_text=names[1])).to_be_visible()
        page.mouse.move(0, 0)
        expect(page.locator(".tip.place", has_text=names[1])).to_be_hidden()
        page.locator("#show-route").uncheck()
        page.locator("#show-route").check()
        assert _names(page) == opening
        page.locator("#map").press("Shift+Equal")
        visit.settled("In view at zoom 14:")
        assert len(opening) < len(_names(page)) < len(names)
        page.locator("#map").press("Equal")
        visit.settled("In view at zoom 15:")
        assert _names(page) == names


# GDAL as an encoder that knows nothing of this project: a square and a line through it, in degrees.
_GDAL = """
import sys
import numpy as np, pyogrio, shapely
shapes = [shapely.box(12.33, 47.05, 12.6, 47.2), shapely.LineString([(12.32, 47.1), (12.64, 47.18)])]
pyogrio.raw.write(sys.argv[1], shapely.to_wkb(np.array(shapes)), [], [], layer="land", driver="MVT", crs="EPSG:4326",
    geometry_type="Unknown", dataset_options={"MINZOOM": "10", "MAXZOOM": "11", "COMPRESS": "YES"})
"""


def test_vector_tile_is_sketched_where_its_encoder_put_it(wide: Visit, tmp_path: Path) -> None:
    made = tmp_path / "mvt"
    subprocess.run([sys.executable, "-c", _GDAL, str(made)], check=True, capture_output=True)
    with ThreadPoolExecutor(1) as pool:
        board = pool.submit(build, tmp_path, leave_out=lambda _, t: t.zoom > 11 or t.x > 1095).result()
    db = sqlite3.connect(board.store / "aerial.mbtiles")
    with db:
        db.execute("UPDATE metadata SET value = 'pbf' WHERE name = 'format'")
        for zoom, x, row, body in db.execute(
            "SELECT zoom_level, tile_column, tile_row, blob_id FROM placement"
        ):
            file = made / str(zoom) / str(x) / f"{2**zoom - 1 - row}.pbf"
            data = file.read_bytes() if file.exists() else gzip.compress(b"")
            db.execute("UPDATE blob SET data = ? WHERE id = ?", (data, body))
    db.close()
    with (
        ViewServer(board.brief, board.plan) as view,
        _looking(wide, view.link) as visit,
    ):
        visit.settled("sketched without their style")
        for name in ("route", "areas", "gaps"):
            visit.page.locator(f"#show-{name}").uncheck()
        visit.page.locator("#edge").select_option("")
        visit.find("47.1, 12.33")  # on the western edge of the square
        for zoom in (13, 14):
            visit.settled(f"zoom {zoom}")
            visit.settled("enlarged from zoom 11")
            assert _edge_offset(visit) <= 2
            visit.page.get_by_label("Zoom in").click()
        visit.keep("desktop-vector")


def _edge_offset(visit: Visit) -> int:
    """Pixels between the middle of the map, a little below what was found there, and the nearest stroke."""
    frame = visit.page.locator("#map").bounding_box()
    assert frame is not None
    middle, row = frame["x"] + frame["width"] / 2, frame["y"] + frame["height"] / 2 + 40
    clip: FloatRect = {"x": middle - 60, "y": row, "width": 120, "height": 1}
    strip = np.asarray(Image.open(io.BytesIO(visit.page.screenshot(clip=clip))).convert("L"))[0]
    dark = np.flatnonzero(strip < 120)
    assert dark.size, "no stroke there"
    return int(np.abs(dark - 60).min())


def test_phone_shows_everything_within_its_width_and_aims_with_its_middle(phone: Visit) -> None:
    page = phone.page
    phone.find("47.1, 12.502")
    phone.settled("zoom 13")
    expect(page.locator("#pointer")).to_contain_text("in the middle: 47.100")
    expect(page.locator("#aim")).to_be_visible()
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
    aim, mark = page.locator("#aim").bounding_box(), page.locator(".found").bounding_box()
    assert aim is not None
    assert mark is not None
    assert abs(aim["x"] + aim["width"] / 2 - mark["x"] - mark["width"] / 2) <= 2
    assert abs(aim["y"] + aim["height"] / 2 - mark["y"] - mark["height"] / 2) <= 2
    phone.keep("phone-found")
    assert page.evaluate("() => document.documentElement.scrollWidth") == PHONE[0]
    for part in ("#caution", "#attribution", "#pointer", "#tally", "#in", "#out", "#layer", "#find-text"):
        box = page.locator(part).bounding_box()
        assert box is not None, part
        assert box["x"] >= 0, part
        assert box["x"] + box["width"] <= PHONE[0], part
        assert box["y"] + box["height"] <= PHONE[1], part
    for target in ("#in", "#out", "#layer", "#find button", "#over summary"):
        box = page.locator(target).bounding_box()
        assert box is not None
        assert min(box["width"], box["height"]) >= 24, target  # WCAG 2.2, 2.5.8
    page.locator("#over summary").click()
    phone.keep("phone-panel")


def test_shared_page_opens_by_its_link_and_shows_only_a_form_without(narrow: Visit, board: Board) -> None:
    with ViewServer(board.brief, board.plan, share=Sharing("127.0.0.2", "ABCD2345EFGH")) as shared:
        with _looking(narrow, shared.link) as visit:
            assert visit.page.url == shared.url  # the code has left the address bar
            visit.settled("In view at zoom")
        page = narrow.page
        page.context.clear_cookies()
        page.goto(shared.url)
        keep(page, "view-phone-code")
        page.get_by_label("Access code").fill("abcd 2345 efgh")
        page.get_by_role("button", name="Open").click()
        expect(page.locator("#tally")).to_contain_text("In view at zoom")
        page.goto("about:blank")
