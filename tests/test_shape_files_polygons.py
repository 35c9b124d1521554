"""Polygons keep all the ground that was drawn, whatever is wrong with their rings."""

from __future__ import annotations

import itertools
import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st

from packer.errors import BriefError
from packer.geometry.mending import mended
from packer.geometry.shapes import Rings
from tests.budgets import tries
from tests.shape_reading import area_of, lines_of, read_as


def geojson(*rings: Sequence[tuple[float, float]], name: str = "B3") -> str:
    geometry = {"type": "Polygon", "coordinates": rings}
    return json.dumps({"type": "Feature", "properties": {"name": name}, "geometry": geometry})


def area(polygons: tuple[Rings, ...]) -> float:
    return float(sum(shapely.Polygon(p[0], p[1:]).area for p in polygons))


BOW = [(0, 0), (2, 2), (2, 0), (0, 2), (0, 0)]


def test_a_sector_that_crosses_itself_and_has_a_spike_keeps_both_halves(tmp_path: Path) -> None:
    # make_valid gives a GeometryCollection of a MultiPolygon and a line here.
    ring = [(0, 0), (2, 2), (2, 3), (2, 2), (2, 0), (0, 2), (0, 0)]
    assert shapely.make_valid(shapely.Polygon(ring)).geom_type == "GeometryCollection"
    shape, _ = read_as(tmp_path, "polygon", "a.geojson", geojson(ring))
    assert area_of(shape) == pytest.approx(2)


def test_antarctica_of_a_public_file_drawn_round_the_pole_keeps_its_ground(tmp_path: Path) -> None:
    # As public files close it on the flat map: along 180, the pole and -180, with a spike where the two meet.
    coast = [(lon, -70 + 3 * np.sin(np.radians(5 * lon))) for lon in range(-180, 181, 5)]
    ring = [*coast, (180, -90), (180, -95 + 5), (-180, -90), (-180, -80), (-180, -90), coast[0]]
    shape, source = read_as(tmp_path, "polygon", "a.geojson", geojson(ring))
    drawn = shapely.Polygon([*coast, (180, -90), (-180, -90)])
    assert area_of(shape) == pytest.approx(drawn.area, rel=1e-9)
    assert any("85.0511" in remark for remark in source.remarks)


def test_a_sector_whose_outline_loops_over_itself_has_no_hole_where_it_does(tmp_path: Path) -> None:
    ring = [(0, 0), (4, 0), (4, 4), (0, 4), (0, 0), (1, 1), (3, 1), (3, 3), (1, 3), (1, 1), (0, 0)]
    shape, _ = read_as(tmp_path, "polygon", "a.geojson", geojson(ring))
    assert area_of(shape) == pytest.approx(16)


def test_a_second_outline_in_the_place_of_a_hole_is_ground(tmp_path: Path) -> None:
    first, second = ([(x, 0), (x + 1, 0), (x + 1, 1), (x, 1), (x, 0)] for x in (0, 5))
    assert area_of(read_as(tmp_path, "polygon", "a.geojson", geojson(first, second))[0]) == pytest.approx(2)


def test_a_hole_that_stands_before_its_outer_ring_is_still_a_hole(tmp_path: Path) -> None:
    hole, outer = [(1, 1), (2, 1), (2, 2), (1, 2), (1, 1)], [(0, 0), (4, 0), (4, 4), (0, 4), (0, 0)]
    assert area_of(read_as(tmp_path, "polygon", "a.geojson", geojson(hole, outer))[0]) == pytest.approx(15)


def test_an_outer_ring_that_comes_last_has_all_rings_before_it_as_holes(tmp_path: Path) -> None:
    holes = [[(x, 1), (x + 1, 1), (x + 1, 2), (x, 2), (x, 1)] for x in (1, 3, 5)]
    outer = [(0, 0), (9, 0), (9, 4), (0, 4), (0, 0)]
    assert area_of(read_as(tmp_path, "polygon", "a.geojson", geojson(*holes, outer))[0]) == pytest.approx(
        36 - 3
    )


def test_an_outline_inside_a_hole_is_ground_again(tmp_path: Path) -> None:
    rings = [[(n, n), (10 - n, n), (10 - n, 10 - n), (n, 10 - n), (n, n)] for n in (0, 1, 2)]
    assert area_of(read_as(tmp_path, "polygon", "a.geojson", geojson(*rings))[0]) == pytest.approx(
        100 - 64 + 36
    )


