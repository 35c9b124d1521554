"""What a server offers of one layer, whatever the words that it says it in."""

from __future__ import annotations

import json
import math
import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from packer.geometry.grid import MAX_LATITUDE, MAX_ZOOM, LonLatBox
from packer.geometry.source_grid import SourceGrid

__all__ = [
    "LIMIT_BYTES",
    "Offer",
    "OfferError",
    "SeveralLayersError",
    "TileLimits",
    "checked_box",
    "checked_window",
    "checked_zooms",
    "longest_run",
    "prose",
    "quoted",
]

LIMIT_BYTES = 8_000_000  # capabilities of a service with thousands of layers are some megabytes
_LONGEST_PROSE = 2000  # as in a brief
_LONGEST_QUOTED = 60
_WHOLE_GRID = 1e-6  # degrees; closer than this to the grid's edges is the whole of it


class OfferError(ValueError):
    """An answer that no layer can be fetched by; the text is the end of a sentence that names the server.

    It never holds an address, which may hold a key.
    """


class SeveralLayersError(OfferError):
    """A service of several layers, `names`, of which none was asked for."""

    def __init__(self, text: str, names: tuple[str, ...]) -> None:
        super().__init__(text)
        self.names = names


class TileLimits(NamedTuple):
    """A block of tiles at one zoom: first and last column, first and last row from the top, all included."""

    first: int
    last: int
    top: int
    bottom: int


@dataclass(frozen=True, slots=True)
class Offer:
    """One layer as its server offers it.

    `templates` are addresses with this project's fields, any of which gives the same tiles; they may hold
    keys. `kind` is "png", "jpg", "webp", "pbf" or None; `bounds` None stands for the whole grid; `tile_px` is
    the side of a tile where the server states it. `matrices` has what stands for {z}, by zoom, where that is
    not the plain number. `limits`, where there are any, has every zoom on offer. `date` is the moment of what is
    offered, `newer_date` a later one that there is meanwhile. `largest_px` are the width and height of the largest
    picture that a service gives. `grid` is the one in which tiles are asked for, where that is not the web's: then
    `zooms` and `bounds` are those of the tiles made from them, and `limits` are in the grid.
    """

    templates: tuple[str, ...] = field(repr=False)
    zooms: tuple[int, int]
    attribution: str | None = None
    kind: str | None = None
    bounds: LonLatBox | None = None
    tile_px: int | None = None
    matrices: Mapping[int, str] | None = None
    limits: Mapping[int, TileLimits] | None = None
    date: str | None = None
    newer_date: str | None = None
    largest_px: tuple[int, int] | None = None
    grid: SourceGrid | None = None

    @property
    def whole_grid(self) -> bool:
        """Whether every tile of its zooms is on offer."""
        return self.bounds is None and self.limits is None and self.grid is None


def checked_box(west: float, south: float, east: float, north: float) -> LonLatBox | None:
    """Bounds in degrees as a box, cut to the grid; None for all of it. West may lie east of east, for a box
    across the antimeridian.

    Raises OfferError for what is not a box, or for one that lies off the grid.
    """
    if not all(math.isfinite(v) for v in (west, south, east, north)) or south > north:
        raise OfferError("its bounds are not west, south, east and north in degrees")
    if abs(west) > 540 or abs(east) > 540 or south < -90.001 or north > 90.001:
        raise OfferError("its bounds are not valid longitudes and latitudes")
    if south >= MAX_LATITUDE or north <= -MAX_LATITUDE:
        raise OfferError("its bounds lie completely outside the latitudes of Web Mercator maps")
    round_the_world = east - west >= 360 - _WHOLE_GRID
    south, north = max(south, -MAX_LATITUDE), min(north, MAX_LATITUDE)
    if round_the_world:
        west, east = -180.0, 180.0
        if south <= -MAX_LATITUDE + _WHOLE_GRID and north >= MAX_LATITUDE - _WHOLE_GRID:
            return None
    else:
        west, east = (v if -180 <= v <= 180 else (v + 180) % 360 - 180 for v in (west, east))
    return LonLatBox(west, south, east, north)


def checked_window(zoom: int, first: int, last: int, top: int, bottom: int) -> TileLimits | None:
    """The part of a block that lies on the grid, or None if none of it does."""
    end = (1 << zoom) - 1
    window = TileLimits(max(first, 0), min(last, end), max(top, 0), min(bottom, end))
    return window if window.first <= window.last and window.top <= window.bottom else None


def checked_zooms(first: int, last: int) -> tuple[int, int]:
    """First and last zoom, cut to those of the grid. Raises OfferError where none is left."""
    if not 0 <= first <= last:
        raise OfferError(f"its first zoom, {first}, is deeper than its last, {last}")
    if first > MAX_ZOOM:
        raise OfferError(f"its first zoom is {first}, but the grid ends at {MAX_ZOOM}")
    return first, min(last, MAX_ZOOM)


def longest_run(zooms: Iterable[int]) -> tuple[int, int]:
    """First and last of the longest run of zooms without a gap, the deepest of equal ones; there is at least one."""
    best: tuple[int, int] | None = None
    first = last = -2
    for zoom in sorted(zooms):
        first, last = (first, zoom) if zoom == last + 1 else (zoom, zoom)
        if best is None or last - first >= best[1] - best[0]:
            best = (first, last)
    assert best is not None
    return best


def prose(text: str) -> str | None:
    """Words of the server on one line, fit to stand in a pack and on a page; None if nothing is left.

    Raises OfferError for more than 2000 characters, since words on rights must not be cut.
    """
    plain = "".join(" " if unicodedata.category(c) in ("Cc", "Cs") else c for c in text)
    plain = re.sub(r"\s+", " ", plain).strip()
    if len(plain) > _LONGEST_PROSE:
        raise OfferError(f"its attribution has over {_LONGEST_PROSE} characters")
    return plain or None


def quoted(text: str) -> str:
    """A name from the server as it may stand in a sentence: short, in quotes, on one line."""
    short = text if len(text) <= _LONGEST_QUOTED else text[:_LONGEST_QUOTED] + "…"
    return json.dumps(short, ensure_ascii=not short.isprintable())
