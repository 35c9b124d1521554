"""Sound inputs of every kind, small, for the fuzz of damaged and hostile inputs to start from."""

from __future__ import annotations

import io
import json
import sqlite3
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from packer.content.codings import pack_vector
from packer.geometry.files.databases import gdal
from packer.geometry.grid import tms_row
from packer.geometry.tileset import Tile
from packer.handover import handover
from packer.handover.kinds import As
from packer.planning.brief import Brief
from packer.planning.plan import plan
from tests.fit_writer import fit_file
from tests.handover_packs import build, received
from tests.tile_server import png

__all__ = ["BRIEF", "FIXTURES", "TOPOLOGY", "make_samples"]

FIXTURES = Path(__file__).parent.parent / "fixtures"

BRIEF = """title = "Ketterling Basin reconnaissance"
contact = "planner@example.org"
store = "packs"

[layers.survey]
url = "https://{s}.example.org/survey/{z}/{x}/{y}.png?key=${SURVEY_KEY}"
attribution = "Example Survey"
permission = "Own server"
zooms = [0, 14]
requests-per-second = 20.5
headers = { "X-Trip" = "basin" }
subdomains = ["a", "b"]
expires = 2031-03-01
tile-limit = 100000

[overview]
margin = "1 km"
deepest = 6

[[areas]]
name = "ground"
box = [12.30, 47.00, 12.36, 47.03]
deepest = 11

[[areas]]
name = "camp"
point = [12.5, 47.1]
radius = "250 m"
use = "trail"
layers = ["survey"]

[[crews]]
name = "north"
areas = ["ground"]
budget = "32 GB"
"""

KML = """<?xml version="1.0" encoding="UTF-8"?>
<kml xmlns="http://www.opengis.net/kml/2.2"><Document><name>Basin</name><Folder><name>lines</name>
<Placemark><name>ridge</name><LineString><coordinates>12.30,47.00,900 12.31,47.01,950 12.33,47.02,990
</coordinates></LineString></Placemark></Folder>
<Placemark><name>hut</name><Point><coordinates>12.32,47.015</coordinates></Point></Placemark>
<Placemark><name>ground</name><MultiGeometry><Polygon><outerBoundaryIs><LinearRing><coordinates>
12.30,47.00 12.36,47.00 12.36,47.03 12.30,47.03 12.30,47.00</coordinates></LinearRing></outerBoundaryIs>
<innerBoundaryIs><LinearRing><coordinates>12.31,47.01 12.32,47.01 12.32,47.02 12.31,47.01</coordinates>
</LinearRing></innerBoundaryIs></Polygon></MultiGeometry></Placemark></Document></kml>
"""

GPX = """<?xml version="1.0" encoding="UTF-8"?>
<gpx version="1.1" creator="example" xmlns="http://www.topografix.com/GPX/1/1">
<wpt lat="47.015" lon="12.32"><name>hut</name></wpt>
<rte><rtept lat="47.0" lon="12.3"/><rtept lat="47.02" lon="12.33"/></rte>
<trk><trkseg><trkpt lat="47.0" lon="12.3"><ele>900</ele></trkpt><trkpt lat="47.01" lon="12.31"/></trkseg>
<trkseg/></trk></gpx>
"""

GEOJSON: dict[str, Any] = {
    "type": "FeatureCollection",
    "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}},
    "features": [
        {
            "type": "Feature",
            "properties": {"name": "ridge"},
            "geometry": {
                "type": "LineString",
                "coordinates": [[12.3, 47.0, 900], [12.31, 47.01], [12.33, 47.02]],
            },
        },
        {
            "type": "Feature",
            "properties": {"name": "hut"},
            "geometry": {"type": "MultiPoint", "coordinates": [[12.32, 47.015], [12.33, 47.02]]},
        },
        {
            "type": "Feature",
            "properties": None,
            "geometry": {
                "type": "GeometryCollection",
                "geometries": [
                    {
                        "type": "Polygon",
                        "coordinates": [
                            [[12.3, 47.0], [12.36, 47.0], [12.36, 47.03], [12.3, 47.03], [12.3, 47.0]],
                            [[12.31, 47.01], [12.32, 47.01], [12.32, 47.02], [12.31, 47.01]],
                        ],
                    }
                ],
            },
        },
    ],
}


TOPOLOGY: dict[str, Any] = {
    "type": "Topology",
    "transform": {"scale": [0.001, 0.001], "translate": [12.3, 47.0]},
    "arcs": [[[0, 0], [60, 0], [0, 30]], [[60, 30], [-60, 0], [0, -30]]],
    "objects": {
        "ground": {"type": "GeometryCollection", "geometries": [{"type": "Polygon", "arcs": [[0, 1]]}]},
        "way": {"type": "LineString", "arcs": [0, -2]},
        "huts": {"type": "MultiPoint", "coordinates": [[20, 15]]},
    },
}