def test_parts_that_do_not_come_to_what_was_drawn_are_an_error_with_the_feature(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = shapely.polygonize

    def lossy(lines: object) -> object:
        return shapely.GeometryCollection(list(whole(lines).geoms)[1:])

    monkeypatch.setattr("packer.geometry.mending.shapely.polygonize", lossy)
    with pytest.raises(BriefError, match=r'the polygon "B3" cannot be worked out.*do not come to the area'):
        read_as(tmp_path, "polygon", "a.geojson", geojson(BOW))


def test_a_polygon_without_an_area_beside_others_is_told(tmp_path: Path) -> None:
    flat = {"type": "Polygon", "coordinates": [[[5, 5], [6, 6], [5, 5], [6, 6], [5, 5]]]}
    both = {"type": "GeometryCollection", "geometries": [flat, json.loads(geojson(BOW))["geometry"]]}
    shape, source = read_as(tmp_path, "polygon", "a.geojson", json.dumps(both))
    assert area_of(shape) == pytest.approx(2)
    assert any("1 of its polygons has no area" in remark for remark in source.remarks)


@settings(max_examples=tries(25, 60), deadline=None)
@given(st.lists(st.tuples(st.integers(0, 12), st.integers(0, 12)), min_size=4, max_size=14))
def test_a_ring_holds_just_the_places_that_it_winds_round(places: list[tuple[int, int]]) -> None:
    """Against the turning angle, summed from edge to edge, at places off every edge of the grid."""
    ring = np.array([*places, places[0]], dtype=float)
    polygons = mended([ring])
    ground = shapely.union_all([shapely.Polygon(p[0], p[1:]) for p in polygons])
    for x, y in itertools.product(np.arange(0.137, 12, 2.31), np.arange(0.291, 12, 2.77)):
        angle = np.arctan2(ring[:, 1] - y, ring[:, 0] - x)
        turns = round(float(np.sum((np.diff(angle) + np.pi) % (2 * np.pi) - np.pi)) / (2 * np.pi))
        place = shapely.Point(x, y)
        if shapely.LineString(ring).distance(place) > 1e-9:
            assert bool(ground.contains(place)) is (turns != 0)


@settings(max_examples=tries(25, 60), deadline=None)
@given(st.lists(st.tuples(st.floats(0, 1), st.floats(0, 1)), min_size=4, max_size=20))
@example([(0.0, 0.0), (1.0, 1.0), (0.0, 2.1426644625073536e-47), (0.0, 1.0)])  # a face thinner than rounding
def test_the_mended_area_is_that_of_the_other_method_of_geos(places: list[tuple[float, float]]) -> None:
    ring = np.array([*places, places[0]])
    other = shapely.make_valid(shapely.Polygon(ring), method="structure")
    assert area(mended([ring])) == pytest.approx(other.area, rel=1e-6, abs=1e-9)


def test_a_vertex_past_the_edge_of_the_map_is_cut_off_with_a_word(tmp_path: Path) -> None:
    line = json.dumps({"type": "LineString", "coordinates": [[10, 80], [10, 88], [20, 88], [20, 80]]})
    shape, source = read_as(tmp_path, "line", "a.geojson", line)
    found = [each for one in lines_of(shape) for each in one]
    # Along a meridian the geodesic stays on it, and the map ends at atan(sinh(pi)) = 85.0511287798066 (OGC 17-083r4).
    assert found == [
        [10, 80],
        pytest.approx([10, 85.0511287798066]),
        pytest.approx([20, 85.0511287798066]),
        [20, 80],
    ]
    assert any("cut off at the edge of the map" in remark for remark in source.remarks)
    points = json.dumps({"type": "MultiPoint", "coordinates": [[10, 80], [10, 88]]})
    shape, source = read_as(tmp_path, "points", "b.geojson", points)
    assert len(shape.boxes()) == 1
    assert any("85.0511" in remark for remark in source.remarks)
    with pytest.raises(BriefError, match="all of it"):
        read_as(tmp_path, "line", "c.geojson", '{"type": "LineString", "coordinates": [[1, 86], [2, 87]]}')


def test_real_islands_whose_outlines_cross_themselves_keep_their_ground(tmp_path: Path) -> None:
    fixtures = Path(__file__).parent.parent / "fixtures" / "polygons"
    features = json.loads((fixtures / "crossings.geojson").read_text(encoding="utf-8"))["features"]
    assert len(features) > 5
    for feature in features:
        drawn = shapely.Polygon(feature["geometry"]["coordinates"][0])
        assert not drawn.is_valid
        shape, _ = read_as(tmp_path, "polygon", "a.geojson", json.dumps(feature))
        other = shapely.make_valid(drawn, method="structure")  # another method than the package's
        assert area_of(shape) == pytest.approx(other.area, rel=1e-9)
