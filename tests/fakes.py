"""Stand-ins that are handed to a fetch: a clock that jumps, and a transport that plays a script."""

from __future__ import annotations

import asyncio
import heapq
import random
import selectors
import ssl
from collections import Counter
from collections.abc import Awaitable, Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field
from typing import Any

import aiosqlite
import keyring.backend

from packer.fetching.transports import FailureKind, Response, Result, TransportFailure
from packer.geometry.tileset import Tile
from tests.tile_server import png

__all__ = ["PLAIN", "MemoryKeyring", "ScriptedTransport", "VirtualClock", "no_tile", "page", "tile_answer"]

PLAIN = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
"""For a client that speaks plain HTTP with this machine: it trusts nobody. By default httpx reads some 140 certificates
for every client, which takes 55 ms of the processor."""

_SOCKETS_S = 0.0005


class MemoryKeyring(keyring.backend.KeyringBackend):
    """A keyring that is gone with the test."""

    priority = 1

    def __init__(self) -> None:
        self.kept: dict[tuple[str, str], str] = {}

    def get_password(self, service: str, username: str) -> str | None:
        return self.kept.get((service, username))

    def set_password(self, service: str, username: str, password: str) -> None:
        self.kept[service, username] = password

    def delete_password(self, service: str, username: str) -> None:
        del self.kept[service, username]


class VirtualClock:
    """Time stands still while anything can run, and jumps to the next waker when nothing can.

    Nothing can run when the event loop is about to wait: no callback is ready, no socket, and no thread has work
    of the loop's in hand, such as that of a pack's connection. On a busy machine that may take long, but no
    virtual time. Use as `async with VirtualClock() as clock`; what is not told by this clock, such as
    `asyncio.timeout`, goes by the machine's.
    """

    def __init__(self) -> None:
        self._now = 1000.0
        self._wakers: list[tuple[float, int, asyncio.Future[None]]] = []
        self._number = 0
        self._chance = random.Random(7)
        self._in_threads = 0
        self._restore = ExitStack()

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

    def jump(self) -> bool:
        """Go on to the next waker, as nothing can run; False if there is none, or a thread has work in hand."""
        while self._wakers and self._wakers[0][2].done():
            heapq.heappop(self._wakers)
        if not self._wakers or self._in_threads:
            return False
        when, _, waker = heapq.heappop(self._wakers)
        self._now = max(self._now, when)
        waker.set_result(None)
        return True

    async def __aenter__(self) -> VirtualClock:
        loop: Any = asyncio.get_running_loop()  # whose selector is the one place that knows when it is idle
        self._put(loop, "_selector", _JumpingSelector(loop._selector, self))
        self._put(loop, "run_in_executor", self._until_done(loop.run_in_executor))
        for name in ("_connect", "_execute", "close"):  # all that a pack's connection does in its thread
            self._put(aiosqlite.Connection, name, self._meanwhile(getattr(aiosqlite.Connection, name)))
        return self

    async def __aexit__(self, *_: object) -> None:
        self._restore.close()

    def _put(self, owner: Any, name: str, value: Any) -> None:
        self._restore.callback(setattr, owner, name, getattr(owner, name))
        setattr(owner, name, value)

    def _meanwhile(self, work: Callable[..., Awaitable[Any]]) -> Callable[..., Awaitable[Any]]:
        async def counted(*rest: Any, **more: Any) -> Any:
            self._in_threads += 1
            try:
                return await work(*rest, **more)
            finally:
                self._in_threads -= 1

        return counted

    def _until_done(self, start: Callable[..., asyncio.Future[Any]]) -> Callable[..., asyncio.Future[Any]]:
        def counted(*rest: Any) -> asyncio.Future[Any]:
            self._in_threads += 1
            future = start(*rest)
            future.add_done_callback(self._came_back)
            return future

        return counted

    def _came_back(self, _future: asyncio.Future[Any]) -> None:
        self._in_threads -= 1


class _JumpingSelector:
    """A selector that has the clock jump where it would wait for nothing but time."""

    def __init__(self, selector: selectors.BaseSelector, clock: VirtualClock) -> None:
        self._selector, self._clock = selector, clock

    def __getattr__(self, name: str) -> Any:
        return getattr(self._selector, name)

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        """As a selector does; nothing at once if the clock could jump instead."""
        # What one end of a connection on this machine sends is at the other at once, or very nearly so.
        at_once_s = _SOCKETS_S if len(self._selector.get_map()) > 1 else 0.0
        if timeout is not None and timeout <= at_once_s:
            return self._selector.select(timeout)
        events = self._selector.select(at_once_s)
        if events or self._clock.jump():
            return events
        return self._selector.select(timeout)


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
        parts = url.partition("?")[0].removesuffix(".png").split("/")[-3:]
        if not all(part.isdigit() for part in parts) or max(map(int, parts[1:])) >= 1 << min(
            int(parts[0]), 30
        ):
            return no_tile(404)
        tile = Tile(*map(int, parts))
        before = self.asked[tile]
        self.asked[tile] += 1
        return self.script(tile, before, self.clock.now())

    async def aclose(self) -> None:
        self.closed = True


REFUSED = TransportFailure(FailureKind.REFUSED, "connection refused")
RESET = TransportFailure(FailureKind.RESET, "reset")
NO_NAME = TransportFailure(FailureKind.NAME, "no such name")
