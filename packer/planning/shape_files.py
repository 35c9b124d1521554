"""Shape files: what an area of the brief means on the ground, read from its file where it names one.

GPX and GeoJSON have readers of their own. KML, KMZ, GeoPackage, Shapefile and FlatGeobuf are left to GDAL,
behind two walls, since some of its drivers follow links to other files, to the network or to programs: the
start of a file has to be of the kind that its name says, and all other drivers are switched off where GDAL is
not loaded yet.
"""

from __future__ import annotations

import os
import warnings
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from packer.common.lazy_import import lazy_import
from packer.errors import BriefError
from packer.geometry.geojson import read_geojson
from packer.geometry.geopackage import check_geopackage, stated_shapes
from packer.geometry.gpx import MOST_PARTS, MOST_PLACES, read_gpx
from packer.geometry.grid import MAX_LATITUDE, Floats
from packer.geometry.kml import MOST_FOLDERS, check_kml
from packer.geometry.shapes import Corridor, Polygons, Rectangle, Rings, Shape, Waypoint, mended
from packer.planning.brief import Area, Brief
from packer.planning.brief_errors import quote_value

if TYPE_CHECKING:
    import shapely
else:
    shapely = lazy_import("shapely")  # only polygons and files read by GDAL need it

__all__ = ["count_shapes", "read_shape"]

_SKIPPED = (
    "PCIDSK,PDS4,VICAR,PDF,MBTiles,EEDA,OGCAPI,GDALG,MapInfo File,LVBAG,S57,DGN,OGR_VRT,CSV,GML,GPX,GeoJSON,"
    "GeoJSONSeq,ESRIJSON,TopoJSON,OGR_GMT,SQLite,WAsP,OpenFileGDB,DXF,GeoRSS,VFK,PGDUMP,OSM,GPSBabel,OGR_PDS,"
    "WFS,OAPIF,EDIGEO,Idrisi,ODS,XLSX,Elasticsearch,Carto,AmigoCloud,SXF,Selafin,JML,PLSCENES,CSW,VDV,MVT,NGW,"
    "MapML,GTFS,PMTiles,JSONFG,MiraMonVector,ADBC,AVCBin,AVCE00,AIVector,HTTP"
)
_MAGIC = {".gpkg": b"SQLite format 3\0", ".shp": b"\0\0\x27\x0a", ".fgb": b"fgb", ".kmz": b"PK\3\4"}
_ENDINGS = (".gpx", ".kml", ".kmz", ".geojson", ".json", ".gpkg", ".shp", ".fgb")
_HELD_WHOLE = (".kml", ".kmz", ".geojson", ".json")  # read into memory at up to twenty times their size
_LARGEST_MB, _LARGEST_WHOLE_MB = 128, 32
_LONGEST_KM = 400_000  # ten times round the Earth
_DENSEST = 1_000_000  # points put into straight edges of a projected file, at most

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class _FileShapes:
    points: list[Waypoint]
    lines: list[Floats]
    polygons: list[Rings]

    def __str__(self) -> str:
        counts = {"point": len(self.points), "line": len(self.lines), "polygon": len(self.polygons)}
        listed = [f"{n:,} {word}{'s' if n > 1 else ''}" for word, n in counts.items() if n]
        return f"has {' and '.join(listed)}" if listed else "is empty"


def read_shape(brief: Brief, area: Area) -> Shape:
    """The shape of an area, with its file read where it names one.

    Raises BriefError if the file is missing, unreadable, holds no such shape, or leaves the map.
    """
    if area.box is not None:
        return Rectangle(area.box)
    if area.point is not None and area.radius is not None:
        return Corridor((np.array([area.point], dtype=np.float64),), area.radius)
    if area.file is None:
        return _drawn(brief, area)
    path = (brief.folder / (area.file or "")).absolute()  # GDAL takes a relative zip:x for an address
    try:
        return _shape(area, _contents(path))
    except (ValueError, OSError) as fault:
        reason = (fault.strerror if isinstance(fault, OSError) else None) or str(fault)
        end = "" if reason.endswith((".", "?")) else "."
        raise BriefError(
            f"{brief.path}: In area {quote_value(area.name)}, {area.file} cannot be used: {reason}{end}"
        ) from fault


def count_shapes(path: Path) -> dict[str, int]:
    """How many points, lines and polygons a file has. Raises ValueError, worded for the planner, or OSError."""
    held = _contents(path.absolute())
    return {"points": len(held.points), "lines": len(held.lines), "polygons": len(held.polygons)}


