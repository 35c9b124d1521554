"""Take the pictures of the guide (docs/guide/pictures), with Playwright: `python -m scripts.guide_pictures`.

The whole job is done on the desk with the practice server and its invented place, so that every picture is of the page
as it is. Needs `/usr/bin/chromium`, as the tests of the desk do.
"""

from __future__ import annotations

import io
import os
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, Page, Route, expect, sync_playwright

from packer.desk.server import DeskServer
from packer.practice import PracticeServer, write_place
from packer.store.reader import tile_at

OUTPUT = Path(__file__).parent.parent / "docs" / "guide" / "pictures"
_CHROMIUM = "/usr/bin/chromium"
_FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync"]
_WIDTH, _HEIGHT = 1280, 760
_PATIENCE_MS = 120_000
_LARGEST_BYTES = 150_000
_FLAT = 16  # colours
_CAMP = 12.5012, 47.1023
_FEWER_REQUESTS = ("requests-per-second = 500", "requests-per-second = 150")


def _keep(page: Page, name: str) -> None:
    """Keep a picture of the page, with as many colours as its size allows."""
    page.wait_for_timeout(600)  # tiles and outlines come in after the words
    with Image.open(io.BytesIO(page.screenshot())) as shot:
        _keep_picture(shot.convert("RGB"), name)


def _keep_picture(whole: Image.Image, name: str) -> None:
    for colours in (256, 128, 96, 64, 48, 40, 32, 24):
        kept = io.BytesIO()
        whole.quantize(palette=_palette(whole, colours), dither=Image.Dither.NONE).save(
            kept, "PNG", optimize=True
        )
        if kept.tell() <= _LARGEST_BYTES:
            break
    (OUTPUT / f"{name}.png").write_bytes(kept.getvalue())
    print(f"{name}.png: {kept.tell():,} bytes, {colours} colours")


def _palette(whole: Image.Image, colours: int) -> Image.Image:
    """The page's own flat colours, which a palette made of ground alone would lose, and the best for the rest."""
    counts = sorted(whole.getcolors(whole.width * whole.height) or [], reverse=True)
    flat = [value for _, colour in counts[:_FLAT] for value in (colour if isinstance(colour, tuple) else ())]
    best = whole.quantize(colours - _FLAT, dither=Image.Dither.NONE).getpalette() or []
    palette = Image.new("P", (1, 1))
    palette.putpalette(flat + best[: 3 * (colours - _FLAT)])
    return palette


def _step(page: Page, name: str) -> None:
    page.locator(f"#step-{name}").click()


def _says(page: Page, step: str, words: str) -> None:
    expect(page.locator(f"#step-{step} .says")).to_have_text(re.compile(words), timeout=_PATIENCE_MS)


def _go_to(page: Page, lon: float, lat: float) -> None:
    page.get_by_label("Go to a position").fill(f"{lat}, {lon}")
    page.keyboard.press("Enter")


def _begin(page: Page, base_url: str, course: Path) -> None:
    """From an empty desk to the first corridor."""
    _keep(page, "empty-desk")
    page.get_by_role("button", name="Add a layer").click()
    dialog = page.get_by_role("dialog")
    dialog.get_by_label("Name").fill("aerial")
    lon, lat = _CAMP
    dialog.get_by_label("Address of the tiles").fill(f"{base_url}/aerial/{tile_at(lon, lat, 14)}.jpg")
    dialog.get_by_role("button", name="Try this address").click()
    expect(dialog.locator(".samples canvas").first).to_be_visible()
    dialog.get_by_label("Attribution").fill("Ketterling Practice Survey (invented)")
    dialog.get_by_label("Why you may keep these tiles").fill("Practice server on this machine")
    _keep(page, "try-a-layer")
    dialog.get_by_role("button", name="Add", exact=True).click()
    expect(page.get_by_role("dialog")).to_have_count(0)
    page.locator("#file-input").set_input_files(course)
    dialog = page.get_by_role("dialog")
    expect(dialog.get_by_text("a corridor along its lines")).to_be_visible()
    _keep(page, "course-file")
    dialog.get_by_role("button", name="Add", exact=True).click()
    _says(page, "room", "about")


def _look(page: Page) -> None:
    """The whole place: the ground, the depth strip, what it weighs."""
    _says(page, "room", "about")
    page.locator("#areas .area").first.click()
    _keep(page, "ground")
    page.locator("#areas .area").nth(1).click()
    _go_to(page, *_CAMP)
    page.get_by_role("button", name="Source").click()
    expect(page.locator(".sheet.from-source canvas").first).to_be_visible()
    _step(page, "worth")
    page.get_by_role("button", name="Show the place under the cross").click()
    deep = page.locator(".strip li", has_text="Zoom 15")
    expect(deep).to_be_visible()
    deep.evaluate("one => one.scrollIntoView()")
    _keep(page, "depth-strip")
    _step(page, "room")
    page.get_by_label("Hours for the fetch, or size on disk").fill("10MB")
    page.get_by_role("button", name="Show what to leave out").click()
    expect(page.locator(".proposals li").first).to_be_visible()
    page.get_by_role("heading", name="Make it fit").evaluate("one => one.scrollIntoView()")
    _keep(page, "make-it-fit")


