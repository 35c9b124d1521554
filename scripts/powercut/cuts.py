"""Power cuts: a command is logged once, then the states are built that a cut at any of its operations may leave.

Each distinct state is read with SQLite alone and compared with what had been committed; some are gone through by the
commands of the program: status, verify, the same command again, and what the server was asked for meanwhile.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import sqlite3
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from packer.store.pack_files import first_of
from scripts.powercut import replay
from scripts.powercut.commands import Ended, Runner
from scripts.powercut.scenarios import ABSENT, Bench, Place, Scenario, prepare, read_pack, sound_hashes
from scripts.powercut.shim import Operation, read_log
from scripts.powercut.tile_server import TileServer

__all__ = ["CutRun", "CutTotals", "run_cuts"]

_SEEDS = {model: (1, 2, 3) if "random" in model else (0,) for model in replay.MODELS}
Tiles = dict[Place, bytes]


@dataclass(slots=True)
class CutTotals:
    """What came of a scenario's cuts. `faults` counts by what was wrong; each has a first `example`."""

    name: str
    operations: int = 0
    cuts: int = 0
    states: int = 0
    distinct: int = 0
    through_commands: int = 0
    faults: Counter[str] = field(default_factory=Counter)
    examples: dict[str, str] = field(default_factory=dict)

    def fault(self, what: str, where: str, more: object = "") -> None:
        """Note something that must not be."""
        self.faults[what] += 1
        self.examples.setdefault(what, f"{where}: {more}"[:600])


def run_cuts(
    name: str,
    runner: Runner,
    server: TileServer,
    scratch: Path,
    cuts: int,
    commands: int,
    seed: int,
    deepest: int = 16,
) -> CutTotals:
    """Log one scenario and try the states that `cuts` cuts may leave, some `commands` of them with the program."""
    work = scratch / f"work-{name}"
    shutil.rmtree(work, ignore_errors=True)
    work.mkdir(parents=True)
    bench = Bench(runner, server, work)
    scenario = prepare(name, bench, deepest)
    run = CutRun(name, scenario, bench, scratch, random.Random(seed))
    try:
        run.log()
        run.try_cuts(cuts, commands)
    finally:
        run.clear()
    return run.totals


