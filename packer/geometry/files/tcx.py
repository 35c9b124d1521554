"""TCX: the tracks and course points of a training or course file (Training Center XML, schema version 2)."""

from __future__ import annotations

from array import array
from pathlib import Path

import numpy as np

from packer.geometry.files.drawing import MOST_PLACES, Drawing, Feature
from packer.geometry.files.gpx import degrees
from packer.geometry.files.xml_walk import XmlWalk

__all__ = ["read_tcx"]


def read_tcx(path: Path) -> Drawing:
    """Each `Track` with a position as a line, below the name of its course or activity; course points as points.

    A fix without a position, as devices write them indoors or before they know where they are, is counted as left out.
    Raises ValueError, worded for the planner, where the file is no whole TCX or a position is no position.
    """
    walk = _TcxWalk()
    with path.open("rb") as file:
        walk.read(file)
    return walk.drawing


class _TcxWalk(XmlWalk):
    """Follows the elements of a TCX file."""

    roots, kind = ("TrainingCenterDatabase",), "TCX"

    def __init__(self) -> None:
        super().__init__()
        self.drawing = Drawing()
        self._course, self._point = "", ""
        self._line = array("d")
        self._seen = 0
        self._position: dict[str, float] = {}

    def start(self, name: str, attributes: dict[str, str]) -> None:  # noqa: ARG002  # its fixes have none
        if name in ("Trackpoint", "CoursePoint"):
            self._position, self._point = {}, ""
        elif name == "Course":
            self._course = ""
        elif name == "Track":
            self._line = array("d")

    def end(self, name: str, text: str) -> None:
        match name:
            case "LatitudeDegrees" if self.parent == "Position":
                self._position["lat"] = degrees(self, "a <Position> has LatitudeDegrees", text.strip(), 90)
            case "LongitudeDegrees" if self.parent == "Position":
                self._position["lon"] = degrees(self, "a <Position> has LongitudeDegrees", text.strip(), 180)
            case "Name" if self.parent == "Course":
                self._course = text.strip()
            case "Id" if self.parent == "Activity":
                self._course = text.strip()
            case "Name" if self.parent == "CoursePoint":
                self._point = text.strip()
            case "Position" if len(self._position) == 1:
                self.refuse("a <Position> has only one of latitude and longitude")
            case "Trackpoint" if self._position:
                self._line.extend((self._position["lon"], self._position["lat"]))
                self._seen += 1
                if self._seen > MOST_PLACES:  # told here, before they fill the memory
                    self.refuse(f"it has over {MOST_PLACES:,} points; keep only what the brief needs")
            case "Trackpoint":
                self.drawing.leave_out("fix{es} without a position")
            case "CoursePoint" if self._position:
                place = (self._position["lon"], self._position["lat"])
                self.drawing.add(Feature(self._point, points=(place,)))
            case "Track" if self._line:
                line = np.array(self._line).reshape(-1, 2)
                self.drawing.add(Feature(self._course, lines=(line,)))
