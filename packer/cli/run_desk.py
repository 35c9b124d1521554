"""`lastbar desk`: the whole job on one page, until Ctrl-C."""

from __future__ import annotations

import contextlib
import sys
import time
import webbrowser
from pathlib import Path

from packer.cli.output import echo, warn
from packer.cli.signals import stop_signals_as_ctrl_c
from packer.desk.document import Document
from packer.desk.recent_trips import RecentTrips
from packer.desk.server import DeskServer
from packer.errors import LastbarError

__all__ = ["recent_trip", "run"]

_UNUSED_S = 600.0


def recent_trip() -> Path:
    """The brief that was on the desk last, of those that are still there and sound; else a folder for a first one in
    the home folder, which is made with the first change."""
    for trip in RecentTrips().trips():
        with contextlib.suppress(LastbarError):
            return Document(Path(trip["path"]), now=time.time).path
    return Path.home() / "Lastbar" / "trip"


def run(path: Path, store: Path | None, port: int, browser: bool, *, ends_unused: bool = False) -> int:
    """Serve the desk for the brief at `path`, which need not be there yet; Ctrl-C is its ordinary end. With
    `ends_unused` it also ends ten minutes after its last page was closed, where there is no terminal in which anybody
    could press Ctrl-C.

    If the process dies: the brief is whole, and every job has left what it promises.
    """
    stop_signals_as_ctrl_c()
    try:
        with DeskServer(path, store, port=port) as desk:
            link = desk.link
            echo(f"The desk: {link}")
            warn("Only this machine can open it, and the link works once. Stop with Ctrl-C.")
            sys.stdout.flush()
            if browser and not webbrowser.open(link):
                warn("No browser could be opened. Copy the address into one.")
            try:
                desk.wait(_UNUSED_S if ends_unused and not _has_terminal() else None)
            finally:
                if desk.session.jobs.at_work():
                    warn("Finishing what is under way, then stopping. Press Ctrl-C again to stop now.")
    except KeyboardInterrupt:
        warn("Stopped. All changes to the brief are saved, and all fetched tiles are stored.")
    return 0


def _has_terminal() -> bool:
    return any(stream is not None and stream.isatty() for stream in (sys.stdin, sys.stdout, sys.stderr))
