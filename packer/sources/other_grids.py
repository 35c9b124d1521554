"""Grids of services that offer no Web Mercator: read from tile matrix sets, or laid out for GetMap.

A set's matrices are placed by scale denominator and top left corner (OGC 07-057r7, clause 6.1; 17-083r4, clause 6).
Clauses are cited from memory.
"""

from __future__ import annotations

import contextlib
import math
import warnings
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from packer.geometry.grid import EQUATOR_M, MAX_ZOOM, LonLatBox
from packer.geometry.source_grid import SourceGrid, SourceMatrix, pack_zooms, positions_in
from packer.geometry.source_tiles import derived_zooms
from packer.sources.matrices import PIXEL_M, TileMatrix, TileMatrixSet
from packer.sources.offer import OfferError, TileLimits, quoted

if TYPE_CHECKING:
    from pyproj import CRS

__all__ = ["bounds_or_area", "grid_of_set", "known_system", "map_grid", "zooms_of"]

METRES_PER_DEGREE = EQUATOR_M / 360
"""Of 07-057r7, clause 6.1: 2 pi 6378137 / 360, for systems whose unit is the degree."""
_SIDES_PX = (64, 1024)
_LONGEST_IDENTIFIER = 200
_MOST_MATRICES = 100
_MOST_TILES = 1 << MAX_ZOOM
_LONGEST_NAME = 200
_MESH = 33
_DEEPEST_MAP = 22  # pixels of 4 cm: finer ones no map has


def known_system(name: str) -> CRS:
    """A coordinate system by the name that a service gives it. Raises OfferError for one that PROJ does not know, or
    whose coordinates are not plane ones or degrees."""
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    try:
        short = name.strip()
        if not 0 < len(short) <= _LONGEST_NAME or ":" not in short or set("{[+") & set(short):
            raise CRSError("not a name")
        # "CRS:84" is how WMS 1.3.0 writes OGC:CRS84 (06-042, annex B.3).
        crs = CRS.from_user_input("OGC:CRS84" if short.upper() == "CRS:84" else short)
    except CRSError:
        raise OfferError(f"its coordinate system {quoted(name)} is not known to PROJ") from None
    if not (crs.is_projected or crs.is_geographic) or len(crs.axis_info) < 2:
        raise OfferError(f"its coordinate system {quoted(name)} is no map's")
    return crs


def bounds_or_area(crs: CRS, bounds: LonLatBox | None) -> LonLatBox:
    """Where a service has anything: as it says, or else where its coordinate system is meant for.

    Raises OfferError for a box across the antimeridian, which no tile of another grid is looked for in.
    """
    if bounds is None:
        area = crs.area_of_use
        bounds = LonLatBox(-180.0, -90.0, 180.0, 90.0) if area is None else LonLatBox(*area.bounds)
    if bounds.west > bounds.east:
        raise OfferError(
            "its bounds reach across the antimeridian, which this version does not read in another grid than that "
            "of Web Mercator"
        )
    return bounds


def zooms_of(grid: SourceGrid, tile_px: int) -> tuple[int, int]:
    """The zooms at which tiles can be made from a grid. Raises OfferError where there is none."""
    zooms = derived_zooms(grid, tile_px)
    if zooms is None:
        raise OfferError(
            f"the scales of its matrix set {quoted(grid.identifier or grid.crs)} leave no zoom for which tiles could "
            "be made"
        )
    return zooms


def grid_of_set(
    described: TileMatrixSet, limits: Mapping[str, TileLimits], bounds: LonLatBox | None
) -> SourceGrid:
    """The grid of a matrix set, of whose matrices a layer has the tiles within `limits`, by identifier; all where none
    are stated. Raises OfferError, worded for the planner, where it cannot be used."""
    crs = known_system(described.crs)
    where = bounds_or_area(crs, bounds)
    unit_m = _unit_m(crs)
    usable = [one for one in described.matrices[:_MOST_MATRICES] if _is_usable(one)]
    sides = {one.tile_px for one in usable}
    if not usable or len(sides) != 1:
        raise OfferError(
            f"its matrix set {quoted(described.identifier)} has no matrices with square tiles of one size, from "
            f"{_SIDES_PX[0]} to {_SIDES_PX[1]} pixels, and with sound numbers"
        )
    usable.sort(key=lambda one: -one.scale_denominator)
    name = _short_name(crs, described.crs)
    swapped = _corner_is_swapped(crs, name, usable, unit_m, where)
    placed = []
    zooms = pack_zooms([(one.columns, one.rows) for one in usable])
    for one, zoom in zip(usable, zooms, strict=False):
        window = _window(one, limits)
        if window is not None:
            left, top = one.corner[::-1] if swapped else one.corner
            pixel = one.scale_denominator * PIXEL_M / unit_m
            placed.append(SourceMatrix(zoom, one.identifier, pixel, left, top, *window))
    if not placed:
        raise OfferError("the limits of its matrix set allow no tile")
    side = next(iter(sides))[0]
    return SourceGrid(
        name, crs.name, described.identifier, False, side, tuple(placed), where, _accuracy_m(name)
    )