GML = """<?xml version="1.0" encoding="UTF-8"?>
<FeatureCollection xmlns:gml="http://www.opengis.net/gml"><gml:featureMember><way><name>ridge</name>
<gml:LineString srsName="urn:ogc:def:crs:EPSG::4326"><gml:posList>47.0 12.30 47.01 12.31 47.02 12.33</gml:posList>
</gml:LineString></way></gml:featureMember><gml:featureMember><ground><gml:Polygon srsName="EPSG:4326"><gml:exterior>
<gml:LinearRing><gml:coordinates>12.30,47.00 12.36,47.00 12.36,47.03 12.30,47.00</gml:coordinates></gml:LinearRing>
</gml:exterior></gml:Polygon></ground></gml:featureMember><gml:featureMember><hut><gml:Point srsName="EPSG:32633">
<gml:pos>300000 5200000</gml:pos></gml:Point></hut></gml:featureMember></FeatureCollection>
"""

TCX = """<?xml version="1.0" encoding="UTF-8"?>
<TrainingCenterDatabase><Courses><Course><Name>ridge</Name><Track><Trackpoint><Position><LatitudeDegrees>47.0
</LatitudeDegrees><LongitudeDegrees>12.3</LongitudeDegrees></Position></Trackpoint><Trackpoint><Position>
<LatitudeDegrees>47.02</LatitudeDegrees><LongitudeDegrees>12.33</LongitudeDegrees></Position></Trackpoint></Track>
<CoursePoint><Name>hut</Name><Position><LatitudeDegrees>47.01</LatitudeDegrees><LongitudeDegrees>12.32
</LongitudeDegrees></Position></CoursePoint></Course></Courses></TrainingCenterDatabase>
"""

CSV = "name,longitude,latitude\nhut,12.32,47.015\nridge,12.31,47.01\npass,12.33,47.02\n"

WKT = """POLYGON ((12.30 47.00, 12.36 47.00, 12.36 47.03, 12.30 47.00), (12.31 47.001,
 12.32 47.001, 12.32 47.002, 12.31 47.001))
SRID=32633;LINESTRING (300000 5200000, 301000 5201000)
GEOMETRYCOLLECTION (POINT (12.32 47.015), MULTILINESTRING ((12.3 47, 12.31 47.01), (12.31 47.01, 12.33 47.02)))
"""


def make_samples(folder: Path) -> None:
    """Write one sound input of every kind below `folder`.

    If the process dies: some of them are there; nothing else uses the folder.
    """
    _shapes(folder / "shapes")
    (folder / "brief.toml").write_text(BRIEF, encoding="utf-8")
    _packs(folder / "store")
    _foreign(folder / "foreign")


def _shapes(folder: Path) -> None:
    folder.mkdir(parents=True)
    (folder / "a.gpx").write_text(GPX, encoding="utf-8")
    (folder / "a.kml").write_text(KML, encoding="utf-8")
    (folder / "a.geojson").write_text(json.dumps(GEOJSON), encoding="utf-8")
    (folder / "a.topojson").write_text(json.dumps(TOPOLOGY), encoding="utf-8")
    sequence = "".join(f"\x1e{json.dumps(one)}\n" for one in GEOJSON["features"])
    (folder / "a.geojsons").write_text(sequence, encoding="utf-8")
    for ending, text in (("gml", GML), ("tcx", TCX), ("csv", CSV), ("wkt", WKT)):
        (folder / f"a.{ending}").write_text(text, encoding="utf-8")
    (folder / "a.fit").write_bytes(fit_file((47.0, 12.3), None, (47.01, 12.31), (47.02, 12.33)))
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("doc.kml", KML)
    (folder / "a.kmz").write_bytes(out.getvalue())
    for number, track in enumerate(sorted((FIXTURES / "tracks").glob("*.gpx"))):
        if track.stat().st_size < 60_000:
            (folder / f"real{number}.gpx").write_bytes(track.read_bytes())
    lines = [
        shapely.LineString([[12.3, 47.0], [12.31, 47.01], [12.33, 47.02]]),
        shapely.LineString([[12, 47], [12.1, 47]]),
    ]
    rings = [shapely.box(12.3, 47.0, 12.36, 47.03), shapely.Point(12.5, 47.1).buffer(0.02)]
    for kind, drawn in (("LineString", lines), ("Polygon", rings)):
        for ending, driver in ((".gpkg", "GPKG"), (".fgb", "FlatGeobuf"), (".shp", "ESRI Shapefile")):
            gdal().raw.write(
                folder / f"{kind[0]}{ending}",
                np.array([shapely.to_wkb(one) for one in drawn], dtype=object),
                [np.array(["one", "two"], dtype=object)],
                ["name"],
                geometry_type=kind,
                crs="EPSG:4326",
                driver=driver,
            )
    with zipfile.ZipFile(folder / "a.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for part in sorted(folder.glob("P.[sdp][hbr][pxfj]")):
            archive.write(part, part.name)


def _brief(folder: Path) -> Brief:
    text = BRIEF.replace("?key=${SURVEY_KEY}", "").replace("deepest = 11", "deepest = 12")
    text = text.replace('use = "trail"', "deepest = 12").split("[[crews]]")[0]
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "brief.toml").write_text(text, encoding="utf-8")
    return Brief.read(folder)


