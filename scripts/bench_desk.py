"""How fast the desk is, as a page sees it: every figure with its bar beside it.

    python -m scripts.bench_desk                  all of it, some two minutes
    python -m scripts.bench_desk --only c --runs 9

(a) from the start of the command until the page has its first state; (b) a change of a brief of 1,700 km, of 200 areas
and of one with ten million tiles and a pack of a million, until its shapes and figures are there; (c) what an open page
costs a running fetch, on loopback and at 50 Mbit/s. Wall-clock times are what a planner waits; processor times, which
another program on the machine lengthens less, are those of server and page together. Nothing is asked of any host but
this machine.
"""

from __future__ import annotations

import argparse
import asyncio
import compileall
import math
import os
import random
import re
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

from packer.desk.server import DeskServer
from packer.geometry.grid import LonLatBox
from packer.planning.brief import Brief
from packer.planning.pack_path import pack_path
from packer.planning.plan import plan
from packer.store.labels import Labels
from packer.store.schema import connect
from packer.store.writer import PackWriter

__all__ = ["Bar", "Figure", "measure_desk"]

_ROOT = Path(__file__).resolve().parent.parent
_STEPS = 17_000  # of 100 m
_AREAS = 200
_HELD = 1_000_000


@dataclass(frozen=True, slots=True)
class Bar:
    """What a figure may be at most, in its own unit."""

    most: float
    unit: str = "s"


CHANGE, START, PAGE = Bar(0.3), Bar(1.0), Bar(5.0, "%")


@dataclass(slots=True)
class Figure:
    """One thing measured several times: wall-clock, and processor time where that says something."""

    name: str
    bar: Bar
    wall: list[float] = field(default_factory=list)
    cpu: list[float] = field(default_factory=list)
    note: str = ""

    @property
    def text(self) -> str:
        """Medians with the least and the greatest, beside the bar."""
        kept = statistics.median(self.wall) <= self.bar.most
        told = f"{_spread(self.wall)} {self.bar.unit}"
        cpu = f", processor {_spread(self.cpu)} {self.bar.unit}" if self.cpu else ""
        verdict = "kept" if kept else "NOT KEPT"
        return f"{self.name}: {told}{cpu}; the bar is {self.bar.most:g} {self.bar.unit}: {verdict}{self.note}"


def _spread(values: list[float]) -> str:
    return f"{statistics.median(values):.2f} ({min(values):.2f} to {max(values):.2f})"


def measure_desk(runs: int, only: str = "abc") -> Iterator[Figure]:
    """The figures, one after another, each of so many runs. Files are in a folder that goes at the end."""
    with tempfile.TemporaryDirectory(prefix="lastbar-bench-") as folder:
        os.environ["XDG_STATE_HOME"] = os.environ["XDG_CONFIG_HOME"] = folder
        for part, measure in (("a", _starts), ("b", _changes), ("c", _open_page)):
            if part in only:
                yield from measure(Path(folder), runs)


# ------------------------------------------------------------------------------------------------ briefs


def _layers(url: str, *more: str) -> str:
    each = (("aerial", 18), ("relief", 15))
    return "".join(
        f'[layers.{name}]\nurl = "{url.replace("LAYER", name)}"\nzooms = [0, {last}]\nattribution = "-"\n'
        f'permission = "-"\n{"".join(more)}'
        for name, last in each
    )


_NOWHERE = "http://127.0.0.1:9/LAYER/{z}/{x}/{y}.png"


def _corridor(folder: Path) -> Callable[[int], dict[str, Any]]:
    (folder / "long.gpx").write_text(_track(), encoding="utf-8")
    way = '[[areas]]\nname = "way"\nline = "long.gpx"\nhalf-width = "500 m"\ndeepest = 17\n'
    (folder / "brief.toml").write_text(f'title = "bench"\n{_layers(_NOWHERE)}{way}', encoding="utf-8")
    return lambda n: {"name": "way", "values": {"half-width": f"{501 + n} m"}}


def _many_areas(folder: Path) -> Callable[[int], dict[str, Any]]:
    circles = "".join(
        f'[[areas]]\nname = "a{i}"\npoint = [{10 + i * 0.05:.2f}, {40 + i % 17 * 0.1:.1f}]\n'
        'radius = "3 km"\ndeepest = 17\n'
        for i in range(_AREAS)
    )
    (folder / "brief.toml").write_text(f'title = "bench"\n{_layers(_NOWHERE)}{circles}', encoding="utf-8")
    return lambda n: {"name": "a7", "values": {"point": [10.35 + n / 1000, 40.7]}}


def _ten_million(folder: Path) -> Callable[[int], dict[str, Any]]:
    """A plan of ten million tiles, and a pack that holds a million of them."""
    ground = '[[areas]]\nname = "block"\nbox = [10, 44, 14.4, 47.2]\ndeepest = {aerial = 18, relief = 12}\n'
    camp = '[[areas]]\nname = "camp"\npoint = [12, 46]\nradius = "3 km"\ndeepest = 18\n'
    (folder / "brief.toml").write_text(
        f'title = "bench"\n{_layers(_NOWHERE)}{ground}{camp}', encoding="utf-8"
    )
    brief = Brief.read(folder)
    _fill(pack_path(brief, "aerial"), brief)
    return lambda n: {"name": "camp", "values": {"radius": f"{3001 + n} m"}}


