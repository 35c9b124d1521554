"""Traces the invented place's course and ways over its ground, as crews would: the cheapest line by slope.

    .venv/bin/python scripts/trace_place.py [folder]

makes the files in `packer/practice/data` from scratch, or in another folder. They are kept as files so that a
run of the practice server need not trace them, and so that the course cannot change with a processor's rounding.
"""

from __future__ import annotations

import heapq
import itertools
import json
import math
import sys
from dataclasses import dataclass
from pathlib import Path
from xml.sax.saxutils import escape

import numpy as np
import numpy.typing as npt

from packer.geometry.grid import EQUATOR_M, Floats, latitude_at, longitude_at, x_at, y_at
from packer.practice.terrain import RasterWindow, elevation, noise

__all__ = ["PLACES", "SECTORS", "Place", "trace_course", "trace_ways", "write_data"]


@dataclass(frozen=True, slots=True)
class Place:
    """A named spot in degrees; `sort` is the GPX type."""

    name: str
    sort: str
    lon: float
    lat: float


PLACES = (
    Place("Ketterling Camp", "camp", 12.5012, 47.1023),
    Place("Ostrel Spring", "spring", 12.4660, 47.1416),
    Place("Hallin Saddle", "pass", 12.5055, 47.2275),
    Place("Skarn Rock", "landmark", 12.5570, 47.1731),
    Place("Vellmark", "village", 12.5416, 47.1486),
    Place("Drover's Ford", "ford", 12.5340, 47.1131),
)
_SPOTS = {place.name: place for place in PLACES}
COURSE_STOPS = ("Ketterling Camp", "Ostrel Spring", "Hallin Saddle", "Vellmark")

# Gravel roads and cart tracks, as (kind, stops in degrees).
_WAYS: tuple[tuple[str, tuple[tuple[float, float], ...]], ...] = (
    (
        "road",
        (
            (12.3116, 47.0622),
            (12.4077, 47.0926),
            (12.5011, 47.1024),
            (12.5416, 47.1486),
            (12.5999, 47.1300),
            (12.6532, 47.1370),
        ),
    ),
    ("road", ((12.5416, 47.1486), (12.5340, 47.1131), (12.5313, 47.0785), (12.5244, 47.0423))),
    ("track", ((12.4660, 47.1416), (12.5011, 47.1024))),
    ("track", ((12.4077, 47.0926), (12.4420, 47.1159), (12.4660, 47.1416))),
    ("track", ((12.5999, 47.1300), (12.5965, 47.0926), (12.5725, 47.0622), (12.5313, 47.0785))),
)

SECTORS = (
    (
        "Sector A, camp and washes",
        (
            (12.4781, 47.1183),
            (12.4969, 47.1206),
            (12.5244, 47.1066),
            (12.5210, 47.0879),
            (12.4901, 47.0809),
            (12.4729, 47.0972),
        ),
    ),
    (
        "Sector B, Hallin slopes",
        (
            (12.4660, 47.1860),
            (12.4969, 47.2023),
            (12.5244, 47.1953),
            (12.5313, 47.1766),
            (12.5038, 47.1626),
            (12.4695, 47.1650),
        ),
    ),
    (
        "Sector C, lake shore",
        (
            (12.5381, 47.0926),
            (12.5656, 47.0972),
            (12.5999, 47.0856),
            (12.6034, 47.0668),
            (12.5656, 47.0575),
            (12.5347, 47.0692),
        ),
    ),
)

_STEP = 3 / (256 << 12)  # the tracing grid: three pixels of zoom 12, some 78 m on the ground
_ROOM = 26  # grid steps left and right of a leg in which its way may wander
_SPACING_M = 20.0
# Steps like a chess king's and a knight's: sixteen headings, so that ways do not run in eight only.
_STEPS = tuple(
    (a, b, (a * a + b * b) ** 0.5)
    for a in range(-2, 3)
    for b in range(-2, 3)
    if (a or b) and math.gcd(a, b) == 1
)

