"""What is refused before a tile is cut: pictures without a place on the ground, and files made to exhaust a reader."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from packer.common.units import bytes_text
from packer.content.rasters.transforms import determinant
from packer.errors import InputError
from packer.geometry.grid import MAX_LATITUDE, Floats
from packer.geometry.position_text import decimal_text

__all__ = ["refuse_unfit_header", "refuse_unfit_place"]

_MOST_SIDE_PX = 2_000_000  # 40 km at 2 cm
_MOST_BLOCK_BYTES = 64_000_000
# Deflate packs no tighter than some 1030 : 1 (zlib's technical notes, from memory). A file of more is nearly all gaps.
_TIGHTEST = 1_100
_MOST_BANDS = 64
_BLOCKS_LOOKED_AT = 4_000
_FAR_DEG = 10.0  # from the area of use of its CRS: a picture there is not where it says


def refuse_unfit_header(path: Path, source: Any) -> None:
    """Raise InputError for a raster that cannot be cut: no georeferencing, sizes beyond reason, bytes cut off.

    `source` is the open dataset. Reads the header alone.
    """
    if source.crs is None or source.transform.is_identity:
        _refuse_unplaced(path, source)
    if not source.crs.is_projected and not source.crs.is_geographic:
        raise InputError(
            f"{path} is in a local coordinate system, which says nothing of where on Earth it lies. Export it once "
            "more with a national grid, UTM or WGS 84."
        )
    numbers = np.array(tuple(source.transform)[:6])
    if not np.isfinite(numbers).all() or abs(determinant(tuple(source.transform)[:6])) < 1e-18:
        raise InputError(
            f"{path} has georeferencing that cannot be right: a pixel of no size. Export it once more."
        )
    _refuse_huge(path, source)
    if any(str(kind).startswith("complex") for kind in source.dtypes):
        raise InputError(f"{path} holds complex numbers, which are no picture. Export it as a picture.")
    _refuse_cut(path, source)


def _refuse_unplaced(path: Path, source: Any) -> None:
    if source.gcps[0] or source.rpcs is not None:
        raise InputError(
            f"{path} is not rectified: it has control points in place of a grid. Rectify it first, for example with "
            "GDAL: gdalwarp -t_srs EPSG:4326 IN.tif OUT.tif"
        )
    lacks = (
        "which coordinate system it is in" if not source.transform.is_identity else "where on Earth it lies"
    )
    raise InputError(
        f"{path} does not say {lacks}, so no tile can be cut from it. Export it once more as a GeoTIFF, with its "
        "coordinate system. A world file beside a picture is not read: GDAL can put it inside, with gdal_translate "
        "-a_srs EPSG:NUMBER IN.tif OUT.tif"
    )


def _refuse_huge(path: Path, source: Any) -> None:
    width, height = source.width, source.height
    pixel_bytes = sum(np.dtype(kind).itemsize for kind in source.dtypes)
    file_bytes = path.stat().st_size
    if max(width, height) > _MOST_SIDE_PX or source.count > _MOST_BANDS:
        raise InputError(
            f"{path} claims {width:,} x {height:,} px in {source.count} bands, more than can be cut (up to "
            f"{_MOST_SIDE_PX:,} px a side and {_MOST_BANDS} bands). If it is real, split it."
        )
    if width * height * pixel_bytes > max(file_bytes, 10_000) * _TIGHTEST:
        raise InputError(
            f"{path} claims {width:,} x {height:,} px, but has only {bytes_text(file_bytes)}: it cannot hold such a "
            "picture. Copy or export it once more."
        )
    rows, columns = source.block_shapes[0]
    if rows == 1 and source.get_tag_item("BLOCK_OFFSET_0_1", "TIFF", bidx=1) is None:
        rows = height  # one strip, of which GDAL gives single rows: each from the strip's beginning on
    block_bytes = rows * columns * pixel_bytes
    if block_bytes > _MOST_BLOCK_BYTES and source.compression is not None:
        raise InputError(
            f"{path} is packed in pieces of {bytes_text(block_bytes)}, each of which has to be unpacked as a whole. "
            "Store it in tiles first, for example with GDAL: gdal_translate -of COG IN.tif OUT.tif"
        )


def _refuse_cut(path: Path, source: Any) -> None:
    """Raise InputError where a block of the picture ends past the end of the file (TIFF 6.0, TileOffsets and
    StripOffsets with their byte counts). Of very many blocks some are looked at, the last ones among them."""
    rows, columns = source.block_shapes[0]
    across, down = -(-source.width // columns), -(-source.height // rows)
    every = across * down
    picks = np.unique(np.linspace(0, every - 1, min(every, _BLOCKS_LOOKED_AT)).astype(np.int64))
    file_bytes, last_byte = path.stat().st_size, 0
    for pick in picks.tolist():
        name = f"{pick % across}_{pick // across}"
        start = source.get_tag_item(f"BLOCK_OFFSET_{name}", "TIFF", bidx=1)
        size = source.get_tag_item(f"BLOCK_SIZE_{name}", "TIFF", bidx=1)
        if start is not None and size is not None:
            last_byte = max(last_byte, int(start) + int(size))
    if last_byte > file_bytes:
        raise InputError(
            f"{path} was cut off: it has {bytes_text(file_bytes)}, but its picture goes on to {bytes_text(last_byte)} "
            "at least. Copy it once more. Nothing was changed."
        )


def refuse_unfit_place(
    path: Path, outline: Floats, area_of_use: tuple[float, float, float, float] | None
) -> None:
    """Raise InputError for an outline in degrees that is nowhere, outside the grid, or far from where its CRS is used
    (west, south, east, north; None if nobody says)."""
    if not np.isfinite(outline).all():
        raise InputError(
            f"{path} lies where its coordinate system has no place on Earth, so its coordinates or its system are "
            "wrong. Export it once more."
        )
    if np.abs(outline[:, 1]).max() > 90 or np.abs(outline[:, 1]).min() > MAX_LATITUDE:
        raise InputError(f"{path} lies beyond {MAX_LATITUDE:.2f}° of latitude, where web maps end.")
    if area_of_use is None:
        return
    west, south, east, north = area_of_use
    lon, lat = (outline.min(axis=0) + outline.max(axis=0)) / 2
    east += 360 * (east < west)
    beside = min(max(west - turn, turn - east, 0.0) for turn in (lon - 360, lon, lon + 360))
    if max(beside, south - lat, lat - north) > _FAR_DEG:
        raise InputError(
            f"{path} would lie at {decimal_text(float(lon), float(lat))}, far from where its coordinate system is "
            "used. So its coordinates or its system are wrong. Export it once more."
        )
