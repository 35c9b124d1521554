"""What `packer` gives to programs: its names, its signatures, and how a long job is followed and stopped."""

from __future__ import annotations

import ast
import asyncio
import inspect as signatures
import subprocess
import sys
import threading
import typing
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from pathlib import Path
from types import UnionType
from typing import Any

import pytest

import packer
from packer import (
    Brief,
    Depth,
    FetchReport,
    Plan,
    Progress,
    StoppedError,
    StopSignal,
    VerifyReport,
    fetch,
    fetch_async,
    hand_over,
    hand_over_async,
    inspect,
    inspect_async,
    plan,
    verify,
    verify_async,
)
from packer.handover.manifest import MANIFEST
from tests.conftest import BriefMaker
from tests.tile_server import TileServer

JOBS = ("fetch", "hand_over", "inspect", "read_offers", "survey_imagery", "verify")
STOPPABLE = tuple(name for name in JOBS if name != "read_offers")
SEAMS = {"clock", "chance", "now", "make_transport", "seed", "busy_per_s"}
FUNCTIONS = [getattr(packer, name) for name in packer.__all__ if signatures.isfunction(getattr(packer, name))]


# ---------------------------------------------------------------------------------------------- names


def test_dir_shows_what_is_exported_and_every_name_is_there() -> None:
    assert dir(packer) == sorted(packer.__all__)
    assert all(getattr(packer, name) is not None for name in packer.__all__)


def test_what_type_checkers_see_is_what_is_exported() -> None:
    tree = ast.parse(Path(packer.__file__).read_text(encoding="utf-8"))
    (block,) = (n for n in tree.body if isinstance(n, ast.If))
    seen = {(alias.name, n.module) for n in block.body if isinstance(n, ast.ImportFrom) for alias in n.names}
    assert {name for name, _ in seen} | {"__version__"} == set(packer.__all__)
    assert dict(seen) == packer._HOME


def test_every_error_of_the_tree_is_exported() -> None:
    from packer import errors

    assert {name for name in packer.__all__ if name.endswith("Error")} == set(errors.__all__)


def test_importing_the_package_loads_none_of_its_rooms() -> None:
    look = "import sys, packer; dir(packer); print(sorted(n for n in sys.modules if n.startswith('packer.')))"
    shown = subprocess.run(
        [sys.executable, "-c", look], capture_output=True, text=True, check=True, timeout=60
    )
    assert shown.stdout == "['packer.version']\n"


def test_no_room_is_called_like_a_public_name() -> None:
    rooms = {path.name for path in Path(packer.__file__).parent.iterdir() if path.is_dir()}
    assert rooms & set(packer.__all__) == set()


# ---------------------------------------------------------------------------------------------- signatures


def parts(hint: Any) -> Iterator[type]:
    """The classes of this package in a type."""
    if typing.get_origin(hint) is not None or isinstance(hint, UnionType):
        for part in typing.get_args(hint):
            yield from parts(part)
    elif isinstance(hint, list):  # the parameters of a Callable
        for part in hint:
            yield from parts(part)
    elif isinstance(hint, type) and hint.__module__.startswith("packer."):
        yield hint


@pytest.mark.parametrize("function", FUNCTIONS, ids=lambda f: f.__name__)
def test_every_type_that_a_public_function_takes_or_returns_is_exported(function: Any) -> None:
    used = {part for hint in typing.get_type_hints(function).values() for part in parts(hint)}
    assert {part.__name__ for part in used} - set(packer.__all__) == set()


@pytest.mark.parametrize(
    "name", ["FetchReport", "HandoverReport", "InspectionSummary", "SurveyReport", "Progress"]
)
def test_what_the_fields_of_a_report_hold_is_exported(name: str) -> None:
    report = getattr(packer, name)
    assert is_dataclass(report)
    hints = typing.get_type_hints(report)
    used = {part for field in fields(report) for part in parts(hints[field.name])}
    assert {part.__name__ for part in used} - set(packer.__all__) == set()


