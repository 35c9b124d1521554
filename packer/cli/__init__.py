"""The command `lastbar`: what a planner types and reads. Everything it does is in the packages below it."""

from __future__ import annotations

import gc
import io
import os
import signal
import sys
import traceback

from packer.cli.file_manager import started_by_file_manager, wait_for_enter
from packer.cli.signals import end_process, end_quietly
from packer.common.own_process import is_packaged
from packer.errors import EXIT_DONE, EXIT_NOT_COMPLETE

__all__ = ["main"]


def main() -> None:
    """Run the command line; ends the process with the documented exit code."""
    # A Ctrl-C while the program loads has nothing to end yet, and would leave a traceback.
    heeded = signal.getsignal(signal.SIGINT) == signal.default_int_handler  # it may be ignored on purpose
    if heeded:
        signal.signal(signal.SIGINT, end_quietly)
    # Set before numpy is loaded: its matrices here are small, and threads for them cost ten times what they bring.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Else each start looks through all that is installed for plugins of the brief's model; there are none.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    # Loading makes some hundred thousand objects that all stay: looking through them for rubbish, as often as is
    # usual, takes a twentieth of the time until the first request.
    gc.set_threshold(50_000, 20, 20)
    # A title may hold letters that the terminal, or the file in its place, has no code for.
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")
    from packer.cli.app import app  # typer is worth loading only when there is a command to run
    from packer.cli.asked_command import only_asked

    unattended = is_packaged() and len(sys.argv) == 1 and started_by_file_manager()
    if unattended:
        sys.argv += ["desk", "--recent"]
    if heeded:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    code = EXIT_NOT_COMPLETE
    try:
        only_asked(app, sys.argv[1:])()
        code = EXIT_DONE
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else int(end.code is not None)
    except KeyboardInterrupt:  # between two commands' own handling of it
        sys.stderr.write("Stopped.\n")
    except BaseException:  # noqa: BLE001  # on every path the process ends in `end_process`
        traceback.print_exc()
    if unattended and code != EXIT_DONE:
        wait_for_enter()
    end_process(code)
