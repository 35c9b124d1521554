"""GPX 1.0 and 1.1: the lines and waypoints of a track file.

Read here, and strictly, rather than by GDAL: that takes `lat="47,1"` for 47, `lat="x"` for 0 and leaves out a
point without a latitude (measured with GDAL 3.12), and a map laid along such a line has a hole where the
crew goes.
"""

from __future__ import annotations

import math
from array import array
from pathlib import Path

import numpy as np

from packer.geometry.files.drawing import MOST_PLACES, Drawing, Feature, plain
from packer.geometry.files.xml_walk import XmlWalk
from packer.geometry.grid import Floats

__all__ = ["degrees", "read_gpx"]

_NAMED = ("trk", "rte", "wpt")


def read_gpx(path: Path) -> Drawing:
    """The waypoints, tracks and routes of a file, each a feature; a track has a line for each of its segments.

    A route follows the shaping points that devices put between its points as an extension (`rpt`). Segments without a
    point are left out, as loggers write them by the dozen. Raises ValueError, worded for the planner, where the file is
    no whole GPX file or a position is no position.
    """
    walk = _GpxWalk()
    with path.open("rb") as file:
        walk.read(file)
    return walk.drawing


def degrees(walk: XmlWalk, place: str, text: str, limit: int) -> float:
    """A number of degrees, as the parser of a file stands at it. Raises ValueError for anything else."""
    try:
        value = float(text.replace("_", "?"))  # Python alone would read 1_2 as 12
    except ValueError:
        value = math.nan
    if not abs(value) <= limit:
        walk.refuse(
            f'{place}="{plain(text)}", but it should be a number with a decimal point from -{limit} to {limit}'
        )
    return value


class _GpxWalk(XmlWalk):
    """Follows the elements of a GPX file."""

    roots, kind = ("gpx",), "GPX"

    def __init__(self) -> None:
        super().__init__()
        self.drawing = Drawing()
        self._name, self._seen = "", 0
        self._places: list[tuple[float, float]] = []
        self._lines: list[Floats] = []
        self._line = array("d")  # longitudes and latitudes in turns

    def start(self, name: str, attributes: dict[str, str]) -> None:
        match name:
            case "trkpt" | "rtept":
                if self.parent == ("trkseg" if name == "trkpt" else "rte"):
                    self._line.extend(self._position(name, attributes))
            case "rpt":
                if "rtept" in self.open and {"lat", "lon"} <= set(attributes):
                    self._line.extend(self._position(name, attributes))
            case "trkseg" | "rte":
                self._line = array("d")
            case "wpt" if self.parent == "gpx":
                self._places.append(self._position(name, attributes))

    def end(self, name: str, text: str) -> None:
        if name in ("trkseg", "rte") and self._line:
            self._lines.append(np.array(self._line).reshape(-1, 2))
            self._line = array("d")
        if name == "name" and len(self.open) == 3 and self.parent in _NAMED:
            self._name = text
        if len(self.open) == 2:
            self.drawing.add(Feature(self._name, (), tuple(self._places), tuple(self._lines)))
            self._name, self._places, self._lines = "", [], []

    def _position(self, element: str, attributes: dict[str, str]) -> tuple[float, float]:
        self._seen += 1
        if self._seen > MOST_PLACES:  # told here, before they fill the memory
            self.refuse(f"it has over {MOST_PLACES:,} points; keep only what the brief needs")
        for key in ("lon", "lat"):
            if key not in attributes:
                self.refuse(f"a <{element}> has no {key}")
        return (
            degrees(self, f"a <{element}> has lon", attributes["lon"], 180),
            degrees(self, f"a <{element}> has lat", attributes["lat"], 90),
        )
