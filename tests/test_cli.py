"""The commands as a planner uses them: what they print, what they leave, and how they end."""

from __future__ import annotations

import json
import re
import shlex
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from packer.cli import new_brief, show_plan
from packer.errors import BriefError, InputError
from packer.planning.brief import Brief
from packer.planning.plan import plan
from tests.commands import lastbar, start_lastbar
from tests.conftest import BriefMaker
from tests.tile_server import TileServer, answer

SMALL = "box = [12.30, 47.00, 12.34, 47.03]\ndeepest = 14"


def document(done: subprocess.CompletedProcess[str]) -> Any:
    """The one JSON document on stdout; fails if there is anything else."""
    return json.loads(done.stdout)


def test_the_whole_job_from_a_new_brief_to_ready(brief_for: BriefMaker) -> None:
    with TileServer() as server:
        brief = brief_for(server.url, area=SMALL)
        tiles = plan(brief).count

        planned = document(lastbar("plan", brief.path, "--json"))
        assert planned["tiles"] == planned["layers"]["survey"]["tiles"] == tiles
        assert sum(planned["layers"]["survey"]["by_zoom"].values()) == tiles

        listed = lastbar("plan", brief.path, "--list").stdout.splitlines()
        assert len(listed) == len(set(listed)) == tiles
        assert all(re.fullmatch(r"survey \d+/\d+/\d+", line) for line in listed)

        before = lastbar("verify", brief.path, "--json")
        assert before.returncode == 1
        assert document(before)["layers"]["survey"]["missing"] == tiles

        fetched = lastbar("fetch", brief.path, "--json")
        assert fetched.returncode == 0, fetched.stderr
        told = document(fetched)
        assert told["complete"] is True
        assert told["requests"] == told["stored"] == tiles
        assert told["bytes"] > 0
        assert told["absent"] == told["failed"] == 0
        assert told["seconds"] >= 0

        verified = lastbar("verify", brief.path, "--json")
        assert verified.returncode == 0
        layer = document(verified)["layers"]["survey"]
        assert document(verified)["ready"] is True
        assert {k: layer[k] for k in ("planned", "stored", "absent", "missing", "corrupt")} == {
            "planned": tiles,
            "stored": tiles,
            "absent": 0,
            "missing": 0,
            "corrupt": 0,
        }
        assert sum(z["planned"] for z in layer["by_zoom"].values()) == tiles

        status = lastbar("status", brief.path, "--json")
        assert status.returncode == 0
        assert document(status)["layers"]["survey"]["stored"] == tiles


def test_text_reads_in_80_columns_without_colour(brief_for: BriefMaker) -> None:
    with TileServer() as server:
        brief = brief_for(server.url, area=SMALL)
        for command in ("plan", "status", "fetch", "verify"):
            done = lastbar(command, brief.path)
            short = str(brief.path.parent)  # the test's own folder is as long as it is
            lines = (done.stdout + done.stderr).replace(short, "").splitlines()
            assert lines
            assert max(map(len, lines)) <= 80, command
            assert "\x1b" not in done.stdout + done.stderr


def test_a_folder_stands_for_the_brief_in_it_and_store_moves_the_packs(
    brief_for: BriefMaker, tmp_path: Path
) -> None:
    with TileServer() as server:
        brief = brief_for(server.url, area=SMALL)
        elsewhere = tmp_path / "card"
        assert lastbar("fetch", tmp_path, "--store", elsewhere).returncode == 0
        assert (elsewhere / "survey.mbtiles").exists()
        assert not brief.store_folder.exists()
        assert lastbar("verify", "--store", elsewhere, cwd=tmp_path).returncode == 0


@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_keeps_what_came_and_says_how_to_go_on(brief_for: BriefMaker, sign: signal.Signals) -> None:
    with TileServer(delay_s=0.02) as server:
        brief = brief_for(server.url, area="box = [12.30, 47.00, 12.5, 47.15]\ndeepest = 15")
        fetch = start_lastbar("fetch", brief.path)
        assert not fetch.ended_before(server.reached(40))
        fetch.send_signal(sign)
        done = fetch.result()
        out, err = done.stdout, done.stderr
        assert done.returncode == 1
        assert "then stopping" in " ".join(err.split())
        assert f"lastbar fetch {brief.path}" in out
        assert "Traceback" not in err
        asked = server.tiles_asked
        held = len(_tiles(brief))
        assert held == len(asked), "everything that was asked for was kept"
        assert [p.name for p in brief.store_folder.glob("survey*")] == ["survey.mbtiles"]
        assert lastbar("fetch", brief.path).returncode == 0
        assert max(server.tiles_asked.values()) == 1


