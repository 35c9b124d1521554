"""`lastbar practice`: the practice server, until Ctrl-C."""

from __future__ import annotations

import signal
import sys
import threading

from packer.cli.output import echo
from packer.practice.server import PracticeServer

__all__ = ["run"]


def run(port: int) -> int:
    """Serve until SIGINT or SIGTERM."""
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    with PracticeServer(port) as server:
        echo("Serving Ketterling Basin, an invented place to practise with. Its layers:")
        echo(f"  {server.template('aerial')}")
        echo(f"  {server.template('relief')}")
        echo("Ctrl-C stops it. Try in a second terminal: lastbar new trip, then lastbar fetch trip")
        sys.stdout.flush()  # or a pipe would get nothing before the end
        # A signal cannot end a wait without a limit on every system.
        while not stop.wait(0.5):
            pass
    return 0