_Heights = npt.NDArray[np.float64]
_Feature = tuple[str, dict[str, str], object]  # geometry type, properties, coordinates


def _metres(lat: float) -> float:
    """Ground metres in one grid fraction at a latitude in degrees."""
    return EQUATOR_M * math.cos(math.radians(lat))


def _leg(start: tuple[float, float], end: tuple[float, float], shy: float) -> Floats:
    """The cheapest way between two places, as grid fractions (n, 2), ends included.

    A step costs its length in decimetres, times 1 to 2.7 for the going underfoot, times 1 + (slope / `shy`)²;
    in whole numbers, so that rounding seldom tips the balance. Dijkstra's algorithm.
    """
    a = (float(x_at(start[0])), float(y_at(start[1])))
    b = (float(x_at(end[0])), float(y_at(end[1])))
    left, top = min(a[0], b[0]) - _ROOM * _STEP, min(a[1], b[1]) - _ROOM * _STEP
    columns = int((max(a[0], b[0]) - left) / _STEP) + _ROOM
    rows = int((max(a[1], b[1]) - top) / _STEP) + _ROOM
    across, down = np.arange(columns, dtype=np.float64), np.arange(rows, dtype=np.float64)
    window = RasterWindow(left + across * _STEP, top + down * _STEP, _STEP)
    ground = elevation(window)
    heights = np.rint(ground.height_m.astype(np.float64)) + np.where(ground.water_m > 0, 1e6, 0)
    nodes = [(round((v - top) / _STEP), round((u - left) / _STEP)) for u, v in (a, b)]
    toil = np.rint(10 + 14 * np.clip(noise(window, 17, salt=12).astype(np.float64) + 0.45, 0, 1.2))
    path = _dijkstra(heights, toil, nodes[0], nodes[1], _metres(start[1]) * _STEP, shy)
    line = np.array([(left + c * _STEP, top + r * _STEP) for r, c in path])
    line[0], line[-1] = a, b
    return line


def _dijkstra(
    heights: _Heights,
    toil_map: _Heights,
    start: tuple[int, int],
    end: tuple[int, int],
    step_m: float,
    shy: float,
) -> list[tuple[int, int]]:
    rows, columns = heights.shape
    tall, toil = heights.tolist(), toil_map.tolist()
    best, came = {start: 0}, {start: start}
    queue = [(0, start)]
    while queue:
        cost, node = heapq.heappop(queue)
        if node == end:
            break
        if cost > best[node]:
            continue
        for down, right, far in _STEPS:
            r, c = node[0] + down, node[1] + right
            if not (0 <= r < rows and 0 <= c < columns):
                continue
            length = step_m * far
            slope = (tall[r][c] - tall[node[0]][node[1]]) / length
            there = cost + int(length * toil[r][c] * (1 + (slope / shy) ** 2))
            if there < best.get((r, c), 1 << 62):
                best[r, c], came[r, c] = there, node
                heapq.heappush(queue, (there, (r, c)))
    path = [end]
    while path[-1] != start:
        path.append(came[path[-1]])
    return path[::-1]


def _smooth(line: Floats, rounds: int) -> Floats:
    """Corner cutting (Chaikin, Computer Graphics and Image Processing 3, 1974), ends kept."""
    for _ in range(rounds):
        cut = np.empty((2 * len(line) - 2, 2))
        cut[0::2] = line[:-1] * 0.75 + line[1:] * 0.25
        cut[1::2] = line[:-1] * 0.25 + line[1:] * 0.75
        line = np.concatenate([line[:1], cut, line[-1:]])
    return line


def _resample(line: Floats, spacing_m: float) -> Floats:
    scale = _metres(float(latitude_at(float(line[:, 1].mean()))))
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))]) * scale
    places = np.linspace(0, along[-1], max(2, round(along[-1] / spacing_m)) + 1)
    return np.column_stack([np.interp(places, along, line[:, k]) for k in (0, 1)])


