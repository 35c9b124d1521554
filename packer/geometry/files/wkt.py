"""Well-known text (OGC 06-103r4, 7) in a text file: one shape after another, each with or without its SRID."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from packer.common.lazy_import import lazy_import
from packer.geometry.files.drawing import Drawing, Feature, plain
from packer.geometry.files.projection import to_degrees
from packer.geometry.grid import Floats

if TYPE_CHECKING:
    import shapely
else:
    shapely = lazy_import("shapely")  # only polygons and files read by GDAL need it

__all__ = ["add_wkt", "feature_of", "looks_like_wkt", "read_wkt"]

_DEEPEST = 20  # brackets in one another: GEOS follows them by recursion
_START = re.compile(
    r"\s*(?:SRID\s*=\s*(\d{1,6})\s*;\s*)?"
    r"((?:MULTI)?(?:POINT|LINESTRING|POLYGON)|GEOMETRYCOLLECTION|LINEARRING|TRIANGLE|TIN|POLYHEDRALSURFACE|"
    r"CIRCULARSTRING|COMPOUNDCURVE|CURVEPOLYGON|MULTICURVE|MULTISURFACE)\b\s*(?:Z|M|ZM)?\s*(EMPTY\b|\()?",
    re.IGNORECASE,
)


def read_wkt(path: Path) -> Drawing:
    """All shapes of a text file. Raises ValueError, worded for the planner, for what is not well-known text."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise ValueError("it is not UTF-8 text") from None
    drawing = Drawing()
    if not text.strip():
        return drawing
    for number, part in enumerate(_split(text), 1):
        try:
            add_wkt(drawing, "", part)
        except ValueError as fault:
            raise ValueError(f"its shape number {number} is not well-known text: {fault}") from None
    return drawing


def looks_like_wkt(text: str) -> bool:
    """Whether a text begins as well-known text does."""
    match = _START.match(text)
    return bool(match and match[3])


def add_wkt(drawing: Drawing, name: str, text: str) -> None:
    """Take one shape into a drawing. Raises ValueError, worded for the planner."""
    match = _START.match(text)
    if match is None or not match[3]:
        raise ValueError(f'"{plain(text.strip())}" is not how a shape begins, such as POINT (12.5 47.1)')
    if _depth(text) > _DEEPEST:
        raise ValueError("its brackets are nested too deeply")
    try:
        with np.errstate(all="ignore"):  # a number that is none shows itself where positions are checked
            geometry = shapely.from_wkt(text[text.index(match[2], match.start(2)) :].strip())
    except shapely.errors.ShapelyError as fault:
        raise ValueError(plain(" ".join(str(fault).removeprefix("ParseException:").split()))) from None
    feature = feature_of(name, (), geometry, to_degrees(f"EPSG:{match[1]}" if match[1] else None))
    if feature == Feature(name):
        drawing.leave_out("shape{s} without a position")
    drawing.add(feature)


def feature_of(name: str, folders: tuple[str, ...], geometry: Any, move: Any = None) -> Feature:
    """A shapely geometry, however nested, as a feature. `move` turns its positions into degrees."""

    def moved(part: Any) -> Floats:
        xy = shapely.get_coordinates(part)
        return xy if move is None else move(xy)  # type: ignore[no-any-return]  # shapely carries no types

    parts = list(_parts(geometry))
    points = [moved(part)[0] for part in parts if part.geom_type == "Point"]
    return Feature(
        name,
        folders,
        tuple((float(x), float(y)) for x, y in points),
        tuple(moved(part) for part in parts if part.geom_type == "LineString"),
        tuple(moved(part) for part in parts if part.geom_type == "LinearRing"),
        tuple(
            tuple(moved(ring) for ring in (part.exterior, *part.interiors))
            for part in parts
            if part.geom_type == "Polygon"
        ),
    )


def _parts(geometry: Any) -> Iterator[Any]:
    if geometry is None or geometry.is_empty:
        return
    if hasattr(geometry, "geoms"):
        for one in geometry.geoms:
            yield from _parts(one)
    else:
        yield geometry


def _depth(text: str) -> int:
    return max(
        itertools.accumulate((1 if mark == "(" else -1 for mark in re.findall(r"[()]", text)), initial=0)
    )


def _split(text: str) -> Iterator[str]:
    """The shapes of a text, parted where the brackets of one are closed."""
    start = depth = 0
    for match in re.finditer(r"[()]|\bEMPTY\b", text, re.IGNORECASE):
        if match[0] == "(":
            depth += 1
            continue
        depth -= match[0] == ")"
        if depth == 0:
            yield text[start : match.end()].lstrip(" \t\r\n,;")
            start = match.end()
        elif depth < 0:
            break
    if rest := text[start:].strip(" \t\r\n,;"):
        yield rest
