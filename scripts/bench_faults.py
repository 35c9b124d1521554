"""How a fetch bears faults and slow links: prints each line as it comes and writes docs/faults.md.

(f) every fault of the test's table: what was stored, what it cost      (c) the caps, seen from the server
(l) how much of a slow link is used for tiles                           (u) what a fetch that is cut short is worth
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from bench_fetch import BRIEF, Report, block
from neutral import median_spread

from packer.fetching.order import in_order
from packer.fetching.transports import TransportName
from packer.geometry.tileset import TileSet
from scripts.usefulness import best_order, curve, example, worth_of_tiles
from tests.test_faults import FAULTS, Fault, run_fault

ROOT = Path(__file__).parent.parent


class Table(Report):
    """A report with rows of tables."""

    def row(self, *cells: str) -> None:
        """One row of a Markdown table."""
        if cells[0] != "---":
            print("  " + cells[0].ljust(50), *(cell.rjust(9) for cell in cells[1:]), flush=True)
        elif self.lines[-2:-1] != [""]:
            self.lines.insert(-1, "")
        self.lines.append(f"| {' | '.join(cells)} |")


_EARLY = 8  # of the 400 steps of a curve: before, tiles of the first zooms are all that came
LASTBAR = [sys.executable, "-m", "packer"]


def bench_faults(report: Table, runs: int, transport: TransportName | None) -> None:
    on = f", on {transport}" if transport else ""
    report.head(f"(f) {len(FAULTS)} faults on a fetch of a small plan{on}, {runs} runs each")
    plain = statistics.median(_one(Fault("none", ""), transport).seconds for _ in range(max(runs, 3)))
    report.row("fault", "right", "wrong", "lost", "gaps", "extra requests", "time / time without")
    report.row("---", "--:", "--:", "--:", "--:", "--:", "--:")
    faulty = 0
    for fault in FAULTS:
        results = [_one(fault, transport) for _ in range(runs)]
        worst = min(results, key=lambda r: r.right)
        faulty += not all(r.perfect and not r.report.total("failed") for r in results)
        report.row(
            fault.name,
            f"{worst.right} of {worst.planned}",
            str(max(r.wrong for r in results)),
            str(max(r.lost for r in results)),
            str(max(r.absent for r in results)),
            f"{statistics.median(r.extra for r in results):.0f}",
            f"{statistics.median(r.seconds for r in results) / plain:.1f}",
        )
    report.say(f"faults after which the pack was not the same tile for tile: {faulty} of {len(FAULTS)}")
    report.say(f"time without a fault: {plain:.1f} s on the compressed clock")


def _one(fault: Fault, transport: TransportName | None) -> Any:
    with tempfile.TemporaryDirectory() as name:
        return run_fault(fault, Path(name), transport=transport)


# ---------------------------------------------------------------------------------------------- slow links

# The faulty server runs in a process of its own, so that it does not take the fetch's time.
_SERVER = """
import json, sys
sys.path[:0] = ["scripts", "."]
from neutral import jpeg_bodies
from tests.support.fault_proxy import FaultProxy
body = jpeg_bodies(int(sys.argv[2]))
async def handler(target, asked):
    if target == "/robots.txt":
        return 404, {"Content-Type": "text/plain"}, b"none\\n"
    z, x, y = target.removesuffix(".jpg").split("/")[-3:]
    return 200, {"Content-Type": "image/jpeg"}, body(int(x) * 100_000 + int(y))
with FaultProxy(handler, sys.argv[1]) as proxy:
    print(proxy.port, flush=True)
    sys.stdin.read()
    print(json.dumps({**proxy.counts.to_dict(), "starts": proxy.counts.starts_s}))
