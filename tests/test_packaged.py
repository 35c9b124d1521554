"""What the packaged program does otherwise than one that Python runs; a whole packaged folder is tried by
scripts/check-package."""

from __future__ import annotations

import ctypes
import io
import os
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

import packer
from packer import __main__ as begin
from packer import cli
from packer.cli import run_desk
from packer.cli.file_manager import started_by_file_manager
from packer.cli.terminal import takes_codes
from packer.common.own_process import (
    OWN_PROCESS,
    OWN_PROGRAMS,
    own_command,
    own_program_command,
    restore_environment,
)
from packer.common.shell import shell_command
from packer.desk.recent_trips import RecentTrips
from packer.desk.server import DeskServer


@pytest.fixture
def packaged(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "frozen", True, raising=False)
    monkeypatch.setattr(sys, "executable", "/opt/lastbar/lastbar")
    monkeypatch.setattr(sys, "argv", ["./lastbar"])


def test_python_is_called_where_there_is_one() -> None:
    assert own_command("fetch", Path("trip")) == [sys.executable, "-m", "packer", "fetch", "trip"]
    assert own_program_command(OWN_PROGRAMS[0]) == [sys.executable, "-m", "packer.content.jpeg_checks"]


@pytest.mark.usefixtures("packaged")
def test_the_packaged_program_starts_itself_and_no_python() -> None:
    assert own_command("fetch", Path("trip")) == ["/opt/lastbar/lastbar", "fetch", "trip"]
    for module in OWN_PROGRAMS:
        assert own_program_command(module) == ["/opt/lastbar/lastbar", OWN_PROCESS, module]


def test_nothing_but_that_room_starts_this_program() -> None:
    own = Path(packer.__file__).parent
    told = [p.name for p in own.rglob("*.py") if "sys.executable" in p.read_text(encoding="utf-8")]
    assert told == ["own_process.py"]


@pytest.mark.usefixtures("packaged")
def test_commands_to_paste_are_those_that_were_typed(monkeypatch: pytest.MonkeyPatch) -> None:
    assert shell_command("fetch", "trip") == "./lastbar fetch trip"
    monkeypatch.setattr(sys, "argv", ["/opt/last bar/lastbar"])
    assert shell_command("fetch", "trip") == "'/opt/last bar/lastbar' fetch trip"
    monkeypatch.setattr(sys, "argv", ["lastbar"])
    assert shell_command("fetch", "trip") == "lastbar fetch trip"


@pytest.mark.usefixtures("packaged")
@pytest.mark.parametrize(
    ("arguments", "does"),
    [*(([OWN_PROCESS, name], name) for name in OWN_PROGRAMS), ([], "main"), ([OWN_PROCESS, "os"], "main")],
)
def test_the_packaged_program_begins_with_what_it_was_started_for(
    monkeypatch: pytest.MonkeyPatch, arguments: list[str], does: str
) -> None:
    did: list[str] = []
    monkeypatch.setattr(sys, "argv", ["lastbar", *arguments])
    monkeypatch.setattr("multiprocessing.freeze_support", lambda: did.append("freeze_support"))
    for name in OWN_PROGRAMS:
        monkeypatch.setattr(f"{name}.main", partial(did.append, name))
    monkeypatch.setattr(cli, "main", lambda: did.append("main"))
    begin._begin()
    assert did == ["freeze_support", does]


def test_other_programs_get_the_environment_as_it_was_before_the_start() -> None:
    environment = {"LD_LIBRARY_PATH": "/opt/lastbar/_internal:/x", "LD_LIBRARY_PATH_ORIG": "/x", "A": "b"}
    restore_environment(environment)
    assert environment == {"LD_LIBRARY_PATH": "/x", "A": "b"}
    environment = {"LD_LIBRARY_PATH": "/opt/lastbar/_internal"}
    restore_environment(environment)
    assert environment == {}


# ------------------------------------------------------------------------------------ started from a file manager

NOWHERE, PIPE, TERMINAL = "nowhere", "pipe", "terminal"


@pytest.mark.parametrize(
    ("streams", "screen", "opens"),
    [
        ((NOWHERE, NOWHERE, NOWHERE), True, True),
        ((NOWHERE, NOWHERE, NOWHERE), False, False),  # a job of the system at night
        ((TERMINAL, TERMINAL, TERMINAL), True, False),
        ((TERMINAL, PIPE, TERMINAL), True, False),
        ((NOWHERE, PIPE, PIPE), True, False),  # another program reads what is said
    ],
)
def test_it_tells_a_file_manager_by_its_streams(
    monkeypatch: pytest.MonkeyPatch, streams: tuple[str, ...], screen: bool, opens: bool
) -> None:
    mode = {NOWHERE: 0o020000, TERMINAL: 0o020000, PIPE: 0o010000}  # inode(7): a device, a pipe
    with monkeypatch.context() as patch:
        patch.setattr(os, "isatty", lambda handle: streams[handle] == TERMINAL)
        patch.setattr(os, "fstat", lambda handle: SimpleNamespace(st_mode=mode[streams[handle]]))
        found = started_by_file_manager({"DISPLAY": ":0"} if screen else {})
    assert found is opens


