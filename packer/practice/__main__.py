"""`python -m packer.practice`: the practice server as a process of its own, until SIGTERM or SIGINT."""

from __future__ import annotations

import argparse
import contextlib
import os
import signal
import sys
import threading
from pathlib import Path

# Set before numpy is loaded: its matrices here are small, and threads for them cost more than they bring.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from packer.common.atomic_write import write_atomic
from packer.errors import LastbarError
from packer.practice.faults import FaultProxy
from packer.practice.server import PracticeServer


def main(arguments: list[str] | None = None) -> int:
    """Serve until told to stop; gives back the exit code.

    If the process dies: a port file that is there names a whole port number, though nothing may listen on it.
    """
    options = _parser().parse_args(arguments)
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    try:
        with contextlib.ExitStack() as running:
            front = _start(options, running)
            if options.port_file:
                write_atomic(options.port_file, f"{front.port}\n")
            sys.stdout.write(f"Practice server at {front.base_url}\n")
            sys.stdout.flush()
            stop.wait()
    except LastbarError as fault:
        sys.stderr.write(f"{fault}\n")
        return fault.exit_code
    return 0


def _start(options: argparse.Namespace, running: contextlib.ExitStack) -> PracticeServer | FaultProxy:
    """What clients are to talk to: the server itself, or a fault proxy before it."""
    port = 0 if options.faults else options.port
    server = PracticeServer(port, key=options.key, revision=options.revision, show_counts=options.counts)
    running.enter_context(server)
    if not options.faults:
        return server
    proxy = FaultProxy(server.base_url, options.faults, port=options.port, seed=options.seed)
    return running.enter_context(proxy)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m packer.practice", description=__doc__)
    parser.add_argument("--port", type=int, default=0, help="port on 127.0.0.1; 0 takes a free one")
    parser.add_argument("--port-file", type=Path, metavar="FILE", help="write the port number here")
    parser.add_argument("--key", help="ask for this key with each tile (header X-Key or ?key=)")
    parser.add_argument("--revision", type=int, default=0, help="each revision replaces a tenth of the tiles")
    parser.add_argument("--counts", action="store_true", help="answer /counts with what was asked so far")
    parser.add_argument(
        "--faults", metavar="SCRIPT", help='misbehave, such as "ok*50 drop 503:2s slow:150ms"'
    )
    parser.add_argument("--seed", type=int, default=0, help="which requests a share of faults hits")
    return parser


if __name__ == "__main__":
    sys.exit(main())
