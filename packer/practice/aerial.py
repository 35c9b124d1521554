"""Paints the practice survey's aerial tiles: ground colours, light, dry washes, shrubs, water, works of man."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from packer.geometry.grid import EQUATOR_M, latitude_at
from packer.practice.drawing import Overlay, overlay
from packer.practice.terrain import (
    Patch,
    RasterWindow,
    TerrainPatch,
    elevation,
    fade,
    lambert,
    lattice_hash,
    noise,
    slopes,
)

__all__ = ["Pixels", "paint_aerial"]

Pixels = npt.NDArray[np.uint8]

_SAND = (204, 182, 143)
_CLAY = (176, 138, 102)
_ROCK = (126, 113, 101)
_SCREE = (168, 158, 146)
_SNOW = (236, 239, 243)
_SCRUB = (118, 116, 80)
_LEAF = (70, 80, 48)
_SHADE = (66, 58, 48)
_GRAVEL = (221, 208, 180)
_SHALLOW = (84, 122, 112)
_DEEP = (24, 52, 66)

_GRAIN_PX = 512


def _grain() -> Patch:
    side = np.arange(_GRAIN_PX)
    white = lattice_hash(side, side, 977).astype(np.float32) * np.float32(2.0**-31) - np.float32(1)
    # A little blur, as any lens has: white noise would be finer than what a sensor resolves.
    spread = white + np.float32(0.5) * (np.roll(white, 1, 0) + np.roll(white, 1, 1))
    grain: Patch = (spread * np.float32(4.0)).astype(np.float32)
    return grain


_GRAIN = _grain()


def _towards(rgb: Patch, colour: tuple[int, int, int], share: Patch) -> None:
    """Move `rgb` (3, rows, columns) towards a colour by a share (rows, columns) of the way, in place."""
    change = np.empty_like(share)
    for plane, target in zip(rgb, colour, strict=True):
        np.subtract(np.float32(target), plane, out=change)
        change *= share
        plane += change


def _mottle(window: RasterWindow, octaves: tuple[tuple[int, float], ...], salt: int) -> Patch:
    """A sum of octaves over a window, without the border of one pixel that the window has."""
    total = np.zeros((len(window.v), len(window.u)), np.float32)
    for octave, size in octaves:
        share = fade(window, octave)
        if share:
            total += noise(window, octave, salt, size * share)
    return total[1:-1, 1:-1]


def _shrubs(window: RasterWindow, cells: int, salt: int, density: Patch) -> tuple[Patch, Patch]:
    """Crowns and their shadows, 0 to 1: at most one shrub in each cell, well inside it."""
    place_u, place_v = window.u * cells, window.v * cells
    columns, rows = np.floor(place_u).astype(np.int64), np.floor(place_v).astype(np.int64)
    at_v, at_u = rows - rows[0], columns - columns[0]
    count_v, count_u = int(at_v[-1]) + 1, int(at_u[-1]) + 1
    drawn = lattice_hash(
        np.arange(rows[0], rows[0] + count_v), np.arange(columns[0], columns[0] + count_u), salt
    )

    def draw(shift: int, low: float, high: float) -> Patch:
        part = ((drawn >> np.uint32(shift)) & np.uint32(255)).astype(np.float32)
        return part * np.float32((high - low) / 255) + np.float32(low)

    def spread(of_cells: Patch) -> Patch:
        wide: Patch = of_cells.take(at_v, 0).take(at_u, 1)
        return wide

    radius = draw(16, 0.06, 0.16)
    # A cell that the tile's edge cuts reads its density there, one pixel from where the next tile reads it: the
    # two nearly always agree.
    middles_v = np.searchsorted(at_v, np.arange(count_v) + 0.5).clip(0, 255)
    middles_u = np.searchsorted(at_u, np.arange(count_u) + 0.5).clip(0, 255)
    bare = draw(24, 0.0, 1.0) >= density.take(middles_v, 0).take(middles_u, 1)
    cell_px = 1 / (cells * window.pixel)
    du = (place_u - columns).astype(np.float32)[None, :] - spread(draw(0, 0.16, 0.74))
    dv = (place_v - rows).astype(np.float32)[:, None] - spread(draw(8, 0.16, 0.74))
    away2 = du * du + dv * dv
    # Near the rim r - d = (r² - d²) / 2r, which spares a root for each pixel.
    slope = np.float32(0.5 * cell_px) / radius
    rise = spread(np.where(bare, np.float32(-9), radius * radius * slope + np.float32(0.5)))
    slope = spread(slope)
    away2 *= slope
    crown = np.clip(rise - away2, 0, 1)
    du += dv
    du *= slope * np.float32(2 * _CAST)
    away2 -= du
    away2 += slope * np.float32(2 * _CAST**2)
    return crown, np.clip(rise - away2, 0, 1)


_CAST = 0.06  # how far a shadow falls south and east, in cells
# Cells of some 7 m, 10 m and 19 m on the ground at the basin. Several lattices that do not match hide that
# shrubs stand in cells; crowns take a twenty-fifth of a cell on average.
_SHRUBS = ((3_900_000, 41, 1.0), (2_730_000, 43, 0.9), (1_430_000, 42, 0.5))
_CROWN_SHARE = np.float32(0.04)


def _grow(rgb: Patch, window: RasterWindow, density: Patch, bias: int) -> None:
    tint, drawn = 0.0, []
    for cells, salt, share in _SHRUBS:
        cell_px = 1 / (cells * window.pixel)
        shown = min(1.0, max(0.0, (cell_px - 3.2) / 1.2))  # smaller ones only tint the ground
        tint += share * (1 - shown)
        if shown > 0:
            drawn.append((cells, salt, share, shown))
    if tint:
        _towards(rgb, _LEAF, density * (_CROWN_SHARE * np.float32(1.8 * tint)))
    for cells, salt, share, shown in drawn:
        crown, shadow = _shrubs(window, cells, salt + bias, density * np.float32(share))
        _towards(rgb, _SHADE, shadow * np.float32(0.62 * shown))
        _towards(rgb, _LEAF, crown * np.float32(0.9 * shown))


def _bare(window: RasterWindow, ground: TerrainPatch, steep: Patch) -> Patch:
    """Colours of the ground without plants and works, (3, rows, columns)."""
    broad = _mottle(window, ((12, 0.5), (14, 0.5)), salt=7)
    small = _mottle(window, ((17, 0.35), (19, 0.3), (21, 0.33), (23, 0.36), (24, 0.34), (25, 0.36)), salt=8)
    rgb = np.empty((3, *steep.shape), np.float32)
    for plane, value in zip(rgb, _SAND, strict=True):
        plane[:] = value
    _towards(rgb, _CLAY, np.clip(broad * np.float32(0.8) + small * np.float32(0.5) + 0.42, 0, 1))
    height = ground.height_m[1:-1, 1:-1]
    rough = ground.rough[1:-1, 1:-1]
    rock = np.clip(steep * np.float32(1.7) + rough * np.float32(0.5) - np.float32(0.52), 0, 1)
    _towards(rgb, _ROCK, rock * np.float32(0.85))
    top_m = float(height.max())
    if top_m > 1500:  # below, neither scree nor snow can lie, however the mottle falls
        high = np.clip((height - np.float32(1850) + small * np.float32(220)) * np.float32(1 / 500), 0, 1)
        _towards(rgb, _SCREE, high * np.float32(0.8))
    if top_m > 2400:
        snow = height + small * np.float32(150) - steep * np.float32(500) - np.float32(2700)
        _towards(rgb, _SNOW, np.clip(snow * np.float32(1 / 120), 0, 0.95))
    rgb *= np.float32(1) + small * np.float32(0.09)
    return rgb


def _density(window: RasterWindow, ground: TerrainPatch, steep: Patch) -> Patch:
    """How thickly shrubs stand, 0 to 1: along washes, near the lake, on gentle and not too high ground."""
    patches = _mottle(window, ((13, 0.24), (16, 0.2), (19, 0.16)), salt=9)
    bed = ground.wash[1:-1, 1:-1]
    thick = patches + np.float32(0.3) - steep * np.float32(0.35)
    thick += bed * (np.float32(1) - bed) * np.float32(2.2)
    height = ground.height_m[1:-1, 1:-1]
    thick -= np.clip((height - np.float32(1500)) * np.float32(1 / 1500), 0, 1)
    thick -= bed * np.float32(0.5)
    return np.clip(thick, 0, 0.95, out=thick)


def _flood(rgb: Patch, water: Patch) -> None:
    if float(water.max()) <= 0:
        return
    shore = np.clip(water * np.float32(2), 0, 1)
    _towards(rgb, _SHALLOW, shore)
    _towards(rgb, _DEEP, np.clip(water * np.float32(1 / 9), 0, 1) * shore)


def _lay(rgb: Patch, works: Overlay | None) -> None:
    if works is not None:
        rgb += (works.rgb - rgb) * works.share


def paint_aerial(zoom: int, x: int, y: int, edition: int = 0) -> Pixels:
    """One aerial tile as (256, 256, 3) bytes. An edition past 0 is a later flight: another season, other
    shrubs, other light."""
    window, framed = RasterWindow.of_tile(zoom, x, y), RasterWindow.of_tile(zoom, x, y, border_px=1)
    ground = elevation(framed)
    metres_per_px = EQUATOR_M * window.pixel * math.cos(math.radians(float(latitude_at(window.v[128]))))
    east, south = slopes(ground, metres_per_px)
    steep = np.sqrt(east * east + south * south)
    rgb = _bare(framed, ground, steep)
    bed = ground.wash[1:-1, 1:-1]
    if float(bed.max()) > 0:
        _towards(rgb, _GRAVEL, np.clip(bed * np.float32(1.6), 0, 1) * np.float32(0.7))
    density = _density(framed, ground, steep)
    _towards(rgb, _SCRUB, density * np.float32(0.45 + 0.1 * (edition % 3)))
    _grow(rgb, window, density, 100 * edition)
    _lay(rgb, overlay(zoom, x, y, "aerial"))
    light = lambert(east, south)
    light *= np.float32(0.98)
    light += np.float32(0.31)
    if edition:
        light *= np.float32(0.94 + 0.025 * (edition % 2))
    _flood(rgb, ground.water_m[1:-1, 1:-1])
    rgb *= light
    mark = int(lattice_hash(np.array([y]), np.array([x]), 31 + zoom)[0, 0])
    top, left = mark % (_GRAIN_PX - 256), (mark >> 9) % (_GRAIN_PX - 256)
    rgb += _GRAIN[top : top + 256, left : left + 256]
    np.clip(rgb, 0, 255, out=rgb)
    return np.ascontiguousarray(rgb.transpose(1, 2, 0).astype(np.uint8))
