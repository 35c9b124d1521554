#!/usr/bin/env python3
"""Measure every command on packs of a million and of many millions of small tiles: time, processor time, memory.

    .venv/bin/python scripts/bench_large.py --millions 1 5 20 --into /some/large/disk
    .venv/bin/python scripts/bench_large.py --there /some/large/disk/large-1-* /some/large/disk/large-5-*

The second form takes the folders that the first one left with --keep.
Each pack is made in a process of its own, and each command is run as one, so that its peak memory is its own. What is
proportional to tiles shows as memory that grows; the last columns hold each figure against that of the first size.
The bodies are some 140 bytes, so that it is the number of tiles that is measured and not their bytes.
"""

from __future__ import annotations

import argparse
import asyncio
import hashlib
import io
import os
import re
import shutil
import signal
import struct
import subprocess
import sys
import tempfile
import time
import urllib.parse
import urllib.request
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from packer.planning.brief import Brief
    from packer.planning.plan import Plan

_MILLION = 1_000_000
_BRIEF = """
title = "Large pack"
store = "packs"
overview = false
[layers.aerial]
url = "http://127.0.0.1:1/{{z}}/{{x}}/{{y}}"
attribution = "Invented"
permission = "Invented"
zooms = [0, 17]
[[areas]]
name = "block"
box = [12.0, 40.0, {east:.6f}, {north:.6f}]
deepest = 17
"""
# A layer over another, both with small pictures: it is the number of tiles that is measured and not their pixels.
_OVER = """
[layers.marks]
url = "http://127.0.0.1:1/{{z}}/{{x}}/{{y}}"
attribution = "Invented"
permission = "Invented"
zooms = [0, 17]
over = "aerial"
"""


@dataclass(frozen=True)
class Cost:
    """What one command took: seconds on the clock and of the processors, and its peak memory in MB."""

    wall_s: float
    cpu_s: float
    peak_mb: float
    code: int


def run(command: list[str], folder: Path, log: Path) -> Cost:
    """Run a command of its own process; peak memory is that of its largest process."""
    started = time.perf_counter()
    with log.open("a") as out:
        out.write(f"\n$ {' '.join(command)}\n")
        out.flush()
        child = subprocess.Popen(command, cwd=folder, stdout=out, stderr=out, stdin=subprocess.DEVNULL)
        _, status, used = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
    wall = time.perf_counter() - started
    return Cost(wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024, child.returncode)


def browse(command: list[str], folder: Path, log: Path) -> Cost:
    """Start a page, open it, ask for what it draws with, and end it; what it takes from its start to its end."""
    started = time.perf_counter()
    with log.open("a") as out:
        out.write(f"\n$ {' '.join(command)}\n")
        out.flush()
        child = subprocess.Popen(
            command, cwd=folder, stdout=subprocess.PIPE, stderr=out, stdin=subprocess.DEVNULL, text=True
        )
        assert child.stdout is not None
        link = next(found[0] for line in child.stdout if (found := re.search(r"http://\S+", line)))
        there = urllib.parse.urlsplit(link)
        asking = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
        try:
            for place in (link, *(f"http://{there.netloc}{path}" for path in _PLACES[command[3]])):
                with asking.open(place, timeout=600) as answer:
                    out.write(f"{place}: {len(answer.read()):,} bytes\n")
        finally:
            child.send_signal(signal.SIGINT)
        child.stdout.close()
        _, status, used = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
    wall = time.perf_counter() - started
    return Cost(wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024, child.returncode)


_PLACES = {
    "view": (
        "/board.json",
        "/coverage/aerial.geojson",
        "/tilejson/aerial",
        "/depth?layer=aerial&lon=12.01&lat=40.01",
    ),
    "desk": ("/api/state", "/api/shapes", "/board.json", "/coverage/aerial.geojson", "/api/profile"),
}


def brief_of(millions: float, *, blend: bool = False) -> str:
    """A brief of one block of about so many tiles: four thirds of those of its deepest zoom; `blend`: of two layers."""
    side = (millions * _MILLION * 0.75) ** 0.5 * 360 / 2**17
    text = _BRIEF.replace("[[areas]]", f"{_OVER}[[areas]]").replace("packs", "pair") if blend else _BRIEF
    return text.format(east=12.0 + side, north=40.0 + side * 0.75)  # about square at some 41 degrees


