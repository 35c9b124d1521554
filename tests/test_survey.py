"""The survey: what a sample says about depth, and what that does to a brief."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from packer.cli import run_survey
from packer.errors import BriefError, InputError
from packer.geometry.cover import cover_corridor
from packer.geometry.tileset import Tile, TileSet
from packer.planning.brief import Brief
from packer.planning.brief_edits import (
    Deepest,
    DeepestByLayer,
    Edit,
    HalfWidth,
    Layers,
    OverviewTo,
    edited,
    limits,
    rewrite,
    rewritten,
)
from packer.planning.plan import AreaPlan, LayerPlan, Plan, plan
from packer.practice.place import waypoint
from packer.practice.server import PracticeServer
from packer.survey.evidence import Judged, Sort, tallies, worth_to
from packer.survey.inspection import chosen
from packer.survey.record import read_record
from tests.conftest import BriefMaker
from tests.tile_server import TileServer, answer, png

_SPRING = waypoint("Ostrel Spring")
PRACTICE = """\
title = "Two places"   # one in the west, one in the east

[layers.aerial]
url = "{url}"
attribution = "Ketterling Practice Survey (invented)"
permission = "Practice server on this machine"
zooms = [12, 19]
requests-per-second = 500

# water is here
[[areas]]
name = "spring"
point = [{lon}, {lat}]
radius = "120 m"
use = "on foot"        # they walk

# everyone meets here
[[areas]]
name = "camp"
deepest = 19           # as deep as there is
point = [12.5012, 47.1023]
radius = "70 m"

