#!/usr/bin/env python3
"""Share of a link whose rate the kernel limits, against curl over the same link.

    sudo python scripts/bench_rates.py [--runs 3]

Needs Linux, root, and the programs ip, tc, nginx and curl. nginx serves from a network namespace of its own, behind a
pair of virtual interfaces with a token bucket (tc-tbf) at each end. Both clients fetch the same tiles; curl writes
loose files, which it neither checks nor syncs. The start of lastbar, measured with nothing left to fetch, is taken off.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from bench_fetch import LASTBAR, block, check_pack, lay_out, write_brief
from neutral import NGINX_CONF, jpeg_bodies, median_spread, png_bodies, run_measured

COLUMNS, SIZE_BYTES = 200, 15_000
HERE, THERE, PORT = "10.213.77.1", "10.213.77.2", 8077
RATES = {20: 1_000, 100: 4_000, 300: 12_000, 1000: 16_000}
"""Mbit/s, and how many tiles to fetch at that rate."""


def run(*command: str) -> None:
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


@contextlib.contextmanager
def link(mbit: int, root: Path) -> Iterator[None]:
    """nginx over a folder behind a link of that rate; nothing of it is left afterwards."""
    space, near, far = f"rates{os.getpid()}", f"rn{os.getpid() % 100_000}", f"rf{os.getpid() % 100_000}"
    inside = ("ip", "netns", "exec", space)
    run("ip", "netns", "add", space)
    server = None
    try:
        run("ip", "link", "add", near, "type", "veth", "peer", "name", far)
        run("ip", "link", "set", far, "netns", space)
        run("ip", "addr", "add", f"{HERE}/24", "dev", near)
        run("ip", "link", "set", near, "up")
        run(*inside, "ip", "addr", "add", f"{THERE}/24", "dev", far)
        run(*inside, "ip", "link", "set", far, "up")
        bucket = ("tbf", "rate", f"{mbit}mbit", "burst", "256kb", "latency", "200ms")
        run("tc", "qdisc", "add", "dev", near, "root", *bucket)
        run(*inside, "tc", "qdisc", "add", "dev", far, "root", *bucket)
        with tempfile.TemporaryDirectory() as folder:
            conf = Path(folder) / "nginx.conf"
            conf.write_text(NGINX_CONF.format(folder=folder, host=THERE, port=PORT, root=root, location=""))
            Path(folder).chmod(0o755)
            nginx = shutil.which("nginx", path=os.environ["PATH"] + ":/usr/sbin") or "nginx"
            server = subprocess.Popen([*inside, nginx, "-c", str(conf)], stderr=subprocess.DEVNULL)
            time.sleep(1.0)
            yield
    finally:
        if server is not None:
            server.terminate()
            server.wait()
        subprocess.run(
            ["ip", "link", "del", near], check=False
        )  # the namespace alone takes a while to let go of it
        subprocess.run(["ip", "netns", "del", space], check=False)


def measure(folder: Path, mbit: int, ending: str, connections: int, runs: int) -> str:
    """Shares of the link of both, and their ratio, over runs in turn."""
    count = RATES[mbit]
    ours, theirs, ratios = [], [], []
    brief = write_brief(folder, PORT, 15, block(15, COLUMNS, count // COLUMNS), connections, ending)
    there = brief.read_text().replace("127.0.0.1", THERE)
    brief.write_text(f'contact = "bench@example.org"\n{there}')
    for _ in range(runs):
        place = Path(tempfile.mkdtemp(dir=folder))
        (place / "out").mkdir()
        (place / "urls").write_text(
            "".join(
                f'url = "http://{THERE}:{PORT}/15/{17000 + i % COLUMNS}/{10000 + i // COLUMNS}.{ending}"\n'
                f'output = "{place}/out/{i}"\n'
                for i in range(count)
            )
        )
        limits = ["--parallel", "--parallel-max", str(connections)]
        curl = run_measured(["curl", "-s", *limits, "-K", str(place / "urls")])
        assert sum(1 for _ in (place / "out").iterdir()) == count
        command = [*LASTBAR, "fetch", str(brief), "--store", str(place / "packs")]
        mine = run_measured(command)
        assert mine.code == 0
        check_pack(place, count)
        start_s = run_measured(command).wall_s
        bits = count * SIZE_BYTES * 8 / (mbit * 1e6)
        ours.append(bits / (mine.wall_s - start_s))
        theirs.append(bits / curl.wall_s)
        ratios.append(ours[-1] / theirs[-1])
        shutil.rmtree(place)
    return (
        f"{mbit} Mbit/s, {ending}, {connections} connections: {median_spread(ratios)} of curl's share; of the link "
        f"lastbar {median_spread(ours)}, curl {median_spread(theirs)} ({runs} runs)"
    )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--rates", type=int, nargs="*", default=list(RATES))
    parser.add_argument("--connections", type=int, nargs="*", default=[8, 16, 32])
    parser.add_argument("--endings", nargs="*", default=["png", "jpg"])
    wanted = parser.parse_args()
    if sys.platform != "linux" or os.geteuid() != 0:
        sys.exit("This benchmark makes network interfaces: it needs Linux and root.")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o755)
        for ending, bodies in (("png", png_bodies), ("jpg", jpeg_bodies)):
            if ending in wanted.endings:
                lay_out(folder / "root", max(RATES.values()), ending, bodies(SIZE_BYTES))
        for mbit in wanted.rates:
            with link(mbit, folder / "root"):
                for ending in wanted.endings:
                    for connections in wanted.connections:
                        print(measure(folder, mbit, ending, connections, wanted.runs), flush=True)


if __name__ == "__main__":
    main()
