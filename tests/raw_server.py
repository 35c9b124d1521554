"""A loopback server below HTTP: each path plays a fixed score of raw bytes and endings.

    async with RawServer({"/whole": (ok(b"abc"),), "/cut": (ok(b"abc")[:-1], End.FIN)}) as server:
        await transport.fetch(server.url("/cut"), ...)

It counts what a polite client must keep small (connections opened, the most open at one moment) and keeps the
request heads, so that a test can read what really went over the wire.
"""

from __future__ import annotations

import asyncio
import enum
import socket
import ssl
import struct
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self

__all__ = ["End", "RawServer", "Score", "Trickle", "chunked", "ok"]

_LONGEST_S = 60.0


class End(enum.Enum):
    """What the server does after the last bytes of a score; without one it waits for the next request."""

    FIN = "close in good order"
    RST = "break off"
    CUT = "end the TCP stream without the farewell that TLS asks for"
    HOLD = "fall silent, with the connection open"


@dataclass(frozen=True, slots=True)
class Trickle:
    """One byte, again and again, `pace_s` seconds apart, until the client goes away."""

    pace_s: float
    byte: bytes = b"x"


Score = Sequence[bytes | Trickle | End]
Player = Callable[[bytes], Score]


def ok(body: bytes, *headers: str) -> bytes:
    """A well-formed 200 with `Content-Length`."""
    lines = ["HTTP/1.1 200 OK", f"Content-Length: {len(body)}", *headers]
    return "\r\n".join(lines).encode() + b"\r\n\r\n" + body


def chunked(*chunks: bytes, status: str = "200 OK") -> bytes:
    """The head and `chunks` of a chunked answer; an empty last chunk is the zero chunk that ends it."""
    head = f"HTTP/1.1 {status}\r\nTransfer-Encoding: chunked\r\n\r\n".encode()
    return head + b"".join(b"%x\r\n%b\r\n" % (len(chunk), chunk) for chunk in chunks)


@dataclass
class RawServer:
    """Serves `scores` by path (query stripped), or by whatever `scores` returns for a request head.

    An unknown path gets a 404. Leaving the context breaks every connection off and joins every task.
    """

    scores: Mapping[str, Score] | Player
    tls: ssl.SSLContext | None = None
    connections_opened: int = 0
    open_now: int = 0
    most_open: int = 0
    heads: list[bytes] = field(default_factory=list)
    _server: asyncio.Server | None = None
    _tasks: set[asyncio.Task[None]] = field(default_factory=set)
    _changed: asyncio.Condition = field(default_factory=asyncio.Condition)
    holding: int = 0

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._accept, "127.0.0.1", 0, ssl=self.tls, backlog=512)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._server is not None
        self._server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks)
        await self._server.wait_closed()

    @property
    def port(self) -> int:
        assert self._server is not None
        return int(self._server.sockets[0].getsockname()[1])

    def url(self, path: str, *, host: str = "127.0.0.1", userinfo: str = "") -> str:
        scheme = "https" if self.tls else "http"
        return f"{scheme}://{userinfo}{host}:{self.port}{path}"

    async def until(self, reached: Callable[[Self], bool]) -> None:
        """Wait until `reached(server)` holds; looked at on each connection, request and ending.

        What held for a moment only may be missed. Raises TimeoutError rather than wait for ever.
        """
        async with asyncio.timeout(_LONGEST_S), self._changed:
            await self._changed.wait_for(lambda: reached(self))

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        self.connections_opened += 1
        self.open_now += 1
        self.most_open = max(self.most_open, self.open_now)
        try:
            await self._tell()
            await self._converse(reader, writer)
        except (asyncio.IncompleteReadError, ConnectionError, asyncio.CancelledError, ssl.SSLError):
            writer.transport.abort()  # the client went away, or the test is over: both are ordinary here
        finally:
            self.open_now -= 1
            writer.close()
            self._tasks.discard(task)
            await self._tell()

    async def _converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            head = await reader.readuntil(b"\r\n\r\n")
            self.heads.append(head)
            await self._tell()
            for step in self._score(head):
                if isinstance(step, bytes):
                    writer.write(step)
                    await writer.drain()
                elif isinstance(step, Trickle):
                    await self._trickle(writer, step)
                else:
                    await self._end(reader, writer, step)
                    return

    def _score(self, head: bytes) -> Score:
        if callable(self.scores):
            return self.scores(head)
        target = head.split(b" ")[1].decode().partition("?")[0]
        path = "/" + target.split("/", 3)[3] if "://" in target else target  # a proxy is sent whole addresses
        return self.scores.get(path, (b"HTTP/1.1 404 Not Found\r\nContent-Length: 0\r\n\r\n",))

    async def _hold(self, reader: asyncio.StreamReader) -> None:
        self.holding += 1
        await self._tell()
        try:
            await reader.read(1)
        finally:
            self.holding -= 1

    async def _end(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, end: End) -> None:
        raw = writer.get_extra_info("socket")
        if end is End.HOLD:
            await self._hold(reader)
        elif end is End.CUT:
            raw.shutdown(socket.SHUT_WR)
            await self._hold(reader)
        elif end is End.RST:
            raw.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            writer.transport.abort()
        else:
            writer.close()
            await writer.wait_closed()

    async def _trickle(self, writer: asyncio.StreamWriter, trickle: Trickle) -> None:
        while True:  # ends with the ConnectionError that a departed client causes, or when the test is over
            writer.write(trickle.byte)
            await writer.drain()
            await asyncio.sleep(trickle.pace_s)

    async def _tell(self) -> None:
        async with self._changed:
            self._changed.notify_all()
