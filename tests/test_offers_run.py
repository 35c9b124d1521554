"""The whole job with layers that their server describes: plan, fetch, verify and what follows, on loopback."""

from __future__ import annotations

import io
import json
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from packer.cli import run_fetch, run_handover, run_split, run_survey, run_verify, show_plan, show_status
from packer.cli.briefs import brief_at
from packer.cli.fetch_options import FetchOptions
from packer.errors import BriefError, LastbarError
from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.practice.layers import Survey
from packer.practice.server import PracticeServer

BRIEF = """
title = "Test"
overview = false

[layers.aerial]
{layer}
permission = "Practice server on this machine"

[[areas]]
name = "camp"
box = [12.495, 47.100, 12.506, 47.105]
deepest = {deepest}
"""
CREDIT = 'attribution = "Ketterling Practice Survey (invented)"\n'


@pytest.fixture(scope="module")
def server() -> Iterator[PracticeServer]:
    with PracticeServer() as running:
        yield running


def brief_for(folder: Path, layer: str, deepest: int = 15) -> Path:
    path = folder / "brief.toml"
    path.write_text(BRIEF.format(layer=layer, deepest=deepest), encoding="utf-8")
    return path


def told(capsys: pytest.CaptureFixture[str]) -> Any:
    return json.loads(capsys.readouterr().out)


def fetch(path: Path) -> int:
    return run_fetch.run(path, None, True, FetchOptions())


def bodies(path: Path) -> dict[tuple[int, int, int], bytes]:
    db = sqlite3.connect(path.parent / "packs" / "aerial.mbtiles")
    try:
        return {
            (z, x, (1 << z) - 1 - row): data
            for z, x, row, data in db.execute(
                "SELECT zoom_level, tile_column, tile_row, tile_data FROM tiles"
            )
        }
    finally:
        db.close()


SOURCES = {
    "tilejson": 'tilejson = "{url}/tilejson/aerial.json"',
    "wmts rest": CREDIT + 'wmts = "{url}/wmts"\nwmts-layer = "aerial"',
    "wmts kvp": CREDIT + 'wmts = "{url}/wmts?kvp=1"\nwmts-layer = "aerial"',
}


@pytest.mark.parametrize("source", SOURCES)
def test_plan_fetch_and_verify_by_what_the_server_offers(
    source: str, tmp_path: Path, server: PracticeServer, capsys: pytest.CaptureFixture[str]
) -> None:
    path = brief_for(tmp_path, SOURCES[source].format(url=server.base_url))
    with pytest.raises(BriefError, match="lastbar plan"):
        show_status.run(path, None, True)
    assert show_plan.run(path, False, None, True) == 0
    first = capsys.readouterr()
    assert 'Asking the server of layer "aerial" what it offers.' in first.err
    assert show_plan.run(path, False, None, True) == 0
    second = capsys.readouterr()
    assert second.err == "", "the kept offer is used"
    assert json.loads(second.out)["fingerprint"] == json.loads(first.out)["fingerprint"]
    assert fetch(path) == 0
    assert told(capsys)["complete"]
    assert run_verify.run(path, None, True, full=True) == 0
    assert told(capsys)["ready"]
    # Read back apart from our own books: every planned tile is the very one that the survey paints there.
    survey, planned = Survey(), plan(brief_at(path)).layers["aerial"].tiles
    found = bodies(path)
    assert set(found) == {tuple(tile) for tile in planned}
    assert len(found) > 20
    for (zoom, x, y), body in found.items():
        painted = survey.tile("aerial", zoom, x, y)
        assert painted is not None
        assert painted.body == body


SHARP = CREDIT + 'wmts = "{url}/wmts"\nwmts-layer = "aerial"\ntile-size = 512'


