"""A fetch in a process of its own: what passes between it and the desk, and what holds when either of them ends."""

from __future__ import annotations

import asyncio
import io
import json
import pickle
import subprocess
import threading
from collections.abc import Mapping
from typing import Any

import pytest

from packer.desk import fetch_apart as apart
from packer.desk.fetch_order import FetchOrder
from packer.fetching.pacing.speed_limit import SpeedLimit
from packer.fetching.reports import Options
from packer.planning.brief import Brief
from packer.sources import key_sources

BRIEF = Brief.from_text(
    'title = "t"\n[layers.a]\nurl = "http://127.0.0.1:9/{z}/{x}/{y}.png"\nattribution = "-"\npermission = "-"\n'
    'zooms = [0, 3]\n[[areas]]\nname = "k"\nbox = [1, 1, 2, 2]\ndeepest = 3\n'
)
ORDER = FetchOrder(BRIEF, Options())


class Told:
    """A job as its work sees it."""

    def __init__(self) -> None:
        self.stop, self.progresses = threading.Event(), list[Mapping[str, Any]]()
        self.codes = list[str]()

    def progress(self, what: Mapping[str, Any]) -> None:
        self.progresses.append(what)

    def join_by(self, code: str) -> None:
        self.codes.append(code)


def answering(monkeypatch: pytest.MonkeyPatch, program: str) -> None:
    """A program of the shell in place of the fetch's own process."""
    command = ["/bin/sh", "-c", program]
    monkeypatch.setattr(
        apart,
        "_started",
        lambda: subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE),
    )


@pytest.fixture(autouse=True)
def no_given_keys(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(key_sources, "_given", {})
    monkeypatch.setattr(key_sources, "_known", set())


def test_progress_is_passed_on_and_the_last_word_is_the_result(monkeypatch: pytest.MonkeyPatch) -> None:
    answering(monkeypatch, """echo '{"progress": {"done": 1}}'; echo '{"result": {"complete": true}}'""")
    job = Told()
    assert apart.fetch_apart(ORDER, job) == {"complete": True}
    assert job.progresses == [{"done": 1}]


def test_a_code_comes_to_the_job_and_into_no_progress(monkeypatch: pytest.MonkeyPatch) -> None:
    answering(monkeypatch, """echo '{"code": "10.0.0.5:8786/A-B"}'; echo '{"result": {"complete": true}}'""")
    job = Told()
    assert apart.fetch_apart(ORDER, job) == {"complete": True}
    assert (job.codes, job.progresses) == (["10.0.0.5:8786/A-B"], [])


def test_an_error_keeps_its_sentence_and_its_exit_code(monkeypatch: pytest.MonkeyPatch) -> None:
    answering(monkeypatch, """echo '{"error": "The disk is full.", "exit_code": 3}'""")
    with pytest.raises(apart.FetchFailedError, match=r"The disk is full\.") as found:
        apart.fetch_apart(ORDER, Told())
    assert found.value.exit_code == 3


@pytest.mark.parametrize("last", ["", 'printf \'{"result": {"compl\'; '])
def test_a_process_that_dies_ends_the_fetch_with_a_sentence(
    monkeypatch: pytest.MonkeyPatch, last: str
) -> None:
    answering(monkeypatch, f"""echo '{{"progress": {{}}}}'; {last}kill -9 $$""")
    with pytest.raises(apart.FetchFailedError, match=r"has ended \(-9\)\. What is on board is safe"):
        apart.fetch_apart(ORDER, Told())


def test_where_no_process_can_be_had_the_fetch_runs_in_the_desks_own(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(apart, "own_program_command", lambda _module: ["/bin/false"])
    seen: list[object] = []

    async def carried_out(
        order: FetchOrder, _stop: asyncio.Event, _tell: object, _code: object
    ) -> dict[str, Any]:
        seen.append(order.options.transport)
        return {"complete": True}

    monkeypatch.setattr(apart, "carry_out", carried_out)
    assert apart.fetch_apart(ORDER, Told()) == {"complete": True}
    assert seen == ["httpx"]


def test_the_order_comes_whole_and_changes_follow_it() -> None:
    limit = SpeedLimit(2e6, None)
    order = FetchOrder(BRIEF, Options(speed_limit=limit), keys={"OLD": "k1"})
    job, sent, over = Told(), io.BytesIO(), threading.Event()
    key_sources.give_key("OLD", "k1")
    key_sources.give_key("NEW", "k2")
    over.set()  # nothing is waited for
    apart._pass_on(sent, order, job, over)
    sent.seek(0)
    assert apart._order(sent) == order

    over.clear()
    sent = io.BytesIO()
    job.stop = Stopping(over)  # it ends after one look
    apart._pass_on(sent, order, job, over)
    sent.seek(0)
    apart._order(sent)
    assert [json.loads(line) for line in sent] == [
        {"at_most": [2e6, None]},
        {"key": ["NEW", "k2"]},
        {"stop": True},
    ]


class Stopping(threading.Event):
    """Is set when looked at, and ends what looks."""

    def __init__(self, over: threading.Event) -> None:
        super().__init__()
        self._over = over

    def is_set(self) -> bool:
        self._over.set()
        return True


def heard(lines: bytes) -> tuple[SpeedLimit, bool, bool]:
    """What the other process does with lines of the desk: the limit, whether it stops, whether it drops all."""
    limit, calls = SpeedLimit(1.0, 5.0), list[str]()

    async def hear() -> bool:
        stop = asyncio.Event()
        apart._hear(io.BytesIO(lines), limit, asyncio.get_running_loop(), stop, lambda: calls.append("drop"))
        await asyncio.sleep(0)
        return stop.is_set()

    return limit, asyncio.run(hear()), bool(calls)


def test_a_stop_a_limit_and_a_key_are_heeded_while_it_runs() -> None:
    limit, stops, _ = heard(b'{"at_most": [null, null]}\n{"key": ["NEW", "k2"]}\n{"stop": true}\n')
    assert (limit.bits_per_second, limit.until, stops) == (None, None, True)
    assert key_sources.given_keys() == {"NEW": "k2"}


@pytest.mark.parametrize("lines", [b"", b'{"stop": tr'])
def test_the_end_of_the_desk_drops_the_fetch(lines: bytes) -> None:
    _, stops, drops = heard(lines)
    assert drops
    assert not stops


def test_a_key_is_in_no_text_of_an_order() -> None:
    order = FetchOrder(BRIEF, Options(), keys={"KEY": "s3cret"})
    assert "s3cret" not in repr(order)
    assert pickle.loads(pickle.dumps(order)).keys == {"KEY": "s3cret"}  # our own