[overview]
margin = "100 m"
deepest = 12
"""


def told(capsys: pytest.CaptureFixture[str]) -> Any:
    return json.loads(capsys.readouterr().out)


def test_survey_finds_where_the_practice_imagery_ends_and_applies_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "brief.toml"
    with PracticeServer() as server:
        path.write_text(PRACTICE.format(url=server.template("aerial"), lon=_SPRING[0], lat=_SPRING[1]))
        before = plan(Brief.read(path))
        assert run_survey.run(path, None, 75, False, None, True) == 0
        first = told(capsys)
        assert path.read_text().count("use") == 1, "nothing is applied unasked"
        assert run_survey.run(path, None, 75, True, tmp_path / "sheets", True) == 0
        again = told(capsys)

    areas = first["layers"]["aerial"]["areas"]
    assert areas["spring"]["worth_to"] == 15  # packer.practice.regions.WEST_IMAGERY
    assert areas["camp"]["worth_to"] == 18  # packer.practice.regions.DEEPEST_IMAGERY
    for area in areas.values():
        for tally in area["zooms"].values():
            kinds = ("absent", "blank", "enlarged", "native", "undecided")
            assert tally["sampled"] == sum(tally[kind] for kind in kinds) > 0
    assert 20 < first["requests"] <= 75
    assert again["requests"] == 0, "a stored sample is not fetched again"
    assert _stored(tmp_path / "packs" / "aerial.mbtiles") == first["requests"]
    sheet = Path(again["layers"]["aerial"]["sheet"])
    with Image.open(sheet) as picture:
        assert (sheet.parent, picture.format) == (tmp_path / "sheets", "PNG")

    text, brief = path.read_text(), Brief.read(path)
    assert [area.deepest for area in brief.areas] == [15, 18]
    for comment in ("# one in the west", "# water is here", "# they walk", "# everyone meets", "# as deep"):
        assert comment in text
    lines = [line for line in text.splitlines() if "deepest" not in line]
    assert lines == [
        line
        for line in PRACTICE.format(
            url=brief.layers["aerial"].url, lon=_SPRING[0], lat=_SPRING[1]
        ).splitlines()
        if "deepest" not in line and "use" not in line
    ]
    spared = {"spring": range(16, 19), "camp": range(19, 20)}
    left = TileSet.union(a.tiles - a.tiles.at(*spared.get(a.name, ())) for a in before.layers["aerial"].areas)
    after = plan(brief)
    assert after.layers["aerial"].tiles == left
    assert again["tiles_after"] == after.count == len(left) < before.count
    assert not list(tmp_path.rglob("*.part"))
    record = read_record(tmp_path / "packs" / "aerial.mbtiles", brief.layers["aerial"])
    assert record.worth_to["spring"] == 15
    assert len(record.sample) == first["requests"]


def _stored(pack: Path) -> int:
    db = sqlite3.connect(pack)
    try:
        return int(db.execute("SELECT count(*) FROM placement").fetchone()[0])
    finally:
        db.close()


def test_absent_and_repeated_tiles_are_counted_and_bring_no_verdict_from_nothing(
    brief_for: BriefMaker, capsys: pytest.CaptureFixture[str]
) -> None:
    def fault(path: str) -> bytes | None:
        zoom, _, rest = path.removeprefix("/survey/").partition("/")
        if zoom == "14" and int(rest.partition("/")[0]) % 2:
            return answer("404 Not Found")
        return answer("200 OK", png("sea", 64)) if zoom in ("13", "14") else None

    with TileServer(fault) as server:
        brief = brief_for(server.url, area="box = [12.30, 47.00, 12.45, 47.08]\ndeepest = 14")
        assert run_survey.run(brief.path, None, 60, True, None, True) == 0
    layer = told(capsys)["layers"]["survey"]
    area = layer["areas"]["ground"]
    last, above = area["zooms"]["14"], area["zooms"]["13"]
    assert last["absent"] > 0
    assert last["blank"] > 0
    assert last["absent"] + last["blank"] == last["sampled"]
    assert above["blank"] == above["sampled"] > 0
    assert "came for" in layer["notices"][0]
    assert area["worth_to"] == 12, "blank below, and something above"


def test_text_of_a_survey_reads_in_80_columns(
    brief_for: BriefMaker, capsys: pytest.CaptureFixture[str]
) -> None:
    with TileServer() as server:
        brief = brief_for(server.url, area='point = [12.3, 47.0]\nradius = "900 m"\nuse = "trail"')
        assert run_survey.run(brief.path, None, 40, False, None, False) == 0
    out = capsys.readouterr().out.replace(str(brief.path.parent), "")
    assert "too few clear samples" in " ".join(out.split()), "16-pixel tiles tell nothing"
    assert "depths in the brief are right" in out
    assert max(map(len, out.splitlines())) <= 80


def test_no_samples_at_all_is_refused(brief_for: BriefMaker) -> None:
    with pytest.raises(InputError, match="--samples 0"):
        run_survey.run(brief_for("http://127.0.0.1:9/{z}/{x}/{y}.png").path, None, 0, False, None, True)


@pytest.mark.parametrize("layers", [1, 2, 3])
def test_a_route_of_1700_km_costs_under_600_requests(layers: int) -> None:
    line = np.array([(-118.0 + 0.2 * n, 37.0 + 2.0 * np.sin(n / 9)) for n in range(90)])
    tiles = cover_corridor([line], 500.0, 17).pyramid(0)
    brief_plan = _plan({f"layer {n}": tiles for n in range(layers)})
    picked = chosen(brief_plan, None, "seed")
    assert 150 <= sum(map(len, picked.values())) < 600
    assert all(some - tiles == TileSet() for some in picked.values())
    assert picked == chosen(brief_plan, None, "seed")


def _plan(layers: Mapping[str, TileSet]) -> Plan:
    from packer.geometry.grid import LonLatBox

    plans = {name: LayerPlan(name, t, (AreaPlan("road", t.zooms[-1], t),)) for name, t in layers.items()}
    return Plan(plans, {}, LonLatBox(0, 0, 1, 1), (0, 0), ())


def pyramids(kinds: Mapping[int, str], count: int = 10) -> dict[Tile, Judged]:
    """`count` pyramids side by side, each zoom's tiles of the sorts that its letters name in turn: n native,
    e enlarged, a absent, b blank, u undecided."""
    sorts = {sort.value[0]: sort for sort in Sort}
    top, found = min(kinds), {}
    for zoom, letters in kinds.items():
        for n in range(count):
            tile = Tile(zoom, (1000 + n) << (zoom - top), 1000 << (zoom - top))
            found[tile] = Judged(tile, sorts[letters[n % len(letters)]], None, 1000)
    return found


@pytest.mark.parametrize(
    ("kinds", "count", "worth", "words"),
    [
        ({14: "n", 15: "n", 16: "e", 17: "e", 18: "e"}, 10, 15, "30 of 30"),
        ({14: "n", 15: "n", 16: "n", 17: "n"}, 10, 17, "show real detail"),
        ({14: "n", 15: "n", 16: "a", 17: "a"}, 10, 15, "absent"),
        ({14: "n", 15: "b", 16: "b"}, 10, 14, "20 of 20"),
        ({14: "n", 15: "n", 16: "eeeen", 17: "eeeen"}, 10, 15, "16 of 20"),  # a clear majority
        (
            {14: "n", 15: "n", 16: "eeen", 17: "eeen"},
            12,
            17,
            "show real detail",
        ),  # a quarter would lose by it
        ({14: "n", 15: "n", 16: "e", 17: "n"}, 10, 17, "show real detail"),  # detail below an enlarged zoom
        ({14: "n", 15: "n", 16: "n", 17: "uuuuuuuuue"}, 10, 17, "too few"),
        ({14: "n", 15: "n", 16: "e", 17: "u"}, 10, 15, "20 of 20"),  # nothing below an enlarged one is native
        ({14: "n", 15: "n", 16: "e", 17: "e"}, 2, 17, "too few"),
        ({14: "u", 15: "u", 16: "u"}, 10, 16, "too few"),
        ({14: "b", 15: "b", 16: "b"}, 10, 16, "blank or absent"),  # nothing to see at any depth
        (
            {14: "nb", 15: "nb", 16: "nb", 17: "nb"},
            10,
            17,
            "show real detail",
        ),  # a coast: half of it open water
        (
            {14: "nbbbb", 15: "nbbbb", 16: "nbbbb"},
            10,
            16,
            "show real detail",
        ),  # and mostly water, from the start
        ({14: "n", 15: "a", 16: "n"}, 10, 16, "show real detail"),
    ],
)
def test_depth_is_cut_only_where_a_clear_majority_shows_nothing_new(
    kinds: dict[int, str], count: int, worth: int, words: str
) -> None:
    judged = pyramids(kinds, count)
    planned = {zoom: 4 ** (zoom - 10) for zoom in kinds}
    found = worth_to(judged, planned, max(kinds))
    assert found.zoom == worth
    assert words in found.evidence
    assert found.judged == (words not in ("too few", "blank or absent"))
    backwards = dict(reversed(judged.items()))
    assert worth_to(backwards, planned, max(kinds)) == found


def test_a_tiny_area_that_was_sampled_whole_needs_no_more_samples_than_it_has() -> None:
    judged = pyramids({15: "n", 16: "e"}, 2)
    assert worth_to(judged, {15: 2, 16: 2}, 16).zoom == 15
    assert worth_to(judged, {15: 2, 16: 8}, 16).zoom == 16


def test_tallies_count_every_sample_once() -> None:
    found = tallies(pyramids({14: "naebu", 15: "n"}).values())
    assert list(found) == [14, 15]
    assert found[14].to_dict() == {
        "sampled": 10,
        **dict.fromkeys(("absent", "blank", "enlarged", "native", "undecided"), 2),
        "dull": 0,
    }


TWO_LAYERS = """\
title = "Edits"  # of all kinds

