"""The desk's server: one thread on loopback, and the jobs that it was asked for, ended cleanly when it stops."""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import Self

from packer.desk.endpoints import desk_endpoints
from packer.desk.guard import DeskGuard, Tokens
from packer.desk.session import Session
from packer.view.server import LOOPBACK, ServerThread

__all__ = ["DeskServer"]


class DeskServer:
    """The desk for one brief, as long as the block lasts: `with DeskServer(path) as desk: desk.link`.

    `port` 0 takes a free one. `link` opens the desk once, in one browser; it is a fresh one each time it is read
    after a use. If the process dies: every job leaves what it promises, and the brief is whole.
    """

    def __init__(self, path: Path, store: Path | None = None, *, port: int = 0) -> None:
        """Raises BriefError if there is a brief and it is no sound one."""
        self.session = Session(path, store)
        self._tokens, self._port = Tokens(), port
        guard = DeskGuard(desk_endpoints(self.session), self._tokens)
        self._serving = ServerThread(guard, "desk", self._tokens.admits)
        self.url = ""

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
        self.session.close()
        self._serving.stop()

    def wait(self) -> None:
        """Wait until the server ends or the process is told to stop (KeyboardInterrupt)."""
        self._serving.wait()
