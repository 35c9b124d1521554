"""The report: one page that stands alone, tells the truth of the packs and lets nothing hostile through."""

from __future__ import annotations

import hashlib
import io
import os
import re
import shutil
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from packer.errors import InputError
from packer.geometry.grid import tile_bounds
from packer.geometry.shapes import Corridor, Waypoint
from packer.geometry.tileset import Tile, TileSet
from packer.planning.plan import Plan
from packer.proof.proving import verify
from packer.proof.report import write_report
from packer.proof.report.coverage import State, squares
from packer.proof.report.frame import frame_round
from packer.proof.report.ink import COURSE, INK, LABELS, paint
from packer.proof.report.map_picture import map_picture
from packer.proof.report.markup import Html, el, plain
from packer.proof.report.route_geojson import _cut_at_seam
from packer.proof.results import Depth, LayerFindings, Verdict, VerifyReport
from tests.view_board import Board, build

NOW = 86_400.0 * 30


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Board:
    """A plan whose packs lack a tile by the route and one that the server has not; its title is hostile. The
    tests of this module share it and leave it as it is."""
    gone = {Tile(15, *at) for at in _near(12.474, 47.09)}
    return build(
        tmp_path_factory.mktemp("board"),
        leave_out=lambda layer, tile: layer == "aerial" and tile in gone,
        absent=[Tile(15, *at) for at in _near(12.502, 47.1)],
    )


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Board:
    """The same with all its tiles."""
    return build(tmp_path_factory.mktemp("whole"))


@pytest.fixture(scope="module")
def report(board: Board, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """The report on the board that lacks some, for all who only read it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SECRET_VIEW_KEY", "s3cret-view-key")  # which the address in the brief asks for
        yield write_report(tmp_path_factory.mktemp("report"), board.brief, board.plan, verified(board), NOW)


def _near(lon: float, lat: float) -> list[tuple[int, int]]:
    n = 1 << 15
    x = int((lon / 360 + 0.5) * n)
    y = int((0.5 - np.arcsinh(np.tan(np.radians(lat))) / (2 * np.pi)) * n)
    return [(x, y)]


def verified(board: Board, depth: Depth = Depth.HASH) -> VerifyReport:
    return verify(board.brief, board.plan, board.store, depth=depth, now=NOW, processes=1)


class _Page(HTMLParser):
    """What a browser would make of a page: its elements, their attributes and its text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.text: list[str] = []
        self._in = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {k: v or "" for k, v in attrs}))
        self._in = tag

    def handle_data(self, data: str) -> None:
        if self._in != "style":
            self.text.append(data)

    @property
    def words(self) -> str:
        return " ".join(" ".join(self.text).split())


def test_the_page_says_ready_or_not_and_every_figure(board: Board, report: Path) -> None:
    found = verified(board)
    page = _Page(report.read_text("utf-8"))
    assert found.verdict is Verdict.NOT_READY
    assert "NOT READY" in page.words
    for name, layer in found.layers.items():
        assert f"{layer.counts.planned:,}" in page.words
        digest = hashlib.sha256(layer.pack.read_bytes()).hexdigest()
        assert digest in page.words, "the very file"
        assert name in page.words
    missing = next(iter(found.layers["aerial"].missing))
    assert f"{missing}: missing" in page.words
    for area in board.plan.shapes:
        assert area in page.words


def test_a_ready_pack_says_ready(whole: Board, tmp_path: Path) -> None:
    board = whole
    page = _Page(
        write_report(tmp_path / "out", board.brief, board.plan, verified(board), NOW).read_text("utf-8")
    )
    assert " READY " in page.words
    assert "NOT READY" not in page.words


def test_the_page_stands_alone_and_runs_nothing(report: Path) -> None:
    text = report.read_text("utf-8")
    page = _Page(text)
    kinds = {tag for tag, _ in page.tags}
    assert not kinds & {"script", "a", "link", "iframe", "object", "embed", "base", "form"}
    for tag, attributes in page.tags:
        assert not [k for k in attributes if k.startswith("on")], (tag, attributes)
        if tag == "img":
            assert re.match(r"data:image/(png|jpeg);base64,", attributes["src"])
            assert attributes["alt"]
        else:
            assert "src" not in attributes
            assert "href" not in attributes
    assert "url(" not in text
    assert "default-src 'none'" in text


