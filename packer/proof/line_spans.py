"""Where a line passes near tiles: intervals along it, in metres from its start.

Between a short straight piece of line and a rectangle the ground is taken as a plane; the places of the piece within
a distance of the rectangle are then one interval, since the rectangle grown by that distance is convex. Distances
along the line are geodesic metres on the WGS84 ellipsoid, and intervals are rounded outward to whole metres.

Pure: knows neither network nor SQLite.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from packer.geometry.cover import Chunks, chunked, spread
from packer.geometry.geodesics import GEOD
from packer.geometry.grid import Floats, Ints, ground_scale, latitude_at, longitude_at, x_at, y_at
from packer.geometry.shapes import wrapped
from packer.geometry.tileset import TileSet

__all__ = ["LinePath", "Spans", "inside", "merged", "spans_near"]

_PIECE_M = 250.0
_LOT = 400_000  # pairs of piece and row held at once: some 40 MB of arrays

Spans = Floats
"""Intervals along a line in metres, an array (n, 2) of from and to, ascending and apart."""


class LinePath:
    """One line in short straight pieces, with the distance from its start to each."""

    def __init__(self, line: Floats) -> None:
        self.pieces = chunked([line], _PIECE_M)
        p = self.pieces
        self.piece_m: Floats = GEOD.inv(p.lon_a, p.lat_a, p.lon_b, p.lat_b)[2]
        self.ends_m = np.concatenate([[0.0], np.cumsum(self.piece_m)])
        self.lon = np.append(p.lon_a, p.lon_b[-1])
        self.lat = np.append(p.lat_a, p.lat_b[-1])

    @property
    def length_m(self) -> float:
        return float(self.ends_m[-1])

    def at(self, metres: float) -> tuple[float, float]:
        """Longitude and latitude at a distance from the start."""
        piece = int(np.clip(np.searchsorted(self.ends_m, metres, "right") - 1, 0, len(self.pieces) - 1))
        share = float(np.clip((metres - self.ends_m[piece]) / max(self.piece_m[piece], 1e-9), 0.0, 1.0))
        p = self.pieces
        lon = p.lon_a[piece] + share * (p.lon_b[piece] - p.lon_a[piece])
        lat = p.lat_a[piece] + share * (p.lat_b[piece] - p.lat_a[piece])
        return wrapped(float(lon)), float(lat)

    def part(self, from_m: float, to_m: float) -> Floats:
        """The line between two distances, as an array (n, 2) of longitude and latitude."""
        inner = (self.ends_m > from_m) & (self.ends_m < to_m)
        points = np.column_stack([self.lon[inner], self.lat[inner]])
        return np.vstack([[self.at(from_m)], points, [self.at(to_m)]])

    def nearest_m(self, lon: float, lat: float) -> float:
        """Distance from the start to the place of the line that is nearest to a position, by its pieces' ends."""
        far = GEOD.inv(np.full(self.lon.size, lon), np.full(self.lat.size, lat), self.lon, self.lat)[2]
        return float(self.ends_m[int(np.argmin(far))])


def inside(spans: Spans, places: Floats) -> Any:
    """For each place, in metres, whether it lies in one of the intervals."""
    return np.searchsorted(spans.ravel(), places, side="right") & 1 == 1


def merged(spans: Spans) -> Spans:
    """Intervals that overlap or meet, joined."""
    if not len(spans):
        return spans
    spans = spans[np.argsort(spans[:, 0], kind="stable")]
    reach = np.maximum.accumulate(spans[:, 1])
    fresh = np.append(True, spans[1:, 0] > reach[:-1])
    return np.column_stack([spans[fresh, 0], reach[np.append(fresh[1:], True)]])


