"""GPX 1.0 and 1.1: the lines and waypoints of a track file.

Read here, and strictly, rather than by GDAL: that takes `lat="47,1"` for 47, `lat="x"` for 0 and leaves out a
point without a latitude (measured with GDAL 3.12), and a map laid along such a line has a hole where the
crew goes.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any, NoReturn
from xml.parsers import expat

import numpy as np

from packer.grid import Floats
from packer.shapes import Waypoint

__all__ = ["read_gpx"]

_LINES = {"trkseg": "trkpt", "rte": "rtept"}
_POINTS = {("gpx", "wpt"), *_LINES.items()}


def read_gpx(path: Path) -> tuple[list[Waypoint], list[Floats]]:
    """The waypoints and, as arrays (n, 2) of longitude and latitude, the track segments and routes of a file.

    Segments without a point are left out, as loggers write them by the dozen. Raises ValueError, worded for
    the planner, where the file is no whole GPX file or a position is no position.
    """
    reader = _Reader()
    try:
        with path.open("rb") as file:
            reader.parser.ParseFile(file)
    except expat.ExpatError as fault:
        what = expat.ErrorString(fault.code)
        raise ValueError(
            f"line {fault.lineno} is not well-formed XML ({what}); the file may be cut off"
        ) from None
    except LookupError:
        raise ValueError("it states an encoding that is not known; save it in UTF-8") from None
    return reader.waypoints, [np.array(line, dtype=np.float64) for line in reader.lines if line]


class _Reader:
    """Follows the elements of a file as they come. No entity is expanded and no other file is opened."""

    def __init__(self) -> None:
        self.waypoints: list[Waypoint] = []
        self.lines: list[list[tuple[float, float]]] = []
        self._open: list[str] = []
        self._name: list[str] | None = None
        self.parser = expat.ParserCreate()
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._text
        self.parser.EntityDeclHandler = self._entity
        self.parser.buffer_text = True

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        name = tag.rpartition(":")[2]
        parent = self._open[-1] if self._open else ""
        if not parent and name != "gpx":
            self._refuse(f"it is no GPX file, since its first element is <{name[:40]}>")
        if name in _LINES:
            self.lines.append([])
        elif (parent, name) in _POINTS:
            position = self._degrees(name, attributes, "lon", 180), self._degrees(name, attributes, "lat", 90)
            if name == "wpt":
                self.waypoints.append(Waypoint("", *position))
            else:
                self.lines[-1].append(position)
        elif self._open == ["gpx", "wpt"] and name == "name":
            self._name = []
        self._open.append(name)

    def _end(self, _tag: str) -> None:
        self._open.pop()
        if self._name is not None and self._open == ["gpx", "wpt"]:
            last = self.waypoints[-1]
            self.waypoints[-1] = Waypoint("".join(self._name), last.lon, last.lat)
            self._name = None

    def _text(self, text: str) -> None:
        if self._name is not None:
            self._name.append(text)

    def _entity(self, *_declared: Any) -> None:
        self._refuse("it declares XML entities, which no GPX file needs and which can hide a flood of data")

    def _degrees(self, element: str, attributes: dict[str, str], key: str, limit: int) -> float:
        text = attributes.get(key)
        if text is None:
            self._refuse(f"a <{element}> has no {key}")
        try:
            value = float(text.replace("_", "?"))  # Python alone would read 1_2 as 12
        except ValueError:
            value = math.nan
        if not abs(value) <= limit:
            self._refuse(
                f'a <{element}> has {key}="{text[:40]}", but it should be a number with a decimal point '
                f"from -{limit} to {limit}"
            )
        return value

    def _refuse(self, why: str) -> NoReturn:
        raise ValueError(f"line {self.parser.CurrentLineNumber}: {why}")