def _is_usable(one: TileMatrix) -> bool:
    width, height = one.tile_px
    sound = all(math.isfinite(v) and abs(v) < 1e9 for v in one.corner) and len(one.corner) == 2
    return (
        sound
        and width == height
        and _SIDES_PX[0] <= width <= _SIDES_PX[1]
        and 1e-3 < one.scale_denominator < 1e10
        and 0 < one.columns <= _MOST_TILES
        and 0 < one.rows <= _MOST_TILES
        and 0 < len(one.identifier) <= _LONGEST_IDENTIFIER
    )


def _window(one: TileMatrix, limits: Mapping[str, TileLimits]) -> TileLimits | None:
    if limits and one.identifier not in limits:
        return None
    told = limits.get(one.identifier, TileLimits(0, one.columns - 1, 0, one.rows - 1))
    window = TileLimits(
        max(told.first, 0), min(told.last, one.columns - 1), max(told.top, 0), min(told.bottom, one.rows - 1)
    )
    return window if window.first <= window.last and window.top <= window.bottom else None


def _unit_m(crs: CRS) -> float:
    """Metres of one unit of the system, as scale denominators count them."""
    factor = float(crs.axis_info[0].unit_conversion_factor)
    return math.degrees(factor) * METRES_PER_DEGREE if crs.is_geographic else factor


def _short_name(crs: CRS, stated: str) -> str:
    authority = crs.to_authority(min_confidence=100)
    if authority is None:
        raise OfferError(f"its coordinate system {quoted(stated)} has no number in a registry")
    return ":".join(authority)


def _corner_is_swapped(
    crs: CRS, name: str, matrices: Sequence[TileMatrix], unit_m: float, bounds: LonLatBox
) -> bool:
    """Whether corners are written northward first: as the system's axes are, or else, where that puts the matrix beside
    the layer, the other way round, since services err in this. Raises OfferError where neither has any of the layer."""
    stated = crs.axis_info[0].direction in ("north", "south")
    box = _box_in(name, bounds)
    for swapped in (stated, not stated):
        if _reaches(matrices[-1], unit_m, box, swapped):
            return swapped
    raise OfferError(
        f"its matrices in {quoted(name)} have nothing of the ground that it states for the layer"
    )


def _reaches(one: TileMatrix, unit_m: float, box: tuple[float, float, float, float], swapped: bool) -> bool:
    """Whether a matrix has any of a box: west, south, east and north in the units of the system."""
    left, top = one.corner[::-1] if swapped else one.corner
    side = one.scale_denominator * PIXEL_M / unit_m * one.tile_px[0]
    west, south, east, north = box
    return left < east and left + side * one.columns > west and top > south and top - side * one.rows < north


def _accuracy_m(name: str) -> float | None:
    from pyproj.transformer import TransformerGroup

    # A word on accuracy is no reason to refuse a layer; and PROJ warns of each file that it has not.
    with contextlib.suppress(Exception), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        group = TransformerGroup(name, "EPSG:4326", always_xy=True)
        accuracy = group.transformers[0].accuracy if group.transformers else -1
        return accuracy if accuracy is not None and accuracy > 0 else None
    return None


def map_grid(
    stated: str, bounds: LonLatBox | None, tile_px: int, scales: tuple[float, float], *, north_first: bool
) -> SourceGrid:
    """A grid of our own making for GetMap in a coordinate system: the scales of WebMercatorQuad (17-083r4, annex D), in
    a square of the equator's length (or of 360 degrees) around the system's origin. Such a square holds the
    coordinates of every system in metres. Matrix z has 2^z by 2^z tiles.

    `scales` are the denominators at which the service draws: from the first to below the second. Raises OfferError.
    """
    crs = known_system(stated)
    where = bounds_or_area(crs, bounds)
    name = _short_name(crs, stated)
    unit = 1.0 / _unit_m(crs)
    half = EQUATOR_M / 2 * unit
    if crs.is_geographic:
        half = round(half, 6)  # 180 degrees
    box = _box_in(name, where)
    placed = []
    for zoom in range(_DEEPEST_MAP + 1):
        side = 2 * half / (1 << zoom)
        scale = side / tile_px / unit / PIXEL_M
        if not scales[0] <= scale < scales[1]:
            continue
        last = (1 << zoom) - 1
        west, south, east, north = box
        first, final = (min(max(math.floor((v + half) / side), 0), last) for v in (west, east))
        upper, lower = (min(max(math.floor((half - v) / side), 0), last) for v in (north, south))
        placed.append(SourceMatrix(zoom, str(zoom), side / tile_px, -half, half, first, final, upper, lower))
    if not placed:
        raise OfferError("the scales that it states for the layer leave no zoom")
    return SourceGrid(name, crs.name, "", north_first, tile_px, tuple(placed), where, _accuracy_m(name))


def _box_in(name: str, bounds: LonLatBox) -> tuple[float, float, float, float]:
    """West, south, east and north of a box in degrees, in a coordinate system."""
    share = np.linspace(0.0, 1.0, _MESH)
    lon, lat = np.meshgrid(
        bounds.west + share * (bounds.east - bounds.west),
        bounds.south + share * (bounds.north - bounds.south),
    )
    east, north = positions_in(name, lon.ravel(), lat.ravel())
    good = np.isfinite(east) & np.isfinite(north)
    if not good.any():
        raise OfferError(f"its bounds lie outside of its coordinate system {quoted(name)}")
    return (
        float(east[good].min()),
        float(north[good].min()),
        float(east[good].max()),
        float(north[good].max()),
    )
