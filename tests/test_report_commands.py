"""`lastbar verify` as a planner meets it: what it prints, writes and ends with, at each depth."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from packer.cli.run_verify import run
from packer.cli.verify_text import gap_text
from packer.errors import DiskError, InputError
from packer.geometry.tileset import Tile
from packer.proof.walk import Stretch
from packer.store.reader import tile_at
from tests import view_board
from tests.view_board import Board, build

HOLE = tile_at(12.474, 47.09, 15)  # on the course


def written(folder: Path, *holes: Tile) -> Board:
    """A plan whose packs have everything but `holes`, with the brief on disk."""
    made = build(folder, leave_out=lambda layer, tile: layer == "aerial" and tile in holes)
    text = view_board._BRIEF.replace("ATTRIBUTION", "Invented Survey")
    made.brief.path.write_text(text, encoding="utf-8")
    return made


@pytest.fixture
def board(tmp_path: Path) -> Board:
    """All there, but one tile by the route."""
    return written(tmp_path, HOLE)


@pytest.fixture
def whole(tmp_path: Path) -> Board:
    return written(tmp_path)


def test_each_depth_ends_in_one_word_and_says_what_it_left_open(
    whole: Board, capsys: pytest.CaptureFixture[str]
) -> None:
    for quick, full in ((True, False), (False, False), (False, True)):
        assert run(whole.brief.path, None, False, quick=quick, full=full) == 0
        said = capsys.readouterr().out
        assert "READY" in said
        assert "NOT READY" not in said
        assert "Not checked:" in said
        assert ("not decoded" in said) is not full
        assert max(map(len, said.replace(str(whole.store), "").splitlines())) <= 80


def test_a_hole_is_named_with_its_kilometres(board: Board, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(board.brief.path, None, False) == 1
    said = capsys.readouterr().out
    assert f"missing {HOLE}" in said
    assert "NOT READY" in said
    assert f"lastbar fetch {board.brief.path}" in said
    assert "km " in said


def test_json_keeps_its_words_and_names_every_problem(
    board: Board, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(board.brief.path, None, True) == 1
    said = json.loads(capsys.readouterr().out)
    assert said["ready"] is False
    assert said["verdict"] == "NOT READY"
    assert said["depth"] == "hash"
    assert said["problems"] == [{"layer": "aerial", "tile": str(HOLE), "kind": "missing"}]
    layer = said["layers"]["aerial"]
    assert layer["planned"] == layer["stored"] + layer["absent"] + layer["missing"] + layer["corrupt"]
    assert layer["by_zoom"]["15"]["missing"] == 1
    walk = next(w for w in said["walk"] if w["layer"] == "aerial")
    assert {s["complete_to"] for s in walk["stretches"]} == {14, 15}
    assert said["not_checked"]


def test_report_and_walk_go_where_they_are_asked_to(
    board: Board, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run(board.brief.path, None, True, report_folder=tmp_path / "out", walk_file=tmp_path / "walk.geojson")
    json.loads(capsys.readouterr().out)
    assert (tmp_path / "out" / "report.html").is_file()
    drawn = json.loads((tmp_path / "walk.geojson").read_text())
    assert {f["properties"]["kind"] for f in drawn["features"]} >= {"gap", "complete"}
    assert not list(tmp_path.glob("*.part"))


def test_options_that_do_not_go_together_are_refused_in_a_sentence(board: Board) -> None:
    with pytest.raises(InputError, match="opposites"):
        run(board.brief.path, None, False, quick=True, full=True)
    with pytest.raises(InputError, match="Leave them out"):
        run(board.brief.path, None, False, quick=True, for_time="5s")
    with pytest.raises(InputError, match="--for soon"):
        run(board.brief.path, None, False, for_time="soon")


def test_the_verdict_is_told_also_where_report_and_walk_cannot_be_written(
    board: Board, capsys: pytest.CaptureFixture[str]
) -> None:
    nowhere = board.store / "no" / "walk.geojson"
    assert run(board.brief.path, None, False, walk_file=nowhere) == DiskError.exit_code
    told = capsys.readouterr()
    assert "READY" in told.out
    assert "cannot be written" in " ".join(told.err.split())
    assert run(board.brief.path, None, True, walk_file=nowhere) == DiskError.exit_code
    found = json.loads(capsys.readouterr().out)
    assert "cannot be written" in found["error"]["message"]
    assert "layers" in found


def test_no_time_at_all_says_so_far_and_how_to_go_on(
    whole: Board, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(whole.brief.path, None, False, for_time="0s") == 1
    said = capsys.readouterr().out
    assert "CHECK NOT FINISHED. No fault so far" in said
    assert "--for" in said
    assert run(whole.brief.path, None, False, for_time="10m") == 0
    assert "READY" in capsys.readouterr().out


def test_a_gap_reads_as_a_sentence() -> None:
    gap = Stretch(143_200.0, 147_900.0, 13, (12.5, 47.1), (12.6, 47.2), 212, 0, 40.2)
    assert gap_text(gap) == (
        "km 143.200 to 147.900 (from 47.10000 12.50000): only to zoom 13; 212 tiles missing, about 40 s at the "
        "last speed"
    )
    bare = Stretch(0.0, 900.0, None, (12.5, 47.1), (12.6, 47.2), 1, 3, None)
    assert gap_text(bare).endswith("no zoom complete; 1 tile missing; 3 not on the server")
