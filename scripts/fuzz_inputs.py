"""Damaged and hostile inputs of every kind, thousands of them: does each end in a clear error or a right result?

    scripts/fuzz FOLDER [--inputs 10000] [--seed 1] [--only KIND[:NUMBER]] [--document]

Each input follows from the seed, its kind and its number. They are tried in child processes under a limit of
time and of address space. An input that ends otherwise is copied to FOLDER, with what happened, and the exit
code is 1.
"""

from __future__ import annotations

import argparse
import contextlib
import multiprocessing
import os
import platform
import random
import resource
import shutil
import sqlite3
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime
from importlib.metadata import version
from multiprocessing.connection import Connection
from pathlib import Path

from tests.hostile_inputs import KINDS, TIME_LIMIT_S, Finding, tried
from tests.hostile_samples import make_samples

ROOT = Path(__file__).parent.parent
BATCH = 250
MEMORY_BYTES = 1_500_000_000  # of address space beyond what the process has when it starts
GRACE_S = 20.0  # before a process that hears no alarm is ended


@dataclass(slots=True)
class Tally:
    """What came of the inputs of one kind."""

    endings: Counter[str] = field(default_factory=Counter)
    escapes: int = 0
    slowest_s: float = 0.0
    peak_bytes: int = 0

    def add(self, found: Finding, peak_bytes: int) -> None:
        self.endings[found.ending] += not found.escape
        self.escapes += found.escape
        self.slowest_s = max(self.slowest_s, found.seconds)
        self.peak_bytes = max(self.peak_bytes, peak_bytes)

    @property
    def defects(self) -> int:
        return self.endings["defect"] + self.escapes


