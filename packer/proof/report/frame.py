"""Where things lie on a picture: the ground that a map shows, in pixels."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from packer.geometry.grid import Floats, LonLatBox, latitude_at, x_at, y_at
from packer.geometry.shapes import Corridor, enclosing
from packer.planning.plan import Plan

__all__ = ["PictureFrame", "frame_round"]

_WIDE_PX, _TALL_PX, _LEAST_PX = 1400, 1000, 420
_SQUARE_PX = 11.0  # so that a pattern can still be told in the smallest square
_LEAST_SPAN = 1e-6  # of the grid: some 40 m
_NEAR = 0.25  # of the larger side of what is planned


@dataclass(frozen=True, slots=True)
class PictureFrame:
    """Part of the grid, from its upper left corner in grid fractions, `scale` pixels to the whole grid."""

    x: float
    y: float
    scale: float
    width: int
    height: int

    def pixels(self, lon: Floats, lat: Floats) -> Floats:
        """Positions in degrees as an array (n, 2) of pixels; in the world copy that the frame shows."""
        across = (x_at(lon) - self.x + 0.25) % 1.0 - 0.25
        if across.size > 1:
            across = across[0] + np.cumsum(
                np.diff(across, prepend=across[0]) - np.rint(np.diff(across, prepend=across[0]))
            )
        return np.column_stack([across, y_at(lat) - self.y]) * self.scale

    @property
    def finest(self) -> int:
        """The zoom whose squares are just large enough to be told apart."""
        return max(0, int(math.log2(max(self.scale / _SQUARE_PX, 1.0))))

    @property
    def middle_latitude(self) -> float:
        """Latitude in degrees of the middle row of pixels."""
        return float(latitude_at(self.y + self.height / 2 / self.scale))


def frame_round(plan: Plan) -> PictureFrame:
    """The frame that shows all areas of a plan and the waypoints near them, with a margin that marks fit into."""
    box = _box(enclosing([box for shape in plan.shapes.values() for box in shape.boxes()]))
    box = _with_waypoints(box, plan)
    west, east = float(x_at(box.west)), float(x_at(box.east))
    north, south = float(y_at(box.north)), float(y_at(box.south))
    margin = 0.06 * max(east - west, south - north, _LEAST_SPAN)
    west, east, north, south = west - margin, east + margin, north - margin, south + margin
    scale = min(_WIDE_PX / (east - west), _TALL_PX / (south - north))
    width = max(_LEAST_PX, round((east - west) * scale))
    height = max(_LEAST_PX, round((south - north) * scale))
    return PictureFrame(
        (west + east - width / scale) / 2, (north + south - height / scale) / 2, scale, width, height
    )


def _with_waypoints(core: LonLatBox, plan: Plan) -> LonLatBox:
    """The box with the waypoints that lie not far outside of it.

    A file may have any place of the world in it: one far off would leave the areas no room.
    """
    box, reach = core, _NEAR * max(core.east - core.west, core.north - core.south)
    for shape in plan.shapes.values():
        for place in shape.waypoints if isinstance(shape, Corridor) else ():
            lon = place.lon + 360 * round(((core.west + core.east) / 2 - place.lon) / 360)
            beyond = max(core.west - lon, lon - core.east, core.south - place.lat, place.lat - core.north)
            if beyond <= reach:
                west, east = min(box.west, lon), max(box.east, lon)
                box = LonLatBox(west, min(box.south, place.lat), east, max(box.north, place.lat))
    return box


def _box(box: LonLatBox) -> LonLatBox:
    return box._replace(east=box.east + 360) if box.west > box.east else box
