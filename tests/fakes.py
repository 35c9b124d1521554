"""Stand-ins that are handed to a fetch: a clock that jumps, and a transport that plays a script."""

from __future__ import annotations

import asyncio
import heapq
import random
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import aiosqlite

from packer.fetching.transports import FailureKind, Response, Result, TransportFailure
from packer.geometry.tileset import Tile
from tests.tile_server import png

__all__ = ["ScriptedTransport", "VirtualClock", "no_tile", "page", "tile_answer"]


class VirtualClock:
    """Time stands still while anything can run, and jumps to the next waker when nothing can.

    The thread of a pack's connection counts as well: on a busy machine it may take long, but no virtual time.
    Use as `async with VirtualClock() as clock`.
    """

    def __init__(self) -> None:
        self._now = 1000.0
        self._wakers: list[tuple[float, int, asyncio.Future[None]]] = []
        self._number = 0
        self._chance = random.Random(7)
        self._task: asyncio.Task[None] | None = None
        self._execute, self._executing = aiosqlite.Connection._execute, 0

    def now(self) -> float:
        return self._now

    def wall(self) -> float:
        return 1_700_000_000.0 + self._now

    def chance(self) -> float:
        return self._chance.random()

    async def sleep(self, seconds: float) -> None:
        waker: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._number += 1
        heapq.heappush(self._wakers, (self._now + max(seconds, 0.0), self._number, waker))
        await waker

    async def __aenter__(self) -> VirtualClock:
        clock, execute = self, self._execute

        async def counted(db: aiosqlite.Connection, *rest: Any, **more: Any) -> Any:
            clock._executing += 1
            try:
                return await execute(db, *rest, **more)  # type: ignore[no-untyped-call]
            finally:
                clock._executing -= 1

        aiosqlite.Connection._execute = counted  # type: ignore[assignment]  # all that a connection does
        self._task = asyncio.create_task(self._run())
        return self

    async def __aexit__(self, *_: object) -> None:
        assert self._task is not None
        self._task.cancel()
        aiosqlite.Connection._execute = self._execute  # type: ignore[method-assign]

    async def _run(self) -> None:
        while True:
            for _ in range(25):
                await asyncio.sleep(0)
            while self._wakers and self._wakers[0][2].done():
                heapq.heappop(self._wakers)
            if self._wakers and not self._executing:
                when, _, waker = heapq.heappop(self._wakers)
                self._now = max(self._now, when)
                waker.set_result(None)
            else:
                await asyncio.sleep(0.0002)  # only the writer's thread can go on: let it


Script = Callable[[Tile, int, float], Result]


def tile_answer(tile: Tile) -> Response:
    """A whole tile."""
    body = png(str(tile))
    return Response(200, {"content-type": "image/png", "content-length": str(len(body))}, body)


def page(status: int = 200) -> Response:
    """What a hotel's network answers instead of a tile."""
    body = b"<!DOCTYPE html><html><title>Sign in</title><form action=/login></form></html>"
    headers = {"content-type": "text/html", "content-length": str(len(body))}
    if status != 200:
        headers["location"] = "http://portal.example.net/login?from=tiles"
    return Response(status, headers, body)


def no_tile(status: int, **headers: str) -> Response:
    """An answer without a body."""
    return Response(
        status, {"content-length": "0", **{k.replace("_", "-"): v for k, v in headers.items()}}, b""
    )


@dataclass
class ScriptedTransport:
    """Answers `script(tile, how often this tile was asked for before, time)` after `delay_s`.

    robots.txt gets what `robots(time)` says. Notes every request with its time, and how many were under way.
    """

    clock: VirtualClock
    script: Script
    delay_s: float = 0.05
    robots: Callable[[float], Result] = lambda _now: no_tile(404)
    asked: Counter[Tile] = field(default_factory=Counter)
    starts: list[float] = field(default_factory=list)
    under_way: int = 0
    most_at_once: int = 0
    closed: bool = False

    def __call__(self, *_: object, **__: object) -> ScriptedTransport:
        return self

    async def fetch(
        self, url: str, headers: Mapping[str, str], deadline_s: float, limit_bytes: int
    ) -> Result:
        self.under_way += 1
        self.most_at_once = max(self.most_at_once, self.under_way)
        self.starts.append(self.clock.now())
        try:
            await self.clock.sleep(self.delay_s)
        finally:
            self.under_way -= 1
        if url.endswith("/robots.txt"):
            return self.robots(self.clock.now())
        zoom, x, y = (int(part) for part in url.partition("?")[0].removesuffix(".png").split("/")[-3:])
        tile = Tile(zoom, x, y)
        before = self.asked[tile]
        self.asked[tile] += 1
        return self.script(tile, before, self.clock.now())

    async def aclose(self) -> None:
        self.closed = True


REFUSED = TransportFailure(FailureKind.REFUSED, "connection refused")
RESET = TransportFailure(FailureKind.RESET, "reset")
NO_NAME = TransportFailure(FailureKind.NAME, "no such name")