def _drawn(brief: Brief, area: Area) -> Shape:
    """The shape of an area whose positions stand in the brief itself."""
    places = np.array(area.line or area.polygon, dtype=np.float64)
    try:
        held = _checked([], [], [[places]]) if area.polygon else _checked([], [places], [])
        return _shape(area, held)
    except ValueError as fault:
        raise BriefError(
            f"{brief.path}: In area {quote_value(area.name)}, what was drawn cannot be used: {fault}."
        ) from fault


def _shape(area: Area, held: _FileShapes) -> Shape:
    if area.polygon is not None:
        if not held.polygons:
            raise ValueError(f"it has no polygon with an area; it {held}")
        return Polygons(tuple(held.polygons))
    if area.points is not None and area.radius is not None:
        if not held.points:
            raise ValueError(f"it has no waypoint or other point; it {held}")
        places = tuple(np.array([[p.lon, p.lat]]) for p in held.points)
        return Corridor(places, area.radius, tuple(held.points))
    if not held.lines:
        raise ValueError(f"it has no track, route or other line; it {held}")
    assert area.half_width is not None  # the brief's own check
    shape = Corridor(tuple(held.lines), area.half_width, tuple(held.points))
    length_km = shape.length_m / 1000
    if length_km > _LONGEST_KM:
        raise ValueError(
            f"its lines are {length_km:,.0f} km long together, which no journey is. Check its positions"
        )
    return shape


def _contents(path: Path) -> _FileShapes:
    """All points, lines and polygons of a file, checked, in degrees. Raises ValueError or OSError."""
    if not path.exists():
        raise ValueError(f"{path} does not exist. Paths are relative to the brief")
    ending = path.suffix.lower()
    if path.is_dir():
        raise ValueError("it is a folder. Name a file in it")
    if ending not in _ENDINGS or not path.is_file():
        raise ValueError(f"its kind is not known; use one of {', '.join(_ENDINGS)}")
    most = _LARGEST_WHOLE_MB if ending in _HELD_WHOLE else _LARGEST_MB
    if path.stat().st_size > most * 1_000_000:
        raise ValueError(f"it is over {most} MB; keep only what the brief needs")
    if ending == ".gpx":
        points, lines = read_gpx(path)
        return _checked(points, lines, [])
    if ending in (".geojson", ".json"):
        found = read_geojson(path)
        _refuse_many(found.points, found.lines, found.polygons)
        move = _to_degrees(found.crs)
        moved = move(np.array([(p.lon, p.lat) for p in found.points]).reshape(-1, 2)).tolist()
        return _checked(
            [Waypoint(p.name, *xy) for p, xy in zip(found.points, moved, strict=True)],
            [move(line) for line in found.lines],
            [[move(ring) for ring in rings] for rings in found.polygons],
        )
    _check_start(path, ending)
    return _read_with_gdal(path)


def _checked(points: list[Waypoint], lines: list[Floats], polygons: list[list[Floats]]) -> _FileShapes:
    _refuse_many(points, lines, polygons)
    if points:
        _check(np.array([(point.lon, point.lat) for point in points]), MAX_LATITUDE)
    for line in lines:
        _check(line, MAX_LATITUDE)
    for ring in (ring for rings in polygons for ring in rings):
        _check(ring, 90.0)
    return _FileShapes(
        [Waypoint(_label(p.name), float(_wrap(np.array(p.lon))), p.lat) for p in points],
        [np.column_stack([_wrap(line[:, 0]), line[:, 1]]) for line in lines],
        [whole for rings in polygons for whole in _whole(rings)],
    )


def _whole(rings: list[Floats]) -> list[Rings]:
    try:
        return list(mended(rings))
    except shapely.errors.ShapelyError:
        raise ValueError("the rings of one of its polygons do not form an area") from None


def _refuse_many(points: list[Waypoint], lines: list[Floats], polygons: list[list[Floats]]) -> None:
    """Raise ValueError for more than any journey has, which would take minutes and gigabytes."""
    for many, what in ((points, "points"), (lines, "lines"), (polygons, "polygons")):
        if len(many) > MOST_PARTS:
            raise ValueError(f"it has over {MOST_PARTS:,} {what}; keep only what the brief needs")
    places = sum(map(len, lines)) + sum(len(ring) for rings in polygons for ring in rings)
    if places > MOST_PLACES:
        raise ValueError(f"it has {places:,} points, over {MOST_PLACES:,}; keep only what the brief needs")