def spans_near(path: LinePath, half_width_m: float, tiles: TileSet, zoom: int) -> Spans:
    """Where a line passes within a distance of some tiles of one zoom, in whole metres."""
    rows, first, last = tiles.run_arrays(zoom)
    if not rows.size:
        return np.empty((0, 2))
    spans = [
        _lot_near(path, lot, half_width_m, zoom, (rows, first, last))
        for lot in _lots(path, half_width_m, zoom)
    ]
    found = np.vstack(spans)
    found = np.column_stack([np.floor(found[:, 0]), np.ceil(found[:, 1])])
    found[:, 1] = np.minimum(np.maximum(found[:, 1], found[:, 0] + 1), path.length_m)
    return merged(found)


def _lots(path: LinePath, half_width_m: float, zoom: int) -> Iterable[slice]:
    """The pieces in lots of so many rows to look at, so that memory stays bounded."""
    top, bottom = _rows(path.pieces, half_width_m, zoom)
    work = np.cumsum(bottom - top + 1)
    start = 0
    while start < len(path.pieces):
        done = work[start - 1] if start else 0
        stop = max(start + 1, int(np.searchsorted(work, done + _LOT, side="right")))
        yield slice(start, stop)
        start = stop


def _margin(half_width_m: float, lat: Floats | float) -> tuple[Floats, Floats]:
    """Degrees of longitude and latitude that hold the half-width at a latitude, with some to spare."""
    east_m, north_m = ground_scale(np.minimum(np.abs(lat) + 1.1 * half_width_m / 110_000, 89.0))
    reach_m = half_width_m * 1.02 + 10
    return np.degrees(reach_m / east_m), np.degrees(reach_m / north_m) * 1.01


def _rows(pieces: Chunks, half_width_m: float, zoom: int) -> tuple[Ints, Ints]:
    n = 1 << zoom
    _, more = _margin(half_width_m, pieces.poleward)
    top = y_at(np.maximum(pieces.lat_a, pieces.lat_b) + more) * n
    bottom = y_at(np.minimum(pieces.lat_a, pieces.lat_b) - more) * n
    first, last = (np.clip(np.floor(y), 0, n - 1).astype(np.int64) for y in (top, bottom))
    return first, last


def _lot_near(
    path: LinePath, lot: slice, half_width_m: float, zoom: int, runs: tuple[Ints, Ints, Ints]
) -> Spans:
    pieces = path.pieces.part(lot)
    piece, row = spread(*_rows(pieces, half_width_m, zoom))
    piece, run, shift = _meeting(pieces, piece, row, half_width_m, zoom, runs)
    rows, first, last = (each[run] for each in runs)
    n = 1 << zoom
    west, east = longitude_at(first / n + shift), longitude_at((last + 1) / n + shift)
    north, south = latitude_at(rows / n), latitude_at((rows + 1) / n)
    low, high = _within(pieces.part(piece), (west, south, east, north), half_width_m)
    hit = low <= high
    starts, length = path.ends_m[lot.start + piece], path.piece_m[lot.start + piece]
    return np.column_stack([(starts + low * length)[hit], (starts + high * length)[hit]])


def _meeting(
    pieces: Chunks, piece: Ints, row: Ints, half_width_m: float, zoom: int, runs: tuple[Ints, Ints, Ints]
) -> tuple[Ints, Ints, Ints]:
    """Pairs of piece and lacking run that may be near each other, with the turns round the globe between.

    `piece` and `row` are the rows that each piece can reach.
    """
    n, stride = 1 << zoom, (1 << zoom) + 1
    more, _ = _margin(half_width_m, pieces.poleward)
    west = np.floor(x_at(np.minimum(pieces.lon_a, pieces.lon_b) - more) * n).astype(np.int64)
    east = np.floor(x_at(np.maximum(pieces.lon_a, pieces.lon_b) + more) * n).astype(np.int64)
    starts, stops = runs[0] * stride + runs[1], runs[0] * stride + runs[2]
    found = []
    for turn in (-1, 0, 1):  # a piece near ±180 reaches tiles on the far side
        left, right = np.maximum(west - turn * n, 0)[piece], np.minimum(east - turn * n, n - 1)[piece]
        some = left <= right
        base = row[some] * stride
        begin = np.searchsorted(stops, base + left[some], side="left")
        end = np.searchsorted(starts, base + right[some], side="right") - 1
        pair, run = spread(begin, end)
        found.append((piece[some][pair], run, np.full(run.size, turn)))
    joined = [np.concatenate(each) for each in zip(*found, strict=True)]
    return joined[0], joined[1], joined[2]