def _fetch_and_prove(page: Page) -> None:
    """A fetch half way, a check that finds gaps, the rest, READY, and a card."""
    page.reload()
    _step(page, "fetch")
    page.get_by_role("button", name="Start").click()
    _says(page, "fetch", "[4-8][0-9] ?%")
    _keep(page, "fetching")
    page.get_by_role("button", name="Pause").click()
    go_on = page.get_by_role("button", name="Go on")
    expect(go_on).to_be_visible()
    _step(page, "proof")
    page.get_by_role("button", name="Check", exact=True).click()
    expect(page.locator(".verdict")).to_be_visible()
    _keep(page, "not-ready")
    _step(page, "fetch")
    go_on.click()
    _says(page, "fetch", "all stored")
    _step(page, "proof")
    page.get_by_role("button", name="Check", exact=True).click()
    expect(page.locator(".verdict.care")).to_be_visible()  # the practice server lacks a few tiles on purpose
    _keep(page, "ready")
    _step(page, "cards")
    page.get_by_label("Folder or card").fill("card")
    page.get_by_role("button", name="Write the files").click()
    expect(page.locator("#panel")).to_contain_text("sealed")
    page.get_by_role("button", name="Inspect this card").click()
    expect(page.locator(".verdict.ready")).to_be_visible()
    _keep(page, "card")


def _invented_drives(route: Route) -> None:
    """In place of what happens to be plugged in here."""
    route.fulfill(json={"drives": [{"path": "/media/NORTH", "free": 61_900_000_000, "size": 64_000_000_000}]})


def _crews(page: Page) -> None:
    """Two crews with a card each, the first of them with its own areas."""
    _step(page, "ground")
    page.locator("#panel").get_by_role("button", name="Done").click()
    for name, room in (("Search team north", "64 MB"), ("Cars", "2 GB")):
        page.get_by_role("button", name="Add a crew").click()
        dialog = page.get_by_role("dialog")
        dialog.get_by_label("Name").fill(name)
        dialog.get_by_label("Room on its card").fill(room)
        dialog.get_by_role("button", name="Add", exact=True).click()
        expect(page.locator("#panel")).to_contain_text(f"{name}: all areas")
    page.get_by_role("heading", name="Crews").evaluate("one => one.scrollIntoView()")
    _says(page, "room", "about")
    _keep(page, "crews")
    _step(page, "cards")
    page.get_by_label("Folder or card").fill("crew cards")
    page.get_by_role("button", name="Write the files").click()
    expect(page.locator("#panel .cards")).to_contain_text("Cars")
    page.get_by_role("heading", name="Cards written or inspected here").evaluate(
        "one => one.scrollIntoView()"
    )
    _keep(page, "crew-cards")


def _narrow(browser: Browser, desk: DeskServer) -> None:
    """Three steps in a window as narrow as a phone, side by side."""
    page = browser.new_page(viewport={"width": 400, "height": 760}, reduced_motion="reduce")
    page.route("**/api/drives", _invented_drives)
    page.goto(desk.link)
    whole = Image.new("RGB", (_WIDTH, _HEIGHT), "#16302f")
    for number, step in enumerate(("fetch", "proof", "cards")):
        _step(page, step)
        page.wait_for_timeout(600)
        with Image.open(io.BytesIO(page.screenshot())) as shot:
            whole.paste(shot.convert("RGB"), (20 + 420 * number, 0))
    page.close()
    _keep_picture(whole, "narrow")


def _change(page: Page) -> None:
    """A course that changed after all was on board."""
    _step(page, "ground")
    page.locator("#areas .area").first.click()
    reach = page.get_by_label("Reach to either side")
    reach.fill("400 m")
    reach.press("Enter")
    _says(page, "fetch", "%")
    _says(page, "room", "about")
    _keep(page, "changed")


@contextmanager
def _new_folder() -> Iterator[Path]:
    """A folder for the trip, whose name is read on the pictures; it is removed at the end."""
    folder = Path("/tmp/ketterling")
    folder.mkdir()  # it is not there yet, or it is somebody else's
    try:
        yield folder
    finally:
        shutil.rmtree(folder)


def main() -> None:
    """Take every picture. If it ends on the way: those taken before are kept, each one whole."""
    OUTPUT.mkdir(parents=True, exist_ok=True)
    with (
        _new_folder() as folder,
        PracticeServer() as server,
        sync_playwright() as driver,
    ):
        os.environ["XDG_CONFIG_HOME"] = f"{folder}/config"  # the planner's own layers stay as they are
        os.chdir(folder)
        brief = write_place(Path("place"), server.base_url)
        brief.write_text(brief.read_text("utf-8").replace(*_FEWER_REQUESTS), "utf-8")
        expect.set_options(timeout=_PATIENCE_MS)
        browser = driver.chromium.launch(executable_path=_CHROMIUM, args=_FLAGS)
        for path, work in (("trip", None), ("place", _look)):
            Path(path).mkdir(exist_ok=True)
            with DeskServer(Path(path)) as desk:
                page = browser.new_page(
                    viewport={"width": _WIDTH, "height": _HEIGHT}, reduced_motion="reduce"
                )
                page.set_default_timeout(_PATIENCE_MS)
                page.route("**/api/drives", _invented_drives)
                page.goto(desk.link)
                expect(page.locator("#title")).not_to_be_empty()
                if work is None:
                    _begin(page, server.base_url.rstrip("/"), Path("place/course.gpx"))
                else:
                    work(page)
                    _fetch_and_prove(page)
                    _change(page)
                    page.get_by_role("button", name="Undo").click()
                    _says(page, "fetch", "all stored")
                    _crews(page)
                    _narrow(browser, desk)
                page.close()
        browser.close()


if __name__ == "__main__":
    main()