"""


@contextmanager
def link(script: str, size_bytes: int) -> Iterator[tuple[int, dict[str, Any]]]:
    """A server behind an emulated link; gives its port, and its counts once the block has ended."""
    command = [sys.executable, "-c", _SERVER, script, str(size_bytes)]
    server = subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT, env={**os.environ}
    )
    assert server.stdin is not None
    assert server.stdout is not None
    counts: dict[str, Any] = {}
    try:
        yield int(server.stdout.readline()), counts
    finally:
        server.stdin.close()
        counts |= json.loads(server.stdout.readline() or "{}")
        server.wait()


def _fetch(port: int, columns: int, rows: int, connections: int, rate: float = 100_000) -> dict[str, Any]:
    with tempfile.TemporaryDirectory() as name:
        brief = Path(name) / "brief.toml"
        text = BRIEF.format(
            port=port, zoom=15, box=block(15, columns, rows), connections=connections, ending="jpg"
        )
        text = text.replace("/{z}/", "/aerial/{z}/")  # a path that the faulty server takes for a tile's
        brief.write_text(text.replace("requests-per-second = 100000", f"requests-per-second = {rate:g}"))
        done = subprocess.run(
            [*LASTBAR, "fetch", str(brief), "--json"], capture_output=True, text=True, check=False
        )
        told: dict[str, Any] = json.loads(done.stdout)
        assert told["complete"], done.stderr
        return told


def bench_links(report: Table, runs: int, *, quick: bool) -> None:
    report.head("(l) Bytes of tiles over what the link could have carried in the time of the whole run")
    mixed = "share:0.5%:503 share:0.5%:short share:0.5%:reset share:0.5%:html-as-image"
    for words, rate, connections, size, tiles in (
        (f"slow:150ms rate:4Mbit {mixed}", 4e6, 8, 15_000, 400 if quick else 1600),
        ("slow:150ms rate:4Mbit share:2%:503", 4e6, 8, 15_000, 400 if quick else 1600),
        ("slow:80ms rate:1Mbit", 1e6, 8, 15_000, 200 if quick else 400),
        ("slow:30ms rate:100Mbit", 100e6, 16, 40_000, 1000 if quick else 6000),
        ("slow:30ms rate:100Mbit", 100e6, 16, 15_000, 1000 if quick else 6000),
    ):
        used, slow = [], 0.0
        for _ in range(runs):
            with link(words, size) as (port, counts):
                told = _fetch(port, 40, tiles // 40, connections)
            used.append(told["bytes"] * 8 / rate / told["seconds"])
            slow = max(slow, told["requests"] / told["stored"] - 1)
            assert counts["most_requests"] <= connections
        # One request at a time on each connection: that many bodies a round trip is all there can be.
        bound = min(
            1.0, connections * size * 8 / (float(words[5:].split("ms")[0]) / 1000 + size * 8 / rate) / rate
        )
        report.say(
            f"{words}; {connections} connections, {tiles:,} tiles of {size // 1000} KB: {median_spread(used)}"
            + (f", of {bound:.2f} possible without pipelining" if bound < 0.99 else "")
            + f"; {slow:.1%} more requests than tiles"
        )


def bench_caps(report: Table) -> None:
    report.head("(c) Caps, as the server counted")
    for connections, rate, script in (
        (3, 40.0, "slow:200ms"),
        (8, 25.0, "slow:600ms share:10%:503 share:10%:reset"),
        (16, 200.0, "slow:150ms"),
        (8, 60.0, ""),
        (8, 12.0, "slow:100ms share:10%:503 share:10%:reset"),
        (2, 5.5, "slow:700ms"),
    ):
        with link(script, 3000) as (port, counts):
            _fetch(port, 20, max(5, int(rate / 2)), connections, rate)
        starts = sorted(counts["starts"])
        whole = max(1, int(rate))
        busiest = max(
            sum(1 for s in starts[i : i + 2 * whole] if s < t + whole / rate) for i, t in enumerate(starts)
        )
        report.say(
            f"{connections} connections, {rate:g} a second, {script or 'no fault'}: at most "
            f"{counts['most_connections']} connections, {counts['most_requests']} requests at once, {busiest} "
            f"in any {whole / rate:.2g} s; on average {len(starts) / (starts[-1] - starts[0]):.1f} a second"
        )


# ---------------------------------------------------------------------------------------------- usefulness


def bench_usefulness(report: Table) -> None:
    report.head("(u) A fetch cut short: what the pack is worth, beside the best order")
    report.say(
        "A course of 200 km, a camp, a hut and the overview; each zoom of an area from 8 on is worth the same (see "
        "scripts/usefulness.py)."
    )
    report.say("The best order takes the tile next that adds most for its bytes.")
    shares = (0.02, 0.05, 0.10, 0.25, 0.50, 0.75)
    report.row("corridor and order", *(f"{share:.0%} of bytes" for share in shares), "mean")
    report.row("---", *(["--:"] * (len(shares) + 1)))
    ratios = []
    for half_width in (300.0, 1000.0):
        areas, shapes = example(half_width)
        every = TileSet.union(a.tiles for a in areas)
        worth = worth_of_tiles(areas, shapes)
        by_place = sorted(every, key=lambda t: (t.y / 2**t.zoom, t.x / 2**t.zoom))
        curves = {
            "as fetched": curve(in_order(areas, shapes, every), worth),
            "the best order": curve(best_order(worth), worth),
            "zoom by zoom, row by row": curve(every, worth),
            "place by place, all zooms": curve(by_place, worth),
        }
        for name, found in curves.items():
            at = [f"{found[int(share * (len(found) - 1))]:.3f}" for share in shares]
            report.row(f"{half_width:.0f} m, {len(every):,} tiles, {name}", *at, f"{found.mean():.3f}")
        ours, best = curves["as fetched"], curves["the best order"]
        ratios.append(
            f"{half_width:.0f} m: as fetched over best, mean {ours.mean() / best.mean():.3f}, "
            f"least from 2 % of the bytes on {(ours[_EARLY:] / best[_EARLY:]).min():.3f}"
        )
    for text in ratios:
        report.say(text)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--only", default="fcul", help="letters of the parts to run")
    parser.add_argument("--transport", choices=["pyreqwest", "httpx"], help="play the faults (f) on this one")
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--quick", action="store_true", help="one short run of each; writes no document")
    wanted = parser.parse_args()
    report = Table()
    runs = 1 if wanted.quick else wanted.runs
    parts: Mapping[str, Callable[[], None]] = {
        "f": lambda: bench_faults(report, runs, wanted.transport),
        "c": lambda: bench_caps(report),
        "l": lambda: bench_links(report, runs, quick=wanted.quick),
        "u": lambda: bench_usefulness(report),
    }
    for letter in wanted.only:
        parts[letter]()
    if not wanted.quick and wanted.only == "fcul":
        (ROOT / "docs" / "faults.md").write_text(_heading() + "\n".join(report.lines) + "\n")


def _heading() -> str:
    return (
        "# Faults and slow links\n\n"
        f"Written by `scripts/bench-faults` on {datetime.now(UTC):%Y-%m-%d}: Python {platform.python_version()}, "
        f"{os.cpu_count()} cores, {platform.machine()}. The links are emulated on loopback; time in (f) is "
        "compressed. Figures are medians with the least and the greatest.\n"
    )


if __name__ == "__main__":
    main()
