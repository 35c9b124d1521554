"""The practice server: the survey's layers over HTTP, on this machine only.

    with PracticeServer() as server:
        ...  # server.base_url, server.counts

It is a well-behaved tile server: strong ETags, conditional requests, Cache-Control, HEAD, an optional key.
"""

from __future__ import annotations

import functools
import hmac
import socket
import sys
import threading
import time
from collections.abc import Mapping
from datetime import UTC, datetime
from email.utils import format_datetime, parsedate_to_datetime
from types import TracebackType
from typing import Any, Self

import anyio
import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

from packer.errors import NetworkError
from packer.practice.catalogue import SHARP_SET, tilejson, wmts_capabilities
from packer.practice.counting import Counts
from packer.practice.layers import LAYERS, Survey, SurveyTile

__all__ = ["PracticeServer", "practice_app"]

_MAX_AGE_S = 7 * 86_400
_PAINTERS = 2
_PLACE = "/{z:int}/{x:int}/{y:int}.{extension}"
_ROBOTS = "User-agent: *\nAllow: /\n"


def practice_app(
    survey: Survey,
    counts: Counts,
    *,
    key: str | None = None,
) -> ASGIApp:
    """The server as an ASGI application.

    `key`, if given, has to come with each tile as header X-Key or as ?key=; without it the answer is 403.
    """
    handlers = _Handlers(survey, key)
    routes = [
        Route("/health", handlers.health),
        Route("/robots.txt", handlers.robots),
        Route("/tilejson/{layer}.json", handlers.tilejson),
        Route("/wmts", handlers.wmts),
        Route("/kvp", handlers.kvp),
        Route(f"/{{layer}}{_PLACE}", handlers.tile),
        Route(f"/{{layer}}/WebMercatorQuad{_PLACE}", handlers.tile),
        Route(f"/{{layer}}/{SHARP_SET}{_PLACE}", handlers.sharp_tile),
    ]
    return _Counted(Starlette(routes=routes), counts)


