"""GPX 1.0 and 1.1: the lines and waypoints of a track file.

Read here, and strictly, rather than by GDAL: that takes `lat="47,1"` for 47, `lat="x"` for 0 and leaves out a
point without a latitude (measured with GDAL 3.12), and a map laid along such a line has a hole where the
crew goes.
"""

from __future__ import annotations

import contextlib
import math
from array import array
from collections.abc import Iterator
from pathlib import Path
from typing import NoReturn
from xml.parsers import expat

import numpy as np

from packer.geometry.grid import Floats
from packer.geometry.shapes import Waypoint

__all__ = ["MOST_PARTS", "MOST_PLACES", "plain", "read_gpx", "refuse_doctype", "xml_faults_told"]

MOST_PLACES = 2_000_000  # a fix a second for three weeks; ten times that fills the memory of a small computer
MOST_PARTS = 100_000  # lines, or waypoints: each is worked out by itself
_DEEPEST = 100  # elements in one another; GPX itself needs six

_LINES = {"trkseg": "trkpt", "rte": "rtept"}
_POINTS = {("gpx", "wpt"), *_LINES.items()}


def read_gpx(path: Path) -> tuple[list[Waypoint], list[Floats]]:
    """The waypoints and, as arrays (n, 2) of longitude and latitude, the track segments and routes of a file.

    Segments without a point are left out, as loggers write them by the dozen. Raises ValueError, worded for
    the planner, where the file is no whole GPX file or a position is no position.
    """
    reader = _GpxReader()
    with xml_faults_told(), path.open("rb") as file:
        reader.parser.ParseFile(file)
    return reader.waypoints, [np.array(line).reshape(-1, 2) for line in reader.lines if line]


@contextlib.contextmanager
def xml_faults_told() -> Iterator[None]:
    """Turns what an XML parser raises inside the block into a ValueError, worded for the planner."""
    try:
        yield
    except expat.ExpatError as fault:
        what = expat.ErrorString(fault.code)
        raise ValueError(
            f"line {fault.lineno} is not well-formed XML ({what}); the file may be cut off"
        ) from None
    except (LookupError, UnicodeError):
        raise ValueError("its encoding is not known; save it in UTF-8") from None


def refuse_doctype(_name: str, _system: str | None, _public: str | None, has_inside: bool) -> None:
    """Raise ValueError for a document type declared in the file: its entities and default attributes can hide a
    flood of data. To be an XML parser's StartDoctypeDeclHandler."""
    if has_inside:
        raise ValueError(
            "it declares XML entities or its own document type, which could unpack to huge amounts of "
            "data; save it again without them"
        )


def plain(text: str) -> str:
    """The beginning of a text from a file, with nothing in it that could steer a terminal."""
    return "".join(c if c.isprintable() else "?" for c in text[:40])


class _GpxReader:
    """Follows the elements of a file as they come. No entity is expanded and no other file is opened."""

    def __init__(self) -> None:
        self.waypoints: list[Waypoint] = []
        self.lines: list[array[float]] = []  # longitudes and latitudes in turns
        self._places = 0
        self._open: list[str] = []
        self._name: list[str] | None = None
        self.parser = expat.ParserCreate()
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._text
        self.parser.StartDoctypeDeclHandler = refuse_doctype
        self.parser.buffer_text = True

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        name = tag.rpartition(":")[2]
        parent = self._open[-1] if self._open else ""
        if not parent and name != "gpx":
            self._refuse(f"it is not a GPX file: expected root element <gpx>, found <{plain(name)}>")
        if len(self._open) > _DEEPEST:
            self._refuse("its elements are nested too deeply")
        if name in _LINES:
            if not self.lines or self.lines[-1]:  # an empty segment is taken over by the next
                self.lines.append(array("d"))
            if len(self.lines) > MOST_PARTS:
                self._refuse(f"it has over {MOST_PARTS:,} lines; keep only what the brief needs")
        elif (parent, name) in _POINTS:
            position = self._degrees(name, attributes, "lon", 180), self._degrees(name, attributes, "lat", 90)
            self._places += 1
            if self._places > MOST_PLACES:
                self._refuse(f"it has over {MOST_PLACES:,} points; keep only what the brief needs")
            if len(self.waypoints) > MOST_PARTS:
                self._refuse(f"it has over {MOST_PARTS:,} waypoints; keep only what the brief needs")
            if name == "wpt":
                self.waypoints.append(Waypoint("", *position))
            else:
                self.lines[-1].extend(position)
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
                f'a <{element}> has {key}="{plain(text)}", but it should be a number with a decimal point '
                f"from -{limit} to {limit}"
            )
        return value

    def _refuse(self, why: str) -> NoReturn:
        raise ValueError(f"line {self.parser.CurrentLineNumber}: {why}")
