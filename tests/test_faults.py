"""Every fault that a bad link or a bad server plays on a fetch, over real sockets: nothing wrong is stored,
nothing is lost, and no tile is given up.

Time is compressed, for the fetch and for the faulty server alike: their clock runs many times as fast as ours, but
only while this process gets to run, so that a busy machine does not pass for a link that has fallen silent.
"""

from __future__ import annotations

import asyncio
import io
import random
import sqlite3
import threading
import time
import zlib
from collections.abc import Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest
from PIL import Image

from packer.fetching.reports import FetchReport, Options
from packer.fetching.run import run_fetch
from packer.fetching.transports import Result, Transport, TransportName, open_transport
from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.store.pack_summary import read_summary
from tests.budgets import tries
from tests.support.fault_proxy import FaultProxy, is_tile
from tests.tile_server import png

__all__ = ["FAULTS", "Fault", "FaultOutcome", "HastyClock", "run_fault"]

HASTE = 40.0
LIMITS = 0.25  # of that for the time limits of requests, which know nothing of how busy this machine is
CONNECTIONS = 4
_LINK = "slow:300ms"  # so that requests are under way at once, as they are in the field
ROBOTS = b"User-agent: *\nDisallow: /private/\n"

BRIEF = """
title = "Faults"
overview = false
[layers.survey]
url = "{base}/survey/{{z}}/{{x}}/{{y}}.{ending}"
attribution = "none"
permission = "Own files on this machine"
zooms = [0, 15]
connections = {connections}
requests-per-second = 400
[[areas]]
name = "ground"
box = [12.30, 47.00, 12.34, 47.03]
deepest = 15
"""


class _RunningTime:
    """Seconds in which this process ran when it wanted to: what a thread sees that wakes every few milliseconds.

    Whenever it wakes late, since the machine or the interpreter's lock was busy, the rest of that time does not count.
    """

    _EVERY_S, _MOST_S = 0.002, 0.004

    def __init__(self) -> None:
        self._seconds, self._ended = 0.0, threading.Event()
        threading.Thread(target=self._run, name="running time", daemon=True).start()

    def __call__(self) -> float:
        return self._seconds

    def end(self) -> None:
        self._ended.set()

    def _run(self) -> None:
        before = time.monotonic()
        while not self._ended.wait(self._EVERY_S):
            now = time.monotonic()
            self._seconds += min(now - before, self._MOST_S)
            before = now


_running_time = cache(_RunningTime)


class HastyClock:
    """The machine's clock, `haste` times as fast while this process gets to run."""

    def __init__(self, haste: float = HASTE) -> None:
        self._haste, self._wall0 = haste, time.time()
        self._seconds = _running_time()
        self._started = self._seconds()
        self.chance = random.Random(5).random

    def now(self) -> float:
        return (self._seconds() - self._started) * self._haste

    def wall(self) -> float:
        return self._wall0 + self.now()

    async def sleep(self, seconds: float) -> None:
        ends = self.now() + max(seconds, 0.0)
        await asyncio.sleep(max(seconds, 0.0) / self._haste)
        while (left := ends - self.now()) > 0:
            await asyncio.sleep(max(left / self._haste, 0.001))


class HastyTransport:
    """A transport whose time limits are compressed as well, though less: they go by the machine's clock."""

    def __init__(self, transport: Transport, haste: float) -> None:
        self._transport, self._haste = transport, haste

    async def fetch(
        self, url: str, headers: Mapping[str, str], deadline_s: float, limit_bytes: int
    ) -> Result:
        return await self._transport.fetch(url, headers, deadline_s / self._haste, limit_bytes)

    async def aclose(self) -> None:
        await self._transport.aclose()


def hasty_transport(
    haste: float, kind: TransportName | None, *, connections: int, user_agent: str
) -> Transport:
    """As `open_transport`, with its time limits compressed."""
    haste *= LIMITS
    transport = open_transport(
        kind,
        connections=connections,
        user_agent=user_agent,
        connect_timeout_s=10 / haste,
        read_timeout_s=20 / haste,
    )
    return HastyTransport(transport, haste)


# ---------------------------------------------------------------------------------------------- the tiles


