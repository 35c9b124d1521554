"""The runs of all scenarios, and their tables."""

from __future__ import annotations

import argparse
import re
import shutil
import tempfile
import time
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

from scripts.powercut import cuts, faults
from scripts.powercut.commands import Runner
from scripts.powercut.scenarios import CUT_SCENARIOS, FAULT_SCENARIOS
from scripts.powercut.tile_server import TileServer

__all__ = ["run"]

_LOSSES = ("committed tiles lost", "wrong tiles", "committed tiles asked for again", "pack unreadable")
_HEADS = {
    "cuts": (
        *("operations", "cuts", "states", "distinct", "gone through"),
        *("lost", "wrong", "asked again", "unreadable", "other"),
    ),
    "faults": ("faults", "exit 3, with its sentence", "unharmed", "wrong"),
}
_SCENARIOS = {"cuts": CUT_SCENARIOS, "faults": FAULT_SCENARIOS}

Rows = dict[str, list[int]]


def run(arguments: argparse.Namespace) -> int:
    """Run what was asked for, print it, and write the table after each scenario; 1 if anything was wrong.

    Rows of scenarios that were not run stay in the document as they are.
    """
    scratch_in = arguments.scratch if arguments.scratch.is_dir() else Path(tempfile.gettempdir())
    scratch = Path(tempfile.mkdtemp(dir=scratch_in, prefix="powercut-"))
    try_one = _cuts if arguments.mode == "cuts" else _faults
    rows: Rows = {}
    wrong = False
    try:
        with TileServer() as server:
            runner = Runner(scratch)
            for name in arguments.scenarios or _SCENARIOS[arguments.mode]:
                rows[name], fault = try_one(name, arguments, runner, server, scratch)
                wrong = wrong or fault
                if arguments.write is not None:
                    _write(arguments, rows)
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
    print("\n".join(_table(arguments.mode, rows)))
    return 1 if wrong else 0


def _cuts(
    name: str, arguments: argparse.Namespace, runner: Runner, server: TileServer, scratch: Path
) -> tuple[list[int], bool]:
    started = time.monotonic()
    most = (arguments.cuts, arguments.commands, arguments.seed, arguments.deepest)
    found = cuts.run_cuts(name, runner, server, scratch, *most)
    _tell(cuts.told(found, started), found.examples)
    losses = [found.faults[what] for what in _LOSSES]
    numbers = [found.operations, found.cuts, found.states, found.distinct, found.through_commands, *losses]
    return [*numbers, sum(found.faults.values()) - sum(losses)], bool(found.faults)


def _faults(
    name: str, arguments: argparse.Namespace, runner: Runner, server: TileServer, scratch: Path
) -> tuple[list[int], bool]:
    started = time.monotonic()
    most = (arguments.faults, arguments.seed, arguments.deepest)
    found = faults.run_faults(name, runner, server, scratch, *most)
    _tell(faults.told(found, started), found.examples)
    return [found.faults, found.told, found.unharmed, sum(found.wrong.values())], bool(found.wrong)


def _tell(line: str, examples: Mapping[str, str]) -> None:
    print(line, *(f"    {what}: {example}" for what, example in examples.items()), sep="\n", flush=True)


def _table(mode: str, rows: Rows) -> list[str]:
    heads = _HEADS[mode]
    sums = [sum(column) for column in zip(*rows.values(), strict=True)]
    lines = [f"| {' | '.join(('command', *heads))} |", f"|---|{'--:|' * len(heads)}"]
    return [*lines, *(_row(name, numbers) for name, numbers in rows.items()), _row("**all**", sums)]


def _row(name: str, numbers: Sequence[int]) -> str:
    return f"| {name} | {' | '.join(f'{number:,}' for number in numbers)} |"


def _written_rows(block: str) -> Rows:
    """The rows of a table that stands in the document already."""
    found = re.findall(r"^\| ([a-z][a-z-]*) \| ([0-9][0-9, |]*) \|$", block, re.MULTILINE)
    return {name: [int(n.replace(",", "")) for n in numbers.split(" | ")] for name, numbers in found}


def _write(arguments: argparse.Namespace, rows: Rows) -> None:
    """Put the table between the marks of its mode in the document, beside rows that stand there already."""
    mode = arguments.mode
    given = {
        "cuts": f"--cuts {arguments.cuts} --commands {arguments.commands}",
        "faults": f"--faults {arguments.faults} --deepest {arguments.deepest}",
    }
    command = (
        f"python -m scripts.powercut {mode} {given[mode]} --seed {arguments.seed} --write {arguments.write}"
    )
    begin, end = f"<!-- {mode} -->", f"<!-- end of {mode} -->"
    pattern = re.compile(re.escape(begin) + ".*?" + re.escape(end), re.DOTALL)

    def block(old: re.Match[str]) -> str:
        every = _written_rows(old[0]) | rows
        in_order = {name: every[name] for name in _SCENARIOS[mode] if name in every}
        head = f"{datetime.now(UTC):%Y-%m-%d}: `.venv/bin/{command}`"
        return "\n".join([begin, head, "", *_table(mode, in_order), end])

    text = arguments.write.read_text(encoding="utf-8")
    arguments.write.write_text(pattern.sub(block, text), encoding="utf-8")