@pytest.mark.parametrize("function", FUNCTIONS, ids=lambda f: f.__name__)
def test_no_public_function_has_a_seam_for_tests(function: Any) -> None:
    assert set(signatures.signature(function).parameters) & SEAMS == set()


@pytest.mark.parametrize("name", JOBS)
def test_each_long_job_has_a_blocking_and_an_awaited_form_of_one_signature(name: str) -> None:
    blocking, awaited = getattr(packer, name), getattr(packer, f"{name}_async")
    assert signatures.iscoroutinefunction(awaited)
    assert not signatures.iscoroutinefunction(blocking)
    assert signatures.signature(blocking) == signatures.signature(awaited)


@pytest.mark.parametrize("name", STOPPABLE)
def test_each_long_job_is_stopped_and_followed_in_the_same_way(name: str) -> None:
    hints, first = typing.get_type_hints(getattr(packer, name)), typing.get_type_hints(fetch)
    assert (hints["stop"], hints["on_progress"]) == (first["stop"], first["on_progress"])


def test_every_report_can_be_had_as_plain_values() -> None:
    reports = [
        packer.Plan,
        *(getattr(packer, n) for n in packer.__all__ if n.endswith(("Report", "Summary"))),
    ]
    whole = [report for report in reports if report is not packer.LayerReport]
    assert all(callable(getattr(report, "to_dict", None)) for report in whole)


# ---------------------------------------------------------------------------------------------- at work


@pytest.fixture(scope="module")
def server() -> Iterator[TileServer]:
    with TileServer() as running:
        yield running


@pytest.fixture
def asked(server: TileServer, brief_for: BriefMaker) -> tuple[Brief, Plan]:
    brief = brief_for(server.url, area="box = [12.30, 47.00, 12.34, 47.03]\ndeepest = 13")
    return brief, plan(brief)


@pytest.fixture
def on_board(asked: tuple[Brief, Plan]) -> tuple[Brief, Plan]:
    assert fetch(*asked).complete
    return asked


def set_already() -> StopSignal:
    stop = StopSignal()
    stop.set()
    return stop


class Follower:
    """Takes in progress, and sets a stop at the first."""

    def __init__(self, stop: StopSignal | None = None) -> None:
        self.seen: list[Progress] = []
        self.threads: set[int] = set()
        self._stop = stop

    def __call__(self, progress: Progress) -> None:
        self.seen.append(progress)
        self.threads.add(threading.get_ident())
        if self._stop:
            self._stop.set()


def test_a_fetch_that_was_stopped_before_asks_for_nothing_and_says_so(
    asked: tuple[Brief, Plan], server: TileServer
) -> None:
    before = server.tiles_asked.total()
    report = fetch(*asked, stop=set_already())
    assert (report.complete, report.interrupted, report.stopped) == (False, True, "asked")
    assert server.tiles_asked.total() == before


def test_a_fetch_is_stopped_from_another_thread_and_the_next_one_goes_on(asked: tuple[Brief, Plan]) -> None:
    stop, begun = StopSignal(), threading.Event()

    def stop_it() -> None:
        begun.wait(30)
        stop.set()

    thread = threading.Thread(target=stop_it)
    thread.start()
    # An event of the fetch itself, so that the other thread sets it while it runs.
    first = fetch(*asked, stop=stop, on_progress=lambda _: begun.set())
    begun.set()
    thread.join(30)
    again = fetch(*asked)
    assert again.complete
    assert first.total("stored") + again.total("stored") == asked[1].count


def test_a_fetch_tells_each_layer_up_to_its_last_tile(asked: tuple[Brief, Plan]) -> None:
    follower = Follower()
    fetch(*asked, on_progress=follower)
    last = follower.seen[-1]
    assert (last.job, last.item, last.unit, last.done, last.total) == (
        "fetch",
        "survey",
        "tiles",
        asked[1].count,
        asked[1].count,
    )
    assert last.layer is not None
    assert last.layer.name == "survey"


