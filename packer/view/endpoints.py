"""The view's addresses. All of them only read; what they say of a pack is what it holds at that moment."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable
from functools import cache
from pathlib import Path
from urllib.parse import quote

import xstatic.pkg.leaflet as leaflet
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from packer.content.codings import unwrap
from packer.content.damage import Damaged
from packer.errors import LastbarError
from packer.geometry.grid import MAX_ZOOM
from packer.geometry.tileset import Tile
from packer.version import __version__
from packer.view.board import Board, BoardLayer
from packer.view.positions import decimal_text, dms_text, mgrs_text, read_position

__all__ = ["MOST_LEVELS", "body_kind", "endpoints", "view_routes"]

# Six zooms up, 4 by 4 pixels of the coarser tile fill a whole one: beyond, nothing can be recognised in it.
MOST_LEVELS = 6
_LARGEST_VECTOR = 32 * 1024 * 1024
_HERE = Path(__file__).parent / "static"
_FILES = {
    "/": (_HERE / "index.html", "text/html; charset=utf-8"),
    **{
        f"/static/{path.name}": (path, kind)
        for suffix, kind in (
            (".css", "text/css; charset=utf-8"),
            (".js", "text/javascript; charset=utf-8"),
            (".svg", "image/svg+xml"),
        )
        for path in sorted(_HERE.glob(f"*{suffix}"))
    },
    "/leaflet/leaflet.js": (Path(leaflet.BASE_DIR) / "leaflet.js", "text/javascript; charset=utf-8"),
    "/leaflet/leaflet.css": (Path(leaflet.BASE_DIR) / "leaflet.css", "text/css; charset=utf-8"),
}
_VECTOR = "application/vnd.mapbox-vector-tile"  # as registered with IANA


def endpoints(board: Board) -> Starlette:
    """The application, without its guard. Functions run in threads, so that a slow disk holds up nobody."""
    return Starlette(
        routes=[*view_routes(lambda: board), *(Route(path, _file) for path in _FILES)],
        exception_handlers={HTTPException: _plain, LastbarError: _unusable},
    )


def view_routes(board: Callable[[], Board]) -> list[Route]:
    """The addresses that tell what is on board, asked of `board` at each request."""
    answers = _Answers(board)
    return [
        Route("/tiles/{layer}/{z}/{x}/{y}", answers.tile),
        Route("/nearest/{layer}/{z}/{x}/{y}", answers.nearest),
        Route("/tilejson/{layer}", answers.tilejson),
        Route("/coverage/{layer}.geojson", answers.coverage),
        Route("/route.geojson", lambda _: _geojson(board().routes)),
        Route("/areas.geojson", lambda _: _geojson(board().areas)),
        Route("/board.json", lambda _: JSONResponse(board().document())),
        Route("/depth", answers.depth),
        Route("/position", _position),
        Route("/health", lambda _: JSONResponse({"status": "ok", "version": __version__})),
    ]


class _Answers:
    """The answers that speak of one layer."""

    def __init__(self, board: Callable[[], Board]) -> None:
        self._board = board

    def _layer(self, request: Request) -> BoardLayer:
        """The layer that the path names, or else the query."""
        layers = self._board().layers
        name: str = request.path_params.get("layer", request.query_params.get("layer", ""))
        if name not in layers:
            raise HTTPException(404, f"There is no layer of that name. Layers: {', '.join(layers)}.")
        return layers[name]

    def tile(self, request: Request) -> Response:
        """A body as stored, or 404."""
        wanted = _tile(request)
        body = self._layer(request).pack.body(wanted)
        if body is None:
            raise HTTPException(404, f"Tile {wanted} is not on board.")
        return _body_answer(request, body, {})

    def nearest(self, request: Request) -> Response:
        """The body that stands in for a tile: its own or that of its nearest coarser ancestor, which
        `X-On-Board` names as z/x/y; 204 where none is near enough to show anything."""
        wanted = _tile(request)
        found = self._layer(request).pack.nearest(wanted, MOST_LEVELS)
        if found is None:
            return Response(status_code=204)
        return _body_answer(request, found[1], {"X-On-Board": str(found[0])})

    def tilejson(self, request: Request) -> Response:
        """TileJSON 3.0.0, with addresses under the name that was asked: the guard let only our own pass."""
        layer = self._layer(request)
        base = f"http://{request.headers['host']}/tiles/{quote(layer.name)}"
        return JSONResponse(self._board().tilejson(layer, base + "/{z}/{x}/{y}"))

    def coverage(self, request: Request) -> Response:
        """Outlines of what is on board and of what is not."""
        return _geojson(self._board().coverage(self._layer(request)))

    def depth(self, request: Request) -> Response:
        """What is on board under a position; 400 for none."""
        layer = self._layer(request)
        return JSONResponse(layer.depth(_number(request, "lon", math.inf), _number(request, "lat", 90.0)))


def _position(request: Request) -> Response:
    try:
        found = read_position(request.query_params.get("text", ""))
    except ValueError as fault:
        return JSONResponse({"found": False, "reason": str(fault)})
    at = found.lon, found.lat
    texts = {"text": decimal_text(*at), "dms": dms_text(*at), "mgrs": mgrs_text(*at)}
    said = {"lon": found.lon, "lat": found.lat, "read_as": found.read_as}
    square = [list(corner) for corner in found.square]
    return JSONResponse({"found": True, **said, "square": square, **texts})


def _geojson(document: object) -> Response:
    return JSONResponse(document, media_type="application/geo+json")


async def _plain(_: Request, fault: Exception) -> Response:
    """An error as one line of text. If cancelled: nothing was done."""
    assert isinstance(fault, HTTPException)
    return PlainTextResponse(f"{fault.detail}\n", fault.status_code, headers=dict(fault.headers or {}))


async def _unusable(_: Request, fault: Exception) -> Response:
    """A pack that cannot be read, in the error's own words. If cancelled: nothing was done."""
    return PlainTextResponse(f"{fault}\n", 503)


