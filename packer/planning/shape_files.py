"""Shape files: what an area of the brief means on the ground, read from its file where it names one.

What a file draws is used or named: an area says in its remarks what of its file it leaves out, and why.
"""

from __future__ import annotations

import difflib
import errno
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from packer.common.lazy_import import lazy_import
from packer.errors import BriefError, DiskError
from packer.geometry.files.drawing import Drawing, Feature
from packer.geometry.files.positions import check_on_earth, on_the_map, reaches_past_the_map, wrap
from packer.geometry.files.reading import read_drawing
from packer.geometry.grid import MAX_LATITUDE, Floats
from packer.geometry.mending import mended
from packer.geometry.shapes import Corridor, Polygons, Rectangle, Rings, Shape, Waypoint
from packer.planning.brief import Area, Brief
from packer.planning.brief_errors import quote_value

if TYPE_CHECKING:
    import shapely
else:
    shapely = lazy_import("shapely")  # only polygons need it

__all__ = ["AreaSource", "read_area", "read_shape", "shapes_in"]

_LONGEST_KM = 400_000  # ten times round the Earth
_MOST_NAMED = 8  # features in one sentence
_PAST_THE_MAP = "what lies past ±85.0511° of latitude, where Web Mercator maps end"


@dataclass(frozen=True, slots=True)
class AreaSource:
    """What an area takes of its file: the names of the features taken and of those not asked for, empty where they have
    none, in the file's order; sentences on what it draws beside that and cannot be used; and, as `left_out`, how many
    parts of each kind ("point", "line", "polygon") are not for an area of this kind."""

    file: str
    taken: tuple[str, ...]
    ignored: tuple[str, ...]
    remarks: tuple[str, ...]
    left_out: tuple[tuple[str, int], ...] = ()

    def left_out_text(self, elsewhere: Collection[str] = ()) -> str:
        """The sentence on what is left out and that no other area takes `elsewhere`, by its kinds; "" for nothing."""
        found = [(kind, count) for kind, count in self.left_out if kind not in elsewhere]
        if not found:
            return ""
        keys = " and ".join(f"{_KEYS[kind]} =" for kind, _ in found)
        it = "it" if sum(count for _, count in found) == 1 else "them"
        counts = _counted([(f"{kind}{{s}}", count) for kind, count in found])
        return f"{counts} left out here; an area with {keys} takes {it}"

    def to_dict(self) -> dict[str, object]:
        """The file and the names of its features, as plain values."""
        return {"file": self.file, "used": list(self.taken), "ignored": list(self.ignored)}

    def __str__(self) -> str:
        """One line on which features are used, as `lastbar plan` shows it; empty where there is no choice."""
        named = list(dict.fromkeys(filter(None, self.taken)))
        if len(self.taken) + len(self.ignored) < 2 or not named:
            return ""
        return f"{self.counts}: {_listed(named)}"

    @property
    def counts(self) -> str:
        """How many features are used: "all 7 features of course.gpx"."""
        every = len(self.taken) + len(self.ignored)
        which = (
            f"{len(self.taken):,} of {every:,}"
            if self.ignored
            else f"all {every:,}"
            if every > 1
            else f"{every:,}"
        )
        return f"{which} {'feature' if every == 1 else 'features'} of {self.file}"


Reader = Callable[[Path, tuple[str, str] | None], Drawing]


def read_shape(brief: Brief, area: Area) -> Shape:
    """The shape of an area, with its file read where it names one. Raises BriefError as `read_area`."""
    return read_area(brief, area)[0]


def read_area(brief: Brief, area: Area, read: Reader = read_drawing) -> tuple[Shape, AreaSource | None]:
    """The shape of an area, and what it takes of its file where it names one, which `read` reads.

    Raises BriefError if the file is missing, unreadable, or holds no such shape or feature.
    """
    if area.box is not None:
        return Rectangle(area.box), None
    if area.point is not None and area.radius is not None:
        return Corridor((np.array([area.point], dtype=np.float64),), area.radius), None
    what = area.file or "what was drawn"
    try:
        if area.file is None:
            return _area(area, _drawn(area))[0], None
        return _area(area, read((brief.folder / area.file).absolute(), area.columns))
    except (ValueError, OSError) as fault:
        reason = (fault.strerror if isinstance(fault, OSError) else None) or str(fault)
        if isinstance(fault, OSError) and fault.errno == errno.EIO:
            raise DiskError(
                f"The disk that {what} of area {quote_value(area.name)} is on could not be read ({reason}). Check "
                "cable, reader and disk, then try again."
            ) from fault
        end = "" if reason.endswith((".", "?")) else "."
        raise BriefError(
            f"{brief.path}: In area {quote_value(area.name)}, {what} cannot be used: {reason}{end}"
        ) from fault


