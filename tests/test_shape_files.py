"""Shape files of every kind, real and hostile."""

from __future__ import annotations

import http.server
import itertools
import json
import os
import struct
import subprocess
import sys
import threading
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from pyproj import Transformer

from packer.errors import BriefError
from packer.geometry.files.databases import gdal
from packer.geometry.grid import LonLatBox
from packer.geometry.shapes import Corridor, Polygons, Shape
from packer.planning.brief import Brief
from packer.planning.shape_files import read_shape

FIXTURES = Path(__file__).parent.parent / "fixtures"
REACH = {"line": 'half-width = "100 m"', "points": 'radius = "100 m"', "polygon": ""}

Reader = Callable[..., Shape]


@pytest.fixture
def read(tmp_path: Path) -> Reader:
    """Reads a file, or first writes it into the test's folder, as one kind of area."""

    def reader(kind: str, name: str, content: str | bytes | None = None) -> Shape:
        if content is not None:
            data = content.encode() if isinstance(content, str) else content
            (tmp_path / name).write_bytes(data)
        brief = Brief.from_text(
            'title = "t"\n[layers.a]\nurl = "https://t.example.org/{z}/{x}/{y}.jpg"\nattribution = "S"\n'
            f'permission = "O"\nzooms = [0, 19]\n[[areas]]\nname = "ground"\ndeepest = 12\n'
            f"{kind} = {json.dumps(name)}\n{REACH[kind]}\n",
            tmp_path / "brief.toml",
        )
        return read_shape(brief, brief.areas[0])

    return reader


@pytest.fixture
def refused(read: Reader) -> Callable[..., str]:
    """The sentence in which a file is refused, after the checks that hold for each."""

    def reader(kind: str, name: str, content: str | bytes | None = None) -> str:
        with pytest.raises(BriefError) as refusal:
            read(kind, name, content)
        message = str(refusal.value)
        assert message.count("\n") == 0
        assert 'brief.toml: In area "ground"' in message
        assert name[:40] in message
        assert message.endswith((".", "?"))
        assert "Errno" not in message
        return message

    return reader


def lines_of(shape: Shape) -> list[list[list[float]]]:
    assert isinstance(shape, Corridor)
    return [line.tolist() for line in shape.lines]


def places_of(shape: Shape) -> list[tuple[str, float, float]]:
    assert isinstance(shape, Corridor)
    return [(p.name, p.lon, p.lat) for p in shape.waypoints]


def area_of(shape: Shape) -> float:
    assert isinstance(shape, Polygons)
    return float(shapely.union_all([shapely.Polygon(r[0], r[1:]) for r in shape.polygons]).area)


# --- GPX ---------------------------------------------------------------------------------------------


def gpx(body: str, version: str = "1.1") -> str:
    return f'<?xml version="1.0"?>\n<gpx version="{version}" creator="t" xmlns="http://www.topografix.com/GPX/1/1">\n{body}</gpx>'


def segment(*places: tuple[Any, Any]) -> str:
    points = "".join(f'<trkpt lat="{lat}" lon="{lon}"><ele>9</ele></trkpt>\n' for lon, lat in places)
    return f"<trkseg>{points}</trkseg>\n"


@pytest.mark.parametrize("version", ["1.0", "1.1"])
def test_tracks_routes_and_waypoints_of_a_gpx_file(read: Reader, version: str) -> None:
    text = gpx(
        '<wpt lat="1" lon="2"><name>Spring\n by the\x85 rock</name><desc><name>no</name></desc></wpt>'
        '<rte><name>r</name><rtept lat="1" lon="2"><name>no</name></rtept><rtept lat="2" lon="2"/></rte>'
        f"<trk>{segment((1, 2), (3, 4))}{segment()}{segment((5, 6))}</trk><trk>{segment((7, 8), ('8.5', 8))}</trk>",
        version,
    )
    expected = [[[2, 1], [2, 2]], [[1, 2], [3, 4]], [[5, 6]], [[7, 8], [8.5, 8]]]
    shape = read("line", "a.gpx", text)
    assert lines_of(shape) == expected
    assert places_of(shape) == [("Spring by the rock", 2, 1)]
    assert lines_of(read("points", "a.gpx")) == [[[2, 1]]]


