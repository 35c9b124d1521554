"""Pipes, sockets, devices and links in place of files: refused in words, never waited for or written through."""

from __future__ import annotations

import os
import socket
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from packer.common.regular_file import refuse_special
from packer.errors import InputError, StoreError
from packer.geometry.tileset import Tile
from packer.planning.plan import plan
from tests import commands
from tests.conftest import BriefMaker
from tests.test_store import received, written
from tests.tile_server import TileServer

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such files")


def lastbar(*arguments: str | Path) -> tuple[int, str]:
    """A command in a process of its own, so that one that waits for a pipe ends the test and not the run."""
    done = commands.lastbar(*arguments)
    return done.returncode, " ".join(done.stderr.split())


@pytest.fixture
def kinds(tmp_path: Path) -> dict[str, Path]:
    pipe, bound = tmp_path / "pipe", tmp_path / "socket"
    os.mkfifo(pipe)
    with socket.socket(socket.AF_UNIX) as one:
        one.bind(str(bound))
    return {"a pipe": pipe, "a socket": bound, "a device": Path("/dev/zero")}


def test_each_kind_is_named(kinds: dict[str, Path], tmp_path: Path) -> None:
    for name, path in kinds.items():
        with pytest.raises(StoreError, match=f"is {name} and not a regular file"):
            refuse_special(path, StoreError)
    for usual in (tmp_path, tmp_path / "missing", Path(__file__)):
        refuse_special(usual)


def test_a_link_to_a_pipe_is_a_pipe(kinds: dict[str, Path], tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(kinds["a pipe"])
    with pytest.raises(InputError, match="a pipe"):
        refuse_special(tmp_path / "link")


def test_a_brief_that_is_a_pipe_is_refused_by_a_command(kinds: dict[str, Path]) -> None:
    code, said = lastbar("plan", kinds["a pipe"])
    assert code == 2
    assert "is a pipe and not a regular file" in said


@pytest.mark.parametrize(
    ("command", "rest"),
    [("status", []), ("verify", []), ("prune", ["--yes"]), ("handover", ["--to", "card"]), ("fetch", [])],
)
def test_a_pack_that_is_a_pipe_is_refused_by_every_command(
    brief_for: BriefMaker, command: str, rest: list[str]
) -> None:
    with TileServer() as server:
        brief = brief_for(server.url, area="box = [12.30, 47.00, 12.31, 47.01]\ndeepest = 13")
        brief.store_folder.mkdir()
        os.mkfifo(brief.store_folder / "survey.mbtiles")
        code, said = lastbar(command, brief.path, *rest)
    assert code == 3
    assert "is a pipe and not a regular file" in said


@pytest.mark.parametrize("kind", ["a pipe", "a device"])
def test_what_is_to_be_taken_in_or_merged_has_to_be_a_file(
    brief_for: BriefMaker, kinds: dict[str, Path], tmp_path: Path, kind: str
) -> None:
    brief = brief_for(
        "http://127.0.0.1:1/survey/{z}/{x}/{y}.png", area="box = [12.30, 47.00, 12.31, 47.01]\ndeepest = 13"
    )
    for arguments in (
        ("take-in", brief.path, "survey", kinds[kind]),
        ("merge", tmp_path / "into", kinds[kind]),
    ):
        code, said = lastbar(*arguments)
        assert code == 2
        assert f"is {kind} and not a regular file" in said


@pytest.mark.parametrize(
    "beside", [".survey.corrupt.json", ".survey.checked.json", ".survey.survey.json", "lastbar.log.jsonl"]
)
def test_a_pipe_beside_the_packs_holds_nothing_up(brief_for: BriefMaker, beside: str) -> None:
    with TileServer() as server:
        brief = brief_for(server.url, area="box = [12.30, 47.00, 12.31, 47.01]\ndeepest = 13")
        brief.store_folder.mkdir()
        os.mkfifo(brief.store_folder / beside)
        assert lastbar("fetch", brief.path)[0] == 0
        assert lastbar("verify", brief.path, "--for", "30s")[0] == 0


def test_a_journal_that_is_a_pipe_is_refused(tmp_path: Path) -> None:
    pack = tmp_path / "survey.mbtiles"
    written(pack, [received(Tile(3, 1, 1))])
    os.mkfifo(pack.with_name("survey.mbtiles-journal"))
    code, said = lastbar("merge", tmp_path / "into", pack)
    assert code == 3
    assert "is a pipe" in said


GPX = """<gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>
<trkpt lat="47.10" lon="12.50"/><trkpt lat="47.11" lon="12.51"/></trkseg></trk></gpx>"""


def dealt(brief_for: BriefMaker, tmp_path: Path, ready: Callable[[Path], None]) -> int:
    from packer.cli import run_split

    (tmp_path / "course.gpx").write_text(GPX, encoding="utf-8")
    brief = brief_for(
        "http://127.0.0.1:1/survey/{z}/{x}/{y}.png",
        area='line = "course.gpx"\nhalf-width = "100 m"\ndeepest = 13',
    )
    assert plan(brief).count
    ready(tmp_path / "parts")
    return run_split.run(brief.path, 2, None, as_json=False)


def test_a_link_named_like_a_shape_file_is_replaced_and_its_target_left_alone(
    brief_for: BriefMaker, tmp_path: Path
) -> None:
    precious = tmp_path / "precious"
    precious.write_text("mine", encoding="utf-8")

    def ready(parts: Path) -> None:
        (parts / "part-1-of-2").mkdir(parents=True)
        (parts / "part-1-of-2" / "course.gpx").symlink_to(precious)
        (parts / "part-1-of-2" / "brief.toml").symlink_to(precious)

    assert dealt(brief_for, tmp_path, ready) == 0
    assert precious.read_text(encoding="utf-8") == "mine"
    assert (tmp_path / "parts/part-1-of-2/course.gpx").read_text(encoding="utf-8") == GPX


@pytest.mark.parametrize("link", ["part-1-of-2", "part-2-of-2", "part-1-of-2/packs"])
def test_a_link_in_place_of_a_parts_folder_is_refused(
    brief_for: BriefMaker, tmp_path: Path, link: str
) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()

    def ready(parts: Path) -> None:
        (parts / link).parent.mkdir(parents=True, exist_ok=True)
        (parts / link).symlink_to(elsewhere)

    with pytest.raises(InputError, match="is a link to somewhere else"):
        dealt(brief_for, tmp_path, ready)
    assert list(elsewhere.iterdir()) == []