def _check(xy: Floats, highest: float) -> None:
    """Raise ValueError unless all positions are on the map; past ±180 a file may run on round the globe."""
    off = ~((np.abs(xy[:, 0]) <= 360.0) & (np.abs(xy[:, 1]) <= highest))
    if off.any():
        lon, lat = xy[off.argmax()]
        if abs(lon) <= 360 and MAX_LATITUDE < abs(lat) <= 90:
            raise ValueError(f"it reaches latitude {lat:g}, but Web Mercator maps end at ±85.0511")
        raise ValueError(
            f"longitude {lon:g}, latitude {lat:g} is not on Earth. Check that the file has its longitudes first, "
            "and that it states its coordinate system if they are not degrees (a Shapefile needs its .prj file)"
        )


def _wrap(lon: Floats) -> Floats:
    return np.where(np.abs(lon) > 180, (lon + 180) % 360 - 180, lon)


def _label(text: str) -> str:
    """A name on one line that cannot steer a terminal."""
    return " ".join("".join(c if c.isprintable() else " " for c in text[:200]).split())


def _to_degrees(crs: Any) -> Callable[[Floats], Floats]:
    if crs is None or str(crs).upper() in ("EPSG:4326", "OGC:CRS84"):
        return lambda xy: xy
    from pyproj import CRS, Transformer
    from pyproj.exceptions import ProjError
    from pyproj.network import (  # type: ignore[attr-defined]  # public, but not marked as exported
        set_network_enabled,
    )

    set_network_enabled(active=False)  # PROJ may be set up to fetch its grids
    try:
        move = Transformer.from_crs(CRS(crs), "EPSG:4326", always_xy=True)
    except ProjError:
        raise ValueError("its coordinate system is not known; save it in WGS 84 degrees") from None
    return lambda xy: np.column_stack(move.transform(xy[:, 0], xy[:, 1]))


def _is_projected(crs: Any) -> bool:
    from pyproj import CRS

    return bool(CRS(crs).is_projected)


def _check_start(path: Path, ending: str) -> None:
    """Raise ValueError where a file does not begin as its kind does, or says that it should be longer."""
    with path.open("rb") as file:
        start = file.read(100)
    if not start.startswith(_MAGIC.get(ending, b"")):
        raise ValueError(f"it does not begin like a {ending} file")
    if ending == ".shp":
        _check_shapefile(path)
    if ending == ".gpkg":
        check_geopackage(path)
    if ending == ".kml":
        with path.open("rb") as file:
            check_kml(file)
    if ending == ".kmz":
        try:
            with zipfile.ZipFile(path) as archive:
                _check_kmz(archive)
        except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError):
            # RuntimeError is what it raises where a password is wanted.
            raise ValueError(
                "it is not a complete zip archive, or it has a password; copy it again"
            ) from None
    if "!" in str(path):
        raise ValueError(f'{path} has a "!" in it, which GDAL reads as a path in an archive; rename it')


def _check_shapefile(path: Path) -> None:
    """Raise ValueError where a Shapefile lacks its index, or either is cut off, which GDAL would not say.

    The header has the length of the file in 16-bit words at byte 24 (ESRI Shapefile Technical Description).
    """
    index = next((i for i in (path.with_suffix(".shx"), path.with_suffix(".SHX")) if i.is_file()), None)
    if index is None:
        raise ValueError(f"{path.stem}.shx is missing beside it; a Shapefile is several files of one name")
    for file in (path, index):
        with file.open("rb") as opened:
            words = int.from_bytes(opened.read(28)[24:], "big")
        if 2 * words > file.stat().st_size:
            raise ValueError(f"{file.name} is shorter than its header says; the end is cut off")


def _check_kmz(archive: zipfile.ZipFile) -> None:
    """Raise ValueError for an archive that unpacks to something huge, or holds KML that would hold GDAL up."""
    members = archive.infolist()
    if len(members) > MOST_FOLDERS or sum(m.file_size for m in members) > _LARGEST_WHOLE_MB * 1_000_000:
        raise ValueError(
            f"it unpacks to over {_LARGEST_WHOLE_MB} MB or {MOST_FOLDERS:,} files; keep only what the brief needs"
        )
    for member in members:
        if member.filename.lower().endswith(".kml"):
            with archive.open(member) as file:
                check_kml(file)


