"""Nothing is asked for that would have to be compiled: the markers in pyproject.toml against the table in
docs/wheels.md, which scripts/wheels.py makes from the package index."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from packaging.markers import Marker
from packaging.tags import sys_tags

from scripts import wheels
from scripts.wheels import (
    PYTHONS,
    SYSTEMS,
    Locked,
    System,
    asked_for,
    lacking,
    locked,
    optional,
    pythons_text,
)

SYSTEM = {system.name: system for system in SYSTEMS}


def there(page: str) -> dict[tuple[str, str], tuple[tuple[int, int], ...]]:
    """By system and column, the versions of Python that the table names."""
    rows = [
        [c.strip() for c in line.strip("| \n").split("|")]
        for line in page.splitlines()
        if line.startswith("| ")
    ]
    found = {}
    for name, *cells in rows[1:]:
        for column, cell in zip(rows[0][1:], cells, strict=True):
            versions = re.findall(r"(\d+)\.(\d+)", cell)
            found[name, column] = PYTHONS if cell == "all" else tuple((int(a), int(b)) for a, b in versions)
    return found


TABLE = there((Path(__file__).parent.parent / "docs" / "wheels.md").read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", SYSTEM)
def test_plain_pip_install_finds_a_wheel_of_everything_on_every_system(name: str) -> None:
    assert TABLE[name, "all that it needs"] == PYTHONS
    for python in PYTHONS:
        for package in asked_for(SYSTEM[name], python) & optional():
            assert python in TABLE[name, package], package


@pytest.mark.parametrize("name", [name for name in SYSTEM if "musl" not in name])
def test_with_full_there_is_all_that_there_are_wheels_of(name: str) -> None:
    for python in PYTHONS:
        asked = asked_for(SYSTEM[name], python, "full") & optional()
        assert asked == {package for package in optional() if python in TABLE[name, package]}


def test_the_system_at_hand_is_told_as_pip_tells_it() -> None:
    """Against the tags that packaging, which pip uses, gives for the running Python."""
    own = {tag for tag in sys_tags() if tag.interpreter == "cp312" or tag.platform == "any"}
    assert own & SYSTEM["Linux, x86_64"].tags((3, 12))
    windows = SYSTEM["Windows, ARM64"]
    assert Marker("sys_platform == 'win32' and platform_machine == 'ARM64'").evaluate(
        windows.environment((3, 14))
    )


def package(name: str, *files: str, marker: str | None = None) -> Locked:
    one = {"name": name, "wheels": [{"url": f"https://index.invalid/x/{file}"} for file in files]}
    return locked({"packages": [one | ({"marker": marker} if marker else {})]})[0]


def test_a_package_without_a_wheel_is_named_where_it_is_wanted(monkeypatch: pytest.MonkeyPatch) -> None:
    systems: tuple[System, ...] = (SYSTEM["Windows, x64"], SYSTEM["Linux with musl, x86_64"])
    monkeypatch.setattr(wheels, "SYSTEMS", systems)
    pure = package("pure", "pure-1-py3-none-any.whl")
    part = package("part", "part-1-cp311-abi3-win_amd64.whl")
    only = package("only", "only-1-cp311-abi3-win_amd64.whl", marker="sys_platform == 'win32'")
    assert pure.everywhere
    assert not part.everywhere
    said = lacking([pure, part, only], frozenset())
    assert said == [f"part has no wheel for Linux with musl, x86_64 and Python 3.{n}." for n in range(11, 15)]
    assert lacking([part], frozenset({"part"})) == []
    last = wheels.table([pure, part, only], frozenset({"part"}))[-1]
    assert last == "| Linux with musl, x86_64 | all | none |"
    assert pythons_text(PYTHONS[1:]) == "3.12, 3.13, 3.14"


def test_a_build_for_one_version_of_python_is_for_no_other() -> None:
    one = package("one", "one-1-cp312-cp312-musllinux_1_1_x86_64.whl", "one-1-old.whl")
    musl = SYSTEM["Linux with musl, x86_64"]
    assert [python for python in PYTHONS if one.fits(musl, python)] == [(3, 12)]
    assert not one.fits(SYSTEM["Linux, x86_64"], (3, 12))
