"""Fetching with hands, on this machine alone: how much several uplinks give, and what kills cost.

    scripts/bench-hands                   # all of it
    scripts/bench-hands links             # three hands behind three uplinks of 4 Mbit/s, and of 4, 4 and 1
    scripts/bench-hands kills --kills 30  # killed, frozen and cut off at random; both ledgers
    scripts/bench-hands loopback          # one hand here beside this machine alone, without any link
    scripts/bench-hands writer            # what the planning machine takes of a hand that has every tile at once

An uplink is a proxy that a hand has to go through (HTTP_PROXY): it hands answers over as a link of that rate would.
Tiles have 15 KB. The server keeps a ledger of every request: when it came, and how many were being answered.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import random
import signal
import sqlite3
import struct
import subprocess
import sys
import tempfile
import threading
import time
import zlib
from bisect import bisect_left
from collections import Counter
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from urllib.parse import urlsplit

from packer.common.clock import SystemClock
from packer.content.digest import body_hash
from packer.fetching.hands.channel import open_channel
from packer.fetching.hands.host import Hands
from packer.fetching.hands.join_code import JoinCode, hand_context
from packer.fetching.reports import FetchReport, LayerProgress, Options
from packer.fetching.run import run_fetch
from packer.geometry.tileset import Tile
from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.version import __version__
from tests.support.fault_script import Link
from tests.support.lease_ledger import LeaseLedger, recorded_leases
from tests.support.link import SharedLink
from tests.tile_server import TileServer, answer, png

TILE_BYTES = 15_000
MBIT = 1e6
_ON_THE_WAY_S = 0.5  # of a request, until this server's thread has written it down
_AT_WORK = 20  # tiles from a hand, after which its link is full
BRIEF = """
title = "Hands"
overview = false
[layers.survey]
url = "{url}"
attribution = "none"
permission = "A benchmark"
zooms = [0, 19]
connections = {connections}
requests-per-second = {rate}
[[areas]]
name = "block"
box = [12.0, 47.0, {east}, 47.2]
deepest = 15
"""


class Ledger(TileServer):
    """A server of tiles of 15 KB, which notes when each request came."""

    def __init__(self) -> None:
        super().__init__(self._tile, delay_s=0.01)
        self.arrivals: list[float] = []
        self.requests: list[tuple[float, Tile]] = []
        rng = random.Random(1)
        self._noise = rng.randbytes(TILE_BYTES - 200)

    async def _answer(self, head: str, writer: asyncio.StreamWriter) -> None:
        path, now = head.split()[1], time.monotonic()
        self.arrivals.append(now)
        if path.startswith("/survey/"):
            numbers = path.removeprefix("/survey/").removesuffix(".png").split("/")
            self.requests.append((now, Tile(*map(int, numbers))))
        await super()._answer(head, writer)

    def _tile(self, path: str) -> bytes | None:
        if not path.startswith("/survey/"):
            return None
        return answer("200 OK", self.body(path))

    def body(self, path: str) -> bytes:
        """A PNG of its own for each path, with noise in a chunk that means nothing."""
        return body_of(path, self._noise)

    def most_in_a_second(self) -> int:
        """The most requests that came within any second."""
        times = sorted(self.arrivals)
        return max((i + 1 - bisect_left(times, t - 1.0) for i, t in enumerate(times)), default=0)

    def twice(self) -> int:
        """How many requests were for a tile that had been asked for before."""
        return sum(n - 1 for n in self.tiles_asked.values())


class Uplink:
    """A proxy behind which all answers share one link. It runs in the loop of a thread of its own."""

    def __init__(self, rate_bits: float, delay_s: float = 0.03) -> None:
        self._link = Link(delay_s, rate_bits)
        self._loop = asyncio.new_event_loop()
        self._ready = threading.Event()
        self.port = 0

    def __enter__(self) -> Uplink:
        threading.Thread(target=self._run, daemon=True).start()
        self._ready.wait(10)
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._loop.stop)

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._shared = SharedLink(self._link, SystemClock())
        server = self._loop.run_until_complete(asyncio.start_server(self._accept, "127.0.0.1", 0))
        self.port = server.sockets[0].getsockname()[1]
        self._ready.set()
        self._loop.run_forever()

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        behind: asyncio.StreamWriter | None = None
        with contextlib.suppress(OSError, asyncio.IncompleteReadError):
            while True:
                head = await reader.readuntil(b"\r\n\r\n")
                method, target, rest = head.split(b" ", 2)
                parts = urlsplit(target.decode())
                if behind is None:
                    answers, behind = await asyncio.open_connection(parts.hostname, parts.port)
                behind.write(b" ".join((method, parts.path.encode(), rest)))
                found = await answers.readuntil(b"\r\n\r\n")
                length = next(
                    int(line[15:])
                    for line in found.split(b"\r\n")
                    if line.lower().startswith(b"content-length:")
                )
                await self._hand_over(found + await answers.readexactly(length), writer)
        for stream in (writer, behind):
            if stream is not None:
                stream.close()

    async def _hand_over(self, data: bytes, writer: asyncio.StreamWriter) -> None:
        ready = time.monotonic() + self._shared.delay_s
        for start in range(0, len(data), self._shared.burst_bytes):
            burst = data[start : start + self._shared.burst_bytes]
            through = self._shared.book(len(burst), ready)
            for part, moment in self._shared.arrivals(len(burst), through):
                await self._shared.until(moment)
                writer.write(burst[part])
        await writer.drain()


@dataclass
class Run:
    """A run with hands: the code by which they join, and what came when."""

    task: asyncio.Task[FetchReport]
    code: asyncio.Future[str]
    stored: list[tuple[float, int]] = field(default_factory=list)
    all_at_work: list[float] = field(default_factory=list)

    async def until(self, tiles: int) -> None:
        while not self.task.done() and (not self.stored or self.stored[-1][1] < tiles):  # noqa: ASYNC110
            await asyncio.sleep(0.02)

    def pace(self) -> float:
        """Tiles a second from when every hand is at work, and a tenth is there, until nine tenths are."""
        whole, began = self.stored[-1][1], min(self.all_at_work, default=0.0)
        first = next(mark for mark in self.stored if mark[1] >= whole * 0.1 and mark[0] >= began)
        last = next(mark for mark in self.stored if mark[1] >= whole * 0.9)
        return (last[1] - first[1]) / (last[0] - first[0])


@asynccontextmanager
async def running(brief: Brief, hands: int) -> AsyncIterator[Run]:
    code: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    marks: list[tuple[float, int]] = []
    all_at_work: list[float] = []

    def note(layers: list[LayerProgress]) -> None:
        marks.append((time.monotonic(), sum(la.counts.stored for la in layers)))
        if sum(hand.tiles >= _AT_WORK for hand in layers[0].hands or ()) >= hands:
            all_at_work.append(time.monotonic())

    run = run_fetch(brief, plan(brief), on_progress=note, hands=Hands(0, "127.0.0.1", code.set_result))
    task = asyncio.create_task(run)
    try:
        yield Run(task, code, marks, all_at_work)
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


def start_hand(code: str, name: str, uplink: Uplink | None = None) -> subprocess.Popen[bytes]:
    environment = dict(os.environ)
    if uplink is not None:
        environment |= {"HTTP_PROXY": f"http://127.0.0.1:{uplink.port}", "NO_PROXY": ""}
    command = [sys.executable, "-m", "packer", "hand", code, "--name", name]
    return subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


@contextlib.contextmanager
def folder_of(server: Ledger, connections: int, rate: int, east: float) -> Iterator[Brief]:
    with tempfile.TemporaryDirectory() as folder:
        os.environ["XDG_STATE_HOME"] = f"{folder}/state"
        path = Path(folder, "brief.toml")
        path.write_text(
            BRIEF.format(url=server.url, connections=connections, rate=rate, east=east), encoding="utf-8"
        )
        yield Brief.read(path)


def end(processes: Sequence[subprocess.Popen[bytes]]) -> None:
    for process in processes:
        try:
            process.wait(20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def linked(rates: Sequence[float], east: float) -> tuple[float, Ledger]:
    """Tiles a second with a hand behind an uplink of each rate, and the server."""

    async def go(brief: Brief, uplinks: Sequence[Uplink]) -> float:
        async with running(brief, len(uplinks)) as run:
            code = await run.code
            hands = [start_hand(code, f"hand {n}", uplink) for n, uplink in enumerate(uplinks)]
            report = await run.task
            await asyncio.to_thread(end, hands)
            assert report.complete
            return run.pace()

    with Ledger() as server, contextlib.ExitStack() as stack, folder_of(server, 24, 1000, east) as brief:
        uplinks = [stack.enter_context(Uplink(rate * MBIT)) for rate in rates]
        return asyncio.run(go(brief, uplinks)), server


def links(east: float) -> None:
    one, _ = linked([4.0], east)
    three, server = linked([4.0, 4.0, 4.0], east + (east - 12.0))
    uneven, other = linked([4.0, 4.0, 1.0], east + 2 * (east - 12.0))
    slow = one / 4
    print(f"one uplink of 4 Mbit/s: {one:.1f} tiles/s ({one * TILE_BYTES * 8 / MBIT:.2f} Mbit/s of tiles)")
    print(f"three of 4 Mbit/s: {three:.1f} tiles/s, {three / one:.2f} times the pace of one (2.8 wanted)")
    share = uneven / (2 * one + slow)
    print(f"4, 4 and 1 Mbit/s: {uneven:.1f} tiles/s, {share:.2f} of the sum (0.93 wanted)")
    print(
        f"tiles asked twice: {server.twice()} and {other.twice()}; most at once {server.most_at_once} of 24"
    )


class Relay:
    """Between a hand and the planning machine. While it is cut, what is sent is kept, and nobody hears of it."""

    def __init__(self, target: str) -> None:
        host, _, port = target.rpartition(":")
        self._target = (host, int(port))
        self.line = asyncio.Event()
        self.line.set()
        self.place = ""
        self._streams: set[asyncio.StreamWriter] = set()

    async def start(self) -> Relay:
        self._server = await asyncio.start_server(self._accept, "127.0.0.1", 0)
        self.place = f"127.0.0.1:{self._server.sockets[0].getsockname()[1]}"
        return self

    def close(self) -> None:
        self._server.close()
        for stream in self._streams:
            stream.transport.abort()

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._streams.add(writer)
        with contextlib.suppress(OSError):
            out_reader, out_writer = await asyncio.open_connection(*self._target)
            self._streams.add(out_writer)
            await asyncio.gather(self._pass(reader, out_writer), self._pass(out_reader, writer))
        writer.transport.abort()

    async def _pass(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while data := await reader.read(65_536):
                await self.line.wait()
                writer.write(data)
                await writer.drain()
        finally:
            writer.close()


def plan_and_lend(path: str, leases: str) -> None:
    """A planning machine that writes down which tiles it lends to whom, and until when."""
    from packer.fetching.hands import hands_fetcher

    read = Brief.read(Path(path))
    with Path(leases).open("a", encoding="utf-8") as file:

        def note(what: str, hand: str, when: float, tiles: Sequence[Tile]) -> None:
            file.write(json.dumps([what, hand, when, [list(tile) for tile in tiles]]) + "\n")
            file.flush()

        note("began", "", time.monotonic(), [])
        vars(hands_fetcher)["TileLeases"] = recorded_leases(note, time.monotonic)
        report = asyncio.run(run_fetch(read, plan(read), hands=Hands(0, "127.0.0.1", _show)))
    sys.exit(not report.complete)


def start_planner(brief: Brief, leases: Path) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "scripts.bench_hands", "--planner", str(brief.path), str(leases)]
    return subprocess.Popen(command, stdout=subprocess.PIPE)


def _show(code: str) -> None:
    print(code, flush=True)


@dataclass
class Ordeal:
    """Three hands and a planning machine in processes, to each of which something happens at random moments."""

    brief: Brief
    leases: Path
    server: Ledger
    chance: random.Random
    counts: Counter[str] = field(default_factory=Counter)
    hands: list[tuple[subprocess.Popen[bytes], Relay]] = field(default_factory=list)
    spent: list[subprocess.Popen[bytes]] = field(default_factory=list)
    later: list[tuple[float, Callable[[], None]]] = field(default_factory=list)

    async def run(self, kills: int) -> None:
        """Until the fetch is complete. Raises AssertionError if it does not come so far."""
        await self._start_planner()
        self.hands = [await self._hand(number) for number in range(3)]
        acts = ["kill"] * kills + ["freeze"] * 4 + ["cut"] * 4 + ["kill the planning machine"] * 2
        self.chance.shuffle(acts)
        whole = plan(self.brief).count
        for number, act in enumerate(acts):
            await self._until(whole * (number + 1) // (len(acts) + 4))
            if self.planner.poll() is not None:
                break
            await self._do(act)
            self.counts[act] += 1
        while self.planner.poll() is None:
            await self._moment()
        assert self.planner.returncode == 0, "the planning machine has failed"
        for _, event in self.later:
            event()
        await asyncio.to_thread(end, [*(process for process, _ in self.hands), *self.spent])
        for _, relay in self.hands:
            relay.close()

    async def _until(self, tiles: int) -> None:
        while len(self.server.tiles_asked) < tiles and self.planner.poll() is None:
            await self._moment()

    async def _moment(self) -> None:
        await asyncio.sleep(0.2)
        for when, event in [due for due in self.later if due[0] <= time.monotonic()]:
            self.later.remove((when, event))
            event()

    async def _do(self, act: str) -> None:
        number = self.chance.randrange(3)
        process, relay = self.hands[number]
        match act:
            case "kill":
                process.kill()
                process.wait()
                relay.close()
            case "freeze":
                process.send_signal(signal.SIGSTOP)
                self.later.append((time.monotonic() + 60, partial(process.send_signal, signal.SIGCONT)))
                self.spent.append(process)
            case "cut":
                relay.line.clear()
                self.later.append((time.monotonic() + self.chance.choice([5.0, 40.0]), relay.line.set))
                self.spent.append(process)
            case _:
                self.planner.kill()
                self.planner.wait()
                await self._start_planner()
                return
        self.hands[number] = await self._hand(number)

    async def _start_planner(self) -> None:
        self.planner = start_planner(self.brief, self.leases)
        assert self.planner.stdout is not None
        self.code = (await asyncio.to_thread(self.planner.stdout.readline)).decode().strip()

    async def _hand(self, number: int) -> tuple[subprocess.Popen[bytes], Relay]:
        code = JoinCode.read(self.code)
        relay = await Relay(code.place).start()
        return start_hand(str(replace(code, place=relay.place)), f"hand {number}"), relay


def rows_of(pack: Path) -> list[list[tuple[object, ...]]]:
    """All that a pack says of tiles, apart from when it was."""
    with contextlib.closing(sqlite3.connect(pack)) as db:
        return [sorted(db.execute(query).fetchall()) for query in _ROWS]


_ROWS = (
    "SELECT zoom_level, tile_column, tile_row, hash, data, seal, etag, modified, fresh_until "
    "FROM placement JOIN blob ON blob.id = blob_id",
    "SELECT zoom_level, tile_column, tile_row, status FROM absent",
    "SELECT zoom_level, tile_column, tile_row, kind, reason FROM trouble",
)


def kills(count: int, seed: int) -> None:
    """Hands that are killed, frozen for a minute and cut off from the planning machine, which is killed as well; then
    the ledgers of both sides, request by request, and the pack beside that of one machine."""
    connections, rate = 12, 120
    with Ledger() as server, folder_of(server, connections, rate, 12.9) as brief:
        leases, whole, began = brief.path.parent / "leases.jsonl", plan(brief).count, time.monotonic()
        ordeal = Ordeal(brief, leases, server, random.Random(seed))
        asyncio.run(ordeal.run(count))
        took = time.monotonic() - began
        found = LeaseLedger.read(leases).checked(server.requests, _ON_THE_WAY_S)
        most, most_open, a_second = server.most_at_once, server.most_open, server.most_in_a_second()
        pack = brief.store_folder / "survey.mbtiles"
        alone = brief.path.parent / "alone"
        asyncio.run(run_fetch(brief, plan(brief), Options(store=alone)))
        same = rows_of(pack) == rows_of(alone / "survey.mbtiles")
    print(", ".join(f"{act}: {n}" for act, n in sorted(ordeal.counts.items())) + f"; in {took:.0f} s")
    print(f"requests under way at once: {most} at most, of {connections}; connections open: {most_open}")
    print(f"requests in a second: {a_second} at most, of {rate}")
    print(f"{whole:,} tiles, {found.total():,} requests: {found['first']:,} for the first time,")
    print(f"{found['again']:,} again after the lease before had ended,")
    print(f"{found['same lease']:,} twice on one lease, {found['outside']:,} outside any lease,")
    print(f"{found['early']:,} after a restart before a lease that it lost was over")
    print(f"the pack is that of one machine, apart from times: {'yes' if same else 'NO'}")


def loopback(east: float) -> None:
    """The pace of this machine alone, and of one hand on it."""

    async def go(brief: Brief, *, hand: bool) -> float:
        if not hand:
            marks: list[tuple[float, int]] = []

            def note(layers: list[LayerProgress]) -> None:
                marks.append((time.monotonic(), sum(la.counts.stored for la in layers)))

            task = asyncio.create_task(run_fetch(brief, plan(brief), on_progress=note))
            await task
            return Run(task, asyncio.get_running_loop().create_future(), marks).pace()
        async with running(brief, 1) as run:
            hands = [start_hand(await run.code, "here")]
            await run.task
            await asyncio.to_thread(end, hands)
            return run.pace()

    paces = []
    for hand in (False, True):
        with Ledger() as server, folder_of(server, 16, 100_000, east) as brief:
            paces.append(asyncio.run(go(brief, hand=hand)))
    print(f"alone: {paces[0]:,.0f} tiles/s; by one hand: {paces[1]:,.0f}, {paces[1] / paces[0]:.2f} of it")


def body_of(path: str, noise: bytes) -> bytes:
    """A PNG of its own for each path, with noise in a chunk that means nothing."""
    text = b"Comment\0" + path.encode() + noise
    chunk = struct.pack(">I", len(text)) + b"tEXt" + text + struct.pack(">I", zlib.crc32(b"tEXt" + text))
    whole = png(path)
    end = whole.index(b"IDAT") - 4
    return whole[:end] + chunk + whole[end:]


async def instant_hand(code: str) -> None:
    """A hand that has every tile at once: it asks no server."""
    read = JoinCode.read(code)
    channel = await open_channel(read.place, hand_context(read), 10.0)
    number = (await channel.ask({"op": "join", "hand": "", "name": "instant", "version": __version__}))[
        "hand"
    ]
    empty: dict[str, object] = {
        k: {} for k in ("using", "needs", "waits", "unstarted", "back", "failed", "keys")
    }
    noise, count = random.Random(1).randbytes(TILE_BYTES - 200), 0
    while True:
        count += 1
        beat = {"op": "beat", "hand": number, "ended": [], "count": count, "longest_s": 5.0, "left_s": 12.0}
        beat |= {"heard": count - 1, "speed": None}
        told = await channel.ask({**empty, **beat})
        if "ended" in told:
            return
        flat = told["deal"].get("survey", {}).get("places", [])
        places = [flat[i : i + 3] for i in range(0, len(flat), 3)]
        for start in range(0, len(places), 128):
            records: list[object] = []
            for place in places[start : start + 128]:
                data = body_of("/".join(map(str, place)), noise)
                records.append(["tile", place, data, body_hash(data), "png", None, None, None])
            message = {"op": "give", "hand": number, "layer": "survey", "records": records}
            await channel.ask({**message, "requests": len(records)})


def start_instant(code: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-m", "scripts.bench_hands", "--instant", code])


def writer(east: float) -> None:
    """What the planning machine takes of tiles that are there at once."""

    async def go(brief: Brief) -> tuple[float, float]:
        async with running(brief, 2) as run:
            code, used = await run.code, time.process_time()
            processes = [start_instant(code) for _ in range(2)]
            report = await run.task
            used = time.process_time() - used
            await asyncio.to_thread(end, processes)
            return run.pace(), used / report.total("stored")

    with Ledger() as server, folder_of(server, 16, 100_000, east) as brief:
        pace, used_s = asyncio.run(go(brief))
    print(f"the writer's limit: {pace:,.0f} tiles/s, at {1e6 * used_s:.0f} us of processor time a tile")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("what", nargs="*", choices=["links", "kills", "loopback", "writer", []], default=[])
    parser.add_argument("--kills", type=int, default=30, help="how many (30)")
    parser.add_argument("--seed", type=int, default=5, help="of the moments (5)")
    parser.add_argument(
        "--east", type=float, default=12.4, help="how far the block reaches: more is longer (12.4)"
    )
    parser.add_argument("--planner", nargs=2, metavar=("BRIEF", "LEASES"), help=argparse.SUPPRESS)
    parser.add_argument("--instant", metavar="CODE", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.instant:
        asyncio.run(instant_hand(asked.instant))
        return
    if asked.planner:
        plan_and_lend(*asked.planner)
    what = asked.what or ["links", "kills", "loopback", "writer"]
    if "links" in what:
        links(asked.east)
    if "kills" in what:
        kills(asked.kills, asked.seed)
    if "loopback" in what:
        loopback(asked.east + 1.0)
    if "writer" in what:
        writer(asked.east + 3.0)


if __name__ == "__main__":
    main()
