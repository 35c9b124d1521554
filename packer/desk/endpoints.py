"""The desk's addresses. What reads answers GET; what changes anything answers POST, with a body of JSON."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from typing import Any

import xstatic.pkg.leaflet as leaflet
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from packer.common.links import is_link
from packer.desk.at_most import set_at_most
from packer.desk.body import body_fault
from packer.desk.changes import SetArea, read_change
from packer.desk.course_files import changes_since, changes_told, take_file
from packer.desk.document import ChangedElsewhereError, StaleRevisionError
from packer.desk.drives import drives
from packer.desk.dropped import MOST_FILE_BYTES
from packer.desk.events import LEAST_APART_S, MOST_APART_S, EventsResponse
from packer.desk.figures import SupersededError
from packer.desk.fitting import edits_of
from packer.desk.given_keys import allow_program, key_facts, key_programs, take_key
from packer.desk.guard import REPORT_PATH
from packer.desk.hands_choice import code_facts, hands_facts
from packer.desk.look_endpoints import look_routes
from packer.desk.profile import profile
from packer.desk.recent_trips import RecentTrips
from packer.desk.session import Session
from packer.desk.weighing import Weighing, would_go
from packer.desk.wording import on_page
from packer.errors import EXIT_INPUT, EXIT_STORE, EXIT_TERMS, BriefError, InputError, LastbarError
from packer.fetching.run_watch import last_run
from packer.planning.brief_keys import masked_keys
from packer.survey.sheets import sheet_path
from packer.view.endpoints import view_routes

__all__ = ["desk_endpoints"]

MOST_BODY_BYTES = 4_000_000
_HERE = Path(__file__).parent / "static"
_VIEW = Path(__file__).parent.parent / "view" / "static"
_KINDS = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".html": "text/html; charset=utf-8",
}
_STATUS = {EXIT_INPUT: 400, EXIT_STORE: 503, EXIT_TERMS: 451}

Answer = Callable[[Mapping[str, Any]], Any]


def _no_other(_path: str) -> Any:
    raise InputError("No other trip can be opened here.")


def desk_endpoints(session: Session, open_trip: Callable[[str], Any] = _no_other) -> Starlette:
    """The application, without its guard. What may take long runs in threads. `open_trip` puts another trip in place of
    this one, and gives its state."""
    addresses = _Addresses(session)
    opening = _posted(lambda body: open_trip(_text(body, "path")))
    return Starlette(
        routes=[
            Route("/", lambda _: _file("/index.html")),
            Route("/static/{name}", lambda request: _file("/" + request.path_params["name"])),
            Route("/leaflet/{name}", lambda request: _file("/leaflet/" + request.path_params["name"])),
            Route("/api/state", lambda _: JSONResponse(session.state())),
            Route("/api/figures", lambda _: JSONResponse(session.figures())),
            Route("/api/shapes", addresses.shapes),
            Route("/api/outline/{area}/{layer}/{zoom:int}", addresses.outline),
            Route("/api/profile", addresses.profile),
            Route("/api/sheet/{layer}", addresses.sheet),
            Route(REPORT_PATH, addresses.report),
            Route("/api/file", addresses.file, methods=["POST"]),
            Route("/api/log", lambda _: JSONResponse({"events": _logged(session)})),
            Route("/api/changes", lambda _: JSONResponse(changes_told(session))),
            Route("/api/drives", lambda _: JSONResponse({"drives": drives()})),
            Route("/api/versions", lambda _: JSONResponse({"versions": session.document.versions()})),
            Route("/api/versions/{name}", addresses.version),
            Route("/api/versions/{name}/changes", addresses.changes_since),
            Route("/api/key", lambda _: JSONResponse(key_facts())),
            Route("/api/programs", lambda _: JSONResponse(key_programs(session.document.now().brief))),
            Route("/api/events", addresses.events),
            Route("/api/recent", lambda _: JSONResponse({"trips": RecentTrips().trips()})),
            Route("/api/open", opening, methods=["POST"]),
            *addresses.changes(),
            *_hands_routes(session),
            *look_routes(session, _body),
            *view_routes(session.board),
        ],
        exception_handlers={
            HTTPException: _http_fault,
            LastbarError: _fault,
            SupersededError: _superseded,
        },
    )


def _allowed(session: Session, body: Mapping[str, Any]) -> dict[str, Any]:
    """Allow a program; the new state."""
    return session.step(lambda: allow_program(session.document.now().brief, body))


def _limited(session: Session, body: Mapping[str, Any]) -> None:
    """Limit what a fetch takes of the link."""
    set_at_most(session.support.at_most, body)


def _hands_routes(session: Session) -> list[Route]:
    """What can be chosen of other machines, and the code by which they join."""

    def facts(_request: Request) -> Response:
        return JSONResponse(hands_facts())

    def code(_request: Request) -> Response:
        if (found := session.jobs.join_code()) is None:
            told = "No other machine can join just now. Start a fetch with other machines first."
            raise HTTPException(404, told)
        return JSONResponse(code_facts(found))

    return [Route("/api/hands", facts), Route("/api/hands/code", code)]


class _Addresses:
    """The answers that need the session."""

    def __init__(self, session: Session) -> None:
        self._session, self._weighing = session, Weighing(session)

    def shapes(self, _request: Request) -> Response:
        """Lines, edges and outlines of all areas."""
        _, _, worked_out = self._session.plan()
        return Response(self._session.drawn.document(worked_out), media_type="application/json")

    def outline(self, request: Request) -> Response:
        """The tile-exact outline of what one zoom asks for in one area and layer."""
        asked = request.path_params
        found = self._session.board().outline(asked["area"], asked["layer"], asked["zoom"])
        if found is None:
            raise HTTPException(404, "This area asks nothing of this layer at this zoom.")
        return JSONResponse(found)

    def profile(self, _request: Request) -> Response:
        """Depth along the lines, asked and held."""
        board = self._session.board()
        held = {name: layer.pack.facts().held for name, layer in board.layers.items()}
        return JSONResponse({"lines": profile(board.plan, held)})

    def sheet(self, request: Request) -> Response:
        """The sheet of samples of a layer, as PNG; 404 where no survey has drawn one."""
        brief, name = self._session.document.now().brief, request.path_params["layer"]
        if brief is None or name not in brief.layers:
            raise HTTPException(404, "There is no layer of that name.")
        path = sheet_path(self._session.store or brief.store_folder, name)
        if is_link(path) or not path.is_file():
            raise HTTPException(404, "No survey has drawn a sheet of this layer yet.")
        return Response(path.read_bytes(), media_type="image/png")

    def report(self, _request: Request) -> Response:
        """The report of the last check, as a page."""
        return HTMLResponse(self._session.report())

    async def file(self, request: Request) -> Response:
        """Keep a dropped file beside the brief. If cancelled: it is there whole, or not at all."""
        content = await _sent(request, MOST_FILE_BYTES)
        name = request.query_params.get("name", "")
        keep = request.query_params.get("keep", "both")
        return JSONResponse(await run_in_threadpool(take_file, self._session, name, content, keep))

    def version(self, request: Request) -> Response:
        """One kept version as text."""
        name = request.path_params["name"]
        return JSONResponse({"name": name, "text": masked_keys(self._session.document.version(name))})

    def changes_since(self, request: Request) -> Response:
        """What has changed since one kept version."""
        return JSONResponse(changes_since(self._session, request.path_params["name"]))

    async def events(self, request: Request) -> Response:
        """What happens, as server-sent events. If cancelled: the page is forgotten."""
        try:
            apart_s = float(request.query_params.get("apart", LEAST_APART_S))
        except ValueError:
            apart_s = math.nan
        if not LEAST_APART_S <= apart_s <= MOST_APART_S:
            raise HTTPException(400, f"apart is a number of seconds, {LEAST_APART_S} to {MOST_APART_S:.0f}.")
        return EventsResponse(self._session.events.follow(apart_s))

    def changes(self) -> list[Route]:
        """The addresses that change something."""
        session, document = self._session, self._session.document
        answers: dict[str, Answer] = {
            "/api/change": lambda b: session.change(_revision(b), read_change(b.get("change"))),
            "/api/undo": lambda b: session.step(lambda: document.undo(_revision(b))),
            "/api/redo": lambda b: session.step(lambda: document.redo(_revision(b))),
            "/api/restore": lambda b: session.step(
                lambda: document.replace(_revision(b), document.version(_text(b, "version")))
            ),
            "/api/take-theirs": lambda _: session.step(document.take_theirs),
            "/api/keep-ours": lambda _: session.step(document.keep_ours),
            "/api/fit": session.fit,
            "/api/take": lambda b: session.take(_revision(b), edits_of(b.get("edits"))),
            "/api/would-go": lambda b: would_go(session, edits_of(b.get("edits"))),
            "/api/weigh": lambda b: self._weighing.weigh(_area_change(b)),
            "/api/key": take_key,
            "/api/programs": lambda b: _allowed(session, b),
            "/api/at-most": lambda b: session.step(lambda: _limited(session, b)),
            "/api/speed": lambda b: session.set_speed(b.get("speed")),
        }
        routes = [Route(path, _posted(answer), methods=["POST"]) for path, answer in answers.items()]
        return [
            *routes,
            Route("/api/jobs/{kind}", self._start, methods=["POST"]),
            Route("/api/jobs/{kind}/stop", self._stop, methods=["POST"]),
        ]

    async def _start(self, request: Request) -> Response:
        """Start a job. If cancelled: it may have been started."""
        options, kind = await _body(request), request.path_params["kind"]
        return JSONResponse(await run_in_threadpool(self._session.start, kind, options))

    async def _stop(self, request: Request) -> Response:
        """Stop a job cleanly. If cancelled: it may have been told."""
        self._session.jobs.stop(request.path_params["kind"])
        return JSONResponse(await run_in_threadpool(self._session.state))


def _logged(session: Session) -> list[dict[str, Any]]:
    """What the log beside the packs tells of its newest run, as sentences with their times."""
    brief = session.document.now().brief
    run = None if brief is None else last_run(session.store or brief.store_folder)
    return [] if run is None else run.events()


def _posted(answer: Answer) -> Callable[[Request], Any]:
    async def posted(request: Request) -> Response:
        """Do what the body asks. If cancelled: it may have been done."""
        body = await _body(request)
        return JSONResponse(await run_in_threadpool(answer, body))

    return posted


async def _body(request: Request) -> Mapping[str, Any]:
    """The JSON object that was sent. If cancelled: nothing was done."""
    try:
        found = json.loads(await _sent(request, MOST_BODY_BYTES) or b"{}")
    except (ValueError, RecursionError):
        raise HTTPException(400, "The body is no JSON.") from None
    if not isinstance(found, dict):
        raise HTTPException(400, "The body has to be a JSON object.")
    if (fault := body_fault(found)) is not None:
        raise HTTPException(400, fault)
    return found


async def _sent(request: Request, most: int) -> bytes:
    """The body that was sent, cut off beyond `most` bytes. If cancelled: nothing was done."""
    sent = bytearray()
    async for chunk in request.stream():
        sent += chunk
        if len(sent) > most:
            raise HTTPException(413, f"The body is over {most // 1_000_000} MB.")
    return bytes(sent)


def _area_change(body: Mapping[str, Any]) -> SetArea:
    found = read_change(body.get("change"))
    if not isinstance(found, SetArea):
        raise HTTPException(400, "Only a change of an area can be weighed beforehand.")
    return found


def _revision(body: Mapping[str, Any]) -> int:
    found = body.get("revision")
    if not isinstance(found, int) or isinstance(found, bool):
        raise HTTPException(400, "A change names the revision that it was made to.")
    return found


def _text(body: Mapping[str, Any], key: str) -> str:
    found = body.get(key)
    if not isinstance(found, str):
        raise HTTPException(400, f"{key} has to be text.")
    return found


async def _http_fault(_: Request, fault: Exception) -> Response:
    """An error as a sentence. If cancelled: nothing was done."""
    assert isinstance(fault, HTTPException)
    return JSONResponse({"error": fault.detail}, fault.status_code, headers=dict(fault.headers or {}))


async def _fault(_: Request, fault: Exception) -> Response:
    """An error of the package, in its own words. If cancelled: nothing was done."""
    assert isinstance(fault, LastbarError)
    told: dict[str, Any] = {"error": on_page(str(fault))}
    status = _STATUS.get(fault.exit_code, 400)
    if isinstance(fault, StaleRevisionError):
        status = 409
    elif isinstance(fault, ChangedElsewhereError):
        both = {"theirs": masked_keys(fault.theirs), "ours": masked_keys(fault.ours)}
        status, told = 409, {**told, **both}
    elif isinstance(fault, BriefError):
        status = 422
    return JSONResponse(told, status)


async def _superseded(_: Request, _fault: Exception) -> Response:
    """A newer brief is there. If cancelled: nothing was done."""
    return JSONResponse({"error": "The brief has changed meanwhile."}, 409)


@cache
def _contents(path: str) -> tuple[bytes, str] | None:
    name = path.rpartition("/")[2]
    folders = [Path(leaflet.BASE_DIR)] if path.startswith("/leaflet/") else [_HERE, _VIEW]
    for folder in folders:
        if (kind := _KINDS.get(Path(name).suffix)) and name in {p.name for p in folder.iterdir()}:
            return (folder / name).read_bytes(), kind
    return None


def _file(path: str) -> Response:
    found = _contents(path)
    if found is None:
        raise HTTPException(404, "There is nothing at this address.")
    return Response(found[0], media_type=found[1])