class CutRun:
    """One scenario."""

    def __init__(
        self, name: str, scenario: Scenario, bench: Bench, scratch: Path, chance: random.Random
    ) -> None:
        self.totals = CutTotals(name)
        self.scenario, self.bench, self.chance = scenario, bench, chance
        self._base, self._state, self._one = (scratch / f"{part}-{name}" for part in ("base", "state", "one"))
        self._log = scratch / f"log-{name}"
        self.operations: list[Operation] = []

    def clear(self) -> None:
        """Remove what was laid out."""
        for folder in (self._base, self._state, self._one, self.bench.work):
            shutil.rmtree(folder, ignore_errors=True)
        self._log.unlink(missing_ok=True)

    # ------------------------------------------------------------------------------- the log

    def log(self) -> None:
        """Run the command with every operation logged. Raises RuntimeError if the replay does not end as it did."""
        shutil.rmtree(self._base, ignore_errors=True)
        shutil.copytree(self.bench.work, self._base)
        server = self.bench.server
        server.tell("delay", self.scenario.delay_s)
        ended = self.bench.runner.run(
            self.scenario.command, self.bench.work, log=self._log, ahead_s=self.scenario.ahead_s
        )
        server.tell("delay", 0)
        if ended.code not in self.scenario.codes:
            raise RuntimeError(f"{self.totals.name}: {ended}")
        self.operations = read_log(self._log)
        self.totals.operations = len(self.operations)
        disk = replay.Disk(self._base)
        self.first = disk.state("in order")
        for done in self.operations:
            disk.step(done)
        self.last = disk.state("in order")
        if disk.unsupported or self.last != _as_it_is(self.bench.work):
            raise RuntimeError(
                f"{self.totals.name}: the replay does not end as the run did; {disk.unsupported}"
            )
        self.packs = sorted({p for p in (*self.first, *self.last) if _is_pack(p)})
        self.start, self.end = self._packs_of(self.first), self._packs_of(self.last)
        self.briefs = {p for p in (*self.first, *self.last) if p.endswith("/brief.toml")}
        self.handed_before, self.handed_after = self._handed(self.first), self._handed(self.last)

    def _packs_of(self, state: replay.State) -> dict[str, Tiles]:
        found = {}
        for path in self.packs:
            if state.get(path):
                beside = {p: state[p] for p in (path, f"{path}-journal") if p in state}
                replay.lay_out({f"/{p.rpartition('/')[2]}": data for p, data in beside.items()}, self._one)
                try:
                    found[path] = read_pack(self._one / path.rpartition("/")[2], check=False)
                except sqlite3.Error:
                    found[path] = {}
        return found

    def _handed(self, state: replay.State) -> dict[str, bytes]:
        """The files of a handover under their final names."""
        target = self.scenario.target
        if target is None:
            return {}
        return {
            path: data
            for path, data in state.items()
            if data is not None and path.startswith(f"{target}/") and "/." not in path
        }

    # ------------------------------------------------------------------------------- the cuts

    def try_cuts(self, most: int, commands: int) -> None:
        """Try the states that cuts may leave: at most so many cuts, most of them beside a step that matters."""
        cuts = self._chosen(most)
        through = set(self.chance.sample(sorted(cuts), min(commands, len(cuts))))
        disk, committed = replay.Disk(self._base), dict(self.start)
        if self.scenario.command[0] == "prune":
            committed = {
                p: {t: h for t, h in tiles.items() if t in self.end[p]} for p, tiles in self.start.items()
            }
        cut_journals: set[str] = set()
        seen: set[tuple[bytes, str]] = set()
        for at in range(len(self.operations) + 1):
            if at in cuts:
                self._cut(at, disk, committed, seen, at in through)
            if at < len(self.operations):
                done = self.operations[at]
                disk.step(done)
                self._take_in_commit(done, disk, committed, cut_journals)

    def _chosen(self, most: int) -> set[int]:
        steps = [
            at + 1 for at, done in enumerate(self.operations)
            if done.kind in "STRUDM" or (done.kind == "O" and done.a & os.O_CREAT)
        ]  # fmt: skip
        near = sorted({at for step in steps for at in (step - 1, step)})
        chosen = set(near if len(near) <= most else self.chance.sample(near, most))
        others = sorted(set(range(len(self.operations) + 1)) - chosen)
        chosen |= set(self.chance.sample(others, max(0, min(len(others), most - len(chosen)))))
        return chosen | {0, len(self.operations)}

    def _take_in_commit(
        self, done: Operation, disk: replay.Disk, committed: dict[str, Tiles], cut_journals: set[str]
    ) -> None:
        """A transaction is sure once the cut of its journal to nothing has been synced."""
        if done.kind not in "TS" or self.scenario.command[0] == "prune":
            return
        path = disk.path_of(done)
        if done.kind == "T" and done.a == 0 and path.endswith(".mbtiles-journal"):
            cut_journals.add(path)
        elif done.kind == "S" and path in cut_journals:
            cut_journals.discard(path)
            pack = path.removesuffix("-journal")
            if pack in self.packs:
                state = disk.state("in order")
                committed[pack] = self._packs_of({pack: state[pack]})[pack]

    def _cut(
        self,
        at: int,
        disk: replay.Disk,
        committed: dict[str, Tiles],
        seen: set[tuple[bytes, str]],
        through: bool,
    ) -> None:
        self.totals.cuts += 1
        last, gone_through = at == len(self.operations), False
        told = json.dumps([(p, len(tiles)) for p, tiles in sorted(committed.items())])
        for model, seed in ((m, s) for m in replay.MODELS for s in _SEEDS[m]):
            state = disk.state(model, seed * 1_000_003 + at)
            where = f"cut {at} of {len(self.operations)}, {model}, seed {seed}"
            self.totals.states += 1
            if last:
                self._check_end(state, where)
            mark = replay.digest(state), told
            if mark in seen:
                continue
            seen.add(mark)
            self.totals.distinct += 1
            replay.lay_out(state, self._state)
            self._check(state, committed, where)
            if through and not gone_through and self.chance.random() < 0.6:
                gone_through = True
                self.totals.through_commands += 1
                replay.lay_out(state, self._state)
                self._go_through(committed, where)

    # ------------------------------------------------------------------------------- what must hold

    def _check_end(self, state: replay.State, where: str) -> None:
        """Whoever saw the command end may take the computer's power away."""
        if self.scenario.target is not None and self._handed(state) != self.handed_after:
            self.totals.fault("finished, and not whole", where, "handover")
        for path in self.briefs:
            if state.get(path) != self.last.get(path):
                self.totals.fault("finished, and not whole", where, path)
        for path in self.end:
            if path not in state:
                self.totals.fault("finished, and not whole", where, path)
            elif state.get(f"{path}-journal"):
                self.totals.fault("finished, and a journal beside the pack", where, path)

    def _check(self, state: replay.State, committed: dict[str, Tiles], where: str) -> None:
        for path in self.briefs:
            if state.get(path) not in (self.first.get(path), self.last.get(path)):
                self.totals.fault("half a brief", where, path)
        for path, data in self._handed(state).items():
            whole = data in (self.handed_before.get(path), self.handed_after.get(path))
            if not whole and not path.endswith("/crews.json"):
                self.totals.fault("half a file under its final name", where, path)
        for path in () if self.scenario.target is not None else self.packs:
            if path not in state and committed.get(path):
                self.totals.fault("committed tiles lost", where, f"{path} is gone")
            elif state.get(path) or committed.get(path):
                self._check_pack(path, committed.get(path, {}), where)

    def _check_pack(self, path: str, committed: Tiles, where: str) -> None:
        try:
            held = read_pack(Path(f"{self._state}{path}"))
        except (sqlite3.Error, ValueError) as fault:
            self.totals.fault("pack unreadable", where, f"{path}: {fault}")
            return
        layer, spoiled = _layer(path), self._spoiled(path)
        lost = [t for t, h in committed.items() if t not in held and h != spoiled.get(t)]
        wrong = [
            t
            for t, h in held.items()
            if h != ABSENT and h not in sound_hashes(layer, t) and h != spoiled.get(t)
        ]
        older = [
            t
            for t, h in committed.items()
            if h != ABSENT and _is_older(held.get(t), h, sound_hashes(layer, t))
        ]
        for what, tiles in (("committed tiles lost", [*lost, *older]), ("wrong tiles", wrong)):
            if tiles:
                self.totals.fault(what, where, f"{path}: {len(tiles)}, {tiles[:3]}")

    def _spoiled(self, path: str) -> Tiles:
        """Tiles that were unsound before the command began."""
        if not self.scenario.spoiled:
            return {}
        layer = _layer(path)
        return {
            t: h
            for t, h in self.start.get(path, {}).items()
            if h != ABSENT and h not in sound_hashes(layer, t)
        }

    def _run(self, *arguments: str) -> Ended:
        return self.bench.runner.run(arguments, self._state, ahead_s=self.scenario.ahead_s)

    def _go_through(self, committed: dict[str, Tiles], where: str) -> None:
        scenario = self.scenario
        if scenario.target is not None:
            self._go_through_handover(where)
            return
        if scenario.command[0] != "new":
            for arguments in (("status", scenario.trip), ("verify", scenario.trip, "--json")):
                self._expect(self._run(*arguments), (0, 1), arguments[0], where)
        self.bench.server.tell("reset")
        ended = self._run(*scenario.again)
        self._expect(ended, (0, 2) if scenario.command[0] == "new" else (0,), "the command again", where)
        if ended.code == 0 and scenario.command[0] != "new":
            self._check_after(committed, where)

    def _check_after(self, committed: dict[str, Tiles], where: str) -> None:
        asked = {entry[:4] for entry in self.bench.server.ledger}
        refreshed = "--refresh-older-than" in self.scenario.command
        for path, tiles in committed.items():
            layer, spoiled = _layer(path), self._spoiled(path)
            settled = [t for t, h in tiles.items() if h != spoiled.get(t)]
            if refreshed:  # the others were to be asked for
                settled = [t for t in settled if tiles[t] != self.start[path].get(t)]
            again = [t for t in settled if (layer, *t) in asked]
            if again and f"/{self.scenario.trip}/" in path:
                self.totals.fault(
                    "committed tiles asked for again", where, f"{path}: {len(again)}, {again[:3]}"
                )
        for path, tiles in self.end.items() if self.scenario.command[0] in ("merge", "take-in") else ():
            if set(read_pack(Path(f"{self._state}{path}"))) != set(tiles):
                self.totals.fault("not the same tiles in the end", where, path)
        if self.scenario.command[0] in ("fetch", "prune", "verify"):
            self._expect(self._run("verify", self.scenario.trip, "--json"), (0,), "verify in the end", where)
            packs = self._state / self.scenario.trip / "packs"
            # A journal that begins with a zero was never in force; SQLite leaves it for the next transaction.
            left = [
                p.name
                for p in packs.iterdir()
                if p.name.endswith(".part")
                or (p.name.endswith("-journal") and p.read_bytes()[:1] not in (b"", b"\0"))
            ]
            if left:
                self.totals.fault("something left over", where, left)

    def _go_through_handover(self, where: str) -> None:
        target = f".{self.scenario.target}"
        before = self._handed(_as_it_is(self._state))
        ended = self._run("inspect", target, "--json")
        self._expect(ended, (0, 1, 2, 3), "inspect", where)
        sound = all(before.get(p) == data for p, data in self.handed_after.items()) or (
            bool(self.handed_before) and all(before.get(p) == data for p, data in self.handed_before.items())
        )
        mixed = all(
            before.get(p, b"") in (self.handed_before.get(p), d) for p, d in self.handed_after.items()
        )
        if ended.code == 0 and not (sound or ("crews" in self.totals.name and mixed)):
            self.totals.fault("inspect calls sound what is not", where, sorted(before))
        self._expect(self._run(*self.scenario.again), (0,), "the command again", where)
        self._expect(self._run("inspect", target), (0,), "inspect in the end", where)
        left = [
            p for p in _as_it_is(self._state) if p.endswith((".part", "-journal")) and p.startswith("/card")
        ]
        if left:
            self.totals.fault("something left over", where, left)

    def _expect(self, ended: Ended, codes: tuple[int, ...], what: str, where: str) -> None:
        if ended.code not in codes or not ended.in_order:
            self.totals.fault(f"{what}: exit {ended.code}", where, ended)


