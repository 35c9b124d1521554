"""The desk's server: one thread on loopback, and the jobs that it was asked for, ended cleanly when it stops."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from starlette.types import Receive, Scope, Send

from packer.desk.endpoints import desk_endpoints
from packer.desk.guard import DeskGuard, Tokens
from packer.desk.recent_trips import RecentTrips
from packer.desk.session import Session
from packer.errors import InputError
from packer.view.server import LOOPBACK, ServerThread

__all__ = ["DeskServer"]


class _OpenTrip:
    """The trip that is on the desk, until another one of the planner's own takes its place. An ASGI application."""

    def __init__(self, path: Path, store: Path | None, recent: RecentTrips) -> None:
        self.session, self._recent, self._lock = Session(path, store), recent, threading.Lock()
        self._app = desk_endpoints(self.session, self.open)
        self.note()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer for the trip that is open as the request comes. If cancelled: as that answer says."""
        await self._app(scope, receive, send)

    def note(self) -> None:
        """Remember the trip, once it has a brief."""
        now = self.session.document.now()
        if now.saved:
            title = now.brief.title if now.brief else self.session.document.path.parent.name
            self._recent.note(self.session.document.path, title)

    def open(self, path: str) -> dict[str, Any]:
        """Put another trip on the desk; its state.

        Raises InputError for a path that is none of the planner's recent trips, or while a job is at work, and
        BriefError for a brief that is no sound one any more: then the trip stays that is there.
        """
        if path not in {trip["path"] for trip in self._recent.trips()}:
            raise InputError("This is none of the trips that were on the desk lately.")
        with self._lock:
            if self.session.jobs.at_work():
                raise InputError("Something is under way for the trip that is open. Stop it first.")
            before, session = self.session, Session(Path(path))
            self._app, self.session = desk_endpoints(session, self.open), session
            session.watch()
            before.close()
        self.note()
        return session.step(session.document.now)


class DeskServer:
    """The desk for one brief, as long as the block lasts: `with DeskServer(path) as desk: desk.link`.

    `port` 0 takes a free one. `link` opens the desk once, in one browser; it is a fresh one each time it is read
    after a use. If the process dies: every job leaves what it promises, and the brief is whole.
    """

    def __init__(self, path: Path, store: Path | None = None, *, port: int = 0) -> None:
        """Raises BriefError if there is a brief and it is no sound one."""
        self._trip = _OpenTrip(path, store, RecentTrips())
        self._tokens, self._port = Tokens(), port
        guard = DeskGuard(self._trip, self._tokens)
        self._serving = ServerThread(guard, "desk", self._tokens.admits)
        self.url = ""

    @property
    def session(self) -> Session:
        """What is on the desk just now."""
        return self._trip.session

    @property
    def link(self) -> str:
        """The address that opens the desk once."""
        return f"{self.url}open?token={self._tokens.token}"

    def __enter__(self) -> Self:
        """Listen and start to answer. Raises InputError if the port cannot be had."""
        self.url = f"http://{LOOPBACK}:{self._serving.start(LOOPBACK, self._port)}/"
        self.session.watch()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End the jobs cleanly, then the server: pages that still follow events are let go."""
        self._trip.note()
        self.session.close()
        self._serving.stop()

    def wait(self, unused_s: float | None = None, clock: Callable[[], float] = time.monotonic) -> None:
        """Wait until the server ends or the process is told to stop (KeyboardInterrupt).

        With `unused_s`, also until for so many seconds no page was open and nothing under way.
        """
        used = clock()

        def goes_on() -> bool:
            nonlocal used
            if self.session.events.followed or self.session.jobs.at_work():
                used = clock()
            return unused_s is None or clock() - used < unused_s

        self._serving.wait(goes_on)