def test_gpx_is_read_in_any_encoding_with_any_prefix_and_whatever_stands_before(read: Reader) -> None:
    text = gpx(f"<trk>{segment((1, 2), (3, 4))}</trk>")
    expected = [[[1, 2], [3, 4]]]
    for data in (
        text.replace("?>", ' encoding="UTF-16"?>').encode("utf-16"),
        b"\xef\xbb\xbf" + text.encode(),
        text.replace("?>", ' encoding="ISO-8859-1"?><!-- \xe4 -->').encode("latin-1"),
        text.replace("?>", f"?><!--{'x' * 9000}-->").encode(),
        text.replace("<", "<g:")
        .replace("<g:/", "</g:")
        .replace("<g:?", "<?")
        .replace("xmlns", "xmlns:g")
        .encode(),
        text.replace("\n", "\r\n").encode(),
    ):
        assert lines_of(read("line", "a.gpx", data)) == expected
    assert lines_of(read("line", "CAPITALS.GPX", text)) == expected


@pytest.mark.parametrize(
    ("places", "word"),
    [
        ([("12,5", "47,1")], 'lon="12,5"'),  # GDAL reads 12
        ([("abc", 1)], 'lon="abc"'),  # GDAL reads 0
        ([("", 1)], 'lon=""'),
        ([("nan", 1)], "nan"),
        ([(1, "inf")], "inf"),
        ([(1, "1_0")], "1_0"),
        ([(200, 1)], 'lon="200"'),
        ([(1, 91)], 'lat="91"'),
    ],
)
def test_a_position_that_is_none_is_refused_with_its_line(
    refused: Callable[..., str], places: list[tuple[Any, Any]], word: str
) -> None:
    message = refused("line", "a.gpx", gpx(f"<trk>{segment((1, 2), *places)}</trk>"))
    assert word in message
    assert "line 4" in message


def test_a_fix_without_a_latitude_is_refused(refused: Callable[..., str]) -> None:
    text = gpx('<trk><trkseg><trkpt lon="3"/></trkseg></trk>')
    assert "a <trkpt> has no lat" in refused("line", "a.gpx", text)


def test_a_gpx_file_in_an_unknown_encoding_is_refused(refused: Callable[..., str]) -> None:
    for name in ("klingon", "shift_jis"):
        assert "encoding" in refused("line", "a.gpx", f'<?xml version="1.0" encoding="{name}"?><gpx/>')


def test_a_gpx_file_cut_off_anywhere_is_refused(read: Reader, refused: Callable[..., str]) -> None:
    text = gpx(f"<trk>{segment(*[(n / 100, 2) for n in range(40)])}</trk>")
    for end in range(0, len(text) - 1, 97):
        assert "cut off" in refused("line", "a.gpx", text[:end])


def test_a_file_without_the_shapes_asked_for_says_what_it_holds(refused: Callable[..., str]) -> None:
    refused("line", "a.gpx", gpx(f"<trk>{segment()}</trk>"))
    assert "no waypoint or other point; it is empty" in refused("points", "a.gpx")
    only = gpx('<wpt lat="1" lon="2"/><wpt lat="1" lon="3"/>')
    assert "no track, route or other line; it has 2 points" in refused("line", "b.gpx", only)
    track = gpx(f"<trk>{segment((1, 2))}</trk>")
    assert "no polygon with an area; it has 1 line" in refused("polygon", "c.gpx", track)


def test_real_gpx_files_hold_the_positions_that_gdal_finds(read: Reader) -> None:
    # In a process of its own, since the one of the tests has GDAL's GPX driver switched off.
    script = (
        "import sys, json, shapely, pyogrio.raw as p\n"
        "def xy(path, layer):\n"
        "    w = p.read(path, layer=layer, columns=[], force_2d=True)[2]\n"
        "    return [] if w is None else shapely.get_coordinates(shapely.from_wkb(w)).tolist()\n"
        "names = ('route_points', 'track_points', 'waypoints')\n"
        "print(json.dumps([[xy(path, name) for name in names] for path in sys.argv[1:]]))\n"
    )
    paths = sorted((FIXTURES / "tracks").glob("*.gpx"))
    run = [sys.executable, "-W", "ignore", "-c", script, *map(str, paths)]
    by_gdal = json.loads(subprocess.run(run, capture_output=True, check=True, timeout=60).stdout)
    assert len(paths) > 5
    for path, (routes, tracks, places) in zip(paths, by_gdal, strict=True):
        if routes or tracks:
            found = [place for line in lines_of(read("line", path.name, path.read_bytes())) for place in line]
            assert sorted(found) == sorted(routes + tracks)
        if places:
            points = lines_of(read("points", path.name, path.read_bytes()))
            assert [line[0] for line in points] == places


# --- GeoJSON -----------------------------------------------------------------------------------------