def _trace(stops: tuple[tuple[float, float], ...], shy: float, spacing_m: float) -> Floats:
    legs = [_smooth(_leg(a, b, shy), 3) for a, b in itertools.pairwise(stops)]
    whole = np.concatenate([legs[0], *(leg[1:] for leg in legs[1:])])
    return _resample(whole, spacing_m)


def _degrees(line: Floats) -> Floats:
    degrees: Floats = np.column_stack([longitude_at(line[:, 0]), latitude_at(line[:, 1])])
    return degrees.round(6)


def _heights(line: Floats) -> Floats:
    """Metres above the sea at grid fractions (n, 2), at the detail of zoom 15."""
    pixel = 1 / (256 << 15)
    found = [elevation(RasterWindow(u[None], v[None], pixel)).height_m[0, 0] for u, v in line]
    heights: Floats = np.array(found, np.float64)
    return heights.round(1)


def trace_course() -> Floats:
    """The course as (n, 3): longitude and latitude in degrees, metres above the sea; a point each 20 m."""
    stops = tuple((_SPOTS[name].lon, _SPOTS[name].lat) for name in COURSE_STOPS)
    line = _trace(stops, 0.13, _SPACING_M)
    return np.column_stack([_degrees(line), _heights(line)])


def trace_ways() -> list[tuple[str, Floats]]:
    """Roads and tracks as (kind, (n, 2) degrees)."""
    return [(kind, _degrees(_trace(stops, 0.10 if kind == "road" else 0.16, 40.0))) for kind, stops in _WAYS]


def write_data(folder: Path) -> None:
    """Write course.gpx, sectors.geojson and ways.geojson.

    If the process dies: some of the files are new and some old or cut; run it again.
    """
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "course.gpx").write_text(_gpx(trace_course()), encoding="utf-8", newline="\n")
    sectors: list[_Feature] = [("Polygon", {"name": name}, [[*ring, ring[0]]]) for name, ring in SECTORS]
    (folder / "sectors.geojson").write_text(_geojson(sectors), encoding="utf-8", newline="\n")
    ways: list[_Feature] = [("LineString", {"kind": kind}, line.tolist()) for kind, line in trace_ways()]
    (folder / "ways.geojson").write_text(_geojson(ways), encoding="utf-8", newline="\n")


def _gpx(course: Floats) -> str:
    """GPX 1.1 (topografix.com/GPX/1/1), waypoints before the track."""
    heights = _heights(np.array([(x_at(p.lon), y_at(p.lat)) for p in PLACES], np.float64))
    points = [
        f'  <wpt lat="{p.lat:.6f}" lon="{p.lon:.6f}"><ele>{height:.1f}</ele><name>{escape(p.name)}</name>'
        f"<type>{p.sort}</type></wpt>"
        for p, height in zip(PLACES, heights, strict=True)
    ]
    track = [
        f'    <trkpt lat="{lat:.6f}" lon="{lon:.6f}"><ele>{ele:.1f}</ele></trkpt>' for lon, lat, ele in course
    ]
    return "\n".join(
        [
            '<?xml version="1.0" encoding="UTF-8"?>',
            '<gpx version="1.1" creator="Lastbar practice" xmlns="http://www.topografix.com/GPX/1/1">',
            "  <metadata><name>Ketterling Basin course</name><desc>An invented place.</desc></metadata>",
            *points,
            "  <trk><name>Ketterling round</name><trkseg>",
            *track,
            "  </trkseg></trk>",
            "</gpx>",
            "",
        ]
    )


def _geojson(features: list[_Feature]) -> str:
    """A FeatureCollection by RFC 7946, one feature a line."""
    lines = [
        json.dumps(
            {
                "type": "Feature",
                "properties": properties,
                "geometry": {"type": sort, "coordinates": coordinates},
            },
            separators=(",", ":"),
        )
        for sort, properties, coordinates in features
    ]
    return '{"type":"FeatureCollection","features":[\n' + ",\n".join(lines) + "\n]}\n"


if __name__ == "__main__":
    write_data(
        Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent.parent / "packer/practice/data"
    )
