"""What lies over the map, as GeoJSON (RFC 7946): routes, waypoints, areas, and outlines of sets of tiles.

One thing differs from RFC 7946 (3.1.9): nothing is cut at ±180. Longitudes run on past it instead, near the
plan's own middle, since a map page would draw the two halves of a cut shape a world apart.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from shapely.geometry.polygon import orient

from packer.geometry.geodesics import GEOD
from packer.geometry.grid import Floats, latitude_at, longitude_at
from packer.geometry.shapes import Corridor, Polygons, Shape
from packer.geometry.tileset import TileSet
from packer.planning.plan import Plan

__all__ = [
    "MOST_RUNS",
    "area_features",
    "coverage_features",
    "edge_features",
    "line_features",
    "outline_feature",
    "route_features",
    "shape_features",
]

MOST_RUNS = 300  # rows of one outline, which bounds it to some thousand corners and 40 KB
_MOST_VERTICES = 20_000
_METRE = 1e-5  # degrees, roughly: finer is lost on a screen
_CIRCLE = 48
_EQUATOR_M = 6_378_137.0  # semi-major axis of WGS 84
_BAND = 0.25  # degrees of latitude over which the map's scale is taken for one
_FINE = 0.05  # of the half-width: how far the line may be from its own thinned form


def collection(features: Iterator[dict[str, Any]]) -> dict[str, Any]:
    """The features as one GeoJSON document."""
    return {"type": "FeatureCollection", "features": list(features)}


def route_features(plan: Plan) -> dict[str, Any]:
    """Lines (property `kind` "route") and waypoints ("waypoint"), named; long lines are thinned."""
    return collection(_route_features(plan))


def _route_features(plan: Plan) -> Iterator[dict[str, Any]]:
    for name, shape in plan.shapes.items():
        yield from _route_of(name, shape, plan.middle[0])


def _route_of(name: str, shape: Shape, middle: float) -> Iterator[dict[str, Any]]:
    if isinstance(shape, Corridor):
        lines = [_near(line, middle) for line in shape.lines if len(line) > 1]
        if lines:
            thin = _thinned(shapely.multilinestrings([shapely.linestrings(line) for line in lines]))
            kilometres = round(shape.length_m / 1000, 3)
            yield _feature(thin, kind="route", name=name, length_km=kilometres)
        for place in shape.waypoints:
            at = _near(np.array([[place.lon, place.lat]]), middle)[0]
            yield _feature(shapely.Point(*at), kind="waypoint", name=place.name, area=name)


def edge_features(plan: Plan) -> list[dict[str, Any]]:
    """The outlines of the corridors round lines (property `kind` "edge"), to a tenth of their half-width.

    They are for the eye; what is planned follows from `cover_corridor`.
    """
    return [one for name in plan.shapes for one in _edges_of(name, plan.shapes[name], plan.middle[0])]


def _edges_of(name: str, shape: Shape, middle: float) -> Iterator[dict[str, Any]]:
    lines = (
        [_near(line, middle) for line in shape.lines if len(line) > 1] if isinstance(shape, Corridor) else []
    )
    if isinstance(shape, Corridor) and lines:
        pieces = [piece for line in lines for piece in _strips(line, shape.half_width_m)]
        yield _feature(_thinned(_on_earth(shapely.union_all(pieces))), kind="edge", name=name)


def shape_features(name: str, shape: Shape, middle: float) -> list[dict[str, Any]]:
    """How far one area reaches: its edges or its outline; `middle` is the plan's longitude."""
    return [*_edges_of(name, shape, middle), *_outline_of(name, shape, middle)]


def line_features(name: str, shape: Shape, middle: float) -> list[dict[str, Any]]:
    """The lines and waypoints of one area, which stay as they are when it reaches farther."""
    return list(_route_of(name, shape, middle))


def _strips(line: Floats, half_width_m: float) -> Iterator[shapely.Geometry]:
    """The corridor of a line in Mercator units of its sphere, band by band: Mercator is conformal, so that a metre is
    1 / (R cos latitude) of a unit there (EPSG Guidance Note 7-2, 1.3.3)."""
    xy = np.column_stack([np.radians(line[:, 0]), np.arcsinh(np.tan(np.radians(line[:, 1])))])
    bands = np.floor(line[:, 1] / _BAND)
    cuts = [0, *(np.flatnonzero(np.diff(bands)) + 1).tolist(), len(line) - 1]
    for first, last in pairwise(cuts):
        latitude = float(line[first : last + 1, 1].mean())
        reach = half_width_m / (_EQUATOR_M * np.cos(np.radians(latitude)))
        if last > first:
            # By Douglas and Peucker alone: whether a line crosses itself is nothing to the corridor round it.
            thin = shapely.simplify(
                shapely.linestrings(xy[first : last + 1]), reach * _FINE, preserve_topology=False
            )
            yield shapely.buffer(thin, reach, quad_segs=4)


