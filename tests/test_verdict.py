"""READY is never false: whatever the server lacks, a map below its floor is not ready and not handed over."""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from packer.cli import run_handover, run_verify, show_status
from packer.cli.run_fetch import _show as show_fetched
from packer.errors import LastbarError
from packer.fetching.reports import FetchReport
from packer.fetching.run import run_fetch
from packer.fetching.transports import Result
from packer.geometry.grid import tile_bounds
from packer.geometry.tileset import Tile
from packer.planning.brief import Brief
from packer.planning.plan import Plan, plan
from packer.proof.below_floor import below_floor
from packer.proof.proving import verify
from packer.proof.results import Verdict
from packer.store.reader import tile_at
from tests.fakes import ScriptedTransport, VirtualClock, no_tile, tile_answer
from tests.handover_packs import DAY, packs

BRIEF = """
title = "Ketterling Basin reconnaissance"
contact = "maps@example.org"
{overview}
[layers.aerial]
url = "https://tiles.invented.example/aerial/{{z}}/{{x}}/{{y}}.png"
attribution = "Example Survey"
permission = "Own server"
zooms = [0, 15]
[layers.relief]
url = "https://tiles.invented.example/relief/{{z}}/{{x}}/{{y}}.png"
attribution = "Example Relief"
permission = "Own server"
zooms = [0, {relief}]
[[areas]]
name = "course"
line = "course.gpx"
half-width = "120 m"
deepest = 15
{course}
[[areas]]
name = "camp"
point = [12.40, 47.10]
radius = "300 m"
deepest = 15
layers = ["aerial"]
"""
OVERVIEW = '[overview]\nmargin = "1 km"\ndeepest = 10'
WAYPOINTS = (("Spring", 12.31), ("Ford", 12.345), ("Gate", 12.375))


def made(
    folder: Path,
    course: str = "",
    overview: str = OVERVIEW,
    relief: int = 12,
    absent: Callable[[str, Tile], bool] = lambda layer, tile: False,
    missing: Callable[[str, Tile], bool] = lambda layer, tile: False,
) -> tuple[Brief, Plan]:
    """A brief on disk and packs as a fetch leaves them, from a server that lacks some tiles."""
    track = "".join(f'<trkpt lat="47.02" lon="{12.30 + 0.01 * n}"/>' for n in range(9))
    points = "".join(f'<wpt lat="47.0201" lon="{lon}"><name>{n}</name></wpt>' for n, lon in WAYPOINTS)
    (folder / "course.gpx").write_text(
        f'<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">{points}'
        f"<trk><trkseg>{track}</trkseg></trk></gpx>"
    )
    path = folder / "brief.toml"
    top, below = (overview, "") if overview.startswith("overview") else ("", overview)
    path.write_text(BRIEF.format(overview=top, course=course, relief=relief) + below, encoding="utf-8")
    brief = Brief.read(path)
    worked_out = plan(brief)

    def chosen(pick: Callable[[str, Tile], bool]) -> Mapping[str, set[Tile]]:
        return {name: {t for t in layer.tiles if pick(name, t)} for name, layer in worked_out.layers.items()}

    packs(brief, worked_out, absent=chosen(absent), missing=chosen(missing))
    return brief, worked_out


def verified(brief: Brief, capsys: pytest.CaptureFixture[str]) -> tuple[int, str, dict[str, Any]]:
    """Exit code, text on one line, and the document."""
    code = run_verify.run(brief.path, None, False)
    text = " ".join(capsys.readouterr().out.split())
    assert run_verify.run(brief.path, None, True) == code
    return code, text, json.loads(capsys.readouterr().out)


def refused(brief: Brief, to: Path) -> str:
    """The sentences of a handover that is refused, with nothing left at the target."""
    with pytest.raises(LastbarError) as fault:
        run_handover.run(brief.path, None, to, "mbtiles", None, None, False, True)
    assert fault.value.exit_code == 1
    assert not to.exists() or not list(to.iterdir())
    return str(fault.value)


def west_of(lon: float) -> Callable[[str, Tile], bool]:
    return lambda layer, tile: tile_bounds(*tile).east <= lon


