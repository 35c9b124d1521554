"""The plan: every tile that the brief asks for, once."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import mercantile
import numpy as np
import pytest
import shapely
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st

from packer.errors import EXIT_INPUT, PlanError
from packer.geometry.grid import MAX_LATITUDE
from packer.geometry.tileset import Tile, TileSet
from packer.planning.brief import Brief
from packer.planning.plan import OVERVIEW, Plan, lines_of, plan

quick = settings(max_examples=40, deadline=None)  # a busy machine is no failure

VALLEY = 'name = "valley"\nbox = [12.30, 47.00, 12.42, 47.06]\ndeepest = 13'
CAMP = 'name = "camp"\npoint = [12.38, 47.05]\nradius = "1500 m"\ndeepest = 14'
COURSE = 'name = "course"\nline = "course.geojson"\nhalf-width = "400 m"\ndeepest = 15'
SECTOR = 'name = "sector"\npolygon = "sector.geojson"\ndeepest = 14'

LINE = [[12.31, 47.01], [12.35, 47.03], [12.36, 47.08]]
RING = [[12.33, 47.02], [12.41, 47.01], [12.37, 47.07], [12.33, 47.02]]


def brief_of(
    areas: list[str],
    layers: dict[str, tuple[int, int]] | None = None,
    overview: str = "overview = false",
    path: Path | str = "brief.toml",
) -> Brief:
    text = 'title = "t"\n' + (overview if overview.startswith("overview") else "") + "\n"
    for name, (first, last) in (layers or {"aerial": (0, 19)}).items():
        text += (
            f'[layers.{name}]\nurl = "https://t.example.org/{name}/{{z}}/{{x}}/{{y}}"\nattribution = "S"\n'
            f'permission = "O"\nzooms = [{first}, {last}]\n'
        )
    text += "".join(f"[[areas]]\n{area}\n" for area in areas)
    return Brief.from_text(text + ("" if overview.startswith("overview") else overview), path)


def plan_of(*areas: str, **more: Any) -> Plan:
    return plan(brief_of(list(areas), **more))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    line = {"type": "LineString", "coordinates": LINE}
    (tmp_path / "course.geojson").write_text(json.dumps(line), encoding="utf-8")
    sector = {"type": "Polygon", "coordinates": [RING]}
    (tmp_path / "sector.geojson").write_text(json.dumps(sector), encoding="utf-8")
    return tmp_path


# --- brute force: every candidate tile of mercantile, one at a time, with shapely and geographiclib ----


def candidates(zoom: int) -> list[mercantile.Tile]:
    return list(mercantile.tiles(12.2, 46.95, 12.5, 47.15, [zoom]))


def square(tile: mercantile.Tile) -> Any:
    return shapely.box(*mercantile.bounds(tile))


def overlapping(ground: Any, zoom: int) -> set[Tile]:
    """Tiles that share an area with a polygon; what is a sliver by OGC 17-083r4 Annex I has to be avoided."""
    return {Tile(t.z, t.x, t.y) for t in candidates(zoom) if ground.intersection(square(t)).area > 0}


def near(places: list[list[float]], reach_m: float, zoom: int) -> set[Tile]:
    """Tiles whose square comes within a distance of a short line, by geodesics to the nearest point in degrees
    of equal length: exact to some centimetres over a few kilometres, which the tiles here do not hang on."""
    east = math.cos(math.radians(47.04))
    found = set()
    shrunk = np.array(places) * [east, 1]
    line = shapely.LineString(shrunk) if len(places) > 1 else shapely.Point(shrunk[0])
    for tile in candidates(zoom):
        west, south, rim, north = mercantile.bounds(tile)
        a, b = shapely.get_coordinates(
            shapely.shortest_line(line, shapely.box(west * east, south, rim * east, north))
        )
        distance_m = Geodesic.WGS84.Inverse(a[1], a[0] / east, b[1], b[0] / east)["s12"]
        assert abs(distance_m - reach_m) > 0.5, (
            "a tile too near the edge for this check; choose other figures"
        )
        if distance_m <= reach_m:
            found.add(Tile(tile.z, tile.x, tile.y))
    return found


def test_a_plan_of_three_layers_equals_brute_force(folder: Path) -> None:
    layers = {"aerial": (0, 19), "topo": (5, 13), "hills": (14, 15)}
    areas = [VALLEY, CAMP + '\nlayers = ["aerial", "hills"]', COURSE, SECTOR + '\nlayers = ["topo"]']
    worked_out = plan(brief_of(areas, layers, path=folder / "brief.toml"))
    wanted: dict[str, set[Tile]] = {name: set() for name in layers}
    for zoom in range(16):
        if zoom <= 13:
            valley = overlapping(shapely.box(12.30, 47.00, 12.42, 47.06), zoom)
            wanted["aerial"] |= valley
            wanted["topo"] |= valley if zoom >= 5 else set()
        if zoom <= 14:
            camp = near([[12.38, 47.05]], 1500, zoom)
            wanted["aerial"] |= camp
            wanted["hills"] |= camp if zoom >= 14 else set()
        course = near(LINE, 400, zoom)
        wanted["aerial"] |= course
        wanted["topo"] |= course if 5 <= zoom <= 13 else set()
        wanted["hills"] |= course if zoom >= 14 else set()
        if 5 <= zoom <= 13:
            wanted["topo"] |= overlapping(shapely.Polygon(RING), zoom)
    for name, tiles in wanted.items():
        assert set(worked_out.layers[name].tiles) == tiles, name
    assert worked_out.count == sum(map(len, wanted.values()))


def test_a_tile_that_many_areas_ask_for_counts_once(folder: Path) -> None:
    path = folder / "brief.toml"
    one = plan(brief_of([COURSE], path=path))
    three = plan(brief_of([COURSE, COURSE.replace('"course"', '"again"'), CAMP], path=path))
    layer = three.layers["aerial"]
    assert one.layers["aerial"].tiles - layer.tiles == TileSet()
    assert layer.tiles == TileSet.union(area.tiles for area in layer.areas)
    assert len(layer.tiles) < sum(len(area.tiles) for area in layer.areas)
    assert [area.name for area in layer.areas] == ["course", "again", "camp"]
    assert len(set(layer.tiles)) == len(layer.tiles) == three.count


# No edge lies within 1e-6 of a tile from another tile's edge: such an overlap counts at one zoom and not at the next.
BOX = st.builds(
    lambda west, south, width, height, deepest: (
        round(west, 2) + 0.005,
        round(south, 2) + 0.005,
        round(width, 2) + 0.02,
        round(height, 2) + 0.02,
        deepest,
    ),
    st.floats(-180, 178.9),
    st.floats(-80, 70),
    st.floats(0.01, 170),
    st.floats(0.01, 10),
    st.integers(0, 9),
)


@quick
@given(st.lists(BOX, min_size=1, max_size=4), st.integers(0, 6), st.integers(0, 6))
def test_every_layer_gets_the_union_of_its_areas_cut_to_its_zooms(
    boxes: list[tuple[float, float, float, float, int]], first: int, more: int
) -> None:
    areas = []
    for n, (west, south, width, height, deepest) in enumerate(boxes):
        east = west + width - (360 if west + width > 180 else 0)
        areas.append(f'name = "a{n}"\nbox = [{west}, {south}, {east}, {south + height}]\ndeepest = {deepest}')
    deepest = max(box[4] for box in boxes)
    whole = plan_of(*areas).layers["aerial"].tiles
    assert whole.zooms == tuple(range(deepest + 1))
    last = first + more
    try:
        cut = plan_of(*areas, layers={"aerial": (first, last)})
    except PlanError:
        assert first > deepest
        return
    assert cut.layers["aerial"].tiles == whole.at(*range(first, last + 1))
    for zoom in whole.zooms[1:]:
        assert whole.parents(zoom) - whole == TileSet()  # zooming out never leads to a hole


# --- the overview --------------------------------------------------------------------------------------


def test_the_overview_stands_first_in_each_layer_that_is_used() -> None:
    layers = {"aerial": (0, 19), "topo": (0, 9), "unused": (0, 19)}
    worked_out = plan_of(
        CAMP + '\nlayers = ["aerial", "topo"]', layers=layers, overview="[overview]\ndeepest = 11"
    )
    assert [a.name for a in worked_out.layers["aerial"].areas] == [OVERVIEW, "camp"]
    assert [a.deepest for a in worked_out.layers["topo"].areas] == [9, 9]
    assert not worked_out.layers["unused"].tiles
    assert worked_out.remarks == (
        'Layer "topo" ends at zoom 9, but area "camp" asks for deeper zooms.',
        'No area uses layer "unused".',
    )


def test_no_overview_where_it_is_switched_off() -> None:
    worked_out = plan_of(CAMP)
    assert [a.name for a in worked_out.layers["aerial"].areas] == ["camp"]
    # 1500 m round a place touch four tiles of zoom 12 at most; an overview of 10 km would touch more.
    assert len(worked_out.layers["aerial"].tiles.at(12)) <= 4
    assert len(plan_of(CAMP, overview="").layers["aerial"].tiles.at(12)) > 4


def inside(worked_out: Plan, lon: float, lat: float) -> bool:
    """Whether the overview's deepest zoom, 9, has the tile at a position, by mercantile."""
    lon = (lon + 180) % 360 - 180
    tile = mercantile.tile(lon, lat, 9)
    [overview] = [a for a in worked_out.layers["aerial"].areas if a.name == OVERVIEW]
    return (9, tile.x, tile.y) in overview.tiles


