"""The shapes of all areas as GeoJSON, area by area: one that has not changed since is not drawn again."""

from __future__ import annotations

import json
import threading
from dataclasses import dataclass
from typing import Any

import numpy as np

from packer.geometry.shapes import Corridor, Shape
from packer.planning.plan import Plan
from packer.view.outlines import line_features, shape_features

__all__ = ["DrawnShapes"]

_LINES = ("route", "waypoint")
_OVER = ("edge", "area", *_LINES)  # what lies over what, from below


@dataclass(frozen=True, slots=True)
class _Drawn:
    """One area's features as text, by kind."""

    shape: Shape
    middle: float
    features: dict[str, list[str]]


class DrawnShapes:
    """Draws one plan after another. Safe to use from any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._known: dict[str, _Drawn] = {}

    def document(self, plan: Plan) -> bytes:
        """A FeatureCollection of edges, outlines, lines and waypoints, with `bounds` and `middle` of the plan."""
        middle = plan.middle[0]
        with self._lock:
            known = dict(self._known)
        drawn = {name: _drawn(name, shape, middle, known.get(name)) for name, shape in plan.shapes.items()}
        with self._lock:
            self._known = drawn
        features = [text for kind in _OVER for one in drawn.values() for text in one.features.get(kind, ())]
        return f'{{"type":"FeatureCollection",{_where(plan)},"features":[{",".join(features)}]}}'.encode()


def _drawn(name: str, shape: Shape, middle: float, before: _Drawn | None) -> _Drawn:
    if before is not None and before.middle != middle:
        before = None
    if before is not None and before.shape is shape:
        return before
    found: dict[str, list[str]] = {}
    fresh = shape_features(name, shape, middle)
    if before is not None and _same_lines(shape, before.shape):
        found = {kind: before.features.get(kind, []) for kind in _LINES}
    else:
        fresh += line_features(name, shape, middle)
    for feature in fresh:
        found.setdefault(feature["properties"]["kind"], []).append(_text(feature))
    return _Drawn(shape, middle, found)


def _same_lines(one: Shape, other: Shape) -> bool:
    """Whether two areas are corridors round the same lines, of whatever width."""
    if not (isinstance(one, Corridor) and isinstance(other, Corridor)):
        return False
    same = len(one.lines) == len(other.lines) and one.waypoints == other.waypoints
    return same and all(map(np.array_equal, one.lines, other.lines))


def _where(plan: Plan) -> str:
    west, south, east, north = plan.bounds
    bounds = [west, south, east + 360 if west > east else east, north]
    return f'"bounds":{_text(bounds)},"middle":{_text(list(plan.middle))}'


def _text(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
