"""Shape files: what an area of the brief means on the ground, read from its file where it names one.

Any file of lines, points or polygons that GDAL knows as one of `_DRIVERS`: GPX, KML/KMZ, GeoJSON, GeoPackage,
Shapefile, FlatGeobuf. GDAL's other drivers are switched off before it loads, since some of them follow links
to other files, to the network or to programs.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import shapely

from packer.brief import Area, Brief
from packer.errors import BriefError
from packer.grid import MAX_LATITUDE, Floats
from packer.shapes import Corridor, Polygons, Rectangle, Shape, Waypoint

__all__ = ["read_shape"]

_SKIPPED = (
    "PCIDSK,PDS4,VICAR,PDF,MBTiles,EEDA,OGCAPI,GDALG,MapInfo File,LVBAG,S57,DGN,OGR_VRT,CSV,GML,ESRIJSON,"
    "OGR_GMT,SQLite,WAsP,OpenFileGDB,DXF,GeoRSS,VFK,PGDUMP,OSM,GPSBabel,OGR_PDS,WFS,OAPIF,EDIGEO,Idrisi,ODS,"
    "XLSX,Elasticsearch,Carto,AmigoCloud,SXF,Selafin,JML,PLSCENES,CSW,VDV,MVT,NGW,MapML,GTFS,PMTiles,JSONFG,"
    "MiraMonVector,ADBC,AVCBin,AVCE00,AIVector,HTTP"
)
_ENDINGS = (".gpx", ".kml", ".kmz", ".geojson", ".json", ".gpkg", ".shp", ".fgb")
_LARGEST_FILE = 512_000_000


def read_shape(brief: Brief, area: Area) -> Shape:
    """The shape of an area, with its file read where it names one.

    Raises BriefError if the file is missing, unreadable, holds no such shape, or leaves the map.
    """
    if area.box is not None:
        return Rectangle(area.box)
    if area.point is not None:
        assert area.radius is not None  # the brief's own check
        return Corridor((np.array([area.point], dtype=np.float64),), area.radius)
    named = f'{brief.path}: areas "{area.name}"'
    source = _Source((brief.folder / (area.file or "")), named)
    if area.polygon is not None:
        return Polygons(tuple(source.polygons()))
    if area.points is not None:
        assert area.radius is not None
        places = source.waypoints()
        if not places:
            raise BriefError(f"{named}: {source.path} has no waypoint or other point{source.holds()}.")
        return Corridor(tuple(np.array([[p.lon, p.lat]]) for p in places), area.radius, tuple(places))
    assert area.half_width is not None
    lines = tuple(source.lines())
    if not lines:
        raise BriefError(f"{named}: {source.path} has no track, route or other line{source.holds()}.")
    return Corridor(lines, area.half_width, tuple(source.waypoints()))


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


class _Source:
    """One shape file, read layer by layer as asked."""

    def __init__(self, path: Path, named: str) -> None:
        self.path, self._named = path, named
        if not path.is_file():
            raise BriefError(f"{named}: {path} does not exist. Paths are relative to the brief.")
        if path.suffix.lower() not in _ENDINGS:
            raise BriefError(
                f"{named}: {path} is not a known kind of shape file; use one of {', '.join(_ENDINGS)}."
            )
        if path.stat().st_size > _LARGEST_FILE:
            raise BriefError(f"{named}: {path} is over {_LARGEST_FILE // 1_000_000} MB; simplify it first.")
        self._gdal = _gdal()
        self._layers: list[str] = self._ask(lambda: [str(n) for n, _ in self._gdal.list_layers(path)])

    def _ask(self, question: Any) -> Any:
        try:
            return question()
        except (RuntimeError, ValueError, OSError, shapely.errors.ShapelyError) as fault:
            # pyogrio's errors derive from RuntimeError and ValueError
            reason = " ".join(str(fault).split())[:200]
            raise BriefError(f"{self._named}: {self.path} cannot be read: {reason}") from fault

    def _features(self, layer: str, columns: list[str]) -> tuple[Any, list[Any]]:
        """Geometries in WGS84 degrees and the wanted columns that the layer has, in the order asked."""
        meta, _, wkb, fields = self._ask(
            lambda: self._gdal.raw.read(self.path, layer=layer, columns=columns, force_2d=True)
        )
        geometry = self._ask(lambda: shapely.from_wkb(wkb, on_invalid="ignore"))
        if wkb is not None and any(g is None and w is not None for g, w in zip(geometry, wkb, strict=True)):
            raise BriefError(f"{self._named}: {self.path} holds a damaged shape in its layer {layer}.")
        crs = meta["crs"]
        if crs not in (None, "EPSG:4326", "OGC:CRS84"):
            from pyproj import Transformer

            move = self._ask(lambda: Transformer.from_crs(crs, "EPSG:4326", always_xy=True))
            geometry = shapely.transform(geometry, lambda xy: np.column_stack(move.transform(*xy.T)))
        by_name = dict(zip(meta["fields"], fields, strict=True))
        return geometry, [by_name.get(c) for c in columns]

    def _parts(self) -> Iterator[Any]:
        """Every simple geometry of the file, collections taken apart; GPX points of tracks left out."""
        for layer in self._layers:
            if self.path.suffix.lower() == ".gpx" and layer != "waypoints":
                continue
            geometry, _ = self._features(layer, [])
            for one in geometry:
                yield from _simple(one)

    def lines(self) -> Iterator[Floats]:
        """Every line as an array (n, 2), n >= 1; a track of one fix is a point."""
        if self.path.suffix.lower() == ".gpx":
            yield from self._gpx_lines("route_points", ["route_fid"])
            yield from self._gpx_lines("track_points", ["track_fid", "track_seg_id"])
            return
        for part in self._parts():
            if part.geom_type in ("LineString", "LinearRing"):
                yield self._checked(shapely.get_coordinates(part))

    def _gpx_lines(self, layer: str, keys: list[str]) -> Iterator[Floats]:
        # Taken from the points, since a segment of one fix, common in real tracks, is no valid line to GDAL.
        geometry, ids = self._features(layer, keys)
        if len(geometry) == 0:
            return
        xy = self._checked(shapely.get_coordinates(geometry))
        key = np.column_stack(ids)
        starts = np.flatnonzero(np.append(True, (key[1:] != key[:-1]).any(axis=1)))
        yield from np.split(xy, starts[1:])

    def polygons(self) -> Iterator[tuple[Floats, ...]]:
        """Every polygon as its rings; at least one, or BriefError."""
        some = False
        for part in self._parts():
            if part.geom_type != "Polygon":
                continue
            unwrapped = shapely.transform(part, _unwrapped)
            for piece in _simple(shapely.make_valid(unwrapped)):
                if piece.geom_type == "Polygon" and piece.area > 0:
                    rings = (piece.exterior, *piece.interiors)
                    yield tuple(self._checked(shapely.get_coordinates(r), wide=True) for r in rings)
                    some = True
        if not some:
            raise BriefError(f"{self._named}: {self.path} has no polygon with an area{self.holds()}.")

    def waypoints(self) -> list[Waypoint]:
        """Every point that stands alone, with its name where it has one."""
        found = []
        for layer in self._layers:
            if self.path.suffix.lower() == ".gpx" and layer != "waypoints":
                continue
            geometry, (name, other) = self._features(layer, ["name", "Name"])
            names = name if name is not None else other
            for i, one in enumerate(geometry):
                for part in _simple(one):
                    if part.geom_type == "Point":
                        (lon, lat) = self._checked(shapely.get_coordinates(part))[0]
                        label = names[i] if names is not None and names[i] is not None else ""
                        found.append(Waypoint(str(label), float(lon), float(lat)))
        return found

    def holds(self) -> str:
        """What the file does hold, as the end of a sentence."""
        kinds: dict[str, int] = {}
        for part in self._parts():
            kinds[part.geom_type] = kinds.get(part.geom_type, 0) + 1
        if self.path.suffix.lower() == ".gpx":
            kinds["Line"] = sum(1 for _ in self.lines())
        words = {"Point": "point", "LineString": "line", "Line": "line", "Polygon": "polygon"}
        listed = [f"{n} {words[k]}{'s' if n > 1 else ''}" for k, n in kinds.items() if n and k in words]
        return f"; it holds {' and '.join(listed)}" if listed else "; it is empty"

    def _checked(self, xy: Floats, wide: bool = False) -> Floats:
        limit = 540.0 if wide else 180.0
        bad = ~np.isfinite(xy).all(axis=1) | (np.abs(xy[:, 0]) > limit) | (np.abs(xy[:, 1]) > 90.0)
        if bad.any():
            lon, lat = xy[bad.argmax()]
            raise BriefError(
                f"{self._named}: {self.path} has the position {lon:g}, {lat:g} (longitude, latitude), "
                "which is not on Earth. Correct the file and try again."
            )
        beyond = np.abs(xy[:, 1]) > MAX_LATITUDE
        if beyond.any() and not wide:
            lon, lat = xy[beyond.argmax()]
            raise BriefError(
                f"{self._named}: {self.path} reaches latitude {lat:g}; Web Mercator maps end at ±85.0511."
            )
        return xy


def _simple(geometry: Any) -> Iterator[Any]:
    """The points, lines and polygons in a geometry, however nested."""
    if geometry is None or geometry.is_empty:
        return
    if hasattr(geometry, "geoms"):
        for part in geometry.geoms:
            yield from _simple(part)
    else:
        yield geometry


def _unwrapped(xy: Floats) -> Floats:
    """A ring without a jump at the antimeridian; one that winds round a pole stays as it was given."""
    lon = np.unwrap(xy[:, 0], period=360.0)
    return np.column_stack([lon, xy[:, 1]]) if abs(lon[-1] - lon[0]) < 1e-9 else xy
