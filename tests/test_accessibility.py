"""No page has what axe-core holds to be serious: names, contrast, focus, order of headings (WCAG 2.2, A and AA).

The report has to fit a phone of 390 px as well.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest

from packer.desk import hands_choice
from packer.desk.server import DeskServer
from packer.errors import InputError
from packer.fetching.reports import HandProgress
from packer.proof.proving import verify
from packer.proof.report import write_report
from packer.view import ViewServer
from tests.chromium import chromium, page_of
from tests.view_board import Board, build

pytest.importorskip("axe_playwright_python", reason="axe-core's Python package is not installed")
from axe_playwright_python.base import AXE_SCRIPT
from playwright.sync_api import Browser, Page, expect

WIDTHS = (390, 1280)
PATIENCE_MS = 60_000
NOW = 86_400.0 * 30


@pytest.fixture(scope="module")
def browser(board: Board) -> Iterator[Browser]:
    """The browser, once the packs are there: they are written with an event loop, and Playwright's runs on."""
    with chromium() as running:
        yield running


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Board:
    return build(tmp_path_factory.mktemp("board"))


def faults(page: Page, within: str = "html", contrast: bool = True) -> list[tuple[str, Any]]:
    """What axe-core finds that is moderate or worse on the page, or in one element of it, with the elements.

    `contrast` takes it longest: where nothing lies over anything it is the same at every width, and asked for once.
    """
    options = {
        "resultTypes": ["violations"],
        "preload": False,
        "rules": {"color-contrast": {"enabled": contrast}},
    }
    if page.evaluate("() => typeof axe") == "undefined":
        page.evaluate(AXE_SCRIPT)
    found = page.evaluate("([within, options]) => axe.run(within, options)", [within, options])["violations"]
    return [
        (f"{one['impact']}: {one['id']}", [node["target"] for node in one["nodes"]])
        for one in found
        if one["impact"] != "minor"
    ]


def opened(browser: Browser, width: int, link: str) -> Page:
    page = page_of(browser, width, 844)
    page.set_default_timeout(PATIENCE_MS)
    page.goto(link)
    return page


@pytest.mark.parametrize("width", WIDTHS)
def test_the_view_has_no_fault_and_each_waypoint_a_name(browser: Browser, board: Board, width: int) -> None:
    with ViewServer(board.brief, board.plan) as view:
        page = opened(browser, width, view.link)
        expect(page.locator(".waypoint")).not_to_have_count(0, timeout=PATIENCE_MS)
        expect(page.locator("#tally")).to_contain_text("In view at zoom", timeout=PATIENCE_MS)
        assert faults(page) == []
        page.goto("about:blank")


@pytest.fixture(scope="module")
def report(board: Board, tmp_path_factory: pytest.TempPathFactory) -> Path:
    found = verify(board.brief, board.plan, board.store, now=NOW, processes=1)
    return write_report(tmp_path_factory.mktemp("report"), board.brief, board.plan, found, NOW)


@pytest.mark.parametrize("width", WIDTHS)
def test_the_report_has_no_fault_and_fits_the_screen(browser: Browser, report: Path, width: int) -> None:
    page = opened(browser, width, report.as_uri())
    assert faults(page, contrast=width == min(WIDTHS)) == []
    assert page.evaluate("() => document.documentElement.scrollWidth") == width
    sideways = "() => [...document.querySelectorAll('.wide')].filter(one => one.scrollWidth > one.clientWidth).length"
    assert page.locator(".wide").count() > 3
    assert page.evaluate(sideways) == 0, "no table has to be pushed sideways to be read"


@pytest.mark.parametrize("width", WIDTHS)
def test_no_step_of_the_desk_has_a_fault(browser: Browser, board: Board, width: int) -> None:
    with DeskServer(board.brief.path, board.store) as desk:
        page = opened(browser, width, desk.link)
        expect(page.locator("#step-room .says")).to_contain_text("about", timeout=PATIENCE_MS)
        assert faults(page) == []
        for step in ("worth", "room", "fetch", "proof", "cards", "ground"):
            page.locator(f"#step-{step}").click()
            assert faults(page, "#panel", contrast=width == min(WIDTHS)) == [], step
        page.locator("#areas .area").first.click()
        page.get_by_role("button", name="Two layers").click()
        assert faults(page) == []
        page.get_by_role("button", name="Two layers").click()
        page.locator("#step-proof").click()
        page.get_by_role("button", name="Check", exact=True).click()
        expect(page.locator(".verdict")).to_be_visible(timeout=PATIENCE_MS)
        assert faults(page) == []
        assert page.evaluate("() => document.documentElement.scrollWidth") == width
        page.get_by_role("button", name="Shortcuts").click()
        assert faults(page) == []
        page.goto("about:blank")


