"""Depth by layer inside one area: how it is read, what it plans, and that edits write it."""

from __future__ import annotations

from pathlib import Path

import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st

from packer.errors import BriefError
from packer.planning.brief import Brief
from packer.planning.brief_edits import (
    Deepest,
    DeepestByLayer,
    Edit,
    Layers,
    edited,
    limits,
    lowered,
    rewrite,
)
from packer.planning.plan import plan
from packer.survey.estimate import LayerSizes
from packer.survey.tradeoffs import Target, fit

BRIEF = """\
title = "Depths"
contact = "maps@example.org"

[layers.aerial]
url = "https://tiles.example.org/a/{z}/{x}/{y}.jpg"
attribution = "Example"
permission = "Own server"
zooms = [0, 19]

[layers.relief]
url = "https://tiles.example.org/r/{z}/{x}/{y}.png"
attribution = "Example"
permission = "Own server"
zooms = [0, 15]

[[areas]]
name = "valley"
box = [12.30, 47.00, 12.34, 47.03]
"""


def brief_of(area: str, folder: Path) -> Brief:
    path = folder / "brief.toml"
    path.write_text(BRIEF + area, encoding="utf-8")
    return Brief.read(path)


def test_each_layer_is_planned_to_its_own_depth(tmp_path: Path) -> None:
    brief = brief_of("deepest = { aerial = 16, relief = 12 }\nat-least = { relief = 11 }\n", tmp_path)
    worked_out = plan(brief)
    depths = {(a.name, n): (a.asked, a.floor) for n, la in worked_out.layers.items() for a in la.areas}
    assert depths["valley", "aerial"] == (16, 12)
    assert depths["valley", "relief"] == (12, 11)
    assert worked_out.layers["aerial"].tiles.zooms[-1] == 16
    assert worked_out.layers["relief"].tiles.zooms[-1] == 12


def test_it_is_the_plan_of_two_areas_of_one_shape(tmp_path: Path) -> None:
    one = plan(brief_of("deepest = { aerial = 16, relief = 12 }\n", tmp_path))
    twice = (
        'deepest = 16\nlayers = ["aerial"]\n[[areas]]\nname = "again"\nbox = [12.30, 47.00, 12.34, 47.03]\n'
        'deepest = 12\nlayers = ["relief"]\n'
    )
    two = plan(brief_of(twice, tmp_path))
    assert one.fingerprint == two.fingerprint
    assert not one.remarks
    (remark,) = two.remarks
    assert 'Areas "valley" and "again" have the same shape' in remark
    assert "deepest = { aerial = 16, relief = 12 }" in remark


@pytest.mark.parametrize(
    ("area", "said"),
    [
        ("deepest = { aerial = 16 }", 'deepest gives no zoom for layer "relief", which the area uses'),
        (
            "deepest = { aerial = 16, relif = 12 }",
            'deepest names "relif", which is not a layer of this brief',
        ),
        ("deepest = { aerial = 16, relief = 25 }", "a whole number from 0 to 24"),
        ("deepest = { aerial = true, relief = 12 }", "a whole number from 0 to 24"),
        ("deepest = {}", "{ aerial = 17, relief = 14 }"),
        ('deepest = "16"', "{ aerial = 17, relief = 14 }"),
        (
            'deepest = { aerial = 16, relief = 12 }\nlayers = ["aerial"]',
            'names layer "relief", which the area does',
        ),
        ("deepest = 14\nat-least = 15", 'at-least is 15 for layer "aerial", which is deeper than the 14'),
        ("deepest = { aerial = 16, relief = 12 }\nat-least = 13", 'at-least is 13 for layer "relief"'),
        ('use = "road"\nat-least = { aerial = 16 }', "deeper than the 15"),
        ('deepest = { aerial = 16, relief = 12 }\nuse = "road"', "the depth is needed exactly once"),
        ("deepest = 14\nat-least = { sea = 12 }", 'at-least names "sea", which is not a layer of this brief'),
    ],
)
def test_a_fault_in_depths_is_one_sentence_that_names_the_area(tmp_path: Path, area: str, said: str) -> None:
    with pytest.raises(BriefError) as fault:
        brief_of(area + "\n", tmp_path)
    assert said in str(fault.value)
    assert '"valley"' in str(fault.value)


