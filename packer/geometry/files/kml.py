"""KML 2.0 to 2.3: what its placemarks draw, in all its documents and folders.

Read here rather than by GDAL. That keeps only the last of several documents, takes `<Point/>` for 0,0, makes a polygon
of a picture laid on the ground and a point of a camera, gives up the whole file at a track of one fix or a ring by
itself, and dies at a model beside other shapes (measured with GDAL 3.12).
"""

from __future__ import annotations

import re
from typing import IO

import numpy as np

from packer.geometry.files.drawing import MOST_PLACES, Drawing, Feature, plain
from packer.geometry.files.xml_walk import XmlWalk
from packer.geometry.grid import Floats

__all__ = ["read_kml"]

_FOLDERS = ("kml", "Document", "Folder")
_GEOMETRIES = {
    "Point",
    "LineString",
    "LinearRing",
    "Polygon",
    "MultiGeometry",
    "Track",
    "MultiTrack",
    "Model",
}
# What looks like a feature and covers no ground of its own, or says of itself that it is drawn elsewhere.
_LEFT_OUT = {
    "GroundOverlay": "picture{s} laid on the ground",
    "PhotoOverlay": "photo{s} with a place",
    "NetworkLinkControl": "update{s} to another file",
}
_CLOSED_BOOKS = {
    *_LEFT_OUT,
    "ExtendedData",
    "Metadata",
    "Style",
    "StyleMap",
    "Region",
    "Tour",
    "ScreenOverlay",
}
_NUMBERS = re.compile(r"[0-9eE+\-.,\s]*", re.ASCII)
_ROUND_COMMAS = re.compile(r"\s*,\s*")


def read_kml(file: IO[bytes], drawing: Drawing, folders: tuple[str, ...] = ()) -> list[str]:
    """Add the features of a KML to a drawing, below some folders; returns what its network links point to.

    A camera and a model give no place; a placemark or a coordinate that is empty is no place either, and is not 0,0.
    Raises ValueError, worded for the planner, where the file is no whole KML or a position is no position.
    """
    walk = _KmlWalk(drawing, folders)
    walk.read(file)
    walk.finish()
    return walk.links


class _Mark:
    """The parts of one placemark, gathered while it is open. `depth` is that of its element."""

    def __init__(self, depth: int, folders: tuple[list[str], ...]) -> None:
        self.depth, self.folders = depth, folders
        self.name = ""
        self.has_geometry = self.has_camera = self.is_empty = False
        self.points: list[tuple[float, float]] = []
        self.lines: list[Floats] = []
        self.rings: list[Floats] = []
        self.polygons: list[tuple[Floats, ...]] = []
        self.outer: list[Floats] = []
        self.holes: list[Floats] = []
        self.tracks: list[Floats] = []
        self.track: list[tuple[float, float]] = []
        self.joins_tracks = False


