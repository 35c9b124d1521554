"""The commands round a pack: compare, prune, share, merge, take in, hand over, inspect."""

from __future__ import annotations

import re
import sqlite3
from pathlib import Path

import pytest

from packer.planning.brief import Brief
from packer.planning.plan import plan
from tests.commands import lastbar
from tests.conftest import BriefMaker
from tests.test_cli import document
from tests.tile_server import TileServer

WIDE = "box = [12.30, 47.00, 12.40, 47.04]\ndeepest = 14"
NARROW = "box = [12.30, 47.00, 12.34, 47.04]\ndeepest = 13"


def bodies(pack: Path) -> list[tuple[int, int, int, bytes]]:
    db = sqlite3.connect(pack)
    try:
        return db.execute("SELECT * FROM tiles ORDER BY 1, 2, 3").fetchall()
    finally:
        db.close()


def said(pack: Path) -> dict[str, str]:
    db = sqlite3.connect(pack)
    try:
        return dict(db.execute("SELECT name, value FROM metadata").fetchall())
    finally:
        db.close()


@pytest.fixture
def fetched(brief_for: BriefMaker) -> Brief:
    """A brief whose pack is complete."""
    with TileServer() as server:
        brief = brief_for(server.url, area=WIDE)
        assert lastbar("fetch", brief.path).returncode == 0
    return brief


def narrower(brief: Brief) -> Path:
    path = brief.folder / "narrow.toml"
    path.write_text(brief.path.read_text().replace(WIDE, NARROW))
    return path


def test_compare_tells_what_a_change_adds_and_drops(fetched: Brief) -> None:
    change = document(lastbar("compare", fetched.path, narrower(fetched), "--json"))["layers"]["survey"]
    was, now = (
        plan(Brief.read(p)).layers["survey"].tiles for p in (fetched.path, fetched.folder / "narrow.toml")
    )
    assert change["added"]["tiles"] == len(now - was) == 0
    assert change["dropped"]["tiles"] == len(was - now) > 0
    assert change["dropped"]["bytes"] > 0
    back = document(lastbar("compare", fetched.folder / "narrow.toml", fetched.path, "--json"))["layers"][
        "survey"
    ]
    assert back["added"]["tiles"] == len(was - now)


def test_compare_tells_a_change_of_depth_from_a_change_of_course(tmp_path: Path) -> None:
    gpx = '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="t"><rte>{}</rte></gpx>'
    course = [(12.0 + 0.01 * i, 47.0) for i in range(11)]  # 7.6 km by WGS 84: a degree is 76.1 km there
    places = ['<rtept lon="{:.2f}" lat="{}"/>'.format(*p) for p in course]
    (tmp_path / "all.gpx").write_text(gpx.format("".join(places)))
    (tmp_path / "half.gpx").write_text(gpx.format("".join(places[:6])))
    text = (
        'title = "T"\n[layers.survey]\nurl = "http://127.0.0.1:9/{{z}}/{{x}}/{{y}}.png"\nattribution = "T"\n'
        'permission = "own"\nzooms = [0, 18]\n[[areas]]\nname = "course"\nline = "{}"\nhalf-width = "200 m"\n'
        "deepest = {}\n"
    )
    for name, line, deepest in (("deep", "all", 16), ("flat", "all", 15), ("half", "half", 16)):
        (tmp_path / f"{name}.toml").write_text(text.format(f"{line}.gpx", deepest))

    def route(was: str, now: str) -> list[float]:
        told = document(lastbar("compare", tmp_path / f"{was}.toml", tmp_path / f"{now}.toml", "--json"))
        return [told[f"route_{what}_km"] for what in ("added", "dropped", "deeper", "shallower")]

    assert route("deep", "flat") == [0, 0, 0, pytest.approx(7.61, abs=0.02)]
    assert route("flat", "deep") == [0, 0, pytest.approx(7.61, abs=0.02), 0]
    added, dropped, deeper, shallower = route("half", "deep")
    assert (dropped, deeper, shallower) == (0, 0, 0)
    assert (
        3.8 - 0.2 - 0.42 < added < 3.8
    )  # less the half width and a tile of zoom 16 beyond the end of the half


def test_prune_says_so_where_nothing_is_spare(fetched: Brief) -> None:
    done = lastbar("prune", fetched.path, "--yes")
    assert done.returncode == 0
    assert "Nothing to remove" in done.stdout
    assert "removed from the packs" not in done.stdout


