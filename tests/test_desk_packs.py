"""On the desk: tiles that no plan needs are taken out, and what the planner or a colleague has is taken in; what a
fetch can be told; what has changed since a version."""

from __future__ import annotations

import shutil
import signal
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from packer import Brief, plan
from packer.desk import command_work
from packer.desk.command_work import CommandFailedError
from packer.desk.fetch_order import FetchOrder
from packer.desk.jobs import Reporter
from packer.desk.server import DeskServer
from packer.desk.work import FetchSupport, fetch_work
from packer.errors import InputError
from packer.planning.pack_path import pack_path
from packer.store.reader import TileReader
from tests.test_desk_fetch_apart import Told
from tests.test_desk_server import Page
from tests.view_board import Board, build


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory) -> Board:
    return build(tmp_path_factory.mktemp("board"))


@pytest.fixture
def folder(model: Board, tmp_path: Path) -> Path:
    shutil.copytree(model.brief.folder, tmp_path / "trip")
    return tmp_path / "trip"


@pytest.fixture
def page(folder: Path) -> Iterator[Page]:
    with DeskServer(folder / "brief.toml", folder / "packs") as desk, Page(desk) as page:
        yield page


def job(page: Page, kind: str, options: Mapping[str, Any]) -> dict[str, Any]:
    page.post(f"/api/jobs/{kind}", options)
    ended = page.ended(kind)
    assert ended["state"] == "done", ended
    return dict(ended["result"])


def held(folder: Path) -> dict[str, int]:
    packs = folder / "packs"
    return {p.name: len(TileReader(p).facts().held) for p in sorted(packs.glob("*.mbtiles"))}


def test_what_is_no_longer_planned_is_looked_for_first_and_removed_only_as_it_was_looked_at(
    page: Page, folder: Path
) -> None:
    before = held(folder)
    assert job(page, "prune", {})["tiles"] == 0
    page.change(do="delete-area", name="valley")
    seen = job(page, "prune", {})
    assert seen["tiles"] > 0
    assert not seen["removed"]
    assert held(folder) == before
    page.post("/api/jobs/prune", {"remove": "another"}, 400)
    gone = job(page, "prune", {"remove": seen["mark"]})
    assert (gone["removed"], gone["tiles"]) == (True, seen["tiles"])
    assert sum(before.values()) - sum(held(folder).values()) == seen["tiles"]
    brief = Brief.read(folder)
    for name, layer in plan(brief).layers.items():
        assert not TileReader(pack_path(brief, name, folder / "packs")).facts().held - layer.tiles
    assert job(page, "prune", {"remove": gone["mark"]})["tiles"] == 0


def test_a_change_of_the_plan_after_the_look_keeps_the_tiles(page: Page, folder: Path) -> None:
    before = held(folder)
    page.change(do="delete-area", name="valley")
    seen = job(page, "prune", {})
    page.change(do="delete-area", name="base camp")
    told = page.post("/api/jobs/prune", {"remove": seen["mark"]}, 400)
    assert "Look again" in told["error"]
    assert held(folder) == before


def test_a_colleagues_packs_are_taken_in_and_no_others(page: Page, folder: Path, tmp_path: Path) -> None:
    theirs = tmp_path / "theirs"
    shutil.copytree(folder / "packs", theirs)
    before = held(folder)
    lost = pack_path(Brief.read(folder), "aerial", folder / "packs")
    lost.unlink()
    taken = job(page, "merge", {"from": str(theirs)})
    assert (taken["taken"], taken["refused"]) == (before[lost.name], [])
    assert held(folder) == before
    empty = tmp_path / "empty"
    empty.mkdir()
    for wrong in (str(empty), str(folder / "packs"), str(tmp_path / "none"), "", "a\0b", 7):
        page.post("/api/jobs/merge", {"from": wrong}, 400)


def test_what_has_changed_since_a_version_is_told(page: Page) -> None:
    page.change(do="delete-area", name="valley")
    name = page.get("/api/versions")["versions"][0]
    told = page.get(f"/api/versions/{name}/changes")
    assert told["more"] == 0
    assert told["fewer"] > 0
    assert any('"valley"' in one for one in told["areas"])
    page.get("/api/versions/20000101-000000.toml/changes", 400)