def _tile(request: Request) -> Tile:
    texts = [request.path_params[name] for name in ("z", "x", "y")]
    if all(t.isascii() and t.isdigit() and len(t) <= 8 for t in texts):
        zoom, x, y = (int(t) for t in texts)
        if zoom <= MAX_ZOOM and x < 1 << zoom and y < 1 << zoom:
            return Tile(zoom, x, y)
    raise HTTPException(
        400, f"A tile is z/x/y in whole numbers: z up to {MAX_ZOOM}, x and y from 0 to 2^z - 1."
    )


def _number(request: Request, name: str, most: float) -> float:
    try:
        value = float(request.query_params[name])
    except (KeyError, ValueError):
        value = math.nan
    if not (math.isfinite(value) and abs(value) <= most):
        raise HTTPException(400, f"{name} should be a number of degrees.")
    return value


def _body_answer(request: Request, body: bytes, headers: dict[str, str]) -> Response:
    """A body with its type and its entity tag."""
    kind = body_kind(body)
    if kind == _VECTOR:
        headers["Vary"] = "Accept-Encoding"
        if "gzip" in request.headers.get("accept-encoding", "gzip"):
            headers["Content-Encoding"] = "gzip"
        else:
            try:
                body = unwrap(body, "gzip", _LARGEST_VECTOR)
            except Damaged as fault:
                raise HTTPException(500, f"This tile is corrupt: {fault}.") from None
    headers["ETag"] = _tag(body)
    return _unless_known(request, Response(body, headers=headers, media_type=kind))


def _tag(body: bytes) -> str:
    """A strong entity tag: a hash of the very bytes that are sent."""
    return f'"{hashlib.sha256(body).hexdigest()[:32]}"'


def _unless_known(request: Request, answer: Response) -> Response:
    """304 if the asker holds these bytes already (RFC 9110, 13.1.2)."""
    known = {tag.strip().removeprefix("W/") for tag in request.headers.get("if-none-match", "").split(",")}
    if not known & {answer.headers["ETag"], "*"}:
        return answer
    kept = ("etag", "vary", "x-on-board")
    return Response(status_code=304, headers={k: v for k, v in answer.headers.items() if k in kept})


def body_kind(body: bytes) -> str:
    """The media type that a body's first bytes speak of."""
    for start, kind in (
        (b"\x89PNG\r\n\x1a\n", "image/png"),
        (b"\xff\xd8\xff", "image/jpeg"),
        (b"\x1f\x8b", _VECTOR),
    ):
        if body.startswith(start):
            return kind
    return "image/webp" if body[:4] == b"RIFF" and body[8:12] == b"WEBP" else "application/octet-stream"


@cache
def _content(path: str) -> tuple[bytes, str, str]:
    file, kind = _FILES[path]
    body = file.read_bytes()
    return body, kind, _tag(body)


def _file(request: Request) -> Response:
    body, kind, tag = _content(request.url.path)
    return _unless_known(request, Response(body, headers={"ETag": tag, "Content-Type": kind}))