def test_a_survey_that_finds_layers_of_different_worth_writes_one_area_with_a_depth_each(
    tmp_path: Path,
) -> None:
    brief = brief_of("deepest = 17 # far\n", tmp_path)
    edits = limits(brief, {"aerial": {"valley": 16}, "relief": {"valley": 12}})
    after = rewrite(brief, edits)
    assert [area.name for area in after.areas] == ["valley"]
    assert "deepest = { aerial = 16, relief = 12 } # far\n" in brief.path.read_text(encoding="utf-8")
    assert after == Brief.read(brief.path)


def test_no_edit_goes_above_at_least(tmp_path: Path) -> None:
    brief = brief_of("deepest = 17\nat-least = { aerial = 15 }\n", tmp_path)
    (edit,) = limits(brief, {"aerial": {"valley": 10}, "relief": {"valley": 10}})
    assert edit == DeepestByLayer("valley", (("aerial", 15), ("relief", 10)))
    rewrite(brief, [edit])
    found = fit(brief, plan(brief), {n: LayerSizes() for n in brief.layers}, {}, Target(disk_bytes=1))
    assert edited(brief, found.edits).areas[0].deepest_for("aerial") >= 15


def test_a_fit_lowers_the_deepest_layer_of_a_table_and_leaves_the_others(tmp_path: Path) -> None:
    brief = brief_of("deepest = { aerial = 17, relief = 12 }\n", tmp_path)
    (area,) = brief.areas
    assert lowered(brief, area, 16) == DeepestByLayer("valley", (("aerial", 16), ("relief", 12)))
    whole = {n: LayerSizes() for n in brief.layers}
    before = fit(brief, plan(brief), whole, {}, Target(disk_bytes=10**12)).before
    found = fit(brief, plan(brief), whole, {}, Target(disk_bytes=round(0.4 * before.bytes)))
    assert found.reached
    after = rewrite(brief, found.edits).areas[0]
    assert (len(found.edits), after.deepest_for("relief")) == (1, 12)
    assert 10 <= after.deepest_for("aerial") < 17


def test_a_layer_taken_out_of_an_area_leaves_its_depths_as_well(tmp_path: Path) -> None:
    text = "deepest = { aerial = 17, relief = 12 }\nat-least = { relief = 11 } # so much\n"
    text += 'layers = ["aerial", "relief"]\n'
    brief = brief_of(text, tmp_path)
    after = rewrite(brief, [Layers("valley", ("aerial",))])
    assert (after.areas[0].deepest, after.areas[0].at_least) == ({"aerial": 17}, None)
    assert Brief.read(brief.path) == after


depths = st.integers(8, 18)


@settings(max_examples=40, deadline=None)
@given(
    st.one_of(depths, st.fixed_dictionaries({"aerial": depths, "relief": depths})),
    st.lists(st.one_of(depths, st.fixed_dictionaries({"aerial": depths, "relief": depths})), max_size=4),
)
def test_text_and_model_come_to_the_same_brief_whatever_the_edits(
    tmp_path_factory: pytest.TempPathFactory, first: int | dict[str, int], more: list[int | dict[str, int]]
) -> None:
    written = tomlkit.dumps({"deepest": first}) if isinstance(first, int) else f"deepest = {_inline(first)}\n"
    brief = brief_of(written, tmp_path_factory.mktemp("edits"))
    edits: list[Edit] = [
        Deepest("valley", one) if isinstance(one, int) else DeepestByLayer("valley", tuple(one.items()))
        for one in more
    ]
    assert rewrite(brief, edits) == edited(brief, edits) == Brief.read(brief.path)


def _inline(zooms: dict[str, int]) -> str:
    return f"{{ {', '.join(f'{name} = {zoom}' for name, zoom in zooms.items())} }}"
