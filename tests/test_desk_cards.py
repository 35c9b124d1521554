"""On the desk: a file that takes another's place, what has changed since, and the cards that are out of date by it."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from packer import Brief, plan
from packer.desk.drives import drives
from packer.desk.known_cards import KnownCard, KnownCards
from packer.desk.server import DeskServer
from packer.handover import handover
from packer.planning.fetched_for import remember_fetch
from tests.test_desk_server import Page
from tests.view_board import Board, build

HEAD = '<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>'


def gpx(*places: tuple[float, float]) -> bytes:
    points = "".join(f'<trkpt lat="{lat}" lon="{lon}"/>' for lon, lat in places)
    return f"{HEAD}{points}</trkseg></trk></gpx>".encode()


LONGER = gpx((12.474, 47.09), (12.486, 47.098), (12.502, 47.1), (12.521, 47.111), (12.54, 47.13))


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory) -> Board:
    board = build(tmp_path_factory.mktemp("board"))
    remember_fetch(board.brief, board.plan, board.store, 1_700_000_000.0)
    return board


@pytest.fixture
def folder(model: Board, tmp_path: Path) -> Path:
    shutil.copytree(model.brief.folder, tmp_path / "trip")
    return tmp_path / "trip"


@pytest.fixture
def page(folder: Path) -> Iterator[Page]:
    with DeskServer(folder / "brief.toml", folder / "packs") as desk, Page(desk) as page:
        yield page


def drop(page: Page, content: bytes, keep: str, name: str = "course.gpx", status: int = 200) -> Any:
    headers = {"Origin": page.origin, "Content-Type": "application/octet-stream"}
    answer = page.http.post(
        "/api/file", params={"name": name, "keep": keep}, content=content, headers=headers
    )
    assert answer.status_code == status, answer.text
    return answer.json()


def files(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir() if p.is_file()}


def test_a_file_whose_name_is_taken_is_not_kept_before_it_was_said_what_it_would_change(
    page: Page, folder: Path
) -> None:
    before, brief = files(folder), Brief.read(folder)
    was = plan(brief).layers
    told = drop(page, LONGER, "ask")
    assert files(folder) == before
    assert told["taken"]
    (area,) = [one.name for one in brief.areas if one.file == "course.gpx"]
    assert told["areas"] == [area]
    drop(page, LONGER, "replace")
    now = plan(Brief.read(folder)).layers
    assert told["change"]["more"] == sum(len(now[n].tiles - was[n].tiles) for n in now) > 0
    assert told["change"]["fewer"] == sum(len(was[n].tiles - now[n].tiles) for n in now)
    assert any(f'"{area}"' in sentence for sentence in told["change"]["areas"])


def test_replacing_a_course_keeps_every_setting_and_the_old_file_and_every_page_looks_again(
    page: Page, folder: Path
) -> None:
    brief, old = (folder / "brief.toml").read_bytes(), (folder / "course.gpx").read_bytes()
    state = page.get("/api/state")
    page.get("/api/figures")
    told = drop(page, LONGER, "replace")
    assert Path(told["before"]).read_bytes() == old
    assert (folder / "course.gpx").read_bytes() == LONGER
    assert (folder / "brief.toml").read_bytes() == brief
    after = page.get("/api/state")
    assert after["revision"] > state["revision"]
    assert after["areas"] == state["areas"]
    sentences = page.get("/api/changes")["sentences"]
    assert "course.gpx has changed since the last fetch" in sentences[0]
    assert not any("lastbar " in one for one in sentences)


def test_undo_brings_a_replaced_course_back_and_redo_the_new_one(page: Page, folder: Path) -> None:
    brief, old = (folder / "brief.toml").read_bytes(), (folder / "course.gpx").read_bytes()
    tiles = page.get("/api/figures")["tiles"]
    drop(page, LONGER, "replace")
    state = page.get("/api/state")
    assert state["can_undo"]
    more = page.get("/api/figures")["tiles"]
    for _ in range(2):  # as often as one likes, also within one second
        state = page.post("/api/undo", {"revision": state["revision"]})
        assert (folder / "course.gpx").read_bytes() == old
        assert page.get("/api/figures")["tiles"] == tiles < more
        state = page.post("/api/redo", {"revision": state["revision"]})
        assert (folder / "course.gpx").read_bytes() == LONGER
        assert page.get("/api/figures")["tiles"] == more
    assert (folder / "brief.toml").read_bytes() == brief
    for kept in (folder / ".versions").rglob("*course.gpx"):
        kept.unlink()
    told = page.post("/api/undo", {"revision": state["revision"]}, 503)
    assert "cannot be put back" in told["error"]
    assert (folder / "course.gpx").read_bytes() == LONGER


def test_keeping_both_leaves_the_old_file_and_its_areas_alone(page: Page, folder: Path) -> None:
    old = (folder / "course.gpx").read_bytes()
    assert drop(page, LONGER, "both")["file"] == "course 2.gpx"
    assert (folder / "course.gpx").read_bytes() == old
    assert page.get("/api/changes") == {}


@pytest.mark.parametrize(
    ("content", "keep", "status"),
    [(b"<gpx", "ask", 400), (b"<gpx", "replace", 400), (LONGER, "swap", 400)],
)
def test_what_cannot_take_its_place_leaves_the_old_file_as_it_was(
    page: Page, folder: Path, content: bytes, keep: str, status: int
) -> None:
    before = files(folder)
    drop(page, content, keep, status=status)
    assert files(folder) == before


def test_a_file_without_the_chosen_feature_says_so_before_it_takes_the_others_place(
    page: Page, folder: Path
) -> None:
    only_points = HEAD.replace("<trk><trkseg>", "") + '<wpt lat="47.1" lon="12.5"/></gpx>'
    told = drop(page, only_points.encode(), "ask")
    assert told["change"] is None
    assert "course.gpx" in told["trouble"]


def test_a_course_that_another_program_has_written_is_noticed_and_planned_again(
    page: Page, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = page.get("/api/figures")
    with DeskServer(folder / "brief.toml", folder / "packs") as other:
        session = other.session
        assert session.figures()["tiles"] == before["tiles"]
        session.look_elsewhere()
        (folder / "course.gpx").write_bytes(LONGER)
        session.look_elsewhere()
        assert session.document.now().revision == 2
        assert session.figures()["tiles"] > before["tiles"]
        session.look_elsewhere()
        assert session.document.now().revision == 2


def test_a_card_is_named_as_out_of_date_with_why_also_by_a_desk_opened_later(
    page: Page, folder: Path, tmp_path: Path
) -> None:
    page.get("/api/figures")
    assert page.get("/api/state")["steps"]["cards"]["says"] == "none written"
    page.post("/api/jobs/handover", {"to": str(tmp_path / "card")})
    assert page.ended("handover")["state"] == "done"
    (card,) = page.get("/api/state")["cards"]
    assert (card["folder"], card["differences"]) == (str(tmp_path / "card"), [])
    shutil.rmtree(tmp_path / "card")  # it has left with its crew
    drop(page, LONGER, "replace")
    with DeskServer(folder / "brief.toml", folder / "packs") as later, Page(later) as again:
        again.get("/api/figures")
        state = again.get("/api/state")
        assert state["steps"]["cards"] == {"says": "1 out of date", "mood": "wrong"}
        assert "has changed on aerial" in " ".join(state["cards"][0]["differences"])


def test_an_inspected_card_gives_its_text_and_is_known_from_then_on(
    page: Page, folder: Path, tmp_path: Path
) -> None:
    brief = Brief.read(folder)
    handover(brief, plan(brief), folder / "packs", tmp_path / "card")
    page.get("/api/figures")
    page.post("/api/jobs/inspect", {"to": str(tmp_path / "card")})
    result = page.ended("inspect")["result"]
    text = (tmp_path / "card" / "ON THIS CARD.txt").read_text("utf-8")
    assert result["texts"] == {str(tmp_path / "card"): text}
    assert [card["folder"] for card in page.get("/api/state")["cards"]] == [str(tmp_path / "card")]


@pytest.mark.parametrize("text", ["", "{", '{"cards": [1]}', '{"cards": [], "more": 1}', "[" * 5000])
def test_a_damaged_record_of_cards_is_as_none(tmp_path: Path, text: str) -> None:
    (tmp_path / ".cards.json").write_text(text, encoding="utf-8")
    cards = KnownCards(tmp_path / "brief.toml")
    assert cards.against(None, None, "a") == []  # type: ignore[arg-type]  # without a card neither is looked at


def test_a_record_of_cards_that_cannot_be_written_costs_only_what_it_would_have_told(
    model: Board, tmp_path: Path
) -> None:
    report = handover(model.brief, model.plan, model.store, tmp_path / "card")
    cards = KnownCards(tmp_path / "none" / "brief.toml", lambda: 5.0)
    cards.note(KnownCard(copy.folder, copy.manifest) for copy in report.copies)
    (told,) = cards.against(model.brief, model.plan, "a")
    assert (told["differences"], told["seen"]) == ([], 5.0)


def test_drives_are_those_that_were_plugged_in_with_their_room(tmp_path: Path) -> None:
    """Escapes as in fstab(5): a blank in a mount point is written \\040."""
    mounts = tmp_path / "mounts"
    mounts.write_text(
        "/dev/sda1 / ext4 rw 0 0\n/dev/sdb1 /media/x/CARD\\0401 vfat rw 0 0\nproc /proc proc rw 0 0\n"
        "tmpfs /run/media/none tmpfs rw 0 0\n",
        encoding="utf-8",
    )
    assert drives(mounts) == []  # neither is there on this machine
    assert drives(tmp_path / "none") == []
    plugged = Path("/mnt")
    if plugged.is_dir() and os.name == "posix":
        mounts.write_text(f"/dev/sdb1 {plugged}/. vfat ro,noexec 0 0\n", encoding="utf-8")
        assert drives(mounts) == []  # nothing can be written there
        mounts.write_text(f"/dev/sdb1 {plugged}/. vfat rw 0 0\n", encoding="utf-8")
        (found,) = drives(mounts)
        assert found["path"] == f"{plugged}/."
        assert 0 <= found["free"] <= found["size"]


def test_a_dropped_file_tells_the_names_of_its_features_and_an_area_takes_those_that_were_chosen(
    page: Page, folder: Path
) -> None:
    tracks = "".join(
        f'<trk><name>{name}</name><trkseg><trkpt lat="{lat}" lon="12.4"/><trkpt lat="{lat}" lon="12.41"/></trkseg>'
        "</trk>"
        for name, lat in (("Day 1", 47.1), ("Day 2", 47.2), ("Day 1", 47.3))
    )
    content = HEAD.replace("<trk><trkseg>", "") + tracks + "</gpx>"
    assert drop(page, content.encode(), "ask", "days.gpx")["names"] == ["Day 1", "Day 2"]
    values = {
        "name": "second",
        "line": "days.gpx",
        "half-width": "100 m",
        "deepest": 14,
        "feature": ["Day 2"],
    }
    page.change(do="add-area", values=values)
    (line,) = plan(Brief.read(folder)).shapes["second"].lines  # type: ignore[union-attr]  # a corridor
    assert line[0][1] == 47.2
