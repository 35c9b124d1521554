"""Further kinds of shape file, the choice among features, and the words for what is not used or not read."""

from __future__ import annotations

import json
import subprocess
import sys
import time
import zipfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from packer.errors import BriefError
from packer.geometry.files.databases import gdal
from packer.geometry.shapes import Polygons
from packer.planning.brief import Brief
from packer.planning.plan import plan
from tests.fit_writer import fit_file
from tests.shape_reading import area_of, lines_of, places_of, read_as


def refusal(folder: Path, kind: str, name: str, content: str | bytes | None = None, more: str = "") -> str:
    with pytest.raises(BriefError) as refused:
        read_as(folder, kind, name, content, more)
    message = str(refused.value)
    assert message.count("\n") == 0
    assert message.endswith((".", "?"))
    return message


def by_gdal(path: Path) -> list[Any]:
    """All shapes of a file in GDAL's reading, in a process of its own, where all its drivers are on."""
    script = (
        "import sys, pyogrio, pyogrio.raw\n"
        "for name, _ in pyogrio.list_layers(sys.argv[1]):\n"
        "    for wkb in pyogrio.raw.read(sys.argv[1], layer=name, columns=[], force_2d=True)[2]:\n"
        "        print('' if wkb is None else wkb.hex())\n"
    )
    run = [sys.executable, "-W", "ignore", "-c", script, str(path)]
    done = subprocess.run(run, capture_output=True, text=True, check=True, timeout=120)
    return [shapely.from_wkb(line) for line in done.stdout.splitlines() if line]


# --- GML ---------------------------------------------------------------------------------------------

GML = (
    '<?xml version="1.0"?><FeatureCollection xmlns:gml="http://www.opengis.net/gml" xmlns:x="urn:x">{}'
    "</FeatureCollection>"
)
SECTOR = (
    '<gml:featureMember><x:sector fid="s{n}"><x:name>{name}</x:name><x:shape>{shape}</x:shape></x:sector>'
    "</gml:featureMember>"
)
SURFACE = (
    '<gml:Surface srsName="{srs}"><gml:patches><gml:PolygonPatch><gml:exterior><gml:LinearRing><gml:posList>'
    "{outer}</gml:posList></gml:LinearRing></gml:exterior><gml:interior><gml:LinearRing><gml:posList>{inner}"
    "</gml:posList></gml:LinearRing></gml:interior></gml:PolygonPatch></gml:patches></gml:Surface>"
)
OUTER = [(12, 47), (13, 47), (13, 48), (12, 48), (12, 47)]
INNER = [(12.2, 47.2), (12.4, 47.2), (12.4, 47.4), (12.2, 47.2)]


def numbers(ring: Sequence[tuple[float, float]], swap: bool) -> str:
    return " ".join(f"{y} {x}" if swap else f"{x} {y}" for x, y in ring)


@pytest.mark.parametrize(
    ("srs", "swap"),
    [
        ("urn:ogc:def:crs:EPSG::4326", True),
        ("http://www.opengis.net/def/crs/EPSG/0/4326", True),
        ("urn:ogc:def:crs:OGC:1.3:CRS84", False),
        ("EPSG:4326", False),
    ],
)
def test_the_axes_of_a_gml_file_are_taken_as_gdal_takes_them(tmp_path: Path, srs: str, swap: bool) -> None:
    surface = SURFACE.format(srs=srs, outer=numbers(OUTER, swap), inner=numbers(INNER, swap))
    line = (
        f'<gml:LineString srsName="{srs}"><gml:posList>{numbers(OUTER, swap)}</gml:posList></gml:LineString>'
    )
    members = SECTOR.format(n=1, name="B3", shape=surface) + SECTOR.format(n=2, name="way", shape=line)
    shape, source = read_as(tmp_path, "polygon", "a.gml", GML.format(members))
    theirs = by_gdal(tmp_path / "a.gml")
    assert area_of(shape) == pytest.approx(sum(one.area for one in theirs), abs=1e-12)
    assert sum(one.area for one in theirs) == pytest.approx(1 - 0.02)
    assert source.taken == ("B3", "way")
    found = lines_of(read_as(tmp_path, "line", "a.gml")[0])
    assert found == [shapely.get_coordinates(one).tolist() for one in theirs if one.geom_type == "LineString"]


def test_a_gml_file_without_a_coordinate_system_is_refused(tmp_path: Path) -> None:
    point = SECTOR.format(n=1, name="p", shape="<gml:Point><gml:pos>12 47</gml:pos></gml:Point>")
    assert "no coordinate system" in refusal(tmp_path, "points", "a.gml", GML.format(point))


