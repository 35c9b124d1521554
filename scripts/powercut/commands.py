"""The command `lastbar` in a forked child, with the shim told what to do there: it starts in milliseconds."""

from __future__ import annotations

import importlib
import os
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from packer.store import staged_file
from scripts.powercut import shim

__all__ = ["Ended", "Runner"]

HUNG = -999
_STAGE_TILES = 40  # so that a handed-over file of a few hundred tiles is written in stages, as a large one is
_MODULES = (
    "packer.cli.app",
    "packer.cli.run_fetch",
    "packer.cli.run_verify",
    "packer.cli.run_handover",
    "packer.cli.run_inspect",
    "packer.cli.run_prune",
    "packer.cli.run_merge",
    "packer.cli.run_survey",
    "packer.cli.new_brief",
    "packer.cli.show_status",
    "packer.fetching.hosts.offer_reading",
    "packer.proof.report",
)


@dataclass(frozen=True, slots=True)
class Ended:
    """How a command ended: its exit code (negative: by that signal; -999: it hung), what it wrote, how long it took."""

    code: int
    out: str
    err: str
    seconds: float

    @property
    def in_order(self) -> bool:
        """Whether it ended by itself and with a sentence, if with any."""
        words = self.out + self.err
        return 0 <= self.code <= 4 and not any(
            bad in words for bad in ("Traceback", "bug in Lastbar", "defect of")
        )

    def __str__(self) -> str:
        return f"exit {self.code}: {' '.join((self.err or self.out)[-300:].split())}"


class Runner:
    """Runs commands one after the other. All modules are loaded once, by the parent."""

    def __init__(self, scratch: Path) -> None:
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
        for name in _MODULES:
            importlib.import_module(name)
        staged_file.STAGE_TILES = _STAGE_TILES
        self._spoken = Path(tempfile.mkdtemp(dir=scratch, prefix="spoken"))

    def run(
        self,
        arguments: Sequence[str],
        folder: Path,
        *,
        log: Path | None = None,
        hits: Path | None = None,
        faults: shim.Faults | None = None,
        ahead_s: int = 0,
        limit_s: float = 120.0,
    ) -> Ended:
        """Run one command in a folder, watched by the shim if there is a `log` or are `faults`."""
        out, err = self._spoken / "out", self._spoken / "err"
        started = time.monotonic()
        child = os.fork()
        if child == 0:
            watched = folder if log or faults else Path("/nowhere")
            _be_the_command(arguments, folder, out, err, (watched, log, hits, faults, ahead_s))
        code = _waited_for(child, started + limit_s)
        return Ended(
            code, out.read_text(errors="replace"), err.read_text(errors="replace"), time.monotonic() - started
        )


_Watch = tuple[Path, Path | None, Path | None, shim.Faults | None, int]


def _be_the_command(arguments: Sequence[str], folder: Path, out: Path, err: Path, watch: _Watch) -> None:
    code: object = 99
    try:
        os.setsid()
        for handle, path in ((0, Path(os.devnull)), (1, out), (2, err)):
            flags = os.O_RDONLY if handle == 0 else os.O_CREAT | os.O_WRONLY | os.O_TRUNC
            os.dup2(os.open(path, flags, 0o600), handle)
        sys.stdout = open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
        sys.stderr = open(2, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
        os.chdir(folder)
        signal.signal(signal.SIGINT, signal.default_int_handler)
        shim.set_up(*watch)
        sys.argv = ["lastbar", *arguments]
        from packer.cli import main

        main()
        code = 0
    except SystemExit as end:
        code = end.code or 0
    except BaseException:  # noqa: BLE001  # told by the exit code and the text
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code if isinstance(code, int) else 99)


def _waited_for(child: int, ends: float) -> int:
    while True:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return os.waitstatus_to_exitcode(status)
        if time.monotonic() > ends:
            os.killpg(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return HUNG
        time.sleep(0.003)