def _layer(path: str) -> str:
    return first_of(Path(path)).stem


def _is_pack(path: str) -> bool:
    name = path.rpartition("/")[2]
    return name.endswith(".mbtiles") and not name.startswith(".") and not path.startswith("/card")


def _is_older(held: bytes | None, committed: bytes, versions: tuple[bytes, bytes]) -> bool:
    """Whether the old picture is there although the new one had been committed."""
    old, new = versions
    return old != new and committed == new and held == old


def _files(folder: Path) -> Iterator[tuple[str, bytes | None]]:
    for here, below, files in os.walk(folder):
        at = "" if here == str(folder) else "/" + os.path.relpath(here, folder)
        yield at, None
        yield from ((f"{at}/{name}", None) for name in below)
        yield from ((f"{at}/{name}", Path(here, name).read_bytes()) for name in files)


def _as_it_is(folder: Path) -> dict[str, bytes | None]:
    return dict(_files(folder))


def told(totals: CutTotals, started: float) -> str:
    """A line for whoever watches."""
    wrong = ", ".join(f"{what} {count}" for what, count in totals.faults.items()) or "nothing wrong"
    return (
        f"{totals.name}: {totals.cuts} cuts of {totals.operations} operations, {totals.states} states, "
        f"{totals.distinct} distinct, {totals.through_commands} through commands: {wrong} "
        f"({time.monotonic() - started:.0f} s)"
    )
