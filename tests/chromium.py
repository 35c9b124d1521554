"""The browser of the tests that look at pages: Chromium without a screen, driven by Playwright.

It finds no host but this machine. Pictures of what it shows are kept in tests/output/ with LASTBAR_TESTS_PICTURES=1.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

pytest.importorskip("playwright.sync_api", reason="Playwright's Python package is not installed")
from playwright.sync_api import Browser, Error, Page, Request, expect, sync_playwright

__all__ = ["chromium", "keep", "page_of", "watched"]

expect.set_options(timeout=30_000)  # its own 5 s are too few beside other tests on a busy machine

_PROGRAM = Path("/usr/bin/chromium")
_FLAGS = [
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-gpu-rasterization", "--disable-quic"),
    # Nothing plays at being a graphics card, and no process of its own puts the picture together.
    *("--disable-software-rasterizer", "--in-process-gpu"),
    *("--no-first-run", "--disable-sync", "--disable-background-networking", "--disable-component-update"),
    # Cheaper than to have each request pass through the test, as Playwright's own way to block does.
    *("--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1, EXCLUDE 127.0.0.2, EXCLUDE localhost",),
]
_OUTPUT = Path(__file__).parent / "output"
_PICTURES = os.environ.get("LASTBAR_TESTS_PICTURES") == "1"


@contextmanager
def chromium() -> Iterator[Browser]:
    """The browser for one module. Its driver runs an event loop: make everything that needs one of its own before."""
    if not _PROGRAM.exists():
        pytest.skip("Chromium is not installed here")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=str(_PROGRAM), args=_FLAGS)
        yield browser
        browser.close()


def page_of(browser: Browser, width: int, height: int) -> Page:
    """The browser's one page, at this size, with nothing moving: each further one is a process, and takes a second."""
    context = browser.contexts[0] if browser.contexts else browser.new_context(reduced_motion="reduce")
    page = context.pages[0] if context.pages else context.new_page()
    page.set_viewport_size({"width": width, "height": height})
    return page


@contextmanager
def watched(page: Page, *allowed: str) -> Iterator[None]:
    """Fails if the page meanwhile asks for what begins with none of these, or has an error that nothing catches."""
    strayed: list[str] = []
    troubles: list[str] = []

    def asked(request: Request) -> None:
        if not request.url.startswith((*allowed, "data:", "blob:")):
            strayed.append(request.url)

    def failed(fault: Error) -> None:
        troubles.append(str(fault))

    page.on("request", asked)
    page.on("pageerror", failed)
    try:
        yield
    finally:
        page.remove_listener("request", asked)
        page.remove_listener("pageerror", failed)
    assert (strayed, troubles) == ([], [])


def keep(page: Page, name: str) -> None:
    """A picture of the page for people, where pictures are wanted."""
    if _PICTURES:
        _OUTPUT.mkdir(exist_ok=True)
        page.screenshot(path=_OUTPUT / f"{name}.png")