def shapes_in(path: Path) -> dict[str, Any]:
    """How many points, lines and polygons a file has, and the `names` of its features and folders, in their order.

    Raises ValueError, worded for the planner, or OSError.
    """
    parts = _AreaParts((drawing := read_drawing(path.absolute())).features, drawing)
    return {
        "points": parts.count("points"),
        "lines": parts.count("lines", "rings"),
        "polygons": parts.count("polygons"),
        "names": list(dict.fromkeys(name for feature in drawing.features for name in _names(feature))),
    }


def _drawn(area: Area) -> Drawing:
    """The line or outline whose positions stand in the brief itself."""
    places = np.array(area.line or area.polygon, dtype=np.float64)
    return Drawing([Feature(polygons=((places,),)) if area.polygon else Feature(lines=(places,))])


def _area(area: Area, drawing: Drawing) -> tuple[Shape, AreaSource]:
    """The shape of an area from its drawing, and what it takes of it. Raises ValueError."""
    taken = _chosen(area, drawing)
    kept = set(map(id, taken))
    ignored = [feature for feature in drawing.features if id(feature) not in kept]
    parts = _AreaParts(taken, drawing)
    if area.polygon is not None:
        shape: Shape = parts.polygons(area)
    elif area.points is not None and area.radius is not None:
        shape = parts.places(area, area.radius)
    else:
        assert area.half_width is not None  # the brief's own check
        shape = parts.corridor(area, area.half_width)
    used, unused = (tuple(_label(f.name) for f in features) for features in (taken, ignored))
    return shape, AreaSource(area.file or "", used, unused, tuple(parts.remarks), parts.left_out)


def _chosen(area: Area, drawing: Drawing) -> list[Feature]:
    """The features that an area asks for by name or folder; all of them where it asks for none."""
    if area.feature is None:
        return drawing.features
    taken: set[int] = set()
    for wanted in area.feature:
        exact = [f for f in drawing.features if wanted in _names(f)]
        found = exact or [f for f in drawing.features if wanted.casefold() in map(str.casefold, _names(f))]
        if not found:
            raise ValueError(_no_feature(wanted, drawing))
        taken.update(map(id, found))
    return [feature for feature in drawing.features if id(feature) in taken]


def _names(feature: Feature) -> list[str]:
    return [label for each in (feature.name, *feature.folders) if (label := _label(each))]


def _no_feature(wanted: str, drawing: Drawing) -> str:
    known = list(dict.fromkeys(name for feature in drawing.features for name in _names(feature)))
    if not known:
        return (
            f"it has no feature {quote_value(wanted)}; none of its features has a name, so leave feature out"
        )
    close = difflib.get_close_matches(wanted[:80], known, n=1, cutoff=0.6)
    hint = f"; did you mean {quote_value(close[0])}?" if close else f"; it has {_listed(known)}"
    return f"it has no feature or folder {quote_value(wanted)}{hint}"


def _listed(names: list[str]) -> str:
    shown = [quote_value(name) for name in names[:_MOST_NAMED]]
    if len(names) > _MOST_NAMED:
        shown.append(f"{len(names) - _MOST_NAMED:,} more")
    return ", ".join(shown)