def _on_earth(shape: shapely.Geometry) -> shapely.Geometry:
    def degrees(xy: Floats) -> Floats:
        return np.column_stack([np.degrees(xy[:, 0]), np.degrees(np.arctan(np.sinh(xy[:, 1])))])

    return shapely.transform(shape, degrees)


def area_features(plan: Plan) -> dict[str, Any]:
    """Polygons, boxes and the circles round points, named; lines are in `route_features`."""
    return collection(_area_features(plan))


def _area_features(plan: Plan) -> Iterator[dict[str, Any]]:
    for name, shape in plan.shapes.items():
        yield from _outline_of(name, shape, plan.middle[0])


def _outline_of(name: str, shape: Shape, middle: float) -> Iterator[dict[str, Any]]:
    if isinstance(shape, Corridor):
        spots = [line[0] for line in shape.lines if len(line) == 1]
        rings = [[_near(_circle(lon, lat, shape.half_width_m), middle)] for lon, lat in spots]
    elif isinstance(shape, Polygons):
        rings = [[_near(ring, middle) for ring in rings] for rings in shape.polygons]
    else:
        rings = [[_near(np.array(shapely.box(*box).exterior.coords), middle)] for box in shape.boxes()]
    if rings:
        polygons = [orient(shapely.Polygon(outer, inner)) for outer, *inner in rings]
        yield _feature(_thinned(shapely.multipolygons(polygons)), kind="area", name=name)


def coverage_features(planned: TileSet, held: TileSet, absent: TileSet, middle: float) -> dict[str, Any]:
    """Outlines by zoom of what is on board, and of what the plan asks for and the pack lacks.

    Property `kind` is "on board", "missing" (still to be fetched) or "absent"; `tiles` counts the
    tiles, and `drawn_at` is the zoom whose squares the outline follows: coarser than `zoom` where the exact
    one has over MOST_RUNS rows. A square is then drawn if any tile in it is meant, so holes are drawn too
    large rather than too small.
    """
    sets = {
        "on board": held,
        "missing": planned - held - absent,
        "absent": (planned & absent) - held,
    }
    return collection(
        outline_feature(kind, tiles, zoom, middle) for kind, tiles in sets.items() for zoom in tiles.zooms
    )


def outline_feature(kind: str, tiles: TileSet, zoom: int, middle: float) -> dict[str, Any]:
    """The outline of one zoom of a set that has tiles there, as `coverage_features` draws it."""
    level, drawn_at = tiles.at(zoom), zoom
    while level.boundaries(drawn_at).size // 2 > MOST_RUNS:
        level, drawn_at = level.parents(drawn_at), drawn_at - 1
    rows, first, last = level.run_arrays(drawn_at)
    n = 1 << drawn_at
    home = int((middle / 360 + 0.5) * n)
    # Whole runs move by a world where that is nearer the plan; a run that spans half of it stays.
    shift = np.rint((home - (first + last) / 2) / n).astype(np.int64) * n
    boxes = shapely.box(first + shift, rows, last + 1 + shift, rows + 1)
    joined = shapely.simplify(shapely.union_all(boxes), 0)

    def on_earth(xy: Floats) -> Floats:
        return np.column_stack([longitude_at(xy[:, 0] / n), latitude_at(xy[:, 1] / n)])

    parts = [orient(part) for part in shapely.get_parts(shapely.transform(joined, on_earth))]
    count = tiles.by_zoom()[zoom]
    return _feature(shapely.multipolygons(parts), kind=kind, zoom=zoom, tiles=count, drawn_at=drawn_at)


def _near(line: Floats, middle: float) -> Floats:
    """The line without a jump at ±180, in the world copy whose first point is nearest to `middle`."""
    lon = np.unwrap(line[:, 0], period=360.0)
    lon += 360.0 * np.rint((middle - lon[0]) / 360.0)
    return np.column_stack([lon, line[:, 1]])


def _circle(lon: float, lat: float, radius_m: float) -> Floats:
    """A closed ring of places `radius_m` from a position, along WGS84 geodesics."""
    azimuths = -np.linspace(0.0, 360.0, _CIRCLE + 1)  # counter-clockwise, as RFC 7946 asks
    lons, lats, _ = GEOD.fwd(
        np.full(_CIRCLE + 1, lon), np.full(_CIRCLE + 1, lat), azimuths, np.full(_CIRCLE + 1, radius_m)
    )
    return np.column_stack([lons, lats])


def _thinned(shape: shapely.Geometry) -> shapely.Geometry:
    tolerance = _METRE
    while shapely.get_num_coordinates(shape) > _MOST_VERTICES and tolerance < 1:
        shape = shapely.simplify(shape, tolerance)
        tolerance *= 3
    return shape


def _feature(shape: shapely.Geometry, **properties: Any) -> dict[str, Any]:
    geometry = shapely.geometry.mapping(shapely.transform(shape, lambda xy: np.round(xy, 6)))
    return {"type": "Feature", "geometry": geometry, "properties": properties}
