"""This tree beside an older one, both in turn in one run: fetch, plan, verify and start-up, by the clock and by
processor time. Run it before a large change is kept:

    git worktree add /tmp/older COMMIT
    .venv/bin/python scripts/bench_against.py /tmp/older

Both trees run with this interpreter and its libraries. A ratio above 1 means that this tree takes longer.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from bench_fetch import block, write_brief
from neutral import Ended, file_server, jpeg_bodies, median_spread, png_bodies, run_measured

ROOT = Path(__file__).resolve().parent.parent
COLUMNS = 200


@dataclass
class Pair:
    """What the same work took here and in the older tree, run by run."""

    name: str
    here: list[Ended] = field(default_factory=list)
    older: list[Ended] = field(default_factory=list)

    def say(self) -> None:
        pairs = list(zip(self.here, self.older, strict=True))
        wall = median_spread([new.wall_s / old.wall_s for new, old in pairs])
        processor = median_spread([new.cpu_s / old.cpu_s for new, old in pairs])
        took = median_spread([new.cpu_s for new, _ in pairs])
        print(
            f"{self.name}: wall time {wall}, processor time {processor} times the older tree's; {took} s here"
        )


def lastbar(tree: Path, *arguments: str) -> Ended:
    ended = run_measured([sys.executable, "-m", "packer", *arguments], PYTHONPATH=str(tree))
    assert ended.code == 0, (tree, arguments, ended)
    return ended


@contextmanager
def tiles_of(folder: Path, ending: str, count: int) -> Iterator[int]:
    """A server of so many files on some port."""
    body = (png_bodies if ending == "png" else jpeg_bodies)(15_000)
    for number in range(count):
        x, y = 17000 + number % COLUMNS, 10000 + number // COLUMNS
        place = folder / "root" / "15" / str(x)
        place.mkdir(parents=True, exist_ok=True)
        (place / f"{y}.{ending}").write_bytes(body(number))
    with file_server(folder / "root") as port:
        yield port


def compare(name: str, older: Path, runs: int, *arguments: str, store: Path | None = None) -> None:
    """The same command in both trees in turn; with `store`, each run has a new folder for its packs there."""
    pair = Pair(name)
    for number in range(runs):
        for tree, ended in ((ROOT, pair.here), (older, pair.older))[:: 1 if number % 2 else -1]:
            more = ("--store", tempfile.mkdtemp(dir=store)) if store else ()
            os.sync()
            ended.append(lastbar(tree, *arguments, *more))
    pair.say()


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("older", type=Path, help="the root of the older tree")
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--tiles", type=int, default=10_000)
    given = parser.parse_args()
    older = given.older.resolve()
    for tree in (ROOT, older):
        subprocess.run([sys.executable, "-m", "compileall", "-q", str(tree / "packer")], check=True)
    # nginx reads the files as another user.
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        for ending in ("png", "jpg"):
            folder = Path(name) / ending
            with tiles_of(folder, ending, given.tiles) as port:
                brief = str(
                    write_brief(folder, port, 15, block(15, COLUMNS, given.tiles // COLUMNS), 16, ending)
                )
                compare(f"fetch, {ending}", older, given.runs, "fetch", brief, store=folder)
                lastbar(ROOT, "fetch", brief)
            compare(f"verify --quick, {ending}", older, given.runs, "verify", brief, "--quick")
            compare(f"verify --full, {ending}", older, given.runs, "verify", brief, "--full")
            compare(f"plan, {ending}", older, given.runs, "plan", brief)
    compare("--help", older, 4 * given.runs, "--help")


if __name__ == "__main__":
    main()
