"""Checking JPEGs in a separate process, once they come so fast that it would hold the event loop up.

To know that the picture inside a JPEG does not end early takes reading all its bits, ten times as long as all
else that a tile needs. While few tiles come, `judge` does it on the spot. Once they come fast, a second
process does, and the loop asks for the next tiles meanwhile. A thread would not do: after every tile it would
hold the interpreter's lock against the loop.

`packer.content.jpeg_checks` is that process's program, and lies outside this room so that it starts at once.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
from collections import deque
from typing import NamedTuple, cast

from packer.common.own_process import own_program_command
from packer.content.jpeg_checks import FINDING, LENGTH, READY

__all__ = ["JPEG_BEGINS", "MOST_WAITING", "JpegFinding", "JpegWorker"]

JPEG_BEGINS = b"\xff\xd8\xff"
# So many in a second take some twentieth of one core.
_BUSY_PER_S = 400
MOST_WAITING = 64
"""The bodies that may wait for the process; where it is the slower one, the loop takes its share."""
_END_S = 2.0


class JpegFinding(NamedTuple):
    """A JPEG that is whole down to its bits: (width, height) in px, and the SHA-256 of its body."""

    size_px: tuple[int, int]
    hash: bytes


class JpegWorker:
    """Checks JPEGs in a process of its own, which it starts when many come. To be made inside the event loop that it
    is used in; `aclose` has to be called at the end.

    `busy_per_s` is the rate of JPEGs from which on the process is used; it never is on a single core.
    """

    def __init__(self, busy_per_s: int = _BUSY_PER_S) -> None:
        self._busy = busy_per_s if _cores() > 1 else sys.maxsize
        self._loop = asyncio.get_running_loop()
        self._since, self._count = self._loop.time(), 0
        self._start: asyncio.Task[None] | None = None
        self._process: _Process | None = None

    @property
    def useful(self) -> bool:
        """Whether the next JPEG had better be given to `check` than judged on the spot."""
        process = self._process
        return process is not None and process.listens and len(process.waiting) < MOST_WAITING

    @property
    def process_id(self) -> int | None:
        """The number of the process once it is ready, until it has ended."""
        return self._process.process_id if self._process is not None and self._process.listens else None

    def note(self) -> None:
        """A JPEG came; when many come in a second, the process is started."""
        if self._start is not None:
            return
        now = self._loop.time()
        if now - self._since > 1.0:
            self._since, self._count = now, 0
        self._count += 1
        if self._count >= self._busy:
            self._start = self._loop.create_task(self._begin())

    async def started(self) -> None:
        """Until the process that is being started is ready, or could not be started.

        If cancelled: the process starts all the same.
        """
        if self._start is not None:
            await asyncio.wait([self._start])
            if self._process is not None:
                await self._process.settled.wait()

    async def check(self, body: bytes) -> JpegFinding | None:
        """What the process finds; None if it is no whole JPEG, or the process has ended, so that nothing is known.

        If cancelled: nothing is held.
        """
        return await self._process.check(body) if self._process is not None else None

    async def aclose(self) -> None:
        """End the process. If cancelled: it ends by itself, with its input."""
        if self._start is not None:
            await asyncio.wait([self._start])
            if self._process is not None:
                await self._process.end()

    async def _begin(self) -> None:
        """If cancelled: there may be a process that ends with its input."""
        command = own_program_command("packer.content.jpeg_checks")
        # Ctrl-C reaches every process of the terminal; when this one ends is for the fetch to say.
        own_group = {"creationflags": 0x200} if sys.platform == "win32" else {"start_new_session": True}
        # Without it the fetch goes on as before, only slower.
        with contextlib.suppress(OSError, NotImplementedError):  # the latter from loops without subprocesses
            _, self._process = await self._loop.subprocess_exec(
                _Process, *command, stderr=asyncio.subprocess.DEVNULL, **own_group
            )


class _Process(asyncio.SubprocessProtocol):
    """The process, seen from the loop. Findings come in the order of the bodies, after a sign that it is ready."""

    def __init__(self) -> None:
        self.listens = False
        self.waiting: deque[asyncio.Future[JpegFinding | None]] = deque()
        self.settled = asyncio.Event()  # it is ready, or will never be
        self._rest = b""
        self._ended = asyncio.get_running_loop().create_future()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.SubprocessTransport, transport)
        self._inlet = cast(asyncio.WriteTransport, self._transport.get_pipe_transport(0))

    @property
    def process_id(self) -> int:
        return self._transport.get_pid()

    def pipe_data_received(self, _fd: int, data: bytes) -> None:
        if not self.settled.is_set():
            self.listens = True
            self.settled.set()
            data = data[len(READY) :]
        data = self._rest + data
        whole = len(data) // FINDING.size * FINDING.size
        self._rest = data[whole:]
        for fit, width, height, digest in FINDING.iter_unpack(data[:whole]):
            if self.waiting:
                self._answer(JpegFinding((width, height), digest) if fit else None)

    def _answer(self, seen: JpegFinding | None) -> None:
        answer = self.waiting.popleft()
        if not answer.done():  # else whoever asked was cancelled
            answer.set_result(seen)

    def pipe_connection_lost(self, _fd: int, _exc: Exception | None) -> None:
        self.listens = False
        self.settled.set()
        while self.waiting:
            self._answer(None)

    def connection_lost(self, _exc: Exception | None) -> None:
        if not self._ended.done():
            self._ended.set_result(None)

    async def check(self, body: bytes) -> JpegFinding | None:
        """See `JpegWorker.check`. If cancelled: the answer is thrown away when it comes."""
        if not self.listens:
            return None
        answer: asyncio.Future[JpegFinding | None] = asyncio.get_running_loop().create_future()
        self.waiting.append(answer)
        self._inlet.write(LENGTH.pack(len(body)) + body)
        return await answer

    async def end(self) -> None:
        """If cancelled: the process ends by itself all the same, since its input has ended."""
        self.listens = False
        self._inlet.close()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(_END_S):
                await asyncio.shield(self._ended)
        self._transport.close()


def _cores() -> int:
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