ALL_KINDS = [
    {"type": "Point", "coordinates": [1, 2, 900]},
    {"type": "MultiPoint", "coordinates": [[3, 4], [5, 6, 900]]},
    {"type": "LineString", "coordinates": [[1, 2, 9], [3, 4, 9]]},
    {"type": "MultiLineString", "coordinates": [[[1, 2], [3, 4, 5]], [[5, 6], [7, 8]], []]},
    {"type": "Polygon", "coordinates": [[[0, 0, 5], [4, 0, 5], [4, 4, 5], [0, 0, 5]]]},
    {"type": "MultiPolygon", "coordinates": [[[[10, 0], [14, 0], [14, 4]]], [[[20, 0], [24, 0], [24, 4], [20, 0]]]]},
    {
        "type": "GeometryCollection",
        "geometries": [
            {"type": "GeometryCollection", "geometries": [{"type": "LineString", "coordinates": [[1, 1], [2, 2]]}]}
        ],
    },
]  # fmt: skip


def collection(*geometries: Any, **more: Any) -> str:
    features = [
        {"type": "Feature", "properties": {"name": "A\x1b[31m\n B"}, "geometry": g} for g in geometries
    ]
    return json.dumps({"type": "FeatureCollection", "features": features, **more})


def test_every_kind_of_geojson_geometry_is_read_without_its_heights(read: Reader) -> None:
    text = collection(*ALL_KINDS, None)
    line = read("line", "a.geojson", text)
    assert lines_of(line) == [
        *([[1, 2], [3, 4]], [[1, 2], [3, 4]], [[5, 6], [7, 8]], [[1, 1], [2, 2]]),
    ]
    assert places_of(line) == [("A [31m B", 1, 2), ("A [31m B", 3, 4), ("A [31m B", 5, 6)]
    assert area_of(read("polygon", "a.geojson")) == pytest.approx(24)
    assert lines_of(read("points", "a.geojson")) == [[[1, 2]], [[3, 4]], [[5, 6]]]


def test_a_bare_geometry_and_a_lone_feature_are_read(read: Reader) -> None:
    assert lines_of(read("line", "a.json", json.dumps(ALL_KINDS[2]))) == [[[1, 2], [3, 4]]]
    feature = {"type": "Feature", "geometry": ALL_KINDS[2], "properties": None}
    assert lines_of(read("line", "b.json", b"\xef\xbb\xbf" + json.dumps(feature).encode())) == [
        [[1, 2], [3, 4]]
    ]


def test_longitudes_past_180_run_on_across_the_antimeridian(read: Reader) -> None:
    line = read("line", "a.geojson", json.dumps({"type": "LineString", "coordinates": [[178, 2], [185, 2]]}))
    assert lines_of(line) == [[[178, 2], [-175, 2]]]
    assert line.boxes()[0].west == pytest.approx(178, abs=0.01)
    assert line.boxes()[0].east == pytest.approx(185, abs=0.01)


JUMPING = {"type": "Polygon", "coordinates": [[[179, 0], [-179, 0], [-179, 2], [179, 2], [179, 0]]]}
UNWRAPPED = {"type": "Polygon", "coordinates": [[[179, 0], [181, 0], [181, 2], [179, 2], [179, 0]]]}
CUT = {
    "type": "MultiPolygon",  # the way of RFC 7946, 3.1.9
    "coordinates": [
        [[[179, 0], [180, 0], [180, 2], [179, 2], [179, 0]]],
        [[[-180, 0], [-179, 0], [-179, 2], [-180, 2], [-180, 0]]],
    ],
}


def test_three_ways_to_draw_a_polygon_across_the_antimeridian_give_the_same_tiles(read: Reader) -> None:
    sets = [
        read("polygon", f"{n}.geojson", json.dumps(g)).tiles(9)
        for n, g in enumerate((JUMPING, UNWRAPPED, CUT))
    ]
    assert sets[0] == sets[1] == sets[2]
    assert 2 * 3 <= len(sets[0]) <= 5 * 5  # 2 by 2 degrees in tiles of 0.7


def test_real_countries_across_the_antimeridian_with_a_hole_and_round_a_pole(read: Reader) -> None:
    # Areas by a spherical formula would need their rings; here the check is which well-known places are in.
    whole = json.loads((FIXTURES / "polygons" / "countries.geojson").read_text(encoding="utf-8"))
    inside = {
        "Fiji": [(178.0, -17.8)],
        "Russia": [(37.6, 55.8), (-172.0, 66.0)],  # Moscow, and Chukotka east of the antimeridian
        "South Africa": [(28.0, -26.2)],
        "Nepal": [(85.3, 27.7)],
        "Slovenia": [(14.5, 46.05)],
        "Antarctica": [(0.0, -84.0), (179.9, -84.9), (-179.9, -84.9), (90.0, -80.0)],
    }
    outside = {
        "Fiji": [(0.0, -17.8), (170.0, -17.8)],
        "Russia": [(-100.0, 60.0), (10.0, 60.0)],
        "South Africa": [(28.2, -29.5)],  # Lesotho, the hole
        "Antarctica": [(0.0, -50.0), (90.0, -50.0)],
    }
    for feature in whole["features"]:
        name = feature["properties"]["name"]
        shape = read("polygon", "country.geojson", json.dumps(feature))
        tiles = shape.tiles(11)
        for wanted, places in ((True, inside[name]), (False, outside.get(name, []))):
            for lon, lat in places:
                x = int((lon + 180) / 360 * 2048)
                y = int((1 - np.arcsinh(np.tan(np.radians(lat))) / np.pi) / 2 * 2048)
                assert ((11, x, y) in tiles) is wanted, (name, lon, lat)