def test_hostile_words_come_out_as_words(report: Path) -> None:
    text = report.read_text("utf-8")
    page = _Page(text)
    assert "<b>reconnaissance</b>" in page.words, "the title as it is written, and not in bold"
    assert "© Invented Survey & Co" in page.words
    assert "pwned" not in text
    assert "Spring <img src=x onerror=alert(1)>" in page.words


def test_no_key_no_address_of_a_server_and_no_folder_is_in_it(board: Board, report: Path) -> None:
    text = report.read_text("utf-8")
    for secret in (
        "s3cret-view-key",
        "SECRET_VIEW_KEY",
        "127.0.0.1",
        "{z}",
        str(board.store.parent),
        str(report.parent),
    ):
        assert secret not in text


def test_nothing_outside_the_folder_is_touched_and_an_old_report_is_replaced(
    board: Board, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "holiday.txt").write_text("mine")
    around = [*tmp_path.iterdir(), *board.store.parent.rglob("*")]
    before = {p: p.stat().st_mtime_ns for p in around if p.is_file()}
    found = verified(board)
    for _ in range(2):
        write_report(out, board.brief, board.plan, found, NOW)
    now = [*tmp_path.iterdir(), *board.store.parent.rglob("*")]
    after = {p: p.stat().st_mtime_ns for p in now if p.is_file()}
    assert after == before
    names = {p.name for p in out.iterdir()}
    assert names == {
        "holiday.txt",
        "report.html",
        "coverage aerial.png",
        "coverage ground 2.png",
        "route 1.png",
    }
    assert (out / "holiday.txt").read_text() == "mine"


def _with_place(plan: Plan, lon: float, lat: float) -> Plan:
    """The plan with one waypoint, at this position, in place of its own."""
    course = plan.shapes["course"]
    assert isinstance(course, Corridor)
    return replace(
        plan, shapes={**plan.shapes, "course": replace(course, waypoints=(Waypoint("", lon, lat),))}
    )


@pytest.mark.parametrize(
    ("lon", "lat"),
    [
        (12.43, 47.08),
        (12.536, 47.08),
        (12.486, 47.041),
        (12.486, 47.125),
        (12.5371, 47.126),
        (372.536, 47.08),
    ],
)
def test_mark_of_a_waypoint_outside_of_what_is_planned_is_drawn_whole(
    whole: Board, lon: float, lat: float
) -> None:
    plan = _with_place(whole.plan, lon, lat)
    frame = frame_round(plan)
    ((x, y),) = frame.pixels(np.array([lon]), np.array([lat])).tolist()
    assert 15 < x < frame.width - 15
    assert 15 < y < frame.height - 15
    picture = map_picture(plan, plan.layers["aerial"], verified(whole).layers["aerial"])
    left = (picture.width - frame.width) // 2
    for dx, dy in ((13, 0), (-13, 0), (0, 13), (0, -13)):
        at_x, at_y = left + round(x) + dx, left + round(y) + dy
        near = np.asarray(picture.crop((at_x - 1, at_y - 1, at_x + 2, at_y + 2))).reshape(-1, 3)
        assert INK in {tuple(pixel) for pixel in near.tolist()}


def test_course_is_drawn_on_the_map_where_it_runs(whole: Board) -> None:
    plan, frame = whole.plan, frame_round(whole.plan)
    picture = map_picture(plan, plan.layers["aerial"], verified(whole).layers["aerial"])
    left = (picture.width - frame.width) // 2
    (course,) = [
        shape for shape in plan.shapes.values() if isinstance(shape, Corridor) and len(shape.lines[0]) > 1
    ]
    line = course.lines[0]
    middles = (line[:-1] + line[1:]) / 2
    for x, y in frame.pixels(middles[:, 0], middles[:, 1]).tolist():
        at_x, at_y = left + round(x), left + round(y)
        near = np.asarray(picture.crop((at_x - 2, at_y - 2, at_x + 3, at_y + 3))).reshape(-1, 3)
        assert COURSE in {tuple(pixel) for pixel in near.tolist()}


