"""The lock and the licences of what it names."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from scripts.licences import ACCEPTED, READ, licence_of, locked, refused

ROOT = Path(__file__).parent.parent
PARTS = sorted((ROOT / "requirements").glob("*.txt"))
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


@pytest.mark.parametrize("part", PARTS, ids=lambda part: part.stem)
def test_each_package_in_the_lock_has_a_version_and_hashes_and_no_address_is_named(part: Path) -> None:
    text = part.read_text(encoding="utf-8")
    pinned = re.split(r"^(?=[\w.-]+==)", text, flags=re.MULTILINE)[1:]
    assert pinned
    for entry in pinned:
        assert re.search(r"--hash=sha256:[0-9a-f]{64}\b", entry), entry.splitlines()[0]
    assert not re.search(r"://|@ |--\w*(index|find-links)", text)
    others = [line for line in text.splitlines() if line and not re.match(r"[\w.-]+==| *#|    --hash=", line)]
    assert others == []


def test_each_dependency_is_in_the_lock_within_its_bounds() -> None:
    versions = {package.name: package.versions for package in locked()}
    bounds: dict[str, list[Requirement]] = {}
    for line in (*PROJECT["dependencies"], *PROJECT["optional-dependencies"]["dev"]):
        bounds.setdefault(canonicalize_name(Requirement(line).name), []).append(Requirement(line))
    for name, wanted in bounds.items():  # of which some are for other systems
        for one in wanted:
            assert any(one.specifier.contains(version) for version in versions[name]), str(one)
        for version in versions[name]:
            assert any(one.specifier.contains(version) for one in wanted), (name, version)


def test_what_tests_run_with_is_what_the_runtime_part_names() -> None:
    runtime, dev = (
        (ROOT / "requirements" / f"{n}.txt").read_text(encoding="utf-8") for n in ("runtime", "dev")
    )
    pins = re.findall(r"^[\w.-]+==\S+", runtime, re.MULTILINE)
    assert set(pins) <= set(re.findall(r"^[\w.-]+==\S+", dev, re.MULTILINE))


# SPDX specification 2.3, annex D: AND asks to comply with both, OR to choose one; WITH adds an exception to one.
@pytest.mark.parametrize(
    ("expression", "bad"),
    [
        ("MIT", []),
        ("MIT AND PSF-2.0", []),
        ("MIT OR GPL-3.0-only", []),
        ("(GPL-2.0-only OR MPL-2.0) AND BSD-3-Clause", []),
        ("GPL-3.0-only", ["GPL-3.0-only"]),
        ("MIT AND GPL-3.0-only", ["GPL-3.0-only"]),
        ("AGPL-3.0-only OR GPL-3.0-only", ["AGPL-3.0-only", "GPL-3.0-only"]),
        ("GPL-3.0-only WITH GCC-exception-3.1", ["GPL-3.0-only WITH GCC-exception-3.1"]),
        ("LicenseRef-own-terms", ["LicenseRef-own-terms"]),
    ],
)
def test_a_licence_that_mit_software_may_not_use_is_named(expression: str, bad: list[str]) -> None:
    assert refused(expression) == bad


def test_what_is_no_expression_is_refused_in_a_sentence() -> None:
    with pytest.raises(ValueError, match=r"is no SPDX expression"):
        refused("MIT AND (")


@pytest.mark.parametrize(
    ("told", "licence"),
    [
        ({"License-Expression": ["ISC"], "License": ["GPL-3.0-only"]}, "ISC"),
        ({"License": ["MIT License"]}, "MIT"),
        (
            {"License": ["BSD-3-Clause"], "Classifier": ["License :: OSI Approved :: BSD License"]},
            "BSD-3-Clause",
        ),
        ({"Classifier": ["License :: OSI Approved :: MIT License"]}, "MIT"),
    ],
)
def test_a_licence_is_read_from_what_a_package_says(told: dict[str, list[str]], licence: str) -> None:
    assert licence_of("new-package", told) == licence


@pytest.mark.parametrize(
    "told",
    [{}, {"License": ["same as upstream"]}, {"Classifier": ["License :: OSI Approved :: BSD License"]}],
)
def test_a_licence_that_is_unknown_fails_in_a_sentence_that_names_the_package(
    told: dict[str, list[str]],
) -> None:
    with pytest.raises(
        ValueError, match=r"^The licence of new-package is unknown: it says .*Read its licence file"
    ):
        licence_of("new-package", told)


def test_a_package_that_is_not_installed_fails_unless_its_licence_was_read() -> None:
    assert licence_of("colorama", None) == READ["colorama"]
    with pytest.raises(ValueError, match=r"^new-package is in the lock but not installed here"):
        licence_of("new-package", None)


def test_every_licence_that_was_read_by_hand_is_of_a_package_in_the_lock_and_accepted() -> None:
    assert READ.keys() <= {package.name for package in locked()}
    assert {licence for licence in READ.values() if refused(licence)} == set()
    assert "GPL-3.0-only" not in ACCEPTED
