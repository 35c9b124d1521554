"""Several briefs fetched at once into one store: each tile once, for whoever leaves first."""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from packer.cli import run_fetch, run_verify, show_status
from packer.cli.fetch_options import FetchOptions
from packer.errors import BriefError, InputError
from packer.fetching.order import in_order
from packer.geometry.tileset import TileSet
from packer.planning.brief import Brief
from packer.planning.fetched_for import recall_fetch
from packer.planning.joint import joined
from packer.planning.plan import Plan, plan
from tests.tile_server import TileServer

BRIEF = """
title = "{title}"
{departs}
overview = {{ deepest = 9, margin = "5 km" }}
[layers.aerial]
url = "{url}"
attribution = "Test Survey (invented)"
permission = "Own server"
zooms = [0, 19]
connections = {connections}
requests-per-second = 1000
[[areas]]
name = "ground"
box = [{west}, 47.00, {east}, 47.02]
deepest = {deepest}
"""
URL = "https://tiles.example.org/{z}/{x}/{y}.png"


def brief_in(
    folder: Path,
    title: str,
    west: float = 12.30,
    *,
    departs: str | None = None,
    url: str = URL,
    connections: int = 4,
    deepest: int = 14,
) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "brief.toml"
    leaving = "" if departs is None else f'departs = "{departs}"'
    text = BRIEF.format(
        title=title,
        departs=leaving,
        url=url,
        connections=connections,
        west=west,
        east=west + 0.06,
        deepest=deepest,
    )
    path.write_text(text, encoding="utf-8")
    return path


def planned(*paths: Path) -> list[tuple[Brief, Plan]]:
    return [(brief, plan(brief)) for brief in map(Brief.read, paths)]


@pytest.fixture(scope="module")
def server() -> Iterator[TileServer]:
    with TileServer() as running:
        yield running


@given(st.lists(st.tuples(st.integers(0, 8), st.integers(0, 2), st.integers(10, 14)), min_size=2, max_size=4))
def test_a_joint_plan_has_each_tile_once_and_those_who_leave_first_have_theirs_first(
    tmp_path_factory: pytest.TempPathFactory, trips: list[tuple[int, int, int]]
) -> None:
    root, days = tmp_path_factory.mktemp("trips"), ("2026-12-01 05:30", "2026-12-02 05:30", None)
    some = planned(
        *(
            brief_in(root / f"{n}", f"Trip {n}", 12.30 + at / 100, departs=days[day], deepest=deepest)
            for n, (at, day, deepest) in enumerate(trips)
        )
    )
    _, whole = joined(some, root / "packs")
    layer = whole.layers["aerial"]
    assert layer.tiles == TileSet.union(one.layers["aerial"].tiles for _, one in some)
    order = list(in_order(layer.areas, whole.shapes, layer.tiles))
    assert len(order) == len(set(order)) == len(layer.tiles)
    turn = {
        tile: min(
            day
            for (_, day, _), (_, one) in zip(trips, some, strict=True)
            if tile in one.layers["aerial"].tiles
        )
        for tile in order
    }
    assert all(turn[one] <= turn[after] for one, after in itertools.pairwise(order))


def test_one_brief_alone_is_fetched_as_it_is(tmp_path: Path) -> None:
    [one] = planned(brief_in(tmp_path, "Trip"))
    assert joined([one], None) == one


def test_the_lowest_caps_hold(tmp_path: Path) -> None:
    some = planned(brief_in(tmp_path / "a", "A", connections=8), brief_in(tmp_path / "b", "B", connections=2))
    brief, _ = joined(some, tmp_path / "packs")
    assert brief.layers["aerial"].connections == 2