def _within(
    pieces: Chunks, box: tuple[Floats, Floats, Floats, Floats], reach_m: float
) -> tuple[Floats, Floats]:
    """From and to, as shares of each piece, of its places within `reach_m` of a box in degrees; from > to if none.

    The rounded box is the union of the box grown sideways, the box grown up and down, and a disc round each
    corner; it is convex, so the whole is one interval from the least start to the greatest end.
    """
    west, south, east, north = box
    more_x, more_y = (2 * more for more in _margin(reach_m, pieces.poleward))
    # What lies far off does not matter, and would be out of proportion in a plane.
    low_x, high_x = (
        np.minimum(pieces.lon_a, pieces.lon_b) - more_x,
        np.maximum(pieces.lon_a, pieces.lon_b) + more_x,
    )
    low_y, high_y = (
        np.minimum(pieces.lat_a, pieces.lat_b) - more_y,
        np.maximum(pieces.lat_a, pieces.lat_b) + more_y,
    )
    west, east = np.clip(west, low_x, high_x), np.clip(east, low_x, high_x)
    south, north = np.clip(south, low_y, high_y), np.clip(north, low_y, high_y)
    middle = (pieces.lat_a + pieces.lat_b) / 2
    # The scale halfway between the piece and the nearest of the box, as the plan's own rule takes it.
    east_m, north_m = (np.radians(s) for s in ground_scale((middle + np.clip(middle, south, north)) / 2))
    dx, dy = (pieces.lon_b - pieces.lon_a) * east_m, (pieces.lat_b - pieces.lat_a) * north_m
    x0, x1 = (west - pieces.lon_a) * east_m, (east - pieces.lon_a) * east_m
    y0, y1 = (south - pieces.lat_a) * north_m, (north - pieces.lat_a) * north_m
    parts = [
        _in_box(dx, dy, x0 - reach_m, x1 + reach_m, y0, y1),
        _in_box(dx, dy, x0, x1, y0 - reach_m, y1 + reach_m),
        *(_in_disc(dx, dy, x, y, reach_m) for x in (x0, x1) for y in (y0, y1)),
    ]
    low = np.minimum.reduce([np.where(a <= b, a, np.inf) for a, b in parts])
    high = np.maximum.reduce([np.where(a <= b, b, -np.inf) for a, b in parts])
    return low, high


def _in_box(dx: Floats, dy: Floats, x0: Floats, x1: Floats, y0: Floats, y1: Floats) -> tuple[Floats, Floats]:
    """Shares of the segment from (0, 0) to (dx, dy) inside a box."""
    low, high = np.zeros_like(dx), np.ones_like(dx)
    for step, a, b in ((dx, x0, x1), (dy, y0, y1)):
        still = np.abs(step) < 1e-9
        with np.errstate(divide="ignore", invalid="ignore"):
            t0, t1 = np.where(step > 0, a, b) / step, np.where(step > 0, b, a) / step
        outside = still & ((a > 0) | (b < 0))
        low = np.maximum(low, np.where(still, np.where(outside, np.inf, 0.0), t0))
        high = np.minimum(high, np.where(still, 1.0, t1))
    return low, high


def _in_disc(dx: Floats, dy: Floats, x: Floats, y: Floats, radius: float) -> tuple[Floats, Floats]:
    """Shares of the segment from (0, 0) to (dx, dy) inside a disc."""
    length2 = np.maximum(dx**2 + dy**2, 1e-18)
    foot = (x * dx + y * dy) / length2
    root = foot**2 - (x**2 + y**2 - radius**2) / length2
    half = np.sqrt(np.maximum(root, 0.0))
    low, high = np.maximum(foot - half, 0.0), np.minimum(foot + half, 1.0)
    return np.where(root < 0, np.inf, low), np.where(root < 0, -np.inf, high)
