"""The desk's addresses that look at layers: tiles from pack or source, the depth strip, a trial, the collection."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from typing import Any
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from packer.desk.session import Session
from packer.desk.strip import cost_of, judged, row, strip_zooms
from packer.desk.trying import try_layer
from packer.errors import LastbarError
from packer.geometry.grid import MAX_ZOOM
from packer.geometry.tileset import Tile
from packer.store.reader import tile_at
from packer.view.endpoints import MOST_LEVELS, body_kind

__all__ = ["look_routes"]

ReadBody = Callable[[Request], Awaitable[Mapping[str, Any]]]


def look_routes(session: Session, read_body: ReadBody) -> list[Route]:
    """The addresses; all of them need the session."""
    answers = _LookAnswers(session, read_body)
    return [
        Route("/api/look/{layer}/{z:int}/{x:int}/{y:int}", answers.look),
        Route("/api/strip", answers.strip),
        Route("/api/try-layer", answers.trial, methods=["POST"]),
        Route("/api/collection", answers.collection),
        Route("/api/collection", answers.keep, methods=["POST"]),
        Route("/api/collection/file", answers.hand_on),
        Route("/api/collection/file", answers.take, methods=["POST"]),
    ]


class _LookAnswers:
    """The answers about layers and their tiles."""

    def __init__(self, session: Session, read_body: ReadBody) -> None:
        self._session, self._read_body = session, read_body

    async def look(self, request: Request) -> Response:
        """One tile from the pack, else the source, else enlarged from the pack. `X-From` says which, `X-On-Board` the
        tile that is shown, `X-Why` in percent-encoding why the source gave none. If cancelled: nothing is stored."""
        asked = request.path_params
        tile = Tile(asked["z"], asked["x"], asked["y"])
        if tile.zoom > MAX_ZOOM or max(tile.x, tile.y) >= 1 << tile.zoom:
            raise HTTPException(400, "There is no such tile on the grid.")
        patient = request.query_params.get("patient") == "1"
        body, source, why = await self._tile(asked["layer"], tile, patient)
        headers = {"X-From": source, "Cache-Control": "no-store"}
        if why:
            headers["X-Why"] = quote(why)[:2000]
        if body is not None:
            return _picture(body, tile, headers)
        pack = (await self._board_layer(asked["layer"])).pack
        if (found := await run_in_threadpool(pack.nearest, tile, MOST_LEVELS)) is None:
            return Response(status_code=204, headers=headers | {"X-From": "none"})
        return _picture(found[1], found[0], headers | {"X-From": "enlarged"})

    async def strip(self, request: Request) -> Response:
        """The depth strip of a place. If cancelled: no further tile is asked for."""
        query = request.query_params
        layer, area = query.get("layer", ""), query.get("area")
        lon, lat = _degrees(query.get("lon"), 360.0), _degrees(query.get("lat"), 90.0)
        _, brief, plan = await run_in_threadpool(self._session.plan)
        if layer not in plan.layers:
            raise HTTPException(404, "There is no layer of that name.")
        rows, above = [], None
        for zoom in strip_zooms(brief.layers[layer].zooms):
            tile = tile_at(lon, lat, zoom)
            body, source, why = await self._tile(layer, tile)
            verdict = await asyncio.to_thread(judged, tile, body, above) if body or not why else "not asked"
            rows.append(row(tile, lat, plan.layers[layer].tile_px, verdict, source, why))
            above = body
        costs: Mapping[int, Any] = {}
        if area:
            speed, planner = self._session.speed, self._session.planner
            costs = await cost_of(brief, plan, planner, layer, area, speed)
        told = {"layer": layer, "area": area, "lon": lon, "lat": lat}
        return JSONResponse({**told, "rows": [{**one, "cost": costs.get(one["zoom"])} for one in rows]})

    async def trial(self, request: Request) -> Response:
        """Try an address. If cancelled: nothing is left behind."""
        body = await self._read_body(request)
        contact = (await run_in_threadpool(self._session.state)).get("contact")
        return JSONResponse(await try_layer(body, contact, self._session.look))

    def collection(self, _request: Request) -> Response:
        """The planner's own layers."""
        return JSONResponse({"layers": self._session.collection.to_dict()})

    async def keep(self, request: Request) -> Response:
        """Keep a layer in the planner's collection. If cancelled: it may have been kept."""
        body = await self._read_body(request)
        name, values = body.get("name"), body.get("values")
        if not isinstance(name, str) or not name.strip() or not isinstance(values, dict):
            raise HTTPException(400, "A layer to keep has a name and values.")
        await run_in_threadpool(self._session.collection.keep, name.strip(), values)
        return JSONResponse({"kept": name.strip()})

    def hand_on(self, _request: Request) -> Response:
        """The collection as a file for a colleague."""
        headers = {"Content-Disposition": 'attachment; filename="layers.toml"'}
        return Response(self._session.collection.text(), media_type="application/toml", headers=headers)

    async def take(self, request: Request) -> Response:
        """Take in a colleague's file, sent as `text`. If cancelled: it may have been taken in."""
        body = await self._read_body(request)
        if not isinstance(body.get("text"), str):
            raise HTTPException(400, "The text of the file is missing.")
        return JSONResponse({"taken": await run_in_threadpool(self._session.collection.take, body["text"])})

    async def _board_layer(self, layer: str) -> Any:
        board = await run_in_threadpool(self._session.board)
        if layer not in board.layers:
            raise HTTPException(404, "There is no layer of that name.")
        return board.layers[layer]

    async def _tile(
        self, layer: str, tile: Tile, patient: bool = False
    ) -> tuple[bytes | None, str, str | None]:
        """A body, where it is from ("pack", "source" or "none"), and why the source gave none."""
        known = await self._board_layer(layer)
        body = await run_in_threadpool(known.pack.body, tile)
        if body is not None:
            return body, "pack", None
        _, brief, plan = await run_in_threadpool(self._session.plan)
        first, last = brief.layers[layer].zooms
        if not first <= tile.zoom <= last:
            return None, "none", f"The layer has zooms {first} to {last}."
        planned = len(plan.layers[layer].tiles)
        try:
            body = await self._session.look.tile(
                brief, layer, tile, self._session.store, planned, patient=patient
            )
        except LastbarError as fault:
            return None, "none", str(fault)
        return body, "none" if body is None else "source", None


def _picture(body: bytes, shown: Tile, headers: dict[str, str]) -> Response:
    kind = body_kind(body)
    if "vector" in kind:
        headers = headers | {"Content-Encoding": "gzip"}
    return Response(body, headers=headers | {"X-On-Board": str(shown)}, media_type=kind)


def _degrees(text: str | None, most: float) -> float:
    try:
        value = float(text or "")
    except ValueError:
        value = most + 1
    if not abs(value) <= most:
        raise HTTPException(400, "lon and lat have to be degrees.")
    return value
