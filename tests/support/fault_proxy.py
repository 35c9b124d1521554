"""A server that misbehaves by script, at byte level: what a well-made HTTP server cannot be talked into.

    async with FaultProxy(handler, "ok*50 drop 503:2s html ok") as proxy:
        ...  # proxy.base_url, proxy.counts

or `with FaultProxy(...)` for one in a thread of its own. Behind it stands a handler in this process, an ASGI
application (`app_handler`) or a server on this machine (its base URL). It listens on 127.0.0.1 only.
"""

from __future__ import annotations

import asyncio
import re
import socket
import struct
import threading
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from types import TracebackType
from typing import Self

from packer.common.clock import Clock, SystemClock
from packer.errors import NetworkError
from packer.practice.counting import Counts
from tests.support.fault_script import OK, Outage, SignInFault, Step, Word, read_script
from tests.support.link import SharedLink
from tests.support.misbehaviour import End, Flood, Piece, Play, Served, Trickle, play
from tests.support.upstream import Handler, ServerBehind

__all__ = ["FaultProxy", "is_tile"]

_TILE = re.compile(r"/[^?]*/\d+/-?\d+/-?\d+(@\dx)?\.\w+(\?.*)?")
_CONDITIONS = ("if-none-match", "if-modified-since")
_LARGEST_HEAD = 65_536
_ZEROS = bytes(65_536)


def is_tile(target: str) -> bool:
    """Whether a path, with or without query, ends as the address of a tile does: z/x/y.ext."""
    return _TILE.fullmatch(target) is not None


