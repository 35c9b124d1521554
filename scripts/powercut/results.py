"""The runs of all scenarios, and their tables."""

from __future__ import annotations

import argparse
import re
import shutil
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from scripts.powercut import cuts, faults
from scripts.powercut.commands import Runner
from scripts.powercut.scenarios import CUT_SCENARIOS, FAULT_SCENARIOS
from scripts.powercut.tile_server import TileServer

__all__ = ["run"]

_WRONG = ("committed tiles lost", "wrong tiles", "committed tiles asked for again", "pack unreadable")


def run(arguments: argparse.Namespace) -> int:
    """Run what was asked for, print it, and write the table; 1 if anything was wrong."""
    scratch_in = arguments.scratch if arguments.scratch.is_dir() else Path(tempfile.gettempdir())
    scratch = Path(tempfile.mkdtemp(dir=scratch_in, prefix="powercut-"))
    try:
        with TileServer() as server:
            runner = Runner(scratch)
            if arguments.mode == "cuts":
                rows, wrong = _cuts(arguments, runner, server, scratch)
            else:
                rows, wrong = _faults(arguments, runner, server, scratch)
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
    for row in rows:
        print(row)
    if arguments.write is not None:
        _write(arguments, rows)
    return 1 if wrong else 0


def _cuts(
    arguments: argparse.Namespace, runner: Runner, server: TileServer, scratch: Path
) -> tuple[list[str], bool]:
    every = []
    for name in arguments.scenarios or CUT_SCENARIOS:
        started = time.monotonic()
        found = cuts.run_cuts(
            name,
            runner,
            server,
            scratch,
            arguments.cuts,
            arguments.commands,
            arguments.seed,
            arguments.deepest,
        )
        every.append(found)
        print(cuts.told(found, started), flush=True)
        for what, example in found.examples.items():
            print(f"    {what}: {example}", flush=True)
    rows = [
        "| command | operations | cuts | states | distinct | gone through "
        "| lost | wrong | asked again | unreadable | other |",
        "|---|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|",
    ]
    sums: Counter[int] = Counter()
    for one in every:
        numbers = [one.operations, one.cuts, one.states, one.distinct, one.through_commands]
        numbers += [one.faults[what] for what in _WRONG]
        numbers.append(sum(one.faults.values()) - sum(one.faults[what] for what in _WRONG))
        sums.update(dict(enumerate(numbers)))
        rows.append(_row(one.name, numbers))
    rows.append(_row("**all**", [sums[i] for i in range(10)]))
    return rows, any(one.faults for one in every)


def _faults(
    arguments: argparse.Namespace, runner: Runner, server: TileServer, scratch: Path
) -> tuple[list[str], bool]:
    every = []
    for name in arguments.scenarios or FAULT_SCENARIOS:
        started = time.monotonic()
        found = faults.run_faults(
            name, runner, server, scratch, arguments.faults, arguments.seed, arguments.deepest
        )
        every.append(found)
        print(faults.told(found, started), flush=True)
        for what, example in found.examples.items():
            print(f"    {what}: {example}", flush=True)
    rows = ["| command | faults | exit 3, with its sentence | unharmed | wrong |", "|---|--:|--:|--:|--:|"]
    sums: Counter[int] = Counter()
    for one in every:
        numbers = [one.faults, one.told, one.unharmed, sum(one.wrong.values())]
        sums.update(dict(enumerate(numbers)))
        rows.append(_row(one.name, numbers))
    rows.append(_row("**all**", [sums[i] for i in range(4)]))
    return rows, any(one.wrong for one in every)


def _row(name: str, numbers: Sequence[int]) -> str:
    return f"| {name} | {' | '.join(f'{number:,}' for number in numbers)} |"


def _write(arguments: argparse.Namespace, rows: list[str]) -> None:
    """Put the table between the marks of its mode in the document."""
    took = (time.monotonic() - arguments.started) / 60
    given = {
        "cuts": f"--cuts {arguments.cuts} --commands {arguments.commands}",
        "faults": f"--faults {arguments.faults} --deepest {arguments.deepest}",
    }
    head = [
        f"{datetime.now(UTC):%Y-%m-%d}, {took:.0f} minutes:",
        f"`.venv/bin/python -m scripts.powercut {arguments.mode} {given[arguments.mode]} --seed {arguments.seed} "
        f"--write {arguments.write}`",
        "",
    ]
    text = arguments.write.read_text(encoding="utf-8")
    begin, end = f"<!-- {arguments.mode} -->", f"<!-- end of {arguments.mode} -->"
    block = "\n".join([begin, *head, *rows, end])
    pattern = re.compile(re.escape(begin) + ".*?" + re.escape(end), re.DOTALL)
    arguments.write.write_text(pattern.sub(lambda _: block, text), encoding="utf-8")
