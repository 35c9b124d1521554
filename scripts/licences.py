"""Holds that MIT software may use every package in the lock: `scripts/test` runs this.

    .venv/bin/python scripts/licences.py            # exit code 1 if one may not be used, or is not in the list
    .venv/bin/python scripts/licences.py --write    # the same, and docs/licences.md is written first

Licences are SPDX expressions (ISO/IEC 5962), from what a package says of itself where that is clear.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.metadata import PackageNotFoundError, metadata
from pathlib import Path

from boolean.boolean import DualBase, Expression
from license_expression import AND, ExpressionError, Licensing, get_spdx_licensing

ROOT = Path(__file__).resolve().parent.parent
LIST = ROOT / "docs" / "licences.md"

# All permit use in software under another licence. MPL-2.0 asks for the source of its own files alone, if they
# are changed (its section 3.3).
ACCEPTED = frozenset(
    [
        "0BSD",
        "Apache-2.0",
        "BSD-2-Clause",
        "BSD-3-Clause",
        "CC0-1.0",
        "ISC",
        "MIT",
        "MIT-0",
        "MIT-CMU",
        "MPL-2.0",
        "PSF-2.0",
        "Unlicense",
        "Zlib",
    ]
)

# What these packages say of themselves is unclear; read in the licence file that each comes with.
READ = {
    "axe-playwright-python": "MIT AND MPL-2.0",  # its own, and that of the axe-core in it
    "click-plugins": "BSD-3-Clause",
    "cligj": "BSD-3-Clause",
    "colorama": "BSD-3-Clause",  # on Windows only
    "jinja2": "BSD-3-Clause",
    "mercantile": "BSD-3-Clause",
    "mgrs": "MIT",
    "partd": "BSD-3-Clause",
    "pywin32-ctypes": "BSD-3-Clause",  # on Windows only
    "pyreqwest": "Apache-2.0",
    "rasterio": "BSD-3-Clause",
    "segno": "BSD-3-Clause",
    "uvloop": "MIT OR Apache-2.0",
    "xstatic-leaflet": "BSD-2-Clause",  # says "same as Leaflet", which is BSD-2-Clause: from memory
    "zict": "BSD-3-Clause",
}

# Other words for it that leave no doubt: in the field License, and as a classifier.
WORDS = {
    "Apache 2.0": "Apache-2.0",
    "BSD 2-Clause License": "BSD-2-Clause",
    "ISC License": "ISC",
    "MIT License": "MIT",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
}


@dataclass(frozen=True, slots=True)
class Package:
    """A package of the lock; `versions` are those for the various systems and versions of Python."""

    name: str
    versions: tuple[str, ...]
    runtime: bool


def locked(folder: Path = ROOT / "requirements") -> list[Package]:
    """Every package in the lock, by name."""
    found: dict[str, set[str]] = {}
    runtime: set[str] = set()
    for part in ("runtime", "full", "dev", "build"):
        text = (folder / f"{part}.txt").read_text(encoding="utf-8")
        for name, version in re.findall(r"^([\w.-]+)==([^\s;]+)", text, re.MULTILINE):
            found.setdefault(name, set()).add(version)
            if part in ("runtime", "full"):
                runtime.add(name)
    return [Package(n, tuple(sorted(versions)), n in runtime) for n, versions in sorted(found.items())]


def licence_of(name: str, told: Mapping[str, list[str]] | None) -> str:
    """The SPDX expression of a package whose metadata fields are `told`; None if it is not installed.

    Raises ValueError, in a sentence, where it cannot be known.
    """
    if told is None and name not in READ:
        raise ValueError(
            f"{name} is in the lock but not installed here, so its licence cannot be read. Run scripts/prepare dev; "
            "if it is for other systems only, read its licence file and add it to READ in scripts/licences.py."
        )
    fields = told or {}
    for expression in fields.get("License-Expression", []):
        return expression
    if name in READ:
        return READ[name]
    classifiers = [
        c.rpartition(" :: ")[2] for c in fields.get("Classifier", []) if c.startswith("License ::")
    ]
    for words in (*fields.get("License", []), *classifiers):
        if words in WORDS or words in ACCEPTED:
            return WORDS.get(words, words)
    said = "; ".join([*(f[:60] for f in fields.get("License", [])), *classifiers]) or "nothing"
    raise ValueError(
        f"The licence of {name} is unknown: it says {said}. Read its licence file and add it to READ in "
        "scripts/licences.py, or do without the package."
    )


@cache
def _spdx() -> Licensing:
    return get_spdx_licensing()


def refused(expression: str) -> list[str]:
    """The licences in an SPDX expression that stand in the way; none if it may be used.

    Raises ValueError for what is no such expression.
    """
    try:
        parsed = _spdx().parse(expression)
    except ExpressionError as fault:
        raise ValueError(f'"{expression}" is no SPDX expression: {fault}.') from fault
    return _refused(parsed)


def _refused(parsed: Expression) -> list[str]:
    if not isinstance(parsed, DualBase):
        return [] if str(parsed) in ACCEPTED else [str(parsed)]
    parts = [_refused(part) for part in parsed.args]
    if not isinstance(parsed, AND) and not all(parts):
        return []  # of several to choose from, one will do
    return [name for part in parts for name in part]


def _told(name: str) -> Mapping[str, list[str]] | None:
    try:
        found = metadata(name)
    except PackageNotFoundError:
        return None
    return {field: found.get_all(field, []) for field in ("License-Expression", "License", "Classifier")}


def _page(licences: Mapping[Package, str]) -> str:
    rows = [
        f"| {p.name} | {', '.join(p.versions)} | {licence} |" for p, licence in licences.items() if p.runtime
    ]
    dev = [
        f"| {p.name} | {', '.join(p.versions)} | {licence} |"
        for p, licence in licences.items()
        if not p.runtime
    ]
    head = ["| package | version | licence (SPDX) |", "|---|---|---|"]
    return "\n".join(
        [
            "# Licences of the packages that Lastbar uses",
            "",
            "Written by `scripts/licences.py` from the lock in `requirements`; `scripts/test` holds that each may be "
            "used by MIT software. Accepted are: " + ", ".join(sorted(ACCEPTED)) + ".",
            "",
            "Some packages carry libraries in their wheels, such as GEOS (LGPL-2.1) in shapely, and GDAL and PROJ "
            "(MIT) in pyogrio and pyproj. Their licences lie in those wheels; the check does not read them.",
            "",
            "rasterio (BSD-3-Clause), with GDAL and PROJ in its wheel, is needed to test, and to run only as the extra "
            "`pictures`, whose lock is `requirements/pictures.txt`. distributed, msgpack and what they need are "
            "likewise for the extra `hands`, whose lock is `requirements/hands.txt`.",
            "",
            "## To run it",
            "",
            *head,
            *rows,
            "",
            "## To build and test it",
            "",
            *head,
            *dev,
            "",
        ]
    )


def main(arguments: list[str]) -> int:
    """Check, and with --write make the list anew; gives back the exit code.

    If the process dies: the list may be cut; run it again.
    """
    wrong, licences = [], {}
    for package in locked():
        try:
            licences[package] = licence_of(package.name, _told(package.name))
            if bad := refused(licences[package]):
                wrong.append(
                    f"{package.name} is under {licences[package]}, and {', '.join(bad)} is not among the licences "
                    "accepted in scripts/licences.py. Do without the package."
                )
        except ValueError as fault:
            wrong.append(str(fault))
    if "--write" in arguments:
        LIST.write_text(_page(licences), encoding="utf-8")
    listed = re.findall(r"^\| ([\w.-]+) \| ([^|]+) \|", LIST.read_text(encoding="utf-8"), re.MULTILINE)
    if set(listed) != {("package", "version"), *((p.name, ", ".join(p.versions)) for p in locked())}:
        wrong.append("docs/licences.md does not list what the lock names. Run scripts/licences.py --write.")
    for sentence in wrong:
        print(sentence, file=sys.stderr)
    if not wrong:
        print(f"Licences: {len(licences)} packages, all of which MIT software may use.")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
