"""Who gets what: crews, their budgets, and the folders they are given."""

from __future__ import annotations

from pathlib import Path

import pytest

from packer.errors import BriefError
from packer.geometry.tileset import TileSet
from packer.handover import DeviceCrew, handover, inspect_folder
from packer.handover.crews import folder_name
from packer.planning.brief import Brief
from packer.planning.plan import OVERVIEW, Plan
from tests.handover_packs import brief_in, packs
from tests.test_handover_parts import tiles_of

NORTH = DeviceCrew("north team", areas=("east",))
SOUTH = DeviceCrew("south", areas=("west",), layers=("topo",))


@pytest.fixture(scope="module")
def ready(tmp_path_factory: pytest.TempPathFactory) -> tuple[Brief, Plan]:
    brief, worked_out = brief_in(tmp_path_factory.mktemp("source"))
    packs(brief, worked_out)
    return brief, worked_out


def test_each_crew_gets_its_areas_and_the_overview_and_nothing_else(
    ready: tuple[Brief, Plan], tmp_path: Path
) -> None:
    brief, worked_out = ready
    report = handover(brief, worked_out, None, tmp_path / "out", crews=[NORTH, SOUTH])
    areas = {
        (name, area.name): area.tiles for name, layer in worked_out.layers.items() for area in layer.areas
    }
    north, south = tmp_path / "out" / "north team", tmp_path / "out" / "south"
    assert [copy.folder for copy in report.copies] == [north, south]
    assert sorted(p.name for p in north.glob("*.mbtiles")) == ["aerial.mbtiles"]
    assert sorted(p.name for p in south.glob("*.mbtiles")) == ["topo.mbtiles"]
    assert tiles_of(north / "aerial.mbtiles") == areas["aerial", "east"] | areas["aerial", OVERVIEW]
    assert tiles_of(south / "topo.mbtiles") == areas["topo", "west"] | areas["topo", OVERVIEW]
    card = (north / "ON THIS CARD.txt").read_text(encoding="utf-8")
    assert "For the devices of crew north team." in card
    assert "Areas: east." in card
    assert inspect_folder(north).intact
    assert inspect_folder(south).intact


def test_crew_without_areas_or_layers_gets_everything(ready: tuple[Brief, Plan], tmp_path: Path) -> None:
    brief, worked_out = ready
    handover(brief, worked_out, None, tmp_path, crews=[DeviceCrew("all")])
    found = TileSet.union(tiles_of(path) for path in (tmp_path / "all").glob("aerial*.mbtiles"))
    assert found == worked_out.layers["aerial"].tiles


def test_crew_over_its_budget_is_refused_with_figures_and_nothing_is_written(
    ready: tuple[Brief, Plan], tmp_path: Path
) -> None:
    brief, worked_out = ready
    tight = DeviceCrew("tight", budget_bytes=150_000)
    with pytest.raises(BriefError) as refused:
        handover(brief, worked_out, None, tmp_path / "out", crews=[NORTH, tight])
    text = str(refused.value)
    assert 'Crew "tight" has a budget of 150 kB' in text
    assert "too much" in text
    assert 'area "west" of aerial' in text
    assert "zoom 15 of aerial" in text
    assert not (tmp_path / "out").exists()


def test_budget_that_the_files_fit_is_kept(ready: tuple[Brief, Plan], tmp_path: Path) -> None:
    brief, worked_out = ready
    free = handover(brief, worked_out, None, tmp_path / "1", crews=[NORTH]).copies[0]
    fits = DeviceCrew("north team", areas=("east",), budget_bytes=free.predicted_bytes)
    copy = handover(brief, worked_out, None, tmp_path / "2", crews=[fits]).copies[0]
    maps = [file.size_bytes for file in copy.manifest.files if file.kind != "text"]
    assert sum(maps) <= free.predicted_bytes


@pytest.mark.parametrize(
    ("crews", "reason"),
    [
        ([DeviceCrew("a", areas=("nowhere",))], 'names the area "nowhere"'),
        ([DeviceCrew("a", areas=(OVERVIEW,))], 'names the area "overview"'),
        ([DeviceCrew("a", layers=("sonar",))], 'names the layer "sonar"'),
        ([DeviceCrew("a", areas=("east",), layers=("topo",))], "would get no tile at all"),
        ([DeviceCrew("North"), DeviceCrew("north")], "would share one folder"),
        ([DeviceCrew("a"), DeviceCrew("a")], "would share one folder"),
        ([DeviceCrew("..")], "cannot be a folder name"),
        ([DeviceCrew("con")], "cannot be a folder name"),
    ],
)
def test_crews_that_make_no_sense_are_refused(
    ready: tuple[Brief, Plan], tmp_path: Path, crews: list[DeviceCrew], reason: str
) -> None:
    brief, worked_out = ready
    with pytest.raises(BriefError, match=reason):
        handover(brief, worked_out, None, tmp_path / "out", crews=crews)
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("name", ["../../etc", "/etc", "a\\b", "a/../b", "équipe ✈ B", ".hidden", "x" * 300])
def test_no_crew_name_leads_out_of_the_target(name: str) -> None:
    plain = folder_name(name)
    assert Path("/t", plain).parent == Path("/t")
    assert plain == Path(plain).name
    assert not plain.startswith(".")
    assert len(plain) <= 60


# Microsoft, "Naming Files, Paths, and Namespaces": these names, whatever follows them after a dot.
@pytest.mark.parametrize(
    "name",
    ["con", "CON .north", "com1 .x", "COM¹", "lpt².team", "Lpt³ . b", "com0", "LPT9", "aux.1", "prn  .a"],
)
def test_name_that_windows_keeps_for_a_device_is_no_folder(name: str) -> None:
    with pytest.raises(
        BriefError, match=r"cannot be a folder name, because Windows reserves .* for a device"
    ):
        folder_name(name)


@pytest.mark.parametrize("name", ["constance", "com", "com10", "COM⁴", "north con", "con-north", "lpt1x.con"])
def test_name_that_only_looks_like_a_device_is_a_folder(name: str) -> None:
    assert folder_name(name) == name