def test_status_in_a_second_terminal_and_a_second_fetch_refused(brief_for: BriefMaker) -> None:
    with TileServer(delay_s=0.06) as server:
        brief = brief_for(server.url, area="box = [12.30, 47.00, 12.5, 47.15]\ndeepest = 15", connections=4)
        server.hold_after(150)  # so that it is still at work, however long the others take
        fetch = start_lastbar("fetch", brief.path)
        try:
            assert not fetch.ended_before(server.reached(100))
            while not document(status := lastbar("status", brief.path, "--json"))["layers"]["survey"][
                "stored"
            ]:
                assert not fetch.ended  # the first batch is on its way to the disk
            assert status.returncode == 1
            second = lastbar("fetch", brief.path)
            assert second.returncode == 3
            assert "Another fetch is writing" in second.stderr
            assert not fetch.ended
        finally:
            fetch.send_signal(signal.SIGINT)
            server.hold_after(None)
            assert fetch.wait() == 1


def _tiles(brief: Brief) -> list[tuple[int, int, int]]:
    db = sqlite3.connect(brief.store_folder / "survey.mbtiles")
    try:
        return db.execute("SELECT zoom_level, tile_column, tile_row FROM tiles").fetchall()
    finally:
        db.close()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda t: "title = ", "not valid TOML"),
        (lambda t: t.replace("connections", "conections"), 'did you mean "connections"'),
        (lambda t: t.replace(SMALL, 'line = "gone.gpx"\nhalf-width = "1 km"\ndeepest = 12'), "gone.gpx"),
        (lambda t: t.replace("12.34", "1234"), "1234"),
        (lambda t: t.replace(SMALL, 'point = [12, 47]\nradius = "200 km"\ndeepest = 12'), "200 km"),
        (lambda t: t.replace(SMALL, 'point = [12, 47]\nradius = "0 m"\ndeepest = 12'), "0 m"),
        (lambda t: t.replace("{z}", "z"), "{z}"),
        (lambda t: t.replace("[layers.survey]", '[layers."../survey"]'), "../survey"),
        (lambda t: t.replace(".png", ".png?key=${NOT_SET_ANYWHERE}"), "NOT_SET_ANYWHERE"),
        (lambda t: t.replace('permission = "Own server"\n', ""), "permission"),
    ],
)
def test_a_wrong_brief_is_told_in_a_sentence_and_ends_with_2(
    brief_for: BriefMaker, change: Any, words: str
) -> None:
    brief = brief_for("http://127.0.0.1:9/{z}/{x}/{y}.png", area=SMALL)
    brief.path.write_text(change(brief.path.read_text()))
    done = lastbar("fetch", brief.path)
    assert done.returncode == 2, done.stderr
    assert words in " ".join(done.stderr.split())
    assert "brief.toml" in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
    as_json = lastbar("fetch", brief.path, "--json")
    assert document(as_json)["error"]["exit_code"] == as_json.returncode == 2
    assert not (brief.path.parent / "packs").exists()


def test_no_brief_at_all_says_how_to_write_one(tmp_path: Path) -> None:
    done = lastbar("plan", cwd=tmp_path)
    assert done.returncode == 2
    assert "lastbar new" in done.stderr


def test_new_writes_a_brief_that_plans_and_never_overwrites(tmp_path: Path) -> None:
    done = lastbar("new", tmp_path / "trip")
    assert done.returncode == 0, done.stderr
    assert "independent means of navigation" in done.stdout
    assert document(lastbar("plan", tmp_path / "trip", "--json"))["tiles"] > 100
    again = lastbar("new", tmp_path / "trip")
    assert again.returncode == 2
    assert "already exists" in again.stderr


