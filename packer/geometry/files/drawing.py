"""What a shape file holds: its features in degrees, and in words what of it is no feature."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field

from packer.geometry.grid import Floats

__all__ = ["MOST_PARTS", "MOST_PLACES", "Drawing", "Feature", "name_among", "plain"]

MOST_PLACES = 2_000_000  # a fix a second for three weeks; ten times that fills the memory of a small computer
MOST_PARTS = 100_000  # points, lines or polygons: each is worked out by itself
_NAMES = ("name", "title", "label", "id")  # of the property that names a feature: common practice, no source
_LONGEST_NAME = 200


@dataclass(frozen=True, slots=True)
class Feature:
    """One thing that a file draws under one name.

    Lines and rings are arrays (n, 2) of longitude and latitude. `rings` are closed lines that a file draws by
    themselves and that may be meant as a line or as its inside. A polygon is its outer ring and its holes.
    """

    name: str = ""
    folders: tuple[str, ...] = ()
    points: tuple[tuple[float, float], ...] = ()
    lines: tuple[Floats, ...] = ()
    rings: tuple[Floats, ...] = ()
    polygons: tuple[tuple[Floats, ...], ...] = ()


@dataclass(slots=True)
class Drawing:
    """A file's features in their order. `links` are the places elsewhere that it only points to.

    `left_out` counts what is drawn but has no place in a plan, as words with {s} where a plural has its s. With
    `is_row_of_points` its points stand in an order that may be meant as a line.
    """

    features: list[Feature] = field(default_factory=list)
    left_out: Counter[str] = field(default_factory=Counter)
    links: list[str] = field(default_factory=list)
    is_row_of_points: bool = False
    _places: int = 0
    _parts: Counter[str] = field(default_factory=Counter)

    def add(self, feature: Feature) -> None:
        """Take in a feature; one without a part is left out. Raises ValueError for more than any journey has."""
        many = {
            "points": len(feature.points),
            "lines": len(feature.lines) + len(feature.rings),
            "polygons": len(feature.polygons),
        }
        rings = [*feature.lines, *feature.rings, *(ring for rings in feature.polygons for ring in rings)]
        self.count_places(sum(map(len, rings)))
        for what, count in many.items():
            self._parts[what] += count
            if self._parts[what] > MOST_PARTS:
                raise ValueError(f"it has over {MOST_PARTS:,} {what}; keep only what the brief needs")
        if any(many.values()):
            self.features.append(feature)

    def count_places(self, count: int) -> None:
        """Raise ValueError once a file has more positions than can be worked with."""
        self._places += count
        if self._places > MOST_PLACES:
            raise ValueError(f"it has over {MOST_PLACES:,} points; keep only what the brief needs")

    def leave_out(self, what: str) -> None:
        """Count something that is drawn but gives no point, line or polygon, such as "3D model{s}"."""
        self.left_out[what] += 1


def plain(text: str) -> str:
    """The beginning of a text from a file, with nothing in it that could steer a terminal."""
    return "".join(c if c.isprintable() else "?" for c in text[:40])


def name_among(properties: Mapping[str, object]) -> str:
    """The value among a feature's properties that names it, however the property is spelt; else nothing."""
    spelt: dict[str, str] = {}
    for key in properties:
        spelt.setdefault(key.casefold(), key)
    for name in _NAMES:
        value = properties.get(spelt.get(name, name))
        if isinstance(value, str | int) and not isinstance(value, bool) and str(value).strip():
            return str(value)[:_LONGEST_NAME]
    return ""