def _fill(pack: Path, brief: Brief) -> None:
    """A pack with a million placements of one body: enough for what it is asked here, and no proof of anything."""
    labels = Labels(
        "aerial", "png", "b", "-", "-", "127.0.0.1", "0", LonLatBox(0, 0, 1, 1), (0, 0), 12, "", "", "0"
    )

    async def make() -> None:
        async with PackWriter(pack, labels):
            pass

    asyncio.run(make())
    tiles = plan(brief).layers["aerial"].tiles
    zoom = next(z for z, n in tiles.by_zoom().items() if n >= _HELD)
    west, north, east, _ = tiles.extent(zoom)
    wide = east - west + 1
    with connect(pack, mode="rw") as db:
        db.execute("BEGIN")
        db.execute("INSERT INTO blob VALUES (1, x'00', zeroblob(15000))")
        db.execute(
            "WITH RECURSIVE n(i) AS (VALUES (0) UNION ALL SELECT i + 1 FROM n WHERE i + 1 < ?) INSERT INTO placement "
            "SELECT ?, ? + i % ?, ? - i / ?, 1, x'00', 0, NULL, NULL, NULL FROM n",
            (_HELD, zoom, west, wide, (1 << zoom) - 1 - north, wide),
        )
        db.execute("COMMIT")
    db.close()


def _track() -> str:
    """A winding track of invented places, the same each time."""
    dice, heading, lon, lat = random.Random(1), 0.5, 10.0, 40.0
    points = []
    for _ in range(_STEPS):
        heading = max(-0.8, min(1.2, heading + dice.gauss(0, 0.1)))
        lon, lat = lon + 0.1 / 85 * math.cos(heading), lat + 0.1 / 111 * math.sin(heading)
        points.append(f'<trkpt lat="{lat:.6f}" lon="{lon:.6f}"/>')
    head = '<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>'
    return f"{head}{''.join(points)}</trkseg></trk></gpx>"


# ------------------------------------------------------------------------------------------------ measuring


def _starts(folder: Path, runs: int) -> Iterator[Figure]:
    """From the start of the command until the page and its first state are there, for 200 areas."""
    trip = folder / "start"
    trip.mkdir()
    _many_areas(trip)
    compileall.compile_dir(_ROOT / "packer", quiet=1)  # as an installation does
    found = Figure("from the start of the command to the first state, 200 areas", START)
    for _ in range(runs):
        started = time.perf_counter()
        command = [sys.executable, "-m", "packer", "desk", str(trip), "--no-browser"]
        with subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, cwd=_ROOT
        ) as desk:
            assert desk.stdout is not None
            link = re.search(r"http://\S+", desk.stdout.readline())
            assert link is not None
            with httpx.Client(follow_redirects=True, timeout=60) as page:
                page.get(link[0]).raise_for_status()
                page.get(link[0].split("open?")[0] + "api/state").raise_for_status()
            found.wall.append(time.perf_counter() - started)
            desk.terminate()
    yield found


def _changes(folder: Path, runs: int) -> Iterator[Figure]:
    """From a change to its shapes and its figures."""
    for name, make in (
        ("a corridor of 1,700 km, another half-width", _corridor),
        ("200 areas, one of them moved", _many_areas),
        ("ten million tiles, a million on board, one area of two wider", _ten_million),
    ):
        trip = folder / make.__name__
        trip.mkdir()
        yield _answered(name, trip, runs, make(trip))


@contextmanager
def _page(desk: DeskServer) -> Iterator[httpx.Client]:
    origin = {"Origin": desk.url.rstrip("/")}
    with httpx.Client(base_url=desk.url, timeout=120, headers=origin) as page:
        page.get(desk.link)
        yield page


def _answered(name: str, folder: Path, runs: int, change: Callable[[int], dict[str, Any]]) -> Figure:
    found = Figure(name, CHANGE)
    with DeskServer(folder) as desk, _page(desk) as page:
        revision = page.get("/api/state").json()["revision"]
        page.get("/api/shapes").raise_for_status()
        page.get("/api/figures").raise_for_status()
        for n in range(runs):
            body = {"revision": revision, "change": {"do": "set-area", **change(n)}}
            started, worked = time.perf_counter(), time.process_time()
            revision = page.post("/api/change", json=body).raise_for_status().json()["revision"]
            page.get("/api/shapes").raise_for_status()
            page.get("/api/figures").raise_for_status()
            found.wall.append(time.perf_counter() - started)
            found.cpu.append(time.process_time() - worked)
    return found


def _open_page(folder: Path, runs: int) -> Iterator[Figure]:
    """How much longer a fetch takes with a page open, in turns with one that none watches."""
    from scripts.bench_page import (
        measure_page,  # needs a browser and a file server, and the other parts do not
    )

    place = folder / "page"
    place.mkdir()
    folder.chmod(0o755)  # the file server reads as nobody
    for one in measure_page(place, runs):
        found = Figure(f"what an open page adds to a fetch {one.name}", PAGE, note=one.seconds)
        found.wall, found.cpu = one.slower_percent, one.work_percent
        yield found


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--only", default="abc", help="letters of the parts to run")
    parser.add_argument("--runs", type=int, default=5)
    wanted = parser.parse_args()
    print(
        f"load of the machine: {', '.join(f'{one:.1f}' for one in os.getloadavg())}; {os.cpu_count()} cores"
    )
    for figure in measure_desk(wanted.runs, wanted.only):
        print(figure.text, flush=True)


if __name__ == "__main__":
    main()
