"""A key-command runs only once the planner has seen and allowed it, with all its arguments, on this computer."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from packer.cli import run_key
from packer.desk.server import DeskServer
from packer.errors import EXIT_NOT_COMPLETE, BriefError, DiskError, InputError
from packer.planning.brief import Brief
from packer.sources.allowed_commands import allow_command, is_allowed
from packer.sources.key_sources import KeyCommandError, key_from_command
from tests.conftest import BriefMaker
from tests.test_desk_server import Page

URL = "http://127.0.0.1:9/{z}/{x}/{y}.png?key=${KEY}"


@pytest.fixture(autouse=True)
def configuration(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    return tmp_path / "config" / "lastbar"


def printing(path: Path) -> list[str]:
    """A command that leaves a mark where it runs, and prints a key."""
    code = f"open({str(path)!r}, 'w').close(); print('kx-4711')"
    return [sys.executable, "-S", "-E", "-c", code]


def with_command(brief_for: BriefMaker, command: list[str]) -> Brief:
    return brief_for(URL, layer=f"key-command = {json.dumps(command)}")


def test_a_command_that_was_not_allowed_does_not_run(tmp_path: Path, configuration: Path) -> None:
    ran = tmp_path / "ran"
    with pytest.raises(KeyCommandError, match=r"It was not run: a brief may come from anyone") as refused:
        key_from_command(printing(ran), "KEY")
    assert "4711" not in str(refused.value)
    assert not ran.exists()
    allow_command(printing(ran))
    assert key_from_command(printing(ran), "KEY") == "kx-4711"
    assert ran.exists()
    assert "4711" not in (configuration / "key-commands").read_text()


def test_other_arguments_are_another_command() -> None:
    allow_command(["map-key", "aerial"])
    assert is_allowed(("map-key", "aerial"))
    for other in (["map-key"], ["map-key", "relief"], ["map-key", "aerial", ""], ["map-key aerial"]):
        assert not is_allowed(other)


def test_what_cannot_be_read_allows_nothing_and_what_cannot_be_written_is_told(configuration: Path) -> None:
    configuration.parent.mkdir()
    configuration.write_text("in the way")
    assert not is_allowed(["map-key"])
    with pytest.raises(DiskError, match=r"cannot be written .*, so the program stays forbidden"):
        allow_command(["map-key"])
    assert not is_allowed(["map-key"])


@pytest.mark.parametrize(
    ("answer", "allowed"), [("y", True), ("YES", True), ("", False), ("no", False), (None, False)]
)
def test_the_terminal_shows_the_whole_command_and_asks(
    brief_for: BriefMaker,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    answer: str | None,
    allowed: bool,
) -> None:
    brief = with_command(brief_for, ["map-key", "rm -r /", "aerial"])

    def typed(_question: str) -> str:
        if answer is None:
            raise EOFError
        return answer

    monkeypatch.setattr("builtins.input", typed)
    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    assert run_key.allow(brief.path, yes=False) == (0 if allowed else EXIT_NOT_COMPLETE)
    assert "  map-key 'rm -r /' aerial\n" in capsys.readouterr().out
    assert is_allowed(["map-key", "rm -r /", "aerial"]) is allowed


def test_in_a_pipe_only_yes_allows(brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch) -> None:
    brief = with_command(brief_for, ["map-key"])
    monkeypatch.setattr("sys.stdin.isatty", lambda: False)
    with pytest.raises(InputError, match="add --yes"):
        run_key.allow(brief.path, yes=False)
    assert run_key.allow(brief.path, yes=True) == 0
    assert is_allowed(["map-key"])


def test_a_command_that_could_hide_on_the_screen_is_no_command(brief_for: BriefMaker) -> None:
    with pytest.raises(BriefError, match="key-command"):
        with_command(brief_for, ["map-key", "\x1b[2K\x1b[1Aharmless"])


def test_the_desk_shows_the_command_and_allows_just_that_one(brief_for: BriefMaker, tmp_path: Path) -> None:
    brief = with_command(brief_for, ["map-key", "aerial"])
    with DeskServer(brief.path.parent) as desk, Page(desk) as page:
        assert page.get("/api/state")["forbidden"] == ["survey"]
        (one,) = page.get("/api/programs")["programs"]
        assert one == {"layer": "survey", "command": ["map-key", "aerial"], "allowed": False}
        for wrong in (
            {"layer": "survey", "command": ["map-key"]},
            {"layer": "other", "command": one["command"]},
            {},
        ):
            page.post("/api/programs", wrong, 400)
        assert not is_allowed(one["command"])
        told = page.post("/api/programs", {"layer": "survey", "command": one["command"]})
        assert told["forbidden"] == []
        assert is_allowed(one["command"])
