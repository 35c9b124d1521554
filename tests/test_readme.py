"""What the README shows is true: its brief reads, its commands exist."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from packer.planning.brief import Brief
from tests.commands import lastbar

README = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")


def test_the_brief_in_the_readme_reads_as_it_stands(tmp_path: Path) -> None:
    (text,) = re.findall(r"```toml\n(.*?)```", README, re.DOTALL)
    brief = Brief.from_text(text, tmp_path / "brief.toml")
    assert [area.name for area in brief.areas] == ["course", "base camp", "valley", "search sectors"]
    assert brief.crews[0].budget == 32 * 10**9


@pytest.fixture(scope="module")
def known() -> dict[str, str]:
    """The help of every command."""
    shown = lastbar("--help")
    names = re.findall(r"^  ([a-z-]+)  ", shown.stdout.partition("Commands:")[2], re.MULTILINE)
    return {n: lastbar(n, "--help").stdout for n in names}


def test_every_command_is_in_the_readme_and_the_other_way_round(known: dict[str, str]) -> None:
    assert set(re.findall(r"`lastbar ([a-z-]+)", README)) == set(known)


def test_every_option_in_the_readme_is_one_of_its_command(known: dict[str, str]) -> None:
    for name, rest in re.findall(r"`lastbar ([a-z-]+)([^`]*)`", README):
        for option in re.findall(r"--[a-z-]+", rest):
            assert option in known[name], (name, option)
