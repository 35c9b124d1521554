"""Fixtures shared by the tests: a brief in a folder, and briefs for a test server; and rules for all of them."""

from __future__ import annotations

import gc
import os
import select
import signal
import tempfile
from collections import Counter
from collections.abc import Callable, Generator, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from xdist.scheduler import LoadScopeScheduling  # type: ignore[import-untyped]

# As the command does, and before numpy is loaded: threads for small matrices cost far more than they bring.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from packer.planning.brief import Brief

# A busy machine is no failure. LASTBAR_TESTS_EXAMPLES=1000 looks longer for an example that fails.
settings.register_profile(
    "steady",
    max_examples=int(os.environ.get("LASTBAR_TESTS_EXAMPLES", "25")),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("steady")

# To look for rubbish after every 700 new objects, as Python does unasked, took an eighth of the tests' time.
gc.set_threshold(100_000, 20, 100)

# In the background of a script Ctrl-C is ignored, and so it would be in the programs that tests start and stop.
if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

# What processes share of a host's caps and pauses is of this test run only.
os.environ["XDG_CONFIG_HOME"] = tempfile.mkdtemp(prefix="lastbar-config-")
os.environ["XDG_STATE_HOME"] = tempfile.mkdtemp(prefix="lastbar-state-")
# So are the layers and the trips that a desk remembers.
os.environ["XDG_CONFIG_HOME"] = os.environ["XDG_STATE_HOME"]

BriefMaker = Callable[..., Brief]

_BRIEF = """
title = "Test ground"
{overview}
[layers.survey]
url = "{url}"
attribution = "Test Survey (invented)"
permission = "Own server"
zooms = [0, 19]
connections = {connections}
requests-per-second = {rate}
{layer}
[[areas]]
name = "ground"
{area}
"""


@pytest.fixture
def brief_for(tmp_path: Path) -> BriefMaker:
    """Makes the brief of one layer and one area in the test's own folder, written to disk as well."""

    def make(
        url: str,
        area: str = "box = [12.30, 47.00, 12.34, 47.03]\ndeepest = 15",
        layer: str = "",
        connections: int = 8,
        rate: int = 100_000,
        overview: str = "overview = false",
    ) -> Brief:
        text = _BRIEF.format(
            url=url, area=area, layer=layer, connections=connections, rate=rate, overview=overview
        )
        path = tmp_path / "brief.toml"
        path.write_text(text, encoding="utf-8")
        return Brief.read(path)

    return make


# ------------------------------------------------------------------------------------ rules for every test

_INSIST = os.environ.get("LASTBAR_TESTS_INSIST") == "1"
"""Whether a test that cannot be run here, for want of a program such as Chromium, counts as failed."""

# Seconds that modules take of which one look at the number of their tests tells nothing: they begin first.
_LONG = {
    "test_accessibility": 25,
    "test_address_trial": 5,
    "test_desk_browser": 20,
    "test_desk_job_browser": 15,
    "test_desk_look": 15,
    "test_desk_look_browser": 10,
    "test_derived_layers": 15,
    "test_desk_packs": 10,
    "test_faults": 20,
    "test_hands": 20,
    "test_hands_world": 15,
    "test_handover_resumed": 12,
    "test_jpeg_worker": 8,
    "test_keys_that_end": 10,
    "test_kill": 5,
    "test_kill_packs": 10,
    "test_powercut": 15,
    "test_proof": 15,
    "test_refresh": 8,
    "test_secret_ways": 12,
    "test_view_browser": 35,
}
_USUAL = 0.1  # seconds for each test


class _ByModule(LoadScopeScheduling):  # type: ignore[misc]  # pytest-xdist has no types
    """A module's tests go to one worker, since they share what takes time to make; those that take longest begin.

    So the workers end at about the same time. With pytest-xdist's own order, by the number of tests, a long module of
    few tests begins last, and the other workers wait for it.
    """

    def _split_scope(self, nodeid: str) -> str:
        return nodeid.partition("::")[0]

    def _assign_work_unit(self, node: Any) -> None:
        longest = max(self.workqueue, key=self._seconds)
        self.workqueue.move_to_end(longest, last=False)
        super()._assign_work_unit(node)

    def _seconds(self, module: str) -> float:
        return _LONG.get(Path(module).stem, _USUAL * len(self.workqueue[module]))


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> _ByModule:
    return _ByModule(config, log)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, Any, Any]:
    report = yield
    return _insisted(report)


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(collector: pytest.Collector) -> Generator[None, Any, Any]:
    report = yield
    return _insisted(report)


def _insisted(report: Any) -> Any:
    if _INSIST and report.outcome == "skipped" and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"{_reason(report)}, and LASTBAR_TESTS_INSIST=1 wants every test to be run"
    return report


def _reason(report: Any) -> str:
    told = report.longrepr
    return str(told[2] if isinstance(told, tuple) else told).removeprefix("Skipped: ")


def pytest_terminal_summary(terminalreporter: Any) -> None:
    reasons = Counter(_reason(report) for report in terminalreporter.stats.get("skipped", []))
    if reasons:
        told = "; ".join(f"{reason} ({many})" for reason, many in sorted(reasons.items()))
        terminalreporter.write_line(f"Not run here: {reasons.total()} tests or modules: {told}.")


@pytest.hookimpl(trylast=True)
def pytest_collection_finish() -> None:
    """What is loaded stays: to look through it for rubbish over and over takes time."""
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="session", autouse=True)
def no_process_is_left_running() -> Iterator[None]:
    """Whatever a test has started has ended when the tests are over."""
    yield
    if left := _left_running(os.getpid()):
        pytest.fail(f"still running: {left}")


def _left_running(parent: int) -> list[str]:
    """The commands of its children, and of those that the tests' own server of processes has."""
    left = []
    for listed in Path(f"/proc/{parent}/task").glob(
        "*/children"
    ):  # nothing to be found where there is no /proc
        for child in map(int, listed.read_text().split()):
            command = Path(f"/proc/{child}/cmdline").read_bytes().replace(b"\0", b" ").decode()
            if "multiprocessing.forkserver" in command:
                left += _left_running(child)
            elif "multiprocessing.resource_tracker" not in command and not _ends(child):
                left.append(command)
    return left


def _ends(process_id: int) -> bool:
    process = os.pidfd_open(process_id)
    ended, _, _ = select.select([process], [], [], 10)
    os.close(process)
    return bool(ended)