@pytest.mark.parametrize("east", [1, -1], ids=["eastward", "westward"])
def test_a_stretch_across_the_antimeridian_is_cut_there(east: int) -> None:
    """RFC 7946, 3.1.9: such a line should be cut in two, so that neither part crosses the antimeridian."""
    assert _cut_at_seam([[179.0 * east, 10.0], [181.0 * east, 12.0], [182.0 * east, 12.5]]) == [
        [[179.0 * east, 10.0], [180.0 * east, 11.0]],
        [[-180.0 * east, 11.0], [-179.0 * east, 12.0], [-178.0 * east, 12.5]],
    ]


def test_waypoint_far_from_all_that_is_planned_does_not_shrink_the_map(whole: Board) -> None:
    far, none = _with_place(whole.plan, 13.4, 47.08), _with_place(whole.plan, 12.486, 47.098)
    assert frame_round(far) == frame_round(none)


def test_a_report_cut_off_while_writing_leaves_the_old_page(
    board: Board, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = verified(board)
    old = write_report(tmp_path / "out", board.brief, board.plan, found, NOW).read_bytes()

    def dies(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", dies)
    with pytest.raises(KeyboardInterrupt):
        write_report(tmp_path / "out", board.brief, board.plan, found, NOW + 86_400)
    assert (tmp_path / "out" / "report.html").read_bytes() == old


def test_a_file_in_the_place_of_the_folder_is_refused(board: Board, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("mine")
    with pytest.raises(InputError, match="Name a folder"):
        write_report(tmp_path / "out", board.brief, board.plan, verified(board), NOW)
    assert (tmp_path / "out").read_text() == "mine"


def test_no_pack_at_all_is_a_report_too(board: Board, tmp_path: Path) -> None:
    found = verify(board.brief, board.plan, tmp_path / "elsewhere", now=NOW, processes=1)
    page = _Page(write_report(tmp_path / "out", board.brief, board.plan, found, NOW).read_text("utf-8"))
    assert "NOT READY" in page.words
    assert "there is no pack" in page.words


def test_a_pack_with_broken_bodies_is_a_report_too(board: Board, tmp_path: Path) -> None:
    board = replace(board, store=shutil.copytree(board.store, tmp_path / "packs"))
    db = sqlite3.connect(board.store / "aerial.mbtiles")
    db.execute("UPDATE blob SET data = substr(data, 1, 300) WHERE id % 2")
    db.commit()
    db.close()
    page = _Page(
        write_report(tmp_path / "out", board.brief, board.plan, verified(board), NOW).read_text("utf-8")
    )
    assert "its bytes have changed" in page.words


def test_the_pictures_are_whole_and_of_sane_size(report: Path) -> None:
    pictures = list(report.parent.glob("*.png"))
    assert len(pictures) > 1
    for path in pictures:
        with Image.open(path) as image:
            image.load()
            assert 400 <= image.width <= 1700
            assert 200 <= image.height <= 1300


def _findings(planned: TileSet, missing: TileSet, absent: TileSet) -> LayerFindings:
    from packer.proof.results import TileCounts

    stored = planned - missing - absent
    counts = TileCounts(len(planned), len(stored), len(absent), len(missing), 0)
    return LayerFindings(
        Path("x.mbtiles"), counts, {}, missing, TileSet(), (), 0, 0, stored=stored, absent=absent
    )


def _state_at(planned: TileSet, layer: LayerFindings, zoom: int, x: int, y: int) -> int | None:
    """The state that ends up on top at one square, by the order of drawing."""
    top = None
    for level in squares(planned, layer, zoom):
        for cx, cy, state in zip(level.x.tolist(), level.y.tolist(), level.state.tolist(), strict=True):
            if (x >> (zoom - level.zoom), y >> (zoom - level.zoom)) == (cx, cy):
                top = state
    return top


def test_a_square_tells_what_became_of_the_tiles_in_it() -> None:
    deep = TileSet.from_tiles([(14, x, y) for x in range(8000, 8008) for y in range(5000, 5008)])
    planned = deep.pyramid(8)
    missing = TileSet.from_tiles(
        [(14, 8000, 5000), *((14, x, y) for x in (8004, 8005, 8006, 8007) for y in (5004, 5005, 5006, 5007))]
    ) | TileSet.from_tiles(
        [(13, 4002, 2502), (13, 4002, 2503), (13, 4003, 2502), (13, 4003, 2503), (12, 2001, 1251)]
    )
    absent = TileSet.from_tiles([(14, 8002, 5000)])
    layer = _findings(planned, missing, absent)
    assert _state_at(planned, layer, 14, 8000, 5000) == State.MISSING
    assert _state_at(planned, layer, 14, 8001, 5000) == State.COMPLETE
    assert _state_at(planned, layer, 14, 8002, 5000) == State.NONE
    assert _state_at(planned, layer, 12, 2000, 1250) == State.PARTIAL
    assert _state_at(planned, layer, 12, 2001, 1251) == State.MISSING
    assert _state_at(planned, layer, 12, 2001, 1250) == State.COMPLETE


def test_a_hole_high_up_shows_in_the_squares_below() -> None:
    planned = TileSet.from_tiles([(14, 8000, 5000)]).pyramid(8)
    layer = _findings(planned, TileSet.from_tiles([(9, 250, 156)]), TileSet())
    assert _state_at(planned, layer, 14, 8000, 5000) == State.PARTIAL


def test_states_are_told_apart_without_colour() -> None:
    """In shades of grey, each pair differs in mean brightness by much, or in pattern (Rec. 601 luma, as Pillow)."""
    looks = {}
    for state in LABELS:
        picture = Image.new("RGB", (60, 60), "white")
        paint(picture, Image.new("L", (60, 60), int(state)), (0, 0))
        looks[state] = np.asarray(picture.convert("L"), dtype=float)
    for a in looks:
        for b in looks:
            if a < b:
                apart = abs(looks[a].mean() - looks[b].mean()) > 40
                pattern = np.abs((looks[a] - looks[a].mean()) - (looks[b] - looks[b].mean())).mean() > 20
                assert apart or pattern, (a, b)


def test_markup_escapes_all_but_its_own() -> None:
    assert el("p", "<b>", title='"x"') == '<p title="&quot;x&quot;">&lt;b&gt;</p>'
    assert el("p", Html("<b>")) == "<p><b></p>"
    assert plain('<a href="https://x.example/">Survey</a> & <script>bad()</script>Co') == "Survey &amp; Co"


def test_a_sample_tile_is_from_the_place_that_its_caption_names(board: Board, tmp_path: Path) -> None:
    from packer.proof.report.samples import samples

    layer = verified(board).layers["aerial"]
    found = list(samples(board.plan, layer))
    assert [s.tile.zoom for s in found] == list(layer.stored.zooms)
    db = sqlite3.connect(layer.pack)
    for sample in found:
        zoom, x, y = sample.tile
        (body,) = db.execute(
            "SELECT tile_data FROM tiles WHERE zoom_level = ? AND tile_column = ? AND tile_row = ?",
            (zoom, x, (1 << zoom) - 1 - y),
        ).fetchone()
        assert sample.jpeg is not None
        shown = np.asarray(Image.open(io.BytesIO(sample.jpeg)).convert("RGB"), dtype=float)
        whole = np.asarray(
            Image.open(io.BytesIO(body)).convert("RGB").resize(shown.shape[1::-1]), dtype=float
        )
        assert np.abs(shown - whole).mean() < 6
        box = tile_bounds(*sample.tile)
        assert box.west < 12.53
        assert box.east > 12.44
    db.close()


def test_each_state_has_a_pattern_of_its_own_that_shows_without_colour_and_runs_on_over_any_size() -> None:
    dark = {}
    for state in State:
        picture = Image.new("RGB", (47, 33))
        paint(picture, Image.new("L", picture.size, state), (0, 0))
        brightness = np.asarray(picture.convert("L"), np.int16)
        dark[state] = brightness < brightness.max() - 60
        assert (dark[state][10:] == dark[state][:-10]).all()
        assert (dark[state][:, 10:] == dark[state][:, :-10]).all()
    assert not dark[State.COMPLETE].any()
    assert len({mask.tobytes() for mask in dark.values()}) == len(State)
