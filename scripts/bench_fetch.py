"""How a fetch fares beside curl, beside plain programs that do the same work, and through latency.

Also what the other benchmarks share: briefs of a block of tiles, and lines for the terminal and the document alike.
"""

from __future__ import annotations

import os
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import mercantile
from neutral import (
    Ended,
    delayed,
    file_server,
    free_port,
    jpeg_bodies,
    lone_latency_s,
    median_spread,
    png_bodies,
    run_measured,
    wait_for,
)

__all__ = [
    "BRIEF",
    "LASTBAR",
    "Report",
    "bench_equal_work",
    "bench_fetch",
    "bench_practice",
    "block",
    "check_pack",
    "write_brief",
]

LASTBAR = [sys.executable, "-m", "packer"]

BRIEF = """
title = "Benchmark"
overview = false
[layers.aerial]
url = "http://127.0.0.1:{port}/{{z}}/{{x}}/{{y}}.{ending}"
attribution = "none"
permission = "Own files on this machine"
zooms = [{zoom}, {zoom}]
connections = {connections}
requests-per-second = 100000
[[areas]]
name = "block"
box = [{box}]
deepest = {zoom}
"""


class Report:
    """Lines for the terminal and the document alike."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def head(self, text: str) -> None:
        self.lines += ["", f"## {text}", ""]
        print(f"\n{text}", flush=True)

    def say(self, text: str) -> None:
        self.lines.append(f"- {text}")
        print(f"  {text}", flush=True)


def block(zoom: int, columns: int, rows: int) -> str:
    """The box of just so many tiles, as the brief writes it."""
    away = 15 - min(zoom, 15)
    return block_at(zoom, 17000 >> away, 10000 >> away, columns, rows)


def block_at(zoom: int, first: int, top: int, columns: int, rows: int) -> str:
    """As `block`, from a tile given by column and row."""
    nw = mercantile.bounds(first, top, zoom)
    se = mercantile.bounds(first + columns - 1, top + rows - 1, zoom)
    return ", ".join(f"{v:.12f}" for v in (nw.west, se.south, se.east, nw.north))


def write_brief(folder: Path, port: int, zoom: int, box: str, connections: int, ending: str = "jpg") -> Path:
    path = folder / "brief.toml"
    path.write_text(BRIEF.format(port=port, zoom=zoom, box=box, connections=connections, ending=ending))
    return path


_EQUAL_WORK = Path(__file__).parent / "equal_work.py"
_COLUMNS = 200


def lay_out(root: Path, count: int, ending: str, body: Callable[[int], bytes]) -> list[tuple[int, int, int]]:
    """Write the files of so many tiles of zoom 15 below a server's root, row by row, and list them."""
    tiles = [(15, 17000 + i % _COLUMNS, 10000 + i // _COLUMNS) for i in range(count)]
    for number, (z, x, y) in enumerate(tiles):
        place = root / str(z) / str(x)
        place.mkdir(parents=True, exist_ok=True)
        (place / f"{y}.{ending}").write_bytes(body(number))
    return tiles


def bench_fetch(report: Report, runs: int, count: int) -> None:
    report.head(f"(a) Fetch of {count:,} tiles of 15 KB from nginx on loopback, against curl --parallel")
    with tempfile.TemporaryDirectory() as name:  # one for all: see `_fetch_against_curl`
        for ending, bodies in (("png", png_bodies), ("jpg", jpeg_bodies)):
            folder = Path(name) / ending
            tiles = lay_out(folder / "root", count, ending, bodies(15_000))
            Path(name).chmod(0o755)
            with file_server(folder / "root") as port:
                for connections in (16, 32):
                    _fetch_against_curl(report, folder, port, tiles, _COLUMNS, connections, ending, runs)
                if ending == "jpg":
                    report.head("(b) Fetch through 50 ms of latency, JPEG")
                    for connections in (16, 32):
                        _fetch_latency(report, folder, port, tiles, _COLUMNS, connections)


def bench_practice(report: Report, runs: int, columns: int, rows: int) -> None:
    report.head("(a) Fetch from the practice server, which draws each tile, 16 connections")
    with tempfile.TemporaryDirectory() as name:
        folder, port = Path(name), free_port()
        server = subprocess.Popen(
            [sys.executable, "-m", "packer", "practice", "--port", str(port)], stdout=subprocess.DEVNULL
        )
        try:
            wait_for(port)
            brief = write_brief(folder, port, 16, block_at(16, 35030, 23000, columns, rows), 16)
            brief.write_text(brief.read_text().replace("/{z}", "/aerial/{z}", 1))
            ended = []
            for _ in range(runs):
                subprocess.run(["rm", "-rf", str(folder / "packs")], check=True)
                ended.append(run_measured([*LASTBAR, "fetch", str(brief)]))
                assert ended[-1].code == 0
                stored = _stored(folder)  # the invented place has gaps
        finally:
            server.terminate()
            server.wait()
    rates, peak = [stored / e.wall_s for e in ended], max(e.peak_bytes for e in ended)
    report.say(
        f"{stored:,} tiles of {columns * rows:,} planned: {median_spread(rates)} tiles/s, as fast as it draws "
        f"them; peak memory {peak / 1e6:.0f} MB ({runs} runs)"
    )


def _fetch_against_curl(
    report: Report,
    folder: Path,
    port: int,
    tiles: list[tuple[int, int, int]],
    columns: int,
    connections: int,
    ending: str,
    runs: int,
) -> None:
    """Each run starts with nothing left to be written from the one before, and has folders of its own, that stay:
    ext4 passes over each file that was removed a moment ago when it looks for a place for a new one, which made
    curl up to five times slower (seen by perf)."""
    brief = write_brief(folder, port, 15, block(15, columns, len(tiles) // columns), connections, ending)
    ours, theirs, ratios, synced, peak = [], [], [], [], 0
    for _ in range(runs):
        place = Path(tempfile.mkdtemp(dir=folder))
        urls = _curl_list(place, port, tiles, ending)
        os.sync()
        curl = run_measured(["curl", "-s", "--parallel", "--parallel-max", str(connections), "-K", str(urls)])
        started = time.perf_counter()
        os.sync()
        curl_synced_s = curl.wall_s + time.perf_counter() - started
        assert sum(1 for _ in (place / "out").iterdir()) == len(tiles)
        mine = run_measured([*LASTBAR, "fetch", str(brief), "--store", str(place / "packs")])
        assert mine.code == 0
        check_pack(place, len(tiles))
        ours.append(len(tiles) / mine.wall_s)
        theirs.append(len(tiles) / curl.wall_s)
        ratios.append(mine.wall_s / curl.wall_s)
        synced.append(mine.wall_s / curl_synced_s)
        peak = max(peak, mine.peak_bytes)
    report.say(
        f"{ending}, {connections} connections: wall time {median_spread(ratios)} times curl's, "
        f"{median_spread(synced)} times that of curl and a sync, as each of our commits has one; "
        f"lastbar {median_spread(ours)} tiles/s, curl {median_spread(theirs)} tiles/s; "
        f"peak memory {peak / 1e6:.0f} MB ({runs} runs each, start-up included)"
    )


def _stored(folder: Path) -> int:
    return _count(folder / "packs" / "aerial.mbtiles", "tiles")


def _count(file: Path, table: str) -> int:
    db = sqlite3.connect(file)
    count = int(db.execute(f"SELECT count(*) FROM {table}").fetchone()[0])
    db.close()
    return count


def check_pack(folder: Path, count: int) -> None:
    assert _stored(folder) == count


def _fetch_latency(
    report: Report, folder: Path, port: int, tiles: list[tuple[int, int, int]], columns: int, connections: int
) -> None:
    subprocess.run(["rm", "-rf", str(folder / "packs")], check=True)
    rows = min(25 * connections // 16, len(tiles) // columns)
    count = columns * rows
    with delayed(port, 0.05) as slow:
        z, x, y = tiles[0]
        latency = lone_latency_s(slow, f"/{z}/{x}/{y}.jpg")
        urls = _curl_list(Path(tempfile.mkdtemp(dir=folder)), slow, tiles[:count])
        curl = run_measured(["curl", "-s", "--parallel", "--parallel-max", str(connections), "-K", str(urls)])
        brief = write_brief(folder, slow, 15, block(15, columns, rows), connections)
        mine = run_measured([*LASTBAR, "fetch", str(brief)])
        started = run_measured([*LASTBAR, "fetch", str(brief)]).wall_s  # with nothing left to fetch
    assert mine.code == 0
    rate, theirs = count / (mine.wall_s - started), count / curl.wall_s
    bound = connections / latency
    report.say(
        f"{connections} connections, {count:,} tiles: {rate:.0f} tiles/s, {rate / bound:.3f} of connections ÷ latency "
        f"({bound:.0f}/s, with the {1000 * latency:.1f} ms that a lone request takes); start-up of {started:.2f} s "
        f"taken off; curl {theirs:.0f}/s, {theirs / bound:.3f}"
    )


def _curl_list(folder: Path, port: int, tiles: list[tuple[int, int, int]], ending: str = "jpg") -> Path:
    """A configuration that has curl write each tile to a file of its own in a new folder "out"."""
    (folder / "out").mkdir()
    urls = folder / "urls"
    urls.write_text(
        "".join(
            f'url = "http://127.0.0.1:{port}/{z}/{x}/{y}.{ending}"\noutput = "{folder}/out/{x}-{y}"\n'
            for z, x, y in tiles
        )
    )
    return urls


_EQUAL = {
    "script": "a plain script over the same client",
    "curl": "curl and a pool that checks, hashes and commits",
}


def bench_equal_work(report: Report, runs: int, count: int) -> None:
    """Against `equal_work.py`: programs that check, hash and commit as well, but do nothing else of a fetch."""
    report.head(
        f"(i) Fetch of {count:,} tiles of 15 KB from nginx on loopback, against plain programs of equal work"
    )
    with tempfile.TemporaryDirectory() as name:
        for ending, bodies in (("png", png_bodies), ("jpg", jpeg_bodies)):
            folder = Path(name) / ending
            tiles = lay_out(folder / "root", count, ending, bodies(15_000))
            Path(name).chmod(0o755)
            with file_server(folder / "root") as port:
                for connections in (16, 32):
                    _against_equal_work(report, folder, port, len(tiles), connections, ending, runs)


def _against_equal_work(
    report: Report, folder: Path, port: int, count: int, connections: int, ending: str, runs: int
) -> None:
    brief = write_brief(folder, port, 15, block(15, _COLUMNS, count // _COLUMNS), connections, ending)
    ours: list[Ended] = []
    theirs: dict[str, list[Ended]] = {how: [] for how in _EQUAL}
    for _ in range(runs):
        place = Path(tempfile.mkdtemp(dir=folder))
        for how, ended in theirs.items():
            os.sync()
            asked = [how, str(place), str(port), str(count), str(connections), ending]
            ended.append(run_measured([sys.executable, str(_EQUAL_WORK), *asked]))
            assert ended[-1].code == 0
            assert _count(place / f"{how}.mbtiles", "placement") == count
        os.sync()
        ours.append(run_measured([*LASTBAR, "fetch", str(brief), "--store", str(place / "packs")]))
        assert ours[-1].code == 0
        check_pack(place, count)
    mine_us = statistics.median(e.cpu_s for e in ours) / count * 1e6
    for how, ended in theirs.items():
        wall = median_spread([a.wall_s / b.wall_s for a, b in zip(ours, ended, strict=True)])
        cpu = median_spread([a.cpu_s / b.cpu_s for a, b in zip(ours, ended, strict=True)])
        their_us = statistics.median(e.cpu_s for e in ended) / count * 1e6
        report.say(
            f"{ending}, {connections} connections: wall time {wall}, processor time {cpu} times that of {_EQUAL[how]}; "
            f"{mine_us:.0f} µs of processor time a tile, theirs {their_us:.0f} ({runs} runs)"
        )