@pytest.mark.parametrize(("on_the_console", "opens"), [(1, True), (2, False)])
def test_on_windows_it_tells_a_file_manager_by_a_console_of_its_own(
    monkeypatch: pytest.MonkeyPatch, on_the_console: int, opens: bool
) -> None:
    kernel = SimpleNamespace(GetConsoleProcessList=lambda _ids, _many: on_the_console)
    monkeypatch.setattr(ctypes, "windll", SimpleNamespace(kernel32=kernel), raising=False)
    monkeypatch.setattr(sys, "platform", "win32")
    assert started_by_file_manager({}) is opens


class EndedError(Exception):
    """In place of the end of the process."""


@pytest.mark.usefixtures("packaged")
@pytest.mark.parametrize(
    ("alone", "arguments"), [(True, ["desk", "--recent"]), (False, [])], ids=["file manager", "terminal"]
)
def test_without_arguments_it_opens_the_desk_from_a_file_manager_and_helps_on_a_terminal(
    monkeypatch: pytest.MonkeyPatch, alone: bool, arguments: list[str]
) -> None:
    called: list[list[str]] = []

    def ended(code: int) -> None:
        raise EndedError(code)

    monkeypatch.setattr(cli, "started_by_file_manager", lambda: alone)
    monkeypatch.setattr(
        "packer.cli.asked_command.only_asked", lambda _app, given: lambda: called.append(list(given))
    )
    monkeypatch.setattr(cli, "end_process", ended)
    with pytest.raises(EndedError):
        cli.main()
    assert called == [arguments]


def test_the_recent_trip_is_the_last_sound_one_that_is_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    trips = RecentTrips(tmp_path)
    monkeypatch.setattr(run_desk, "RecentTrips", lambda: trips)
    assert run_desk.recent_trip() == Path.home() / "Lastbar" / "trip"
    for name, text in (("a", 'title = "A"\n'), ("b", "no TOML ["), ("c", 'title = "C"\n')):
        (tmp_path / name).mkdir()
        (tmp_path / name / "brief.toml").write_text(text)
        trips.note(tmp_path / name / "brief.toml", name)
    (tmp_path / "c" / "brief.toml").unlink()
    assert run_desk.recent_trip() == tmp_path / "a" / "brief.toml"


def test_a_desk_without_a_terminal_ends_when_no_page_was_open_for_long(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    times = iter(range(0, 100_000, 100))
    with DeskServer(tmp_path) as desk:
        desk.session.events.join(page := (None, None))  # type: ignore[arg-type]  # it is told nothing here

        def clock() -> float:
            now = next(times)
            if now == 5_000:
                desk.session.events.leave(page)  # type: ignore[arg-type]
            return float(now)

        monkeypatch.setattr(desk._serving, "wait", _without_waiting)
        desk.wait(600.0, clock)
    assert next(times) in range(5_600, 6_200)


def _without_waiting(goes_on: Callable[[], bool]) -> None:
    while goes_on():
        pass


# ------------------------------------------------------------------------------------ terminals without codes


class Console:
    """The console of Windows, as far as it is asked: which mode it has, and whether it takes another."""

    def __init__(self, mode: int, takes: bool) -> None:
        self.mode, self._takes = mode, takes

    def GetStdHandle(self, number: int) -> int:  # noqa: N802  # as Windows has it
        return number

    def GetConsoleMode(self, _handle: int, into: Any) -> int:  # noqa: N802
        into._obj.value = self.mode
        return 1

    def SetConsoleMode(self, _handle: int, mode: int) -> int:  # noqa: N802
        if self._takes:
            self.mode = mode
        return int(self._takes)


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("mode", "takes", "codes", "after"), [(3, True, True, 7), (7, False, True, 7), (3, False, False, 3)]
)
def test_a_console_of_windows_gets_codes_only_if_it_follows_them(
    monkeypatch: pytest.MonkeyPatch, mode: int, takes: bool, codes: bool, after: int
) -> None:
    console = Console(mode, takes)
    monkeypatch.setattr(ctypes, "windll", SimpleNamespace(kernel32=console), raising=False)
    monkeypatch.setattr(sys, "platform", "win32")
    assert takes_codes(Terminal()) is codes
    assert console.mode == after


@pytest.mark.parametrize(("term", "codes"), [("xterm-256color", True), ("dumb", False), ("unknown", False)])
def test_a_terminal_that_says_so_gets_no_codes(
    monkeypatch: pytest.MonkeyPatch, term: str, codes: bool
) -> None:
    monkeypatch.setenv("TERM", term)
    assert takes_codes(Terminal()) is codes
    assert not takes_codes(io.StringIO())
    assert not takes_codes(None)


def test_whoever_writes_codes_has_asked_before() -> None:
    own = Path(packer.__file__).parent
    writers = {"\\x1b[", "\\033[", "Live("}
    for path in own.rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        if any(code in text for code in writers):
            assert "takes_codes(" in text, path