def test_new_takes_a_route_from_anywhere(tmp_path: Path) -> None:
    (tmp_path / "routes").mkdir()
    route = tmp_path / "routes" / "Pass & back.gpx"
    points = "".join(f'<trkpt lat="{47 + i / 1000}" lon="12.5"/>' for i in range(50))
    route.write_text(f'<gpx version="1.1" creator="t"><trk><trkseg>{points}</trkseg></trk></gpx>')
    done = lastbar("new", "trip/brief.toml", "--route", route, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "5.4 km" in done.stdout
    assert lastbar("plan", "trip", cwd=tmp_path).returncode == 0


def test_a_server_that_cannot_be_reached_is_waited_for_and_told(brief_for: BriefMaker) -> None:
    brief = brief_for("http://127.0.0.1:9/{z}/{x}/{y}.png", area=SMALL)
    done = lastbar("fetch", brief.path, "--give-up-after", "1s")
    assert done.returncode == 1
    assert "127.0.0.1:9" in done.stderr
    assert "refused" in done.stderr
    assert "lastbar fetch" in done.stdout


def test_give_up_after_that_is_no_time_is_refused(brief_for: BriefMaker) -> None:
    done = lastbar("fetch", brief_for("http://127.0.0.1:9/{z}/{x}/{y}.png").path, "--give-up-after", "soon")
    assert done.returncode == 2
    assert "45m" in done.stderr


@pytest.mark.parametrize("body", [b"<html><body>Quota exceeded</body></html>", b"", b"\x89PNG\r\n\x1a\ncut"])
def test_a_server_that_sends_no_tiles_fills_no_pack(brief_for: BriefMaker, body: bytes) -> None:
    with TileServer(lambda path: answer("200 OK", body, "text/html")) as server:
        brief = brief_for(server.url, area=SMALL)
        done = lastbar("fetch", brief.path, "--give-up-after", "1s")
        assert done.returncode == 1
        assert "127.0.0.1" in done.stderr
        assert _tiles(brief) == []


def test_a_store_that_is_not_ours_is_left_alone(brief_for: BriefMaker) -> None:
    brief = brief_for("http://127.0.0.1:9/{z}/{x}/{y}.png", area=SMALL)
    brief.store_folder.mkdir()
    pack = brief.store_folder / "survey.mbtiles"
    pack.write_bytes(b"holiday pictures" * 500)
    for command in ("fetch", "status", "verify"):
        done = lastbar(command, brief.path)
        assert done.returncode == 3, command
        assert "survey.mbtiles" in done.stderr
    assert pack.read_bytes() == b"holiday pictures" * 500


def test_help_and_version_answer(tmp_path: Path) -> None:
    shown = lastbar("--help").stdout
    for command in ("new", "plan", "fetch", "status", "verify", "demo"):
        assert re.search(rf"^  {command} ", shown, re.MULTILINE)
    assert "..." not in shown.split("Commands:")[1]  # no sentence is cut off
    assert max(map(len, shown.splitlines())) <= 80
    assert re.fullmatch(r"lastbar \d+\.\d+\.\d+\n", lastbar("--version").stdout)


def test_a_route_that_is_a_folder_or_has_no_line_says_what_to_do_and_writes_no_brief(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="is a folder"):
        new_brief.run(tmp_path / "trip", tmp_path)
    sectors = tmp_path / "sectors.geojson"
    sectors.write_text('{"type": "Polygon", "coordinates": [[[12, 47], [12.1, 47], [12.1, 47.1], [12, 47]]]}')
    with pytest.raises(BriefError, match=r"write polygon = .* No brief was written\. .* without --route: "):
        new_brief.run(tmp_path / "trip", sectors)
    assert not (tmp_path / "trip" / "brief.toml").exists()


def test_a_list_of_tiles_is_no_document_and_json_with_it_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="Choose one of the two"):
        show_plan.run(tmp_path / "brief.toml", True, None, True)


def test_help_loads_none_of_the_heavy_libraries() -> None:
    code = (
        "import sys\nfrom packer.cli.app import app\n"
        "bad = {'numpy', 'pydantic', 'shapely', 'httpx', 'pyogrio', 'PIL'} & set(sys.modules)\nassert not bad, bad"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


@pytest.mark.parametrize("command", ["plan", "status"])
def test_letters_that_the_output_has_no_code_for_stop_nothing(brief_for: BriefMaker, command: str) -> None:
    brief = brief_for("http://127.0.0.1:9/{z}/{x}/{y}.png", area=SMALL)
    text = brief.path.read_text(encoding="utf-8")
    brief.path.write_text(re.sub(r"title = .*", 'title = "砂漠"', text, count=1), encoding="utf-8")
    done = lastbar(command, brief.path, PYTHONIOENCODING="ascii")
    assert "unexpected" not in done.stderr
    assert "??" in done.stdout


def test_a_hint_can_be_pasted_and_names_the_folder_of_the_packs(
    brief_for: BriefMaker, tmp_path: Path
) -> None:
    brief = brief_for("http://127.0.0.1:9/{z}/{x}/{y}.png", area=SMALL)
    place, store = tmp_path / "mein trip", tmp_path / "other packs"
    place.mkdir()
    path = brief.path.rename(place / "brief.toml")
    for command in ("status", "verify"):
        said = lastbar(command, path, "--store", store).stdout.splitlines()
        hint = next(line for line in said if line.strip().startswith("lastbar"))
        assert shlex.split(hint) == ["lastbar", "fetch", str(path), "--store", str(store)]
