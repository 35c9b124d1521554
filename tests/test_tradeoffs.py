"""Proposals that make a plan fit, and plans that look like a mistake."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from packer.cli import show_plan
from packer.errors import BriefError
from packer.handover.crews import crews_of, shares
from packer.planning.brief import Brief
from packer.planning.brief_edits import Deepest, DeepestByLayer, HalfWidth, edited, limits, rewrite
from packer.planning.plan import Plan, plan
from packer.survey.estimate import (
    OVERHEAD,
    AssumedSpeed,
    LayerSizes,
    combined,
    estimate,
    estimate_layer,
    seconds_for,
)
from packer.survey.plan_warnings import warnings
from packer.survey.tradeoffs import Fit, Target, fit

LAYER = """\
[layers.{name}]
url = "http://127.0.0.1:9/{name}/{{z}}/{{x}}/{{y}}.jpg"
attribution = "Example"
permission = "Own server"
zooms = [0, {last}]
requests-per-second = 100000

"""
BRIEF = (
    'title = "Course"  # kept\n\n'
    + LAYER.format(name="aerial", last=19)
    + LAYER.format(name="map", last=16)
    + """\
[[areas]]
name = "course"
line = "course.gpx"     # the whole way
half-width = "1 km"
deepest = 17

[[areas]]
name = "camp"
point = [12.0, 47.0]
radius = "1 km"
use = "on foot"
"""
)


def brief_of(folder: Path, text: str = BRIEF, km: float = 60) -> Brief:
    points = "".join(f'<trkpt lat="47" lon="{12 + n * km / 76 / 100}"/>' for n in range(101))
    (folder / "course.gpx").write_text(
        f'<gpx version="1.1" creator="t"><trk><trkseg>{points}</trkseg></trk></gpx>'
    )
    (folder / "brief.toml").write_text(text)
    return Brief.read(folder / "brief.toml")


def nothing_known(worked_out: Plan) -> dict[str, LayerSizes]:
    return {name: LayerSizes() for name in worked_out.layers}


def surveyed(worked_out: Plan) -> dict[str, LayerSizes]:
    """As if every 40th tile had been looked at."""
    found = {}
    for name, layer in worked_out.layers.items():
        samples = {t: 9_000 + (t.x * 7919 + t.y * 104729) % 9_000 for t in list(layer.tiles)[::40]}
        found[name] = LayerSizes(samples=samples, basis="survey")
    return found


def proposals(brief: Brief, target: Target, speed: AssumedSpeed | None = None) -> Fit:
    worked_out = plan(brief)
    return fit(brief, worked_out, nothing_known(worked_out), {}, target, speed)


@pytest.mark.parametrize("share", [0.9, 0.5, 0.1, 0.02])
@pytest.mark.parametrize("known", [nothing_known, surveyed], ids=["guess", "survey"])
def test_what_is_proposed_for_a_disk_fits_when_applied(
    tmp_path: Path, share: float, known: Callable[[Plan], dict[str, LayerSizes]]
) -> None:
    brief = brief_of(tmp_path)
    worked_out = plan(brief)
    sizes = known(worked_out)
    whole = combined({n: estimate_layer(la.tiles, sizes[n]) for n, la in worked_out.layers.items()})
    target = Target(disk_bytes=round(share * whole.bytes.high * OVERHEAD))
    found = fit(brief, worked_out, sizes, {}, target)
    assert found.reached
    assert found.changes
    assert brief.path.read_text() == BRIEF, "nothing is applied unasked"

    applied = plan(rewrite(brief, found.edits))
    weight = combined({n: estimate_layer(la.tiles, sizes[n]) for n, la in applied.layers.items()})
    assert weight.bytes.high * OVERHEAD <= (target.disk_bytes or 0)
    # A narrower corridor has a smaller block round it as well, which the proposal leaves out of account.
    assert 0.95 * found.after.bytes <= weight.bytes.high <= 1.0001 * found.after.bytes
    assert 0.95 * found.after.tiles <= applied.count <= found.after.tiles
    assert sum(c.saves.tiles for c in found.changes) == worked_out.count - found.after.tiles
    assert sum(c.saves.bytes for c in found.changes) == pytest.approx(found.before.bytes - found.after.bytes)
    assert "# the whole way" in brief.path.read_text()


def test_what_is_proposed_for_a_time_fits_when_applied(tmp_path: Path) -> None:
    brief, speed = brief_of(tmp_path), AssumedSpeed(3e6, "given")
    found = proposals(brief, Target(seconds=60.0), speed)
    assert found.reached
    assert found.before.seconds is not None
    assert found.before.seconds > 60
    applied = rewrite(brief, found.edits)
    weight = estimate(applied, plan(applied))
    seconds = seconds_for(applied, weight.layers, weight.to_fetch.high, speed)
    assert seconds <= 60
    assert seconds == pytest.approx(found.after.seconds)
    assert all(change.saves.seconds is not None for change in found.changes)


def test_no_change_is_proposed_that_is_not_needed(tmp_path: Path) -> None:
    brief = brief_of(tmp_path)
    worked_out = plan(brief)
    whole = proposals(brief, Target(disk_bytes=10**12))
    assert (whole.reached, whole.changes, whole.before) == (True, (), whole.after)
    target = Target(disk_bytes=round(0.1 * whole.before.bytes))
    found = fit(brief, worked_out, nothing_known(worked_out), {}, target)
    assert len(found.changes) > 1
    for left_out in found.changes:
        rest = [edit for change in found.changes if change is not left_out for edit in change.edits]
        weight = estimate(edited(brief, rest), plan(edited(brief, rest))).bytes.high
        assert weight * OVERHEAD > (target.disk_bytes or 0), left_out.words


def test_what_a_survey_found_empty_goes_first_and_costs_the_crew_nothing(tmp_path: Path) -> None:
    brief = brief_of(tmp_path)
    worked_out = plan(brief)
    limits = {"aerial": {"course": 15}}
    before = proposals(brief, Target(disk_bytes=10**12)).before
    target = Target(disk_bytes=round(0.8 * before.bytes))
    found = fit(brief, worked_out, nothing_known(worked_out), limits, target)
    assert found.reached
    assert [change.edits for change in found.changes] == [
        (DeepestByLayer("course", (("aerial", 15), ("map", 16))),)
    ]
    assert "survey" in found.changes[0].words


def test_a_small_camp_keeps_its_depth_while_a_long_corridor_can_give(tmp_path: Path) -> None:
    brief = brief_of(tmp_path)
    before = proposals(brief, Target(disk_bytes=10**12)).before
    found = proposals(brief, Target(disk_bytes=round(0.5 * before.bytes)))
    assert found.reached
    assert {edit.area for edit in found.edits} == {"course"}


def test_areas_that_lie_over_each_other_are_cut_together(tmp_path: Path) -> None:
    box = '[[areas]]\nname = "{}"\nbox = [12.0, 47.0, 12.5, 47.3]\ndeepest = 15\n\n'
    text = 'title = "Twice"\n' + LAYER.format(name="aerial", last=19) + box.format("one") + box.format("two")
    found = proposals(brief_of(tmp_path, text), Target(disk_bytes=30_000_000))
    assert found.reached
    assert {edit.area for edit in found.edits if isinstance(edit, Deepest)} == {"one", "two"}


def test_what_cannot_fit_is_said_with_how_near_it_comes(tmp_path: Path) -> None:
    found = proposals(brief_of(tmp_path), Target(disk_bytes=1_000))
    assert not found.reached
    assert 0 < found.after.bytes < 0.02 * found.before.bytes
    assert min(e.metres for e in found.edits if isinstance(e, HalfWidth)) >= 100


def test_command_prints_proposals_and_leaves_the_brief_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    brief = brief_of(tmp_path)
    assert show_plan.run(brief.path, False, None, True, "3Mbit", False, "20MB") == 0
    told = json.loads(capsys.readouterr().out)["fit"]
    assert told["reached"] is True
    assert told["after"]["bytes"] < told["before"]["bytes"]
    assert all(c["edits"] and c["saves"]["tiles"] > 0 and c["saves"]["seconds"] > 0 for c in told["changes"])
    assert show_plan.run(brief.path, False, None, False, "3Mbit", False, "20MB") == 0
    out = capsys.readouterr().out.replace(str(tmp_path), "")
    assert "The brief is not changed yet" in out
    assert "common practice, no source" in " ".join(out.split())
    assert max(map(len, out.splitlines())) <= 80
    assert brief.path.read_text() == BRIEF


def test_a_wide_corridor_at_zoom_18_over_a_long_route_is_warned_of_with_figures(tmp_path: Path) -> None:
    brief = brief_of(tmp_path, BRIEF.replace("deepest = 17", "deepest = 18"), km=150)
    wide, driven = warnings(brief, plan(brief))
    at_18 = plan(brief).layers["aerial"].areas[1].tiles.by_zoom()[18]
    assert "1,000 m wide" in wide
    assert f"{at_18:,} tiles" in wide
    assert "150 km" in wide
    assert "crew on roads" in driven
    assert "14 to 15" in driven
    narrow = brief_of(
        tmp_path, BRIEF.replace("deepest = 17", "deepest = 18").replace("1 km", "500 m"), km=150
    )
    assert len(warnings(narrow, plan(narrow))) == 1


def test_an_ordinary_plan_is_not_warned_of(tmp_path: Path) -> None:
    brief = brief_of(tmp_path)
    assert warnings(brief, plan(brief)) == []


def test_a_crew_on_foot_without_depth_is_warned_of(tmp_path: Path) -> None:
    head, camp = BRIEF.split("[[areas]]")[0], BRIEF.rpartition("[[areas]]")[2]
    shallow = head.replace("zooms = [0, 19]", "zooms = [0, 16]") + "[[areas]]" + camp
    brief = brief_of(tmp_path, shallow)
    (told,) = warnings(brief, plan(brief))
    assert '"camp" is for a crew on foot' in told
    assert "zoom 16" in told
    unsaid = brief_of(tmp_path, head + "[[areas]]" + camp.replace('use = "on foot"', "deepest = 15"))
    (told,) = warnings(unsaid, plan(unsaid))
    assert "deeper than zoom 15" in told
    road = brief_of(tmp_path, head + "[[areas]]" + camp.replace('"on foot"', '"road"'))
    assert warnings(road, plan(road)) == []


def test_a_deep_overview_does_not_hide_that_the_ground_is_shallow(tmp_path: Path) -> None:
    head = BRIEF.split("[[areas]]")[0] + '[overview]\nmargin = "1 km"\ndeepest = 17\n\n'
    camp = "[[areas]]" + BRIEF.rpartition("[[areas]]")[2]
    brief = brief_of(tmp_path, head + camp.replace('use = "on foot"', "deepest = 15"))
    (told,) = warnings(brief, plan(brief))
    assert "deeper than zoom 15" in told


def test_an_area_that_gets_no_tile_does_not_hide_that_the_ground_is_shallow(tmp_path: Path) -> None:
    head = BRIEF.split("[[areas]]")[0].replace("zooms = [0, 16]", "zooms = [18, 19]")
    area = '[[areas]]\nname = "{}"\npoint = [12.0, 47.0]\nradius = "1 km"\ndeepest = {}\nlayers = ["{}"]\n\n'
    brief = brief_of(tmp_path, head + area.format("camp", 15, "aerial") + area.format("hut", 17, "map"))
    worked_out = plan(brief)
    assert not worked_out.layers["map"].tiles
    (told,) = warnings(brief, worked_out)
    assert "deeper than zoom 15" in told


# ---------------------------------------------------------------------------------------------- areas to be kept

KEPT = BRIEF.replace('use = "on foot"', 'use = "on foot"\nkeep = true        # the landing zone')


@pytest.mark.parametrize("share", [0.5, 0.02, 0.0001])
def test_an_area_to_be_kept_is_in_no_proposal_however_little_room_there_is(
    tmp_path: Path, share: float
) -> None:
    brief = brief_of(tmp_path, KEPT)
    before = proposals(brief, Target(disk_bytes=10**12)).before
    found = proposals(brief, Target(disk_bytes=round(share * before.bytes)))
    assert found.edits
    assert "camp" not in {edit.area for edit in found.edits}
    assert edited(brief, found.edits).areas[1] == brief.areas[1]


def test_a_layer_is_left_out_of_the_other_areas_and_the_words_name_the_one_that_keeps_it(
    tmp_path: Path,
) -> None:
    found = proposals(brief_of(tmp_path, KEPT), Target(disk_bytes=1_000))
    assert not found.reached
    assert any(c.words.endswith(": leave it out, except in camp") for c in found.changes), found.changes


def test_what_a_survey_found_of_a_kept_area_changes_nothing(tmp_path: Path) -> None:
    brief = brief_of(tmp_path, KEPT)
    found = {"aerial": {"camp": 14, "course": 15}}
    assert {edit.area for edit in limits(brief, found)} == {"course"}
    before = proposals(brief, Target(disk_bytes=10**12)).before
    target = Target(disk_bytes=round(0.9 * before.bytes))
    fitted = fit(brief, plan(brief), nothing_known(plan(brief)), found, target)
    assert {edit.area for edit in fitted.edits} == {"course"}


def test_keep_is_true_or_false_and_nothing_else(tmp_path: Path) -> None:
    with pytest.raises(BriefError, match="true or false"):
        brief_of(tmp_path, KEPT.replace("keep = true", 'keep = "yes"'))


# ---------------------------------------------------------------------------------------------- by the upper bound


def test_where_nothing_is_sampled_it_fits_by_the_upper_bound_too(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Half as much again as the middle guess would have passed for enough; the upper bound is three times as much."""
    brief = brief_of(tmp_path)
    guess = estimate(brief, plan(brief)).bytes
    assert guess.basis == "guess"
    found = proposals(brief, Target(disk_bytes=round(1.5 * guess.expected * OVERHEAD)))
    assert found.before.bytes == guess.high == pytest.approx(3 * guess.expected)
    assert found.changes
    assert found.after.bytes * OVERHEAD <= 1.5 * guess.expected * OVERHEAD
    assert show_plan.run(brief.path, False, None, False, None, False, f"{1.5 * guess.expected:.0f}B") == 0
    assert "upper ends of rough guesses, three times" in " ".join(capsys.readouterr().out.split())


