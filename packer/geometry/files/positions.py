"""Positions of a drawing made fit for a plan: on Earth, from -180 to 180, and on the map that ends at 85.0511°."""

from __future__ import annotations

import numpy as np

from packer.geometry.geodesics import GEOD
from packer.geometry.grid import MAX_LATITUDE, Floats

__all__ = ["check_on_earth", "on_the_map", "reaches_past_the_map", "wrap"]

_HALVINGS = 50  # of a leg: far below a millimetre


def check_on_earth(xy: Floats) -> None:
    """Raise ValueError unless all positions are on Earth; past ±180 a file may run on round the globe."""
    off = ~((np.abs(xy[:, 0]) <= 360.0) & (np.abs(xy[:, 1]) <= 90.0))
    if off.any():
        lon, lat = xy[off.argmax()]
        raise ValueError(
            f"longitude {lon:g}, latitude {lat:g} is not on Earth. Check that the file has its longitudes first, "
            "and that it states its coordinate system if they are not degrees (a Shapefile needs its .prj file)"
        )


def wrap(lon: Floats) -> Floats:
    """Longitudes from -180 to 180; those that lie there stay as they are, to the last bit."""
    return np.where(np.abs(lon) > 180, (lon + 180) % 360 - 180, lon)


def reaches_past_the_map(xy: Floats) -> bool:
    """Whether any position lies past the latitude at which Web Mercator maps end (OGC 17-083r4)."""
    return bool((np.abs(xy[:, 1]) > MAX_LATITUDE).any())


def on_the_map(line: Floats) -> list[Floats]:
    """A line of positions on Earth cut where it leaves the map and where it comes back, along its geodesics."""
    inside = np.abs(line[:, 1]) <= MAX_LATITUDE
    if inside.all():
        return [line]
    pieces: list[list[Floats]] = [[]]
    for number, place in enumerate(line):
        if number and inside[number] != inside[number - 1]:
            edge = _edge(line[number - 1], place) if inside[number - 1] else _edge(place, line[number - 1])
            pieces[-1].append(edge)
        if inside[number]:
            pieces[-1].append(place)
        elif pieces[-1]:
            pieces.append([])
    return [np.array(piece) for piece in pieces if piece]


def _edge(within: Floats, past: Floats) -> Floats:
    """Where the geodesic from a position on the map to one past it crosses the map's edge, on the near side."""
    azimuth, _, length = GEOD.inv(within[0], within[1], past[0], past[1])
    near, far = 0.0, length
    for _ in range(_HALVINGS):
        middle = (near + far) / 2
        lon, lat, _ = GEOD.fwd(within[0], within[1], azimuth, middle)
        near, far = (middle, far) if abs(lat) <= MAX_LATITUDE else (near, middle)
    lon, lat, _ = GEOD.fwd(within[0], within[1], azimuth, near)
    return np.array([lon, float(np.clip(lat, -MAX_LATITUDE, MAX_LATITUDE))])