@pytest.mark.parametrize(
    ("name", "x", "y", "lon", "lat"),
    [
        # The central meridian of UTM zone 33 is 15° east, at easting 500000 by definition.
        ("urn:ogc:def:crs:EPSG::32633", 500_000, 5_200_000, 15.0, None),
        # OGC 17-083r4: the square ends at x = 20037508.342789244 at 180°, y likewise at atan(sinh(pi)).
        ("EPSG:3857", 20037508.342789244 / 2, 0, 90.0, 0.0),
        ("urn:ogc:def:crs:OGC:1.3:CRS84", 12.5, 47.0, 12.5, 47.0),
        ("EPSG:4326", 12.5, 47.0, 12.5, 47.0),
    ],
)
def test_an_old_geojson_file_may_state_its_coordinate_system(
    read: Reader, name: str, x: float, y: float, lon: float, lat: float | None
) -> None:
    crs = {"type": "name", "properties": {"name": name}}
    [(_, lon_found, lat_found)] = places_of(
        read("points", "a.geojson", collection({"type": "Point", "coordinates": [x, y]}, crs=crs))
    )
    assert lon_found == pytest.approx(lon, abs=1e-9)
    assert lat is None or lat_found == pytest.approx(lat, abs=1e-9)


@pytest.mark.parametrize(
    "name", ["EPSG:999999", "OGC:CRS9", "+proj=longlat", "/etc/passwd", "http://127.0.0.1:9/x", 5]
)
def test_a_coordinate_system_that_is_not_known_is_never_taken_for_degrees(
    refused: Callable[..., str], name: object
) -> None:
    crs = {"type": "name", "properties": {"name": name}}
    message = refused("points", "a.geojson", collection(ALL_KINDS[0], crs=crs))
    assert "coordinate system" in message
    assert "WGS 84" in message


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "not well-formed JSON"),
        ('{"type": "LineString", "coordinates": [[1, 2], [3', "cut off"),
        ('{"a": 1}', "RFC 7946"),
        ("[1, 2]", "RFC 7946"),
        ('"x"', "RFC 7946"),
        ('{"type": "FeatureCollection", "features": {}}', "no track"),
        ('{"type": "FeatureCollection", "features": [1]}', "RFC 7946"),
        ('{"type": "Feature", "geometry": 1}', "RFC 7946"),
        ('{"type": ["x"]}', "RFC 7946"),
        ('{"type": "Topology", "arcs": []}', "not a TopoJSON object"),
        ('{"type": "LineString"}', "RFC 7946"),
        ('{"type": "LineString", "coordinates": 1}', "RFC 7946"),
        ('{"type": "Polygon", "coordinates": [[], [[0, 0]]]}', "it is empty"),
        ('{"type": "MultiPolygon", "coordinates": [[[]], [], [[[0, 0]], []]]}', "it has 1 polygon"),
        ('{"type": "LineString", "coordinates": [1, 2]}', "not a position"),
        ('{"type": "LineString", "coordinates": [["1", "2"]]}', "not a position"),
        ('{"type": "LineString", "coordinates": [[null, 2]]}', "not a position"),
        ('{"type": "LineString", "coordinates": [[true, 2]]}', "not a position"),
        ('{"type": "LineString", "coordinates": [[NaN, 2]]}', "NaN"),
        ('{"type": "LineString", "coordinates": [[1e999, 2]]}', "not on Earth"),
        (f'{{"type": "LineString", "coordinates": [[{"9" * 400}, 2]]}}', "not a position"),
        (f'{{"type": "LineString", "coordinates": [[{"9" * 5000}, 2]]}}', "digits"),
        ('{"type": "LineString", "coordinates": [[47, 112]]}', "longitudes first"),
        ('{"type": "LineString", "coordinates": [[500000, 5200000]]}', "coordinate system"),
        ('{"type": "LineString", "coordinates": [[1, 86]]}', "85.0511"),
        (
            '{"type": "gdal_streamed_alg", "command_line": "gdal vector pipeline ! read x"}',
            "not a GeoJSON geometry type",
        ),
    ],
)
def test_what_is_no_geojson_is_told_in_a_sentence(refused: Callable[..., str], text: str, word: str) -> None:
    assert word in refused("line", "a.geojson", text)


