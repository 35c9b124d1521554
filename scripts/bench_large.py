#!/usr/bin/env python3
"""Measure every command on packs of a million and of many millions of small tiles: time, processor time, memory.

    .venv/bin/python scripts/bench_large.py --millions 1 5 20 --into /some/large/disk
    .venv/bin/python scripts/bench_large.py --millions 20 --files 6 --into /some/large/disk
    .venv/bin/python scripts/bench_large.py --there /some/large/disk/large-1-* /some/large/disk/large-5-*

The second form makes packs of several files; the third takes the folders that the others left with --keep.
Each pack is made in a process of its own, and each command is run as one, so that its peak memory is its own. What is
proportional to tiles shows as memory that grows; the last columns hold each figure against that of the first size.
The bodies are some 140 bytes, so that it is the number of tiles that is measured and not their bytes.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import hashlib
import io
import os
import re
import shutil
import signal
import sqlite3
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

from packer.geometry.tileset import Tile, TileSet
from packer.store.labels import SET_LABEL, Labels, begin_run, labels_of
from packer.store.pack_files import file_path, first_label, further_label, new_mark, pack_files
from packer.store.records import Received, seal
from packer.store.schema import connect, open_writable
from packer.store.writer import FileLimit, PackWriter

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


def make(folder: Path, millions: float, files: int = 1, *, blend: bool = False) -> None:
    """Make a brief and its pack of so many files, with all tiles in it, without the syncs of a fetch; `blend`: a pair
    of packs."""
    from packer.planning.brief import Brief
    from packer.planning.plan import plan

    path = folder / ("pair.toml" if blend else "brief.toml")
    path.write_text(brief_of(millions, blend=blend), encoding="utf-8")
    brief = Brief.read(path)
    planned = plan(brief)
    for layer in planned.layers:
        count = len(planned.layers[layer].tiles)
        mode, px = ("1" if layer == "aerial" else "RGBA"), (8 if blend else 256)
        fill(brief, planned, layer, pictures(count, mode, px), files)


def fill(brief: Brief, planned: Plan, layer: str, bodies_of: Iterator[bytes], files: int) -> None:
    """Make the pack of one layer."""
    from packer.store.placing import FilePlaces

    tiles = planned.layers[layer].tiles
    every = zip(tiles, bodies_of, strict=True)
    pack = brief.store_folder / f"{layer}.mbtiles"
    first, data = next(every)
    labels = Labels(
        layer, "png", "Large pack", "Invented", "Invented", "127.0.0.1:1", "0" * 16, planned.bounds,
        planned.middle, 12, planned.fingerprint, planned.rule, "0",
    )  # fmt: skip
    # As a fetch deals them out, with a limit by which there are so many.
    size = 140.0
    places = FilePlaces(int(len(tiles) * (size + 150) * 1.07 / 0.9 / files * 1.02), [0], [TileSet()])
    places.deal(tiles, dict.fromkeys(tiles.zooms, size))

    async def begin() -> None:
        async with PackWriter(pack, labels) as writer:
            await writer.write(
                [Received(first, data, hashlib.sha256(data).digest(), "png", int(time.time()))]
            )

    asyncio.run(begin())
    open_files = [bulk(path) for path in begun_files(pack, labels, files)]
    start = 2
    while some := list(islice(every, 100_000)):
        rows: dict[int, list[tuple[int, Tile, bytes]]] = {}
        for at, (tile, body) in enumerate(some, start):
            number = min(places.file_for(tile), files - 1) if files > 1 else 0
            rows.setdefault(number, []).append((at, tile, body))
        for number, part in rows.items():
            insert(open_files[number], part)
        start += len(some)
    for db in open_files:
        db.close()
    sizes = [path.stat().st_size / 1e9 for path in pack_files(pack).paths]
    print(f"{layer}: {len(tiles):,} tiles, {', '.join(f'{size:.2f}' for size in sizes)} GB")


def begun_files(pack: Path, labels: Labels, files: int) -> list[Path]:
    """The files of a pack, the further ones made empty."""
    mark = new_mark()
    if files > 1:
        with contextlib.closing(connect(pack, mode="rw")) as db:
            db.execute(SET_LABEL, first_label(mark, files))
    for number in range(2, files + 1):
        path = file_path(pack, number)
        with contextlib.closing(open_writable(path, pack.stem, "png", further_label(mark, number))) as db:
            begin_run(db, labels, int(time.time()))
    return list(pack_files(pack).paths)


def bulk(path: Path) -> sqlite3.Connection:
    """A file open for many rows, none of them safe from a death."""
    db = connect(path, mode="rw")
    for pragma in ("journal_mode = OFF", "synchronous = OFF", "cache_size = -1000000"):
        db.execute(f"PRAGMA {pragma}")
    return db


def insert(db: sqlite3.Connection, rows: list[tuple[int, Tile, bytes]]) -> None:
    """Put bodies, by their numbers, and their places into a file."""
    now, bodies, places = int(time.time()), [], []
    for at, tile, body in rows:
        hashed = hashlib.sha256(body).digest()
        row = (1 << tile.zoom) - 1 - tile.y
        bodies.append((at, hashed, body))
        places.append((tile.zoom, tile.x, row, at, seal(tile.zoom, tile.x, row, hashed), now))
    db.execute("BEGIN")
    db.executemany("INSERT INTO blob VALUES (?, ?, ?)", bodies)
    db.executemany("INSERT INTO placement VALUES (?, ?, ?, ?, ?, ?, NULL, NULL, NULL)", places)
    db.execute("COMMIT")


def resume(folder: Path) -> int:
    """Open the pack as a fetch does, which works out what is missing, and close it again."""
    from packer.planning.brief import Brief
    from packer.planning.plan import plan

    brief = Brief.read(folder / "brief.toml")
    planned = plan(brief)
    tiles, pack = planned.layers["aerial"].tiles, brief.store_folder / "aerial.mbtiles"
    limit = FileLimit(1 << 50, tiles) if len(pack_files(pack).paths) > 1 else None

    async def once() -> int:
        async with PackWriter(pack, labels_of(pack), limit=limit) as writer:
            return len(tiles - writer.held - writer.absent)

    print(f"{asyncio.run(once()):,} tiles to fetch")
    return 0


def commands(full: bool, loose: bool) -> dict[str, list[str]]:
    """Every command that reads or writes whole packs, in an order in which each finds what it needs."""
    return {
        "plan": ["plan", "brief.toml"],
        "status": ["status", "brief.toml"],
        "resume": [],
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


def measure(
    folder: Path, millions: float, wanted: Iterable[str], full: bool, loose: bool, files: int = 1
) -> dict[str, Cost]:
    """Make the pack and run the commands one after another; what a command leaves behind is removed."""
    if not (folder / "packs").exists():
        making = [sys.executable, __file__, "--make", str(folder), "--millions", str(millions)]
        making += ["--files", str(files)]
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
        command = [sys.executable, "-m", "packer", *arguments]
        if name == "resume":
            command = [sys.executable, __file__, "--resume", str(folder)]
        cost = doing(command, folder, folder / "log.txt")
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
    parser.add_argument(
        "--files", type=int, default=1, help="packs of so many files each, dealt out by place"
    )
    parser.add_argument("--resume", type=Path, default=None, help=argparse.SUPPRESS)
    parser.add_argument("--make", type=Path, default=None, help=argparse.SUPPRESS)
    parser.add_argument("--pair", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    # It may be ignored: a script that begins this in the background has it so.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    if asked.make is not None:
        make(asked.make, asked.millions[0], asked.files, blend=asked.pair)
        return 0
    if asked.resume is not None:
        return resume(asked.resume)
    found = {}
    for folder in asked.there:
        millions = float(folder.name.split("-")[1])
        found[millions] = measure(folder, millions, asked.only, asked.full, millions <= asked.loose_most)
    for millions in () if asked.there else asked.millions:
        folder = Path(tempfile.mkdtemp(prefix=f"large-{millions:g}-", dir=asked.into))
        try:
            loose = millions <= asked.loose_most
            found[millions] = measure(folder, millions, asked.only, asked.full, loose, asked.files)
        finally:
            if not asked.keep:
                shutil.rmtree(folder, ignore_errors=True)
    show(found)
    return 0


if __name__ == "__main__":
    sys.exit(main())
