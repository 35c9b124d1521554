"""How long the desk takes to answer a change, as the page sees it: the change, then its shapes and its figures."""

from __future__ import annotations

import math
import random
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import httpx

from packer.desk.server import DeskServer

__all__ = ["BAR_S", "measure_desk"]

BAR_S = 0.3
_LAYERS = "".join(
    f'[layers.{name}]\nurl = "http://127.0.0.1:9/{name}/{{z}}/{{x}}/{{y}}.png"\nzooms = [0, {last}]\n'
    'attribution = "-"\npermission = "-"\n'
    for name, last in (("aerial", 18), ("relief", 15))
)
_STEPS = 17_000  # of 100 m
_AREAS = 200


def measure_desk(runs: int) -> dict[str, list[float]]:
    """Seconds from each of `runs` changes to its figures, for a corridor of 1,700 km and for 200 areas.

    Nothing is asked of any other host. Files are in a folder of their own, which goes at the end.
    """
    with tempfile.TemporaryDirectory(prefix="lastbar-bench-") as folder:
        corridor, areas = Path(folder) / "corridor", Path(folder) / "areas"
        for one in (corridor, areas):
            one.mkdir()
        (corridor / "long.gpx").write_text(_track(), encoding="utf-8")
        way = '[[areas]]\nname = "way"\nline = "long.gpx"\nhalf-width = "500 m"\ndeepest = 17\n'
        (corridor / "brief.toml").write_text(f'title = "bench"\n{_LAYERS}{way}', encoding="utf-8")
        circles = "".join(
            f'[[areas]]\nname = "a{i}"\npoint = [{10 + i * 0.05:.2f}, {40 + i % 17 * 0.1:.1f}]\n'
            'radius = "3 km"\ndeepest = 17\n'
            for i in range(_AREAS)
        )
        (areas / "brief.toml").write_text(f'title = "bench"\n{_LAYERS}{circles}', encoding="utf-8")
        return {
            "corridor of 1,700 km, another half-width": _answered(
                corridor, runs, lambda n: {"name": "way", "values": {"half-width": f"{501 + n} m"}}
            ),
            "200 areas, one of them moved": _answered(
                areas, runs, lambda n: {"name": "a7", "values": {"point": [10.35 + n / 1000, 40.7]}}
            ),
        }


def _answered(folder: Path, runs: int, change: Callable[[int], dict[str, Any]]) -> list[float]:
    took = []
    with DeskServer(folder) as desk, httpx.Client(base_url=desk.url, timeout=120) as page:
        page.get(desk.link)
        origin = {"Origin": desk.url.rstrip("/")}
        revision = page.get("/api/state").json()["revision"]
        page.get("/api/figures").raise_for_status()
        for n in range(runs):
            body = {"revision": revision, "change": {"do": "set-area", **change(n)}}
            started = time.perf_counter()
            revision = (
                page.post("/api/change", json=body, headers=origin).raise_for_status().json()["revision"]
            )
            page.get("/api/shapes").raise_for_status()
            page.get("/api/figures").raise_for_status()
            took.append(time.perf_counter() - started)
    return took


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


if __name__ == "__main__":
    for name, seconds in measure_desk(5).items():
        print(f"{name}: {statistics.median(seconds):.2f} s, the bar is {BAR_S} s")
