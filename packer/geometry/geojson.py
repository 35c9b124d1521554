"""GeoJSON (RFC 7946): points, lines and polygons in longitude and latitude.

Read here rather than by GDAL, which fetches the coordinate system of an old file from whatever address it
names (`"crs": {"type": "link"}`, measured with GDAL 3.12) and goes on without a word where it does not know one.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NoReturn

import numpy as np

from packer.geometry.gpx import plain
from packer.geometry.grid import Floats
from packer.geometry.shapes import Waypoint

__all__ = ["GeoJson", "read_geojson"]

_CRS = re.compile(r"(?:urn:(?:ogc|x-ogc):def:crs:)?(EPSG|OGC)(?::[\d.]*)?:(\w+)", re.IGNORECASE)
_SINGLE = {"Point", "LineString", "Polygon"}
_LONGEST_NUMBER = 400
_KINDS = _SINGLE | {f"Multi{kind}" for kind in _SINGLE}


@dataclass(slots=True)
class GeoJson:
    """What a file holds, as its numbers stand; `crs` is the coordinate system that it states, if it does."""

    crs: str = "OGC:CRS84"
    points: list[Waypoint] = field(default_factory=list)
    lines: list[Floats] = field(default_factory=list)
    polygons: list[list[Floats]] = field(default_factory=list)


def read_geojson(path: Path) -> GeoJson:
    """Everything in a file: FeatureCollection, Feature or bare geometry, heights left out.

    Raises ValueError, worded for the planner, where the file is no GeoJSON or a position is no position.
    """
    try:
        document = json.loads(path.read_bytes(), parse_constant=_no_number, parse_int=_whole)
    except RecursionError:
        raise ValueError("its brackets are nested too deeply") from None
    except UnicodeDecodeError:
        raise ValueError("it is not UTF-8 text") from None
    except json.JSONDecodeError as fault:
        raise ValueError(
            f"line {fault.lineno}, column {fault.colno} is not well-formed JSON; the file may be cut off"
        ) from None
    found = GeoJson()
    try:
        if isinstance(document, dict) and document.get("crs") is not None:
            found.crs = _crs(document["crs"])
        for name, geometry in _geometries(document):
            _take(found, name, geometry)
    except (LookupError, TypeError, AttributeError, RecursionError):
        raise ValueError("one of its objects is not a GeoJSON object (RFC 7946)") from None
    return found


def _no_number(word: str) -> NoReturn:
    raise ValueError(f"it has {word} where a number should be")


def _whole(digits: str) -> int:
    if len(digits) > _LONGEST_NUMBER:  # Python itself refuses to read those of over 4300 digits
        raise ValueError("it has a number with hundreds of digits")
    return int(digits)


def _crs(stated: Any) -> str:
    match = _CRS.fullmatch(str(stated["properties"].get("name", "")))
    if match is None:
        raise ValueError("its coordinate system is not known; save it in WGS 84 degrees")
    return f"{match[1].upper()}:{match[2]}"


def _geometries(document: Any) -> Iterator[tuple[str, Any]]:
    features = document["features"] if document["type"] == "FeatureCollection" else [document]
    for feature in features:
        if feature["type"] != "Feature":
            yield "", feature
        elif feature["geometry"] is not None:
            properties = feature.get("properties") or {}
            yield str(properties.get("name", properties.get("Name")) or ""), feature["geometry"]


def _take(found: GeoJson, name: str, geometry: Any) -> None:
    kind = geometry["type"]
    if kind == "GeometryCollection":
        for one in geometry["geometries"]:
            _take(found, name, one)
        return
    if kind not in _KINDS:
        raise ValueError(f"{plain(str(kind))} is not a GeoJSON geometry type")
    several = [geometry["coordinates"]] if kind in _SINGLE else geometry["coordinates"]
    match kind.removeprefix("Multi"):
        case "Point":
            found.points += [Waypoint(name, *_position(place)) for place in several if place]
        case "LineString":
            found.lines += [_positions(line) for line in several if line]
        case _:
            drawn = (rings for rings in several if rings and rings[0])
            found.polygons += [[_positions(ring) for ring in rings if ring] for rings in drawn]


def _positions(coordinates: Any) -> Floats:
    return np.array([_position(each) for each in coordinates], dtype=np.float64)


def _position(coordinates: Any) -> tuple[float, float]:
    match coordinates:
        case [int() | float() as x, int() | float() as y, *_] if not {type(x), type(y)} & {bool}:
            try:
                return float(x), float(y)
            except OverflowError:
                pass
    raise ValueError(
        f"{plain(json.dumps(coordinates, default=str))} is not a position; write [longitude, latitude] as numbers"
    )
