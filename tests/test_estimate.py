"""What a plan will weigh and how long it takes: known where known, honest where not."""

from __future__ import annotations

import asyncio
import json
import random
import shutil
import sqlite3
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from packer.cli import show_plan
from packer.common.units import bits_per_second
from packer.errors import InputError
from packer.fetching.job import fetch
from packer.geometry.tileset import TileSet
from packer.planning.brief import Brief
from packer.planning.pack_path import pack_path
from packer.planning.plan import plan
from packer.store.figures import LastRun
from packer.survey.estimate import (
    OVERHEAD,
    Bytes,
    LayerSizes,
    combined,
    estimate,
    estimate_layer,
    last_speed,
    layer_sizes,
    seconds_for,
)
from packer.survey.imagery import BUDGET, choose
from packer.survey.inspection import chosen, fetch_samples, judge_layer
from packer.survey.pace import measure
from packer.survey.speed import AssumedSpeed
from tests.budgets import tries
from tests.conftest import BriefMaker
from tests.imagery_samples.jobs import Job, job
from tests.tile_server import TileServer, answer

SMALL = "box = [12.30, 47.00, 12.42, 47.08]\ndeepest = 14"


@pytest.mark.parametrize(
    ("text", "speed"),
    [
        ("3Mbit", 3e6),
        ("3 Mbit/s", 3e6),
        ("500kbit", 5e5),
        ("0.5 Mbit", 5e5),
        (" 1 Gbit ", 1e9),
    ],
)
def test_a_speed_with_its_unit_is_read_as_bits_a_second(text: str, speed: float) -> None:
    assert bits_per_second(text) == speed


@pytest.mark.parametrize(
    "text", ["", "3", "3 MB", "3 mbit", "-3Mbit", "0 Mbit", "1e3 kbit", "3Mbit/h", "٣Mbit"]
)
def test_anything_else_is_refused_as_a_speed(text: str) -> None:
    with pytest.raises(ValueError, match="a speed is a number over 0 with its unit"):
        bits_per_second(text)


def box(zoom: int, side: int) -> TileSet:
    rows = np.arange(100, 100 + side)
    return TileSet.from_runs(zoom, rows, np.full(side, 100), np.full(side, 99 + side))


def test_before_any_sample_it_says_that_it_guesses_and_how_little_it_knows() -> None:
    found = estimate_layer(box(12, 10) | box(13, 20), LayerSizes())
    assert found.bytes.basis == "guess"
    assert found.bytes.low * 3 <= found.bytes.expected * 1.001
    assert found.bytes.high >= found.bytes.expected * 2.999
    assert found.bytes.expected == pytest.approx(sum(z.bytes.expected for z in found.zooms.values()))
    assert found.missing == 500


def test_what_is_stored_is_known_and_only_the_rest_is_judged() -> None:
    tiles = box(12, 10) | box(13, 20)
    chance = random.Random(4)
    samples = {t: chance.randint(8_000, 24_000) for t in chance.sample(sorted(tiles), 60)}
    none_held = estimate_layer(tiles, LayerSizes(samples=samples, basis="survey"))
    half = LayerSizes(box(12, 10), TileSet(), {12: 5_000.0}, samples, "survey")
    found = estimate_layer(tiles, half)
    assert found.zooms[12].bytes == Bytes(500_000, 500_000, 500_000, "stored")
    assert found.zooms[13].bytes.low < found.zooms[13].bytes.expected < found.zooms[13].bytes.high
    assert found.bytes.expected == pytest.approx(500_000 + found.to_fetch.expected)
    assert found.to_fetch.expected < none_held.to_fetch.expected
    assert found.bytes.basis == "survey"
    whole = estimate_layer(tiles, LayerSizes(tiles, TileSet(), {12: 5e3, 13: 6e3}, samples, "survey"))
    assert whole.bytes == Bytes(2_900_000, 2_900_000, 2_900_000, "stored")
    assert whole.to_fetch.expected == whole.missing == 0


def test_absent_tiles_weigh_nothing_and_are_not_asked_for() -> None:
    tiles = box(12, 10)
    found = estimate_layer(tiles, LayerSizes(TileSet(), tiles, {}, dict.fromkeys(tiles, 0), "survey"))
    assert found.bytes.expected == found.missing == 0
    assert found.count("absent") == 100