class _Counted:
    """Counts each request from its first byte read to its last byte handed to the server."""

    def __init__(self, app: ASGIApp, counts: Counts) -> None:
        self._app, self._counts = app, counts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """If cancelled: the request still counts as ended."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        status = 0

        async def noting(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        self._counts.begin(scope["path"], time.monotonic())
        try:
            await self._app(scope, receive, noting)
        finally:
            self._counts.end(status)


class _Handlers:
    def __init__(self, survey: Survey, key: str | None) -> None:
        self._survey, self._key = survey, key
        self._painters = anyio.CapacityLimiter(_PAINTERS)

    async def health(self, _: Request) -> Response:
        return PlainTextResponse("well\n")

    async def robots(self, _: Request) -> Response:
        return PlainTextResponse(_ROBOTS)

    async def tilejson(self, request: Request) -> Response:
        name = request.path_params["layer"]
        if name not in LAYERS:
            return _none()
        return JSONResponse(tilejson(name, str(request.base_url), self._survey.revision))

    async def wmts(self, request: Request) -> Response:
        """Capabilities; with ?kvp=1 those of a service without RESTful addresses."""
        plain = request.query_params.get("kvp") == "1"
        told = wmts_capabilities(str(request.base_url), by_kvp=plain)
        return Response(told, media_type="application/xml")

    async def kvp(self, request: Request) -> Response:
        """A tile by GetTile (07-057r7, clause 8.2). If cancelled: as for `tile`."""
        asked = {name.lower(): value for name, value in request.query_params.items()}
        zoom = asked.get("tilematrix", "").removeprefix("EPSG:3857:")
        numbers = (zoom, asked.get("tilecol", ""), asked.get("tilerow", ""))
        layer = LAYERS.get(asked.get("layer", ""))
        if layer is None or asked.get("request") != "GetTile" or asked.get("format") != layer.media_type:
            return PlainTextResponse("This is not a GetTile request for a layer of this server.\n", 400)
        if not all(n.isascii() and n.isdecimal() and len(n) < 10 for n in numbers):
            return PlainTextResponse("TileMatrix, TileCol or TileRow is missing.\n", 400)
        z, x, y = map(int, numbers)
        return await self._tile(request, asked["layer"], z, x, y)

    async def tile(self, request: Request) -> Response:
        """A tile, 304, 403 or 404. If cancelled: a painter that has begun finishes and keeps its work."""
        layer, z, x, y, extension = (request.path_params[k] for k in ("layer", "z", "x", "y", "extension"))
        if layer not in LAYERS or extension != LAYERS[layer].extension:
            return _none() if self._may(request) else _refused()
        return await self._tile(request, layer, z, x, y)

    async def sharp_tile(self, request: Request) -> Response:
        """As `tile`, of 512 pixels."""
        if not self._may(request):
            return _refused()
        layer, z, x, y, extension = (request.path_params[k] for k in ("layer", "z", "x", "y", "extension"))
        if not self._survey.has(layer, z, x, y) or extension != LAYERS[layer].extension:
            return _none()
        paint = functools.partial(self._survey.sharp_tile, layer, z, x, y)
        tile = await anyio.to_thread.run_sync(paint, limiter=self._painters)
        return _none() if tile is None else _answer(tile, request.headers)

    async def _tile(self, request: Request, layer: str, z: int, x: int, y: int) -> Response:
        """If cancelled: as for `tile`."""
        if not self._may(request):
            return _refused()
        if not self._survey.has(layer, z, x, y):
            return _none()
        tile = self._survey.kept(layer, z, x, y)
        if tile is None:
            paint = functools.partial(self._survey.tile, layer, z, x, y)
            tile = await anyio.to_thread.run_sync(paint, limiter=self._painters)
        return _none() if tile is None else _answer(tile, request.headers)

    def _may(self, request: Request) -> bool:
        if self._key is None:
            return True
        given = request.headers.get("x-key") or request.query_params.get("key") or ""
        return hmac.compare_digest(given.encode(), self._key.encode())


def _refused() -> Response:
    return PlainTextResponse("This layer needs a key.\n", 403)


def _none() -> Response:
    return PlainTextResponse("There is no such tile.\n", 404)


def _answer(tile: SurveyTile, asked: Mapping[str, str]) -> Response:
    headers = {
        "ETag": tile.etag,
        "Last-Modified": format_datetime(tile.modified, usegmt=True),
        "Cache-Control": f"public, max-age={_MAX_AGE_S}",
    }
    if _is_current(tile, asked):
        return Response(status_code=304, headers=headers)
    return Response(tile.body, media_type=tile.media_type, headers=headers)


def _is_current(tile: SurveyTile, asked: Mapping[str, str]) -> bool:
    """Whether the client's copy is good, by RFC 9110 13.2.2: If-None-Match, compared weakly, goes before
    If-Modified-Since."""
    tags = asked.get("if-none-match")
    if tags is not None:
        return tags.strip() == "*" or tile.etag in (t.strip().removeprefix("W/") for t in tags.split(","))
    since = _date(asked.get("if-modified-since"))
    return since is not None and tile.modified <= since


def _date(text: str | None) -> datetime | None:
    try:
        moment = parsedate_to_datetime(text or "")
    except ValueError:
        return None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


class _Server(uvicorn.Server):
    def __init__(self, config: uvicorn.Config) -> None:
        super().__init__(config)
        self.listening = threading.Event()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """If cancelled: nothing listens."""
        await super().startup(sockets)
        self.listening.set()


def _counting_protocol(counts: Counts) -> type[H11Protocol]:
    class Protocol(H11Protocol):
        def connection_made(self, transport: Any) -> None:
            counts.opened()
            super().connection_made(transport)

        def connection_lost(self, exc: Exception | None) -> None:
            counts.closed()
            super().connection_lost(exc)

    return Protocol


class PracticeServer:
    """A context manager that serves from a thread of its own, on 127.0.0.1 only.

    `port` 0 takes a free one. `revision` is that of the survey: each one replaces a tenth of the tiles.
    Raises NetworkError where the port cannot be had.
    """

    def __init__(
        self,
        port: int = 0,
        *,
        key: str | None = None,
        revision: int = 0,
    ) -> None:
        self.counts = Counts()
        self.survey = Survey(revision)
        app = practice_app(self.survey, self.counts, key=key)
        config = uvicorn.Config(
            app,
            http=_counting_protocol(self.counts),
            ws="none",
            lifespan="off",
            log_config=None,
            access_log=False,
            server_header=False,
            timeout_keep_alive=60,
            backlog=512,
        )
        self._asked_port = port
        self._server = _Server(config)
        self._socket: socket.socket | None = None
        self._thread: threading.Thread | None = None

    @property
    def port(self) -> int:
        """The port listened on; only inside the context."""
        if self._socket is None:
            raise NetworkError("The practice server is not running. Start it first.")
        return int(self._socket.getsockname()[1])

    @property
    def base_url(self) -> str:
        """Where it listens, without a slash at the end."""
        return f"http://127.0.0.1:{self.port}"

    def template(self, layer: str) -> str:
        """The address template of a layer."""
        return f"{self.base_url}/{layer}/{{z}}/{{x}}/{{y}}.{LAYERS[layer].extension}"

    def __enter__(self) -> Self:
        self._socket = _listen(self._asked_port)
        self._thread = threading.Thread(
            target=self._server.run, kwargs={"sockets": [self._socket]}, name="practice", daemon=True
        )
        self._thread.start()
        if not self._server.listening.wait(10):
            raise NetworkError("The practice server did not start within 10 seconds. Try again.")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._server.should_exit = True
        if self._thread is not None:
            self._thread.join(0.6)
            self._server.force_exit = True  # whoever is still being answered is cut off
            self._thread.join(5)
        if self._socket is not None:
            self._socket.close()
            self._socket = None


def _listen(port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if sys.platform != "win32":  # there the option would let another program share the port
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind(("127.0.0.1", port))
    except OSError as fault:
        listener.close()
        raise NetworkError(
            f"Port {port} on this machine cannot be used: {fault.strerror}. Choose another, or 0 for "
            "any free one."
        ) from fault
    return listener