class FaultProxy:
    """A faulty server in front of `upstream`, which is a handler or the base URL of a server on this machine.

    Each GET whose path is `scripted` takes one word of the script, in order of arrival; all others, such as
    robots.txt and HEAD, are answered well. Sign-in pages for a time, outages and the link touch every request.
    `slow` delays answers, not the making of connections. Raises InputError for a script that cannot be read.
    """

    def __init__(
        self,
        upstream: str | Handler,
        script: str = "",
        clock: Clock | None = None,
        *,
        seed: int = 0,
        port: int = 0,
        scripted: Callable[[str], bool] = is_tile,
    ) -> None:
        self.counts = Counts()
        self.clock: Clock = clock or SystemClock()
        self._behind = ServerBehind(upstream) if isinstance(upstream, str) else None
        self._handler: Handler = self._behind or upstream  # type: ignore[assignment]  # a handler, if no URL
        self._seed, self._port, self._scripted = seed, port, scripted
        self._attempts: Counter[str] = Counter()
        self._listener: asyncio.Server | None = None
        self._open: set[_Connection] = set()
        self._reopening: asyncio.Task[None] | None = None
        self._thread: _Thread | None = None
        self._outage: tuple[float, str] = (0.0, "drop")
        self._sign_in: tuple[float, Word] = (0.0, OK)
        self.follow(script)

    def follow(self, script: str) -> None:
        """Go on with another script, from its first word. An outage that is on goes on."""
        read = read_script(script)
        self._words: Iterator[Step] = read.words()
        self._shares = read.shares
        self._link = SharedLink(read.link, self.clock)

    @property
    def port(self) -> int:
        """The port listened on; only inside the context."""
        if not self._port:
            raise NetworkError("The fault proxy is not running. Start it first.")
        return self._port

    @property
    def base_url(self) -> str:
        """Where it listens, without a slash at the end."""
        return f"http://127.0.0.1:{self.port}"

    async def __aenter__(self) -> Self:
        """If cancelled: nothing listens."""
        await self._listen()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        """If cancelled: connections are broken off already; their tasks may still be ending."""
        if self._reopening is not None:
            self._reopening.cancel()
            await asyncio.gather(self._reopening, return_exceptions=True)
        self._close_listener()
        tasks = [c.task for c in self._open if c.task is not None]
        for connection in list(self._open):
            connection.break_off()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        if self._behind is not None:
            self._behind.close()

    def __enter__(self) -> Self:
        self._thread = _Thread(self)
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._thread is not None:
            self._thread.stop()

    async def _listen(self) -> None:
        loop = asyncio.get_running_loop()
        self._listener = await loop.create_server(
            lambda: _Connection(self), "127.0.0.1", self._port, backlog=512, reuse_address=True
        )
        self._port = int(self._listener.sockets[0].getsockname()[1])

    def _close_listener(self) -> None:
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    # ------------------------------------------------------------------ what the connections ask of it

    def outage(self) -> str | None:
        """The kind of the outage that is on, if any."""
        until_s, kind = self._outage
        return kind if self.clock.now() < until_s else None

    def opened(self, connection: _Connection) -> None:
        """A connection was accepted."""
        self._open.add(connection)
        self.counts.opened()

    def closed(self, connection: _Connection) -> None:
        """A connection is gone."""
        self._open.discard(connection)
        self.counts.closed()

    async def answer(
        self, connection: _Connection, method: str, target: str, asked: Mapping[str, str]
    ) -> End:
        """Answer one request. If cancelled: the request counts as ended, whatever was sent."""
        arrived_s = self.clock.now()
        self.counts.begin(target.partition("?")[0], arrived_s)
        status = 0
        try:
            if self.outage() == "silent":
                await self._link.until(self._outage[0])
            step = self._next(method, target)
            if isinstance(step, Outage):
                await self._begin(step)
                return End.RST if step.kind != "silent" else End.HOLD
            acted = await self._act(step, method, target, asked)
            status = acted.status
            await self._send(connection, acted, arrived_s + self._link.delay_s)
            return acted.end
        finally:
            self.counts.end(status)

    def _next(self, method: str, target: str) -> Word | Outage:
        until_s, page = self._sign_in
        if self.clock.now() < until_s:
            return page
        if method != "GET" or not self._scripted(target):
            return OK
        step = next(self._words)
        if isinstance(step, SignInFault):
            self._sign_in = (self.clock.now() + step.time_s, step.answer)
            return step.answer
        self._attempts[target] += 1
        if step == OK:
            for share in self._shares:
                if share.hits(target, self._attempts[target], self._seed):
                    return share.answer
        return step

    async def _act(self, word: Word, method: str, target: str, asked: Mapping[str, str]) -> Play:
        if word != OK:  # a fault is one of a whole answer, not of a 304
            asked = {k: v for k, v in asked.items() if k not in _CONDITIONS}
        status, headers, body = await self._handler(target, asked)
        served = Served(status, headers, body)
        return play(word, served, self.clock.wall(), head_only=method == "HEAD")

    async def _begin(self, outage: Outage) -> None:
        self._outage = (self.clock.now() + outage.time_s, outage.kind)
        if outage.kind == "silent":
            return
        if outage.kind == "refuse":
            self._close_listener()
            self._reopening = asyncio.get_running_loop().create_task(self._reopen(outage.time_s))
        for connection in list(self._open):
            connection.break_off()

    async def _reopen(self, time_s: float) -> None:
        await self.clock.sleep(time_s)
        await self._listen()

    async def _send(self, connection: _Connection, acted: Play, ready_s: float) -> None:
        link = self._link
        if link.delay_s:
            await link.until(ready_s)
        for piece in acted.pieces:
            if isinstance(piece, bytes) and link.is_open:
                await connection.write(piece)
                continue
            for burst, pause_s in _bursts(piece, link.burst_bytes):
                if pause_s:
                    await self.clock.sleep(pause_s)
                    ready_s = self.clock.now()
                ready_s = await self._through_link(connection, burst, ready_s)
        if acted.end is not End.KEEP:
            await connection.flushed()

    async def _through_link(self, connection: _Connection, burst: bytes, ready_s: float) -> float:
        link = self._link
        if link.is_open:
            await connection.write(burst)
            return ready_s
        through_s = link.book(len(burst), ready_s)
        for part, arrives_s in link.arrivals(len(burst), through_s):
            await link.until(arrives_s)
            await connection.write(burst[part])
        return through_s


def _bursts(piece: Piece, most: int) -> Iterator[tuple[bytes, float]]:
    """A piece in bursts, each with the pause in seconds before it."""
    if isinstance(piece, Trickle):
        for n in range(len(piece.data)):
            yield piece.data[n : n + 1], piece.pace_s
    elif isinstance(piece, Flood):
        for start in range(0, piece.size_bytes, most):
            yield _ZEROS[: min(most, piece.size_bytes - start)], 0.0
    else:
        for start in range(0, len(piece), most):
            yield piece[start : start + most], 0.0