def test_the_truth_lies_inside_the_interval_of_a_survey_in_most_jobs() -> None:
    inside = [_inside(job(seed), seed) for seed in range(7000, 7000 + tries(12, 25))]
    assert 0.75 <= np.mean(inside) <= 1.0


def _inside(one: Job, seed: int) -> bool:
    picks = choose(one.areas, BUDGET, random.Random(seed))
    tiles = TileSet.union(one.areas.values())
    held = TileSet.from_tiles(picks)
    sizes: dict[int, list[int]] = {}
    for tile in picks:
        sizes.setdefault(tile.zoom, []).append(one.sizes[tile])
    means = {zoom: float(np.mean(each)) for zoom, each in sizes.items()}
    known = LayerSizes(held, TileSet(), means, {t: one.sizes[t] for t in picks}, "survey")
    found = estimate_layer(tiles, known)
    assert found.bytes.high < 3 * found.bytes.low
    return found.bytes.low <= one.total_bytes <= found.bytes.high


def test_layers_together_are_as_uncertain_as_all_of_them_at_once() -> None:
    layers = {
        "a": estimate_layer(box(12, 3), LayerSizes()),
        "b": estimate_layer(box(12, 3), LayerSizes(box(12, 3), means={12: 10.0})),
    }
    found = combined(layers)
    assert found.bytes.basis == "guess"
    for n in range(3):
        assert found.bytes[n] == sum(float(la.bytes[n]) for la in layers.values())
    assert found.missing == 9
    assert combined({}).bytes == Bytes(0, 0, 0, "stored")


def test_time_is_the_links_or_the_servers_own_pace_whichever_is_longer(brief_for: BriefMaker) -> None:
    brief = brief_for("http://127.0.0.1:9/{z}/{x}/{y}.png", rate=10)
    layers = {"survey": estimate_layer(box(12, 10), LayerSizes())}
    assert seconds_for(brief, layers, 3_000_000, AssumedSpeed(1e6, "given")) == pytest.approx(24)
    assert seconds_for(brief, layers, 3_000_000, AssumedSpeed(1e9, "given")) == pytest.approx(10)


def two_layers(folder: Path, **rates: int) -> Brief:
    """A brief of layers from servers of their own, with their caps on requests a second."""
    layer = """
[layers.{0}]
url = "http://{0}.example.org/{{z}}/{{x}}/{{y}}.png"
attribution = "Test Survey (invented)"
permission = "Own server"
zooms = [0, 19]
requests-per-second = {1}
"""
    layers = "".join(layer.format(name, rate) for name, rate in rates.items())
    area = f'[[areas]]\nname = "ground"\n{SMALL}'
    return Brief.from_text(f'title = "Two servers"\n{layers}{area}', folder / "brief.toml")


def test_time_is_that_of_the_slowest_server_where_layers_come_from_several(tmp_path: Path) -> None:
    brief = two_layers(tmp_path, quick=100, slow=2)
    layers = {name: estimate_layer(box(12, 10), LayerSizes()) for name in ("quick", "slow")}
    assert seconds_for(brief, layers, 1_000, AssumedSpeed(1e9, "given")) == pytest.approx(100 / 2)


def weighty(path: str) -> bytes | None:
    """Answers whose size goes by the tile: any PNG may have a long text chunk."""
    from tests.tile_server import _chunk, png

    if not path.endswith(".png"):
        return answer("404 Not Found")
    body = png(path)
    return answer(
        "200 OK", body[:-12] + _chunk(b"tEXt", b"note\0" + b"x" * (len(path) * 97 % 900)) + body[-12:]
    )


def test_estimate_follows_the_store_from_guess_to_survey_to_known(brief_for: BriefMaker) -> None:
    with TileServer(weighty) as server:
        brief = brief_for(server.url, area=SMALL)
        worked_out = plan(brief)
        assert estimate(brief, worked_out).bytes.basis == "guess"

        tiles = chosen(worked_out, 60, "seed")
        assert asyncio.run(fetch_samples(brief, worked_out, tiles)) is not None
        stored = estimate(brief, worked_out)
        assert stored.bytes.basis == "sample", "some tiles are there, but no survey vouches for their spread"
        judge_layer(brief, worked_out.layers["survey"], tiles["survey"])
        surveyed = estimate(brief, worked_out)
        assert surveyed.bytes.basis == "survey"
        assert surveyed.bytes.high - surveyed.bytes.low <= stored.bytes.high - stored.bytes.low
        assert surveyed.missing == worked_out.count - len(tiles["survey"])

        fetch(brief, worked_out)
    known = estimate(brief, worked_out)
    db = sqlite3.connect(brief.store_folder / "survey.mbtiles")
    truth = db.execute("SELECT sum(length(tile_data)) FROM tiles").fetchone()[0]
    db.close()
    assert known.bytes.basis == "stored"
    assert known.bytes[:3] == pytest.approx((truth, truth, truth))
    assert surveyed.bytes.low <= truth <= surveyed.bytes.high