def test_a_curve_of_a_gml_file_is_refused_and_not_straightened(tmp_path: Path) -> None:
    arc = '<gml:Curve srsName="EPSG:4326"><gml:segments><gml:Arc><gml:posList>0 0 1 1 2 0</gml:posList></gml:Arc>'
    shape = SECTOR.format(n=1, name="p", shape=f"{arc}</gml:segments></gml:Curve>")
    assert "<Arc>" in refusal(tmp_path, "line", "a.gml", GML.format(shape))


def test_a_projected_gml_line_of_single_positions_is_followed_where_it_runs(tmp_path: Path) -> None:
    places = "".join(f"<gml:pos>{x} 6500000</gml:pos>" for x in (400_000, 600_000))
    line = f'<gml:LineString srsName="EPSG:32633">{places}</gml:LineString>'
    [found] = lines_of(
        read_as(tmp_path, "line", "a.gml", GML.format(SECTOR.format(n=1, name="", shape=line)))[0]
    )
    assert len(found) == 201  # a position each kilometre of 200


# --- TopoJSON and sequences --------------------------------------------------------------------------

TOPOLOGY = {
    "type": "Topology",
    "transform": {"scale": [0.01, 0.01], "translate": [12, 47]},
    "arcs": [
        [[0, 0], [100, 0], [0, 100]],
        [[100, 100], [-100, 0], [0, -100]],
        [[20, 20], [20, 0], [0, 20], [-20, -20]],
    ],
    "objects": {
        "sectors": {
            "type": "GeometryCollection",
            "geometries": [
                {"type": "Polygon", "arcs": [[0, 1], [2]], "properties": {"NAME": "B3"}},
                {"type": "LineString", "arcs": [-2, -1], "id": "way"},
                {"type": None},
            ],
        },
        "camps": {"type": "MultiPoint", "coordinates": [[10, 20], [30, 40]]},
    },
}  # fmt: skip


@pytest.mark.parametrize("name", ["a.topojson", "a.json", "a.geojson"])
def test_topojson_is_read_as_gdal_reads_it(tmp_path: Path, name: str) -> None:
    shape, source = read_as(tmp_path, "polygon", name, json.dumps(TOPOLOGY))
    theirs = by_gdal(tmp_path / name)
    assert area_of(shape) == pytest.approx(sum(one.area for one in theirs))
    assert any("1 feature without a geometry" in remark for remark in source.remarks)
    line = read_as(tmp_path, "line", name)[0]
    [expected] = [shapely.get_coordinates(one) for one in theirs if one.geom_type == "LineString"]
    assert np.allclose(lines_of(line)[0], expected)
    assert [(x, y) for _, x, y in places_of(read_as(tmp_path, "points", name)[0])] == [
        (12.1, 47.2),
        (12.3, 47.4),
    ]
    assert read_as(tmp_path, "polygon", name, more='feature = "sectors"')[1].taken == ("B3", "way")


def test_arcs_used_over_and_over_are_no_way_to_fill_the_memory(tmp_path: Path) -> None:
    arc = [[0, 0]] + [[1, 0]] * 30_000
    lines = {"type": "MultiLineString", "arcs": [[0]] * 90_000}
    bomb = {"type": "Topology", "arcs": [arc], "objects": {"a": lines}}
    started = time.process_time()
    assert "over 2,000,000 points" in refusal(tmp_path, "line", "a.json", json.dumps(bomb))
    assert time.process_time() - started < 10


POINTS = [
    {"type": "Feature", "properties": {"name": f"n{n}"}, "geometry": {"type": "Point", "coordinates": [n, 2]}}
    for n in range(3)
]


@pytest.mark.parametrize("mark", ["\x1e", ""])
def test_a_text_sequence_is_read_record_by_record(tmp_path: Path, mark: str) -> None:
    # RFC 8142, 2: each GeoJSON text begins with RS (0x1E) and ends with LF; without RS, one text a line.
    text = "".join(f"{mark}{json.dumps(one, indent=1 if mark else None)}\n" for one in POINTS)
    assert [n for n, *_ in places_of(read_as(tmp_path, "points", "a.geojsons", text)[0])] == [
        "n0",
        "n1",
        "n2",
    ]
    cut = refusal(tmp_path, "points", "b.geojsons", text[:-20])
    assert "cut off" in cut
    assert ("record 3" if mark else "line 3") in cut


