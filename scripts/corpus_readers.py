"""Independent readings of shape files: other libraries, or a walk of a few lines over XML and JSON.

Each takes a path and gives a `Reading`. None of them uses the package; positions are as the file has them.
"""

from __future__ import annotations

import csv
import io
import json
import sqlite3
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import shapely

__all__ = ["READERS", "Reading"]

Line = list[tuple[float, float]]


@dataclass
class Reading:
    """Points, lines and polygons with their holes. `is_projected` where the numbers are no degrees."""

    points: Line = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)
    polygons: list[list[Line]] = field(default_factory=list)
    is_projected: bool = False

    def take(self, geometry: Any) -> None:
        """A shapely geometry, however nested."""
        if geometry is None or geometry.is_empty:
            return
        if hasattr(geometry, "geoms"):
            for one in geometry.geoms:
                self.take(one)
        elif geometry.geom_type == "Point":
            self.points.append((geometry.x, geometry.y))
        elif geometry.geom_type == "Polygon":
            rings = (geometry.exterior, *geometry.interiors)
            self.polygons.append([[tuple(p[:2]) for p in ring.coords] for ring in rings])
        else:
            self.lines.append([tuple(p[:2]) for p in geometry.coords])


def by_gpxpy(path: Path) -> Reading:
    """gpxpy."""
    import gpxpy

    found = Reading()
    gpx = gpxpy.parse(path.read_bytes())
    found.points = [(p.longitude, p.latitude) for p in gpx.waypoints]
    segments = [s.points for t in gpx.tracks for s in t.segments] + [r.points for r in gpx.routes]
    found.lines = [[(p.longitude, p.latitude) for p in points] for points in segments if points]
    return found


def by_etree_kml(path: Path) -> Reading:
    """A walk over ElementTree; of a KMZ, over each KML in it."""
    found = Reading()
    if path.suffix.lower() == ".kmz":
        with zipfile.ZipFile(path) as archive:
            texts = [archive.read(name) for name in archive.namelist() if name.lower().endswith(".kml")]
    else:
        texts = [path.read_bytes()]
    for text in texts:
        for mark in _named(ElementTree.fromstring(text), "Placemark"):
            for point in _named(mark, "Point"):
                found.points += _coordinates(point)
            for line in _named(mark, "LineString"):
                found.lines += filter(None, [_coordinates(line)])
            for polygon in _named(mark, "Polygon"):
                rings = [_coordinates(ring) for ring in _named(polygon, "LinearRing")]
                found.polygons += filter(None, [list(filter(None, rings))])
            for track in _named(mark, "Track"):
                places = [tuple(map(float, (c.text or "").split()[:2])) for c in _named(track, "coord")]
                found.lines += filter(None, [places])
    return found


def _named(element: Any, name: str) -> Iterator[Any]:
    return (one for one in element.iter() if isinstance(one.tag, str) and one.tag.rpartition("}")[2] == name)


def _coordinates(element: Any) -> Line:
    text = " ".join(one.text or "" for one in _named(element, "coordinates"))
    return [tuple(map(float, row.split(",")[:2])) for row in text.split()]


def by_pyshp(path: Path) -> Reading:
    """pyshp, on a Shapefile or all of them in a zip archive; whether it is projected by its .prj file."""
    import shapefile

    found = Reading()
    if path.suffix.lower() == ".zip":
        with zipfile.ZipFile(path) as archive:
            for name in archive.namelist():
                if name.lower().endswith(".shp"):
                    parts = {e: io.BytesIO(archive.read(name[:-3] + e)) for e in ("shp", "shx", "dbf")}
                    prj = name[:-3] + "prj"
                    found.is_projected |= prj in archive.namelist() and b"PROJCS" in archive.read(prj)
                    _take_shapes(found, shapefile.Reader(**parts))
        return found
    found.is_projected = any("PROJCS" in p.read_text("latin-1") for p in path.parent.glob(f"{path.stem}.prj"))
    _take_shapes(found, shapefile.Reader(str(path)))
    return found


