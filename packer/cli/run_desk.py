"""`lastbar desk`: the whole job on one page, until Ctrl-C."""

from __future__ import annotations

import sys
import webbrowser
from pathlib import Path

from packer.cli.output import echo, warn
from packer.cli.signals import stop_signals_as_ctrl_c
from packer.desk.server import DeskServer

__all__ = ["run"]


def run(path: Path, store: Path | None, port: int, browser: bool) -> int:
    """Serve the desk for the brief at `path`, which need not be there yet; Ctrl-C is its ordinary end.

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
                desk.wait()
            finally:
                if desk.session.jobs.at_work():
                    warn("Finishing what is under way, then stopping. Press Ctrl-C again to stop now.")
    except KeyboardInterrupt:
        warn("Stopped. All changes to the brief are saved, and all fetched tiles are stored.")
    return 0
