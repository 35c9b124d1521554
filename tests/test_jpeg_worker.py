"""Looking at JPEGs in a process apart: the same findings, whatever becomes of the process.

That a JPEG is whole is checked here against Pillow, which decodes it.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import io
import os
import random
import select
import signal
import subprocess
import sys
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path

import pytest
from PIL import Image

from packer.fetching import jpeg_worker
from packer.fetching.jpeg_worker import JpegFinding, JpegWorker
from packer.fetching.reports import FetchReport
from packer.fetching.run import run_fetch
from packer.fetching.transports import Response, Result
from packer.geometry.tileset import Tile
from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.store.pack_summary import read_summary
from tests.conftest import BriefMaker


@pytest.fixture(autouse=True)
def two_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a single core it would not be used."""
    monkeypatch.setattr(jpeg_worker, "_cores", lambda: 2)


def jpeg(number: int, side: int = 256) -> bytes:
    """A picture of its own for each number."""
    out = io.BytesIO()
    pixels = random.Random(number).randbytes(64)
    Image.frombytes("L", (8, 8), pixels).resize((side, side)).save(out, "JPEG")
    return out.getvalue()


def cut(body: bytes) -> bytes:
    """The first half, closed with an end mark: whole in form, and only its bits tell."""
    return body[: len(body) // 2].rstrip(b"\xff") + b"\xff\xd9"


def with_process(work: Callable[[JpegWorker], Awaitable[None]]) -> None:
    async def go() -> None:
        looks = JpegWorker(busy_per_s=1)
        try:
            looks.note()
            await looks.started()
            assert looks.useful
            await work(looks)
        finally:
            await looks.aclose()
        assert not looks.useful

    asyncio.run(go())


def test_it_finds_size_and_hash_of_a_whole_jpeg_and_nothing_in_anything_else() -> None:
    wholes = [jpeg(i, 64 + i) for i in range(20)]
    for i, body in enumerate(wholes):
        with Image.open(io.BytesIO(body)) as image:
            image.load()
            assert image.size == (64 + i, 64 + i)
    png = io.BytesIO()
    Image.new("L", (256, 256)).save(png, "PNG")
    others = [cut(jpeg(1)), jpeg(1)[:-1], jpeg(1) + b"x", b"", b"<html>", png.getvalue()]

    async def work(looks: JpegWorker) -> None:
        found = await asyncio.gather(*(looks.check(body) for body in wholes + others))
        expected = [
            JpegFinding((64 + i, 64 + i), hashlib.sha256(body).digest()) for i, body in enumerate(wholes)
        ]
        assert found == [*expected, *[None] * len(others)]

    with_process(work)


def test_a_cancelled_look_does_not_shift_the_answers_of_the_others() -> None:
    bodies = [jpeg(i) for i in range(30)]

    async def work(looks: JpegWorker) -> None:
        tasks = [asyncio.create_task(looks.check(body)) for body in bodies]
        await asyncio.sleep(0)
        for task in tasks[::3]:
            task.cancel()
        found = await asyncio.gather(*tasks, return_exceptions=True)
        for i, (body, seen) in enumerate(zip(bodies, found, strict=True)):
            if i % 3:
                assert seen == JpegFinding((256, 256), hashlib.sha256(body).digest())
            else:
                assert isinstance(seen, asyncio.CancelledError)

    with_process(work)


def test_whoever_waits_when_the_process_dies_is_told_that_nothing_is_known() -> None:
    async def work(looks: JpegWorker) -> None:
        number = looks.process_id
        assert number is not None
        os.kill(number, signal.SIGSTOP)
        waiting = [asyncio.create_task(looks.check(jpeg(i))) for i in range(10)]
        await asyncio.sleep(0)
        os.kill(number, signal.SIGKILL)
        assert await asyncio.gather(*waiting) == [None] * 10
        assert not looks.useful
        assert await looks.check(jpeg(1)) is None

    with_process(work)


def test_few_jpegs_a_second_or_a_single_core_start_no_process(monkeypatch: pytest.MonkeyPatch) -> None:
    async def go(busy_per_s: int) -> int | None:
        looks = JpegWorker(busy_per_s)
        for _ in range(100):
            looks.note()
        await looks.started()
        number = looks.process_id
        await looks.aclose()
        return number

    assert asyncio.run(go(1000)) is None
    monkeypatch.setattr(jpeg_worker, "_cores", lambda: 1)
    assert asyncio.run(go(1)) is None


def test_a_process_that_cannot_be_started_is_done_without(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(sys, "executable", str(tmp_path / "gone"))

    async def go() -> None:
        looks = JpegWorker(busy_per_s=1)
        looks.note()
        await looks.started()
        assert not looks.useful
        await looks.aclose()

    asyncio.run(go())


_ORPHAN = """
import asyncio, os, signal
from packer.fetching import jpeg_worker
from packer.fetching.jpeg_worker import JpegWorker

jpeg_worker._cores = lambda: 2

async def go():
    looks = JpegWorker(busy_per_s=1)
    looks.note()
    await looks.started()
    print(looks.process_id, flush=True)
    os.kill(os.getpid(), signal.SIGKILL)

asyncio.run(go())
"""


@pytest.mark.skipif(not hasattr(os, "pidfd_open"), reason="this system cannot wait for a process of others")
def test_it_does_not_outlive_a_fetch_that_was_killed() -> None:
    ended = subprocess.run([sys.executable, "-c", _ORPHAN], capture_output=True, timeout=60, check=False)
    assert ended.returncode == -signal.SIGKILL
    with contextlib.suppress(ProcessLookupError):  # it has gone already
        process = os.pidfd_open(int(ended.stdout))
        gone, _, _ = select.select([process], [], [], 30)
        os.close(process)
        assert gone


# ------------------------------------------------------------------------------------ a fetch with it


class JpegTransport:
    """Gives a JPEG for every tile, one of them cut, and kills the process apart when half of them have come."""

    def __init__(self, brief: Brief, worker: Callable[[], JpegWorker], *, kill: bool) -> None:
        self.worker = worker
        tiles = list(plan(brief).layers["survey"].tiles)
        self.damaged, self.half, self.kill = tiles[len(tiles) // 3], len(tiles) // 2, kill
        self.asked: dict[Tile, int] = {}
        self.under_way = self.most_at_once = 0
        self.killed = False

    def __call__(self, *_: object, **__: object) -> JpegTransport:
        return self

    async def fetch(
        self, url: str, headers: Mapping[str, str], deadline_s: float, limit_bytes: int
    ) -> Result:
        if url.endswith("/robots.txt"):
            return Response(404, {"content-length": "0"}, b"")
        zoom, x, y = (int(part) for part in url.removesuffix(".jpg").split("/")[-3:])
        tile = Tile(zoom, x, y)
        self.asked[tile] = self.asked.get(tile, 0) + 1
        self.under_way += 1
        self.most_at_once = max(self.most_at_once, self.under_way)
        await (self.worker().started() if len(self.asked) > 20 else asyncio.sleep(0))
        self.under_way -= 1
        if self.kill and not self.killed and len(self.asked) >= self.half:
            self.killed = self._kill()
        body = jpeg(hash(tile))
        if tile == self.damaged and self.asked[tile] < 3:
            body = cut(body)
        return Response(200, {"content-length": str(len(body)), "content-type": "image/jpeg"}, body)

    def _kill(self) -> bool:
        number = self.worker().process_id
        if number is not None:
            os.kill(number, signal.SIGKILL)
        return number is not None

    async def aclose(self) -> None: ...


@pytest.mark.parametrize("kill", [False, True])
def test_a_fetch_with_it_stores_every_tile_once_and_never_a_cut_one(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch, kill: bool
) -> None:
    brief = brief_for(
        "https://tiles.example.org/survey/{z}/{x}/{y}.jpg",
        area="box = [12.30, 47.00, 12.50, 47.15]\ndeepest = 15",
        overview='overview = false\ncontact = "maps@example.org"',
        connections=4,
    )
    monkeypatch.setattr(JpegWorker.__init__, "__defaults__", (1,))
    made: list[JpegWorker] = []
    used: list[bytes] = []
    tell, look = JpegWorker.note, JpegWorker.check

    def told(self: JpegWorker) -> None:
        made.append(self)
        tell(self)

    async def noted(self: JpegWorker, body: bytes) -> JpegFinding | None:
        used.append(body)
        return await look(self, body)

    monkeypatch.setattr(JpegWorker, "note", told)
    monkeypatch.setattr(JpegWorker, "check", noted)

    transport = JpegTransport(brief, lambda: made[0], kill=kill)

    async def go() -> FetchReport:
        return await run_fetch(brief, plan(brief), make_transport=transport)

    report = asyncio.run(go())
    assert report.complete
    assert read_summary(brief.store_folder / "survey.mbtiles").held == plan(brief).layers["survey"].tiles
    assert used
    assert transport.killed == kill
    assert transport.asked.pop(transport.damaged) == 3
    assert set(transport.asked.values()) == {1}
    assert transport.most_at_once <= 4
