"""Keeping the machine awake, and whether it runs on its battery."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

import pytest

from packer.cli.fetch_options import FetchOptions
from packer.cli.run_fetch import run
from packer.common.battery import battery_percent
from packer.errors import InputError
from packer.fetching.keep_awake import KeepAwake
from packer.fetching.reports import FetchReport, Options
from packer.planning.brief import Brief
from packer.planning.plan import Plan
from tests.test_desk_document import BRIEF

PATIENCE_S = 20


def test_the_machine_is_kept_awake_for_the_block_and_no_longer() -> None:
    began, ended, notes = threading.Event(), threading.Event(), list[str]()

    @contextmanager
    def ask() -> Iterator[str | None]:
        began.set()
        yield None
        ended.set()

    with KeepAwake(notes.append, ask):
        assert began.wait(PATIENCE_S)
        assert not ended.is_set()
    assert ended.is_set()
    assert not notes


def test_a_system_that_refuses_or_fails_costs_one_note_and_no_error() -> None:
    @contextmanager
    def refuse() -> Iterator[str | None]:
        yield "It cannot be had."

    def fail() -> AbstractContextManager[str | None]:
        raise OSError("the bus hung up")

    notes: list[str] = []
    for ask in (refuse, fail):
        with KeepAwake(notes.append, ask):
            pass
    assert notes == ["It cannot be had.", "The machine is not kept awake: OSError."]


def test_without_a_desktop_session_nothing_is_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("DBUS_SESSION_BUS_ADDRESS", raising=False)
    monkeypatch.setattr("sys.platform", "linux")
    notes: list[str] = []
    with KeepAwake(notes.append) as awake:
        assert awake._thread is None
    assert len(notes) == 1
    assert "no desktop session" in notes[0]


@pytest.mark.parametrize("let_sleep", [False, True])
def test_a_fetch_keeps_the_machine_awake_unless_it_may_sleep(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, let_sleep: bool
) -> None:
    asked: list[bool] = []

    async def fetched(_brief: Brief, _plan: Plan, options: Options, _hands: None) -> FetchReport:
        asked.append(options.keep_awake)
        raise InputError("enough is seen")

    monkeypatch.setattr("packer.cli.run_fetch._fetch", fetched)
    monkeypatch.setattr("sys.setswitchinterval", lambda _seconds: None)
    (tmp_path / "brief.toml").write_text(BRIEF.replace('use = "on foot"', "deepest = 3"), encoding="utf-8")
    with pytest.raises(InputError, match="enough"):
        run(tmp_path / "brief.toml", None, False, FetchOptions(let_sleep=let_sleep))
    assert asked == [not let_sleep]


MAINS = {"type": "Mains", "online": "1"}
UNPLUGGED = {"type": "Mains", "online": "0"}
BATTERY = {"type": "Battery", "status": "Discharging", "capacity": "62"}


@pytest.mark.parametrize(
    ("supplies", "percent"),
    [
        ({"AC": MAINS, "BAT0": BATTERY}, None),
        ({"BAT0": {**BATTERY, "status": "Charging"}}, None),
        ({"AC": UNPLUGGED, "BAT0": BATTERY}, 62),
        ({"mouse": {**BATTERY, "scope": "Device"}}, None),
        ({}, None),
    ],
)
def test_the_battery_counts_only_while_the_machine_runs_on_it(
    tmp_path: Path, supplies: dict[str, dict[str, str]], percent: int | None
) -> None:
    """Files as the kernel's Documentation/ABI/testing/sysfs-class-power has them."""
    for name, files in supplies.items():
        (tmp_path / name).mkdir()
        for file, text in files.items():
            (tmp_path / name / file).write_text(f"{text}\n", encoding="ascii")
    assert battery_percent(tmp_path) == percent
    assert battery_percent(tmp_path / "none") is None


def test_with_debug_the_end_of_a_fetch_tells_the_processor_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    report = FetchReport(True, False, 1.0, {})
    used = iter([(1.0, 0.5, 0.25, 0.0, 9.0), (4.0, 1.0, 0.75, 0.0, 99.0)])

    async def fetched(_brief: Brief, _plan: Plan, _options: Options, _hands: None) -> FetchReport:
        return report

    monkeypatch.setattr("packer.cli.run_fetch._fetch", fetched)
    monkeypatch.setattr("sys.setswitchinterval", lambda _seconds: None)
    monkeypatch.setattr("packer.cli.run_fetch.os.times", lambda: os.times_result(next(used)))
    monkeypatch.setattr(FetchReport, "total", lambda _self, what: 2000 if what == "stored" else 0)
    (tmp_path / "brief.toml").write_text(BRIEF.replace('use = "on foot"', "deepest = 3"), encoding="utf-8")
    run(tmp_path / "brief.toml", None, False, FetchOptions(), debug=True)
    assert "Processor time: 4.0 s, 2.00 s for each 1,000 tiles." in capsys.readouterr().err
