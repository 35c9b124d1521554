"""Power cuts and failing disks, tried out on the program: prints each result as it comes.

.venv/bin/python -m scripts.powercut cuts --write docs/powercut.md
.venv/bin/python -m scripts.powercut faults fetch prune
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from scripts.powercut import shim


def main() -> int:
    """0 if nothing was wrong, 1 if anything was."""
    arguments = _arguments()
    if not shim.loaded():
        with tempfile.TemporaryDirectory() as folder:
            made = shim.build(Path(folder))
            command = [sys.executable, "-m", "scripts.powercut", *sys.argv[1:]]
            return subprocess.run(
                command, env={**os.environ, "LD_PRELOAD": str(made)}, check=False
            ).returncode
    from scripts.powercut import results

    return results.run(arguments)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("mode", choices=("cuts", "faults"))
    parser.add_argument("scenarios", nargs="*", help="all of them if none is named")
    parser.add_argument("--cuts", type=int, default=120, help="cuts for each scenario")
    parser.add_argument(
        "--commands", type=int, default=12, help="cuts of each scenario after which commands are run"
    )
    parser.add_argument("--faults", type=int, default=40, help="faults for each scenario")
    parser.add_argument(
        "--deepest", type=int, default=16, help="the deepest zoom, and so the size of the packs"
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--write", type=Path, help="put the table into this document, in place of the one in it"
    )
    parser.add_argument("--scratch", type=Path, default=Path("/dev/shm"), help="where disks are laid out")
    found = parser.parse_args()
    found.started = time.monotonic()
    return found


if __name__ == "__main__":
    sys.exit(main())
