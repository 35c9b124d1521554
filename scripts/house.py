"""The limits that keep the package readable, counted from its source: `scripts/test` runs this.

    .venv/bin/python scripts/house.py

Prints what was counted beside each limit and lists what is over it; exit code 1 if anything is.
"""

from __future__ import annotations

import ast
import sys
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

PACKAGE = Path(__file__).resolve().parent.parent / "packer"
ROOMS_MAX = 14
ROOT_FILES = {"__init__.py", "__main__.py", "errors.py", "version.py", "py.typed"}
PUBLIC_FUNCTIONS = {"fetch", "plan", "verify", "handover", "survey", "view", "inspect"}
CLASS_LINES_MAX = 250
FUNCTION_LINES_MAX = 40
CONSTRUCTOR_PARAMETERS_MAX = 6
MODULE_LINES_MAX = 400
SCRIPT_LINES_MAX = 250

Function = ast.FunctionDef | ast.AsyncFunctionDef


@dataclass(slots=True)
class Findings:
    """What is over a limit, and the largest figure seen for each limit."""

    over: list[str] = field(default_factory=list)
    largest: dict[str, int] = field(default_factory=lambda: defaultdict(int))

    def measure(self, what: str, where: str, size: int, limit: int) -> None:
        self.largest[what] = max(self.largest[what], size)
        if size > limit:
            self.over.append(f"{where}: {what} {size}, at most {limit}")


def code_lines(node: ast.AST) -> int:
    """The lines of a definition without its decorators and its docstring."""
    assert isinstance(node, Function | ast.ClassDef)
    lines = (node.end_lineno or node.lineno) - node.lineno + 1
    first = node.body[0]
    if ast.get_docstring(node, clean=False) is not None:
        lines -= (first.end_lineno or first.lineno) - first.lineno + 1
    return lines


def constructor_parameters(node: ast.ClassDef) -> int:
    """How many parameters `__init__` takes beside self; fields of plain data classes do not count."""
    for item in node.body:
        if isinstance(item, Function) and item.name == "__init__":
            arguments = item.args
            return len(arguments.posonlyargs) + len(arguments.args) + len(arguments.kwonlyargs) - 1
    return 0


def modules() -> Iterator[tuple[str, ast.Module, int]]:
    """Every module of the package: its path below it, its tree and its number of lines."""
    for path in sorted(PACKAGE.rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        yield str(path.relative_to(PACKAGE.parent)), ast.parse(text), text.count("\n")


def check_root(found: Findings) -> None:
    """Rooms and files at the package's root."""
    entries = [p for p in PACKAGE.iterdir() if p.name != "__pycache__"]
    rooms = [p.name for p in entries if p.is_dir()]
    found.measure("rooms", "packer", len(rooms), ROOMS_MAX)
    found.over += [
        f"packer/{p.name}: no module may lie at the root"
        for p in entries
        if p.is_file() and p.name not in ROOT_FILES
    ]
    clash = sorted(PUBLIC_FUNCTIONS & set(rooms) - {"handover", "survey", "view"})
    found.over += [f"packer/{name}: a room may not be called like a public function" for name in clash]


def main() -> int:
    """Count, print, and say by the exit code whether every limit holds."""
    found = Findings()
    check_root(found)
    homes: dict[str, list[str]] = defaultdict(list)
    for path, tree, lines in modules():
        found.measure("lines in a module", path, lines, MODULE_LINES_MAX)
        for node in ast.walk(tree):
            if isinstance(node, ast.ClassDef):
                where = f"{path}:{node.lineno} {node.name}"
                homes[node.name.lstrip("_")].append(where)
                found.measure("lines in a class", where, code_lines(node), CLASS_LINES_MAX)
                found.measure(
                    "constructor parameters", where, constructor_parameters(node), CONSTRUCTOR_PARAMETERS_MAX
                )
            elif isinstance(node, Function):
                where = f"{path}:{node.lineno} {node.name}"
                found.measure("lines in a function", where, code_lines(node), FUNCTION_LINES_MAX)
    for script in sorted(PACKAGE.rglob("*.js")):
        lines = script.read_text(encoding="utf-8").count("\n")
        where = str(script.relative_to(PACKAGE.parent))
        found.measure("lines in a module of JavaScript", where, lines, SCRIPT_LINES_MAX)
    found.over += [
        f"class {name} more than once: {', '.join(w)}" for name, w in sorted(homes.items()) if len(w) > 1
    ]
    for what, size in found.largest.items():
        print(f"{what}: {size} at most")
    print(f"{len(homes)} class names, {len(found.over)} over a limit")
    print(*(f"  {line}" for line in found.over), sep="\n")
    return 1 if found.over else 0


if __name__ == "__main__":
    sys.exit(main())
