"""Affine transforms of rasters as six plain numbers, in the order in which rasterio has them."""

from __future__ import annotations

from packer.geometry.grid import Floats

__all__ = ["GeoTransform", "applied", "determinant", "inverse", "scaled", "shifted"]

GeoTransform = tuple[float, float, float, float, float, float]
"""a, b, c, d, e, f: the corner at a column and a row lies at x = a·column + b·row + c, y = d·column + e·row + f, in the
units of the raster's CRS (OGC 19-008r4, annex B, written in rasterio's order)."""


def applied(transform: GeoTransform, columns: Floats, rows: Floats) -> tuple[Floats, Floats]:
    """Where columns and rows lie."""
    a, b, c, d, e, f = transform
    return a * columns + b * rows + c, d * columns + e * rows + f


def determinant(transform: GeoTransform) -> float:
    """The area of a pixel, in squared units of the CRS; below 0 where north is up."""
    a, b, _, d, e, _ = transform
    return a * e - b * d


def inverse(transform: GeoTransform) -> GeoTransform:
    """From places to columns and rows. Raises ZeroDivisionError for pixels without an area."""
    a, b, c, d, e, f = transform
    area = determinant(transform)
    return e / area, -b / area, (b * f - c * e) / area, -d / area, a / area, (c * d - a * f) / area


def shifted(transform: GeoTransform, column: int, row: int) -> GeoTransform:
    """The transform of a piece that begins at a column and a row."""
    a, b, c, d, e, f = transform
    return a, b, a * column + b * row + c, d, e, d * column + e * row + f


def scaled(transform: GeoTransform, across: float, down: float) -> GeoTransform:
    """The same ground in pixels larger by two factors, along a row and along a column."""
    a, b, c, d, e, f = transform
    return a * across, b * down, c, d * across, e * down, f