@pytest.fixture(scope="module")
def sharp(server: PracticeServer, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A brief of 512-pixel tiles, fetched."""
    path = brief_for(tmp_path_factory.mktemp("sharp"), SHARP.format(url=server.base_url), 14)
    assert fetch(path) == 0
    return path


def test_tiles_of_512_pixels_show_what_four_of_the_next_zoom_show(
    sharp: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_verify.run(sharp, None, True, full=True) == 0
    survey, found = Survey(), bodies(sharp)
    zoom, x, y = max(found)
    assert zoom == 14
    for body in found.values():
        with Image.open(io.BytesIO(body)) as picture:
            assert picture.size == (512, 512)
    with Image.open(io.BytesIO(found[zoom, x, y])) as picture:
        corner = picture.convert("RGB").crop((256, 0, 512, 256))
    quarter = survey.tile("aerial", zoom + 1, 2 * x + 1, 2 * y)
    assert quarter is not None
    with Image.open(io.BytesIO(quarter.body)) as picture:
        pairs = zip(corner.tobytes(), picture.convert("RGB").tobytes(), strict=True)
        assert sum(abs(a - b) for a, b in pairs) / (256 * 256 * 3) < 4  # a second pass through JPEG


def test_plan_of_512_pixels_tells_half_the_ground_a_pixel(
    sharp: Path, server: PracticeServer, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plain = brief_for(tmp_path, SHARP.format(url=server.base_url).replace("\ntile-size = 512", ""), 14)
    found = []
    for path in (sharp, plain):
        show_plan.run(path, False, None, True)
        found.append(told(capsys)["layers"]["aerial"]["zooms"]["14"]["metres_per_pixel"])
    assert found[1] == pytest.approx(2 * found[0], abs=0.002)


def test_geopackage_of_512_pixels_states_their_side(sharp: Path, tmp_path: Path) -> None:
    """OGC 12-128r19, requirements 45 and 52: width times pixels times their size is the extent."""
    code = run_handover.run(sharp, None, tmp_path / "card", "gpkg", None, None, False, True)
    assert code == 0
    (package,) = (tmp_path / "card").rglob("*.gpkg")
    db = sqlite3.connect(package)
    try:
        rows = db.execute(
            "SELECT zoom_level, matrix_width, tile_width, tile_height, pixel_x_size FROM gpkg_tile_matrix"
        ).fetchall()
    finally:
        db.close()
    assert rows
    for zoom, width, wide, high, pixel in rows:
        assert (width, wide, high) == (1 << zoom, 512, 512)
        assert width * wide * pixel == 2 * 20037508.342789244
    (card,) = (tmp_path / "card").rglob("*.txt")
    assert "512-pixel tiles" in card.read_text("utf-8")


def test_a_tile_of_another_size_than_stated_is_not_stored(
    tmp_path: Path, server: PracticeServer, capsys: pytest.CaptureFixture[str]
) -> None:
    layer = f'url = "{server.template("aerial")}"\n{CREDIT}zooms = [10, 10]\ntile-size = 512'
    assert fetch(brief_for(tmp_path, layer, 10)) == 1
    assert told(capsys)["layers"]["aerial"]["stored"] == 0


def test_survey_writes_its_depths_into_a_brief_with_an_offer(
    tmp_path: Path, server: PracticeServer, capsys: pytest.CaptureFixture[str]
) -> None:
    path = brief_for(tmp_path, SOURCES["tilejson"].format(url=server.base_url), 17)
    before = path.read_text().replace("[12.495, 47.100, 12.506, 47.105]", "[12.461, 47.137, 12.471, 47.146]")
    path.write_text(before)
    assert run_survey.run(path, None, 40, True, None, True) == 0
    found = told(capsys)
    assert found["applied"]
    worth = found["layers"]["aerial"]["areas"]["camp"]["worth_to"]
    assert worth == 15  # packer.practice.regions.WEST_IMAGERY
    assert path.read_text() == before.replace("deepest = 17", "deepest = 15")


def test_shares_carry_the_source_and_plan_without_the_network(tmp_path: Path) -> None:
    with PracticeServer() as server:
        path = brief_for(tmp_path, SOURCES["tilejson"].format(url=server.base_url), 16)
        assert show_plan.run(path, False, None, True) == 0
        whole = plan(brief_at(path))
    assert run_split.run(path, 2, None, True) == 0
    parts = sorted(tmp_path.glob("parts/part-*/brief.toml"))
    assert len(parts) == 2
    for part in parts:
        assert Brief.read(part).layers["aerial"].tilejson == Brief.read(path).layers["aerial"].tilejson
    assert sum(plan(brief_at(part)).count for part in parts) == whole.count


def test_fetch_goes_on_by_the_kept_offer_while_the_server_does_not_tell(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with PracticeServer() as server:
        path = brief_for(tmp_path, SOURCES["tilejson"].format(url=server.base_url), 12)
        assert fetch(path) == 0
    capsys.readouterr()
    assert fetch(path) == 0, "nothing is missing, and so nothing is asked"
    err = capsys.readouterr().err
    assert "What it offered before is used." in " ".join(err.split())
    assert run_verify.run(path, None, True) == 0


def test_a_first_plan_without_the_server_is_an_error_in_a_sentence(tmp_path: Path) -> None:
    path = brief_for(tmp_path, SOURCES["tilejson"].format(url="http://127.0.0.1:9"))
    with pytest.raises(LastbarError, match="could not be read: connection refused"):
        show_plan.run(path, False, None, True)
    assert not list(tmp_path.glob("packs/.*"))


def test_a_key_asked_for_with_tiles_reaches_nothing_that_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("PRACTICE_KEY", "bilberry-4711")
    with PracticeServer(key="bilberry-4711") as server:
        layer = SOURCES["tilejson"].format(url=server.base_url)
        path = brief_for(tmp_path, layer + '\nheaders = { "X-Key" = "${PRACTICE_KEY}" }', 12)
        assert fetch(path) == 0
    told_at_all = capfd.readouterr()
    for text in (told_at_all.out, told_at_all.err):
        assert "bilberry" not in text
    for file in (tmp_path / "packs").rglob("*"):
        assert not file.is_file() or b"bilberry" not in file.read_bytes()