def memory_bytes(name: str) -> int:
    """A figure of this process from the system's own account, such as VmRSS, VmHWM or VmSize."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(name + ":"):
            return int(line.split()[1]) * 1024
    return 0


def run_batch(kind: str, numbers: list[int], seed: int, folder: Path, to: Connection) -> None:
    """Try inputs one after the other and send (number, finding, bytes above the base) for each."""
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    most = memory_bytes("VmSize") + MEMORY_BYTES
    resource.setrlimit(resource.RLIMIT_AS, (most, most))
    os.chdir(folder)
    for number in numbers:
        case = folder / str(number)
        case.mkdir()
        Path("/proc/self/clear_refs").write_text("5")  # the peak counts from here
        base = memory_bytes("VmRSS")
        to.send((number, None, 0))
        found = tried(KINDS[kind], random.Random(f"{seed}/{kind}/{number}"), case, folder / "samples")
        to.send((number, found, memory_bytes("VmHWM") - base))
        if found.ending != "defect":
            shutil.rmtree(case, ignore_errors=True)


class Fuzz:
    """One run: its tallies, and where it keeps what failed."""

    def __init__(self, seed: int, failures: Path) -> None:
        self.seed, self.failures = seed, failures
        self.tallies = {kind: Tally() for kind in KINDS}

    def run(self, kind: str, numbers: list[int]) -> None:
        left = numbers
        while left:
            left = self._batch(kind, left[:BATCH]) + left[BATCH:]

    def _batch(self, kind: str, numbers: list[int]) -> list[int]:
        """Try a batch in a process of its own; gives back what it did not come to."""
        with tempfile.TemporaryDirectory(prefix="fuzz-") as name:
            folder = Path(name)
            make_samples(folder / "samples")
            ours, theirs = multiprocessing.Pipe(duplex=False)
            child = multiprocessing.get_context("fork").Process(
                target=run_batch, args=(kind, numbers, self.seed, folder, theirs)
            )
            child.start()
            theirs.close()
            current, done = None, set()
            while len(done) < len(numbers):
                try:
                    if not ours.poll(TIME_LIMIT_S + GRACE_S):
                        child.kill()
                        why = "it hung where no alarm reaches"
                        break
                    current, found, peak = ours.recv()
                except (EOFError, OSError):
                    child.join()
                    why = f"the process ended with {child.exitcode}"
                    break
                if found is not None:
                    self._take(kind, current, found, peak, folder)
                    done.add(current)
            else:
                why = ""
            child.join()
            if why and current is not None and current not in done:
                self._take(kind, current, Finding("defect", why, TIME_LIMIT_S), 0, folder)
                done.add(current)
            for path in folder.rglob("*"):  # so that the folder can be taken away
                with contextlib.suppress(OSError):
                    if path.is_dir() and not path.is_symlink():
                        path.chmod(0o700)
            return [number for number in numbers if number not in done] if why else []

    def _take(self, kind: str, number: int, found: Finding, peak: int, folder: Path) -> None:
        self.tallies[kind].add(found, peak)
        if found.ending != "defect":
            return
        self.failures.mkdir(parents=True, exist_ok=True)
        kept = self.failures / f"{''.join(c if c.isalnum() else '-' for c in kind)}-{number}"
        shutil.rmtree(kept, ignore_errors=True)
        with contextlib.suppress(OSError, shutil.Error):
            shutil.copytree(folder / str(number) / "input", kept, symlinks=True, ignore=not_plain)
        kept.mkdir(exist_ok=True)
        (kept / "what-happened.txt").write_text(
            found.told + "\n", encoding="utf-8", errors="backslashreplace"
        )
        print(f"defect: {kind}:{number}: {found.told.splitlines()[0][:200]}", file=sys.stderr, flush=True)

    def table(self) -> list[str]:
        """The tallies in Markdown."""
        heads = (
            "kind",
            "inputs",
            "clear errors",
            "right results",
            "tracebacks, hangs, wrong results",
            "escapes",
            "slowest, s",
            "peak above the base, MB",
        )
        lines = [f"| {' | '.join(heads)} |", f"|---|{'--:|' * (len(heads) - 1)}"]
        every = Tally()
        for kind, tally in self.tallies.items():
            if tally.endings or tally.escapes:
                lines.append(row(kind, tally))
            every.endings.update(tally.endings)
            every.escapes += tally.escapes
            every.slowest_s = max(every.slowest_s, tally.slowest_s)
            every.peak_bytes = max(every.peak_bytes, tally.peak_bytes)
        return [*lines, row("all", every)]


def not_plain(folder: str, names: list[str]) -> list[str]:
    """What cannot be copied as a file: pipes, and files that are mostly holes."""
    paths = {name: Path(folder, name) for name in names}
    return [n for n, p in paths.items() if not p.is_dir() and (not p.is_file() or p.stat().st_size > 10**8)]


def row(name: str, tally: Tally) -> str:
    ended = [tally.endings[e] for e in ("error", "right", "defect")]
    numbers = [sum(ended) + tally.escapes, *ended, tally.escapes]
    peak = f"{tally.peak_bytes / 1e6:.0f}"
    return f"| {name} | {' | '.join(f'{n:,}' for n in numbers)} | {tally.slowest_s:.1f} | {peak} |"


def shares(inputs: int) -> dict[str, int]:
    """The inputs spread over the kinds, evenly."""
    names = list(KINDS)
    return {name: inputs // len(names) + (i < inputs % len(names)) for i, name in enumerate(names)}


def heading(seed: int, took_s: float) -> str:
    packages = ", ".join(f"{p} {version(p)}" for p in ("numpy", "shapely", "pyogrio", "pydantic", "pillow"))
    return (
        "# Damaged and hostile inputs\n\n"
        f"Written by `scripts/fuzz` on {datetime.now(UTC):%Y-%m-%d}, seed {seed}, in {took_s / 60:.0f} min: Python "
        f"{platform.python_version()}, SQLite {sqlite3.sqlite_version}, {packages}; {os.cpu_count()} cores, "
        f"{platform.machine()}.\n\n"
        "Each input is made from an intact one: bytes flipped, cut, spliced and put in, numbers and words replaced, "
        "rows and pages of databases changed, or a bomb built by hand. It may end in a clear error, a whole sentence, "
        "or in a right result. Everything else counts as a defect: any other exception, an end of the process, more "
        f"than {TIME_LIMIT_S:g} s or {MEMORY_BYTES / 1e9:g} GB of address space, a wrong result, and a file or "
        "connection outside the target folder (an escape).\n\n"
    )


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("failures", type=Path, metavar="FOLDER", help="where inputs that fail are kept")
    parser.add_argument("--inputs", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", help="one kind, or one input of a kind as KIND:NUMBER")
    parser.add_argument("--document", action="store_true", help="write the table to docs/fuzz.md")
    chosen = parser.parse_args()
    started, fuzz = time.monotonic(), Fuzz(chosen.seed, chosen.failures.resolve())
    only, _, number = (chosen.only or "").partition(":")
    for kind, count in shares(chosen.inputs).items():
        if not only or kind.lower().startswith(only.lower()):
            fuzz.run(kind, [int(number)] if number else list(range(chosen.inputs if only else count)))
            print(row(kind, fuzz.tallies[kind]), flush=True)
    lines = fuzz.table()
    print("\n".join(lines))
    if chosen.document:
        (ROOT / "docs").mkdir(exist_ok=True)
        text = heading(chosen.seed, time.monotonic() - started) + "\n".join(lines) + "\n"
        (ROOT / "docs" / "fuzz.md").write_text(text, encoding="utf-8")
    return int(any(tally.defects for tally in fuzz.tallies.values()))


if __name__ == "__main__":
    raise SystemExit(main())
