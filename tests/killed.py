"""The command `lastbar` as a process of its own that is killed from outside, without the wait for its start."""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import sys
import time
from multiprocessing.synchronize import Event

__all__ = ["command", "killed_while", "time_of"]

# A server process loads the program once and forks for each command, so that a child starts in milliseconds.
_CONTEXT = multiprocessing.get_context("forkserver")
_CONTEXT.set_forkserver_preload(
    ["tests.killed", "packer.cli.run_handover", "packer.cli.run_merge", "packer.cli.run_prune"]
)


def _lastbar(arguments: list[str], started: Event) -> None:
    null = os.open(os.devnull, os.O_WRONLY)
    os.dup2(null, 1)
    os.dup2(null, 2)
    sys.argv = ["lastbar", *arguments]
    from packer.cli import main

    started.set()
    main()


def command(*arguments: str) -> int:
    """Run the command to its end; its exit code."""
    started = _CONTEXT.Event()
    child = _CONTEXT.Process(target=_lastbar, args=(list(arguments), started))
    child.start()
    child.join(60)
    assert child.exitcode is not None, "it hangs"
    return child.exitcode


def time_of(*arguments: str) -> float:
    """Seconds from the start of the command proper to its end."""
    started = _CONTEXT.Event()
    child = _CONTEXT.Process(target=_lastbar, args=(list(arguments), started))
    child.start()
    assert started.wait(60)
    begun = time.monotonic()
    child.join(60)
    assert child.exitcode == 0
    return time.monotonic() - begun


def killed_while(chance: random.Random, longest_s: float, *arguments: str) -> bool:
    """Run the command and kill it at some moment up to `longest_s` after its start; whether it was still running."""
    started = _CONTEXT.Event()
    child = _CONTEXT.Process(target=_lastbar, args=(list(arguments), started))
    child.start()
    assert started.wait(60)
    child.join(chance.uniform(0.0, longest_s))
    child.kill()
    child.join()
    return child.exitcode == -signal.SIGKILL
