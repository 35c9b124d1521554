"""The browser of the tests that look at pages: Chromium without a screen, driven by Playwright."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

pytest.importorskip("playwright.sync_api", reason="Playwright's Python package is not installed")
from playwright.sync_api import Browser, sync_playwright

__all__ = ["chromium"]

_PROGRAM = Path("/usr/bin/chromium")
_FLAGS = [
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-gpu-rasterization", "--disable-quic"),
    *("--no-first-run", "--disable-sync", "--disable-background-networking", "--disable-component-update"),
]


@contextmanager
def chromium() -> Iterator[Browser]:
    """The browser for one module. Its driver runs an event loop: make everything that needs one of its own before."""
    if not _PROGRAM.exists():
        pytest.skip("Chromium is not installed here")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=str(_PROGRAM), args=_FLAGS)
        yield browser
        browser.close()