def test_tiles_that_a_survey_found_absent_count_as_nothing_in_its_sample(brief_for: BriefMaker) -> None:
    def every_other(path: str) -> bytes | None:
        return weighty(path) if path.endswith(".png") and sum(path.encode()) % 2 else answer("404 Not Found")

    with TileServer(every_other) as server:
        brief = brief_for(server.url, area=SMALL)
        worked_out = plan(brief)
        tiles = chosen(worked_out, 60, "seed")
        asyncio.run(fetch_samples(brief, worked_out, tiles))
        judge_layer(brief, worked_out.layers["survey"], tiles["survey"])
    known = layer_sizes(brief.layers["survey"], worked_out.layers["survey"], pack_path(brief, "survey"))
    assert known.basis == "survey"
    assert set(known.samples) == set(tiles["survey"])
    lacking = [tile for tile, size in known.samples.items() if size == 0]
    assert TileSet.from_tiles(lacking) == known.absent
    assert 10 < len(lacking) < 50


def test_speed_is_measured_with_tiles_that_the_plan_needs(brief_for: BriefMaker) -> None:
    with TileServer() as server:
        brief = brief_for(server.url, area=SMALL)
        worked_out = plan(brief)
        ticks = iter(range(10_000))
        speed = asyncio.run(measure(brief, worked_out, now=lambda: next(ticks) / 10))
        asked = server.tiles_asked
        assert speed is not None
        assert speed.basis == "measured"
        assert 0 < speed.bits_per_second < 40 * 8 * 200 / 0.1
        assert 0 < len(asked) <= 40
        assert max(asked.values()) == 1
        fetch(brief, worked_out)
        assert max(server.tiles_asked.values()) == 1, "what was measured with is in the pack"
        assert asyncio.run(measure(brief, worked_out)) is None, "nothing is left to measure with"


def test_last_speed_is_that_of_the_last_run_that_was_long_enough(brief_for: BriefMaker) -> None:
    with TileServer() as server:
        brief = brief_for(server.url, area="box = [12.30, 47.00, 12.31, 47.01]\ndeepest = 10")
        fetch(brief, plan(brief))
    assert last_speed(brief) is None, "a dozen tiles in no time tell nothing"
    db = sqlite3.connect(brief.store_folder / "survey.mbtiles")
    row = "INSERT INTO run (started, ended, version, sqlite, plan, rule, stored, bytes) VALUES "
    db.execute(row + "(1000, 1100, '', '', '', '', 900, 1000000), (2000, 2010, '', '', '', '', 90, 5000000)")
    db.execute(row + "(3000, 3002, '', '', '', '', 900, 9000000), (4000, NULL, '', '', '', '', 900, 9000000)")
    db.commit()
    db.close()
    assert last_speed(brief) == AssumedSpeed(4_000_000, "last run")


def test_layers_fetched_at_once_have_the_speed_of_both_over_the_longer_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    runs = {"quick": LastRun(1_000, 10, 1_000_000), "slow": LastRun(1_003, 40, 3_000_000)}
    monkeypatch.setattr("packer.survey.estimate.read_last_run", lambda pack: runs[pack.stem])
    brief = two_layers(tmp_path, quick=100, slow=100)
    for name in runs:
        pack_path(brief, name).parent.mkdir(exist_ok=True)
        pack_path(brief, name).touch()
    assert last_speed(brief) == AssumedSpeed(8 * 4_000_000 / 40, "last run")
    runs["quick"] = LastRun(100, 10, 1_000_000)
    assert last_speed(brief) == AssumedSpeed(8 * 3_000_000 / 40, "last run"), "the other is an earlier fetch"