@quick
@given(
    st.floats(-180, 180),
    st.floats(-85, 85),
    st.floats(1, 1000),
    st.floats(0, 500_000),
    st.floats(0, 360),
    st.floats(0, 1),
)
def test_the_overview_holds_all_ground_within_its_margin(
    lon: float, lat: float, radius_km: float, margin_m: float, azimuth: float, share: float
) -> None:
    radius_km = min(radius_km, 100)
    area = f'name = "a"\npoint = [{lon:.6f}, {lat:.6f}]\nradius = "{radius_km:.3f} km"\ndeepest = 0'
    worked_out = plan_of(area, overview=f'[overview]\nmargin = "{margin_m:.0f} m"\ndeepest = 9')
    reach_m = (float(f"{radius_km:.3f}") * 1000 + float(f"{margin_m:.0f}")) * share
    there = Geodesic.WGS84.Direct(float(f"{lat:.6f}"), float(f"{lon:.6f}"), azimuth, reach_m)
    if abs(there["lat2"]) < MAX_LATITUDE - 1e-6:
        assert inside(worked_out, there["lon2"], there["lat2"])


def test_the_overview_has_no_tile_beyond_its_margin() -> None:
    worked_out = plan_of(CAMP, overview='[overview]\nmargin = "10 km"\ndeepest = 12')
    # The camp's 1,500 m and the margin, with 100 m to spare for the frame's corners.
    ends = [Geodesic.WGS84.Direct(47.05, 12.38, azimuth, 11_600) for azimuth in (0, 90, 180, 270)]
    frame = shapely.box(ends[3]["lon2"], ends[2]["lat2"], ends[1]["lon2"], ends[0]["lat2"])
    [overview] = [a for a in worked_out.layers["aerial"].areas if a.name == OVERVIEW]
    assert overview.tiles
    for zoom, x, y in overview.tiles:
        assert frame.intersects(shapely.box(*mercantile.bounds(x, y, zoom)))


