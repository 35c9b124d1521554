"""GeoJSON (RFC 7946), its text sequences (RFC 8142) and one feature a line, and TopoJSON's way out of the same file.

Read here rather than by GDAL, which fetches the coordinate system of an old file from whatever address it
names (`"crs": {"type": "link"}`, measured with GDAL 3.12) and goes on without a word where it does not know one.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NoReturn

import numpy as np

from packer.geometry.files.drawing import MOST_PLACES, Drawing, Feature, name_among, plain
from packer.geometry.files.projection import named_system, to_degrees
from packer.geometry.grid import Floats

__all__ = ["add_geometry", "read_json", "system_of"]

_SINGLE = {"Point", "LineString", "Polygon"}
_LONGEST_NUMBER = 400
_KINDS = _SINGLE | {f"Multi{kind}" for kind in _SINGLE}
_RECORD = "\x1e"  # what each text of a sequence begins with: RFC 7464, 2.2
Move = Callable[[Floats], Floats]


def read_json(
    path: Path, read_topology: Callable[[Any, Drawing], None], is_sequence: bool = False
) -> Drawing:
    """Everything in a file: FeatureCollection, Feature or bare geometry, one or, in a sequence, many; heights left out.

    A document of the type "Topology" goes to `read_topology`. Raises ValueError, worded for the planner, where the file
    is no GeoJSON or a position is no position.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise ValueError("it is not UTF-8 text") from None
    drawing = Drawing()
    for document in _documents(text, is_sequence):
        try:
            if isinstance(document, dict) and document.get("type") == "Topology":
                read_topology(document, drawing)
                continue
            move = to_degrees(system_of(document))
            for feature in _features(document, drawing):
                parts = _GeometryParts()
                add_geometry(parts, feature["geometry"])
                _add(drawing, feature, parts, move)
        except (LookupError, TypeError, AttributeError, RecursionError):
            raise ValueError("one of its objects is not a GeoJSON object (RFC 7946)") from None
    return drawing


def _documents(text: str, is_sequence: bool) -> Iterator[Any]:
    """The JSON texts of a file: one, or as many as a sequence has."""
    if text.startswith(_RECORD):
        return (_parsed(part, f"record {n}") for n, part in enumerate(text[1:].split(_RECORD), 1))
    if is_sequence:
        lines = ((n, line) for n, line in enumerate(text.splitlines(), 1) if line.strip())
        return (_parsed(line, f"line {n}") for n, line in lines)
    return iter([_parsed(text)])


def _parsed(text: str, where: str = "") -> Any:
    try:
        return json.loads(text, parse_constant=_no_number, parse_int=_whole)
    except RecursionError:
        raise ValueError("its brackets are nested too deeply") from None
    except json.JSONDecodeError as fault:
        if not where and fault.msg == "Extra data":
            raise ValueError(
                f"line {fault.lineno} begins a second JSON text; a file with one feature a line should end in .geojsons"
            ) from None
        place = where or f"line {fault.lineno}, column {fault.colno}"
        raise ValueError(f"{place} is not well-formed JSON; the file may be cut off") from None


def _no_number(word: str) -> NoReturn:
    raise ValueError(f"it has {word} where a number should be")


def _whole(digits: str) -> int:
    if len(digits) > _LONGEST_NUMBER:  # Python itself refuses to read those of over 4300 digits
        raise ValueError("it has a number with hundreds of digits")
    return int(digits)


def system_of(document: Any) -> str:
    """The coordinate system that a document states, as the GeoJSON of 2008 could. Raises ValueError."""
    stated = document.get("crs") if isinstance(document, dict) else None
    if stated is None:
        return "OGC:CRS84"
    return named_system(str(stated["properties"].get("name", "")))


def _features(document: Any, drawing: Drawing) -> Iterator[Any]:
    """The features of a document, each with a geometry; a bare geometry as a feature of its own."""
    match document["type"]:
        case "FeatureCollection":
            features = document["features"]
        case "Feature":
            features = [document]
        case _:
            features = [{"geometry": document}]
    for feature in features:
        if feature["geometry"] is None:
            drawing.leave_out("feature{s} without a geometry")
        else:
            yield feature


class _GeometryParts:
    """The parts of one feature as its numbers stand."""

    def __init__(self) -> None:
        self.points: list[tuple[float, float]] = []
        self.lines: list[Floats] = []
        self.polygons: list[list[Floats]] = []
        self.empty = 0


def _add(drawing: Drawing, feature: Any, parts: _GeometryParts, move: Move) -> None:
    properties = feature.get("properties")
    name = name_among({"id": feature.get("id"), **(properties if isinstance(properties, dict) else {})})
    points = move(np.array(parts.points).reshape(-1, 2)) if parts.points else ()
    for _ in range(parts.empty):
        drawing.leave_out("shape{s} without a position")
    drawing.add(
        Feature(
            name,
            (),
            tuple((float(x), float(y)) for x, y in points),
            tuple(move(line) for line in parts.lines),
            (),
            tuple(tuple(move(ring) for ring in rings) for rings in parts.polygons),
        )
    )


def add_geometry(parts: Any, geometry: Any) -> None:
    """Take the points, lines and polygons of a geometry, however nested, into `parts`."""
    kind = geometry["type"]
    if kind == "GeometryCollection":
        for one in geometry["geometries"]:
            add_geometry(parts, one)
        return
    if kind not in _KINDS:
        raise ValueError(f"{plain(str(kind))} is not a GeoJSON geometry type")
    several = [geometry["coordinates"]] if kind in _SINGLE else geometry["coordinates"]
    parts.empty += not several
    for one in several:
        match kind.removeprefix("Multi"):
            case _ if not one:
                parts.empty += 1
            case "Point":
                parts.points.append(_position(one))
            case "LineString":
                parts.lines.append(_positions(one))
            case _ if one[0]:
                parts.polygons.append([_positions(ring) for ring in one if ring])
            case _:
                parts.empty += 1


def _positions(coordinates: Any) -> Floats:
    if len(coordinates) > MOST_PLACES:
        raise ValueError(f"it has over {MOST_PLACES:,} points; keep only what the brief needs")
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
