"""Which packages of the lock have a wheel, a ready-made build, for which system and version of Python.

    .venv/bin/python scripts/wheels.py            # exit code 1 if one that is asked for somewhere has none there
    .venv/bin/python scripts/wheels.py --write    # the same, and the table in docs/wheels.md is written first

The lists of files come from the package index that uv is set up to use; nothing is fetched but those.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from packaging.markers import Marker, default_environment
from packaging.requirements import Requirement
from packaging.tags import Tag, compatible_tags, cpython_tags, mac_platforms
from packaging.utils import InvalidWheelFilename, parse_wheel_filename
from uv import find_uv_bin

ROOT = Path(__file__).resolve().parent.parent
LIST = ROOT / "docs" / "wheels.md"
PYTHONS = ((3, 11), (3, 12), (3, 13), (3, 14))


@dataclass(frozen=True, slots=True)
class System:
    """A system as pip sees it: the platforms whose wheels it takes, and what markers may ask of it."""

    name: str
    platforms: tuple[str, ...]
    sys_platform: str
    machine: str

    def environment(self, python: tuple[int, int]) -> dict[str, str]:
        """What markers are evaluated with."""
        names = {"win32": ("nt", "Windows"), "darwin": ("posix", "Darwin"), "linux": ("posix", "Linux")}
        os_name, system = names[self.sys_platform]
        version = f"{python[0]}.{python[1]}"
        return {
            **{key: str(value) for key, value in default_environment().items()},
            "os_name": os_name,
            "sys_platform": self.sys_platform,
            "platform_system": system,
            "platform_machine": self.machine,
            "python_version": version,
            "python_full_version": f"{version}.0",
            "implementation_name": "cpython",
            "platform_python_implementation": "CPython",
        }

    def tags(self, python: tuple[int, int]) -> frozenset[Tag]:
        """The tags of the wheels that pip takes here."""
        return frozenset(cpython_tags(python, platforms=self.platforms)) | frozenset(
            compatible_tags(python, platforms=self.platforms)
        )


def _glibc(machine: str) -> tuple[str, ...]:
    return (*(f"manylinux_2_{minor}_{machine}" for minor in range(28, 4, -1)), f"manylinux2014_{machine}")


def _musl(machine: str) -> tuple[str, ...]:
    return tuple(f"musllinux_1_{minor}_{machine}" for minor in (2, 1))


SYSTEMS = (
    System("Windows, x64", ("win_amd64",), "win32", "AMD64"),
    System("Windows, ARM64", ("win_arm64",), "win32", "ARM64"),
    System("macOS 14, Apple silicon", tuple(mac_platforms((14, 0), "arm64")), "darwin", "arm64"),
    System("macOS 14, Intel", tuple(mac_platforms((14, 0), "x86_64")), "darwin", "x86_64"),
    System("Linux, x86_64", _glibc("x86_64"), "linux", "x86_64"),
    System("Linux, ARM64", _glibc("aarch64"), "linux", "aarch64"),
    System("Linux with musl, x86_64", _musl("x86_64"), "linux", "x86_64"),
    System("Linux with musl, ARM64", _musl("aarch64"), "linux", "aarch64"),
)


@dataclass(frozen=True, slots=True)
class Locked:
    """A package in the lock: where it is wanted, and the tags of its wheels."""

    name: str
    marker: Marker | None
    wheels: tuple[frozenset[Tag], ...]

    def wanted(self, system: System, python: tuple[int, int]) -> bool:
        """Whether the lock has it there."""
        return self.marker is None or self.marker.evaluate(system.environment(python))

    def fits(self, system: System, python: tuple[int, int]) -> bool:
        """Whether there is a wheel for it."""
        tags = system.tags(python)
        return any(wheel & tags for wheel in self.wheels)

    @property
    def everywhere(self) -> bool:
        """Whether one wheel is for all systems."""
        return any(tag.platform == "any" and tag.abi == "none" for wheel in self.wheels for tag in wheel)


def locked(document: Mapping[str, object]) -> list[Locked]:
    """The packages of a lock file in the form of PEP 751."""
    found = []
    packages = document["packages"]
    assert isinstance(packages, list)
    for package in packages:
        names = [str(w.get("name") or str(w["url"]).rpartition("/")[2]) for w in package.get("wheels", [])]
        marker = Marker(package["marker"]) if "marker" in package else None
        found.append(Locked(package["name"], marker, tuple(_tags(names))))
    return found


def _tags(names: Iterable[str]) -> Iterable[frozenset[Tag]]:
    for name in names:
        try:
            yield parse_wheel_filename(name)[3]
        except InvalidWheelFilename:  # of old releases; pip passes them by as well
            continue


def _project() -> Mapping[str, Any]:
    project: Mapping[str, Any] = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))[
        "project"
    ]
    return project


def optional() -> frozenset[str]:
    """The packages that Lastbar can do without: those of the extras `fast` and `files`."""
    extras = _project()["optional-dependencies"]
    return frozenset(Requirement(one).name for extra in ("fast", "files") for one in extras[extra])


def asked_for(system: System, python: tuple[int, int], extra: str | None = None) -> frozenset[str]:
    """The packages that pip is asked for by `pip install lastbar` there, or with an extra."""
    project = _project()
    wanted = [*project["dependencies"], *(project["optional-dependencies"][extra] if extra else ())]
    environment = system.environment(python)
    found = map(Requirement, wanted)
    return frozenset(one.name for one in found if one.marker is None or one.marker.evaluate(environment))


def pythons_text(pythons: Iterable[tuple[int, int]]) -> str:
    """ "all", "none", or the versions."""
    found = tuple(pythons)
    if found == PYTHONS:
        return "all"
    return ", ".join(f"{major}.{minor}" for major, minor in found) or "none"


def lacking(packages: Iterable[Locked], without: frozenset[str]) -> list[str]:
    """A sentence for each package that `pip install lastbar` asks for somewhere and that has no wheel there."""
    packages = list(packages)
    return [
        f"{package.name} has no wheel for {system.name} and Python {python[0]}.{python[1]}."
        for system in SYSTEMS
        for python in PYTHONS
        for asked in [asked_for(system, python)]
        for package in packages
        if package.name not in without or package.name in asked
        if package.wanted(system, python) and not package.fits(system, python)
    ]


def table(packages: list[Locked], without: frozenset[str]) -> list[str]:
    """For each system, with which versions of Python what it needs is there, and each package it can do without."""
    names = sorted(without)
    lines = [f"| system | all that it needs | {' | '.join(names)} |", "|---" * (len(names) + 2) + "|"]
    for system in SYSTEMS:
        whole = [
            python
            for python in PYTHONS
            if all(
                p.fits(system, python) for p in packages if p.name not in without and p.wanted(system, python)
            )
        ]
        cells = [pythons_text(whole)]
        for name in names:
            of_name = [p for p in packages if p.name == name]
            cells.append(pythons_text(v for v in PYTHONS if any(p.fits(system, v) for p in of_name)))
        lines.append(f"| {system.name} | {' | '.join(cells)} |")
    return lines


def _page(packages: list[Locked], without: frozenset[str]) -> str:
    own = sorted({p.name for p in packages if not p.everywhere} - without)
    return "\n".join(
        [
            "# Wheels by system and version of Python",
            "",
            "Written by `scripts/wheels.py` from the lock in `requirements`. A wheel is a ready-made build of a "
            "package; without one pip would have to compile, for which few laptops have what it takes.",
            "",
            f"Versions of Python looked at: {', '.join(f'{a}.{b}' for a, b in PYTHONS)}. Linux is one with glibc 2.28 "
            "or newer, or with musl 1.2.",
            "",
            *table(packages, without),
            "",
            f"What it needs and is not the same file for every system: {', '.join(own)}.",
            "",
        ]
    )


def _from_index() -> list[Locked]:
    """The lock with the files of each package, as the index has them."""
    with tempfile.TemporaryDirectory(prefix="lastbar-wheels-") as folder:
        into, pins = Path(folder, "pylock.toml"), Path(folder, "pins.txt")
        text = (ROOT / "requirements" / "full.txt").read_text(encoding="utf-8")
        # With every marker off but what parts versions, so that the files of all systems are listed.
        pins.write_text("\n".join(re.findall(r"^[\w.-]+==[^\\\n]+", text, re.MULTILINE)), encoding="utf-8")
        command = [
            find_uv_bin(),
            "pip",
            "compile",
            "--quiet",
            "--universal",
            "--no-deps",
            "--python-version",
            "3.11",
        ]
        subprocess.run([*command, "--format", "pylock.toml", "--output-file", into, pins], check=True)
        return locked(tomllib.loads(into.read_text(encoding="utf-8")))


def main(arguments: list[str]) -> int:
    """Check, and with --write make the table anew; gives back the exit code.

    If the process dies: the table may be cut; run it again.
    """
    packages, without = _from_index(), optional()
    if "--write" in arguments:
        LIST.write_text(_page(packages, without), encoding="utf-8")
    print("\n".join(table(packages, without)))
    wrong = lacking(packages, without)
    for sentence in wrong:
        print(sentence, file=sys.stderr)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