def test_a_fetch_is_told_what_was_chosen(model: Board) -> None:
    orders: list[FetchOrder] = []

    def run(order: FetchOrder, _reporter: Reporter) -> Mapping[str, Any]:
        orders.append(order)
        return {}

    def chosen(**options: object) -> FetchOrder:
        fetch_work(model.brief, None, options, FetchSupport(run=run))(Told())
        return orders[-1]

    one = chosen(refresh_older_than="30d", max_bytes="2 GB", give_up_after="2h", ask_absent_again=True)
    told = one.options
    assert (told.refresh_older_s, told.max_bytes, told.give_up_after_s) == (30 * 86_400, 2 * 10**9, 7_200)
    assert told.ask_absent_again
    plain = chosen().options
    assert (plain.refresh_older_s, plain.max_bytes, plain.give_up_after_s) == (None, None, None)
    for wrong in ({"refresh_older_than": "old"}, {"max_bytes": ["2 GB"]}, {"give_up_after": "-1h"}):
        with pytest.raises(InputError):
            chosen(**wrong)


# ------------------------------------------------------------------------------------ jobs that are a command


def ran(monkeypatch: pytest.MonkeyPatch, work: Any, program: str, reporter: Told | None = None) -> Any:
    """What comes of a job whose command does what a line of the shell says; and the words it was called with."""
    words: list[str] = []

    def own(*given: str) -> list[str]:
        words.extend(given)
        return ["/bin/sh", "-c", program]

    monkeypatch.setattr(command_work, "own_command", own)
    return work(reporter or Told()), words


def test_a_picture_is_described_before_it_is_cut(model: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    options: dict[str, Any] = {"layer": "aerial", "path": "/data/a b.tif"}
    asks = "Nobody can be asked here. To begin, run the same\ncommand with --yes."
    look = command_work.take_in_work(model.brief, None, options)
    found, words = ran(
        monkeypatch, look, f"echo 'a b.tif: 2 km wide'; echo '{asks}'; echo 'Nothing was changed.'; exit 1"
    )
    assert words == ["take-in", "--", str(model.brief.path), "aerial", "/data/a b.tif"]
    assert found == {"exit_code": 1, "asks": True, "text": "a b.tif: 2 km wide\nNothing was changed."}
    cut = command_work.take_in_work(model.brief, Path("/p"), {**options, "yes": True, "over": True})
    job = Told()
    found, words = ran(monkeypatch, cut, 'echo "1 of 2" >&2; echo \'{"taken": 2}\'', job)
    assert words[:6] == ["take-in", "--over", "--yes", "--json", "--store", "/p"]
    assert found == {"exit_code": 0, "taken": 2}
    assert job.progresses == [{"doing": "1 of 2"}]


@pytest.mark.parametrize("ignored", [False, True])
def test_a_command_that_fails_or_is_stopped_ends_the_job(
    model: Board, monkeypatch: pytest.MonkeyPatch, ignored: bool
) -> None:
    work = command_work.split_work(model.brief, None, {"parts": 2, "to": "/x"})
    with pytest.raises(CommandFailedError, match=r"^No room\.$") as failed:
        ran(monkeypatch, work, "printf '1 of 2\\nlastbar: No\\n  room.\\n' >&2; exit 3")
    assert failed.value.exit_code == 3
    stopped = Told()
    stopped.stop.set()
    before = signal.signal(signal.SIGINT, signal.SIG_IGN if ignored else signal.default_int_handler)
    try:
        with pytest.raises(CommandFailedError, match="ended with"):
            ran(monkeypatch, work, "exec sleep 300", stopped)
    finally:
        signal.signal(signal.SIGINT, before)


@pytest.mark.parametrize(
    ("kind", "options"),
    [
        ("take-in", {"layer": "none", "path": "/x"}),
        ("take-in", {"layer": ["aerial"], "path": "/x"}),
        ("take-in", {"layer": "aerial", "path": ""}),
        ("take-in", {"layer": "aerial", "path": "a\0b"}),
        ("split", {"parts": 1, "to": "/x"}),
        ("split", {"parts": True, "to": "/x"}),
        ("split", {"parts": "2", "to": "/x"}),
        ("split", {"parts": 10**9, "to": "/x"}),
        ("split", {"parts": 2}),
        ("prune", {"remove": True}),
    ],
)
def test_what_a_command_cannot_be_given_is_refused(page: Page, kind: str, options: dict[str, Any]) -> None:
    page.post(f"/api/jobs/{kind}", options, 400)
