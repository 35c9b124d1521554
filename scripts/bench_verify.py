"""Verify against bare loops over the same bodies, on all cores, in turns within one run.

    python scripts/bench_verify.py [--tiles 40000] [--runs 5]

The bare loops open the pack, read each body and hash it, or decode it with Pillow or with simplejpeg, and do
nothing else; they share the bodies out to processes, which start within the time that counts, as the workers of
verify do. Ratios are bare time over verify's time: 1 means that all the rest costs nothing.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import io
import os
import random
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

from PIL import Image

from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.proof.proving import verify
from packer.proof.results import Depth


def hash_loop(pack: str, first: int, last: int) -> int:
    """Read and hash; returns the number of bodies."""
    db = sqlite3.connect(f"file:{pack}?mode=ro", uri=True)
    count = 0
    for (data,) in db.execute("SELECT data FROM blob WHERE id BETWEEN ? AND ?", (first, last)):
        hashlib.sha256(data).digest()
        count += 1
    db.close()
    return count


def pillow_loop(pack: str, first: int, last: int) -> int:
    """Read and decode with Pillow; returns the number of bodies."""
    db = sqlite3.connect(f"file:{pack}?mode=ro", uri=True)
    count = 0
    for (data,) in db.execute("SELECT data FROM blob WHERE id BETWEEN ? AND ?", (first, last)):
        Image.open(io.BytesIO(data)).load()
        count += 1
    db.close()
    return count


def simplejpeg_loop(pack: str, first: int, last: int) -> int:
    """Read and decode with simplejpeg; returns the number of bodies."""
    import simplejpeg

    db = sqlite3.connect(f"file:{pack}?mode=ro", uri=True)
    count = 0
    for (data,) in db.execute("SELECT data FROM blob WHERE id BETWEEN ? AND ?", (first, last)):
        simplejpeg.decode_jpeg(data)
        count += 1
    db.close()
    return count


def bare(loop: Callable[[str, int, int], int], pack: Path, count: int) -> float:
    """Seconds of a bare loop on all cores."""
    many = os.cpu_count() or 1
    started = time.perf_counter()
    with ProcessPoolExecutor(many, get_context("spawn")) as pool:
        step = -(-count // (many * 16))
        parts = [pool.submit(loop, str(pack), i + 1, min(i + step, count)) for i in range(0, count, step)]
        assert sum(part.result() for part in parts) == count
    return time.perf_counter() - started


def spread(values: list[float]) -> str:
    """Median, and the least and greatest."""
    return f"{statistics.median(values):.2f} ({min(values):.2f} to {max(values):.2f})"


def timed(work: Callable[[], object]) -> float:
    """Seconds."""
    started = time.perf_counter()
    work()
    return time.perf_counter() - started


def photographs(say: Callable[[str], None]) -> Callable[[int], bytes]:
    """Makes photograph-like JPEG tiles of 256 px and some 15 kB, each different by a comment."""
    chance, made = random.Random(2), []
    for _ in range(64):
        coarse = Image.frombytes("RGB", (32, 32), chance.randbytes(32 * 32 * 3)).resize((256, 256), 3)
        noise = Image.effect_noise((256, 256), 22).convert("RGB")
        out = io.BytesIO()
        Image.blend(coarse, noise, 0.35).save(out, "JPEG", quality=80)
        made.append(out.getvalue())
    say(f"mean body {sum(map(len, made)) / len(made):,.0f} bytes")

    def body(number: int) -> bytes:
        whole, told = made[number % 64], str(number).encode()
        return whole[:2] + b"\xff\xfe" + (len(told) + 2).to_bytes(2, "big") + told + whole[2:]

    return body


def compare(tiles: int, runs: int, say: Callable[[str], None]) -> None:
    """Run every comparison on a pack of so many tiles, in thousands, and say a line for each."""
    from bench_all import fill_pack
    from bench_fetch import block, write_brief

    with tempfile.TemporaryDirectory() as name:
        folder, count = Path(name), tiles // 1000 * 1000
        pack = fill_pack(folder, count, photographs(say))
        with contextlib.closing(sqlite3.connect(pack)) as db, db:
            db.execute("UPDATE placement SET fetched = ?", (int(time.time()),))  # as of a pack in use
        brief = Brief.read(write_brief(folder, 9, 15, block(15, 1000, count // 1000), 8))
        worked_out = plan(brief)
        size_mb, load = pack.stat().st_size / 1e6, os.getloadavg()[0]
        say(f"{count:,} tiles, {size_mb:,.0f} MB, {os.cpu_count()} cores, load {load:.1f}")

        def ours(depth: Depth) -> float:
            def work() -> None:
                assert verify(brief, worked_out, depth=depth).ready

            return timed(work)

        for depth, loops in (
            (Depth.HASH, {"hashing": hash_loop}),
            (Depth.FULL, {"decoding with Pillow": pillow_loop, "decoding with simplejpeg": simplejpeg_loop}),
        ):
            mine: list[float] = []
            theirs: dict[str, list[float]] = {said: [] for said in loops}
            for _ in range(runs):
                for said, loop in loops.items():
                    theirs[said].append(bare(loop, pack, count))
                mine.append(ours(depth))
            say(f"{depth.value}: {count / statistics.median(mine):,.0f} tiles/s")
            for said, took in theirs.items():
                ratios = [a / b for a, b in zip(took, mine, strict=True)]
                say(
                    f"{depth.value}: {spread(ratios)} of bare {said}, {count / statistics.median(took):,.0f}/s"
                )
        quick = [ours(Depth.QUICK) for _ in range(runs)]
        say(f"quick: {spread(quick)} s")
        command = [sys.executable, "-m", "packer", "verify", str(brief.path)]
        for extra in ([], ["--quick"], ["--full"]):
            took = []
            for _ in range(runs):
                done = 0

                def work(extra: list[str] = extra) -> None:
                    nonlocal done
                    done = subprocess.run([*command, *extra], capture_output=True, check=False).returncode

                took.append(timed(work))
            if done == 0:
                say(f"the whole command verify {' '.join(extra)}: {spread(took)} s")


def main() -> None:
    """Compare, and print the lines."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--tiles", type=int, default=40_000)
    options.add_argument("--runs", type=int, default=5)
    chosen = options.parse_args()
    compare(chosen.tiles, chosen.runs, print)


if __name__ == "__main__":
    main()