def _gdal() -> ModuleType:
    """pyogrio, loaded on first use with only the drivers wanted here."""
    before = os.environ.get("OGR_SKIP")
    os.environ["OGR_SKIP"] = _SKIPPED
    try:
        import pyogrio.raw  # GDAL reads OGR_SKIP once, while it loads

        return pyogrio  # type: ignore[no-any-return]  # pyogrio carries no types
    finally:
        if before is None:
            del os.environ["OGR_SKIP"]
        else:
            os.environ["OGR_SKIP"] = before


def _read_with_gdal(path: Path) -> _FileShapes:
    gdal = _gdal()
    layers = _asked(lambda: [str(name) for name, _ in gdal.list_layers(path)])
    if len(layers) > MOST_FOLDERS:
        raise ValueError(f"it has over {MOST_FOLDERS:,} layers; keep only what the brief needs")
    points: list[Waypoint] = []
    lines: list[Floats] = []
    polygons: list[list[Floats]] = []
    for layer in layers:
        for name, shape in _features(gdal, path, layer):
            for part in _parts(shape):
                if part.geom_type == "Point":
                    points.append(Waypoint(name, part.x, part.y))
                elif part.geom_type == "Polygon":
                    rings = (part.exterior, *part.interiors)
                    polygons.append([shapely.get_coordinates(ring) for ring in rings])
                else:
                    lines.append(shapely.get_coordinates(part))
    return _checked(points, lines, polygons)


def _features(gdal: ModuleType, path: Path, layer: str) -> list[tuple[str, Any]]:
    """The names and geometries of one layer, in degrees."""
    meta, _, wkb, fields = _asked(
        lambda: gdal.raw.read(path, layer=layer, columns=["name", "Name"], force_2d=True)
    )
    if wkb is None:
        return []
    shapes = _asked(lambda: shapely.from_wkb(wkb))
    stated = _stated(path, layer)
    read = int(np.count_nonzero(~shapely.is_missing(shapes)))
    if stated is not None and read < stated:
        raise ValueError(f"only {read:,} of its {stated:,} shapes can be read; it is damaged")
    move = _to_degrees(meta["crs"])
    if meta["crs"] is not None and _is_projected(meta["crs"]):
        # An edge that is straight there is none in degrees.
        longest = max(1000.0, float(shapely.length(shapes).sum()) / _DENSEST)
        shapes = _asked(lambda: shapely.segmentize(shapes, longest))
    shapes = shapely.transform(shapes, move)
    names = fields[0] if len(fields) else [None] * len(shapes)
    return [(str(name) if name is not None else "", one) for name, one in zip(names, shapes, strict=True)]


def _stated(path: Path, layer: str) -> int | None:
    """How many shapes a layer should have, where that can be told: GDAL leaves a damaged one out without a word."""
    match path.suffix.lower():
        case ".gpkg":
            return stated_shapes(path, layer)
        case ".shp":
            # Each entry of the index is an offset in 16-bit words and a length; 8 bytes on is the kind, 0 for none
            # (ESRI Shapefile Technical Description).
            index = next(i for i in (path.with_suffix(".shx"), path.with_suffix(".SHX")) if i.is_file())
            places = np.fromfile(index, dtype=">i4", offset=100)[::2].astype(np.int64) * 2 + 8
            data = np.memmap(path, dtype=np.uint8, mode="r")
            inside = places[(places > 0) & (places + 4 <= data.size)]
            return len(places) - int(np.count_nonzero(data[inside] == 0))
    return None


def _asked(question: Callable[[], T]) -> T:
    """What GDAL or GEOS answers, with its refusals as ValueError."""
    try:
        with warnings.catch_warnings():
            # What GDAL only warns of, such as a ring that is not closed, is mended or checked here.
            warnings.simplefilter("ignore")
            return question()
    except (
        RuntimeError,
        ValueError,
        shapely.errors.ShapelyError,
    ) as fault:  # pyogrio derives from the first two
        reason = " ".join(str(fault).split("; It might help")[0].split())
        raise ValueError(f"GDAL says: {_label(reason)}") from fault
    except Exception as fault:  # pyogrio 0.13 trips over a damaged coordinate system, for one
        raise ValueError("GDAL cannot read it; it is damaged, or its format is not known") from fault


def _parts(geometry: Any) -> list[Any]:
    """The points, lines and polygons in a geometry, however nested."""
    if geometry is None or geometry.is_empty:
        return []
    if hasattr(geometry, "geoms"):
        return [part for one in geometry.geoms for part in _parts(one)]
    return [geometry]