def test_one_feature_a_line_under_another_name_is_told_which_name_it_should_have(tmp_path: Path) -> None:
    assert ".geojsons" in refusal(tmp_path, "points", "a.json", "\n".join(map(json.dumps, POINTS)))


# --- zipped Shapefile --------------------------------------------------------------------------------


def zipped(folder: Path, name: str, *, without: str = "", cut: str = "", inside: str = "maps/") -> None:
    boxes = [shapely.box(500_000 + n * 1000, 5_200_000, 500_500 + n * 1000, 5_200_500) for n in range(3)]
    names = np.array(["north", "south", "camp"], dtype=object)
    gdal().raw.write(
        str(folder / "sectors.shp"),
        shapely.to_wkb(boxes),
        [names],
        ["NAME"],
        geometry_type="Polygon",
        crs="EPSG:32633",
    )
    with zipfile.ZipFile(folder / name, "w", zipfile.ZIP_DEFLATED) as archive:
        for part in sorted(folder.glob("sectors.*")):
            data = part.read_bytes()
            if part.suffix != without:
                archive.writestr(inside + part.name, data[:-100] if part.suffix == cut else data)
            part.unlink()


def test_a_zipped_shapefile_is_read_where_it_lies_and_nothing_is_unpacked(tmp_path: Path) -> None:
    zipped(tmp_path, "a.zip")
    before = sorted(tmp_path.iterdir())
    shape, source = read_as(tmp_path, "polygon", "a.zip", more='feature = ["south", "camp"]')
    assert (len(shape.boxes()), source.taken, source.ignored) == (2, ("south", "camp"), ("north",))
    assert sorted(tmp_path.iterdir()) == before


@pytest.mark.parametrize(
    ("how", "word"),
    [
        ({"without": ".shx"}, "sectors.shx is not in it"),
        ({"cut": ".shp"}, "cut off"),
        ({"inside": "../"}, "followed"),
    ],
)
def test_a_zipped_shapefile_that_is_not_whole_is_refused(
    tmp_path: Path, how: dict[str, str], word: str
) -> None:
    zipped(tmp_path, "a.zip", **how)
    assert word in refusal(tmp_path, "polygon", "a.zip")


def test_a_real_zipped_shapefile_is_read_as_gdal_reads_it(tmp_path: Path) -> None:
    data = (Path(__file__).parent.parent / "fixtures" / "shapefile" / "REL.zip").read_bytes()
    shape, _ = read_as(tmp_path, "polygon", "a.zip", data)
    with zipfile.ZipFile(tmp_path / "a.zip") as archive:
        archive.extractall(tmp_path)
    [theirs] = by_gdal(next(tmp_path.glob("REL/*.shp")))
    assert isinstance(shape, Polygons)
    assert [len(ring) for rings in shape.polygons for ring in rings] == [len(theirs.exterior.coords)]
    assert all(abs(lat) < 90 for rings in shape.polygons for ring in rings for lat in ring[:, 1])


def test_a_zip_of_something_else_says_what_to_do(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.writestr("course.gpx", "<gpx/>")
    assert 'unpack it and name "course.gpx"' in refusal(tmp_path, "line", "a.zip")


# --- tables and well-known text ----------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "name,lat,lon\nhut,47.1,12.5\nspring,-1,-2.5\n",
        "Longitude (deg),Latitude (deg),Title\n12.5,47.1,hut\n-2.5,-1,spring\n",
        "\ufeffname;LATITUDE;LONGITUDE\nhut;47,1;12,5\nspring;-1;-2,5\n",
        "\n\nx\ty\tid\n12.5\t47.1\thut\n-2.5\t-1\tspring\n",
        'wkt,name\n"POINT (12.5 47.1)",hut\nPOINT (-2.5 -1),spring\n',
    ],
)
def test_the_columns_of_a_table_are_recognised(tmp_path: Path, text: str) -> None:
    assert places_of(read_as(tmp_path, "points", "a.csv", text)[0]) == [
        ("hut", 12.5, 47.1),
        ("spring", -2.5, -1),
    ]


def test_other_columns_can_be_named_and_are_asked_for(tmp_path: Path) -> None:
    text = "Ost,Nord\n12.5,47.1\n"
    assert 'its first row has "Ost", "Nord"' in (told := refusal(tmp_path, "points", "a.csv", text))
    assert 'columns = ["lon", "lat"]' in told
    shape, _ = read_as(tmp_path, "points", "a.csv", more='columns = ["Ost", "Nord"]')
    assert places_of(shape) == [("", 12.5, 47.1)]
    assert "named in columns" in refusal(tmp_path, "points", "a.csv", more='columns = ["East", "Nord"]')