def test_the_overview_of_areas_on_both_sides_of_the_antimeridian_is_narrow() -> None:
    areas = [
        'name = "west"\npoint = [179.5, -17]\nradius = "5 km"\ndeepest = 9',
        'name = "east"\npoint = [-179.5, -16]\nradius = "5 km"\ndeepest = 9',
    ]
    worked_out = plan_of(*areas, overview='[overview]\nmargin = "10 km"\ndeepest = 9')
    assert worked_out.bounds.west > 179 > -179 > worked_out.bounds.east
    assert len(worked_out.layers["aerial"].tiles.at(9)) < 20
    assert inside(worked_out, 180.0 - 1e-9, -16.5)
    assert not inside(worked_out, 0, -16.5)


def test_the_overview_of_a_long_leg_holds_the_leg_and_its_margin(tmp_path: Path) -> None:
    flight = {"type": "LineString", "coordinates": [[-20, 60], [30, 62]]}
    (tmp_path / "f.geojson").write_text(json.dumps(flight), encoding="utf-8")
    area = 'name = "f"\nline = "f.geojson"\nhalf-width = "1 km"\ndeepest = 9'
    brief = brief_of(
        [area], overview='[overview]\nmargin = "10 km"\ndeepest = 9', path=tmp_path / "brief.toml"
    )
    worked_out = plan(brief)
    leg = Geodesic.WGS84.InverseLine(60, -20, 62, 30)
    for share in np.linspace(0, 1, 101):
        on = leg.Position(leg.s13 * share)
        for side in (-90, 90):
            there = Geodesic.WGS84.Direct(on["lat2"], on["lon2"], on["azi2"] + side, 10_900)
            assert inside(worked_out, there["lon2"], there["lat2"])
    assert worked_out.bounds.north > 63  # the geodesic climbs well past both its ends
    assert lines_of(worked_out)["f"].length_m == pytest.approx(leg.s13, abs=1e-3)


def test_bounds_and_middle_are_those_of_the_areas() -> None:
    worked_out = plan_of(VALLEY, CAMP)
    assert worked_out.bounds.west == 12.30
    assert worked_out.bounds.east == 12.42
    assert worked_out.bounds.south == 47.00
    # The camp reaches further north than the valley: 1500 m past 47.05.
    top = Geodesic.WGS84.Direct(47.05, 12.38, 0, 1500)["lat2"]
    assert top <= worked_out.bounds.north < top + 0.0002
    assert worked_out.middle == pytest.approx((12.36, 47.03))