[layers.aerial]
url = "https://tiles.example.org/a/{z}/{x}/{y}.jpg"
attribution = "Example"
permission = "Own server"
zooms = [0, 19]

[layers.map]
url = "https://tiles.example.org/m/{z}/{x}/{y}.png"
attribution = "Example"
permission = "Own server"
zooms = [0, 16]

# first
[[areas]]
name = "course"   # the line
line = "course.gpx"
half-width = "2 km"
use = "on foot"  # slow

# second
[[areas]]
name = "valley"
box = [12.30, 47.00, 12.70, 47.25]
deepest   = 17

# crews
[[crews]]
name = "red"
areas = ["course"]
"""


def brief_of(text: str, folder: Path) -> Brief:
    path = folder / "brief.toml"
    path.write_bytes(text.encode())
    return Brief.read(path)


def test_edits_change_only_their_own_lines(tmp_path: Path) -> None:
    brief = brief_of(TWO_LAYERS, tmp_path)
    edits: list[Edit] = [
        Deepest("course", 15),
        HalfWidth("course", 250.0),
        Deepest("valley", 14),
        OverviewTo(9),
    ]
    assert rewrite(brief, edits) == edited(brief, edits)
    text = brief.path.read_text()
    changed = TWO_LAYERS.replace('use = "on foot"  # slow', "deepest = 15  # slow")
    changed = changed.replace('"2 km"', '"250 m"').replace("deepest   = 17", "deepest   = 14")
    assert text == changed + "\n[overview]\ndeepest = 9\n"


def test_layers_of_different_depth_get_a_depth_each_in_one_area(tmp_path: Path) -> None:
    brief = brief_of(TWO_LAYERS, tmp_path)
    edits = limits(brief, {"aerial": {"course": 14, "valley": 17}, "map": {"course": 16, "valley": 13}})
    assert edits == [
        DeepestByLayer("course", (("aerial", 14), ("map", 16))),
        DeepestByLayer("valley", (("aerial", 17), ("map", 13))),
    ]
    after = rewrite(brief, edits)
    assert after == edited(brief, edits)
    assert [(a.name, a.layers, a.deepest_zoom) for a in after.areas] == [
        ("course", None, 16),
        ("valley", None, 17),
    ]
    assert after.crews[0].areas == ("course",)
    text = brief.path.read_text()
    assert "deepest = { aerial = 14, map = 16 }  # slow" in text
    assert "deepest   = { aerial = 17, map = 13 }" in text
    for comment in ("# first\n[[areas]]", "# second\n[[areas]]", "# crews\n[[crews]]"):
        assert text.count(comment) == 1


def test_a_layer_that_the_server_ends_sooner_needs_no_edit(tmp_path: Path) -> None:
    brief = brief_of(TWO_LAYERS, tmp_path)
    assert limits(brief, {"aerial": {"course": 18, "valley": 17}, "map": {"course": 16, "valley": 16}}) == []
    assert limits(brief, {}) == []
    assert limits(brief, {"aerial": {"course": 16, "valley": 17}}) == [Deepest("course", 16)]


def test_areas_written_in_line_windows_line_ends_and_a_byte_order_mark_survive(tmp_path: Path) -> None:
    head, _, _ = TWO_LAYERS.partition("# first")
    areas = 'areas = [\n  { name = "a", box = [1, 2, 3, 4], use = "trail" },  # note\n]\n'
    text = "\ufeff" + areas.replace("\n", "\r\n") + head.replace("\n", "\r\n")
    brief = brief_of(text, tmp_path)
    rewrite(brief, [Deepest("a", 12), Layers("a", ("map",))])
    data = brief.path.read_bytes().decode()
    assert data.startswith("\ufeff")
    assert "# note\r\n" in data
    assert data.count("\r\n") == data.count("\n") == text.count("\n")
    assert Brief.read(brief.path).areas[0].deepest == 12


def test_a_brief_that_changed_meanwhile_or_cannot_be_written_is_left_alone(tmp_path: Path) -> None:
    brief = brief_of(TWO_LAYERS, tmp_path)
    other = TWO_LAYERS.replace("2 km", "3 km")
    brief.path.write_text(other)
    with pytest.raises(BriefError, match="changed since it was read"):
        rewrite(brief, [Deepest("course", 15)])
    assert brief.path.read_text() == other
    with pytest.raises(BriefError, match="changed safely"):
        rewritten(brief, [Layers("course", ("map",))], other)  # reads back as another brief than meant


def test_a_record_of_another_server_or_of_no_survey_counts_for_nothing(tmp_path: Path) -> None:
    layer = brief_of(TWO_LAYERS, tmp_path).layers["aerial"]
    pack = tmp_path / "aerial.mbtiles"
    assert len(read_record(pack, layer).sample) == 0
    beside = tmp_path / ".aerial.survey.json"
    for text in ("", "[]", '{"source": 1}', '{"source": "x", "worth_to": {}, "sample": ["1/0/0"]}'):
        beside.write_text(text)
        assert len(read_record(pack, layer).sample) == 0