@pytest.mark.parametrize(
    ("cell", "word"),
    [
        ("47°06'N", "row 3"),
        ("47.1N", "row 3"),
        ("5200000", "not degrees"),
        ("nan", "row 3"),
        ("1_0", "row 3"),
    ],
)
def test_a_cell_that_is_no_degrees_is_refused_with_its_row(tmp_path: Path, cell: str, word: str) -> None:
    assert word in refusal(tmp_path, "points", "a.csv", f"lon,lat\n1,2\n12.5,{cell}\n")


def test_rows_asked_for_as_a_line_are_joined_with_a_word_and_rows_without_a_place_are_told(
    tmp_path: Path,
) -> None:
    shape, source = read_as(tmp_path, "line", "a.csv", "lon,lat,name\n1,2,\n,,x\n3,4,\n5,6,\n")
    assert lines_of(shape) == [[[1, 2], [3, 4], [5, 6]]]
    told = " ".join(source.remarks)
    assert "3 rows are joined to one line in the order of the file" in told
    assert "1 row without a position" in told


def test_well_known_text_is_read_as_shapely_reads_it(tmp_path: Path) -> None:
    shapes = [
        "POLYGON ((0 0, 4 0, 4 4, 0 0), (1 0.5, 2 0.5, 2 1, 1 0.5))",
        "MULTILINESTRING ((1 2, 3 4), (5 6, 7 8))",
        "GEOMETRYCOLLECTION (POINT (9 9), LINESTRING Z (1 1 5, 2 2 5))",
    ]
    text = "\n".join([*shapes, "SRID=32633;POINT(500000 0)", "point empty"])
    for name in ("a.wkt", "a.txt"):
        shape, source = read_as(tmp_path, "line", name, text)
        parts = [part for each in shapes for part in shapely.get_parts(shapely.from_wkt(each))]
        theirs = [shapely.get_coordinates(part).tolist() for part in parts]
        assert all(line in theirs for line in lines_of(shape))
        assert len(lines_of(shape)) == 3
        # The central meridian of UTM zone 33 is 15° east, at easting 500000 by definition.
        assert [p for _, *p in places_of(shape)] == [[9, 9], pytest.approx([15, 0], abs=1e-9)]
        assert any("1 shape without a position" in remark for remark in source.remarks)
    assert area_of(read_as(tmp_path, "polygon", "a.wkt")[0]) == pytest.approx(
        shapely.from_wkt(shapes[0]).area
    )
    assert "shape number 1" in refusal(tmp_path, "line", "b.wkt", "LINESTRING (1 2, 3")
    nest = "GEOMETRYCOLLECTION (" * 100_000 + "POINT (1 2)" + ")" * 100_000
    assert "too deep" in refusal(tmp_path, "line", "c.wkt", nest)


# --- TCX and FIT -------------------------------------------------------------------------------------


def fix(lat: float, lon: float) -> str:
    return f"<Position><LatitudeDegrees>{lat}</LatitudeDegrees><LongitudeDegrees>{lon}</LongitudeDegrees></Position>"


def test_the_tracks_and_course_points_of_a_tcx_file(tmp_path: Path) -> None:
    track = "".join(f"<Trackpoint>{place}</Trackpoint>" for place in (fix(47, 12), "", fix(48, 13)))
    text = (
        '<TrainingCenterDatabase xmlns="urn:x"><Courses><Course><Name>Day 2</Name><Track>'
        f"{track}</Track><CoursePoint><Name>hut</Name>{fix(47.5, 12.5)}</CoursePoint></Course></Courses>"
        f"<Activities><Activity><Id>2031</Id><Lap><Track>{track}</Track></Lap></Activity></Activities>"
        "</TrainingCenterDatabase>"
    )
    shape, source = read_as(tmp_path, "line", "a.tcx", text)
    assert lines_of(shape) == [[[12, 47], [13, 48]]] * 2
    assert places_of(shape) == [("hut", 12.5, 47.5)]
    assert source.taken == ("Day 2", "hut", "2031")
    assert any("2 fixes without a position" in remark for remark in source.remarks)
    assert "cut off" in refusal(tmp_path, "line", "b.tcx", text[:300])
    assert "from -90 to 90" in refusal(tmp_path, "line", "c.tcx", text.replace(">48<", ">4,8<"))


