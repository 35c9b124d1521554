"""Coordinate reference systems by the names that services give them: is it Web Mercator, does it count north first?"""

from __future__ import annotations

import re
from collections.abc import Iterable

__all__ = ["is_mercator", "mercator_name", "north_comes_first"]

_AUTHORITIES = ("EPSG", "ESRI", "OSGEO")
# Names of one coordinate system: 3857 and those that it had before the registry gave it that number.
_MERCATOR = {"3857", "900913", "102100", "102113", "3785"}
_LONGEST = 200


def is_mercator(crs: str) -> bool:
    """By the code at the end of a URN, an address or a short name of a coordinate system."""
    short = crs[:_LONGEST].upper()
    return any(name in short for name in _AUTHORITIES) and re.split("[:/]", short)[-1] in _MERCATOR


def mercator_name(names: Iterable[str]) -> str | None:
    """The name under which a service offers Web Mercator: EPSG:3857 if it is there, else the first of its others."""
    found = [name for name in names if is_mercator(name)]
    return min(found, key=lambda name: not name.endswith("3857"), default=None)


def north_comes_first(crs: str) -> bool:
    """Whether the first axis of a coordinate system counts northward, by the registry that PROJ carries.

    False for CRS:84 and the like, and for one that PROJ does not know.
    """
    from pyproj import CRS  # here since its database takes a while to open, and is seldom needed
    from pyproj.exceptions import CRSError

    try:
        axes = CRS.from_user_input(crs[:_LONGEST]).axis_info
    except CRSError:
        return False
    return bool(axes) and axes[0].direction == "north"
