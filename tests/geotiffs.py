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
    rows, columns = np.mgrid[0:height, 0:width].astype(np.float64)
    chance = np.random.default_rng(seed)
    bands = []
    for _ in range(3):
        waves = np.zeros((height, width))
        for _ in range(4):
            across, down = chance.uniform(-0.12, 0.12, 2)
            waves += np.sin(columns * across + rows * down + chance.uniform(0, 6))
        bands.append(128 + 18 * waves + 15 * np.sign(np.sin(columns / 23) * np.sin(rows / 31)))
    found: np.ndarray[Any, np.dtype[np.uint8]] = np.clip(np.stack(bands), 1, 255).astype(np.uint8)
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