def test_the_positions_of_a_fit_file_are_those_written_and_a_new_recording_is_a_new_line(
    tmp_path: Path,
) -> None:
    data = fit_file((47, 12), None, (-48, -13.5)) + fit_file((1, 2), (3, 4))
    shape, source = read_as(tmp_path, "line", "a.fit", data)
    first, second = lines_of(shape)
    assert np.allclose(first, [[12.0, 47.0], [-13.5, -48.0]], atol=180 / 2**31)
    assert np.allclose(second, [[2.0, 1.0], [4.0, 3.0]], atol=180 / 2**31)
    assert any("1 fix without a position" in remark for remark in source.remarks)


def test_a_fit_file_that_is_cut_off_or_changed_is_refused(tmp_path: Path) -> None:
    whole = fit_file(*[(47 + n / 100, 12) for n in range(20)])
    flipped = bytearray(whole)
    flipped[60] ^= 1
    for data in (whole[:-2], whole[:100], bytes(flipped), b"", b".FIT" * 10):
        message = refusal(tmp_path, "line", "a.fit", data)
        assert "not a complete FIT file" in message or "it is empty" in message


# --- GPX ---------------------------------------------------------------------------------------------


def test_a_route_follows_the_shaping_points_between_its_points(tmp_path: Path) -> None:
    shaping = '<extensions><d:x xmlns:d="urn:d">{}</d:x></extensions>'
    points = "".join(f'<d:rpt lat="{lat}" lon="{lon}"/>' for lat, lon in ((1.5, 2), (2, 2.5)))
    text = f'<gpx><rte><rtept lat="1" lon="2">{shaping.format(points)}</rtept><rtept lat="3" lon="3"/></rte></gpx>'
    assert lines_of(read_as(tmp_path, "line", "a.gpx", text)[0]) == [[[2, 1], [2, 1.5], [2.5, 2], [3, 3]]]


# --- the choice among features -----------------------------------------------------------------------


def feature(name: str, geometry: dict[str, Any]) -> dict[str, Any]:
    return {"type": "Feature", "properties": {"name": name}, "geometry": geometry}


def square(x: float) -> dict[str, Any]:
    return {"type": "Polygon", "coordinates": [[[x, 0], [x + 1, 0], [x + 1, 1], [x, 1], [x, 0]]]}


SECTORS = json.dumps(
    {
        "type": "FeatureCollection",
        "features": [
            *(feature(f"Sector B{n}", square(2 * n)) for n in range(1, 4)),
            feature("hut", {"type": "Point", "coordinates": [1, 1]}),
            feature("way", {"type": "LineString", "coordinates": [[1, 1], [2, 2]]}),
        ],
    }
)


@pytest.mark.parametrize(
    ("more", "boxes"),
    [
        ("", 3),
        ('feature = "Sector B3"', 1),
        ('feature = "sector  b3"', 1),
        ('feature = ["Sector B1", "Sector B3"]', 2),
    ],
)
def test_an_area_takes_the_features_that_it_names(tmp_path: Path, more: str, boxes: int) -> None:
    shape, _ = read_as(tmp_path, "polygon", "a.geojson", SECTORS, more)
    assert len(shape.boxes()) == boxes
    if boxes == 1:
        assert shape.boxes()[0].west == 6


def test_a_feature_that_is_not_there_is_refused_with_the_nearest_name(tmp_path: Path) -> None:
    assert 'did you mean "Sector B1"?' in refusal(
        tmp_path, "polygon", "a.geojson", SECTORS, 'feature = "Sectr B1"'
    )
    assert 'it has "Sector B1"' in refusal(tmp_path, "polygon", "a.geojson", SECTORS, 'feature = "Zulu"')
    assert "polygon with an area" in refusal(tmp_path, "polygon", "a.geojson", SECTORS, 'feature = "hut"')


def test_feature_goes_only_with_a_file(tmp_path: Path) -> None:
    text = 'title = "t"\n[layers.a]\nurl = "https://t.example.org/{z}/{x}/{y}.jpg"\nattribution = "S"\n'
    text += 'permission = "O"\nzooms = [0, 9]\n[[areas]]\nname = "b"\nbox = [1, 2, 3, 4]\ndeepest = 1\nfeature = "B3"\n'
    with pytest.raises(BriefError, match="feature does not go with box"):
        Brief.from_text(text)