def pictures(count: int, mode: str = "1", px: int = 256) -> Iterator[bytes]:
    """Whole PNG pictures, each unlike any other by a chunk of text with its number; those of mode RGBA let half
    through."""
    from PIL import Image

    drawn = io.BytesIO()
    Image.new(mode, (px, px), (200, 30, 30, 128) if mode == "RGBA" else 0).save(drawn, "PNG")
    start, end = drawn.getvalue()[:-12], drawn.getvalue()[-12:]  # before and from the last chunk, IEND
    for number in range(count):
        chunk = b"tEXtn\0%d" % number
        yield start + struct.pack(">I", len(chunk) - 4) + chunk + struct.pack(">I", zlib.crc32(chunk)) + end


def make(folder: Path, millions: float, *, blend: bool = False) -> None:
    """Make a brief and its pack, with all tiles in it, without the syncs of a fetch; `blend`: a pair of packs."""
    from packer.planning.brief import Brief
    from packer.planning.plan import plan

    path = folder / ("pair.toml" if blend else "brief.toml")
    path.write_text(brief_of(millions, blend=blend), encoding="utf-8")
    brief = Brief.read(path)
    planned = plan(brief)
    for layer in planned.layers:
        count = len(planned.layers[layer].tiles)
        mode, px = ("1" if layer == "aerial" else "RGBA"), (8 if blend else 256)
        fill(brief, planned, layer, pictures(count, mode, px))
        size = (brief.store_folder / f"{layer}.mbtiles").stat().st_size
        print(f"{layer}: {count:,} tiles, {size / 1e9:.2f} GB")


def fill(brief: Brief, planned: Plan, layer: str, bodies_of: Iterator[bytes]) -> None:
    """Make the pack of one layer."""
    from packer.store.records import Received, seal
    from packer.store.schema import connect
    from packer.store.writer import Labels, PackWriter

    every = zip(planned.layers[layer].tiles, bodies_of, strict=True)
    pack = brief.store_folder / f"{layer}.mbtiles"
    first, data = next(every)
    labels = Labels(
        layer, "png", "Large pack", "Invented", "Invented", "127.0.0.1:1", "0" * 16, planned.bounds,
        planned.middle, 12, planned.fingerprint, planned.rule, "0",
    )  # fmt: skip

    async def begin() -> None:
        async with PackWriter(pack, labels) as writer:
            await writer.write(
                [Received(first, data, hashlib.sha256(data).digest(), "png", int(time.time()))]
            )

    asyncio.run(begin())
    db = connect(pack, mode="rw")
    for pragma in ("journal_mode = OFF", "synchronous = OFF", "cache_size = -4000000"):
        db.execute(f"PRAGMA {pragma}")
    now = int(time.time())
    start = 2
    while some := list(islice(every, 100_000)):
        db.execute("BEGIN")
        bodies, places = [], []
        for at, (tile, body) in enumerate(some, start):
            hashed = hashlib.sha256(body).digest()
            row = (1 << tile.zoom) - 1 - tile.y
            bodies.append((at, hashed, body))
            places.append((tile.zoom, tile.x, row, at, seal(tile.zoom, tile.x, row, hashed), now))
        db.executemany("INSERT INTO blob VALUES (?, ?, ?)", bodies)
        db.executemany("INSERT INTO placement VALUES (?, ?, ?, ?, ?, ?, NULL, NULL, NULL)", places)
        db.execute("COMMIT")
        start += len(some)
    db.close()


def commands(full: bool, loose: bool) -> dict[str, list[str]]:
    """Every command that reads or writes whole packs, in an order in which each finds what it needs."""
    return {
        "plan": ["plan", "brief.toml"],
        "status": ["status", "brief.toml"],
        "verify --quick": ["verify", "brief.toml", "--quick"],
        "verify": ["verify", "brief.toml"],
        **({"verify --full": ["verify", "brief.toml", "--full"]} if full else {}),
        "compare": ["compare", "brief.toml", "half.toml"],
        "prune, listing": ["prune", "half.toml"],
        "split": ["split", "less.toml", "--parts", "3", "--to", "parted"],
        "survey, no server": ["survey", "brief.toml", "--samples", "200"],
        "view": ["view", "brief.toml", "--port", "0"],
        "desk": ["desk", "brief.toml", "--no-browser", "--port", "0"],
        "handover --as mbtiles": ["handover", "brief.toml", "--to", "card"],
        "inspect": ["inspect", "card"],
        "handover, in parts": ["handover", "brief.toml", "--to", "parts", "--max-file", "100 MB"],
        "handover --as gpkg": ["handover", "brief.toml", "--to", "gpkg", "--as", "gpkg"],
        **(
            {"handover --as folder": ["handover", "brief.toml", "--to", "loose", "--as", "folder"]}
            if loose
            else {}
        ),
        **({"handover --blend": ["handover", "pair.toml", "--to", "blend", "--blend"]} if loose else {}),
        "merge": ["merge", "merged", "packs/aerial.mbtiles"],
        "take-in": ["take-in", "taken/brief.toml", "aerial", "packs/aerial.mbtiles"],
        "prune --yes": ["prune", "half.toml", "--yes"],
    }


