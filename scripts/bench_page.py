"""What an open page costs a running fetch: tiles from nginx, the page in Chromium.

Two cases. On loopback the fetch takes both cores, so that whatever the page and its server do is taken from it: the
worst case. At 50 Mbit/s, to which the desk itself keeps, the fetch waits most of the time, as on any ordinary link.
Times of the processor are the system's own account of the desk's process with its helpers, and of all of Chromium's.
"""

from __future__ import annotations

import json
import os
import re
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import httpx
import mercantile
from playwright.sync_api import Browser, Page, sync_playwright

from packer.fetching.run_log import FILE_NAME
from scripts.neutral import file_server, jpeg_bodies

__all__ = ["PageCost", "measure_page"]

_ROOT = Path(__file__).resolve().parent.parent
_CHROMIUM = Path("/usr/bin/chromium")
_FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
_COLUMNS, _TILE_BYTES = 200, 15_000
_FIRST, _TOP, _ZOOM = 17_000, 10_000, 15
_LINK_MBIT = 50
_SETTLES_S = 3.0
_TICKS = os.sysconf("SC_CLK_TCK")
_BRIEF = """
title = "Bench"
overview = false
[layers.aerial]
url = "http://127.0.0.1:{port}/{{z}}/{{x}}/{{y}}.jpg"
attribution = "none"
permission = "Own files on this machine"
zooms = [8, {zoom}]
connections = 16
requests-per-second = 100000
[[areas]]
name = "block"
box = [{box}]
deepest = {zoom}
"""
_POST = """async ([path, body]) => (await fetch(path, {method: "POST", body: JSON.stringify(body),
  headers: {"Content-Type": "application/json"}})).status"""


@dataclass(frozen=True, slots=True)
class Fetched:
    """One fetch: its seconds, and the processor's seconds of the desk and of the page meanwhile."""

    wall_s: float
    desk_s: float
    page_s: float


@dataclass(frozen=True, slots=True)
class PageCost:
    """Fetches without a page and with one, in pairs."""

    name: str
    alone: list[Fetched]
    watched: list[Fetched]

    @property
    def slower_percent(self) -> list[float]:
        """How much longer each fetch took with a page."""
        return [100 * (b.wall_s / a.wall_s - 1) for a, b in zip(self.alone, self.watched, strict=True)]

    @property
    def work_percent(self) -> list[float]:
        """How much more processor time it took: that of the page, and what the desk did more, of what it does alone."""
        return [
            100 * ((b.desk_s + b.page_s) / a.desk_s - 1)
            for a, b in zip(self.alone, self.watched, strict=True)
        ]

    @property
    def seconds(self) -> str:
        """Where the processor's time went."""
        extra = [b.desk_s - a.desk_s for a, b in zip(self.alone, self.watched, strict=True)]
        return (
            f"; the fetch alone took {_spread([one.wall_s for one in self.alone])} s and "
            f"{_spread([one.desk_s for one in self.alone])} s of the processor, with a page "
            f"{_spread(extra)} s more of the desk's and {_spread([one.page_s for one in self.watched])} s of the page's"
        )


def _spread(values: list[float]) -> str:
    return f"{statistics.median(values):.2f} ({min(values):.2f} to {max(values):.2f})"


class _Watcher(Protocol):
    """Starts a fetch, as a page or as a program that asks for nothing more."""

    def post(self, path: str, body: dict[str, Any]) -> None: ...

    def used_s(self) -> float: ...


class _Program:
    """Opens the desk and asks for nothing but the fetch."""

    def __init__(self, link: str) -> None:
        self._url = link.split("open?")[0]
        self._client = httpx.Client(timeout=60, headers={"Origin": self._url.rstrip("/")})
        self._client.get(link)

    def post(self, path: str, body: dict[str, Any]) -> None:
        self._client.post(f"{self._url}{path}", json=body).raise_for_status()

    def used_s(self) -> float:
        return 0.0


class _OpenPage:
    """The desk's page in Chromium, at the step Fetch."""

    def __init__(self, browser: Browser, link: str) -> None:
        self._page: Page = browser.new_context(viewport={"width": 1280, "height": 800}).new_page()
        self._page.goto(link)
        self._page.locator("#step-fetch").click()
        time.sleep(_SETTLES_S)
        self._pids = _family(os.getpid(), "chromium")

    def post(self, path: str, body: dict[str, Any]) -> None:
        assert self._page.evaluate(_POST, [path, body]) == 200

    def used_s(self) -> float:
        return sum(map(_used_s, self._pids))

    def close(self) -> None:
        self._page.context.close()