def test_the_plan_says_which_features_an_area_uses_and_which_shapes_it_leaves_out(tmp_path: Path) -> None:
    (tmp_path / "sectors.geojson").write_text(SECTORS)
    brief = Brief.from_text(
        'title = "t"\n[layers.a]\nurl = "https://t.example.org/{z}/{x}/{y}.jpg"\nattribution = "S"\npermission = "O"\n'
        'zooms = [0, 12]\n[[areas]]\nname = "all"\npolygon = "sectors.geojson"\ndeepest = 8\n'
        '[[areas]]\nname = "one"\npolygon = "sectors.geojson"\nfeature = "Sector B2"\ndeepest = 8\n',
        tmp_path / "brief.toml",
    )
    worked_out = plan(brief)
    assert worked_out.sources["all"].taken == ("Sector B1", "Sector B2", "Sector B3", "hut", "way")
    assert str(worked_out.sources["one"]) == '1 of 5 features of sectors.geojson: "Sector B2"'
    [remark] = worked_out.remarks
    assert 'Area "all", sectors.geojson: 1 point and 1 line are left out here' in remark
    assert "points = and line =" in remark


def test_what_another_area_takes_of_the_file_is_not_told_as_left_out(tmp_path: Path) -> None:
    (tmp_path / "sectors.geojson").write_text(SECTORS)
    areas = {"all": "polygon", "way": "line", "hut": "points"}
    reach = {"polygon": "", "line": 'half-width = "1 km"\n', "points": 'radius = "1 km"\n'}
    brief = Brief.from_text(
        'title = "t"\n[layers.a]\nurl = "https://t.example.org/{z}/{x}/{y}.jpg"\nattribution = "S"\npermission = "O"\n'
        "zooms = [0, 12]\n"
        + "".join(
            f'[[areas]]\nname = "{name}"\n{key} = "sectors.geojson"\ndeepest = 8\n{reach[key]}'
            for name, key in areas.items()
        ),
        tmp_path / "brief.toml",
    )
    assert plan(brief).remarks == ()


# --- words -------------------------------------------------------------------------------------------


def test_waypoints_asked_for_as_a_line_are_pointed_to_points(tmp_path: Path) -> None:
    message = refusal(tmp_path, "line", "a.gpx", '<gpx><wpt lat="1" lon="2"/><wpt lat="1" lon="3"/></gpx>')
    assert 'write points = "a.gpx" with radius' in message


def test_a_file_name_that_is_nearly_right_gets_the_nearest_one(tmp_path: Path) -> None:
    (tmp_path / "Course day 2.gpx").write_text("<gpx/>")
    assert 'did you mean "Course day 2.gpx"' in refusal(tmp_path, "line", "course day2.gpx")


@pytest.mark.parametrize(
    ("name", "word"),
    [
        ("a.dxf", "ogr2ogr"),
        ("a.pdf", "Save or export it as GeoJSON"),
        ("a.xlsx", "Save its sheet as CSV"),
        ("sectors.dbf", '"sectors.shp"'),
        ("none", "not a kind of shape file"),
    ],
)
def test_a_file_of_another_kind_says_how_to_convert_it(tmp_path: Path, name: str, word: str) -> None:
    assert word in refusal(tmp_path, "line", name, "x")


def test_a_file_geodatabase_says_how_to_convert_it(tmp_path: Path) -> None:
    (tmp_path / "a.gdb").mkdir()
    assert "Save or export it as GeoJSON" in refusal(tmp_path, "line", "a.gdb")


AREA = 'title = "t"\n[layers.a]\nurl = "https://t.example.org/{{z}}/{{x}}/{{y}}.jpg"\n[[areas]]\nname = "b"\n{}\n'


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("line = “course.gpx”", ["line 5", "typographic quotation mark"]),
        ('line = "course.gpx”', ["typographic quotation mark"]),
        ("box = [12,30, 47,00, 12,70, 47,25]", ["line 5", "write 12.30"]),
        ("box = [12,30, 47,10, 12,70, 47,25]", ["8 numbers", "decimal points"]),
        ("point = [12,5, 47,1]", ["4 numbers", "decimal points"]),
        ('point = [12.5, 47.1]\nradius = "1,5 km"', ["2.5 km", "comma"]),
    ],
)
def test_curly_quotes_and_decimal_commas_in_a_brief_are_recognised(line: str, words: list[str]) -> None:
    with pytest.raises(BriefError) as refused:
        Brief.from_text(AREA.format(line).replace("line 5", ""))
    assert all(word.replace("line 5", "line 6") in str(refused.value) for word in words)
