"""The desk's server: one thread on loopback, and the jobs that it was asked for, ended cleanly when it stops."""

from __future__ import annotations

import threading
from pathlib import Path
from types import TracebackType
from typing import Self

import uvicorn

from packer.desk.endpoints import desk_endpoints
from packer.desk.guard import DeskGuard, Tokens
from packer.desk.session import Session
from packer.view.server import LOOPBACK, listen, run_on, server_config

__all__ = ["DeskServer"]

_PATIENCE_S = 0.5


class DeskServer:
    """The desk for one brief, as long as the block lasts: `with DeskServer(path) as desk: desk.link`.

    `port` 0 takes a free one. `link` opens the desk once, in one browser; it is a fresh one each time it is read
    after a use. If the process dies: every job leaves what it promises, and the brief is whole.
    """

    def __init__(self, path: Path, store: Path | None = None, *, port: int = 0) -> None:
        """Raises BriefError if there is a brief and it is no sound one."""
        self.session = Session(path, store)
        self._tokens, self._port = Tokens(), port
        self._app = DeskGuard(desk_endpoints(self.session), self._tokens)
        self._server: uvicorn.Server | None = None
        self._thread: threading.Thread | None = None
        self.url = ""

    @property
    def link(self) -> str:
        """The address that opens the desk once."""
        return f"{self.url}open?token={self._tokens.token}"

    def __enter__(self) -> Self:
        """Listen and start to answer. Raises InputError if the port cannot be had."""
        listening = listen(LOOPBACK, self._port)
        self.url = f"http://{LOOPBACK}:{listening.getsockname()[1]}/"
        self._server = uvicorn.Server(server_config(self._app))
        self._thread = threading.Thread(
            target=run_on, args=(self._server, listening), name="desk", daemon=True
        )
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End the jobs cleanly, then the server: pages that still follow events are let go."""
        self.session.close()
        assert self._server is not None
        assert self._thread is not None
        self._server.should_exit = True
        self._thread.join(_PATIENCE_S)
        self._server.force_exit = True
        self._thread.join(_PATIENCE_S)

    def wait(self) -> None:
        """Wait until the server ends or the process is told to stop (KeyboardInterrupt)."""
        while self._thread is not None and self._thread.is_alive():
            self._thread.join(0.5)  # without a limit, Ctrl-C would not be heard on Windows