# ---------------------------------------------------------------------------------------------- crews

CREWS = """
[[crews]]
name = "north"
areas = ["course"]
budget = "3 MB"

[[crews]]
name = "south"
areas = ["camp"]
layers = ["map"]
budget = "32 GB"

[[crews]]
name = "everyone"
"""


def test_the_plan_weighs_each_crew_against_its_budget(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    brief = brief_of(tmp_path, BRIEF + CREWS)
    assert show_plan.run(brief.path, False, None, True, None, False, None) == 0
    north, south, everyone = json.loads(capsys.readouterr().out)["crews"]
    shared_out = shares(plan(brief), crews_of(brief))
    assert [north["tiles"], south["tiles"], everyone["tiles"]] == [
        sum(len(layer.tiles) for layer in share.layers.values()) for share in shared_out
    ], "the same tiles as at handover"
    assert north["over"] == north["bytes"]["expected"] - 3_000_000 > 0
    assert (south["over"], south["may_be_over"]) == (0, False)
    assert (everyone["budget"], everyone["may_be_over"]) == (None, False)
    assert show_plan.run(brief.path, False, None, False, None, False, None) == 0
    out = capsys.readouterr().out.replace(str(tmp_path), "")
    assert "over by" in next(line for line in out.splitlines() if line.strip().startswith("north"))
    assert next(line for line in out.splitlines() if line.strip().startswith("south")).endswith("fits")
    assert max(map(len, out.splitlines())) <= 80
