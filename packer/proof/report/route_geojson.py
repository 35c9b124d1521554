"""The walk along the route as GeoJSON, for any map program."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from typing import Any

from packer.geometry.grid import Floats
from packer.geometry.shapes import wrapped
from packer.proof.walk import LineWalk, Stretch

__all__ = ["walk_geojson"]


def walk_geojson(walks: Iterable[LineWalk]) -> dict[str, Any]:
    """The walk as GeoJSON (RFC 7946): each stretch a line, cut at ±180, and each waypoint in a gap a point."""
    features = []
    for one in walks:
        for stretch in one.stretches:
            parts = _cut_at_seam(_points(one.path, stretch))
            shape = {"type": "LineString", "coordinates": parts[0]}
            if len(parts) > 1:
                shape = {"type": "MultiLineString", "coordinates": parts}
            kind = "complete" if stretch.complete_to == one.deepest else "gap"
            told = {"kind": kind, "area": one.area, "line": one.line, "layer": one.layer}
            told |= {"planned_to": one.deepest, **stretch.to_dict()}
            features.append({"type": "Feature", "geometry": shape, "properties": told})
        for stop, said in zip(one.stops, one.to_dict()["waypoints_on_gaps"], strict=True):
            place = {"type": "Point", "coordinates": [stop.waypoint.lon, stop.waypoint.lat]}
            told = {"kind": "waypoint in a gap", "area": one.area, "layer": one.layer, **said}
            features.append({"type": "Feature", "geometry": place, "properties": told})
    return {"type": "FeatureCollection", "features": features}


def _points(path: tuple[Floats, Floats, Floats], stretch: Stretch) -> list[list[float]]:
    metres, lon, lat = path
    inner = (metres > stretch.from_m) & (metres < stretch.to_m)
    between = zip(lon[inner].tolist(), lat[inner].tolist(), strict=True)
    return [[round(x, 6), round(y, 6)] for x, y in (stretch.start, *between, stretch.end)]


def _cut_at_seam(points: list[list[float]]) -> list[list[list[float]]]:
    """The line in parts that do not cross ±180 (RFC 7946, 3.1.9)."""
    parts = [[[_home(points[0][0]), points[0][1]]]]
    for (x0, y0), (x1, y1) in pairwise(points):
        a, b = _home(x0), _home(x1)
        if abs(b - a) > 180:
            seam = 180.0 if a > 0 else -180.0
            over = b + 2 * seam
            share = (seam - a) / (over - a) if over != a else 0.0
            y = round(y0 + share * (y1 - y0), 6)
            parts[-1].append([seam, y])
            parts.append([[-seam, y]])
        parts[-1].append([b, y1])
    return parts


def _home(lon: float) -> float:
    return round(wrapped(lon), 6)