def vector(tile: Tile) -> bytes:
    """A vector tile of one layer with one point, by the Vector Tile Specification 2.1."""

    def held(number: int, data: bytes) -> bytes:
        return bytes([number << 3 | 2, len(data)]) + data

    feature = held(2, b"\0\0") + b"\x18\x01" + held(4, bytes([9, tile.x % 64, tile.y % 64]))
    layer = held(1, b"roads") + held(2, feature) + held(3, b"kind") + held(4, held(1, b"path")) + b"\x78\x02"
    return pack_vector(held(3, layer))


def _packs(folder: Path) -> None:
    """A store for each kind of tile, with its brief, and a copy handed over in each way."""
    draws: dict[str, Callable[[Tile], bytes]] = {
        "png": lambda t: png(str(t)),
        "pbf": vector,
        "jpg": lambda _t: (Path(__file__).parent / "data" / "grey.jpg").read_bytes(),
    }
    for kind, draw in draws.items():
        brief = _brief(folder / kind)
        worked_out = plan(brief)
        records = [received(t, draw(t), kind, 1_700_000_000) for t in worked_out.layers["survey"].tiles]
        build(brief.store_folder / "survey.mbtiles", kind, records, worked_out)
    kinds: tuple[tuple[As, str], ...] = (
        ("mbtiles", "png"),
        ("gpkg", "png"),
        ("folder", "png"),
        ("mbtiles", "pbf"),
    )
    for as_, kind in kinds:
        brief = Brief.read(folder / kind)
        handover(brief, plan(brief), None, folder.parent / "copies" / f"{as_}-{kind}", as_=as_)


def _foreign(folder: Path) -> None:
    """MBTiles of other makers: a plain table, a view over a table of bodies, and loose files."""
    folder.mkdir(parents=True)
    places = [Tile(11, x, y) for x in range(1090, 1095) for y in range(715, 720)]
    rows = [(t.zoom, t.x, tms_row(t.zoom, t.y), png(str(t))) for t in places]
    with sqlite3.connect(folder / "plain.mbtiles") as db:
        db.execute("CREATE TABLE metadata (name TEXT, value TEXT)")
        db.execute("INSERT INTO metadata VALUES ('name', 'foreign'), ('format', 'png')")
        db.execute(
            "CREATE TABLE tiles (zoom_level INTEGER, tile_column INTEGER, tile_row INTEGER, tile_data BLOB)"
        )
        db.executemany("INSERT INTO tiles VALUES (?, ?, ?, ?)", rows)
    db.close()
    with sqlite3.connect(folder / "view.mbtiles") as db:
        db.execute("CREATE TABLE images (tile_id TEXT, tile_data BLOB)")
        db.execute(
            "CREATE TABLE map (zoom_level INTEGER, tile_column INTEGER, tile_row INTEGER, tile_id TEXT)"
        )
        db.execute("CREATE UNIQUE INDEX by_id ON images (tile_id)")
        db.executemany("INSERT INTO images VALUES (?, ?)", [(str(i), r[3]) for i, r in enumerate(rows)])
        db.executemany("INSERT INTO map VALUES (?, ?, ?, ?)", [(*r[:3], str(i)) for i, r in enumerate(rows)])
        db.execute(
            "CREATE VIEW tiles AS SELECT map.zoom_level AS zoom_level, map.tile_column AS tile_column, "
            "map.tile_row AS tile_row, images.tile_data AS tile_data "
            "FROM map JOIN images ON images.tile_id = map.tile_id"
        )
    db.close()
    for t in places[:8]:
        path = folder / "loose" / str(t.zoom) / str(t.x) / f"{t.y}.png"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(png(str(t)))