class _AreaParts:
    """The parts of the features that an area takes, checked, and what there is to remark on them."""

    def __init__(self, features: list[Feature], drawing: Drawing) -> None:
        self._features, self._drawing = features, drawing
        self.remarks: list[str] = []
        self.left_out: tuple[tuple[str, int], ...] = ()
        if drawing.links:
            where = " and ".join(dict.fromkeys(drawing.links))
            self.remarks.append(
                f"it also points to a map elsewhere ({where}), not read; save it with its contents"
            )
        if drawing.left_out:
            self.remarks.append(f"{_counted(drawing.left_out.items(), verb=False)} in it cannot be used")

    def polygons(self, area: Area) -> Polygons:
        """All polygons, and the rings that are drawn by themselves."""
        found: list[Rings] = []
        empty = 0
        for feature in self._features:
            for rings in (*feature.polygons, *((ring,) for ring in feature.rings)):
                whole = _mended(feature, rings)
                empty += not whole
                found += whole
                self._warn_past_the_map(*rings)
        if not found:
            raise ValueError(f"it has no polygon with an area; {self._holds()}{self._instead(area)}")
        if empty:
            self.remarks.append(f"{empty:,} of its polygons {'has' if empty == 1 else 'have'} no area")
        self._leave_out(point=self.count("points"), line=self.count("lines"))
        return Polygons(tuple(found))

    def places(self, area: Area, radius_m: float) -> Corridor:
        """All waypoints and other points, each with its radius."""
        points = self._waypoints()
        if not points:
            raise ValueError(f"it has no waypoint or other point; {self._holds()}{self._instead(area)}")
        self._leave_out(line=self.count("lines", "rings"), polygon=self.count("polygons"))
        return Corridor(tuple(np.array([[p.lon, p.lat]]) for p in points), radius_m, tuple(points))

    def corridor(self, area: Area, half_width_m: float) -> Corridor:
        """All tracks, routes and other lines, with the waypoints beside them."""
        lines = [line for f in self._features for line in (*f.lines, *f.rings)]
        points = self._waypoints()
        if not lines and self._drawing.is_row_of_points and len(points) > 1:
            lines, points = [np.array([(p.lon, p.lat) for p in points])], []
            self.remarks.append(f"its {len(lines[0]):,} rows are joined to one line in the order of the file")
        if not lines:
            raise ValueError(f"it has no track, route or other line; {self._holds()}{self._instead(area)}")
        on_map = [piece for line in lines for piece in self._cut(line)]
        if not on_map:
            raise ValueError(f"all of it is {_PAST_THE_MAP}")
        self._leave_out(polygon=self.count("polygons"))
        shape = Corridor(tuple(on_map), half_width_m, tuple(points))
        length_km = shape.length_m / 1000
        if length_km > _LONGEST_KM:
            raise ValueError(
                f"its lines are {length_km:,.0f} km long together, which no journey is. Check its positions"
            )
        return shape

    def _waypoints(self) -> list[Waypoint]:
        found = []
        for feature in self._features:
            for lon, lat in feature.points:
                check_on_earth(np.array([(lon, lat)]))
                if abs(lat) > MAX_LATITUDE:
                    self.remarks.append(
                        f"the point {quote_value(_label(feature.name))} is {_PAST_THE_MAP}; left out"
                    )
                else:
                    found.append(Waypoint(_label(feature.name), float(wrap(np.array(lon))), lat))
        return found

    def _cut(self, line: Floats) -> list[Floats]:
        check_on_earth(line)
        self._warn_past_the_map(line)
        return on_the_map(np.column_stack([wrap(line[:, 0]), line[:, 1]]))

    def _warn_past_the_map(self, *rings: Floats) -> None:
        sentence = f"it is cut off at the edge of the map: {_PAST_THE_MAP}, is left out"
        if sentence not in self.remarks and any(reaches_past_the_map(ring) for ring in rings):
            self.remarks.append(sentence)

    def count(self, *kinds: str) -> int:
        """How many parts of these kinds all features have together."""
        return sum(len(getattr(feature, kind)) for feature in self._features for kind in kinds)

    def _leave_out(self, **counts: int) -> None:
        """Note the kinds of shape that this area is not asked for."""
        self.left_out = tuple((kind, count) for kind, count in counts.items() if count)

    def _holds(self) -> str:
        counts = {
            "point": self.count("points"),
            "line": self.count("lines", "rings"),
            "polygon": self.count("polygons"),
        }
        found = [(f"{kind}{{s}}", count) for kind, count in counts.items() if count]
        return f"it has {_counted(found, verb=False)}" if found else "it is empty" + self._why_empty()

    def _why_empty(self) -> str:
        if self._drawing.links:
            where = " and ".join(dict.fromkeys(self._drawing.links))
            return f", since it only points to a map elsewhere ({where}). Save it with its contents"
        if self._drawing.left_out:
            return f" but for {_counted(self._drawing.left_out.items(), verb=False)}, which cannot be used"
        return ""

    def _instead(self, area: Area) -> str:
        """The end of a sentence: the key of the brief that goes with what there is."""
        if area.file is None:
            return ""
        file = quote_value(area.file)
        if self.count("polygons"):
            return f". For its polygons write polygon = {file}"
        if self.count("lines", "rings"):
            return f'. For its lines write line = {file} with half-width = "250 m"'
        if self.count("points"):
            return f'. For its points write points = {file} with radius = "250 m"'
        return ""


_KEYS = {"point": "points", "line": "line", "polygon": "polygon"}


def _mended(feature: Feature, rings: tuple[Floats, ...]) -> tuple[Rings, ...]:
    for ring in rings:
        check_on_earth(ring)
    which = f"the polygon {quote_value(label)}" if (label := _label(feature.name)) else "one of its polygons"
    try:
        return mended(rings)
    except shapely.errors.ShapelyError:
        raise ValueError(f"{which} does not form an area") from None
    except ValueError as fault:
        raise ValueError(f"{which} cannot be worked out: {fault}") from None


def _counted(counts: Iterable[tuple[str, int]], verb: bool = True) -> str:
    """Counts in words, such as "1 line and 2 points are"."""
    found = list(counts)
    texts = [f"{n:,} {what.format(s='' if n == 1 else 's', es='' if n == 1 else 'es')}" for what, n in found]
    listed = " and ".join(filter(None, (", ".join(texts[:-1]), texts[-1])))
    return listed if not verb else f"{listed} {'is' if sum(n for _, n in found) == 1 else 'are'}"


def _label(text: str) -> str:
    """A name on one line that cannot steer a terminal."""
    return " ".join("".join(c if c.isprintable() else " " for c in text[:200]).split())