def _take_shapes(found: Reading, reader: Any) -> None:
    for shape in reader.iterShapes():
        if shape.shapeType:
            found.take(shapely.geometry.shape(shape.__geo_interface__))


def by_sqlite(path: Path) -> Reading:
    """SQLite and shapely: the geometry columns of a GeoPackage behind their headers (OGC 12-128r18, 2.1.3)."""
    found = Reading()
    db = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)
    columns = db.execute("SELECT table_name, column_name, srs_id FROM gpkg_geometry_columns").fetchall()
    for table, column, srs in columns:
        found.is_projected |= srs not in (4326, 0, -1)
        for (blob,) in db.execute(f'SELECT "{column}" FROM "{table}"').fetchall():
            if blob:
                envelope = (0, 32, 48, 48, 64)[blob[3] >> 1 & 7]
                found.take(shapely.from_wkb(blob[8 + envelope :]))
    db.close()
    return found


def by_json(path: Path) -> Reading:
    """json and shapely for GeoJSON; for TopoJSON, arcs put together as in its specification."""
    found = Reading()
    document = json.loads(path.read_text("utf-8-sig"))
    if document.get("type") == "Topology":
        for named in document["objects"].values():
            _take_topology(found, document, named)
        return found
    features = document.get("features", [document]) if isinstance(document, dict) else []
    for feature in features:
        geometry = feature.get("geometry") if feature.get("type") == "Feature" else feature
        _take_geometry(found, geometry)
    return found


def _take_geometry(found: Reading, geometry: Any) -> None:
    if geometry is None:
        return
    for one in geometry.get("geometries", []):
        _take_geometry(found, one)
    places = geometry.get("coordinates")
    match geometry["type"]:
        case "Point" if places:
            found.points.append(tuple(places[:2]))
        case "MultiPoint":
            found.points += [tuple(p[:2]) for p in places]
        case "LineString" | "MultiLineString":
            several = [places] if geometry["type"] == "LineString" else places
            found.lines += [[tuple(p[:2]) for p in line] for line in several if line]
        case "Polygon" | "MultiPolygon":
            several = [places] if geometry["type"] == "Polygon" else places
            found.polygons += [[[tuple(p[:2]) for p in r] for r in rings if r] for rings in several if rings]


def _take_topology(found: Reading, topology: Any, geometry: Any) -> None:
    transform = topology.get("transform", {"scale": (1, 1), "translate": (0, 0)})
    (kx, ky), (dx, dy) = transform["scale"], transform["translate"]

    def arc(index: int) -> Line:
        x = y = 0
        line = []
        for px, py, *_ in topology["arcs"][index if index >= 0 else ~index]:
            x, y = (x + px, y + py) if "transform" in topology else (px, py)
            line.append((x * kx + dx, y * ky + dy))
        return line if index >= 0 else line[::-1]

    def joined(indexes: list[int]) -> Line:
        line: Line = []
        for index in indexes:
            line += arc(index)[1:] if line else arc(index)
        return line

    for one in geometry.get("geometries", []):
        _take_topology(found, topology, one)
    match geometry.get("type"):
        case "Point" | "MultiPoint":
            places = geometry["coordinates"]
            places = [places] if geometry["type"] == "Point" else places
            found.points += [(p[0] * kx + dx, p[1] * ky + dy) for p in places]
        case "LineString":
            found.lines.append(joined(geometry["arcs"]))
        case "MultiLineString":
            found.lines += map(joined, geometry["arcs"])
        case "Polygon":
            found.polygons.append([joined(ring) for ring in geometry["arcs"]])
        case "MultiPolygon":
            found.polygons += [[joined(ring) for ring in rings] for rings in geometry["arcs"]]
    found.polygons = [rings for rings in found.polygons if rings and rings[0]]


