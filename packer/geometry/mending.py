"""Rings as they were drawn, made into valid polygons that hold just the ground they were drawn round.

What a ring that crosses itself holds is a matter of definition. Here it is every place that the ring goes round at
all, so that a sector whose outline loops over itself has no hole where it does (the nonzero winding rule). A hole
takes away only what it goes round an odd number of times: in doubt, ground is kept.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from packer.common.lazy_import import lazy_import
from packer.geometry.grid import Floats
from packer.geometry.shapes import Rings

if TYPE_CHECKING:
    import shapely
else:
    shapely = lazy_import("shapely")  # only polygons and files read by GDAL need it

__all__ = ["mended"]

_MOST_CROSSINGS = 20_000  # of the rings of one polygon: a second or two to part
_FEW_EDGES = 200  # too few for more crossings than that
_MOST_TURNS = 200_000_000  # faces of a ring times its edges: some three seconds
_LOT = 2_000_000  # of those at once
_SHARE = 1e-9  # of an area: what rounding may take or give
_EDGE_ROUNDING = 1e-12  # degrees to either side of an edge, to which GEOS may move a crossing
_GRID = 1e-9  # degrees, a tenth of a millimetre: rounded to it, crossings meet that else miss by a hair
_ALL_OF = 1 - 1e-6


def mended(rings: Iterable[Floats]) -> tuple[Rings, ...]:
    """The valid polygons that one polygon's rings amount to, closed and without a jump at ±180; none without an area.

    `rings` are the outer ring and its holes. A step of over 180° of longitude is taken for a jump across the
    antimeridian. A ring that winds round a pole is led to that pole and back. A hole that lies wholly outside of its
    outer ring is ground of its own, and one that lies round it stands in its place: files have them in the wrong order.
    Raises ValueError for rings that are a tangle, or whose parts do not come to the area that was drawn.
    """
    outer, *holes = (_unwrapped(ring) for ring in rings)
    outer = outer - [360 * np.floor((outer[:, 0].min() + 180) / 360), 0]
    holes = [hole - [360 * np.round((_middle(hole) - _middle(outer)) / 360), 0] for hole in holes]
    drawn = shapely.Polygon(outer, holes)
    if not drawn.is_valid:
        _refuse_tangle((outer, *holes))
        with np.errstate(all="ignore"):  # faces too thin for a place in them: their area is next to nothing
            drawn = _without(_ground(outer, odd_only=False), [_ground(hole, odd_only=True) for hole in holes])
    return tuple(_parts(drawn))


def _parts(drawn: Any) -> Iterator[Rings]:
    """Every polygon in a geometry, however deep: a collection may hold a MultiPolygon beside lines."""
    for part in shapely.get_parts(drawn):
        if hasattr(part, "geoms"):
            yield from _parts(part)
        elif part.geom_type == "Polygon" and part.area > 0:
            yield tuple(shapely.get_coordinates(ring) for ring in (part.exterior, *part.interiors))


def _ground(ring: Floats, odd_only: bool) -> Any:
    """What a closed ring goes round, as valid polygons.

    The ring is cut at its crossings into faces, and each face is in by how often the ring goes round it. Summed over
    the faces, that number times the area is the signed area of the ring (the shoelace formula; a consequence of
    Green's theorem), which is worked out apart from GEOS: a lost or doubled face would show.
    """
    simple = shapely.Polygon(ring)
    if simple.is_valid:
        return simple
    for grid in (0.0, _GRID):
        lines = shapely.union_all([shapely.LineString(ring)], grid_size=grid or None)
        faces = shapely.get_parts(shapely.polygonize(shapely.get_parts(lines)))
        if len(faces) * len(ring) > _MOST_TURNS:
            raise ValueError("its outline crosses itself too often to be parted; draw it as one outline")
        turns = _turns(shapely.get_coordinates(shapely.point_on_surface(faces)), ring)
        areas = shapely.area(faces)
        slack = _SHARE * float(np.abs(turns * areas).sum()) + (_EDGE_ROUNDING + grid) * float(
            shapely.length(lines)
        )
        inside = turns % 2 == 1 if odd_only else turns != 0
        ground = _joined(faces[inside])
        if (
            abs(float((turns * areas).sum()) - _signed_area(ring)) <= slack
            and abs(ground.area - float(areas[inside].sum())) <= slack
        ):
            return ground
    raise ValueError(
        "its outline crosses itself, and its parts do not come to the area that was drawn; draw it without crossings"
    )


def _joined(faces: Any) -> Any:
    """Faces that share their edges, as one; point for point is quick, and fails where one is thinner than rounding."""
    try:
        return shapely.coverage_union_all(faces)
    except shapely.errors.GEOSException:
        return shapely.union_all(faces)


def _without(ground: Any, holes: list[Any]) -> Any:
    """Ground without its holes, which are taken for what they are drawn as: see `mended`."""
    if around := [hole for hole in holes if _holds(hole, ground)]:
        outer = max(around, key=lambda hole: hole.area)
        holes = [ground, *(hole for hole in holes if hole is not outer)]
        ground = outer
    rest = np.array([hole for hole in holes if hole.area > 0], dtype=object)
    if not rest.size:
        return ground
    shared, areas = shapely.area(shapely.intersection(ground, rest)), shapely.area(rest)
    beside = shared < np.minimum(areas, ground.area) * (1 - _ALL_OF)
    ground = shapely.difference(ground, _odd(rest[~beside]))
    return shapely.union_all([ground, *rest[beside]])


def _odd(holes: Any) -> Any:
    """What an odd number of holes covers: a ring inside a hole is ground again."""
    whole = shapely.union_all(holes)
    areas = float(shapely.area(holes).sum())
    if areas - whole.area <= _SHARE * areas:
        return whole
    faces = shapely.get_parts(
        shapely.polygonize(shapely.get_parts(shapely.union_all(shapely.boundary(holes))))
    )
    found = shapely.STRtree(holes).query(shapely.point_on_surface(faces), predicate="within")[0]
    times = np.bincount(found, minlength=len(faces))
    if abs(float((times * shapely.area(faces)).sum()) - areas) > _SHARE * areas:
        return functools.reduce(shapely.symmetric_difference, holes)  # slow, and needs no faces
    return shapely.union_all(faces[times % 2 == 1])


def _holds(outer: Any, inner: Any) -> bool:
    """Whether a shape that is larger than another holds nearly all of it."""
    if not outer.area * _ALL_OF > inner.area:
        return False
    return bool(shapely.intersection(outer, inner).area >= inner.area * _ALL_OF)


def _turns(places: Floats, ring: Floats) -> Floats:
    """How often a closed ring goes round each place, counterclockwise turns counted up and clockwise ones down.

    By the crossings of a ray to the east with the edges (Sunday, "Inclusion of a Point in a Polygon", 2001).
    """
    turns = np.zeros(len(places))
    (xa, ya), (xb, yb) = ring[:-1].T, ring[1:].T
    lot = max(1, _LOT // len(ring))
    for start in range(0, len(places), lot):
        x, y = (places[start : start + lot, axis, None] for axis in (0, 1))
        left = (xb - xa) * (y - ya) - (x - xa) * (yb - ya)
        up = (ya <= y) & (yb > y) & (left > 0)
        down = (ya > y) & (yb <= y) & (left < 0)
        turns[start : start + lot] = up.sum(axis=1) - down.sum(axis=1)
    return turns


def _signed_area(ring: Floats) -> float:
    """The shoelace formula, from the ring's own middle so that far from 0,0 no digits are lost."""
    x, y = (ring - ring.mean(axis=0)).T
    return float((x[:-1] * y[1:] - x[1:] * y[:-1]).sum()) / 2


def _refuse_tangle(rings: Rings) -> None:
    """Raise ValueError for rings with so many crossings that parting them would take minutes and gigabytes.

    The edges are looked at in lots, so that the search itself stays small.
    """
    edges = shapely.linestrings(np.concatenate([np.stack([ring[:-1], ring[1:]], axis=1) for ring in rings]))
    if len(edges) < _FEW_EDGES:
        return
    tree, found = shapely.STRtree(edges), 0
    lot = max(1, _MOST_CROSSINGS // len(edges))
    for start in range(0, len(edges), lot):
        # Each edge meets itself and its two neighbours; every crossing is found from both of its edges.
        some = edges[start : start + lot]
        found += tree.query(some, predicate="intersects").shape[1] - 3 * len(some)
        if found > 2 * _MOST_CROSSINGS:
            raise ValueError(
                f"its outline crosses itself more than {_MOST_CROSSINGS:,} times; draw it as one outline"
            )


def _middle(xy: Floats) -> float:
    return float(xy[:, 0].min() + xy[:, 0].max()) / 2


def _unwrapped(ring: Floats) -> Floats:
    """A closed ring of at least four positions without a jump at the antimeridian."""
    closed = len(ring) > 3 and (ring[0] == ring[-1]).all()
    ring = ring if closed else np.vstack([ring, np.repeat(ring[:1], max(1, 4 - len(ring)), axis=0)])
    lon = np.unwrap(ring[:, 0], period=360.0)
    if np.ptp(lon) < 1e-9 < np.ptp(ring[:, 0]):
        return ring  # a box right round the globe, whose every step along a parallel is 360°
    turn = lon[-1] - lon[0]
    if abs(turn) < 180:
        return np.column_stack([lon, ring[:, 1]])
    pole = math.copysign(90.0, ring[:, 1].mean())
    return np.vstack(
        [np.column_stack([lon, ring[:, 1]]), [[lon[-1], pole], [lon[0], pole], [lon[0], ring[0, 1]]]]
    )