def test_prune_lists_first_and_removes_only_when_told(fetched: Brief) -> None:
    pack = fetched.store_folder / "survey.mbtiles"
    before = pack.read_bytes()
    listed = lastbar("prune", narrower(fetched))
    assert listed.returncode == 0
    assert "--yes" in listed.stdout
    assert pack.read_bytes() == before
    both = document(lastbar("prune", fetched.folder / "narrow.toml", fetched.path, "--json"))
    assert [p["tiles"] for p in both["packs"].values()] == [0]
    removed = lastbar("prune", fetched.folder / "narrow.toml", "--yes")
    assert removed.returncode == 0
    assert len(bodies(pack)) == plan(Brief.read(fetched.folder / "narrow.toml")).count
    assert pack.stat().st_size < len(before)
    assert lastbar("verify", fetched.folder / "narrow.toml").returncode == 0


def test_three_parts_fetched_apart_and_merged_equal_the_pack_fetched_at_once(
    brief_for: BriefMaker, tmp_path: Path
) -> None:
    with TileServer() as server:
        brief = brief_for(server.url, area=WIDE)
        shared = document(lastbar("split", brief.path, "--parts", 3, "--to", tmp_path / "parts", "--json"))
        for part in shared["parts"]:
            assert lastbar("fetch", part["brief"]).returncode == 0
        assert set(server.tiles_asked.values()) == {1}, "no tile is asked for by two parts"
        assert lastbar("fetch", brief.path, "--store", tmp_path / "whole").returncode == 0
    folders = [Path(part["brief"]).parent / "packs" for part in shared["parts"]]
    merged = lastbar("merge", brief.store_folder, *folders)
    assert merged.returncode == 0, merged.stderr
    assert bodies(brief.store_folder / "survey.mbtiles") == bodies(tmp_path / "whole" / "survey.mbtiles")
    assert lastbar("verify", brief.path).returncode == 0


def test_the_old_name_of_split_still_works_and_says_the_new_one(fetched: Brief, tmp_path: Path) -> None:
    nothing_yet = ("--store", tmp_path / "none")
    done = lastbar("share", fetched.path, "--to", tmp_path / "parts", *nothing_yet, "--json")
    assert done.returncode == 0
    assert [Path(part["brief"]).exists() for part in document(done)["parts"]] == [True, True]
    assert "lastbar share is now called lastbar split" in " ".join(done.stderr.split())
    assert "  share " not in lastbar("--help").stdout


def test_what_is_held_already_is_taken_in_and_not_fetched(fetched: Brief, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    done = lastbar(
        "take-in", fetched.path, "survey", fetched.store_folder / "survey.mbtiles", "--store", elsewhere
    )
    assert done.returncode == 0, done.stderr
    assert said(elsewhere / "survey.mbtiles") == said(fetched.store_folder / "survey.mbtiles")
    told = document(lastbar("fetch", fetched.path, "--store", elsewhere, "--json"))
    assert told["complete"] is True
    assert told["requests"] == 0
    wanting = fetched.folder / "wanting.toml"  # a layer that no area uses can still be filled
    wanting.write_text(
        fetched.path.read_text().replace(WIDE, f'{WIDE}\nlayers = ["survey"]')
        + '\n[layers.spare]\nurl = "http://127.0.0.1:9/{z}/{x}/{y}.png"\nattribution = "Test"\n'
        'permission = "own-data"\nzooms = [0, 14]\n'
    )
    pack = fetched.store_folder / "survey.mbtiles"
    mistaken = lastbar("take-in", wanting, "spare", pack, "--store", elsewhere)
    assert mistaken.returncode == 2
    assert 'Take it into "survey", or add --yes if "spare" is meant.' in " ".join(mistaken.stderr.split())
    assert not (elsewhere / "spare.mbtiles").exists()
    spare = lastbar("take-in", wanting, "spare", pack, "--store", elsewhere, "--yes")
    assert spare.returncode == 0, spare.stderr
    wrong = lastbar("take-in", fetched.path, "relief", fetched.store_folder / "survey.mbtiles")
    assert wrong.returncode == 2
    assert "survey" in wrong.stderr


def test_a_handover_can_be_inspected_anywhere(fetched: Brief, tmp_path: Path) -> None:
    card = tmp_path / "card"
    assert lastbar("handover", fetched.path, "--to", card).returncode == 0
    assert lastbar("inspect", card).returncode == 0
    (card / "survey.mbtiles").write_bytes((card / "survey.mbtiles").read_bytes()[:-4096])
    told = lastbar("inspect", card)
    assert told.returncode == 1
    assert "survey.mbtiles" in told.stdout
    assert lastbar("handover", fetched.path).returncode == 2


def test_a_layer_that_is_asked_of_another_server_than_before_is_remarked_on(
    fetched: Brief, brief_for: BriefMaker
) -> None:
    host = re.sub(r"http://([^/]*)/.*", r"\1", fetched.layers["survey"].url)
    with TileServer() as other:
        told = document(lastbar("fetch", brief_for(other.url, area=WIDE).path, "--json"))
        assert len(told["remarks"]) == 1
        assert host in told["remarks"][0]
        assert "another name" in told["remarks"][0]
    assert document(lastbar("fetch", fetched.path, "--json"))["complete"] is True
