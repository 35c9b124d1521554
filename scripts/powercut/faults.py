"""Failing disks: one operation of a command fails, or all from one on, and what comes of it is held against rules.

A command that meets a fault ends with exit code 3 and a sentence, or has done all of its work all the same (where the
fault struck a log or a short cut that nothing depends on). Nothing that was there before is lost, nothing half done
has a final name, and the same command, run again on a sound disk, ends well.
"""

from __future__ import annotations

import errno
import os
import random
import shutil
import sqlite3
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from packer.store.pack_files import first_of
from scripts.powercut import shim
from scripts.powercut.commands import Ended, Runner
from scripts.powercut.scenarios import ABSENT, Bench, Place, Scenario, prepare, read_pack, sound_hashes
from scripts.powercut.tile_server import TileServer

__all__ = ["FaultTotals", "run_faults"]

_EVERY = 1 << 40


@dataclass(frozen=True, slots=True)
class _Kind:
    """A kind of fault; `lasts` has all later operations fail as well, `reading` strikes reads in place of writes."""

    name: str
    error: int
    lasts: bool = False
    reading: bool = False
    no_locks: int = 0
    short: bool = False

    def at(self, number: int) -> shim.Faults:
        """The fault at the n-th operation."""
        if self.no_locks:
            return shim.Faults(no_locks=self.no_locks)
        kinds = shim.READS if self.reading else shim.WRITES
        return shim.Faults(number, _EVERY if self.lasts else number, self.error, kinds, self.short)


_KINDS = (
    _Kind("EIO, one write", errno.EIO),
    _Kind("EIO, all writes from one on", errno.EIO, lasts=True),
    _Kind("ENOSPC, one write", errno.ENOSPC),
    _Kind("ENOSPC, all writes from one on", errno.ENOSPC, lasts=True),
    _Kind("EDQUOT, all writes from one on", errno.EDQUOT, lasts=True),
    _Kind("EROFS, all writes from one on", errno.EROFS, lasts=True),
    _Kind("EIO, one read", errno.EIO, reading=True),
    _Kind("EIO, all reads from one on", errno.EIO, lasts=True, reading=True),
)
_NO_LOCKS = (
    _Kind("ENOLCK, flock", errno.ENOLCK, no_locks=shim.NO_FLOCK),
    _Kind("ENOLCK, fcntl", errno.ENOLCK, no_locks=shim.NO_FCNTL_LOCK),
)


@dataclass(slots=True)
class FaultTotals:
    """What came of a scenario's faults: `told` with exit code 3 and a sentence, `unharmed` where the work was done."""

    name: str
    faults: int = 0
    told: int = 0
    unharmed: int = 0
    wrong: Counter[str] = field(default_factory=Counter)
    examples: dict[str, str] = field(default_factory=dict)
    unharmed_by: Counter[str] = field(default_factory=Counter)

    def fault(self, what: str, where: str, more: object = "") -> None:
        """Note something that must not be."""
        self.wrong[what] += 1
        self.examples.setdefault(what, f"{where}: {more}"[:600])


def run_faults(
    name: str, runner: Runner, server: TileServer, scratch: Path, most: int, seed: int, deepest: int
) -> FaultTotals:
    """Try a number of faults on one scenario."""
    work = scratch / f"work-{name}"
    shutil.rmtree(work, ignore_errors=True)
    work.mkdir(parents=True)
    bench = Bench(runner, server, work)
    scenario = prepare(name, bench, deepest)
    scenario.delay_s /= 4
    run = _FaultRun(name, scenario, bench, scratch)
    try:
        run.count()
        for kind, number in run.chosen(most, random.Random(seed)):
            run.try_fault(kind, number)
    finally:
        for folder in (work, run.base):
            shutil.rmtree(folder, ignore_errors=True)
    return run.totals