def shown(capsys: pytest.CaptureFixture[str]) -> Any:
    return json.loads(capsys.readouterr().out)


def test_plan_as_json_gives_bytes_for_the_whole_each_layer_and_each_zoom(
    brief_for: BriefMaker, capsys: pytest.CaptureFixture[str]
) -> None:
    brief = brief_for("http://127.0.0.1:9/{z}/{x}/{y}.png", area=SMALL, rate=7)
    assert show_plan.run(brief.path, False, None, True, "1Mbit") == 0
    told, tiles = shown(capsys), plan(brief)
    layer = told["layers"]["survey"]
    assert told["tiles"] == layer["tiles"] == sum(layer["by_zoom"].values()) == tiles.count
    for document in (told, layer, *layer["zooms"].values()):
        size = document["bytes"]
        assert set(size) == {"expected", "low", "high", "basis"}
        assert 0 < size["low"] < size["expected"] < size["high"]
        assert size["basis"] == "guess"
    assert {z: one["tiles"] for z, one in layer["zooms"].items()} == layer["by_zoom"]
    assert told["disk"]["needed"] == pytest.approx(told["bytes"]["expected"] * OVERHEAD, abs=1)
    assert told["disk"]["free"] == pytest.approx(shutil.disk_usage(brief.folder).free, rel=0.2)
    assert told["time"]["basis"] == "given"
    assert told["time"]["expected"] == pytest.approx(
        max(told["bytes"]["expected"] * 8e-6, tiles.count / 7), abs=0.1
    )
    # OGC 17-083r4, WebMercatorQuad: a cell of zoom 14 is 9.554628535647032 m at the equator.
    wanted = 9.554628535647032 * np.cos(np.radians(tiles.middle[1]))
    assert layer["zooms"]["14"]["metres_per_pixel"] == pytest.approx(wanted, abs=1e-3)
    assert not brief.store_folder.exists(), "planning writes nothing"


def test_plan_as_text_reads_in_80_columns_and_says_what_it_rests_on(
    brief_for: BriefMaker, capsys: pytest.CaptureFixture[str]
) -> None:
    area = SMALL + '\n[[areas]]\nname = "a name that goes on for ever and a day"\npoint = [12.3, 47.0]\n'
    brief = brief_for("http://127.0.0.1:9/{z}/{x}/{y}.png", area=area + 'radius = "90 km"\ndeepest = 16')
    assert show_plan.run(brief.path, False, None, False, "3Mbit", False, "2h") == 0
    out = capsys.readouterr().out.replace(str(brief.folder), "")
    text = " ".join(out.split())
    assert "Sizes: rough guess" in text
    assert "3 Mbit/s (given)" in text
    assert "free in" in text
    assert max(map(len, out.splitlines())) <= 80


def test_a_pack_that_cannot_be_read_leaves_the_plan_as_a_guess(
    brief_for: BriefMaker, capsys: pytest.CaptureFixture[str]
) -> None:
    brief = brief_for("http://127.0.0.1:9/{z}/{x}/{y}.png", area=SMALL)
    brief.store_folder.mkdir()
    (brief.store_folder / "survey.mbtiles").write_bytes(b"holiday pictures" * 500)
    assert show_plan.run(brief.path, False, None, True) == 0
    captured = capsys.readouterr()
    assert json.loads(captured.out)["bytes"]["basis"] == "guess"
    assert "survey.mbtiles" in captured.err


@pytest.mark.parametrize(
    ("speed", "fit", "words"),
    [("fast", None, "--speed fast"), (None, "soon", "--fit soon"), (None, "2h", "--measure")],
)
def test_options_that_cannot_be_used_are_told(
    brief_for: BriefMaker, speed: str | None, fit: str | None, words: str
) -> None:
    path = brief_for("http://127.0.0.1:9/{z}/{x}/{y}.png", area=SMALL).path
    with pytest.raises(InputError, match=words):
        show_plan.run(path, False, None, False, speed, False, fit)


def test_a_brief_without_a_store_folder_is_planned_from_anywhere(
    tmp_path: Path, brief_for: BriefMaker
) -> None:
    brief = brief_for("http://127.0.0.1:9/{z}/{x}/{y}.png", area=SMALL)
    found = estimate(Brief.read(brief.path), plan(brief), tmp_path / "not" / "there")
    assert found.bytes.basis == "guess"
