"""GeoTIFFs for tests, made anew each time: drawn ground in any coordinate system."""

from __future__ import annotations

import functools
import math
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import rasterio
from rasterio.transform import Affine


@functools.cache
def ground(height: int, width: int, seed: int = 1) -> npt.NDArray[np.uint8]:
    """Three bands of hills with an edge here and there, array (3, height, width); no pixel is 0."""
    rows, columns = np.arange(height), np.arange(width)
    edges = np.sign(np.sin(rows / 31))[:, None] * np.sign(np.sin(columns / 23))
    chance = np.random.default_rng(seed)
    found = np.empty((3, height, width), np.uint8)
    for band in found:
        down, across = np.zeros((height, 8)), np.zeros((8, width))
        for wave in range(0, 8, 2):
            # sin(a + b) = sin a cos b + cos a sin b, so that a sine is worked out for each row and column alone.
            slope_x, slope_y = chance.uniform(-0.12, 0.12, 2)
            a, b = rows * slope_y, columns * slope_x + chance.uniform(0, 6)
            down[:, wave], down[:, wave + 1] = np.sin(a), np.cos(a)
            across[wave], across[wave + 1] = np.cos(b), np.sin(b)
        band[:] = np.clip(128 + 18 * (down @ across) + 15 * edges, 1, 255)
    found.setflags(write=False)  # it is kept
    return found


def write(
    path: Path,
    bands: npt.NDArray[Any],
    crs: str | None = "EPSG:32633",
    corner: tuple[float, float] = (400_000.0, 5_200_000.0),
    pixel: float = 1.0,
    turn: float = 0.0,
    **more: Any,
) -> Path:
    """A tiled GeoTIFF with its top left corner at `corner`, pixels of a size in units of its CRS, turned by degrees."""
    colormap = more.pop("colormap", None)
    tags = more.pop("tags", {})
    overviews = more.pop("overviews", ())
    across, down = pixel * math.cos(math.radians(turn)), pixel * math.sin(math.radians(turn))
    transform = Affine(across, down, corner[0], down, -across, corner[1])
    unplaced = more.pop("unplaced", False)
    count, height, width = bands.shape
    options = {
        "tiled": True,
        "blockxsize": 256,
        "blockysize": 256,
        "transform": transform,
        "crs": crs,
        **more,
    }
    if unplaced:
        del options["transform"]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
        with rasterio.open(
            path, "w", driver="GTiff", width=width, height=height, count=count, dtype=bands.dtype, **options
        ) as into:
            into.write(bands)
            into.update_tags(**tags)
            if colormap is not None:
                into.write_colormap(1, colormap)
            if overviews:
                into.build_overviews(list(overviews), rasterio.enums.Resampling.average)
    return path