def test_keys_come_from_the_environment_that_is_handed_in(server: TileServer, brief_for: BriefMaker) -> None:
    brief = brief_for(
        f"{server.url}?key=${{KETTERLING_KEY}}", area="box = [12.3, 47.0, 12.31, 47.01]\ndeepest = 3"
    )
    assert fetch(brief, plan(brief), environment={"KETTERLING_KEY": "bilberry"}).complete


def test_a_verify_that_was_stopped_is_never_ready(on_board: tuple[Brief, Plan]) -> None:
    stopped = verify(*on_board, stop=set_already())
    assert not stopped.ready
    assert all(layer.note == "The check was stopped by hand." for layer in stopped.layers.values())
    assert verify(*on_board).ready


@pytest.mark.parametrize("depth", [Depth.HASH, Depth.FULL])
def test_a_verify_tells_the_bodies_that_it_has_checked(on_board: tuple[Brief, Plan], depth: Depth) -> None:
    follower = Follower()
    report = verify(*on_board, depth=depth, on_progress=follower)
    assert follower.seen[-1].done == follower.seen[-1].total == report.layers["survey"].all_bodies
    assert {(p.job, p.item, p.unit) for p in follower.seen} == {("verify", "survey", "bodies")}


def test_a_handover_that_was_stopped_has_no_manifest_and_the_next_one_is_whole(
    on_board: tuple[Brief, Plan], tmp_path: Path
) -> None:
    stop, card = StopSignal(), tmp_path / "card"
    with pytest.raises(StoppedError, match=r"^Stopped as asked, .*tiles"):
        hand_over(*on_board, card, stop=stop, on_progress=Follower(stop))
    assert not (card / MANIFEST).exists()
    assert hand_over(*on_board, card).complete
    assert inspect(card).intact


def test_an_inspection_that_was_stopped_gives_no_verdict(
    on_board: tuple[Brief, Plan], tmp_path: Path
) -> None:
    hand_over(*on_board, tmp_path / "card")
    with pytest.raises(StoppedError):
        inspect(tmp_path / "card", stop=set_already())


def test_the_awaited_forms_do_the_same_and_tell_progress_in_the_thread_of_the_loop(
    asked: tuple[Brief, Plan], tmp_path: Path
) -> None:
    follower = Follower()

    async def go() -> tuple[FetchReport, VerifyReport, bool, bool]:
        report = await fetch_async(*asked, on_progress=follower)
        found = await verify_async(*asked, on_progress=follower)
        handed = await hand_over_async(*asked, tmp_path / "card", on_progress=follower)
        return (
            report,
            found,
            handed.complete,
            (await inspect_async(tmp_path / "card", on_progress=follower)).intact,
        )

    report, found, handed, intact = asyncio.run(go())
    assert (report.complete, found.ready, handed, intact) == (True, True, True, True)
    assert {progress.job for progress in follower.seen} == {"fetch", "verify", "hand over", "inspect"}
    assert follower.threads == {threading.get_ident()}


def test_a_cancelled_job_in_a_thread_has_ended_before_the_cancellation_is_raised() -> None:
    from packer.fetching.job_threads import in_thread

    begun, ended = threading.Event(), []

    def job(stop: StopSignal, _: object) -> None:
        stopped = threading.Event()
        with stop.heard_by(stopped.set):
            begun.set()
            ended.append(stopped.wait(30))

    async def go() -> None:
        task = asyncio.create_task(in_thread(job, None, None))
        await asyncio.to_thread(begun.wait, 30)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert ended == [True]

    asyncio.run(go())


def test_a_blocking_job_inside_a_running_loop_is_refused_and_nothing_is_left_unawaited(
    asked: tuple[Brief, Plan],
) -> None:
    async def go() -> None:
        with pytest.raises(RuntimeError, match="event loop is running"):
            fetch(*asked)

    asyncio.run(go())


def test_a_stop_is_heard_once_by_all_who_listen_and_by_who_comes_later() -> None:
    stop, heard = StopSignal(), []
    with stop.heard_by(lambda: heard.append("first")):
        stop.set()
        stop.set()
        with stop.heard_by(lambda: heard.append("later")):
            pass
    assert heard == ["first", "later"]
    assert stop.is_set()
