"""Break the code on purpose and see whether a test notices. A tool for contributors, no part of the test run.

    .venv/bin/python scripts/mutate.py                      every mutation recorded in scripts/mutations.toml
    .venv/bin/python scripts/mutate.py snapshot "no pack"   those with one of these texts in their names
    .venv/bin/python scripts/mutate.py --random 20 --seed 7 --in packer/store --tests tests/test_store.py

The last form makes mutations by chance and is for finding new ones: a mutation that passes and that a user could
see deserves a test and an entry in the file. One that changes nothing is a hint that the code can be simpler.

Works in a temporary copy of this folder, one mutation at a time. Exit code 1 if a mutation passed, or if its
snippet is not in its file exactly once, so that the entry has to be brought up to date.
"""

from __future__ import annotations

import argparse
import ast
import copy
import os
import random
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
RECORD = ROOT / "scripts" / "mutations.toml"
LIMIT_S = 300  # a mutation may make a test wait for ever, which counts as noticed
NOT_COPIED = shutil.ignore_patterns(".*", "__pycache__", "*.egg-info", "build", "dist")


@dataclass(frozen=True, slots=True)
class Mutant:
    """One changed file: its new text (None where the snippet is not in it just once), and who has to notice."""

    name: str
    file: str
    text: str | None
    tests: tuple[str, ...]


# ------------------------------------------------------------------------------------- where mutants come from


def recorded(words: Sequence[str]) -> Iterator[Mutant]:
    """The mutants of the record whose names hold one of the words; all of them without words."""
    for entry in tomllib.loads(RECORD.read_text(encoding="utf-8"))["mutation"]:
        if words and not any(word in entry["name"] for word in words):
            continue
        path = ROOT / entry["file"]
        source = path.read_text(encoding="utf-8") if path.exists() else ""
        once = source.count(entry["find"]) == 1
        text = source.replace(entry["find"], entry["replace"]) if once else None
        yield Mutant(entry["name"], entry["file"], text, tuple(entry["tests"]))


def by_chance(files: Sequence[Path], count: int, seed: int, tests: tuple[str, ...]) -> Iterator[Mutant]:
    """So many different mutants of these files, every place as likely as every other."""
    places = [
        (path, node, changed)
        for path in files
        for node, changed in changes(ast.parse(path.read_text(encoding="utf-8")))
    ]
    chance = random.Random(seed)
    for path, node, changed in chance.sample(places, min(count, len(places))):
        lines = path.read_bytes().splitlines(keepends=True)
        start = sum(map(len, lines[: node.lineno - 1])) + node.col_offset
        end = sum(map(len, lines[: (node.end_lineno or 0) - 1])) + (node.end_col_offset or 0)
        was, new = ast.unparse(node), ast.unparse(changed)
        whole = b"".join(lines)
        put = f"({new})" if isinstance(node, ast.expr) else new
        text = (whole[:start] + put.encode() + whole[end:]).decode()
        file = str(path.relative_to(ROOT))
        yield Mutant(f"{file}:{node.lineno} {was} -> {new}", file, text, tests)


FLIPPED: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
SWAPPED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.FloorDiv,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.BitAnd: ast.BitOr,
}
OTHER_NAME = {"max": "min", "min": "max", "any": "all", "all": "any", "True": "False", "False": "True"}
Node = ast.expr | ast.stmt


def changes(tree: ast.Module) -> Iterator[tuple[Node, ast.AST]]:
    """Every node that can be mutated, with what to put in its place; a node may come more than once."""
    waiting: list[ast.AST] = [tree]
    while waiting:
        node = waiting.pop()
        if isinstance(node, ast.JoinedStr):  # what is inside an f-string has no place of its own before 3.12
            continue
        for name, value in ast.iter_fields(node):
            if name in ("annotation", "returns", "decorator_list"):
                continue
            waiting += [v for v in (value if isinstance(value, list) else [value]) if isinstance(v, ast.AST)]
        if isinstance(node, ast.comprehension):
            yield from ((test, ast.Constant(True)) for test in node.ifs)
        elif isinstance(node, Node):
            yield from ((node, changed) for changed in _changed(node))


