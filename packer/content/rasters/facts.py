"""What is known of a picture before a tile is cut from it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from packer.content.rasters.transforms import GeoTransform
from packer.geometry.geodesics import GEOD
from packer.geometry.grid import MAX_ZOOM, Floats, metres_per_pixel
from packer.geometry.shapes import Polygons
from packer.geometry.tileset import TileSet

__all__ = ["BrightnessRange", "PictureFacts", "native_zoom"]

_DOT_PX = 2
_AS_FINE = 0.95  # a tile's pixel that is smaller than the picture's by no more counts as no finer


@dataclass(frozen=True, slots=True)
class BrightnessRange:
    """How values of more than eight bits become 0 to 255: `low` and less is black, `high` and more is white."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class PictureFacts:
    """A picture that can be cut.

    `outline` is its closed border in degrees, array (n, 2), without a jump at ±180; `resolution_m` the ground size of
    a pixel at its middle, in metres. `bands` and `nodata` are words for people. `colours` are the numbers of the bands
    that become grey, or red, green and blue. `overviews` are the factors of the smaller copies in the file, ascending.
    `taken` is a day such as "2026-11-30", of the picture's own date or of the file's; `accuracy_m` how well its CRS can
    be turned into WGS84 on this machine, None where nobody says.
    """

    path: Path
    width: int
    height: int
    transform: GeoTransform
    crs_wkt: str
    crs_name: str
    outline: Floats
    resolution_m: float
    bands: str
    nodata: str
    colours: tuple[int, ...]
    palette: bool
    stretch: BrightnessRange | None
    overviews: tuple[int, ...]
    taken: str
    dated_by_file: bool
    accuracy_m: float | None

    @property
    def middle(self) -> tuple[float, float]:
        """Longitude and latitude of the middle of its outline's box."""
        west, south = self.outline.min(axis=0)
        east, north = self.outline.max(axis=0)
        return float((west + east) / 2), float((south + north) / 2)

    @property
    def size_m(self) -> tuple[float, float]:
        """Metres on the ground from west to east and from south to north, through the middle."""
        west, south = self.outline.min(axis=0)
        east, north = self.outline.max(axis=0)
        lon, lat = self.middle
        return (
            float(GEOD.line_length([west, lon, east], [lat, lat, lat])),
            float(GEOD.line_length([lon, lon], [south, north])),
        )

    def tiles(self, zoom: int) -> TileSet:
        """The tiles of one zoom that the outline overlaps."""
        return Polygons(((self.outline,),)).tiles(zoom)

    def native_zoom(self, tile_px: int) -> int:
        """The deepest zoom that is worth cutting: its pixels are no finer than the picture's."""
        return native_zoom(self.resolution_m, self.middle[1], tile_px)

    def is_dot(self, zoom: int, tile_px: int) -> bool:
        """Whether the whole picture is hardly a pixel of a tile of this zoom, so that nobody would see it."""
        return max(self.width, self.height) < _DOT_PX * self.shrink(zoom, tile_px)

    def shrink(self, zoom: int, tile_px: int) -> float:
        """How many pixels of the picture, along a side, go into one of a tile of this zoom."""
        return metres_per_pixel(zoom, self.middle[1], tile_px) / self.resolution_m


def native_zoom(resolution_m: float, lat: float, tile_px: int) -> int:
    """The deepest zoom whose pixels, on the ground at a latitude, are no finer than `resolution_m`, to within 5 %.

    From the cell sizes of WebMercatorQuad (OGC 17-083r4, annex D) times the cosine of the latitude.
    """
    widest_m = metres_per_pixel(0, lat, tile_px)
    zoom = math.floor(math.log2(widest_m / (resolution_m * _AS_FINE)))
    return int(np.clip(zoom, 0, MAX_ZOOM))
