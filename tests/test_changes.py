"""A course that is overwritten, a brief that is edited: what has changed since the last fetch is said, and where."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st

from packer.cli import run_compare, run_handover, run_inspect, run_verify, show_plan, show_status
from packer.errors import InputError
from packer.fetching.reports import FetchReport, Options
from packer.fetching.run import run_fetch
from packer.geometry.grid import LonLatBox
from packer.geometry.tileset import TileSet
from packer.planning.brief import Brief
from packer.planning.changes import changes_since_fetch
from packer.planning.comparison import compare
from packer.planning.fetched_for import recall_fetch, remember_fetch
from packer.planning.pack_path import pack_path
from packer.planning.plan import AreaPlan, LayerPlan, Plan, plan
from packer.planning.plan_remarks import namesake_remarks
from packer.proof.proving import verify
from packer.store.pack_summary import known_summary
from packer.survey import inspection
from tests.fakes import ScriptedTransport, VirtualClock, tile_answer

KEY = "s3cret-key-of-the-tests"
BRIEF = f"""
title = "Rally"
contact = "maps@example.org"
overview = false
[layers.aerial]
url = "https://tiles.invented.example/aerial/{{z}}/{{x}}/{{y}}.png?key={KEY}"
attribution = "Example Survey"
permission = "Own server"
zooms = [0, 15]
[[areas]]
name = "course"
line = "course.gpx"
half-width = "100 m"
deepest = 14
[[areas]]
name = "camp"
point = [12.50, 47.10]
radius = "200 m"
deepest = 13
[[crews]]
name = "cars"
areas = ["course"]
[[crews]]
name = "base"
areas = ["camp"]
"""


def course(folder: Path, *positions: tuple[float, float]) -> None:
    points = "".join(f'<trkpt lat="{lat}" lon="{lon}"/>' for lon, lat in positions)
    (folder / "course.gpx").write_text(
        f'<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>{points}</trkseg></trk></gpx>'
    )


def fetched(brief: Brief) -> None:
    async def go() -> None:
        async with VirtualClock() as clock:
            transport = ScriptedTransport(clock, lambda tile, _asked, _now: tile_answer(tile))
            await run_fetch(brief, plan(brief), clock=clock, make_transport=lambda *a, **k: transport)

    asyncio.run(go())


@pytest.fixture
def brief(tmp_path: Path) -> Brief:
    """A brief whose packs are whole; its course runs 0.1° to the east."""
    (tmp_path / "brief.toml").write_text(BRIEF, encoding="utf-8")
    course(tmp_path, (12.40, 47.02), (12.50, 47.02))
    made = Brief.read(tmp_path / "brief.toml")
    fetched(made)
    return made


def test_nothing_is_said_where_nothing_has_changed(brief: Brief) -> None:
    assert changes_since_fetch(brief, plan(brief)) is None


def test_a_course_overwritten_in_place_is_told_by_kilometre_area_and_crew(brief: Brief) -> None:
    course(brief.folder, (12.42, 47.02), (12.56, 47.02))
    found = changes_since_fetch(brief, plan(brief))
    assert found is not None
    assert (found.files, found.brief_changed) == (("course.gpx",), False)
    assert found.crews == ("cars",)
    assert found.comparison is not None
    (change,) = found.comparison.areas
    assert change.name == "course"
    (new,) = change.added
    (gone,) = change.dropped
    # The ends of the lines by geographiclib; a tile of zoom 14 is 1.67 km wide here, half of it and the half-width
    # are the most that tiles can be out by.
    whole = Geodesic.WGS84.Inverse(47.02, 12.42, 47.02, 12.56)["s12"]
    old_end = Geodesic.WGS84.Inverse(47.02, 12.42, 47.02, 12.50)["s12"]
    assert new.to_m == pytest.approx(whole, abs=1)
    assert 0 <= new.from_m - old_end <= 1_800
    assert gone.from_m == 0
    assert change.tiles_added > 0
    assert change.tiles_dropped > 0
    text = " ".join(found.sentences)
    assert "course.gpx has changed since the last fetch" in text
    assert 'Area "course"' in text
    assert "km new (km " in text
    assert "crew cars" in text
    assert "--against" in text


@pytest.mark.parametrize("command", ["status", "plan", "verify"])
def test_commands_say_it_and_the_verdict_does_not_rest_on_it(
    brief: Brief, capsys: pytest.CaptureFixture[str], command: str
) -> None:
    runs: dict[str, Callable[[bool], int]] = {
        "status": lambda as_json: show_status.run(brief.path, None, as_json),
        "plan": lambda as_json: show_plan.run(brief.path, False, None, as_json),
        "verify": lambda as_json: run_verify.run(brief.path, None, as_json),
    }
    course(brief.folder, (12.40, 47.02), (12.44, 47.02))  # shorter: all that is planned now is on board
    assert runs[command](False) == 0
    assert "course.gpx has changed since the last fetch" in " ".join(capsys.readouterr().err.split())
    assert runs[command](True) == 0
    told = json.loads(capsys.readouterr().out)["changed_since_fetch"]
    assert told["files_changed"] == ["course.gpx"]
    assert told["areas"][0]["tiles_added"] == 0
    for record in brief.store_folder.glob(".fetched-for-*"):
        record.write_text("{}")
    assert runs[command](True) == 0
    assert json.loads(capsys.readouterr().out)["changed_since_fetch"] is None


def test_an_edit_of_the_brief_alone_says_which_area_goes_how_deep_now(brief: Brief) -> None:
    brief.path.write_text(BRIEF.replace("deepest = 13", "deepest = 15"), encoding="utf-8")
    now = Brief.read(brief.path)
    found = changes_since_fetch(now, plan(now))
    assert found is not None
    assert (found.files, found.brief_changed, found.crews) == ((), True, ("base",))
    assert 'Area "camp": aerial to zoom 15 instead of 13' in " ".join(found.sentences)


def test_the_next_fetch_remembers_the_new_course(brief: Brief) -> None:
    course(brief.folder, (12.40, 47.02), (12.45, 47.05))
    assert changes_since_fetch(brief, plan(brief)) is not None
    fetched(brief)
    assert changes_since_fetch(brief, plan(brief)) is None


def test_a_newer_course_beside_the_brief_that_no_area_takes_is_told(brief: Brief) -> None:
    """The guide's user copies a new course into the trip's folder, while the brief takes the one from outside it."""
    folder = brief.folder / "trip"
    folder.mkdir()
    text = BRIEF.replace("course.gpx", "../course.gpx")
    (folder / "brief.toml").write_text(text, encoding="utf-8")
    trip = Brief.read(folder)
    assert namesake_remarks(trip) == []
    (folder / "course.gpx").write_bytes((brief.folder / "course.gpx").read_bytes())
    assert namesake_remarks(trip) == []  # the same course
    course(folder, (12.40, 47.02), (12.45, 47.05))
    (told,) = namesake_remarks(trip)
    assert told.startswith('Area "course" takes ../course.gpx, and not course.gpx beside the brief')
    assert told in plan(trip).remarks
    assert told in verify(trip, plan(trip), processes=1).warnings


def test_a_crew_that_gets_nothing_of_a_layer_is_told_by_the_plan(tmp_path: Path) -> None:
    course(tmp_path, (12.40, 47.02), (12.50, 47.02))
    relief = BRIEF[BRIEF.index("[layers.aerial]") : BRIEF.index("[[areas]]")].replace("aerial", "relief")
    camp = BRIEF.replace("deepest = 13", 'deepest = 13\nlayers = ["aerial"]')
    brief = Brief.from_text(
        camp.replace("[layers.aerial]", f"{relief}[layers.aerial]"), tmp_path / "brief.toml"
    )
    told = [remark for remark in plan(brief).remarks if "Crew" in remark]
    assert told == ['Crew "base" gets nothing of layer "relief": none of its areas uses it.']


def test_a_sample_leaves_the_word_of_the_last_fetch_alone(
    brief: Brief, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def scripted(of: Brief, some: Plan, options: Options, **_rest: object) -> FetchReport:
        async with VirtualClock() as clock:
            transport = ScriptedTransport(clock, lambda tile, _asked, _now: tile_answer(tile))
            return await run_fetch(of, some, options, clock=clock, make_transport=lambda *a, **k: transport)

    monkeypatch.setattr(inspection, "run_fetch", scripted)
    course(brief.folder, (12.40, 47.02), (12.45, 47.05))
    now = plan(brief)
    before = changes_since_fetch(brief, now)
    lacking = known_summary(pack_path(brief, "aerial")).lacking(now.layers["aerial"].tiles)
    some = TileSet.from_tiles(list(lacking)[:3])
    report = asyncio.run(inspection.fetch_samples(brief, now, {"aerial": some}))
    assert report is not None
    assert report.layers["aerial"].stored == 3
    assert changes_since_fetch(brief, now) == before


def test_no_key_and_no_address_is_remembered(brief: Brief) -> None:
    (record,) = brief.store_folder.glob(".fetched-for-*")
    text = record.read_text(encoding="utf-8")
    assert KEY not in text
    assert "invented.example" not in text


def test_the_record_gives_back_the_very_tiles_and_the_line_to_a_centimetre(brief: Brief) -> None:
    worked_out, known = plan(brief), recall_fetch(brief, brief.store_folder)
    assert known is not None
    assert known.plan.fingerprint == worked_out.fingerprint == known.fingerprint
    line, kept = (p.shapes["course"].lines[0] for p in (worked_out, known.plan))  # type: ignore[union-attr]
    assert np.abs(line - kept).max() <= 0.5e-7
    assert not compare(known.plan, worked_out).areas


@settings(max_examples=30, deadline=None)
@given(st.binary(max_size=300), st.floats(0, 1))
def test_a_damaged_record_is_as_none(
    tmp_path_factory: pytest.TempPathFactory, junk: bytes, at: float
) -> None:
    folder = tmp_path_factory.mktemp("record")
    brief = Brief.from_text(BRIEF, folder / "brief.toml")
    tiles = TileSet.from_tiles([(3, 1, 2), (3, 2, 2)])
    layers = {"aerial": LayerPlan("aerial", tiles, (AreaPlan("camp", 3, tiles),))}
    made = Plan(layers, {}, LonLatBox(12.0, 47.0, 13.0, 48.0), (12.5, 47.5), ())
    remember_fetch(brief, made, folder, 5.0)
    (record,) = folder.glob(".fetched-for-*")
    whole = record.read_bytes()
    cut = round(at * len(whole))
    record.write_bytes(whole[:cut] + junk + whole[cut + len(junk) :])
    known = recall_fetch(brief, folder)
    assert known is None or set(known.plan.layers) <= {"aerial"} or junk


def test_compare_with_one_brief_is_against_the_last_fetch(
    brief: Brief, capsys: pytest.CaptureFixture[str]
) -> None:
    course(brief.folder, (12.40, 47.02), (12.56, 47.02))
    assert run_compare.run(brief.path, None, None, True) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["route_added_km"] > 2
    assert told["route_dropped_km"] == 0
    assert told["areas"][0]["area"] == "course"
    assert run_compare.run(brief.path, None, None, False) == 0
    assert "From the last fetch (" in capsys.readouterr().out


def test_compare_with_one_brief_that_was_never_fetched_is_a_clear_error(tmp_path: Path) -> None:
    (tmp_path / "brief.toml").write_text(BRIEF, encoding="utf-8")
    course(tmp_path, (12.40, 47.02), (12.50, 47.02))
    with pytest.raises(InputError, match="last fetched for"):
        run_compare.run(tmp_path / "brief.toml", None, None, False)


def test_a_card_is_out_of_date_for_the_crew_whose_area_changed_and_for_no_other(
    brief: Brief, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    card = tmp_path / "card"
    assert run_handover.run(brief.path, None, card, "mbtiles", None, None, False, True) == 0
    assert run_inspect.run(card, False, brief.path) == 0
    assert "up to date with the brief" in " ".join(capsys.readouterr().out.split())
    course(brief.folder, (12.40, 47.02), (12.56, 47.02))
    assert run_inspect.run(card, True, brief.path) == 1
    against = {Path(c["folder"]).name: c for c in json.loads(capsys.readouterr().out)["against"]}
    assert against["base"]["up_to_date"] is True
    assert against["cars"]["up_to_date"] is False
    assert 'Area "course" has changed on aerial' in " ".join(against["cars"]["differences"])
    assert run_inspect.run(card, False) == 0  # the copy itself is as it was handed over


def test_a_fetch_that_cannot_leave_word_goes_on_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("packer.planning.fetched_for.write_atomic", full)
    (tmp_path / "brief.toml").write_text(BRIEF, encoding="utf-8")
    course(tmp_path, (12.40, 47.02), (12.42, 47.02))
    brief = Brief.read(tmp_path / "brief.toml")
    fetched(brief)
    assert show_status.run(brief.path, None, False) == 0
    assert recall_fetch(brief, brief.store_folder) is None
