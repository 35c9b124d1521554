"""The desk's figures and shapes after a change: only what changed is worked out again, and nothing else comes of it."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest

from packer.desk import drawn_shapes, figures
from packer.desk.changes import SetArea, read_change
from packer.desk.drawn_shapes import DrawnShapes
from packer.desk.figures import Planner, SupersededError
from packer.desk.session import Session
from packer.desk.weighing import Weighing
from packer.errors import InputError
from packer.geometry.shapes import Shape
from packer.planning.brief import Brief
from packer.planning.plan import Plan, plan
from packer.survey.estimate import pack_sizes
from packer.view.outlines import (
    area_features,
    edge_features,
    line_features,
    route_features,
    shape_features,
)
from tests.test_desk_document import BRIEF
from tests.view_board import build

GPX = (
    '<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><wpt lat="47" lon="12"><name>hut</name></wpt><trk>'
    '<trkseg><trkpt lat="47" lon="12"/><trkpt lat="47.05" lon="12.1"/></trkseg></trk></gpx>'
)
CHANGES: list[dict[str, Any]] = [
    {"do": "set-area", "name": "camp", "values": {"radius": "900 m"}},
    {"do": "set-area", "name": "way", "values": {"half-width": "400 m"}},
    {"do": "set-area", "name": "way", "values": {"deepest": 13}},
    {"do": "add-area", "values": {"name": "far", "box": [12.4, 47.2, 12.5, 47.3], "deepest": 12}},
    {"do": "copy-area", "name": "way", "to": "way 2"},
    {
        "do": "move-area",
        "name": "way 2",
        "to": 0,
    },  # the plan's middle, and with it where ±180 is crossed, is its
    {"do": "set-area", "name": "camp", "values": {"name": "base"}},
    {"do": "delete-area", "name": "way"},
    {"do": "set-overview", "values": False},
]


@pytest.fixture
def session(tmp_path: Path) -> Session:
    (tmp_path / "w.gpx").write_text(GPX, encoding="utf-8")
    text = BRIEF.split("[[areas]]")[0]
    camp = '[[areas]]\nname = "camp"\npoint = [12.05, 47.02]\nradius = "500 m"\ndeepest = 14\n'
    way = '[[areas]]\nname = "way"\nline = "w.gpx"\nhalf-width = "300 m"\ndeepest = 14\n'
    (tmp_path / "brief.toml").write_text(f"{text}{camp}{way}", encoding="utf-8")
    return Session(tmp_path)


def change(session: Session, one: dict[str, Any]) -> None:
    session.change(session.document.now().revision, read_change(one))


def test_after_any_change_figures_and_shapes_are_those_of_a_desk_that_was_just_opened(
    session: Session,
) -> None:
    session.figures()
    for one in CHANGES:
        change(session, one)
        _, brief, worked_out = session.plan()
        fresh = plan(brief)
        assert worked_out.fingerprint == fresh.fingerprint
        found = Planner().figures(brief, fresh, None, lambda: True)
        told = session.figures()
        assert told.pop("disk_free") > 0
        found.pop("disk_free")  # other programs write meanwhile
        assert told == {"revision": session.document.now().revision, **found}
        assert session.drawn.document(worked_out) == DrawnShapes().document(fresh)


def test_shapes_are_those_of_the_view_with_the_edges_of_the_corridors(session: Session) -> None:
    _, _, worked_out = session.plan()
    told = json.loads(session.drawn.document(worked_out))
    there = [*edge_features(worked_out), *area_features(worked_out)["features"]]
    there += route_features(worked_out)["features"]
    assert told["features"] == json.loads(json.dumps(there))
    assert told["middle"] == list(worked_out.middle)


def test_of_many_areas_only_the_changed_one_is_weighed_and_drawn_again(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    session.figures()
    session.drawn.document(session.plan()[2])
    weighed, drawn, lines = list[Any](), list[str](), list[str]()
    real = figures._area

    def weigh(parts: Any) -> dict[str, Any]:
        weighed.append(parts)
        return real(parts)

    def draw(name: str, shape: Shape, middle: float) -> list[dict[str, Any]]:
        drawn.append(name)
        return shape_features(name, shape, middle)

    def line(name: str, shape: Shape, middle: float) -> list[dict[str, Any]]:
        lines.append(name)
        return line_features(name, shape, middle)

    monkeypatch.setattr(figures, "_area", weigh)
    monkeypatch.setattr(drawn_shapes, "shape_features", draw)
    monkeypatch.setattr(drawn_shapes, "line_features", line)
    change(session, {"do": "set-area", "name": "way", "values": {"half-width": "310 m"}})
    session.figures()
    session.drawn.document(session.plan()[2])
    assert len(weighed) == 1  # the overview round them grew by no tile
    assert drawn == ["way"]
    assert lines == []  # its line is where it was


def test_a_pack_is_read_once_and_again_when_it_has_changed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    board = build(tmp_path)
    read = list[str]()

    def counted(layer: Any, pack: Path) -> Any:
        read.append(layer.name)
        return pack_sizes(layer, pack)

    monkeypatch.setattr(figures, "pack_sizes", counted)
    planner, worked_out = Planner(board.store), plan(board.brief)
    first = planner.figures(board.brief, worked_out, None, lambda: True)
    assert planner.figures(board.brief, worked_out, None, lambda: True)["bytes"] == first["bytes"]
    packs = sorted(set(read))
    assert sorted(read) == packs
    pack = board.store / f"{packs[0]}.mbtiles"
    os.utime(pack, ns=(1, 1))
    planner.figures(board.brief, worked_out, None, lambda: True)
    assert read[len(packs) :] == [packs[0]]


def weighed(weighing: Weighing, name: str, **values: Any) -> dict[str, Any]:
    asked = read_change({"do": "set-area", "name": name, "values": values})
    assert isinstance(asked, SetArea)
    return weighing.weigh(asked)


def test_what_a_shape_would_weigh_is_what_it_weighs_once_it_is_let_go_and_nothing_is_changed_before(
    session: Session,
) -> None:
    before = session.document.now()
    told = weighed(Weighing(session), "camp", radius="2 km", deepest=15)
    assert session.document.now() == before
    assert not list(session.document.path.parent.glob(".versions"))
    change(session, {"do": "set-area", "name": "camp", "values": {"radius": "2 km", "deepest": 15}})
    found = session.figures()
    assert told == {**{key: found[key] for key in told if key != "area"}, "area": found["areas"]["camp"]}


def test_of_two_questions_the_newer_one_ends_the_older(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    weighing, real = Weighing(session), session.planner.plan
    newer = list[dict[str, Any]]()

    def overtaken(brief: Brief) -> Plan:
        monkeypatch.setattr(session.planner, "plan", real)
        newer.append(weighed(weighing, "camp", radius="900 m"))
        return real(brief)

    monkeypatch.setattr(session.planner, "plan", overtaken)
    with pytest.raises(SupersededError):
        weighed(weighing, "camp", radius="800 m")
    assert newer[0]["tiles"] > 0


@pytest.mark.parametrize(
    ("name", "values"), [("camp", {"radius": "-3 m"}), ("camp", {"point": [1]}), ("gone", {"radius": "1 km"})]
)
def test_a_shape_that_cannot_be_is_refused_in_a_sentence(
    session: Session, name: str, values: dict[str, Any]
) -> None:
    with pytest.raises(InputError, match=r"\.$"):
        weighed(Weighing(session), name, **values)
