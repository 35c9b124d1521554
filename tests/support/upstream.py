"""What stands behind a fault proxy: an ASGI application in this process, or a server on this machine."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from typing import Any
from urllib.parse import unquote, urlsplit

from starlette.types import ASGIApp

from packer.errors import InputError, NetworkError

__all__ = ["Handler", "ServerBehind", "app_handler"]

Handler = Callable[[str, Mapping[str, str]], Awaitable[tuple[int, Mapping[str, str], bytes]]]
"""From a path with its query and lower-case request headers to status, headers and body."""

_LOOPBACK = ("127.0.0.1", "localhost")


def app_handler(app: ASGIApp) -> Handler:
    """Ask an ASGI application without any HTTP in between."""

    async def handle(target: str, headers: Mapping[str, str]) -> tuple[int, Mapping[str, str], bytes]:
        """If cancelled: the application is cancelled with it."""
        path, _, query = target.partition("?")
        scope = {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "method": "GET",
            "scheme": "http",
            "path": unquote(path),
            "raw_path": path.encode("latin-1"),
            "query_string": query.encode("latin-1"),
            "root_path": "",
            "headers": [(k.encode("latin-1"), v.encode("latin-1")) for k, v in headers.items()],
            "client": ("127.0.0.1", 0),
            "server": ("127.0.0.1", 80),
        }
        status, named, body = 500, {}, bytearray()

        async def receive() -> dict[str, Any]:
            return {"type": "http.request", "body": b"", "more_body": False}

        async def send(message: Any) -> None:
            nonlocal status, named
            if message["type"] == "http.response.start":
                status = message["status"]
                named = {k.decode("latin-1"): v.decode("latin-1") for k, v in message["headers"]}
            else:
                body.extend(message.get("body", b""))

        await app(scope, receive, send)
        return status, named, bytes(body)

    return handle


class ServerBehind:
    """A server on this machine as a handler, over kept-alive HTTP/1.1 connections; its answers have to state
    their Content-Length. Raises InputError for any other machine."""

    def __init__(self, base_url: str) -> None:
        parts = urlsplit(base_url)
        if parts.scheme != "http" or parts.hostname not in _LOOPBACK:
            raise InputError(
                f"The fault proxy stands only before a server on this machine, which {base_url} is not. Give "
                "an address such as http://127.0.0.1:8123."
            )
        self._host, self._port = parts.hostname, parts.port or 80
        self._idle: list[tuple[asyncio.StreamReader, asyncio.StreamWriter]] = []

    def close(self) -> None:
        """Close the connections that lie idle."""
        for _, writer in self._idle:
            writer.transport.abort()
        self._idle.clear()

    async def __call__(self, target: str, headers: Mapping[str, str]) -> tuple[int, Mapping[str, str], bytes]:
        """If cancelled: the connection in use is closed."""
        fresh = not self._idle
        reader, writer = self._idle.pop() if self._idle else await self._connect()
        lines = [f"GET {target} HTTP/1.1", f"Host: {self._host}:{self._port}"]
        lines += [f"{k}: {v}" for k, v in headers.items() if k not in ("host", "connection")]
        whole = False
        try:
            writer.write(("\r\n".join(lines) + "\r\n\r\n").encode("latin-1"))
            answer = await _read_answer(reader)
            whole = True
        except (asyncio.IncompleteReadError, ConnectionError) as fault:
            if fresh:
                raise NetworkError(f"The server behind the fault proxy broke off: {fault}.") from fault
        finally:
            if whole:
                self._idle.append((reader, writer))
            else:
                writer.transport.abort()
        # A kept connection may have been closed while it lay idle: that says nothing of the server.
        return answer if whole else await self(target, headers)

    async def _connect(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        try:
            return await asyncio.open_connection(self._host, self._port, limit=1 << 20)
        except OSError as fault:
            raise NetworkError(
                f"The server behind the fault proxy, {self._host}:{self._port}, cannot be reached: {fault.strerror}."
            ) from fault


async def _read_answer(reader: asyncio.StreamReader) -> tuple[int, Mapping[str, str], bytes]:
    head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1").split("\r\n")
    status = int(head[0].split(" ")[1])
    named = {k.strip().lower(): v.strip() for k, _, v in (line.partition(":") for line in head[1:] if line)}
    length = 0 if status in (204, 304) else int(named.get("content-length", "0"))
    return status, named, await reader.readexactly(length)
