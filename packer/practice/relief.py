"""Paints the practice survey's relief tiles: height tints, light and contours."""

from __future__ import annotations

import math

import numpy as np

from packer.geometry.grid import EQUATOR_M, latitude_at
from packer.practice.aerial import Pixels
from packer.practice.drawing import overlay
from packer.practice.terrain import Patch, RasterWindow, elevation, lambert, slopes

__all__ = ["INTERVAL_M", "paint_relief"]

# Metres between contours for each zoom; every fifth is drawn heavier. Above zoom 9 they would run together.
INTERVAL_M = {9: 500, 10: 500, 11: 200, 12: 100, 13: 50, 14: 25, 15: 20, 16: 10, 17: 5, 18: 2, 19: 1}

_TINTS = (
    (-4000, (96, 132, 170)),
    (-1, (170, 200, 218)),
    (0, (188, 204, 160)),
    (900, (206, 212, 170)),
    (1150, (226, 219, 178)),
    (1500, (222, 199, 156)),
    (2000, (203, 178, 146)),
    (2500, (206, 197, 186)),
    (3200, (246, 246, 247)),
    (9000, (255, 255, 255)),
)
_LINE = (126, 84, 46)
_LAKE = (158, 192, 216)
_SHORE = (70, 110, 150)
_STEP_M, _LOWEST_M = 5.0, -4000.0


def _tint_table() -> Patch:
    heights = np.arange(_LOWEST_M, 9000, _STEP_M)
    stops = [stop for stop, _ in _TINTS]
    bands = [np.interp(heights, stops, [colour[band] for _, colour in _TINTS]) for band in range(3)]
    return np.stack(bands).astype(np.float32)


_TABLE = _tint_table()


def _contours(height: Patch, rise_per_px: Patch, interval_m: float, width_px: float) -> Patch:
    """The share of ink, 0 to 1, of contours `interval_m` apart and `width_px` wide."""
    turns = height * np.float32(1 / interval_m)
    away_px = np.abs(turns - np.rint(turns)) * np.float32(interval_m)
    away_px /= np.maximum(rise_per_px, np.float32(interval_m * 0.002))
    ink = np.clip(np.float32(width_px / 2 + 0.5) - away_px, 0, 1)
    # Where lines would be closer than three pixels they thin out rather than fill the ground.
    crowded = np.clip(np.float32(1.6) - rise_per_px * np.float32(3 / interval_m), 0.25, 1)
    thinned: Patch = ink * crowded
    return thinned


def paint_relief(zoom: int, x: int, y: int, edition: int = 0) -> Pixels:
    """One relief tile as (256, 256, 3) bytes. An edition past 0 is a later print, in other inks."""
    window = RasterWindow.of_tile(zoom, x, y, border_px=1)
    ground = elevation(window)
    metres_per_px = EQUATOR_M * window.pixel * math.cos(math.radians(float(latitude_at(window.v[128]))))
    east, south = slopes(ground, metres_per_px)
    height = ground.height_m[1:-1, 1:-1]
    index = np.clip((height - np.float32(_LOWEST_M)) * np.float32(1 / _STEP_M), 0, _TABLE.shape[1] - 1)
    rgb = _TABLE.take(index.astype(np.int32), axis=1)
    water = np.clip(ground.water_m[1:-1, 1:-1] * np.float32(3), 0, 1)
    light = lambert(east * np.float32(1.25), south * np.float32(1.25)) * np.float32(0.74) + np.float32(0.48)
    rgb *= light + (1 - light) * water * np.float32(0.9)
    steep = np.sqrt(east * east + south * south) * np.float32(metres_per_px)
    interval = INTERVAL_M.get(zoom)
    if interval:
        ink = _contours(height, steep, interval, 1.0) * np.float32(0.55)
        np.maximum(ink, _contours(height, steep, 5 * interval, 1.7) * np.float32(0.8), out=ink)
        rgb += (np.array(_LINE, np.float32)[:, None, None] - rgb) * (ink * (1 - water))
    if float(water.max()) > 0:
        rgb += (np.array(_LAKE, np.float32)[:, None, None] - rgb) * water
        edge = np.clip(1.2 - np.abs(height - (height + ground.water_m[1:-1, 1:-1])), 0, 1) * water
        rgb += (np.array(_SHORE, np.float32)[:, None, None] - rgb) * edge
    works = overlay(zoom, x, y, "relief")
    if works is not None:
        rgb += (works.rgb - rgb) * works.share
    if edition:
        rgb *= np.array([[1.0], [0.985], [0.95 - 0.02 * (edition % 2)]], np.float32)[:, :, None]
    np.clip(rgb, 0, 255, out=rgb)
    # Steps of four: the eye sees no difference and the picture packs to half the size.
    pixels = rgb.transpose(1, 2, 0).astype(np.uint8) & np.uint8(0xFC)
    return np.ascontiguousarray(pixels)