def hand(name: str, **more: Any) -> dict[str, Any]:
    return asdict(HandProgress(name, 4120, 28.4, 3.4e6, 3, per_second=6, **more))


def progress(silent_s: float, given_up_in_s: float) -> dict[str, Any]:
    """Of a fetch with hands, each of which is in another state."""
    here = [
        hand("north"),
        hand("truck", waits="sign-in", where="portal.example"),
        hand("ridge", silent_s=silent_s, given_up_in_s=given_up_in_s),
    ]
    hands = {"here": here, "left": [{"name": "south", "tiles": 1, "at": NOW, "lost": True}]}
    layers: dict[str, Any] = {"a": {"pause": None, "areas": {}, "depths": {}, "departure": None}}
    told = {"at": NOW, "waited": 0.0, "planned": 9, "done": 3, "bytes": 9, "failed": 0}
    return {**told, "layers": layers, "hands": hands}


def test_each_machine_of_a_fetch_is_shown_with_what_it_does_and_the_code_to_join_by(
    browser: Browser, board: Board, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(hands_choice, "check_hands", lambda: None)
    monkeypatch.setattr(hands_choice, "shareable_addresses", lambda: ["192.168.8.10", "10.1.2.3"])
    code, reporters, over = (
        "192.168.8.10:51234/5MZ4QH5LUAX77U53-LBFI23U7BQM2U2M4",
        list[Any](),
        threading.Event(),
    )

    def work(reporter: Any) -> dict[str, Any]:
        reporters.append(reporter)
        reporter.join_by(code)
        reporter.progress(progress(5.0, 9.0))
        over.wait(PATIENCE_MS / 1000)
        raise InputError("It was stopped.")

    with DeskServer(board.brief.path, board.store) as desk:
        page = opened(browser, min(WIDTHS), desk.link)
        page.locator("#step-fetch").click()
        page.get_by_text("Several machines at once").click()
        page.get_by_label("Other machines as well, by a code").check()
        page.locator("#panel").get_by_role("button", name="Start").or_(
            page.get_by_role("button", name="Go on")
        ).click()
        expect(page.locator("#panel [role=alert]")).to_contain_text("Choose the one that the other machines")
        assert faults(page, "#panel") == []
        desk.session.jobs.start("fetch", {"hands": "share"}, work)
        rows = page.locator(".hands li")
        expect(rows).to_have_count(4)
        expect(rows.nth(0)).to_have_text(
            "north28 tiles/s, 3.4 Mbit/s4,120 tiles so far · 3 connections, 6 requests/s"
        )
        expect(rows.nth(1)).to_contain_text("wants a sign-in. On that machine, open portal.example")
        expect(rows.nth(2)).to_contain_text("not heard for 5 s; others get its tiles in 9 s")
        expect(rows.nth(3)).to_contain_text(re.compile(r"southlost \d\d:\d\d1 tile came from it"))
        kept = rows.nth(2).element_handle()
        reporters[0].progress(progress(6.0, 8.0))
        expect(rows.nth(2)).to_contain_text("not heard for 6 s; others get its tiles in 8 s")
        assert kept.evaluate("row => row.isConnected"), "figures that move are changed in place"
        page.get_by_text("How another machine joins").click()
        expect(page.locator(".join .code")).to_have_text(code)
        assert faults(page, "#panel") == []
        assert page.evaluate("() => document.documentElement.scrollWidth") == min(WIDTHS)
        assert code not in page.url
        over.set()
        expect(page.get_by_text("It was stopped.")).to_be_visible()
        expect(page.locator(".join")).to_have_count(0)
        page.goto("about:blank")