class _Connection(asyncio.Protocol):
    """One connection of a client; requests without bodies, answered one after another."""

    def __init__(self, proxy: FaultProxy) -> None:
        self._proxy = proxy
        self._loop = asyncio.get_running_loop()
        self._received = bytearray()
        self._waiter: asyncio.Future[None] | None = None
        self._room = asyncio.Event()
        self._room.set()
        self._lost: asyncio.Future[None] = self._loop.create_future()
        self._transport: asyncio.Transport | None = None
        self.task: asyncio.Task[None] | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        transport.set_write_buffer_limits(high=65_536)
        self._proxy.opened(self)
        if self._proxy.outage() in ("drop", "refuse"):
            self.break_off()
        else:
            self.task = self._loop.create_task(self._converse())

    def data_received(self, data: bytes) -> None:
        self._received += data
        if self._waiter is not None and not self._waiter.done() and b"\r\n\r\n" in self._received:
            self._waiter.set_result(None)

    def pause_writing(self) -> None:
        self._room.clear()

    def resume_writing(self) -> None:
        self._room.set()

    def connection_lost(self, exc: Exception | None) -> None:
        self._proxy.closed(self)
        if not self._lost.done():
            self._lost.set_result(None)
        self._room.set()
        if self.task is not None:
            self.task.cancel()

    def break_off(self) -> None:
        """Reset the connection: SO_LINGER with time 0 makes the close an RST (POSIX 2.10.16, tcp(7))."""
        assert self._transport is not None
        raw = self._transport.get_extra_info("socket")
        if raw is not None and not self._transport.is_closing():
            raw.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self._transport.abort()

    async def write(self, data: bytes) -> None:
        """Hand bytes over once there is room. If cancelled: none of them are sent."""
        if not self._room.is_set():
            await self._room.wait()
        assert self._transport is not None
        self._transport.write(data)

    async def flushed(self) -> None:
        """Wait until the system has taken every byte. If cancelled: some may still be waiting."""
        assert self._transport is not None
        self._transport.set_write_buffer_limits(high=0)
        await self._room.wait()

    async def _converse(self) -> None:
        assert self._transport is not None
        while True:
            method, target, headers = await self._request()
            end = await self._proxy.answer(self, method, target, headers)
            if end is End.RST:
                self.break_off()
                return
            if end is End.HOLD:
                await self._lost
            if end is End.FIN or headers.get("connection", "").lower() == "close":
                self._transport.close()
                return

    async def _request(self) -> tuple[str, str, dict[str, str]]:
        while (stop := self._received.find(b"\r\n\r\n")) < 0:
            if len(self._received) > _LARGEST_HEAD:
                self.break_off()
            self._waiter = self._loop.create_future()
            await self._waiter
        lines = bytes(self._received[:stop]).decode("latin-1").split("\r\n")
        del self._received[: stop + 4]
        method, target, _ = lines[0].split(" ", 2)
        headers = {}
        for line in lines[1:]:
            name, _, value = line.partition(":")
            headers[name.lower()] = value.strip()
        return method, target, headers


class _Thread:
    """Runs a proxy in an event loop of its own."""

    def __init__(self, proxy: FaultProxy) -> None:
        self._proxy = proxy
        self._loop = asyncio.new_event_loop()
        self._ready, self._fault = threading.Event(), None
        self._stop: asyncio.Event | None = None
        self._thread = threading.Thread(target=self._run, name="fault proxy", daemon=True)

    def start(self) -> None:
        self._thread.start()
        if not self._ready.wait(10):
            raise NetworkError("The fault proxy did not start within 10 seconds. Try again.")

    def stop(self) -> None:
        if self._stop is not None:
            self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(5)

    def _run(self) -> None:
        with asyncio.Runner(loop_factory=lambda: self._loop) as runner:
            runner.run(self._serve())

    async def _serve(self) -> None:
        self._stop = asyncio.Event()
        async with self._proxy:
            self._ready.set()
            await self._stop.wait()
