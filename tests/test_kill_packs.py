"""Killed at random moments again and again, handover, merge and prune leave nothing half done under a final name
and come to the same end as without a kill."""

from __future__ import annotations

import random
import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from packer.geometry.tileset import Tile, TileSet
from packer.handover import inspect_folder
from packer.handover.kinds import As
from packer.store.pack_summary import read_summary
from packer.store.sealed_file import SealedFile
from tests.budgets import tries
from tests.commands import killed_while, lastbar, time_of
from tests.handover_packs import packs, picture, written_brief
from tests.test_store import raw, received, written

KILLS = tries(8, 25)


def _kills(chance: random.Random, most: int, longest_s: float, *arguments: str) -> Iterator[int]:
    """Kill the command until it was still running `most` times; gives the kills so far after each try."""
    kills = 0
    for _ in range(3 * most):
        killed, ran_s = killed_while(chance, longest_s, *arguments)
        kills += killed
        if not killed:  # whatever the machine had to do when its time was taken
            longest_s = min(longest_s, ran_s)
        yield kills
        if kills == most:
            return
    raise AssertionError(f"the command ended before all but {kills} of {3 * most} kills")


def _tree(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.mark.parametrize(
    ("kind", "more", "most"),
    [
        ("mbtiles", ["--max-file", "200kB"], tries(6, 25)),
        ("gpkg", [], tries(4, 12)),
        ("folder", [], tries(4, 12)),
    ],
)
def test_handover_killed_again_and_again_never_shows_half_a_file_and_ends_byte_for_byte_the_same(
    tmp_path: Path, kind: As, more: list[str], most: int
) -> None:
    chance = random.Random(f"handover {kind}")
    brief, worked_out = written_brief(tmp_path, deepest=13)
    packs(brief, worked_out, draw=lambda tile: picture(tile, noise=3_000))
    whole, card = tmp_path / "whole", tmp_path / "card"
    longest_s = time_of("handover", str(brief.path), "--as", kind, *more, "--to", str(whole))
    expected = _tree(whole)
    assert len([name for name in expected if name.endswith(kind)]) > 2 or kind != "mbtiles", "several parts"
    to_card = ["handover", str(brief.path), "--as", kind, *more, "--to", str(card)]
    for kills in _kills(chance, most, longest_s * 1.1, *to_card):
        if card.exists():
            _check_final_names(card, expected)
        if kills == most - 3:
            shutil.rmtree(card, ignore_errors=True)  # from nothing as well as over what is there
    assert lastbar(*to_card).returncode == 0
    assert _tree(card) == expected, "byte for byte, with nothing left over"
    report = inspect_folder(card)
    assert (report.intact, report.extra) == (True, ())


def _check_final_names(card: Path, expected: dict[str, bytes]) -> None:
    """What has a final name is complete: the bytes of the undisturbed handover, a whole database, a whole folder."""
    found = _tree(card)
    visible = {name: data for name, data in found.items() if not name.startswith(".")}
    assert visible.items() <= expected.items()
    for top in {name.split("/")[0] for name in visible}:
        wanted = {name for name in expected if name.split("/")[0] == top}
        assert wanted <= visible.keys(), f"{top} lacks files"
        if top.endswith((".mbtiles", ".gpkg")):
            with SealedFile(card / top) as sealed:
                assert sealed.structure_fault(thorough=True) is None
    if "manifest.json" in visible:
        assert visible == expected
        assert inspect_folder(card).intact


def _bodies(pack: Path) -> dict[tuple[int, int, int], bytes]:
    with sqlite3.connect(pack) as db:
        rows = db.execute("SELECT zoom_level, tile_column, tile_row, tile_data FROM tiles").fetchall()
    db.close()
    return {(z, x, row): data for z, x, row, data in rows}


def _block(columns: int, rows: int) -> list[Tile]:
    return [Tile(10, x, y) for x in range(columns) for y in range(rows)]


def test_merge_killed_again_and_again_keeps_each_batch_whole_and_ends_with_every_tile(tmp_path: Path) -> None:
    chance = random.Random(31)
    every = _block(40, 60)
    source, store = tmp_path / "source" / "survey.mbtiles", tmp_path / "store"
    source.parent.mkdir()
    written(source, [received(t) for t in every])
    before, true = source.read_bytes(), _bodies(source)
    longest_s = time_of("merge", str(tmp_path / "whole"), str(source))
    into = store / "survey.mbtiles"
    for kills in _kills(chance, KILLS, longest_s, "merge", str(store), str(source)):
        if into.exists():
            read_summary(into)  # takes back what was left half done, as the next command does
            assert raw(into, "PRAGMA integrity_check") == [("ok",)]
            assert _bodies(into).items() <= true.items()
        if kills % 5 == 4:
            shutil.rmtree(store, ignore_errors=True)
    assert lastbar("merge", str(store), str(source)).returncode == 0
    assert _bodies(into) == _bodies(tmp_path / "whole" / "survey.mbtiles") == true
    assert source.read_bytes() == before
    assert [p.name for p in source.parent.iterdir() if p.name != ".survey.lock"] == ["survey.mbtiles"]
    assert [p.name for p in store.iterdir() if p.name != ".survey.lock"] == ["survey.mbtiles"]


_BRIEF = """
title = "Test ground"
overview = false
store = "{store}"
[layers.survey]
url = "https://tiles.invented.example/{{z}}/{{x}}/{{y}}.png"
attribution = "Test Survey (invented)"
permission = "Own server"
zooms = [10, 10]
[[areas]]
name = "ground"
box = [-179.9, 83.0, -160.0, 84.9]
deepest = 10
"""


def test_prune_killed_again_and_again_takes_out_all_or_nothing_and_ends_the_same(tmp_path: Path) -> None:
    chance = random.Random(32)
    every = TileSet.from_tiles(_block(80, 60))
    original = tmp_path / "original.mbtiles"
    written(original, [received(t) for t in every])
    briefs = {}
    for name in ("store", "whole"):
        briefs[name] = tmp_path / f"{name}.toml"
        briefs[name].write_text(_BRIEF.format(store=name), encoding="utf-8")
        (tmp_path / name).mkdir()
        shutil.copy(original, tmp_path / name / "survey.mbtiles")
    longest_s = time_of("prune", str(briefs["whole"]), "--yes")
    kept = read_summary(tmp_path / "whole" / "survey.mbtiles").held
    assert kept
    assert kept != every
    pack = tmp_path / "store" / "survey.mbtiles"
    for _ in _kills(chance, KILLS, longest_s, "prune", str(briefs["store"]), "--yes"):
        held = read_summary(pack).held
        assert held in (kept, every), "all that is not needed is out, or nothing"
        assert raw(pack, "PRAGMA integrity_check") == [("ok",)]
        if held == kept:
            shutil.copy(original, pack)
    assert lastbar("prune", str(briefs["store"]), "--yes").returncode == 0
    assert _bodies(pack) == _bodies(tmp_path / "whole" / "survey.mbtiles")
    assert [p.name for p in pack.parent.iterdir() if p.name != ".survey.lock"] == ["survey.mbtiles"]