def _changed(node: Node) -> Iterator[ast.AST]:
    match node:
        case ast.Compare(ops=[one]):
            for flipped in FLIPPED[type(one)]:
                yield _with(node, ops=[flipped()])
        case ast.BoolOp(values=values):
            for number in range(len(values)):
                rest = values[:number] + values[number + 1 :]
                yield _with(node, values=rest) if len(rest) > 1 else rest[0]
        case ast.BinOp(op=op) if type(op) in SWAPPED:
            yield _with(node, op=SWAPPED[type(op)]())
        case ast.UnaryOp(op=ast.Not()):
            yield node.operand
        case ast.Constant(value=bool()):
            yield ast.Constant(not node.value)
        case ast.Constant(value=int() | float() as number):
            yield ast.Constant(number + 1)
        case ast.Name() if node.id in OTHER_NAME:
            yield ast.Name(OTHER_NAME[node.id])
        case ast.Expr(value=ast.Call() | ast.Await()):
            yield ast.Pass()
        case ast.Continue():
            yield ast.Pass()
        case ast.IfExp():
            yield node.body
            yield node.orelse


def _with(node: ast.AST, **fields: object) -> ast.AST:
    changed = copy.copy(node)
    for name, value in fields.items():
        setattr(changed, name, value)
    return changed


# ------------------------------------------------------------------------------------- whether a test notices


def passes(folder: Path, tests: Sequence[str]) -> bool:
    """Whether these tests pass in a copy of the project. They stop at the first that fails."""
    python = [sys.executable, "-m", "pytest", "-x", "-q", "--no-header", "--tb=no", "-p", "no:randomly"]
    surroundings = os.environ | {"PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"}
    with subprocess.Popen(
        [*python, "-p", "no:cacheprovider", *tests],
        cwd=folder,
        env=surroundings,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    ) as run:
        try:
            code = run.wait(LIMIT_S)
        except subprocess.TimeoutExpired:
            os.killpg(run.pid, 9)
            return False
    if code not in (0, 1, 2):  # 2: the module could not even be imported
        raise SystemExit(f"pytest could not run {' '.join(tests)}: it ended with code {code}.")
    return code == 0


def judge(mutants: Sequence[Mutant]) -> list[Mutant]:
    """Try each in turn and print what came of it; gives those that nobody noticed, or that are out of date."""
    unnoticed = []
    with tempfile.TemporaryDirectory(prefix="mutate-") as above:
        folder = Path(above, "copy")
        shutil.copytree(ROOT, folder, ignore=NOT_COPIED)
        every = sorted({test for mutant in mutants for test in mutant.tests})
        if not passes(folder, every):
            raise SystemExit(
                "\n".join(["Some of these tests fail without any mutation. Repair them first.", *every])
            )
        for mutant in mutants:
            if mutant.text is None:
                outcome = "OUT OF DATE"
            else:
                path = folder / mutant.file
                before = path.read_bytes()
                path.write_text(mutant.text, encoding="utf-8")
                outcome = "PASSED" if passes(folder, mutant.tests) else "noticed"
                path.write_bytes(before)
            if outcome != "noticed":
                unnoticed.append(mutant)
            print(f"{outcome:<12}{mutant.name}", flush=True)
    return unnoticed


def main() -> int:
    """Read the arguments, try the mutants, and say how many were noticed."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("words", nargs="*", help="only recorded mutations with one of these in their names")
    parser.add_argument("--random", type=int, metavar="N", help="N mutations by chance instead of the record")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--in", dest="where", nargs="+", default=[], metavar="PATH")
    parser.add_argument("--tests", nargs="+", default=[], metavar="PATH")
    asked = parser.parse_args()
    if asked.random is None:
        mutants = list(recorded(asked.words))
    elif not asked.where or not asked.tests:
        parser.error("--random needs --in, where to mutate, and --tests, the tests that have to notice")
    else:
        above = [ROOT / where for where in asked.where]
        files = [path for one in above for path in ([one] if one.is_file() else sorted(one.rglob("*.py")))]
        mutants = list(by_chance(files, asked.random, asked.seed, tuple(asked.tests)))
    unnoticed = judge(mutants)
    print(f"{len(mutants)} mutations, {len(unnoticed)} that no test noticed or that are out of date")
    return 1 if unnoticed else 0


if __name__ == "__main__":
    sys.exit(main())
