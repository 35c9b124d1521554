"""The command `lastbar` as a process of its own, without the wait for its start.

A server process loads the program once and forks for each command, so that one starts in milliseconds. It has the
arguments, the environment, the signals and the exit code of any other process.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any

import packer
from packer.geometry.tileset import Tile

__all__ = [
    "FORKS",
    "Running",
    "fetch_in_batches",
    "fetch_with_hands",
    "killed_while",
    "lastbar",
    "merge_in_batches",
    "prune",
    "start",
    "start_lastbar",
    "time_of",
]

LONGEST_S = 240.0
"""After which a process counts as one that hangs; on a busy machine a command may take minutes."""

_COMMANDS = Path(packer.__file__).with_name("cli")
# There is one server of processes for all tests: what another module had it load would be instead of this.
FORKS = multiprocessing.get_context("forkserver")
"""Whose processes start in milliseconds, with all that is listed below loaded."""
FORKS.set_forkserver_preload(
    [
        "tests.commands",
        "tests.handover_packs",
        *sorted(f"packer.cli.{p.stem}" for p in _COMMANDS.glob("*.py") if p.stem != "__init__"),
    ]
)


@dataclass
class Running:
    """A process under way, and what it says."""

    process: multiprocessing.process.BaseProcess
    _began: Connection
    _folder: tempfile.TemporaryDirectory[str]
    _said: tuple[str, ...] | None = None

    @property
    def pid(self) -> int:
        assert self.process.pid is not None
        return self.process.pid

    @property
    def ended(self) -> bool:
        return self.process.exitcode is not None

    def began(self) -> float:
        """Wait until it has come as far as the work proper; the time of that."""
        assert wait([self._began], LONGEST_S), "it does not start"
        return time.monotonic()

    def send_signal(self, sign: signal.Signals) -> None:
        os.kill(self.pid, sign)

    def ended_before(self, *others: Connection, seconds: float = LONGEST_S) -> bool:
        """Wait for its end or until one of the others can be read; fails if neither comes."""
        ready = wait([self.process.sentinel, *others], seconds)
        assert ready, "neither comes"
        return not any(other in ready for other in others)

    def kill(self) -> bool:
        """Kill it with SIGKILL; whether it was still running."""
        self.process.kill()
        return self.wait() == -signal.SIGKILL

    def killed_within(self, chance: random.Random, longest_s: float) -> tuple[bool, float]:
        """Kill it at some moment up to `longest_s` after its start proper.

        Whether it was still running, and how long it ran in seconds.
        """
        began = self.began()
        self.process.join(chance.uniform(0.0, longest_s))
        killed = self.kill()
        return killed, time.monotonic() - began

    def wait(self) -> int:
        """Its exit code; fails if it does not end."""
        self.process.join(LONGEST_S)
        code = self.process.exitcode
        if code is None:
            self.process.kill()
            self.process.join()
        if self._said is None:
            self._said = tuple(Path(self._folder.name, n).read_text(encoding="utf-8") for n in ("1", "2"))
            self._folder.cleanup()
            self._began.close()
        assert code is not None, f"it hangs: {self._said}"
        return code

    def result(self) -> subprocess.CompletedProcess[str]:
        """Wait for its end."""
        code = self.wait()
        assert self._said is not None
        return subprocess.CompletedProcess([], code, *self._said)


def start(
    work: Callable[..., Any],
    *arguments: Any,
    cwd: Path | None = None,
    environment: Mapping[str, str] | None = None,
) -> Running:
    """Have `work`, a function of this module or the program, done in a process of its own."""
    folder = tempfile.TemporaryDirectory(prefix="lastbar-said-")
    for stream in (1, 2):
        Path(folder.name, str(stream)).touch()
    # A share of a host's caps that a killed process held is kept for two seconds: nobody here has to wait for that.
    env = {**os.environ, "XDG_STATE_HOME": folder.name, **(environment or {})}
    began, begins = multiprocessing.Pipe(duplex=False)
    target = (work, arguments, folder.name, str(cwd or Path.cwd()), env, begins)
    process = FORKS.Process(target=_work, args=target)
    process.start()
    begins.close()
    return Running(process, began, folder)


def start_lastbar(*arguments: object, cwd: Path | None = None, **environment: str) -> Running:
    """Start the command."""
    return start(_lastbar, list(map(str, arguments)), cwd=cwd, environment=environment)


def lastbar(
    *arguments: object, cwd: Path | None = None, **environment: str
) -> subprocess.CompletedProcess[str]:
    """Run the command to its end."""
    return start_lastbar(*arguments, cwd=cwd, **environment).result()


def killed_while(chance: random.Random, longest_s: float, *arguments: str) -> tuple[bool, float]:
    """Run the command and kill it at some moment up to `longest_s` after its start.

    Whether it was still running, and how long it ran in seconds.
    """
    return start_lastbar(*arguments).killed_within(chance, longest_s)


def time_of(*arguments: str) -> float:
    """Seconds from the start of the command proper to its end."""
    running = start_lastbar(*arguments)
    began = running.began()
    assert running.wait() == 0
    return time.monotonic() - began


# ------------------------------------------------------------------------------------ in the new process


def fetch_in_batches(brief: str, batch_records: int, refresh_older_s: float | None = None) -> None:
    """A fetch whose batches are small enough for one kill to cost clearly less than one session."""
    from packer import Brief, Options, fetch, plan, read_offers

    read, _ = read_offers(Brief.read(brief))
    options = Options(batch_records=batch_records, refresh_older_s=refresh_older_s)
    sys.exit(not fetch(read, plan(read), options).complete)


def fetch_with_hands(brief: str, lease_s: float) -> None:
    """A fetch that lends everything to hands, on short leases."""
    import asyncio

    from packer import Brief, plan
    from packer.fetching.hands import dealer, hands_gate
    from packer.fetching.hands.host import Hands
    from packer.fetching.run import run_fetch

    dealer.SHORTEST_S = dealer.LONGEST_S = lease_s
    hands_gate.CLOCKS_S = 0.5
    read = Brief.read(brief)
    asyncio.run(run_fetch(read, plan(read), hands=Hands(0, "127.0.0.1")))


def merge_in_batches(into: Path, source: Path, batch: int) -> None:
    """A merge whose batches are small enough for one kill to cost clearly less than all of it."""
    from packer.store import merging

    merging._BATCH = batch
    merging.merge_pack(into, source)


def prune(pack: Path, layer: str, keep: tuple[Tile, ...]) -> None:
    """Take out of a pack all but some tiles."""
    from packer.geometry.tileset import TileSet
    from packer.store.pruning import prune_pack

    prune_pack(pack, layer, TileSet.from_tiles(keep))


def _lastbar(arguments: list[str]) -> None:
    from packer.cli import main

    sys.argv = ["lastbar", *arguments]
    main()


def _work(
    work: Callable[..., Any],
    arguments: tuple[Any, ...],
    folder: str,
    cwd: str,
    environment: dict[str, str],
    begins: Connection,
) -> None:
    os.environ.clear()
    os.environ.update(environment)
    os.chdir(cwd)
    coding = environment.get("PYTHONIOENCODING", "utf-8")
    for stream in (1, 2):
        file = os.open(Path(folder, str(stream)), os.O_WRONLY | os.O_APPEND)
        os.dup2(file, stream)
        os.close(file)
    sys.stdout = open(1, "w", encoding=coding, closefd=False)  # noqa: SIM115
    sys.stderr = open(2, "w", encoding=coding, errors="backslashreplace", closefd=False)  # noqa: SIM115
    begins.close()
    work(*arguments)