ABSENT: dict[str, tuple[Callable[[str, Tile], bool], str]] = {
    "all but the first zooms": (
        lambda layer, tile: tile.zoom > 5,
        r"course, aerial: below its floor, zoom 10",
    ),
    "half the region": (
        lambda layer, tile: tile.zoom > 8 and tile_bounds(*tile).west < 12.34,
        r"km 0\.0 to ",
    ),
    "deep zooms": (lambda layer, tile: tile.zoom > 9, r"camp, aerial: below its floor, zoom 10"),
    "one area": (
        lambda layer, tile: tile.zoom > 9 and tile_bounds(*tile).north > 47.06,
        r"camp, aerial: below its floor",
    ),
    "one layer": (lambda layer, tile: layer == "relief", r"course, relief: below its floor"),
}


@pytest.mark.parametrize("lacking", list(ABSENT))
def test_a_map_that_the_server_lacks_below_the_floor_is_not_ready(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], lacking: str
) -> None:
    absent, reason = ABSENT[lacking]
    brief, _ = made(tmp_path, absent=absent)
    code, text, document = verified(brief, capsys)
    assert code == 1
    assert document["verdict"] == "NOT READY"
    assert document["ready"] is False
    assert "NOT READY" in text
    assert "READY WITH WARNINGS" not in text
    assert re.search(reason, text), text
    assert re.search(reason, " ".join(refused(brief, tmp_path / "card").split()))
    assert show_status.run(brief.path, None, False) == 1
    assert "BELOW ITS FLOOR" in " ".join(capsys.readouterr().out.split())