def by_csv(path: Path) -> Reading:
    """csv: the columns named longitude and latitude, or lon and lat, whatever their capitals."""
    found = Reading()
    text = path.read_text("utf-8-sig", "replace")
    for row in csv.DictReader(io.StringIO(text)):
        cells = {str(k).strip().lower(): v for k, v in row.items()}
        lon, lat = (cells.get(long) or cells.get(long[:3]) for long in ("longitude", "latitude"))
        if lon and lat:
            found.points.append((float(lon), float(lat)))
    return found


def by_shapely(path: Path) -> Reading:
    """shapely, a shape a line."""
    found = Reading()
    text = path.read_text("utf-8")
    for part in [text] if text.count("\n") < 2 else text.splitlines():
        if part.strip():
            found.take(shapely.from_wkt(part))
    return found


def by_etree_gml(path: Path) -> Reading:
    """A walk over ElementTree, with latitude first where the system is named by a URN."""
    found = Reading()
    root = ElementTree.fromstring(path.read_bytes())
    systems = [e.get("srsName", "") for e in root.iter() if e.get("srsName")]
    found.is_projected = not all(s.endswith(("4326", "CRS84")) for s in systems)
    swap = any(s.startswith("urn:") and "EPSG" in s and s.endswith("4326") for s in systems)

    parents = {child: parent for parent in root.iter() for child in parent}

    def above(element: Any) -> Iterator[Any]:
        while element in parents:
            element = parents[element]
            yield element

    def places(element: Any) -> Line:
        numbers: list[list[float]] = []
        stated = (e.get("srsDimension") for e in (*element.iter(), *above(element)))
        size = next((int(number) for number in stated if number), 2)
        for one in element.iter():
            words = (one.text or "").split()
            match one.tag.rpartition("}")[2]:
                case "pos":
                    numbers.append([float(w) for w in words])
                case "posList":
                    flat = [float(w) for w in words]
                    numbers += [flat[i : i + size] for i in range(0, len(flat), size)]
                case "coordinates":
                    numbers += [[float(n) for n in w.split(",")] for w in words]
        return [(n[1], n[0]) if swap else (n[0], n[1]) for n in numbers]

    inside: set[Any] = set()
    for name in ("Polygon", "PolygonPatch", "Curve", "LineString", "LinearRing", "Point"):
        for one in _named(root, name):
            if one in inside:
                continue
            inside |= set(one.iter())
            if name.startswith("Polygon"):
                found.polygons.append([places(ring) for ring in _named(one, "LinearRing")])
            elif name == "Point":
                found.points += places(one)
            else:
                found.lines.append(places(one))
    return found


def by_etree_tcx(path: Path) -> Reading:
    """A walk over ElementTree."""
    found = Reading()
    root = ElementTree.fromstring(path.read_bytes())

    def place(element: Any) -> Line:
        lat, lon = (next(_named(element, key), None) for key in ("LatitudeDegrees", "LongitudeDegrees"))
        return [] if lat is None or lon is None else [(float(lon.text), float(lat.text))]

    for track in _named(root, "Track"):
        line = [p for fix in _named(track, "Trackpoint") for p in place(fix)]
        found.lines += filter(None, [line])
    found.points = [p for point in _named(root, "CoursePoint") for p in place(point)]
    return found


def by_fitparse(path: Path) -> Reading:
    """fitparse."""
    import fitparse

    line = []
    for message in fitparse.FitFile(str(path)).get_messages("record"):
        values = message.get_values()
        lat, lon = values.get("position_lat"), values.get("position_long")
        if lat is not None and lon is not None:
            line.append((lon * 180 / 2**31, lat * 180 / 2**31))
    return Reading(lines=[line] if line else [])


READERS: dict[str, Callable[[Path], Reading]] = {
    ".gpx": by_gpxpy,
    ".kml": by_etree_kml,
    ".kmz": by_etree_kml,
    ".geojson": by_json,
    ".json": by_json,
    ".topojson": by_json,
    ".gpkg": by_sqlite,
    ".shp": by_pyshp,
    ".zip": by_pyshp,
    ".gml": by_etree_gml,
    ".csv": by_csv,
    ".wkt": by_shapely,
    ".tcx": by_etree_tcx,
    ".fit": by_fitparse,
}
