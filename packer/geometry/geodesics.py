"""Distances and directions on the WGS84 ellipsoid, by pyproj, which is loaded when the first one is asked for."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pyproj import Geod

    GEOD: Geod

__all__ = ["GEOD"]


@cache
def _geod() -> Geod:
    from pyproj import Geod  # a box or a status needs none

    return Geod(ellps="WGS84")


class _Loaded:
    """Stands in for pyproj's own `Geod(ellps="WGS84")`."""

    def __getattr__(self, name: str) -> Any:
        return getattr(_geod(), name)


if not TYPE_CHECKING:
    GEOD = _Loaded()