# --- remarks, errors, fingerprint ----------------------------------------------------------------------


def many(count: int, deepest: int) -> list[str]:
    return [
        f'name = "a{n}"\nbox = [{12 + n / 100}, 47, {12.01 + n / 100}, 47.01]\ndeepest = {deepest}'
        for n in range(count)
    ]


def test_a_remark_names_a_few_areas_and_counts_the_rest() -> None:
    [remark] = plan_of(*many(40, 12), layers={"topo": (0, 10)}).remarks
    assert remark == (
        'Layer "topo" ends at zoom 10, but areas "a0", "a1", "a2", "a3", "a4" and 35 more ask for deeper zooms.'
    )
    [remark] = plan_of(*many(6, 12), layers={"topo": (0, 10)}).remarks
    assert '"a4" and "a5" ask' in remark
    [remark] = plan_of(*many(1, 12), VALLEY, layers={"topo": (13, 14)}).remarks
    assert remark == 'Layer "topo" starts at zoom 13; area "a0" is not deep enough to get any of its tiles.'
    assert plan_of(*many(3, 12)).remarks == ()


def test_a_brief_that_asks_for_nothing_is_refused_with_its_reasons() -> None:
    layers = {"aerial": (14, 19), "topo": (15, 19)}
    with pytest.raises(PlanError) as refused:
        plan_of(*many(2, 12), layers=layers)
    message = str(refused.value)
    assert refused.value.exit_code == EXIT_INPUT
    assert "brief.toml asks for no tile at all" in message
    assert (
        'Layer "aerial" starts at zoom 14; areas "a0" and "a1" are not deep enough to get any of its tiles'
        in message
    )
    assert 'Layer "topo" starts at zoom 15' in message


def test_an_area_too_shallow_for_its_layer_still_gets_its_overview_where_that_is_deeper() -> None:
    worked_out = plan_of(*many(1, 8), layers={"aerial": (10, 19)}, overview="[overview]\ndeepest = 10")
    assert worked_out.layers["aerial"].tiles.zooms == (10,)


def test_the_smallest_areas_have_a_tile_at_each_zoom() -> None:
    for area in (
        'name = "a"\npoint = [0, 0]\nradius = "1 m"\ndeepest = 24',
        'name = "a"\nbox = [0, 0, 1e-12, 1e-12]\ndeepest = 24',
        'name = "a"\npoint = [180, -85.05]\nradius = "1 m"\ndeepest = 24',
    ):
        assert plan_of(area, layers={"aerial": (0, 24)}).layers["aerial"].tiles.zooms == tuple(range(25))


def test_equal_plans_have_equal_fingerprints_however_they_were_asked_for() -> None:
    one = plan_of(VALLEY, CAMP)
    assert one.fingerprint == plan_of(CAMP, VALLEY).fingerprint
    assert one.fingerprint == plan_of(VALLEY, CAMP, CAMP.replace('"camp"', '"same"')).fingerprint
    assert len(one.fingerprint) == 16
    assert int(one.fingerprint, 16) >= 0


def test_any_other_plan_has_another_fingerprint() -> None:
    plans = [
        plan_of(VALLEY),
        plan_of(CAMP),
        plan_of(VALLEY, layers={"topo": (0, 19)}),
        plan_of(VALLEY, layers={"aerial": (1, 19)}),
        plan_of(VALLEY, layers={"aerial": (0, 12)}),
        plan_of(VALLEY.replace("12.42", "12.46")),
        plan_of(VALLEY.replace("12.30", "-12.42").replace(" 12.42", " -12.30")),
        plan_of(VALLEY, layers={"aerial": (0, 19), "topo": (0, 19)}),
        plan_of(VALLEY, overview=""),
    ]
    assert len({p.fingerprint for p in plans}) == len(plans)


def test_a_fingerprint_stays_the_same_from_one_version_to_the_next() -> None:
    # Written into packs: if this changes, the rule's number in packer.geometry.cover.RULE has to change as well.
    assert plan_of(VALLEY).fingerprint == "4cc01024d9266c1d"


def test_a_fingerprint_hangs_on_the_rule_of_covering() -> None:
    one = plan_of(VALLEY)
    other = Plan(one.layers, one.shapes, one.bounds, one.middle, one.remarks, rule="cover 0")
    assert one.fingerprint != other.fingerprint
