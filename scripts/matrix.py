"""Runs a quick part of the tests as if this were another system: with modules that cannot be imported, the standard
event loop, and text in the C locale.

    .venv/bin/python scripts/matrix.py                    # all variants, the quick part of the tests
    .venv/bin/python scripts/matrix.py --few              # three variants and fewer tests, as continuous integration
    .venv/bin/python scripts/matrix.py no-fcntl c-locale  # these
    .venv/bin/python scripts/matrix.py no-uvloop -- tests/test_proof.py -x

What a variant hides, it hides from every process that the tests start, by a sitecustomize in a temporary folder.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


@dataclass(frozen=True, slots=True)
class Variant:
    """Modules that cannot be imported, and variables that are set."""

    says: str
    hidden: tuple[str, ...] = ()
    hidden_from_packer: tuple[str, ...] = ()
    environment: dict[str, str] = field(default_factory=dict)


VARIANTS = {
    "c-locale": Variant(
        "text in the C locale, without Python's UTF-8 mode",
        environment={"PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "LC_ALL": "C", "LANG": "C"},
    ),
    "no-uvloop": Variant("the standard event loop", ("uvloop",)),
    "no-fcntl": Variant("without fcntl, as on Windows", hidden_from_packer=("fcntl",)),
    "no-pyogrio": Variant("without pyogrio", ("pyogrio",)),
    "no-simplejpeg": Variant("without simplejpeg", ("simplejpeg",)),
    "no-pyreqwest": Variant("without pyreqwest", ("pyreqwest",)),
    "bare": Variant("without all that it can do without", ("pyogrio", "simplejpeg", "pyreqwest", "uvloop")),
}
_OF_PYREQWEST = (
    "faster_transport_is_taken or with_the_faster_transport or (test_transports and (pyreqwest or under_two_names "
    "or idle_connections or no_longer_be_read or reads_no_certificates))"
)
FEW = ("c-locale", "no-fcntl", "bare")
SHORT = (
    *("test_brief", "test_cli", "test_payload", "test_shape_files_kml", "test_store", "test_whole_files"),
    "test_without_wheels",
)

# What asks the system for something, reads and writes files, or goes over the network; few seconds each.
QUICK = (
    *(
        "test_brief",
        "test_cli",
        "test_cli_packs",
        "test_fetching",
        "test_grid",
        "test_handover_mbtiles",
        "test_outcome",
    ),
    *("test_payload", "test_planning", "test_run_log", "test_shapes", "test_shape_files_kml", "test_store"),
    *("test_transports", "test_verdict", "test_whole_files", "test_without_wheels"),
)

_HIDE = """
import builtins, os

# Of fcntl only what Lastbar itself imports: on a system without it, Python and the libraries have ways of their own.
own = frozenset(filter(None, os.environ.get("LASTBAR_TESTS_HIDDEN_OWN", "").split(",")))
hidden = frozenset(filter(None, os.environ.get("LASTBAR_TESTS_HIDDEN", "").split(",")))
imported = builtins.__import__

def importing(name, globals=None, locals=None, fromlist=(), level=0):
    top = name.partition(".")[0]
    of_packer = str((globals or {}).get("__name__", "")).startswith("packer")
    if level == 0 and (top in hidden or (top in own and of_packer)):
        raise ModuleNotFoundError(f"No module named {name!r} (hidden for a trial)", name=name)
    return imported(name, globals, locals, fromlist, level)

if own or hidden:
    builtins.__import__ = importing
"""


def run(name: str, arguments: list[str]) -> tuple[bool, str]:
    """Whether the tests hold in a variant, and pytest's last line."""
    variant = VARIANTS[name]
    with tempfile.TemporaryDirectory(prefix="lastbar-matrix-") as folder:
        Path(folder, "sitecustomize.py").write_text(_HIDE, encoding="utf-8")
        environment = {
            **os.environ,
            **variant.environment,
            "PYTHONPATH": os.pathsep.join([folder, str(ROOT)]),
            "LASTBAR_TESTS_INSIST": "0",  # what needs a hidden module cannot be run
            "LASTBAR_TESTS_HIDDEN": ",".join(variant.hidden),
            "LASTBAR_TESTS_HIDDEN_OWN": ",".join(variant.hidden_from_packer),
        }
        command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", *arguments]
        if "pyreqwest" in variant.hidden:
            # It brings a plugin for pytest; and of the transports httpx's alone is there.
            command += ["-p", "no:pyreqwest", "-k", f"not ({_OF_PYREQWEST})"]
        done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, check=False)
    said = done.stdout.decode("utf-8", "replace")
    if done.returncode:
        print(said[-6000:], done.stderr.decode("utf-8", "replace")[-2000:], sep="\n", file=sys.stderr)
    found = [line for line in said.splitlines() if re.search(r"\d+ (passed|failed|error)", line)]
    return done.returncode == 0, found[-1].strip("= ") if found else "no result"


def main(arguments: list[str]) -> int:
    """Run the variants; gives back the exit code: 1 where a test failed in one, 2 for a name that is none."""
    at = arguments.index("--") if "--" in arguments else len(arguments)
    own, more = arguments[:at], arguments[at + 1 :]
    few = own == ["--few"]
    names = list(FEW) if few else own or list(VARIANTS)
    if unknown := [name for name in names if name not in VARIANTS]:
        print(f"There is no variant {unknown[0]}; there are {', '.join(VARIANTS)}.", file=sys.stderr)
        return 2
    whole = True
    for name in names:
        began = time.monotonic()
        holds, last = run(name, more or [f"tests/{module}.py" for module in (SHORT if few else QUICK)])
        whole &= holds
        print(f"{name}, {VARIANTS[name].says}: {last} ({time.monotonic() - began:.0f} s)", flush=True)
    return 0 if whole else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
