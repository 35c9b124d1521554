"""GML 2 and 3 (ISO 19136): points, straight lines and polygons of a feature collection.

Read here rather than by GDAL, whose driver follows links and schemas to wherever the file says.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np

from packer.geometry.files.drawing import MOST_PLACES, Drawing, Feature, name_among, plain
from packer.geometry.files.projection import named_system, to_degrees
from packer.geometry.files.xml_walk import XmlWalk
from packer.geometry.grid import Floats

__all__ = ["read_gml"]

_MEMBERS = ("featureMember", "featureMembers", "member")
_OUTER, _INNER = ("exterior", "outerBoundaryIs"), ("interior", "innerBoundaryIs")
_LINES = ("LineString", "LinearRing", "Ring", "Curve")  # the outermost of them is the line
_POLYGONS = ("Polygon", "PolygonPatch", "Rectangle", "Triangle")
_POSITIONS = ("pos", "posList", "coordinates", "coord")
_CURVED = {
    *(
        "Arc",
        "ArcString",
        "ArcByBulge",
        "ArcStringByBulge",
        "ArcByCenterPoint",
        "Circle",
        "CircleByCenterPoint",
    ),
    *("Bezier", "BSpline", "CubicSpline", "Clothoid", "OffsetCurve", "Cone", "Cylinder", "Sphere"),
}
_BY_DEFINITION = re.compile(r"urn:|https?://www\.opengis\.net/def/", re.IGNORECASE)
Move = Callable[[Floats], Floats]


def read_gml(path: Path) -> Drawing:
    """All features of a file, each below the name of its type.

    The order of the axes is the system's own where it is named by a URN or an address of definitions (latitude first in
    urn:ogc:def:crs:EPSG::4326), else longitude first, as in EPSG:4326 (OGC 05-096r1 and GDAL's reading of it). Raises
    ValueError, worded for the planner, where no system is stated, for curves, and for what is no whole GML.
    """
    walk = _GmlWalk()
    with path.open("rb") as file:
        walk.read(file)
    return walk.drawing


class _GmlWalk(XmlWalk):
    """Follows the elements of a GML file."""

    kind = "GML"

    def __init__(self) -> None:
        super().__init__()
        self.drawing = Drawing()
        self._systems: list[tuple[int, Move | None, int]] = []  # depth, what it does, numbers a position
        self._stated: tuple[Move | None, int] | None = None  # by the envelope of the whole
        self._move: Move = to_degrees(None)
        self._skip_at = self._feature_at = self._line_at = self._seen = 0
        self._named: dict[str, str] = {}
        self._places: list[Floats] = []
        self._coord: dict[str, str] = {}
        self._commas: tuple[str, str] = (",", " ")
        self._reset()

    def _reset(self) -> None:
        self._points: list[tuple[float, float]] = []
        self._lines: list[Floats] = []
        self._rings: list[Floats] = []
        self._polygons: list[tuple[Floats, ...]] = []
        self._outer: list[Floats] = []
        self._holes: list[Floats] = []
        self._named, self._type = {}, ""

    def start(self, name: str, attributes: dict[str, str]) -> None:
        self._take_system(attributes)
        if self._skip_at:
            return
        if name == "boundedBy":
            self._skip_at = len(self.open)
        elif name in _CURVED:
            self.refuse(
                f"it has a curve of the kind <{plain(name)}>, which is not read; save it with straight lines"
            )
        elif self.parent in _MEMBERS and not self._feature_at:
            self._feature_at = len(self.open)
            self._reset()
            self._type = name
        elif name in _LINES and not self._line_at:
            self._line_at, self._places = len(self.open), []
        elif name == "Point":
            self._places = []
        elif name in _POLYGONS:
            self._outer, self._holes = [], []
        elif name == "coordinates":
            self._commas = attributes.get("cs", ","), attributes.get("ts", " ")
        elif name == "coord":
            self._coord = {}
        elif any(key.rpartition(":")[2] == "href" for key in attributes) and name.endswith(
            ("Member", "Property")
        ):
            self.drawing.leave_out("reference{s} to a shape that stands elsewhere")

    def end(self, name: str, text: str) -> None:
        if self._skip_at:
            self._skip_at = 0 if len(self.open) == self._skip_at else self._skip_at
        else:
            self._close(name, text)
        if self._systems and self._systems[-1][0] == len(self.open):
            _, move, size = self._systems.pop()
            if self._stated is None and self.parent == "boundedBy":
                self._stated = move, size

    def _close(self, name: str, text: str) -> None:
        depth = len(self.open)
        if name in _POSITIONS:
            self._take_positions(name, text)
        elif name in ("X", "Y") and self.parent == "coord":
            self._coord[name] = text
        elif name == "Point" and not self._line_at:
            self._end_point()
        elif depth == self._line_at:
            self._end_line(name)
        elif name in _POLYGONS:
            self._end_polygon()
        elif self._feature_at and depth == self._feature_at + 1:
            self._named.setdefault(name, text.strip())
        if depth == self._feature_at or depth == 1:
            self._end_feature()

    def _end_point(self) -> None:
        if not self._places:
            self.drawing.leave_out("shape{s} without a position")
        for places in self._places:
            self._points += [(float(x), float(y)) for x, y in self._move(places)]

    def _end_line(self, name: str) -> None:
        self._line_at = 0
        around = next((each for each in reversed(self.open) if each in (*_OUTER, *_INNER, *_POLYGONS)), "")
        if not self._places:
            self.drawing.leave_out("shape{s} without a position")
            return
        line = self._move(np.concatenate(self._places))
        if around in _INNER:
            self._holes.append(line)
        elif around:
            self._outer.append(line)
        else:
            (self._rings if name in ("LinearRing", "Ring") else self._lines).append(line)

    def _end_polygon(self) -> None:
        outer = self._outer or self._holes[:1]
        holes = self._holes if self._outer else self._holes[1:]
        if outer:
            self._polygons += [(outer[0], *holes), *((ring,) for ring in outer[1:])]

    def _end_feature(self) -> None:
        parts = tuple(self._points), tuple(self._lines), tuple(self._rings), tuple(self._polygons)
        if self._feature_at and not any(parts):
            self.drawing.leave_out("feature{s} without a geometry")
        self.drawing.add(Feature(name_among(self._named), (self._type,) if self._type else (), *parts))
        self._feature_at = 0
        self._reset()

    def _take_system(self, attributes: dict[str, str]) -> None:
        stated, size = attributes.get("srsName"), attributes.get("srsDimension", "")
        if stated is None and not size:
            return
        move, numbers = self._systems[-1][1:] if self._systems else (None, 0)
        if stated is not None:
            try:
                move = to_degrees(named_system(stated), axes_as_defined=bool(_BY_DEFINITION.match(stated)))
            except ValueError as fault:
                self.refuse(str(fault))
        self._systems.append((len(self.open), move, int(size) if size in ("2", "3") else numbers))

    def _take_positions(self, name: str, text: str) -> None:
        rows = self._rows(name, text)
        if not rows:
            return
        move, size = self._systems[-1][1:] if self._systems else (None, 0)
        if name in ("pos", "posList"):
            size = len(rows[0]) if name == "pos" else size or (self._stated or (None, 0))[1] or 2
            flat = rows[0]
            rows = [flat[i : i + size] for i in range(0, len(flat), size)]
        if not all(len(row) == len(rows[0]) for row in rows) or len(rows[0]) not in (2, 3):
            self.refuse("its positions do not have two numbers each, or three with a height")
        move = move or (self._stated or (None, 0))[0]
        if move is None:
            self.refuse(
                "it states no coordinate system (srsName), so that the order of its axes is not known; save it as "
                "GeoJSON or GeoPackage"
            )
        self._move = move
        self._seen += len(rows)
        if self._seen > MOST_PLACES:  # told here, before they fill the memory
            self.refuse(f"it has over {MOST_PLACES:,} points; keep only what the brief needs")
        self._places.append(np.array([row[:2] for row in rows]))

    def _rows(self, name: str, text: str) -> list[list[float]]:
        """The numbers of each position; those of pos and posList in one row."""
        if name == "coord":
            words = [[self._coord.get("X", ""), self._coord.get("Y", "")]]
        elif name == "coordinates":
            inner, outer = self._commas
            parts = text.split() if not outer.strip() else text.split(outer)
            words = [part.split(inner) for part in parts if part.strip()]
        else:
            words = [text.split()] if text.strip() else []
        try:
            return [[float(word.replace("_", "?")) for word in row] for row in words]
        except ValueError:
            self.refuse(
                f'its positions have "{plain(text.strip())}" where numbers with a decimal point should stand'
            )
