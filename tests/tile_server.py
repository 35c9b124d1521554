"""A loopback tile server for tests: every tile a small PNG of its own, requests counted, faults by script.

It runs in a thread of its own, so that fetches in other processes and in this event loop can use it alike.
A fault is a function from the path to raw bytes, or None to answer as usual.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import struct
import threading
import zlib
from collections import Counter
from collections.abc import Callable
from multiprocessing.connection import Connection
from types import TracebackType
from typing import Self

__all__ = ["TileServer", "answer", "png"]

Fault = Callable[[str], bytes | None]


def _chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


def png(seed: str, size_px: int = 16) -> bytes:
    """A valid grey PNG whose pixels follow from `seed`."""
    mark = zlib.crc32(seed.encode())
    row = b"\0" + bytes((mark >> (8 * (i % 4))) & 0xFF for i in range(size_px))
    head = struct.pack(">IIBBBBB", size_px, size_px, 8, 0, 0, 0, 0)
    pixels = zlib.compress(row * size_px)
    return b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", head) + _chunk(b"IDAT", pixels) + _chunk(b"IEND", b"")


def answer(status: str, body: bytes = b"", kind: str = "image/png", *headers: str) -> bytes:
    """A whole HTTP answer with its length."""
    lines = [f"HTTP/1.1 {status}", f"Content-Type: {kind}", f"Content-Length: {len(body)}", *headers]
    return "\r\n".join(lines).encode() + b"\r\n\r\n" + body


class TileServer:
    """`with TileServer() as server`: serves PNG at /NAME/z/x/y.png, 404 for robots.txt.

    `asked` counts requests by path; `most_open` is the greatest number of connections at one moment and
    `most_at_once` of requests being answered; `heads` keeps request heads if `keep_heads`. With an `edition`,
    which numbers the revision of each path, tiles have an ETag and conditions are heeded; `statuses` counts the
    answers to conditional requests.
    """

    def __init__(
        self,
        fault: Fault | None = None,
        delay_s: float = 0.0,
        *,
        keep_heads: bool = False,
        edition: Callable[[str], int] | None = None,
    ) -> None:
        self.asked: Counter[str] = Counter()
        self.statuses: Counter[int] = Counter()
        self.edition = edition
        self.heads: list[str] = []
        self.most_open = self.most_at_once = 0
        self.port = 0
        self.fault = fault
        self._delay_s, self._keep = delay_s, keep_heads
        self._open = self._busy = 0
        self._loop = asyncio.new_event_loop()
        self._ready = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._tiles = 0
        self._hold_after: int | None = None
        self._released = asyncio.Event()
        self._marks: list[tuple[int, Connection]] = []

    @property
    def url(self) -> str:
        """The template of its layer, with PNG tiles."""
        return f"http://127.0.0.1:{self.port}/survey/{{z}}/{{x}}/{{y}}.png"

    @property
    def tiles_asked(self) -> Counter[str]:
        """Requests for tiles by "z/x/y"."""
        found: Counter[str] = Counter()
        for path, n in dict(self.asked).items():  # a copy in one step: the server goes on counting
            if path.startswith("/survey/"):
                found[path.removeprefix("/survey/").removesuffix(".png")] += n
        return found

    def reached(self, requests: int) -> Connection:
        """Can be read as soon as more than so many requests for tiles have come in all."""
        readable, writable = multiprocessing.Pipe(duplex=False)

        def mark() -> None:
            self._marks.append((requests, writable))
            self._tell()

        self._loop.call_soon_threadsafe(mark)
        return readable

    def hold_after(self, requests: int | None) -> None:
        """Leave every request for a tile beyond so many in all without an answer; None answers them."""

        def hold() -> None:
            self._hold_after = requests
            self._released.set()
            self._released = asyncio.Event()

        self._loop.call_soon_threadsafe(hold)

    def _tell(self) -> None:
        for mark in [m for m in self._marks if self._tiles > m[0]]:
            self._marks.remove(mark)
            mark[1].close()  # its other end reads the end of file

    def __enter__(self) -> Self:
        self._thread.start()
        self._ready.wait(10)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10)

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        server = self._loop.run_until_complete(asyncio.start_server(self._accept, "127.0.0.1", self.port))
        self.port = server.sockets[0].getsockname()[1]
        self._ready.set()
        self._loop.run_forever()
        server.close()
        for task in asyncio.all_tasks(self._loop):
            task.cancel()
        self._loop.run_until_complete(asyncio.gather(*asyncio.all_tasks(self._loop), return_exceptions=True))
        self._loop.close()

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._open += 1
        self.most_open = max(self.most_open, self._open)
        try:
            while True:
                head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1")
                await self._answer(head, writer)
        except (asyncio.IncompleteReadError, ConnectionError, asyncio.CancelledError):
            return
        finally:
            self._open -= 1
            writer.transport.abort()

    async def _answer(self, head: str, writer: asyncio.StreamWriter) -> None:
        path = head.split()[1]
        self.asked[path.partition("?")[0]] += 1
        if self._keep:
            self.heads.append(head)
        if path.startswith("/survey/"):
            self._tiles += 1
            self._tell()
            while self._hold_after is not None and self._tiles > self._hold_after:
                await self._released.wait()
        self._busy += 1
        self.most_at_once = max(self.most_at_once, self._busy)
        if self._delay_s:
            await asyncio.sleep(self._delay_s)
        self._busy -= 1
        reply = self.fault(path) if self.fault else None
        if reply is None and self.edition and path.endswith(".png"):
            reply = self._edited(path, head, self.edition(path))
        if reply is None:
            found = path.partition("?")[0].endswith(".png")
            reply = answer("200 OK", png(path.partition("?")[0])) if found else answer("404 Not Found")
        if reply == b"":
            raise ConnectionResetError
        writer.write(reply)
        await writer.drain()

    def _edited(self, path: str, head: str, edition: int) -> bytes:
        """RFC 9110 section 13.1.2: a condition on the entity tag goes before one on the date."""
        asked = {n.lower(): v for n, _, v in (line.partition(": ") for line in head.split("\r\n")[1:])}
        tag = f'"{edition}"'
        same = asked.get("if-none-match") == tag
        if "if-none-match" in asked:
            self.statuses[304 if same else 200] += 1
        headers = (f"ETag: {tag}", "Last-Modified: Thu, 01 Oct 2020 00:00:00 GMT")
        if same:
            return "\r\n".join(["HTTP/1.1 304 Not Modified", *headers]).encode() + b"\r\n\r\n"
        body = png(f"{path} {edition}" if edition else path)
        return answer("200 OK", body, "image/png", *headers)
