"""The brief on the desk: every change saved whole, nothing lost to undo, another page, or another hand."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from packer import Brief, BriefError, InputError
from packer.desk.brief_facts import layer_facts, read_table
from packer.desk.changes import read_change
from packer.desk.document import ChangedElsewhereError, Document, Snapshot, StaleRevisionError
from packer.desk.figures import Planner
from packer.desk.fitting import proposals
from packer.desk.versions import KEPT
from tests.budgets import tries

LAYER = {
    "url": "http://127.0.0.1:9/{z}/{x}/{y}.png",
    "zooms": [0, 18],
    "attribution": "Survey",
    "permission": "own server",
}
CAMP = {"name": "camp", "point": [12.5, 47.1], "radius": "2 km", "use": "on foot"}
BRIEF = """# The night before
title = "Ketterling"   # as the crews know it

[layers.aerial]        # our own server
url = "http://127.0.0.1:9/{z}/{x}/{y}.png"
zooms = [0, 18]
attribution = "Survey"
permission = "own server"

[[areas]]
name = "camp"          # where the cars wait
point = [12.5, 47.1]
radius = "2 km"
use = "on foot"

[[areas]]
name = "valley"
box = [12.3, 47.0, 12.7, 47.25]
deepest = 14

[[crews]]
name = "North"
areas = ["camp", "valley"]
"""


class Clock:
    def __init__(self) -> None:
        self.now = 1.9e9

    def __call__(self) -> float:
        return self.now


def opened(folder: Path, text: str | None = BRIEF, clock: Clock | None = None) -> Document:
    if text is not None:
        (folder / "brief.toml").write_text(text, encoding="utf-8")
    return Document(folder, now=clock or Clock())


def changed(document: Document, **change: Any) -> Snapshot:
    return document.change(document.now().revision, read_change(change))


def test_a_change_keeps_comments_and_order_of_everything_else(tmp_path: Path) -> None:
    document = opened(tmp_path)
    changed(document, do="set-area", name="valley", values={"deepest": 15})
    assert (tmp_path / "brief.toml").read_text("utf-8") == BRIEF.replace("deepest = 14", "deepest = 15")


@pytest.mark.parametrize("priority", [1, 99])
def test_a_priority_comes_and_goes_and_leaves_the_brief_as_it_was(tmp_path: Path, priority: int) -> None:
    document = opened(tmp_path)
    given = changed(document, do="set-area", name="valley", values={"priority": priority})
    assert given.brief is not None
    assert [area.priority for area in given.brief.areas] == [None, priority]
    assert Brief.read(tmp_path).areas[1].priority == priority
    copied = changed(document, do="copy-area", name="valley", to="valley, east")
    assert copied.brief is not None
    assert copied.brief.areas[2].priority == priority
    changed(document, do="delete-area", name="valley, east")
    changed(document, do="set-area", name="valley", values={"priority": None})
    assert (tmp_path / "brief.toml").read_text("utf-8").split() == BRIEF.split()
    with pytest.raises(BriefError, match="from 1 to 99"):
        changed(document, do="set-area", name="valley", values={"priority": 0})


def test_an_area_to_be_kept_is_set_copied_and_taken_back_and_make_it_fit_leaves_it_alone(
    tmp_path: Path,
) -> None:
    document = opened(tmp_path)
    kept = changed(document, do="set-area", name="camp", values={"keep": True})
    assert kept.brief is not None
    assert [area.keep for area in kept.brief.areas] == [True, False]
    planner = Planner()
    found = proposals(kept.brief, planner.plan(kept.brief), planner, None, {"target": "1 MB"})
    assert {edit["area"] for change in found["changes"] for edit in change["edits"]} == {"valley", "overview"}
    copied = changed(document, do="copy-area", name="camp", to="camp 2")
    assert copied.brief is not None
    assert [area.keep for area in copied.brief.areas] == [True, True, False]
    changed(document, do="delete-area", name="camp 2")
    changed(document, do="set-area", name="camp", values={"keep": None})
    assert tomllib.loads((tmp_path / "brief.toml").read_text("utf-8")) == tomllib.loads(BRIEF)


def test_an_empty_folder_becomes_a_brief_step_by_step(tmp_path: Path) -> None:
    document = opened(tmp_path, None)
    assert document.now().lacks == "a map layer and an area"
    assert not (tmp_path / "brief.toml").exists()
    assert changed(document, do="add-layer", name="aerial", values=LAYER).lacks == "an area"
    done = changed(document, do="add-area", values=CAMP)
    assert done.brief is not None
    assert Brief.read(tmp_path).areas[0].deepest_zoom == 18


def test_a_name_that_is_not_there_yet_becomes_a_folder_with_a_brief_in_it(tmp_path: Path) -> None:
    document = Document(tmp_path / "trips" / "north", now=Clock())
    assert not (tmp_path / "trips").exists()
    changed(document, do="set-brief", values={"title": "North"})
    assert [p.name for p in (tmp_path / "trips" / "north").iterdir()] == ["brief.toml"]
    named = Document(tmp_path / "other.toml", now=Clock())
    changed(named, do="set-brief", values={"title": "Other"})
    assert (tmp_path / "other.toml").is_file()


def test_a_change_that_makes_no_sound_brief_changes_nothing(tmp_path: Path) -> None:
    document = opened(tmp_path)
    with pytest.raises(BriefError, match="deepest"):
        changed(document, do="set-area", name="valley", values={"deepest": 99})
    assert (document.now().text, document.now().revision) == (BRIEF, 1)
    assert (tmp_path / "brief.toml").read_text("utf-8") == BRIEF


def test_an_incomplete_brief_may_still_not_be_wrong(tmp_path: Path) -> None:
    document = opened(tmp_path, None)
    with pytest.raises(BriefError, match="zooms"):
        changed(document, do="add-layer", name="aerial", values={**LAYER, "zooms": "all"})


def test_a_page_with_an_old_revision_is_told_so(tmp_path: Path) -> None:
    document = opened(tmp_path)
    changed(document, do="set-brief", values={"title": "New"})
    with pytest.raises(StaleRevisionError):
        document.change(1, read_change({"do": "delete-area", "name": "camp"}))
    assert len(document.now().text.split("[[areas]]")) == 3


def test_what_another_hand_wrote_is_never_written_over_unasked(tmp_path: Path) -> None:
    document = opened(tmp_path)
    theirs = BRIEF.replace("Ketterling", "By hand")
    (tmp_path / "brief.toml").write_text(theirs, encoding="utf-8")
    with pytest.raises(ChangedElsewhereError) as told:
        changed(document, do="set-area", name="valley", values={"deepest": 15})
    assert (told.value.theirs, (tmp_path / "brief.toml").read_text("utf-8")) == (theirs, theirs)
    taken = document.take_theirs()
    assert taken.brief is not None
    assert taken.brief.title == "By hand"
    assert document.undo(taken.revision).text == BRIEF


def test_keeping_ours_leaves_theirs_among_the_versions(tmp_path: Path) -> None:
    document = opened(tmp_path)
    changed(document, do="set-brief", values={"title": "Ours"})
    theirs = BRIEF.replace("Ketterling", "By hand")
    (tmp_path / "brief.toml").write_text(theirs, encoding="utf-8")
    assert "Ours" in document.keep_ours().text
    assert "Ours" in (tmp_path / "brief.toml").read_text("utf-8")
    assert theirs in [document.version(name) for name in document.versions()]


def test_renaming_and_deleting_an_area_is_followed_by_the_crews(tmp_path: Path) -> None:
    document = opened(tmp_path)
    done = changed(document, do="set-area", name="camp", values={"name": "Base camp"})
    assert done.brief is not None
    assert done.brief.crews[0].areas == ("Base camp", "valley")
    done = changed(document, do="delete-area", name="valley")
    assert done.brief is not None
    assert done.brief.crews[0].areas == ("Base camp",)


def test_deleting_the_last_area_leaves_an_incomplete_brief_that_undo_mends(tmp_path: Path) -> None:
    document = opened(tmp_path)
    changed(document, do="delete-crew", name="North")
    changed(document, do="delete-area", name="camp")
    assert changed(document, do="delete-area", name="valley").lacks == "an area"
    assert document.undo(document.now().revision).brief is not None


def test_a_copied_area_stands_after_its_model_and_may_move(tmp_path: Path) -> None:
    document = opened(tmp_path)
    done = changed(document, do="copy-area", name="camp", to="camp 2")
    assert done.brief is not None
    assert [area.name for area in done.brief.areas] == ["camp", "camp 2", "valley"]
    done = changed(document, do="move-area", name="valley", to=0)
    assert done.brief is not None
    assert [area.name for area in done.brief.areas] == ["valley", "camp", "camp 2"]
    assert "# where the cars wait" in done.text


def test_a_drawn_line_is_written_as_positions(tmp_path: Path) -> None:
    document = opened(tmp_path)
    line = [[12.5 + i / 100, 47.1] for i in range(7)]
    values = {"name": "drawn", "line": line, "half-width": "250 m", "deepest": 15}
    done = changed(document, do="add-area", values=values)
    assert tomllib.loads(done.text)["areas"][-1]["line"] == line
    assert done.brief is not None
    assert done.brief.areas[-1].line == tuple(map(tuple, line))


def test_the_overview_can_be_taken_away_and_come_back(tmp_path: Path) -> None:
    document = opened(tmp_path)
    gone = changed(document, do="set-overview", values=False)
    assert gone.brief is not None
    assert gone.brief.overview is False
    back = changed(document, do="set-overview", values={"margin": "5 km", "deepest": 11})
    assert back.brief is not None
    assert back.brief.overview
    assert back.brief.overview.deepest == 11


def test_the_last_twenty_versions_are_kept_and_no_more(tmp_path: Path) -> None:
    clock = Clock()
    document = opened(tmp_path, clock=clock)
    for number in range(KEPT + 5):
        clock.now += 120
        changed(document, do="set-brief", values={"title": f"No. {number}"})
    names = document.versions()
    assert len(names) == KEPT
    assert f"No. {KEPT + 3}" in document.version(names[0])
    with pytest.raises(InputError, match="no version"):
        document.version("../brief.toml")


@pytest.mark.parametrize(
    "sent",
    [
        {},
        {"do": "explode"},
        {"do": "set-area", "name": "camp"},
        {"do": "set-area", "name": 3, "values": {}},
        {"do": "move-area", "name": "camp", "to": -1},
        {"do": "delete-area", "name": "camp", "more": 1},
        [],
        None,
    ],
)
def test_what_is_no_change_is_refused_in_a_sentence(sent: object) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        read_change(sent)


@pytest.mark.parametrize(
    "do", ["set-area", "delete-area", "copy-area", "move-area", "set-layer", "delete-crew"]
)
def test_a_name_that_is_gone_is_told(tmp_path: Path, do: str) -> None:
    needed: dict[str, dict[str, Any]] = {
        "set-area": {"values": {"deepest": 3}},
        "copy-area": {"to": "x"},
        "move-area": {"to": 0},
        "set-layer": {"values": {"zooms": [0, 3]}},
    }
    with pytest.raises(InputError, match="any more"):
        changed(opened(tmp_path), do=do, name="gone", **needed.get(do, {}))


NAMES = st.sampled_from(["camp", "valley", "a", "b", "c"])
ZOOMS = st.integers(0, 20)
CHANGES = st.one_of(
    st.builds(
        lambda n, z: {"do": "set-area", "name": n, "values": {"deepest": z, "use": None}}, NAMES, ZOOMS
    ),
    st.builds(lambda n, t: {"do": "copy-area", "name": n, "to": t}, NAMES, NAMES),
    st.builds(lambda n: {"do": "delete-area", "name": n}, NAMES),
    st.builds(lambda n, t: {"do": "move-area", "name": n, "to": t}, NAMES, st.integers(0, 9)),
    st.builds(lambda n, t: {"do": "set-area", "name": n, "values": {"name": t}}, NAMES, NAMES),
    st.builds(lambda t: {"do": "set-brief", "values": {"title": t}}, st.text(max_size=9)),
    st.just({"do": "undo"}),
    st.just({"do": "redo"}),
)


@settings(
    max_examples=tries(20, 60), suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(changes=st.lists(CHANGES, max_size=25))
def test_whatever_is_done_the_file_is_the_state_and_undo_leads_all_the_way_back(
    tmp_path: Path, changes: list[dict[str, Any]]
) -> None:
    document = opened(tmp_path)
    for change in changes:
        before = document.now()
        try:
            if change["do"] in ("undo", "redo"):
                getattr(document, change["do"])(before.revision)
            else:
                document.change(before.revision, read_change(json.loads(json.dumps(change))))
        except (InputError, BriefError):
            assert document.now() == before
        assert (tmp_path / "brief.toml").read_text("utf-8") == document.now().text
        assert tomllib.loads(document.now().text) is not None
    while document.now().can_undo:
        document.undo(document.now().revision)
    assert document.now().text == BRIEF


def test_a_layer_is_laid_over_another_and_lifted_again_and_the_page_is_told(tmp_path: Path) -> None:
    (tmp_path / "brief.toml").write_text(BRIEF, encoding="utf-8")
    document = Document(tmp_path, now=Clock())

    def over(**change: object) -> list[str | None]:
        now = document.change(document.now().revision, read_change(change))
        return [one["over"] for one in layer_facts(now, read_table(now.text))]

    flight = {**LAYER, "over": "aerial"}
    assert over(do="add-layer", name="flight", values=flight) == [None, "aerial"]
    assert over(do="set-layer", name="flight", values={"over": None}) == [None, None]