def test_placeholders_in_the_wrong_order_end_in_not_ready_and_no_card(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The server reads x/y/z as z/x/y: only tiles of the first zooms have an address that it knows."""
    brief, worked_out = made(tmp_path)
    for pack in brief.store_folder.glob("*.mbtiles"):
        pack.unlink()

    def wrong(tile: Tile, _asked: int, _now: float) -> Result:
        zoom, x, y = tile.x, tile.y, tile.zoom
        exists = zoom <= 15 and x < 1 << zoom and y < 1 << zoom
        return tile_answer(tile) if exists else no_tile(404)

    async def go() -> None:
        async with VirtualClock() as clock:
            transport = ScriptedTransport(clock, wrong)
            await run_fetch(brief, worked_out, clock=clock, make_transport=lambda *a, **k: transport)

    asyncio.run(go())
    code, text, document = verified(brief, capsys)
    assert (code, document["verdict"]) == (1, "NOT READY")
    assert "as asked" not in text
    refused(brief, tmp_path / "card")


def test_one_waypoint_below_the_floor_is_named_with_its_stretch(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hole = {tile_at(12.345, 47.0201, z) for z in (14, 15)}
    near = {t for top in hole if top.zoom == 14 for t in descendants(top, 15)}
    brief, _ = made(
        tmp_path, "at-least = { aerial = 14 }", absent=lambda layer, tile: layer == "aerial" and tile in near
    )
    code, _text, document = verified(brief, capsys)
    assert code == 1
    (reason,) = [r for r in document["reasons"] if "below its floor" in r]
    assert 'waypoint "Ford"' in reason
    assert "Spring" not in reason
    assert re.search(r"km \d\.\d to \d\.\d", reason)
    (ford,) = [w for w in document["waypoints"] if w["name"] == "Ford" and w["layer"] == "aerial"]
    assert (ford["asked"], ford["held"], ford["reaches_floor"], ford["why"]) == (15, 13, False, "absent")
    walk = next(w for w in document["walk"] if w["layer"] == "aerial")
    ((start, end),) = walk["below_floor_km"]
    at_km = (12.345 - 12.30) * 76.0  # a degree of longitude at 47.02° is 76 km
    assert start < at_km < end
    assert 'waypoint "Ford"' in refused(brief, tmp_path / "card")


def descendants(top: Tile, deepest: int) -> set[Tile]:
    return {
        Tile(z, x, y)
        for z in range(top.zoom, deepest + 1)
        for x in range(top.x << (z - top.zoom), (top.x + 1) << (z - top.zoom))
        for y in range(top.y << (z - top.zoom), (top.y + 1) << (z - top.zoom))
    }


def test_absences_above_the_floor_are_remarks_and_the_depth_told_is_the_one_held(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    brief, _ = made(tmp_path, absent=lambda layer, tile: layer == "aerial" and tile.zoom > 13)
    code, text, document = verified(brief, capsys)
    assert (code, document["verdict"]) == (0, "READY WITH WARNINGS")
    assert "100 % aerial 13 of 15, relief 12 of 15" in text
    assert run_handover.run(brief.path, None, tmp_path / "card", "mbtiles", None, None, False, True) == 0
    card = " ".join((tmp_path / "card" / "ON THIS CARD.txt").read_text(encoding="utf-8").split())
    assert "course: aerial to zoom 13 of 15 asked; the server does not have the rest." in card
    assert "to zoom 15" not in card


def test_everything_on_board_is_ready_as_asked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    brief, worked_out = made(tmp_path)
    code, text, document = verified(brief, capsys)
    assert code == 0
    assert verify(brief, worked_out, now=DAY + 86_400, processes=1).verdict is Verdict.READY
    assert "camp ■■■■■■■■■■■■ 100 % zoom 15, as asked" in text
    assert show_status.run(brief.path, None, True) == 0
    recorded = json.loads(capsys.readouterr().out)["depths"]
    assert [(d["area"], d["layer"], d["held"]) for d in recorded] == [
        (d["area"], d["layer"], d["held"]) for d in document["depths"]
    ]


def test_a_missing_tile_is_not_ready_even_where_every_floor_is_reached(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    brief, _ = made(
        tmp_path, missing=lambda layer, tile: layer == "aerial" and tile == tile_at(12.31, 47.02, 15)
    )
    code, text, _ = verified(brief, capsys)
    assert code == 1
    assert "aerial 14 of 15" in text
    assert "1 tile missing" in text
    assert "below its floor" not in text


def test_at_least_decides_where_the_floor_is(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def absent(layer: str, tile: Tile) -> bool:
        return layer == "aerial" and tile.zoom > 13

    for least, ready in ((13, True), (14, False)):
        brief, _ = made(tmp_path, f"at-least = {{ aerial = {least} }}", absent=absent)
        code, _, document = verified(brief, capsys)
        assert (code == 0) is ready
        floors = {(d["area"], d["layer"]): d["floor"] for d in document["depths"]}
        assert floors == {
            ("course", "aerial"): least,
            ("course", "relief"): 10,  # the overview's deepest zoom
            ("camp", "aerial"): 10,
            ("overview", "aerial"): None,
            ("overview", "relief"): None,
        }


def test_without_an_overview_the_floor_is_zoom_12_or_the_deepest_that_the_layer_has(tmp_path: Path) -> None:
    _brief, worked_out = made(tmp_path, overview="overview = false", relief=9)
    floors = {(a.name, n): a.floor for n, layer in worked_out.layers.items() for a in layer.areas}
    assert floors == {("course", "aerial"): 12, ("camp", "aerial"): 12, ("course", "relief"): 9}


def test_a_hole_at_the_floor_does_no_harm_where_deeper_tiles_cover_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    brief, _ = made(tmp_path, absent=lambda layer, tile: tile.zoom in (9, 10, 11) and layer == "aerial")
    code, text, document = verified(brief, capsys)
    assert (code, document["verdict"]) == (0, "READY WITH WARNINGS")
    assert "camp ■■■■■■■■■■■■ 100 % zoom 15, as asked" in text


def test_with_gaps_allowed_card_and_manifest_say_them_in_words_and_the_exit_code_is_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    brief, _ = made(tmp_path, absent=lambda layer, tile: tile.zoom > 8 and tile_bounds(*tile).west < 12.34)
    card = tmp_path / "card"
    assert run_handover.run(brief.path, None, card, "mbtiles", None, None, True, True) == 1
    text = " ".join((card / "ON THIS CARD.txt").read_text(encoding="utf-8").split())
    assert "NOT COMPLETE" in text
    assert "course, aerial: LESS DEEP THAN ZOOM 10, its floor: km 0.0 to" in text
    manifest = json.loads((card / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["complete"] is False
    area = next(a for a in manifest["layers"]["aerial"]["areas"] if a["name"] == "course")
    assert (area["asked"], area["floor"], area["held"]) == (15, 10, 8)
    assert area["below_floor"].startswith("km 0.0 to")


def test_a_layer_that_starts_below_an_area_leaves_it_below_its_floor(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    made(tmp_path)
    path = tmp_path / "brief.toml"
    path.write_text(path.read_text().replace("zooms = [0, 12]", "zooms = [16, 18]"))
    code, text, document = verified(Brief.read(path), capsys)
    assert (code, document["verdict"]) == (1, "NOT READY")
    assert "course, relief: below its floor" in text


def with_waypoint(folder: Path, name: str, lon: float, lat: float) -> None:
    gpx = folder / "course.gpx"
    far = f'<wpt lat="{lat}" lon="{lon}"><name>{name}</name></wpt><trk>'
    gpx.write_text(gpx.read_text().replace("<trk>", far))


def test_a_waypoint_of_which_nothing_is_held_makes_the_map_not_ready_by_name(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Far from its area; of the first zooms it holds what any place of the world does."""
    brief, _ = made(tmp_path)
    with_waypoint(tmp_path, "Hotel", 12.9, 47.5)
    code, _text, document = verified(brief, capsys)
    assert (code, document["verdict"]) == (1, "NOT READY")
    (reason,) = [one for one in document["reasons"] if one.startswith("course, aerial")]
    assert 'waypoint lies outside the area, with less than zoom 10 on board: "Hotel" (zoom' in reason
    assert "points =" in reason
    assert "waypoint lies outside" in refused(brief, tmp_path / "card")
    assert show_status.run(brief.path, None, False) == 1
    assert '"Hotel"' in capsys.readouterr().out


def test_a_card_with_a_waypoint_out_of_reach_says_so_and_that_no_tile_is_missing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    brief, _ = made(tmp_path)
    with_waypoint(tmp_path, "Hotel", 12.9, 47.5)
    run_handover.run(brief.path, None, tmp_path / "card", "mbtiles", None, None, True, False)
    assert "NOT COMPLETE: places are less deep than their floor, as each card says" in capsys.readouterr().out
    card = " ".join((tmp_path / "card" / "ON THIS CARD.txt").read_text(encoding="utf-8").split())
    assert "NOT COMPLETE: places are less deep than their floor, see WHAT IS NOT HERE" in card
    assert "planned tiles are missing" not in card
    assert 'its floor: waypoint outside it, "Hotel"' in card


def test_a_waypoint_beside_its_area_that_the_overview_reaches_is_a_warning(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    brief, _ = made(tmp_path, "at-least = { aerial = 14 }")
    with_waypoint(tmp_path, "Fuel", 12.34, 47.05)
    code, _text, document = verified(brief, capsys)
    assert (code, document["verdict"]) == (0, "READY WITH WARNINGS")
    assert any('"Fuel"' in one and "outside" in one for one in document["warnings"])


@pytest.mark.parametrize("number", [1, 2])
def test_a_part_of_a_plan_keeps_its_floors_and_says_what_of_its_edges_is_open(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], number: int
) -> None:
    """The server lacks the north below its floor, where the camp is: the part that has it is not ready."""
    made(tmp_path, absent=lambda layer, tile: tile.zoom > 8 and tile_bounds(*tile).north > 47.07)
    path = tmp_path / "brief.toml"
    path.write_text(f'part = "{number} of 2"\n' + path.read_text())
    part = plan(Brief.read(path))
    floors = {area.name: area.floor for area in part.layers["aerial"].areas if area.floor is not None}
    assert floors == ({"camp": 10} if number == 1 else {"course": 10})
    code, text, document = verified(Brief.read(path), capsys)
    assert (code == 1, document["verdict"] == "NOT READY") == (number == 1, number == 1)
    assert ("camp, aerial: below its floor" in text) is (number == 1)
    assert any("Merge the parts" in line for line in document["not_checked"])


def test_no_floor_is_ever_deeper_than_what_the_layer_plans_there(tmp_path: Path) -> None:
    _, worked_out = made(tmp_path, "at-least = 15", relief=11)
    for layer in worked_out.layers.values():
        for area in layer.areas:
            assert area.floor is None or area.floor <= area.deepest
    assert any("zoom 11" in remark and "at least" in remark for remark in worked_out.remarks)
    assert replace(worked_out.layers["relief"].areas[1], floor=None).floor is None


def test_a_fetch_that_ends_below_a_floor_says_not_ready_and_exits_with_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    brief, worked_out = made(tmp_path, absent=lambda layer, tile: tile.zoom > 5)
    below = below_floor(brief, worked_out, None)
    said = " ".join(below)
    assert "course: aerial to zoom 5 of 15 asked" in said
    assert "BELOW ITS FLOOR, zoom 10" in said
    report = FetchReport(complete=True, interrupted=False, seconds=1.0, layers={})
    show_fetched(report, "lastbar verify b", "lastbar fetch b", below)
    out = capsys.readouterr().out
    assert "NOT READY after 1.0 s" in out
    assert "Complete" not in out
    assert out.splitlines()[-1] == "  lastbar verify b"