class _KmlWalk(XmlWalk):
    """Follows the elements of a KML file."""

    roots, kind = (*_FOLDERS, "Placemark", "NetworkLink"), "KML"

    def __init__(self, drawing: Drawing, folders: tuple[str, ...]) -> None:
        super().__init__()
        self.links: list[str] = []
        self._drawing, self._above = drawing, folders
        self._folders: list[list[str]] = []  # a folder may say its name after what is in it
        self._marks: list[_Mark] = []
        self._mark: _Mark | None = None
        self._seen = 0
        self._closed_at = 0  # the depth of an element whose inside is no feature
        self._kinds = {"Placemark"}  # and what a file of KML 2.0 declares as one by a schema

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if self._closed_at:
            return
        if name in _CLOSED_BOOKS:
            self._closed_at = len(self.open)
            if name in _LEFT_OUT:
                self._drawing.leave_out(_LEFT_OUT[name])
        elif name in _FOLDERS:
            self._folders.append([])
        elif name == "Schema" and attributes.get("parent") == "Placemark":
            self._kinds.add(attributes.get("name", "Placemark"))
        elif self._mark is None and (name in self._kinds or name in _GEOMETRIES):
            self._mark = _Mark(len(self.open), tuple(self._folders))
        if self._mark is not None:
            self._mark.has_geometry |= name in _GEOMETRIES
            self._mark.has_camera |= name in ("Camera", "LookAt")
            if name == "Polygon":
                self._mark.outer, self._mark.holes = [], []
            elif name in ("Point", "LineString", "LinearRing"):
                self._mark.is_empty = True
            elif name == "Track":
                self._mark.track = []

    def end(self, name: str, text: str) -> None:
        if self._closed_at:
            if len(self.open) == self._closed_at:
                self._closed_at = 0
            return
        if name == "name" and self._mark is not None and len(self.open) == self._mark.depth + 1:
            self._mark.name = text
        elif name == "name" and self.parent in _FOLDERS:
            self._folders[-1][:] = [text.strip()]
        elif name == "href" and self.parent in ("Link", "Url") and "NetworkLink" in self.open:
            self.links.append(text.strip())
        elif name in _FOLDERS:
            self._folders.pop()
        elif self._mark is not None:
            self._end_in(self._mark, name, text)

    def _end_in(self, mark: _Mark, name: str, text: str) -> None:
        """An element of a placemark, or the placemark itself, ends."""
        match name:
            case "coordinates":
                self._take(mark, self._positions(text, ","))
            case "coord" if self.parent == "Track":
                mark.track += self._positions(text, " ")
            case "interpolate" if self.parent == "MultiTrack":
                mark.joins_tracks = text.strip() in ("1", "true")
            case "Track":
                self._end_track(mark)
            case "MultiTrack":
                joined = [np.concatenate(mark.tracks)] if mark.joins_tracks and mark.tracks else mark.tracks
                mark.lines += joined
                mark.tracks, mark.joins_tracks = [], False
            case "Point" | "LineString" | "LinearRing" if mark.is_empty and "Polygon" not in self.open:
                self._drawing.leave_out("shape{s} without a position")
            case "Polygon":
                self._end_polygon(mark)
            case "Model":
                self._drawing.leave_out("3D model{s}")
        if len(self.open) == mark.depth:
            self._end_mark(mark)

    def _take(self, mark: _Mark, places: list[tuple[float, float]]) -> None:
        """The positions of one point, line or ring."""
        if not places:
            return
        mark.is_empty = False
        line = np.array(places)
        match self.parent:
            case "Point":
                mark.points += places
            case "LineString":
                mark.lines.append(line)
            case "LinearRing" if "Polygon" not in self.open:
                mark.rings.append(line)
            case "LinearRing":
                (mark.holes if "innerBoundaryIs" in self.open else mark.outer).append(line)

    def _end_track(self, mark: _Mark) -> None:
        if mark.track:
            (mark.tracks if "MultiTrack" in self.open else mark.lines).append(np.array(mark.track))
        else:
            self._drawing.leave_out("track{s} without a position")
        mark.track = []

    def _end_polygon(self, mark: _Mark) -> None:
        """One polygon, or one for each of its outer rings where it has several against the rules."""
        outer = mark.outer or mark.holes[:1]
        holes = mark.holes if mark.outer else mark.holes[1:]
        if outer:
            mark.polygons += [(outer[0], *holes), *((ring,) for ring in outer[1:])]
        else:
            self._drawing.leave_out("shape{s} without a position")

    def _end_mark(self, mark: _Mark) -> None:
        self._marks.append(mark)
        self._mark = None
        if not mark.has_geometry:
            kind = "camera view{s} without a shape" if mark.has_camera else "placemark{s} without a shape"
            self._drawing.leave_out(kind)

    def _positions(self, text: str, comma: str) -> list[tuple[float, float]]:
        """Longitudes and latitudes: those of one position have commas between, a track's have blanks."""
        if not _NUMBERS.fullmatch(text):
            self._refuse_coordinates(text)
        if comma == " ":
            rows = [text.split()] if text.strip() else []
        else:
            rows = [row.rstrip(",").split(",") for row in text.split()]
            if not all(2 <= len(row) <= 3 for row in rows):  # some write blanks after their commas
                rows = [row.split(",") for row in _ROUND_COMMAS.sub(",", text).split()]
        self._seen += len(rows)
        if self._seen > MOST_PLACES:  # told here, before they fill the memory
            self.refuse(f"it has over {MOST_PLACES:,} points; keep only what the brief needs")
        places = []
        for row in rows:
            try:
                if not 2 <= len(row) <= 3:
                    raise ValueError
                places.append((float(row[0]), float(row[1])))
            except ValueError:
                self._refuse_coordinates(comma.join(row))
        return places

    def _refuse_coordinates(self, text: str) -> None:
        found = next((word for word in text.split() if not _is_position(word)), text)
        self.refuse(
            f'its coordinates have "{plain(found.strip())}" where numbers with a decimal point should stand, as in '
            "12.5012,47.1023"
        )

    def finish(self) -> None:
        """Hand over the placemarks with the names of their folders, all of which are known by now."""
        for mark in self._marks:
            folders = (*self._above, *(name for names in mark.folders for name in names if name))
            self._drawing.add(
                Feature(
                    mark.name.strip(),
                    folders,
                    tuple(mark.points),
                    tuple(mark.lines),
                    tuple(_closed(ring) for ring in mark.rings),
                    tuple(mark.polygons),
                )
            )


def _is_position(word: str) -> bool:
    try:
        return len([float(each) for each in word.replace("_", "?").split(",") if each]) in (2, 3)
    except ValueError:
        return False


def _closed(ring: Floats) -> Floats:
    return ring if (ring[0] == ring[-1]).all() else np.vstack([ring, ring[:1]])