class _FaultRun:
    def __init__(self, name: str, scenario: Scenario, bench: Bench, scratch: Path) -> None:
        self.totals = FaultTotals(name)
        self.scenario, self.bench = scenario, bench
        self.base, self._hits = scratch / f"base-{name}", scratch / f"hits-{name}"
        shutil.rmtree(self.base, ignore_errors=True)
        shutil.copytree(bench.work, self.base)

    def _afresh(self) -> None:
        shutil.rmtree(self.bench.work, ignore_errors=True)
        shutil.copytree(self.base, self.bench.work)
        self._hits.unlink(missing_ok=True)

    def _run(self, faults: shim.Faults | None = None) -> Ended:
        server = self.bench.server
        server.tell("reset")
        server.tell("delay", self.scenario.delay_s)
        ended = self.bench.runner.run(
            self.scenario.command,
            self.bench.work,
            hits=self._hits if faults else None,
            faults=faults,
            ahead_s=self.scenario.ahead_s,
        )
        server.tell("delay", 0)
        return ended

    def count(self) -> None:
        """How many operations of each kind the command has, by runs in which each is counted and none fails."""
        self._sizes = {}
        for reading, kinds in ((False, shim.WRITES), (True, shim.READS)):
            self._afresh()
            self._run(shim.Faults(shim.COUNT_ONLY, kinds=kinds))
            self._sizes[reading] = self._hits.stat().st_size
        self._finals = {p: d for p, d in _contents(self.bench.work).items() if self._is_handed(p)}
        self._before = {p: d for p, d in _contents(self.base).items() if self._is_handed(p)}

    def chosen(self, most: int, chance: random.Random) -> list[tuple[_Kind, int]]:
        """So many faults, spread over the operations and the kinds; if fewer than there are kinds, some of them."""
        if most < len(_NO_LOCKS) + len(_KINDS):
            some = [*_KINDS, *_NO_LOCKS][:: -(-(len(_NO_LOCKS) + len(_KINDS)) // most)]
            return [(kind, int(chance.random() * self._sizes[kind.reading])) for kind in some]
        found = [(kind, 0) for kind in _NO_LOCKS]
        each = max(1, (most - len(found)) // len(_KINDS))
        for kind in _KINDS:
            size = self._sizes[kind.reading]
            found += [(kind, int((i + chance.random()) * size / each)) for i in range(each)]
        return found

    def _is_handed(self, path: str) -> bool:
        target = self.scenario.target
        return target is not None and path.startswith(f"{target}/") and "/." not in path

    def try_fault(self, kind: _Kind, number: int) -> None:
        """One fault: what the command says, what it leaves, and whether it ends well afterwards."""
        self._afresh()
        ended = self._run(kind.at(number))
        hit = self._hits.read_text().splitlines()[:1] if self._hits.exists() else []
        if not hit:
            return  # in this run there were fewer operations
        self.totals.faults += 1
        struck = hit[0].replace(str(self.bench.work), "")
        where = f"{kind.name} at {struck}"
        self._judge(ended, kind, struck, where)
        held = self._check_what_is_left(where)
        self._check_going_on(held, where)

    def _judge(self, ended: Ended, kind: _Kind, struck: str, where: str) -> None:
        if not ended.in_order:
            self.totals.fault("no sentence", where, ended)
        elif ended.code == 3:
            if ended.err.strip().endswith(".") and "lastbar: " in ended.err:
                self.totals.told += 1
            else:
                self.totals.fault("exit 3 without a sentence", where, ended)
            if "move it away" in ended.err and kind.reading:
                self.totals.fault("a failing disk told as damage", where, ended)
        elif ended.code in self.scenario.codes:
            self.totals.unharmed += 1
            self.totals.unharmed_by[struck.partition(" ")[2]] += 1
        else:
            self.totals.fault(f"exit {ended.code}", where, ended)

    def _check_what_is_left(self, where: str) -> dict[str, dict[Place, bytes]]:
        held = {}
        for path, data in _contents(self.bench.work).items():
            if path.endswith(".mbtiles") and "/." not in path and not path.startswith("/card"):
                try:
                    held[path] = read_pack(Path(f"{self.bench.work}{path}"))
                except (sqlite3.Error, ValueError) as fault:
                    self.totals.fault("pack unreadable", where, f"{path}: {fault}")
                    continue
                self._check_tiles(path, held[path], where)
            elif self._is_handed(path) and not path.endswith("/crews.json"):
                whole = data in (self._before.get(path), self._finals.get(path))
                if not whole:
                    self.totals.fault("half a file under its final name", where, path)
        return held

    def _check_tiles(self, path: str, held: dict[Place, bytes], where: str) -> None:
        layer = first_of(Path(path)).stem
        wrong = [t for t, h in held.items() if h != ABSENT and h not in sound_hashes(layer, t)]
        if wrong and not self.scenario.spoiled:
            self.totals.fault("wrong tiles", where, f"{path}: {wrong[:3]}")
        before = Path(f"{self.base}{path}")
        if before.exists() and self.scenario.command[0] != "prune" and not self.scenario.spoiled:
            lost = read_pack(before, check=False).keys() - held.keys()
            if lost:
                self.totals.fault("committed tiles lost", where, f"{path}: {len(lost)}")

    def _check_going_on(self, held: dict[str, dict[Place, bytes]], where: str) -> None:
        ended = self._run()
        if ended.code not in self.scenario.codes or not ended.in_order:
            self.totals.fault(f"again, on a sound disk: exit {ended.code}", where, ended)
        if self.scenario.command == ("fetch", "trip"):
            asked = {entry[:4] for entry in self.bench.server.ledger}
            for path, tiles in held.items():
                layer = path.rpartition("/")[2].removesuffix(".mbtiles")
                sound = [t for t, h in tiles.items() if h == ABSENT or h in sound_hashes(layer, t)]
                if again := [t for t in sound if (layer, *t) in asked]:
                    self.totals.fault("stored tiles asked for again", where, f"{path}: {again[:3]}")
        if self.scenario.target is not None:
            ended = self.bench.runner.run(("inspect", f".{self.scenario.target}"), self.bench.work)
            if ended.code != 0:
                self.totals.fault(f"inspect afterwards: exit {ended.code}", where, ended)


def _contents(folder: Path) -> dict[str, bytes]:
    found = {}
    for here, _, files in os.walk(folder):
        at = "" if here == str(folder) else "/" + os.path.relpath(here, folder)
        found |= {f"{at}/{name}": Path(here, name).read_bytes() for name in files}
    return found


def told(totals: FaultTotals, started: float) -> str:
    """A line for whoever watches."""
    wrong = ", ".join(f"{what} {count}" for what, count in totals.wrong.items()) or "nothing wrong"
    most = ", ".join(f"{what} {count}" for what, count in totals.unharmed_by.most_common(6))
    return (
        f"{totals.name}: {totals.faults} faults, {totals.told} told, {totals.unharmed} unharmed: {wrong} "
        f"({time.monotonic() - started:.0f} s){f'; unharmed by {most}' if most else ''}"
    )