def _family(parent: int, name: str) -> list[int]:
    """The processes below one whose command has this name in it."""
    found = []
    for task in Path(f"/proc/{parent}/task").glob("*/children"):
        for child in map(int, task.read_text().split()):
            command = Path(f"/proc/{child}/cmdline").read_bytes().decode(errors="replace")
            found += [child, *_family(child, "")] if name in command else _family(child, name)
    return found


def _used_s(pid: int) -> float:
    """Processor seconds of a process, by the system's account (proc(5)); 0 for one that has ended."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0.0
    return sum(map(int, fields[11:15])) / _TICKS  # its own, and of children that have ended


def measure_page(folder: Path, runs: int, tiles: int = 20_000) -> Iterator[PageCost]:
    """Both cases, each so many pairs of fetches. Needs nginx and Chromium; files go into `folder`."""
    if not _CHROMIUM.exists():
        raise SystemExit("This benchmark needs Chromium: apt-get install chromium")
    root = folder / "root"
    _lay_out(root, tiles)
    folder.chmod(0o755)
    with ExitStack() as open_now:
        port = open_now.enter_context(file_server(root))
        browser = open_now.enter_context(_browser())
        for name, mbit in (
            ("on loopback, both cores taken", 0),
            (f"at {_LINK_MBIT} Mbit/s", _LINK_MBIT),
        ):
            count = tiles if not mbit else min(tiles, 6_000)
            pairs: tuple[list[Fetched], list[Fetched]] = [], []
            for n in range(2 * runs):
                trip = folder / f"{mbit}-{n}"
                trip.mkdir()
                _write_brief(trip, port, count)
                pairs[n % 2].append(_fetched(trip, browser if n % 2 else None, mbit))
            yield PageCost(name, *pairs)


def _lay_out(root: Path, count: int) -> None:
    body = jpeg_bodies(_TILE_BYTES)
    number = 0
    for zoom in range(8, _ZOOM + 1):
        away = _ZOOM - zoom
        rows = count // _COLUMNS
        for x in range(_FIRST >> away, (_FIRST + _COLUMNS - 1 >> away) + 1):
            place = root / str(zoom) / str(x)
            place.mkdir(parents=True, exist_ok=True)
            for y in range(_TOP >> away, (_TOP + rows - 1 >> away) + 1):
                number += 1
                (place / f"{y}.jpg").write_bytes(body(number))


def _write_brief(trip: Path, port: int, count: int) -> None:
    first = mercantile.bounds(_FIRST, _TOP, _ZOOM)
    last = mercantile.bounds(_FIRST + _COLUMNS - 1, _TOP + count // _COLUMNS - 1, _ZOOM)
    box = f"{first.west + 1e-9:.12f}, {last.south + 1e-9:.12f}, {last.east - 1e-9:.12f}, {first.north - 1e-9:.12f}"
    (trip / "brief.toml").write_text(_BRIEF.format(port=port, zoom=_ZOOM, box=box), encoding="utf-8")


@contextmanager
def _browser() -> Iterator[Browser]:
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=str(_CHROMIUM), args=list(_FLAGS))
        yield browser
        browser.close()


def _fetched(trip: Path, browser: Browser | None, mbit: int) -> Fetched:
    command = [sys.executable, "-m", "packer", "desk", str(trip), "--no-browser"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=_ROOT) as desk:
        assert desk.stdout is not None
        link = re.search(r"http://\S+", desk.stdout.readline())
        assert link is not None
        watcher: _Watcher = _OpenPage(browser, link[0]) if browser else _Program(link[0])
        if not browser:
            time.sleep(_SETTLES_S)
        if mbit:
            watcher.post("api/at-most", {"speed": f"{mbit} Mbit"})
        before = _desk_s(desk.pid), watcher.used_s()
        watcher.post("api/jobs/fetch", {})
        wall = _ended(trip)
        found = Fetched(wall, _desk_s(desk.pid) - before[0], watcher.used_s() - before[1])
        if isinstance(watcher, _OpenPage):
            watcher.close()
        desk.terminate()
    return found


def _desk_s(pid: int) -> float:
    return _used_s(pid) + sum(map(_used_s, _family(pid, "")))


def _ended(trip: Path) -> float:
    """Wait for the end of the fetch by its log alone, which costs the desk nothing; its seconds by that log."""
    while True:
        time.sleep(0.05)
        for path in trip.rglob(FILE_NAME):
            for line in path.read_text().splitlines():
                told: dict[str, Any] = json.loads(line) if line.endswith("}") else {}
                if told.get("event") == "end":
                    return float(told["seconds"])
