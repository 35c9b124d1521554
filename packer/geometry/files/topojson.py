"""TopoJSON 1.0 (the published specification): shapes whose lines are put together from arcs that they share."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from packer.geometry.files.drawing import MOST_PLACES, Drawing, Feature, name_among, plain
from packer.geometry.files.geojson import system_of
from packer.geometry.files.projection import to_degrees
from packer.geometry.grid import Floats

__all__ = ["read_topology"]


def read_topology(document: Any, drawing: Drawing) -> None:
    """Add all objects of a topology to a drawing, each feature below the name of its object.

    Raises ValueError, worded for the planner, where it is no topology.
    """
    try:
        _Topology(document, drawing).read()
    except (LookupError, TypeError, AttributeError, RecursionError):
        raise ValueError("one of its objects is not a TopoJSON object") from None


def _numbers(value: Any) -> Floats:
    """Positions (n, 2), heights left out."""
    try:
        return np.array([position[:2] for position in value], dtype=np.float64).reshape(-1, 2)
    except (ValueError, OverflowError):
        raise ValueError(
            "a position in it is not a position; write [longitude, latitude] as numbers"
        ) from None


class _Topology:
    """A topology while its objects are read."""

    def __init__(self, document: Any, drawing: Drawing) -> None:
        self._document, self._drawing = document, drawing
        self._move = to_degrees(system_of(document))
        transform = document.get("transform")
        self._is_quantized = transform is not None
        self._scale = _numbers([transform["scale"] if transform else (1.0, 1.0)])
        self._origin = _numbers([transform["translate"] if transform else (0.0, 0.0)])
        self._arcs = [self._arc(arc) for arc in document["arcs"]]
        self._places = 0

    def read(self) -> None:
        for name, geometry in self._document["objects"].items():
            for one in _members(geometry):
                self._add(str(name), one)

    def _add(self, folder: str, geometry: Any) -> None:
        points: list[tuple[float, float]] = []
        lines: list[Floats] = []
        polygons: list[tuple[Floats, ...]] = []
        for one in _leaves(geometry):
            match one["type"]:
                case "Point":
                    points.append(self._point(one["coordinates"]))
                case "MultiPoint":
                    points += map(self._point, one["coordinates"])
                case "LineString":
                    lines.append(self._line(one["arcs"]))
                case "MultiLineString":
                    lines += map(self._line, one["arcs"])
                case "Polygon":
                    polygons.append(tuple(map(self._line, one["arcs"])))
                case "MultiPolygon":
                    polygons += [tuple(map(self._line, rings)) for rings in one["arcs"]]
                case kind if kind is not None:
                    raise ValueError(f"{plain(str(kind))} is not a TopoJSON geometry type")
        polygons = [rings for rings in polygons if rings and len(rings[0])]
        if not (points or lines or polygons):
            self._drawing.leave_out("feature{s} without a geometry")
        properties = geometry.get("properties")
        name = name_among({"id": geometry.get("id"), **(properties if isinstance(properties, dict) else {})})
        self._drawing.add(Feature(name, (folder,), tuple(points), tuple(lines), (), tuple(polygons)))

    def _arc(self, arc: Any) -> Floats:
        """Positions of an arc; in a quantized topology each is a step from the one before."""
        xy = _numbers(arc)
        return np.cumsum(xy, axis=0) * self._scale + self._origin if self._is_quantized else xy

    def _point(self, position: Any) -> tuple[float, float]:
        x, y = self._move(_numbers([position]) * self._scale + self._origin)[0]
        return float(x), float(y)

    def _line(self, indexes: Any) -> Floats:
        """Arcs joined end to end; ~i is arc i backwards. Where two meet, their common position stands once."""
        pieces: list[Floats] = []
        for index in indexes:
            piece = self._arcs[index] if index >= 0 else self._arcs[~index][::-1]
            self._places += len(piece)
            if self._places > MOST_PLACES:  # an arc may be used over and over
                raise ValueError(f"it has over {MOST_PLACES:,} points; keep only what the brief needs")
            pieces.append(piece[1:] if pieces else piece)
        return self._move(np.concatenate(pieces)) if pieces else np.empty((0, 2))


def _members(geometry: Any) -> list[Any]:
    """An object's geometries that each stand for a feature."""
    return list(geometry["geometries"]) if geometry["type"] == "GeometryCollection" else [geometry]


def _leaves(geometry: Any) -> Iterator[Any]:
    if geometry["type"] == "GeometryCollection":
        for one in geometry["geometries"]:
            yield from _leaves(one)
    else:
        yield geometry