_DISPOSABLE = {
    "inspect": "card",
    "split": "parted",
    "handover, in parts": "parts",
    "handover --as gpkg": "gpkg",
    "handover --as folder": "loose",
    "handover --blend": "blend",
    "merge": "merged",
    "take-in": "taken",
}


def measure(folder: Path, millions: float, wanted: Iterable[str], full: bool, loose: bool) -> dict[str, Cost]:
    """Make the pack and run the commands one after another; what a command leaves behind is removed."""
    if not (folder / "packs").exists():
        making = [sys.executable, __file__, "--make", str(folder), "--millions", str(millions)]
        subprocess.run(making, check=True)
    (folder / "half.toml").write_text(brief_of(millions / 2), encoding="utf-8")
    # One tile in fifty is not on board, for `split` to share out.
    (folder / "less.toml").write_text(brief_of(millions * 1.02), encoding="utf-8")
    (folder / "taken").mkdir(exist_ok=True)
    shutil.copy(folder / "brief.toml", folder / "taken" / "brief.toml")
    costs = {}
    for name, arguments in commands(full, loose).items():
        if wanted and name.split(",")[0] not in wanted:
            continue
        if "pair.toml" in arguments and not (folder / "pair").exists():
            made = [sys.executable, __file__, "--make", str(folder), "--millions", str(millions), "--pair"]
            subprocess.run(made, check=True)
        doing = browse if name in ("view", "desk") else run
        cost = doing([sys.executable, "-m", "packer", *arguments], folder, folder / "log.txt")
        costs[name] = cost
        took = f"{cost.wall_s:8.1f} s {cost.cpu_s:8.1f} s {cost.peak_mb:7.0f} MB"
        print(f"  {millions:g} M  {name:<22} {took}, exit {cost.code}", flush=True)
        if name in _DISPOSABLE:
            shutil.rmtree(folder / _DISPOSABLE[name], ignore_errors=True)
    return costs


def show(found: dict[float, dict[str, Cost]]) -> None:
    """A table in Markdown: for each command a row, for each size time, processor time and peak memory."""
    sizes = sorted(found)
    print(
        "\n| command | "
        + " | ".join(f"{size:g} M: wall, processor, memory" for size in sizes)
        + " | memory | processor a tile |"
    )
    print("|---|" + "--:|" * (len(sizes) + 2))
    for name in found[sizes[0]]:
        costs = [found[size].get(name) for size in sizes]
        cells = [f"{c.wall_s:.1f} s, {c.cpu_s:.1f} s, {c.peak_mb:.0f} MB" if c else "" for c in costs]
        first, last = costs[0], costs[-1]
        if first and last:
            cells.append(f"{last.peak_mb / first.peak_mb:.2f}")
            cells.append(f"{last.cpu_s / first.cpu_s / (sizes[-1] / sizes[0]):.2f}")
        print(f"| {name} | " + " | ".join(cells) + " |")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--millions", type=float, nargs="+", default=[1, 5])
    parser.add_argument("--only", nargs="+", default=[], help="only these commands, as the table names them")
    parser.add_argument("--full", action="store_true", help="verify --full as well: every picture decoded")
    parser.add_argument(
        "--loose-most", type=float, default=1, help="loose files and blends up to so many millions of tiles"
    )
    parser.add_argument("--into", type=Path, default=None, help="folder for the temporary folders")
    parser.add_argument(
        "--there", type=Path, nargs="+", default=[], help="folders with packs that --keep has left"
    )
    parser.add_argument("--keep", action="store_true", help="leave the packs there")
    parser.add_argument("--make", type=Path, default=None, help=argparse.SUPPRESS)
    parser.add_argument("--pair", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    signal.signal(
        signal.SIGINT, signal.default_int_handler
    )  # ignored where a script began this in the background
    if asked.make is not None:
        make(asked.make, asked.millions[0], blend=asked.pair)
        return 0
    found = {}
    for folder in asked.there:
        millions = float(folder.name.split("-")[1])
        found[millions] = measure(folder, millions, asked.only, asked.full, millions <= asked.loose_most)
    for millions in () if asked.there else asked.millions:
        folder = Path(tempfile.mkdtemp(prefix=f"large-{millions:g}-", dir=asked.into))
        try:
            found[millions] = measure(folder, millions, asked.only, asked.full, millions <= asked.loose_most)
        finally:
            if not asked.keep:
                shutil.rmtree(folder, ignore_errors=True)
    show(found)
    return 0


if __name__ == "__main__":
    sys.exit(main())
