"""Positions of one coordinate system in another, by pyproj: what cannot be transformed is infinite, no error."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING

import numpy as np

from packer.geometry.grid import Floats

if TYPE_CHECKING:
    from pyproj import Transformer

__all__ = ["transformed"]


@functools.lru_cache(maxsize=16)
def _transformer(from_crs: str, to_crs: str) -> Transformer:
    from pyproj import Transformer

    return Transformer.from_crs(from_crs, to_crs, always_xy=True)


def transformed(from_crs: str, to_crs: str, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Positions in the units of `to_crs`, infinite where they have none. A CRS is WKT or "EPSG:NUMBER"; x is east or
    longitude, whatever order the CRS states."""
    east, north = _transformer(from_crs, to_crs).transform(x, y)
    return np.asarray(east), np.asarray(north)