@cache
def body(target: str) -> bytes:
    """The one true body at a path: PNG, JPEG, WebP or vector tile by its ending."""
    ending = target.rpartition(".")[2]
    if ending == "png":
        return png(target)
    if ending == "pbf":
        name = target.encode()
        layer = b"\x78\x02\x0a" + bytes([len(name)]) + name + b"\x28\x80\x20"
        return b"\x1a" + bytes([len(layer)]) + layer
    out = io.BytesIO()
    noise = random.Random(target).randbytes(64 * 64 * 3)
    image = Image.frombytes("RGB", (64, 64), noise)
    image.save(out, {"jpg": "JPEG", "webp": "WEBP"}[ending])
    return out.getvalue()


_MEDIA = {"png": "image/png", "jpg": "image/jpeg", "webp": "image/webp", "pbf": "application/x-protobuf"}


async def handler(target: str, asked: Mapping[str, str]) -> tuple[int, Mapping[str, str], bytes]:
    """A server without a fault."""
    path = target.partition("?")[0]
    if path == "/robots.txt":
        return 200, {"Content-Type": "text/plain"}, ROBOTS
    return 200, {"Content-Type": _MEDIA[path.rpartition(".")[2]]}, body(path)


# ---------------------------------------------------------------------------------------------- the faults


@dataclass(frozen=True, slots=True)
class Fault:
    """A script of `FaultProxy`. `robots` lets it touch robots.txt too, as a device on the way would."""

    name: str
    script: str
    ending: str = "png"
    robots: bool = False


def _mixed(word: str) -> str:
    """The same fault alone, in a row, and again."""
    return f"ok*5 {word} ok*3 {word}*5 ok*10 {word}*2"


_WORDS = {
    "connection closed without an answer": "drop",
    "connection reset": "reset",
    "reset in the middle": "reset-mid",
    "silence": "stall",
    "silence in the middle": "stall-mid",
    "HTML with status 200": "html",
    "HTML labelled as an image": "html-as-image",
    "redirect to a sign-in page": "redirect",
    "status 511": "511",
    "empty body": "empty",
    "body shorter than stated": "short",
    "body longer than stated": "long",
    "no last chunk": "no-end",
    "cut within a chunk": "chunk-cut",
    "cut without any length": "close-cut",
    "gzip that is whole": "gzip-ok",
    "gzip cut off": "gzip-cut",
    "gzip with a wrong checksum": "gzip-crc",
    "gzip in two members": "gzip-two",
    "no HTTP at all": "garbage",
    "half an image, PNG": "half",
    "status 304 unasked": "304",
    "status 408": "408",
    "status 425": "425",
    "status 429": "429",
    "status 429, Retry-After 20 s": "429:20s",
    "status 429, Retry-After as a date": "429:date:20s",
    "status 500": "500",
    "status 502": "502",
    "status 503": "503",
    "status 503, Retry-After 15 s": "503:15s",
    "status 503, Retry-After as a date": "503:date:15s",
    "status 504": "504",
}

