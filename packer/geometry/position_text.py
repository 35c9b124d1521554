"""A position in words: degrees, or a reference of the military grid, by the library `mgrs`."""

from __future__ import annotations

import math
import re
import threading

import mgrs

__all__ = ["MGRS_FORM", "MGRS_GRID", "ONE_AT_A_TIME", "decimal_text", "mgrs_text"]

MGRS_FORM = re.compile(r"(\d{1,2}[C-HJ-NP-X]|[ABYZ])([A-HJ-NP-Z]{2})(\d*)", re.ASCII)
MGRS_GRID = mgrs.MGRS()
ONE_AT_A_TIME = threading.Lock()
"""The library does not promise that two threads may convert at once."""


def decimal_text(lon: float, lat: float, digits: int = 5) -> str:
    """Latitude and longitude to so many decimals, five being some metre: "47.10230° N, 12.50120° E"."""
    north, east = f"{abs(lat):.{digits}f}°", f"{abs(lon):.{digits}f}°"
    return f"{north} {'S' if lat < 0 else 'N'}, {east} {'W' if lon < 0 else 'E'}"


_ON_THE_EQUATOR = 1e-6  # degrees: a tenth of a metre


def mgrs_text(lon: float, lat: float) -> str:
    """The MGRS reference to a metre, in groups: "33T UN 10394 19562"."""
    if -_ON_THE_EQUATOR < lat < 0:
        lat = 0.0  # the southern band's northing would round up to 10,000 km and start again from nothing
    with ONE_AT_A_TIME:
        found = str(MGRS_GRID.toMGRS(lat, math.remainder(lon, 360.0)))
    match = MGRS_FORM.fullmatch(found.strip())
    if match is None:  # the library's own form has changed: show it as it is
        return found
    zone, square, digits = match.groups()
    half = len(digits) // 2
    return f"{zone} {square} {digits[:half]} {digits[half:]}"
