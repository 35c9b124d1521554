"""A whole trip with a pack of several files: killed on the way, told, proven, and handed over as one file would be."""

from __future__ import annotations

import json
import random
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from packer.geometry.tileset import TileSet
from packer.planning.brief import Brief
from packer.planning.plan import Plan, plan
from packer.proof.proving import verify
from packer.proof.results import Depth, Verdict
from packer.store.pack_files import pack_files
from packer.store.pack_summary import read_summary
from tests.commands import fetch_in_batches, lastbar, start
from tests.test_pack_files import held_in
from tests.tile_server import TileServer

_BRIEF = """
title = "Several files"
max-pack-file = "100 kB"
overview = false
[layers.survey]
url = "{url}/survey/{{z}}/{{x}}/{{y}}.png"
attribution = "Test Survey (invented)"
permission = "Own server"
zooms = [0, 12]
connections = 8
requests-per-second = 100000
[[areas]]
name = "block"
box = [12.10, 46.80, 12.70, 47.05]
deepest = 12
"""


@pytest.fixture(scope="module")
def server() -> Iterator[TileServer]:
    with TileServer() as running:
        yield running


@pytest.fixture(scope="module")
def trip(server: TileServer, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a brief and its pack, all of it fetched, though the fetch was killed on the way."""
    folder, chance = tmp_path_factory.mktemp("trip"), random.Random(7)
    path = folder / "brief.toml"
    path.write_text(_BRIEF.format(url=server.url), encoding="utf-8")
    for least in (45, 20):
        wanted = server.tiles_asked.total() + least + chance.randint(0, 10)
        server.hold_after(wanted + 8)
        process = start(fetch_in_batches, str(path), 8)
        process.ended_before(server.reached(wanted))
        process.kill()
    server.hold_after(None)
    asked = server.tiles_asked.total()
    kept = len(read_summary(folder / "packs" / "survey.mbtiles").held)
    assert kept > 0
    assert start(fetch_in_batches, str(path), 8).wait() == 0
    assert server.tiles_asked.total() - asked == len(plan(Brief.read(path)).layers["survey"].tiles) - kept
    return folder


@pytest.fixture
def fetched(trip: Path, tmp_path: Path) -> Brief:
    """The trip in a folder that the test may change."""
    shutil.copytree(trip, tmp_path / "trip")
    return Brief.read(tmp_path / "trip" / "brief.toml")


def _one_file(brief: Brief, folder: Path) -> Path:
    """A store with the same tiles in one file."""
    assert lastbar("merge", folder, brief.store_folder / "survey.mbtiles").returncode == 0
    assert len(pack_files(folder / "survey.mbtiles").paths) == 1
    return folder


def _document(*arguments: object) -> dict[str, object]:
    result = lastbar(*arguments, "--json")
    found: dict[str, object] = json.loads(result.stdout)
    return found


def _card(brief: Brief, store: Path, to: Path, kind: str) -> dict[str, bytes]:
    assert lastbar("handover", brief.path, "--store", store, "--to", to, "--as", kind).returncode == 0
    return {
        path.name: path.read_bytes() for path in to.rglob("*") if path.suffix in (".mbtiles", ".gpkg", ".png")
    }


def test_it_is_proven_and_handed_over_byte_for_byte_as_one_file(fetched: Brief, tmp_path: Path) -> None:
    brief = fetched
    worked_out, several = plan(brief), pack_files(brief.store_folder / "survey.mbtiles").paths
    assert len(several) > 2
    one = _one_file(brief, tmp_path / "one")
    for depth in Depth:
        reports = [verify(brief, worked_out, store, depth=depth, processes=1) for store in (None, one)]
        assert [report.verdict for report in reports] == [Verdict.READY] * 2
        assert reports[0].layers["survey"].counts == reports[1].layers["survey"].counts
    assert _document("status", brief.path)["complete"] is True
    for kind in ("mbtiles", "gpkg"):
        cards = [
            _card(brief, s, tmp_path / f"{kind}{n}", kind) for n, s in enumerate((brief.store_folder, one))
        ]
        assert cards[0], kind
        assert cards[0] == cards[1], kind


def test_merge_begins_further_files_at_the_size_that_it_is_given(fetched: Brief, tmp_path: Path) -> None:
    pack, into = fetched.store_folder / "survey.mbtiles", tmp_path / "into"
    refused = lastbar("merge", into, pack, "--max-file", "many")
    assert (refused.returncode, "--max-file" in refused.stderr) == (2, True)
    assert lastbar("merge", into, pack, "--max-file", "60 kB").returncode == 0
    merged = into / "survey.mbtiles"
    assert len(pack_files(merged).paths) > 1  # an empty file is larger than that
    assert read_summary(merged).held == read_summary(pack).held


def _lose(brief: Brief, worked_out: Plan) -> tuple[Path, TileSet]:
    path = pack_files(brief.store_folder / "survey.mbtiles").paths[1]
    gone = held_in(path) & worked_out.layers["survey"].tiles
    path.unlink()
    return path, gone


def test_a_lost_file_is_named_and_the_map_is_not_ready_until_its_tiles_are_back(
    fetched: Brief, tmp_path: Path
) -> None:
    brief = fetched
    worked_out = plan(brief)
    path, gone = _lose(brief, worked_out)
    for depth in Depth:
        report = verify(brief, worked_out, depth=depth, processes=1)
        assert report.verdict is Verdict.NOT_READY
        assert report.layers["survey"].missing == gone
        assert any(f"{path} is gone" in reason for reason in report.reasons)
    told = lastbar("status", brief.path)
    assert told.returncode == 1
    assert path.name in " ".join(told.stdout.split())
    refused = lastbar("handover", brief.path, "--to", tmp_path / "card")
    assert refused.returncode != 0
    assert f"{len(gone):,}" in refused.stderr


def test_a_corrupt_tile_of_a_further_file_is_found_and_replaced_by_the_next_fetch(
    fetched: Brief,
    server: TileServer,
) -> None:
    brief = fetched
    path = pack_files(brief.store_folder / "survey.mbtiles").paths[-1]
    body = bytearray(path.read_bytes())
    at = body.rindex(b"IDAT") + 6
    body[at] ^= 0xFF
    path.write_bytes(body)
    report = verify(brief, plan(brief), processes=1)
    assert report.verdict is Verdict.NOT_READY
    corrupt = report.layers["survey"].corrupt
    assert len(corrupt) >= 1
    asked = server.tiles_asked.total()
    assert start(fetch_in_batches, str(brief.path), 8).wait() == 0
    assert server.tiles_asked.total() - asked == len(corrupt)
    assert verify(Brief.read(brief.path), plan(brief), processes=1).ready