FAULTS = [
    *(Fault(name, _mixed(word)) for name, word in _WORDS.items()),
    Fault("a trickle", "ok*5 trickle:12s ok*6 trickle:12s*2"),
    Fault("half an image, JPEG", _mixed("half"), "jpg"),
    Fault("half a JPEG with an end mark", _mixed("half-ffd9"), "jpg"),
    Fault("JPEG cut without any length", _mixed("close-cut"), "jpg"),
    Fault("half an image, WebP", _mixed("half"), "webp"),
    Fault("WebP cut without any length", _mixed("close-cut"), "webp"),
    Fault("half a vector tile", _mixed("half"), "pbf"),
    Fault("vector tile cut without any length", _mixed("close-cut"), "pbf"),
    Fault("vector tile, gzip cut off", _mixed("gzip-cut"), "pbf"),
    Fault("vector tile, gzip with a wrong checksum", _mixed("gzip-crc"), "pbf"),
    Fault("no network for 30 s, connections dropped", "ok*15 outage:30s"),
    Fault("no network for 30 s, connections refused", "ok*15 outage:30s:refuse"),
    Fault("no network for 120 s, silence", "ok*15 outage:120s:silent"),
    Fault("no network at the first tile", "outage:25s"),
    Fault("no network at the last tile", "ok*41 outage:40s"),
    Fault("a link that flaps", "ok*6 outage:4s ok*5 outage:8s ok*4 outage:2s ok*7 outage:12s:refuse"),
    Fault("sign-in page for 30 s", "ok*12 signin:30s"),
    Fault("sign-in page by redirect for 30 s", "ok*12 signin:30s:302"),
    Fault("sign-in page by 511 for 30 s", "ok*12 signin:30s:511"),
    Fault("sign-in page at the first tile", "signin:20s"),
    Fault("sign-in pages three times", "ok*8 signin:15s ok*6 signin:15s:302 ok*6 signin:15s:511"),
    Fault("404 for everything, from a device on the way", "ok*12 404*40", robots=True),
    Fault("204 for everything, from a device on the way", "ok*12 204*40", robots=True),
    Fault("403 for everything, from a device on the way", "ok*12 403*9", robots=True),
    Fault("JSON for everything, from a device on the way", "ok*12 json*20", robots=True),
    Fault("404 for five requests, from a device on the way", "ok*20 404*5 ok*10 404*3", robots=True),
    Fault("403 for five requests, from a device on the way", "ok*20 403*5 ok*10 403*3", robots=True),
    Fault("one request in ten answered with 503", "share:10%:503"),
    Fault("one request in three reset", "share:33%:reset"),
    Fault("a storm of 503", "ok*10 503*12"),
    Fault("a storm of 429", "ok*10 429*9"),
    Fault("a slow link", "slow:600ms rate:100kbit"),
    Fault("a slow link that loses a tenth", "slow:300ms rate:200kbit share:10%:short"),
]


def _in_pairs() -> list[Fault]:
    """The faults that this test run plays: each alone as in `FAULTS`, or, to be quick, the plain ones by twos in one
    fetch, one after the other."""
    plain = [fault for fault in FAULTS if fault.name in _WORDS]
    if len(plain) == tries(0, len(plain)):
        return FAULTS
    pairs = [
        Fault(f"{a.name}, then {b.name}", f"{a.script} ok*3 {b.script}")
        for a, b in zip(plain[::2], plain[1::2], strict=False)
    ]
    return [*pairs, *plain[len(pairs) * 2 :], *(fault for fault in FAULTS if fault.name not in _WORDS)]


PLAYED = _in_pairs()


@dataclass(frozen=True, slots=True)
class FaultOutcome:
    """What came of a fetch. `extra` counts requests for tiles beyond one each; seconds are compressed ones."""

    planned: int
    right: int
    wrong: int
    lost: int
    absent: int
    extra: int
    seconds: float
    most_requests: int
    report: FetchReport

    @property
    def perfect(self) -> bool:
        """Every tile is on board byte for byte, and nothing else is."""
        return self.right == self.planned and not (self.wrong or self.lost or self.absent)


def run_fault(
    fault: Fault, folder: Path, haste: float = HASTE, transport: TransportName | None = None
) -> FaultOutcome:
    """One fetch of a small plan through the fault, into an empty folder."""
    clock = HastyClock(haste)
    touches = (lambda _target: True) if fault.robots else is_tile
    script = f"{_LINK} {fault.script}"  # the last word on the link counts
    with FaultProxy(handler, script, clock, scripted=touches) as proxy:
        text = BRIEF.format(base=proxy.base_url, ending=fault.ending, connections=CONNECTIONS)
        brief = Brief.from_text(text, folder / "brief.toml")
        started = clock.now()
        report = asyncio.run(_fetch(brief, clock, haste, transport))
        seconds = clock.now() - started
        asked = sum(n for path, n in proxy.counts.paths.items() if path != "/robots.txt")
        most = proxy.counts.most_requests
    right, wrong, lost = _compared(brief, fault.ending)
    return FaultOutcome(
        planned=right + wrong + lost,
        right=right,
        wrong=wrong,
        lost=lost,
        absent=len(read_summary(brief.store_folder / "survey.mbtiles").absent),
        extra=asked - len(plan(brief).layers["survey"].tiles),
        seconds=seconds,
        most_requests=most,
        report=report,
    )


