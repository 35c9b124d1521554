"""Every benchmark in one run: prints each line as it comes and writes docs/benchmarks.md.

(a) fetch against `curl --parallel` writing loose files          (e) start of a half-done job
(b) the same through 50 ms of latency                            (f) peak memory by size of job
(c) planning against a plain loop over mercantile.tiles          (g) start-up of --help and status
(d) verify against a bare loop that only hashes or decodes       (h) the desk: start, a change, an open page
(i) fetch against plain programs of equal work
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import os
import platform
import resource
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from importlib.metadata import version
from multiprocessing import get_context
from pathlib import Path

import mercantile
import numpy as np
from bench_desk import measure_desk
from bench_fetch import (
    LASTBAR,
    Report,
    bench_equal_work,
    bench_fetch,
    bench_practice,
    block,
    check_pack,
    write_brief,
)
from bench_verify import compare
from neutral import (
    file_server,
    jpeg_bodies,
    median_spread,
    run_measured,
)

from packer.geometry.cover import cover_box, cover_corridor
from packer.geometry.geodesics import GEOD
from packer.geometry.grid import LonLatBox
from packer.store.writer import Labels, PackWriter

ROOT = Path(__file__).parent.parent


def corridor_line() -> np.ndarray:
    """A winding line of some 1,700 km, a point every 400 m or so."""
    at = np.linspace(0, 1, 4000)
    return np.column_stack([-5 + 14.4 * at + 0.25 * np.sin(40 * at), 30 + 6 * at + 0.4 * np.sin(25 * at)])


def _growth(work: Callable[[], object]) -> float:
    """Peak memory of `work` in MB, above what the process held before, in a child of its own."""
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    work()
    return (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024


def _corridor_growth() -> float:
    return _growth(lambda: cover_corridor([corridor_line()], 500.0, 18).pyramid(0))


TEN_MILLION = LonLatBox(5.0, 40.0, 39.75, 60.0)


def _box_growth() -> float:
    return _growth(lambda: cover_box(TEN_MILLION, 15).pyramid(0))


def timed(work: Callable[[], object], runs: int) -> list[float]:
    times = []
    for _ in range(runs):
        gc.collect()
        started = time.perf_counter()
        work()
        times.append(time.perf_counter() - started)
    return times


def bench_plan(report: Report, runs: int) -> None:

    report.head("(c) Planning")
    line = corridor_line()
    tiles = cover_corridor([line], 500.0, 18).pyramid(0)
    took = timed(lambda: cover_corridor([line], 500.0, 18).pyramid(0), runs)
    length = GEOD.line_length(line[:, 0], line[:, 1]) / 1000
    with ProcessPoolExecutor(1, get_context("spawn")) as pool:
        growth, box_growth = pool.submit(_corridor_growth).result(), 0.0
    with ProcessPoolExecutor(1, get_context("spawn")) as pool:
        box_growth = pool.submit(_box_growth).result()
    report.say(
        f"corridor of {length:,.0f} km, 500 m either side, zooms 0-18, {len(tiles):,} tiles: "
        f"{median_spread(took)} s; {growth:.0f} MB above imports"
    )
    box = cover_box(TEN_MILLION, 15).pyramid(0)
    took = timed(lambda: cover_box(TEN_MILLION, 15).pyramid(0), runs)
    started = time.perf_counter()
    plain = sum(1 for _ in mercantile.tiles(*TEN_MILLION, list(range(16))))
    loop = time.perf_counter() - started
    report.say(
        f"box of {len(box):,} tiles: {median_spread(took)} s, {statistics.median(took) / loop:.6f} of a plain loop "
        f"over mercantile.tiles ({loop:.1f} s for {plain:,} tiles); {box_growth:.0f} MB above imports"
    )


def fill_pack(folder: Path, count: int, body: Callable[[int], bytes], columns: int = 1000) -> Path:
    """A pack of `count` tiles at zoom 15, written through the store's own writer."""
    from packer.content.digest import body_hash
    from packer.geometry.grid import LonLatBox
    from packer.geometry.tileset import Tile
    from packer.store.records import Received

    labels = Labels(
        "aerial",
        "jpg",
        "Benchmark",
        "none",
        "own",
        "127.0.0.1",
        "0",
        LonLatBox(0, 0, 1, 1),
        (0, 0),
        12,
        "",
        "",
        "0",
    )
    pack = folder / "packs" / "aerial.mbtiles"

    async def go() -> None:
        async with PackWriter(pack, labels) as writer:
            for start in range(0, count, 1000):
                batch = []
                for i in range(start, min(start + 1000, count)):
                    data = body(i)
                    tile = Tile(15, 17000 + i % columns, 10000 + i // columns)
                    batch.append(Received(tile, data, body_hash(data), "jpg", 1_700_000_000))
                await writer.write(batch, len(batch))

    asyncio.run(go())
    return pack


def bench_verify(report: Report, runs: int, count: int) -> None:
    report.head(f"(d) Verify of {count:,} tiles, all cores, as a share of bare loops over the same bodies")
    compare(count, runs, report.say)


def half_in_order(columns: int, rows: int) -> Iterator[tuple[int, int]]:
    """What a stopped run leaves: half of the block, with every fiftieth tile still to come."""
    return ((c, r) for r in range(rows // 2) for c in range(columns) if (c + 7 * r) % 50)


def half_scattered(columns: int, rows: int) -> Iterator[tuple[int, int]]:
    """The worst there can be: every second tile, so that no two stored ones are neighbours."""
    return ((c, r) for r in range(rows) for c in range(r % 2, columns, 2))


def fill_half(folder: Path, places: Iterator[tuple[int, int]]) -> Path:
    """A pack that holds these tiles of a block at zoom 15, all with one body, by plain SQL for speed."""
    pack = fill_pack(folder, 1, jpeg_bodies(900))
    db = sqlite3.connect(pack, isolation_level=None)
    db.executescript(
        "PRAGMA synchronous = OFF; PRAGMA journal_mode = OFF; BEGIN; DELETE FROM snapshot; DELETE FROM placement;"
    )
    n = 1 << 15
    db.executemany(
        "INSERT INTO placement VALUES (15, ?, ?, 1, x'0000000000000000', 1700000000, NULL, NULL, NULL)",
        ((17000 + c, n - 1 - 10000 - r) for c, r in places),
    )
    db.execute("COMMIT")
    db.close()
    return pack


_FIRST_REQUEST = """
import sys, time
started = time.perf_counter()
import asyncio
from packer import Brief, plan
from packer.fetching.run import run_fetch
from packer.fetching.transports import Response

class Transport:
    def __call__(self, *a, **k): return self
    async def fetch(self, url, *a):
        if url.endswith("/robots.txt"):
            return Response(404, {"content-length": "0"}, b"")
        print(time.perf_counter() - started, flush=True)
        import os; os._exit(0)
    async def aclose(self): ...

brief = Brief.read(sys.argv[1])
asyncio.run(run_fetch(brief, plan(brief), make_transport=Transport()))
"""


def bench_scale(report: Report, runs: int, columns: int, rows: int) -> None:
    for what, places in (
        ("stored as a stopped run leaves it", half_in_order),
        ("stored, every second one", half_scattered),
    ):
        report.head(f"(e) A job of {columns * rows:,} tiles, half of them {what}")
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            fill_half(folder, places(columns, rows))
            brief = write_brief(folder, 9, 15, block(15, columns, rows), 8)
            report.say(
                f"from start to the first request, no short cut in the pack: {median_spread(_starts(brief, runs))} s"
            )
            subprocess.run(
                [*LASTBAR, "fetch", str(brief), "--give-up-after", "1s"], capture_output=True, check=False
            )
            report.say(
                f"the same once any run has ended in the pack: {median_spread(_starts(brief, runs))} s"
            )
            status = [run_measured([*LASTBAR, "status", str(brief)]) for _ in range(runs)]
            peak = max(s.peak_bytes for s in status) / 1e6
            report.say(f"status: {median_spread([s.wall_s for s in status])} s, {peak:.0f} MB")


def _starts(brief: Path, runs: int) -> list[float]:
    command = [sys.executable, "-c", _FIRST_REQUEST, str(brief)]
    return [
        float(subprocess.run(command, capture_output=True, text=True, check=True).stdout) for _ in range(runs)
    ]


def bench_memory(report: Report, sizes: Iterable[int]) -> None:
    report.head("(f) Peak memory by size of job, small bodies, 16 connections")
    peaks = []
    for count in sizes:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            folder.chmod(0o755)
            (folder / "root").mkdir()
            (folder / "root" / "one.jpg").write_bytes(jpeg_bodies(3_000)(0))
            with file_server(folder / "root", "try_files /one.jpg =404;") as port:
                brief = write_brief(folder, port, 15, block(15, 1000, count // 1000), 16)
                mine = run_measured([*LASTBAR, "fetch", str(brief)])
            assert mine.code == 0
            check_pack(folder, count)
            peaks.append(mine.peak_bytes)
            report.say(f"{count:,} tiles: {mine.peak_bytes / 1e6:.0f} MB, {count / mine.wall_s:,.0f} tiles/s")
    report.say(f"ratio {peaks[-1] / peaks[0]:.2f}")


def bench_start(report: Report, runs: int) -> None:
    report.head("(g) Start-up")
    for command in (["--help"], ["--version"]):
        took = [run_measured([*LASTBAR, *command]).wall_s for _ in range(runs)]
        report.say(f"lastbar {command[0]}: {median_spread(took)} s")
    bare = [run_measured([sys.executable, "-c", "pass"]).wall_s for _ in range(runs)]
    report.say(f"python doing nothing: {median_spread(bare)} s")


def bench_desk(report: Report, runs: int) -> None:
    report.head(
        "(h) The desk: its start, a change until its shapes and figures are there, an open page during a fetch"
    )
    for figure in measure_desk(runs):
        report.say(figure.text)


def bench_links(report: Report) -> None:
    report.head("(j) Share of a greedy client's tiles on modelled links, in virtual time")
    module = [sys.executable, "-m", "scripts.bench_links"]
    found = subprocess.run(
        module, check=True, capture_output=True, text=True, cwd=Path(__file__).parent.parent
    )
    for line in found.stdout.splitlines():
        report.say(line.strip())


def bench_all_fetches(report: Report, runs: int, *, quick: bool) -> None:
    bench_fetch(report, runs, 4_000 if quick else 30_000)
    bench_practice(report, runs, 40, 10 if quick else 40)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--only", default="acdefghij", help="letters of the parts to run; (b) goes with (a)")
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument(
        "--quick", action="store_true", help="small sizes, to see that it works; writes no document"
    )
    wanted = parser.parse_args()
    report, quick = Report(), wanted.quick
    parts: dict[str, Callable[[], None]] = {
        "a": lambda: bench_all_fetches(report, wanted.runs, quick=quick),
        "c": lambda: bench_plan(report, wanted.runs),
        "d": lambda: bench_verify(report, wanted.runs, 4_000 if quick else 100_000),
        "e": lambda: bench_scale(report, wanted.runs, 4000, 250 if quick else 2500),
        "f": lambda: bench_memory(report, (5_000, 20_000) if quick else (50_000, 1_000_000)),
        "g": lambda: bench_start(report, wanted.runs),
        "h": lambda: bench_desk(report, wanted.runs),
        "i": lambda: bench_equal_work(report, wanted.runs, 4_000 if quick else 30_000),
        "j": lambda: bench_links(report),
    }
    for letter in wanted.only:
        parts[letter]()
    if not quick and wanted.only == "acdefghij":
        (ROOT / "docs" / "benchmarks.md").write_text(heading() + "\n".join(report.lines) + "\n")


def heading() -> str:
    packages = ", ".join(f"{p} {version(p)}" for p in ("pyreqwest", "httpx", "numpy", "shapely", "pillow"))
    return (
        "# Benchmarks\n\n"
        f"Written by `scripts/bench` on {datetime.now(UTC):%Y-%m-%d}: Python {platform.python_version()}, SQLite "
        f"{sqlite3.sqlite_version}, {packages}; {os.cpu_count()} cores, {platform.machine()}. The machine is shared "
        "and noisy: read the ratios, which pair runs taken in turn. Figures are medians with the least and the "
        "greatest.\n"
    )


if __name__ == "__main__":
    main()
