"""Looking in a real browser: an address tried, the source on the map, the depth strip, make it fit."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from packer import Brief
from packer.desk.server import DeskServer
from packer.planning.collection import Collection
from packer.practice import PracticeServer
from packer.store.reader import tile_at
from tests.chromium import keep
from tests.test_desk_browser import PATIENCE_MS, browser, place, said, server, sitting

if TYPE_CHECKING:
    from playwright.sync_api import Browser

expect = pytest.importorskip("playwright.sync_api").expect

__all__ = ["browser", "place", "server"]  # fixtures

CAMP = """
[[areas]]
name = "camp"
point = [12.5012, 47.1023]
radius = "900 m"
deepest = 15
"""


def test_an_address_is_tried_the_source_looked_at_and_the_plan_made_to_fit(
    browser: Browser, server: PracticeServer, place: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    text = (place / "brief.toml").read_text("utf-8")
    (tmp_path / "brief.toml").write_text(text.split("[[areas]]")[0] + CAMP, encoding="utf-8")
    with DeskServer(tmp_path) as desk, sitting(browser, desk) as page:
        page.get_by_label("Go to a position").fill("47.1023, 12.5012")
        page.keyboard.press("Enter")
        page.get_by_role("button", name="Add a layer").click()
        dialog = page.get_by_role("dialog")
        dialog.get_by_label("Name").fill("tried")
        pasted = f"{server.base_url.rstrip('/')}/relief/{tile_at(12.5012, 47.1023, 12)}.png"
        dialog.get_by_label("Address of the tiles").fill(pasted)
        dialog.get_by_role("button", name="Try this address").click()
        expect(dialog.locator(".tried")).to_contain_text("neighbours fit together", timeout=PATIENCE_MS)
        expect(dialog.locator(".samples canvas").first).to_be_visible()
        keep(page, "desk-look-tried")
        dialog.get_by_label("Attribution").fill("Practice")
        dialog.get_by_label("Why you may keep these tiles").fill("our own practice server")
        dialog.get_by_role("button", name="Add", exact=True).click()
        expect(page.locator("#layers")).to_contain_text("tried")
        assert Brief.read(tmp_path).layers["tried"].url.endswith("/relief/{z}/{x}/{y}.png")
        expect(page.get_by_role("dialog")).to_have_count(0)
        page.get_by_role("button", name="Source").click()
        expect(page.locator(".sheet.from-source canvas").first).to_be_visible(timeout=PATIENCE_MS)
        keep(page, "desk-look-source")
        page.get_by_role("button", name="Two layers").click()
        page.get_by_label("Layer of the second map").select_option("tried")
        second = page.locator("#map-beside .sheet.from-source canvas").first
        expect(second).to_be_visible(timeout=PATIENCE_MS)
        keep(page, "desk-look-two-layers")
        page.get_by_role("button", name="Two layers").click()
        expect(page.locator("#map-beside")).to_have_count(0)
        page.locator("#step-worth").click()
        page.locator("#areas .area").first.click()
        page.get_by_role("button", name="Show the place under the cross").click()
        expect(page.locator(".strip li").nth(5)).to_be_visible(timeout=PATIENCE_MS)
        expect(page.locator(".strip")).to_contain_text("one deeper")
        page.locator("#panel").evaluate("one => one.scrollTo(0, 500)")
        keep(page, "desk-look-strip")
        page.locator("#step-room").click()
        said(page, "room", re.compile("about"))
        page.get_by_label("Hours for the fetch, or size on disk").fill("500kB")
        page.get_by_role("button", name="Show what to leave out").click()
        first = page.locator(".proposals li").first
        expect(first).to_be_visible(timeout=PATIENCE_MS)
        keep(page, "desk-look-fit")
        with page.expect_response("**/api/would-go"):
            first.hover()
        before = (tmp_path / "brief.toml").read_text("utf-8")
        with page.expect_response("**/api/take"):
            first.get_by_role("button", name="Take").click()
        assert (tmp_path / "brief.toml").read_text("utf-8") != before
    assert "tried" in Collection().layers()