def _compared(brief: Brief, ending: str) -> tuple[int, int, int]:
    """Tiles that are right, wrong and missing in the pack, held against the server's own bodies."""
    stored = _bodies(brief.store_folder / "survey.mbtiles")
    true = {tuple(t): f"/survey/{t}.{ending}" for t in plan(brief).layers["survey"].tiles}
    right = sum(_same(stored[t], body(path)) for t, path in true.items() if t in stored)
    return right, len(stored) - right, sum(1 for t in true if t not in stored)


async def _fetch(
    brief: Brief, clock: HastyClock, haste: float, transport: TransportName | None
) -> FetchReport:
    def make_transport(kind: TransportName | None, *, connections: int, user_agent: str) -> Transport:
        return hasty_transport(haste, kind, connections=connections, user_agent=user_agent)

    return await run_fetch(
        brief, plan(brief), Options(transport=transport), clock=clock, make_transport=make_transport
    )


def _bodies(pack: Path) -> dict[tuple[int, ...], bytes]:
    db = sqlite3.connect(pack)
    rows = db.execute("SELECT zoom_level, tile_column, tile_row, tile_data FROM tiles").fetchall()
    db.close()
    return {(z, x, (1 << z) - 1 - row): data for z, x, row, data in rows}


def _same(stored: bytes, true: bytes) -> bool:
    """Byte for byte; a vector tile lies in the pack in its gzip form (MBTiles 1.3)."""
    if stored[:2] == b"\x1f\x8b":
        stored = zlib.decompress(stored, 31)
    return stored == true


@pytest.fixture(scope="module", autouse=True)
def no_clock_goes_on() -> Iterator[None]:
    """To wake 500 times a second would slow every test that comes after."""
    yield
    _running_time().end()
    _running_time.cache_clear()


@pytest.fixture(scope="module")
def results(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[dict[str, Future[FaultOutcome]]]:
    """The faults that are wanted in this session, a few at a time: nearly all of their time is waiting."""
    wanted = [item.name for item in request.session.items]
    with ThreadPoolExecutor(12) as pool:
        yield {
            fault.name: pool.submit(run_fault, fault, tmp_path_factory.mktemp("fault"))
            for fault in PLAYED
            if any(f"[{fault.name}]" in name for name in wanted)
        }


@pytest.mark.parametrize("fault", PLAYED, ids=lambda fault: fault.name)
def test_a_fault_costs_time_and_requests_but_no_tile(
    fault: Fault, results: dict[str, Future[FaultOutcome]]
) -> None:
    result = results[fault.name].result()
    assert result.perfect, result
    assert result.report.complete
    assert result.report.total("failed") == 0
    assert result.most_requests <= CONNECTIONS


# One of each sort: a body cut, a coding cut, no network, a sign-in page, connections lost. All of them are
# played on either transport by `scripts/bench-faults --transport`.
ON_HTTPX = (
    "half an image, JPEG",
    "vector tile, gzip cut off",
    "no network for 30 s, connections dropped",
    "sign-in page by redirect for 30 s",
    "one request in three reset",
)


@pytest.fixture(scope="module")
def results_on_httpx(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[dict[str, Future[FaultOutcome]]]:
    """As `results`, on the slower transport."""
    asked = [i.name for i in request.session.items if "results_on_httpx" in getattr(i, "fixturenames", ())]
    with ThreadPoolExecutor(8) as pool:
        yield {
            fault.name: pool.submit(run_fault, fault, tmp_path_factory.mktemp("fault"), transport="httpx")
            for fault in FAULTS
            if any(f"[{fault.name}]" in name for name in asked)
        }


@pytest.mark.parametrize("name", ON_HTTPX)
def test_a_fault_costs_no_tile_on_the_slower_transport_either(
    name: str, results_on_httpx: dict[str, Future[FaultOutcome]]
) -> None:
    result = results_on_httpx[name].result()
    assert result.perfect, result
    assert result.report.complete
    assert result.report.total("failed") == 0
    assert result.most_requests <= CONNECTIONS


def test_without_a_fault_every_tile_costs_one_request(tmp_path: Path) -> None:
    for ending in _MEDIA:
        result = run_fault(Fault("none", "", ending), tmp_path / ending)
        assert result.perfect
        assert result.extra == 0


def test_the_faults_are_many_and_each_is_another() -> None:
    assert len({(f.script, f.ending) for f in FAULTS}) == len(FAULTS) >= 40