# --- KML and KMZ -------------------------------------------------------------------------------------


def kml(body: str) -> str:
    return (
        f'<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>{body}</Document></kml>'
    )


def mark(name: str, geometry: str) -> str:
    return f"<Placemark><name>{name}</name>{geometry}</Placemark>"


POINT = "<Point><coordinates>1,2,900</coordinates></Point>"
LINE = "<LineString><coordinates>1,2 3,4 5,6</coordinates></LineString>"
RING = "<LinearRing><coordinates>{}</coordinates></LinearRing>"
POLYGON = (
    f"<Polygon><outerBoundaryIs>{RING.format('0,0 4,0 4,4 0,4 0,0')}</outerBoundaryIs>"
    f"<innerBoundaryIs>{RING.format('1,1 2,1 2,2 1,2 1,1')}</innerBoundaryIs></Polygon>"
)
NESTED = kml(
    f"<Folder><name>A</name>{mark('p', POINT)}<Folder><name>B</name>{mark('l', LINE)}<Folder><name>A</name>"
    f"{mark('m', f'<MultiGeometry>{POINT}{POLYGON}<MultiGeometry>{LINE}</MultiGeometry></MultiGeometry>')}"
    "</Folder></Folder></Folder>"
)


@pytest.mark.parametrize("packed", [False, True])
def test_nested_folders_and_multigeometries_of_kml_and_kmz(
    read: Reader, tmp_path: Path, packed: bool
) -> None:
    name = "a.kmz" if packed else "a.kml"
    if packed:
        with zipfile.ZipFile(tmp_path / name, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("doc.kml", NESTED)
    else:
        (tmp_path / name).write_text(NESTED, encoding="utf-8")
    shape = read("line", name)
    assert lines_of(shape) == [[[1, 2], [3, 4], [5, 6]]] * 2
    assert places_of(shape) == [("p", 1, 2), ("m", 1, 2)]
    assert area_of(read("polygon", name)) == pytest.approx(15)


def test_damaged_kml_and_kmz_files_are_refused(refused: Callable[..., str], tmp_path: Path) -> None:
    refused("line", "a.kml", NESTED[: len(NESTED) // 2])
    assert "root element" in refused("line", "b.kml", gpx(""))
    assert "does not begin with <kml>" in refused("line", "c.kml", b"\x00\x01\x02")
    assert "it is empty, cut off, or not a KML file" in refused("line", "d.kml", b"")
    with zipfile.ZipFile(tmp_path / "whole.kmz", "w") as archive:
        archive.writestr("doc.kml", NESTED)
    whole = (tmp_path / "whole.kmz").read_bytes()
    assert "zip archive" in refused("line", "d.kmz", whole[: len(whole) // 2])
    assert "begin" in refused("line", "e.kmz", NESTED)
    with zipfile.ZipFile(tmp_path / "f.kmz", "w") as archive:
        archive.writestr("readme.txt", "nothing")
    refused("line", "f.kmz")


# --- GeoPackage, Shapefile, FlatGeobuf ---------------------------------------------------------------


def write(path: Path, shapes: list[Any], kind: str, crs: str, **more: Any) -> None:
    # Through the same transport as the package, so that its own way of loading GDAL is what is tested.
    raw = gdal().raw
    names = np.array([f"n{i}" for i in range(len(shapes))], dtype=object)
    wkb = shapely.to_wkb(np.array(shapes, dtype=object))
    raw.write(str(path), wkb, [names], ["name"], geometry_type=kind, crs=crs, **more)


UTM_BOXES = [shapely.box(500_000 + n * 1000, 5_200_000, 500_500 + n * 1000, 5_200_500) for n in range(50)]
FROM_UTM = Transformer.from_crs("EPSG:32633", "EPSG:4326", always_xy=True)


@pytest.mark.parametrize("ending", ["gpkg", "shp", "fgb"])
def test_polygons_in_utm_come_out_in_degrees(read: Reader, tmp_path: Path, ending: str) -> None:
    write(tmp_path / f"a.{ending}", UTM_BOXES, "Polygon", "EPSG:32633")
    shape = read("polygon", f"a.{ending}")
    assert isinstance(shape, Polygons)
    found = sorted(float(p[0][:, 0].min()) for p in shape.polygons)
    expected = sorted(float(min(FROM_UTM.transform(*b.exterior.xy)[0])) for b in UTM_BOXES)
    assert found == pytest.approx(expected, abs=1e-9)


def test_all_layers_of_a_geopackage_are_read_each_in_its_own_system(read: Reader, tmp_path: Path) -> None:
    path = tmp_path / "a.gpkg"
    write(path, UTM_BOXES, "Polygon", "EPSG:32633", layer="sectors")
    write(
        path,
        [shapely.LineString([(12, 47), (12.1, 47)])],
        "LineString",
        "EPSG:4326",
        layer="way",
        append=True,
    )
    write(path, [shapely.Point(12, 47), None], "Point", "EPSG:4326", layer="camps", append=True)
    line = read("line", "a.gpkg")
    assert lines_of(line) == [[[12, 47], [12.1, 47]]]
    assert places_of(line) == [("n0", 12, 47)]
    shape = read("polygon", "a.gpkg")
    assert isinstance(shape, Polygons)
    assert len(shape.polygons) == 50


def test_a_straight_edge_of_a_projected_file_is_followed_where_it_runs(read: Reader, tmp_path: Path) -> None:
    # 200 km along a northing of UTM: in degrees its middle lies well off the line between its ends.
    write(tmp_path / "a.gpkg", [shapely.box(400_000, 6_500_000, 600_000, 6_510_000)], "Polygon", "EPSG:32633")
    shape = read("polygon", "a.gpkg")
    assert isinstance(shape, Polygons)
    drawn = shapely.Polygon(shape.polygons[0][0])
    for easting in np.linspace(400_500, 599_500, 41):
        assert drawn.covers(shapely.Point(*FROM_UTM.transform(easting, 6_500_005)))
        assert not drawn.covers(shapely.Point(*FROM_UTM.transform(easting, 6_499_995)))


def test_a_projected_polygon_across_the_antimeridian_stays_whole(read: Reader, tmp_path: Path) -> None:
    # EPSG:3832 is centred on 150° east; x there is the radius times the radians from that meridian.
    x = np.radians([25.0, 35.0]) * 6378137
    write(tmp_path / "a.gpkg", [shapely.box(x[0], -10_000, x[1], 10_000)], "Polygon", "EPSG:3832")
    [box] = read("polygon", "a.gpkg").boxes()
    assert (box.west, box.east) == pytest.approx((175, 185), abs=1e-9)


def test_files_without_a_usable_coordinate_system_are_refused(
    refused: Callable[..., str], tmp_path: Path
) -> None:
    write(tmp_path / "a.shp", UTM_BOXES, "Polygon", "EPSG:32633")
    (tmp_path / "a.prj").unlink()
    assert ".prj" in refused("polygon", "a.shp")
    write(tmp_path / "b.gpkg", [shapely.Point(1, 1)], "Point", 'LOCAL_CS["site",UNIT["metre",1]]')
    assert "coordinate system" in refused("points", "b.gpkg")


def test_cut_off_binary_files_are_refused(refused: Callable[..., str], tmp_path: Path) -> None:
    for ending in ("gpkg", "fgb", "shp"):
        path = tmp_path / f"a.{ending}"
        write(path, UTM_BOXES, "Polygon", "EPSG:32633")
        path.write_bytes(path.read_bytes()[: path.stat().st_size * 2 // 3])
        refused("polygon", path.name)
    write(tmp_path / "b.shp", UTM_BOXES, "Polygon", "EPSG:32633")
    index = tmp_path / "b.shx"
    index.write_bytes(index.read_bytes()[: index.stat().st_size // 2])
    assert "b.shx is shorter" in refused("polygon", "b.shp")
    index.unlink()
    assert "b.shx is missing beside it" in refused("polygon", "b.shp")


@pytest.mark.parametrize("ending", ["gpkg", "shp", "fgb", "kmz"])
def test_noise_is_refused_with_and_without_the_right_beginning(
    refused: Callable[..., str], ending: str
) -> None:
    noise = np.random.default_rng(7).bytes(3000)
    refused("polygon", f"a.{ending}", noise)
    start = {
        "gpkg": b"SQLite format 3\0",
        "shp": b"\0\0\x27\x0a" + bytes(20) + struct.pack(">I", 1500),
        "fgb": b"fgb\3fgb\1",
        "kmz": b"PK\3\4",
    }
    refused("polygon", f"b.{ending}", start[ending] + noise)


# --- files that mean harm, and paths ---------------------------------------------------------------


@pytest.fixture
def listener() -> Iterator[tuple[str, list[str]]]:
    """A server on this machine that notes who calls: nobody should."""
    calls: list[str] = []

    class Note(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            calls.append(self.path)
            self.send_response(404)
            self.end_headers()

        do_HEAD = do_GET  # noqa: N815  # the names that the standard library calls

        def log_message(self, format: str, *args: Any) -> None:
            pass

    with http.server.HTTPServer(("127.0.0.1", 0), Note) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        yield f"http://127.0.0.1:{server.server_port}", calls
        server.shutdown()
        thread.join()


def hostile(folder: Path, base: str) -> dict[str, str]:
    """Files that point elsewhere: to a file beside them, and to the listening server."""
    vrt = (
        f'<OGRVRTDataSource><OGRVRTLayer name="a"><SrcDataSource>{folder}/good.geojson</SrcDataSource>'
        f'</OGRVRTLayer><OGRVRTLayer name="b"><SrcDataSource>/vsicurl/{base}/b.geojson</SrcDataSource>'
        "</OGRVRTLayer></OGRVRTDataSource>"
    )
    link = {"type": "link", "properties": {"href": f"{base}/crs", "type": "proj4"}}
    entity = f'<!DOCTYPE x SYSTEM "{base}/x.dtd" [<!ENTITY e SYSTEM "{base}/e">]>'
    return {
        "vrt.gpx": vrt,
        "vrt.kml": vrt,
        "vrt.geojson": vrt,
        "vrt.json": vrt,
        "vrt.gpkg": vrt,
        "vrt.shp": vrt,
        "vrt.fgb": vrt,
        "comment.kml": f"<!-- <kml> -->{vrt}",
        "alg.json": json.dumps(
            {
                "type": "gdal_streamed_alg",
                "command_line": f"gdal vector pipeline ! read {folder}/good.geojson",
            }
        ),
        "link.geojson": collection(ALL_KINDS[4], crs=link),
        "address.json": f"{base}/q",
        "entity.gpx": f'<?xml version="1.0"?>{entity}<gpx><wpt lat="1" lon="2"><name>&e;</name></wpt></gpx>',
        "entity.kml": f'<?xml version="1.0"?>{entity}<kml><Document><name>&e;</name></Document></kml>',
    }


def test_nothing_elsewhere_is_read_or_called(
    refused: Callable[..., str], tmp_path: Path, listener: tuple[str, list[str]]
) -> None:
    base, calls = listener
    (tmp_path / "good.geojson").write_text(collection(*ALL_KINDS), encoding="utf-8")
    for name, text in hostile(tmp_path, base).items():
        refused("polygon", name, text)
    for name in (f"{base}/a.geojson", f"/vsicurl/{base}/a.geojson", f"/vsizip/{tmp_path}/a.kmz/doc.kml"):
        assert "does not exist" in refused("polygon", name)
    assert calls == []


def test_links_of_a_kml_file_are_not_followed(read: Reader, listener: tuple[str, list[str]]) -> None:
    base, calls = listener
    links = (
        f"<NetworkLink><Link><href>{base}/n.kml</href></Link></NetworkLink>"
        f"<GroundOverlay><Icon><href>{base}/o.png</href></Icon></GroundOverlay>"
        f"<Placemark><styleUrl>{base}/s.kml#s</styleUrl><name>p</name>{POINT}</Placemark>"
    )
    assert places_of(read("points", "a.kml", kml(links))) == [("p", 1, 2)]
    assert calls == []


def test_the_walls_hold_where_gdal_was_loaded_before_with_all_its_drivers(
    tmp_path: Path, listener: tuple[str, list[str]]
) -> None:
    base, calls = listener
    (tmp_path / "good.geojson").write_text(collection(*ALL_KINDS), encoding="utf-8")
    files = hostile(tmp_path, base)
    for name, text in files.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    script = (
        "import sys, pathlib, pyogrio.raw\n"
        "assert 'OGR_VRT' in pyogrio.list_drivers()\n"
        "from packer.errors import BriefError\n"
        "from packer.geometry.files.reading import read_drawing\n"
        "for name in sys.argv[1:]:\n"
        "    try:\n"
        "        sys.exit(f'{name}: {read_drawing(pathlib.Path(name))}')\n"
        "    except ValueError:\n"
        "        pass\n"
    )
    run = [sys.executable, "-c", script, *(str(tmp_path / name) for name in files)]
    environment = {key: value for key, value in os.environ.items() if key != "OGR_SKIP"}
    done = subprocess.run(run, capture_output=True, text=True, env=environment, timeout=60, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert calls == []


def test_drivers_that_follow_links_are_switched_off_and_the_environment_left_as_it_was() -> None:
    # In a process of its own, since another test may have loaded GDAL with all its drivers.
    script = (
        "import json, os\n"
        "from packer.geometry.files.databases import gdal\n"
        "drivers = list(gdal().list_drivers())\n"
        "print(json.dumps([os.environ.get('OGR_SKIP'), drivers]))\n"
    )
    run = [sys.executable, "-c", script]
    environment = {**os.environ, "OGR_SKIP": "KML"}
    done = subprocess.run(run, capture_output=True, env=environment, check=True, timeout=60)
    skip, drivers = json.loads(done.stdout)
    assert skip == "KML"
    assert {"GPKG", "ESRI Shapefile", "FlatGeobuf"} <= set(drivers)
    assert not {"LIBKML", "KML", "OGR_VRT", "GDALG", "HTTP", "WFS", "OAPIF", "PGDUMP", "CSV", "SQLite"} & set(
        drivers
    )


def _entities(opening: str, closing: str) -> str:
    names = "abcdefghij"
    declared = f'<!ENTITY a "{"x" * 20}">' + "".join(
        f'<!ENTITY {new} "{f"&{old};" * 10}">' for old, new in itertools.pairwise(names)
    )
    return f'<?xml version="1.0"?><!DOCTYPE x [{declared}]>{opening}&j;{closing}'


def test_an_entity_bomb_is_refused(refused: Callable[..., str]) -> None:
    bomb = _entities('<gpx><wpt lat="1" lon="2"><name>', "</name></wpt></gpx>")
    assert "entities" in refused("points", "a.gpx", bomb)
    refused(
        "points",
        "a.kml",
        _entities("<kml><Document><Placemark><name>", f"</name>{POINT}</Placemark></Document></kml>"),
    )


def test_a_zip_bomb_is_refused_before_it_is_unpacked(refused: Callable[..., str], tmp_path: Path) -> None:
    with (
        zipfile.ZipFile(tmp_path / "a.kmz", "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive,
        archive.open("doc.kml", "w") as member,
    ):
        for _ in range(33):
            member.write(b" " * 1_000_000)
    assert "unpacks to over 32 MB" in refused("points", "a.kmz")


def test_megabytes_of_brackets_are_refused(refused: Callable[..., str]) -> None:
    assert "too deep" in refused(
        "polygon", "a.geojson", b'{"type":"Polygon","coordinates":' + b"[" * 30_000_000
    )
    nest = '{"type":"GeometryCollection","geometries":['
    assert "too deep" in refused("polygon", "b.geojson", nest * 50_000 + "]}" * 50_000)


def test_files_that_are_too_large_are_refused_unread(refused: Callable[..., str], tmp_path: Path) -> None:
    for name, size in (("a.geojson", 32_000_001), ("a.kml", 32_000_001), ("a.gpx", 128_000_001)):
        with (tmp_path / name).open("wb") as file:
            file.truncate(size)  # a file with a hole, which takes no room
        assert "MB" in refused("line", name)


@pytest.mark.parametrize("name", ["none.gpx", "x" * 300 + ".gpx", "folder.gpx", "a.txt", "a.vrt", "a.zip"])
def test_paths_that_lead_to_no_shape_file_are_refused(
    refused: Callable[..., str], tmp_path: Path, name: str
) -> None:
    (tmp_path / "folder.gpx").mkdir()
    for known in ("a.txt", "a.vrt", "a.zip"):
        (tmp_path / known).write_text(gpx(""), encoding="utf-8")
    refused("line", name)


@pytest.mark.parametrize(
    "name", ["a b.kml", "a#b.kml", "a?b.kml", "a%20b.kml", "ä.kml", "zip:b.kml", "http:c.kml"]
)
def test_odd_file_names_are_read(
    read: Reader, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, name: str
) -> None:
    monkeypatch.chdir(tmp_path)
    assert places_of(read("points", name, kml(mark("p", POINT)))) == [("p", 1, 2)]


def test_a_name_that_gdal_would_take_for_an_archive_is_refused(
    read: Reader, refused: Callable[..., str], tmp_path: Path
) -> None:
    write(tmp_path / "Rescue.gpkg", UTM_BOXES, "Polygon", "EPSG:32633")
    (tmp_path / "Rescue.gpkg").rename(tmp_path / "Rescue!.gpkg")
    assert '"!"' in refused("polygon", "Rescue!.gpkg")
    assert places_of(read("points", "Rescue!.kml", kml(mark("p", POINT)))) == [("p", 1, 2)]


def test_a_box_needs_no_file(tmp_path: Path) -> None:
    brief = Brief.from_text(
        'title = "t"\n[layers.a]\nurl = "https://t.example.org/{z}/{x}/{y}.jpg"\nattribution = "S"\n'
        'permission = "O"\nzooms = [0, 19]\n[[areas]]\nname = "b"\nbox = [1, 2, 3, 4]\ndeepest = 1\n'
        '[[areas]]\nname = "p"\npoint = [1, 2]\nradius = "2 km"\ndeepest = 1\n'
    )
    assert read_shape(brief, brief.areas[0]).boxes() == [LonLatBox(1, 2, 3, 4)]
    point = read_shape(brief, brief.areas[1])
    assert lines_of(point) == [[[1, 2]]]
    assert isinstance(point, Corridor)
    assert point.half_width_m == 2000
