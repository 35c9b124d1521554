"""A walk along the route: how deep the map is complete at each metre of it, and where it has gaps.

A tile that is not on board leaves a gap where the line passes within the half-width of its square: the same
rule by which tiles are planned (`cover`). So only tiles that are not on board are looked at. Between a short
straight piece of line and a rectangle the ground is taken as a plane; the places of the piece within a
distance of the rectangle are then one interval, since the rectangle grown by that distance is convex. Distances
along the line are geodesic metres on the WGS84 ellipsoid, and gaps are rounded outward to whole metres.

Pure: knows neither network nor SQLite.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from packer.geometry.cover import Chunks, chunked, cover_corridor, spread
from packer.geometry.geodesics import GEOD
from packer.geometry.grid import Floats, Ints, ground_scale, latitude_at, longitude_at, x_at, y_at
from packer.geometry.shapes import Corridor, Waypoint, wrapped
from packer.geometry.tileset import TileSet
from packer.planning.plan import AreaPlan, Plan, lines_of

__all__ = ["LineWalk", "Shortfall", "Stop", "Stretch", "walk"]

_PIECE_M = 250.0
_COUNTED = 200  # gaps of one line and layer whose tiles are counted, the longest first
_LOT = 400_000  # pairs of piece and row held at once: some 40 MB of arrays

Spans = Floats
"""Intervals along a line in metres, an array (n, 2) of from and to, ascending and apart."""


@dataclass(frozen=True, slots=True)
class Shortfall:
    """What of a layer's plan is not on board: `missing` can be fetched, `absent` the server does not have.

    `speed` is tiles a second of the last fetch, None if there was none to tell by.
    """

    missing: TileSet
    absent: TileSet
    speed: float | None = None


@dataclass(frozen=True, slots=True)
class Stretch:
    """Part of a line, in metres from its start, over which the map is complete to one zoom.

    `complete_to` is None where not even the layer's first zoom is complete. `missing` and `absent` count the
    tiles within the half-width that are to be fetched and that the server does not have; None if not counted.
    `seconds` is what fetching the missing ones takes at the last speed. Ends are (longitude, latitude).
    """

    from_m: float
    to_m: float
    complete_to: int | None
    start: tuple[float, float]
    end: tuple[float, float]
    missing: int | None = 0
    absent: int | None = 0
    seconds: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """One plain document; distances in km, to the metre."""
        return {
            "from_km": round(self.from_m / 1000, 3),
            "to_km": round(self.to_m / 1000, 3),
            "complete_to": self.complete_to,
            "missing": self.missing,
            "absent": self.absent,
            "seconds": None if self.seconds is None else round(self.seconds, 1),
            "from": [round(v, 6) for v in self.start],
            "to": [round(v, 6) for v in self.end],
        }


@dataclass(frozen=True, slots=True)
class Stop:
    """A waypoint at whose own tile the map is not as deep as planned; `at_m` is the nearest place on the line."""

    waypoint: Waypoint
    at_m: float
    complete_to: int | None


@dataclass(frozen=True, slots=True)
class LineWalk:
    """One line of an area against one layer, planned from zoom `first` to `deepest`.

    `line` counts the lines of the area from 1. `stretches` take in the whole line without a gap or an overlap.
    `path` is the line cut into short pieces: arrays of metres along it, longitude and latitude.
    """

    area: str
    line: int
    layer: str
    length_m: float
    first: int
    deepest: int
    stretches: tuple[Stretch, ...]
    stops: tuple[Stop, ...]
    path: tuple[Floats, Floats, Floats]

    @property
    def gaps(self) -> tuple[Stretch, ...]:
        """The stretches over which the map is not as deep as planned."""
        return tuple(s for s in self.stretches if s.complete_to != self.deepest)

    def to_dict(self) -> dict[str, Any]:
        """One plain document; distances in km, to the metre."""
        return {
            "area": self.area,
            "line": self.line,
            "layer": self.layer,
            "length_km": round(self.length_m / 1000, 3),
            "planned_to": self.deepest,
            "stretches": [s.to_dict() for s in self.stretches],
            "waypoints_on_gaps": [
                {
                    "name": s.waypoint.name,
                    "lon": round(s.waypoint.lon, 6),
                    "lat": round(s.waypoint.lat, 6),
                    "at_km": round(s.at_m / 1000, 3),
                    "complete_to": s.complete_to,
                }
                for s in self.stops
            ],
        }


def walk(plan: Plan, ground: Mapping[str, Shortfall]) -> tuple[LineWalk, ...]:
    """Walk every line of a plan through every layer that serves its area; `ground` is by layer."""
    walks = []
    for name, corridor in lines_of(plan).items():
        lines = [line for line in corridor.lines if len(line) > 1]
        for number, line in enumerate(lines, 1):
            path = _Path(line)
            for layer, asked in plan.layers.items():
                area = next((a for a in asked.areas if a.name == name and a.tiles), None)
                if area is not None and layer in ground:
                    waypoints = corridor.waypoints if number == 1 else ()
                    walks.append(_walked(path, corridor, waypoints, area, number, layer, ground[layer]))
    return tuple(walks)


class _Path:
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


def _walked(
    path: _Path,
    corridor: Corridor,
    waypoints: Sequence[Waypoint],
    area: AreaPlan,
    number: int,
    layer: str,
    ground: Shortfall,
) -> LineWalk:
    lacking = area.tiles & (ground.missing | ground.absent)
    zooms = area.tiles.zooms
    blocked: dict[int, Spans] = {}  # by zoom: where it, or any zoom above it, is not complete
    so_far = np.empty((0, 2))
    for zoom in zooms:
        near = _near(path, corridor.half_width_m, lacking, zoom)
        so_far = blocked[zoom] = _merged(np.vstack([so_far, near]))
    stretches = _counted(path, corridor, area, ground, _stretches(path, blocked))
    stops = [Stop(w, 0.0, _depth_at(w, zooms, lacking)) for w in waypoints]
    on_gaps = [
        replace(s, at_m=path.nearest_m(s.waypoint.lon, s.waypoint.lat))
        for s in stops
        if s.complete_to != zooms[-1]
    ]
    return LineWalk(
        area.name, number, layer, path.length_m, zooms[0], zooms[-1], tuple(stretches), tuple(on_gaps),
        (path.ends_m, path.lon, path.lat),
    )  # fmt: skip


def _depth_at(waypoint: Waypoint, zooms: Iterable[int], lacking: TileSet) -> int | None:
    """How deep the map is complete at a waypoint, as far as it is planned there."""
    deepest = None
    for zoom in zooms:
        n = 1 << zoom
        x = min(int(float(x_at(waypoint.lon)) % 1.0 * n), n - 1)
        tile = (zoom, x, min(int(float(y_at(waypoint.lat)) * n), n - 1))
        if tile in lacking:
            return deepest
        deepest = zoom
    return deepest


def _stretches(path: _Path, blocked: Mapping[int, Spans]) -> list[Stretch]:
    """The whole line, cut where the depth to which the map is complete changes."""
    cuts = np.unique(np.concatenate([[0.0, path.length_m], *(spans.ravel() for spans in blocked.values())]))
    middles = (cuts[:-1] + cuts[1:]) / 2
    depth = np.full(middles.size, -1)
    for zoom, spans in blocked.items():
        depth = np.where(_inside(spans, middles), depth, np.maximum(depth, zoom))
    fresh = (
        np.flatnonzero(np.append(True, depth[1:] != depth[:-1]))
        if depth.size
        else np.empty(0, dtype=np.int64)
    )
    stretches = []
    for at, stop in zip(fresh.tolist(), [*fresh.tolist()[1:], depth.size], strict=True):
        start, end = float(cuts[at]), float(cuts[stop])
        zoom = int(depth[at])
        stretches.append(Stretch(start, end, None if zoom < 0 else zoom, path.at(start), path.at(end)))
    return stretches


def _inside(spans: Spans, places: Floats) -> Any:
    return np.searchsorted(spans.ravel(), places, side="right") & 1 == 1


def _merged(spans: Spans) -> Spans:
    """Intervals that overlap or meet, joined."""
    if not len(spans):
        return spans
    spans = spans[np.argsort(spans[:, 0], kind="stable")]
    reach = np.maximum.accumulate(spans[:, 1])
    fresh = np.append(True, spans[1:, 0] > reach[:-1])
    return np.column_stack([spans[fresh, 0], reach[np.append(fresh[1:], True)]])


def _counted(
    path: _Path, corridor: Corridor, area: AreaPlan, ground: Shortfall, stretches: list[Stretch]
) -> list[Stretch]:
    """The stretches, those that are gaps with what they lack."""
    deepest = area.tiles.zooms[-1]
    gaps = [i for i, s in enumerate(stretches) if s.complete_to != deepest]
    for place, i in enumerate(sorted(gaps, key=lambda i: stretches[i].from_m - stretches[i].to_m)):
        if place >= _COUNTED:
            stretches[i] = replace(stretches[i], missing=None, absent=None)
            continue
        part = path.part(stretches[i].from_m, stretches[i].to_m)
        reach = cover_corridor([part], corridor.half_width_m, deepest).pyramid(0) & area.tiles
        missing = len(reach & ground.missing)
        seconds = missing / ground.speed if ground.speed and missing else None
        stretches[i] = replace(
            stretches[i],
            missing=missing,
            absent=len((reach & ground.absent) - ground.missing),
            seconds=seconds,
        )
    return stretches


def _near(path: _Path, half_width_m: float, lacking: TileSet, zoom: int) -> Spans:
    """Where the line passes within the half-width of a lacking tile of one zoom, in whole metres."""
    rows, first, last = lacking.run_arrays(zoom)
    if not rows.size:
        return np.empty((0, 2))
    spans = [
        _lot_near(path, lot, half_width_m, zoom, (rows, first, last))
        for lot in _lots(path, half_width_m, zoom)
    ]
    found = np.vstack(spans)
    found = np.column_stack([np.floor(found[:, 0]), np.ceil(found[:, 1])])
    found[:, 1] = np.minimum(np.maximum(found[:, 1], found[:, 0] + 1), path.length_m)
    return _merged(found)


def _lots(path: _Path, half_width_m: float, zoom: int) -> Iterable[slice]:
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
    path: _Path, lot: slice, half_width_m: float, zoom: int, runs: tuple[Ints, Ints, Ints]
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
