"""From the coordinate system that a file states to longitude and latitude."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from packer.common.lazy_import import lazy_import
from packer.geometry.grid import Floats

if TYPE_CHECKING:
    import shapely
else:
    shapely = lazy_import("shapely")  # only polygons and files read by GDAL need it

__all__ = ["DENSEST", "SHORTEST", "is_projected", "named_system", "to_degrees"]

DENSEST, SHORTEST = (
    1_000_000,
    1000.0,
)  # points put into straight edges of a projected file at most, and how far apart
_UNKNOWN = "its coordinate system is not known; save it in WGS 84 degrees"
_NAMED = re.compile(
    r"(?:urn:(?:ogc|x-ogc):def:crs:|https?://www\.opengis\.net/def/crs/|https?://www\.opengis\.net/gml/srs/)?"
    r"(EPSG|OGC)(?:\.xml#|[:/][\d.]*[:/]|:)(\w+)",
    re.IGNORECASE,
)


def named_system(stated: str) -> str:
    """A coordinate system as files name it ("urn:ogc:def:crs:EPSG::4326") in short, such as "EPSG:4326".

    Raises ValueError, worded for the planner, for any other way to state one.
    """
    match = _NAMED.fullmatch(stated.strip())
    if match is None:
        raise ValueError("its coordinate system is not known; save it in WGS 84 degrees")
    return f"{match[1].upper()}:{match[2]}"


def to_degrees(crs: Any, axes_as_defined: bool = False) -> Callable[[Floats], Floats]:
    """What turns positions (n, 2) of a coordinate system into longitude and latitude.

    x comes before y, or with `axes_as_defined` in the order of the system's own definition: that of EPSG:4326 puts
    latitude first. An edge that is straight in a projection is none in degrees, so positions are put into long ones.
    Raises ValueError, worded for the planner, for a system that is not known.
    """
    if (
        crs is None
        or str(crs).upper() == "OGC:CRS84"
        or (not axes_as_defined and str(crs).upper() == "EPSG:4326")
    ):
        return lambda xy: xy
    return _mover(str(crs), axes_as_defined)


@lru_cache(maxsize=64)
def _mover(crs: str, axes_as_defined: bool) -> Callable[[Floats], Floats]:
    from pyproj import CRS, Transformer
    from pyproj.exceptions import ProjError
    from pyproj.network import (  # type: ignore[attr-defined]  # public, but not marked as exported
        set_network_enabled,
    )

    set_network_enabled(active=False)  # PROJ may be set up to fetch its grids
    try:
        move = Transformer.from_crs(CRS(crs), "OGC:CRS84", always_xy=not axes_as_defined)
    except ProjError:
        raise ValueError(_UNKNOWN) from None
    projected = is_projected(crs)

    def moved(xy: Floats) -> Floats:
        if projected and len(xy) > 1 and np.isfinite(xy).all():
            line = shapely.LineString(xy)
            xy = shapely.get_coordinates(shapely.segmentize(line, max(SHORTEST, line.length / DENSEST)))
        return np.column_stack(move.transform(xy[:, 0], xy[:, 1]))

    return moved


def is_projected(crs: Any) -> bool:
    """Whether the coordinates of a system are lengths on a map, and no degrees."""
    from pyproj import CRS

    return bool(CRS(crs).is_projected)
