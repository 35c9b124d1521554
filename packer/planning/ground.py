"""The shapes and covers of areas, kept so that planning a brief again after a small change takes no time."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from pathlib import Path
from typing import Any, Generic, TypeVar

from packer.geometry.files.drawing import Drawing
from packer.geometry.files.reading import read_drawing
from packer.geometry.grid import LonLatBox
from packer.geometry.shapes import Corridor, Shape
from packer.geometry.tileset import TileSet
from packer.planning.brief import Area, Brief
from packer.planning.shape_files import AreaSource, read_area

__all__ = ["Ground", "file_mark"]

T = TypeVar("T")

_MOST_AREAS = 2000  # ten briefs of two hundred areas
_MOST_FILES = 3  # held whole, since areas that choose among one file's features follow one another
_SHAPE_KEYS = ("line", "point", "points", "box", "polygon", "half_width", "radius", "feature", "columns")


class Ground:
    """Reads each shape file once and covers each area once a zoom, until the file or the area changes.

    Safe to use from any thread. A file counts as changed by its time, size and place on the disk; where two changes
    within the clock's grain keep the size, the older is taken: `plan` for a fetch uses a fresh one each time.
    """

    def __init__(self) -> None:
        self._drawings: _Kept[Drawing] = _Kept(_MOST_FILES)
        self._shapes: _Kept[tuple[Shape, AreaSource | None]] = _Kept()
        self._latest: _Kept[Shape] = _Kept()
        self._covers: _Kept[TileSet] = _Kept()
        self._boxes: _Kept[list[LonLatBox]] = _Kept()

    def shape(self, brief: Brief, area: Area) -> Shape:
        """The shape of an area. Raises BriefError as `read_shape` does."""
        return self._area(brief, area)[0]

    def source(self, brief: Brief, area: Area) -> AreaSource | None:
        """What an area takes of its file; None without one. Raises BriefError as `read_shape` does."""
        return self._area(brief, area)[1]

    def _area(self, brief: Brief, area: Area) -> tuple[Shape, AreaSource | None]:
        def read(path: Path, columns: tuple[str, str] | None) -> Drawing:
            return self._drawings.get((mark, columns), lambda: read_drawing(path, columns))

        def shape() -> tuple[Shape, AreaSource | None]:
            found, source = read_area(brief, area, read)
            before = self._latest.get(area.name, lambda: found)  # for whatever shape the area had last
            if isinstance(found, Corridor) and isinstance(before, Corridor):
                found = found.knowing(before)  # another half-width leaves the line as long as it was
            self._latest.put(area.name, found)
            return found, source

        mark = file_mark(brief.folder, area)
        return self._shapes.get(_key(brief, area), shape)

    def boxes(self, brief: Brief, area: Area) -> list[LonLatBox]:
        """The boxes that hold an area, none of them across the antimeridian."""
        return self._boxes.get(_key(brief, area), lambda: list(self.shape(brief, area).boxes()))

    def cover(self, brief: Brief, area: Area, zoom: int | None) -> TileSet:
        """The tiles that an area touches from zoom 0 to `zoom`; none for None."""
        if zoom is None:
            return TileSet()
        key = (_key(brief, area), zoom)
        return self._covers.get(key, lambda: self.shape(brief, area).tiles(zoom).pyramid(0))


class _Kept(Generic[T]):
    """The values that were worked out last, by key."""

    def __init__(self, most: int = _MOST_AREAS) -> None:
        self._most = most
        self._lock, self._values = threading.Lock(), OrderedDict[Any, T]()

    def get(self, key: Any, make: Callable[[], T]) -> T:
        """The value of a key, made if it is not there; two threads may both make it, to the same end."""
        with self._lock:
            if key in self._values:
                self._values.move_to_end(key)
                return self._values[key]
        value = make()
        self.put(key, value)
        return value

    def put(self, key: Any, value: T) -> None:
        """Keep a value, and let the oldest go."""
        with self._lock:
            self._values[key] = value
            while len(self._values) > self._most:
                self._values.popitem(last=False)


def _key(brief: Brief, area: Area) -> tuple[Any, ...]:
    return (*(getattr(area, key) for key in _SHAPE_KEYS), file_mark(brief.folder, area))


def file_mark(folder: Path, area: Area) -> tuple[Any, ...] | None:
    """What tells one state of an area's file from another: its place, time and size; None without a file."""
    if area.file is None:
        return None
    path = folder / area.file
    try:
        told = path.stat()
    except OSError:
        return (str(path), None)
    return str(path), told.st_mtime_ns, told.st_size, told.st_ino