def test_what_cannot_be_one_fetch_is_a_sentence(tmp_path: Path) -> None:
    one, other = brief_in(tmp_path / "a", "A"), brief_in(tmp_path / "b", "B")
    with pytest.raises(
        BriefError, match=r"keep their packs in different folders: .*name it with --store DIR"
    ):
        joined(planned(one, other), None)
    with pytest.raises(BriefError, match=r"brief.toml is named twice"):
        joined(planned(one, one), tmp_path)
    elsewhere = brief_in(tmp_path / "c", "C", url="https://other.example.org/{z}/{x}/{y}.png")
    with pytest.raises(
        BriefError, match=r'^Layer "aerial" is one thing in .* and another in .*: url\. A layer'
    ):
        joined(planned(one, elsewhere), tmp_path)
    with pytest.raises(InputError, match="for one brief"):
        run_verify.run_each([one, other], None, False, False, False, None, tmp_path, None, False)


def test_two_briefs_of_one_title_are_told_apart_by_where_they_lie(tmp_path: Path) -> None:
    some = planned(brief_in(tmp_path / "a", "Trip"), brief_in(tmp_path / "b", "Trip"))
    _, whole = joined(some, tmp_path / "packs")
    names = {area.name for area in whole.layers["aerial"].areas}
    assert len(names) == 4
    assert f"Trip ({tmp_path / 'b' / 'brief.toml'}): ground" in names


def test_a_departure_is_a_day_and_a_time(tmp_path: Path) -> None:
    with pytest.raises(BriefError, match=r'departs is "2026-13-01 05:30", but it should be a day and a time'):
        Brief.read(brief_in(tmp_path, "Trip", departs="2026-13-01 05:30"))


def test_each_tile_is_asked_for_once_and_each_brief_is_proven_by_its_own_plan(
    tmp_path: Path, server: TileServer, capsys: pytest.CaptureFixture[str]
) -> None:
    paths = [
        brief_in(tmp_path / "a", "Late", 12.30, url=server.url, departs="2026-12-05 05:30"),
        brief_in(tmp_path / "b", "Early", 12.33, url=server.url, departs="2026-12-03 05:30"),
    ]
    store = tmp_path / "packs"
    server.asked.clear()
    assert run_fetch.run(paths, store, True, FetchOptions(let_sleep=True)) == 0
    assert json.loads(capsys.readouterr().out)["complete"]
    some = planned(*paths)
    wanted = {f"/survey/{tile}.png" for tile in TileSet.union(one.layers["aerial"].tiles for _, one in some)}
    asked = {path: n for path, n in server.asked.items() if path.endswith(".png")}
    assert asked.keys() >= wanted
    assert {n for path, n in asked.items() if path in wanted} == {1}
    assert run_verify.run_each(paths, store, True, False, True, None, None, None, False) == 0
    found = json.loads(capsys.readouterr().out)["briefs"]
    assert [(one["title"], one["verdict"], one["exit_code"]) for one in found] == [
        ("Late", "READY", 0),
        ("Early", "READY", 0),
    ]
    assert show_status.run_each(paths, store, False, False) == 0
    assert "2 of 2 briefs: every planned tile is recorded as stored." in capsys.readouterr().out
    for brief, one in some:  # each knows for itself what its packs were fetched for
        before = recall_fetch(brief, store)
        assert before is not None
        assert before.fingerprint == one.fingerprint


def test_one_brief_whose_packs_are_damaged_does_not_keep_the_others_from_being_verified(
    tmp_path: Path, server: TileServer, capsys: pytest.CaptureFixture[str]
) -> None:
    paths = [brief_in(tmp_path / name, name, url=server.url) for name in ("broken", "sound")]
    for path in paths:
        assert run_fetch.run(path, None, True, FetchOptions(let_sleep=True)) == 0
    (tmp_path / "broken" / "packs" / "aerial.mbtiles").write_bytes(b"no database" * 100)
    capsys.readouterr()
    assert run_verify.run_each(paths, None, False, False, False, None, None, None, False) != 0
    out = capsys.readouterr().out
    assert "1 of 2 briefs: READY.\nThe others: broken." in out
