"""A GeoTIFF, opened and read piece by piece as red, green, blue and alpha."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from packer.common.regular_file import refuse_special
from packer.content.rasters.checks import refuse_unfit_header, refuse_unfit_place
from packer.content.rasters.facts import BrightnessRange, PictureFacts
from packer.content.rasters.library import gdal, rasterio
from packer.content.rasters.positions import transformed
from packer.content.rasters.transforms import GeoTransform, applied
from packer.errors import InputError
from packer.geometry.geodesics import GEOD
from packer.geometry.grid import Floats

__all__ = ["PictureFile", "Piece", "Rgba", "opened"]

Rgba = npt.NDArray[np.uint8]
"""Pixels, array (4, rows, columns): red, green, blue and alpha, colours multiplied by alpha / 255."""

_SIDE_POINTS = 33  # of the outline: a side of a projected picture bends in degrees
_SAMPLED_PX = 128  # side of a sample for the stretch
_SAMPLES = 8  # along each side
_DARKEST, _BRIGHTEST = 2.0, 98.0  # per cent of the samples; common practice, no source


class Piece(NamedTuple):
    """A piece of a raster, in whole pixels."""

    column: int
    row: int
    width: int
    height: int


@contextlib.contextmanager
def opened(path: Path) -> Iterator[PictureFile]:
    """A picture open for the block, used by the thread that entered it alone.

    Raises InputError for what is no GeoTIFF, or cannot be cut or read. Nothing is written.
    """
    refuse_special(path)
    if not path.is_file():
        raise InputError(f"{path} does not exist. Name a GeoTIFF.")
    with gdal(), contextlib.ExitStack() as stack:
        source = stack.enter_context(_dataset(path))
        refuse_unfit_header(path, source)
        yield PictureFile(path, source, stack)


def _dataset(path: Path, level: int | None = None) -> Any:
    options: dict[str, Any] = {} if level is None else {"OVERVIEW_LEVEL": level}
    try:
        return rasterio().open(
            str(path.resolve()), driver="GTiff", sharing=False, GEOREF_SOURCES="INTERNAL", **options
        )
    except rasterio("rasterio.errors").RasterioIOError as fault:
        raise InputError(
            f"{path} cannot be read as a GeoTIFF: its end was cut off, its head is damaged, or it is another kind of "
            "file. Copy or export it once more."
        ) from fault


class PictureFile:
    """An open picture. `facts` says what it is; `read` gives a piece of it, or of one of its smaller copies."""

    def __init__(self, path: Path, source: Any, stack: contextlib.ExitStack) -> None:
        self._path, self._source, self._stack = path, source, stack
        self._levels: dict[int, Any] = {1: source}
        self._colours, self._alpha = _colour_bands(source)
        self._table = _palette(source) if len(self._colours) == 1 else None
        self._stretch: BrightnessRange | None = None
        if any(source.dtypes[band - 1] != "uint8" for band in self._colours):
            self._stretch = self._measured_stretch()
        self.facts = self._facts()

    def size(self, factor: int = 1) -> tuple[int, int]:
        """Width and height in px of the picture, or of its copy smaller by `factor`."""
        level = self._level(factor)
        return level.width, level.height

    def piece_rows(self) -> tuple[int, int]:
        """Rows and columns of the pieces in which the file is packed."""
        rows, columns = self._source.block_shapes[0]
        return int(rows), int(columns)

    def read(self, piece: Piece, factor: int = 1) -> Rgba:
        """A piece of the picture, or of its copy smaller by `factor`, one of `facts.overviews`.

        Raises InputError where the file ends early or is damaged there.
        """
        level = self._level(factor)
        window = rasterio("rasterio.windows").Window(*piece)
        try:
            values = level.read(list(self._colours), window=window)
            valid = level.dataset_mask(window=window)
        except rasterio("rasterio.errors").RasterioError as fault:
            raise _unreadable(self._path, piece) from fault
        return self._pixels(values, valid)

    def _level(self, factor: int) -> Any:
        if factor not in self._levels:
            number = self._source.overviews(1).index(factor)
            self._levels[factor] = self._stack.enter_context(_dataset(self._path, number))
        return self._levels[factor]

    def _pixels(self, values: npt.NDArray[Any], valid: npt.NDArray[np.uint8]) -> Rgba:
        out: Rgba = np.empty((4, *valid.shape), np.uint8)
        alpha = np.array(valid, np.uint8)
        if self._table is not None:
            drawn = self._table[values[0]]
            out[:3] = np.moveaxis(drawn[..., :3], -1, 0)
            alpha = np.minimum(alpha, drawn[..., 3])
        else:
            if self._stretch is not None:
                values, finite = _stretched(values, self._stretch)
                alpha[~finite] = 0
            out[:3] = values  # one band of grey fills all three
        out[3] = alpha
        if alpha.min(initial=255) < 255:
            share = alpha.astype(np.uint16)
            out[:3] = (out[:3] * share + 127) // 255
        return out

    def _measured_stretch(self) -> BrightnessRange:
        """The range of values of samples spread evenly over the picture: always the same for the same file."""
        found = []
        for share_y in range(_SAMPLES):
            for share_x in range(_SAMPLES):
                piece = self._sample_at(share_x, share_y)
                window = rasterio("rasterio.windows").Window(*piece)
                try:
                    values = self._source.read(list(self._colours), window=window)
                    valid = self._source.dataset_mask(window=window) > 0
                except rasterio("rasterio.errors").RasterioError as fault:
                    raise _unreadable(self._path, piece) from fault
                some = values[:, valid].astype(np.float64).ravel()
                found.append(some[np.isfinite(some)])
        every = np.concatenate(found)
        if not every.size:
            return BrightnessRange(0.0, 1.0)
        low, high = np.percentile(every, (_DARKEST, _BRIGHTEST))
        return BrightnessRange(float(low), float(high) if high > low else float(low) + 1.0)

    def _sample_at(self, share_x: int, share_y: int) -> Piece:
        width, height = self._source.width, self._source.height
        wide, high = min(_SAMPLED_PX, width), min(_SAMPLED_PX, height)
        return Piece(
            share_x * (width - wide) // (_SAMPLES - 1),
            share_y * (height - high) // (_SAMPLES - 1),
            wide,
            high,
        )

    def _facts(self) -> PictureFacts:
        source = self._source
        from pyproj import CRS

        wkt = source.crs.to_wkt()
        crs = CRS.from_wkt(wkt)
        transform: GeoTransform = tuple(source.transform)[:6]
        outline = _outline(source)
        # GeoTIFF names its CRS by a number; where it is used, the registry alone says.
        known = crs.to_authority(min_confidence=70)
        use = (CRS.from_authority(*known) if known else crs).area_of_use
        refuse_unfit_place(self._path, outline, None if use is None else use.bounds)
        taken, by_file = _date(self._path, source)
        return PictureFacts(
            path=self._path,
            width=source.width,
            height=source.height,
            transform=transform,
            crs_wkt=wkt,
            crs_name=crs.name,
            outline=outline,
            resolution_m=_resolution_m(source),
            bands=_bands_text(source, self._colours, self._table is not None),
            nodata=_nodata_text(source, self._alpha),
            colours=self._colours,
            palette=self._table is not None,
            stretch=self._stretch,
            overviews=tuple(sorted(source.overviews(1))),
            taken=taken,
            dated_by_file=by_file,
            accuracy_m=_accuracy_m(crs),
        )


def _unreadable(path: Path, piece: Piece) -> InputError:
    return InputError(
        f"{path} cannot be read at column {piece.column:,}, row {piece.row:,}: the file is damaged or was cut off "
        "there. Copy it once more, then run the same command again. The tiles that were cut so far are kept."
    )


def _colour_bands(source: Any) -> tuple[tuple[int, ...], bool]:
    """The bands that are grey, or red, green and blue, and whether there is one of alpha."""
    names = [colour.name for colour in source.colorinterp]
    alpha = "alpha" in names
    if {"red", "green", "blue"} <= set(names):
        return tuple(names.index(name) + 1 for name in ("red", "green", "blue")), alpha
    plain = [number + 1 for number, name in enumerate(names) if name != "alpha"]
    if not plain:
        raise InputError(f"{source.name} has no band with a picture, only alpha. Export it once more.")
    return tuple(plain[:3] if len(plain) >= 3 else plain[:1]), alpha


def _palette(source: Any) -> npt.NDArray[np.uint8] | None:
    """Its table of colours, array (256, 4); None for a picture without one."""
    if source.colorinterp[0].name != "palette" or source.dtypes[0] != "uint8":
        return None
    table = np.zeros((256, 4), np.uint8)
    for value, colour in source.colormap(1).items():
        table[value] = colour
    return table


def _stretched(values: npt.NDArray[Any], stretch: BrightnessRange) -> tuple[Rgba, npt.NDArray[np.bool_]]:
    finite = np.isfinite(values).all(axis=0)
    wide = (values.astype(np.float32) - stretch.low) * (255.0 / (stretch.high - stretch.low))
    return np.nan_to_num(np.clip(wide, 0, 255) + 0.5, nan=0.0).astype(np.uint8), finite


def _outline(source: Any) -> Floats:
    """The border of a raster in degrees, array (n, 2), closed and without a jump at ±180."""
    share = np.linspace(0, 1, _SIDE_POINTS)[:-1]
    columns = np.concatenate([share, np.ones_like(share), 1 - share, np.zeros_like(share)]) * source.width
    rows = np.concatenate([np.zeros_like(share), share, np.ones_like(share), 1 - share]) * source.height
    x, y = applied(tuple(source.transform)[:6], columns, rows)
    lon, lat = transformed(source.crs.to_wkt(), "EPSG:4326", x, y)
    outline = np.column_stack([np.unwrap(lon, period=360) if np.isfinite(lon).all() else lon, lat])
    return np.concatenate([outline, outline[:1]])


def _resolution_m(source: Any) -> float:
    """The ground size of a pixel at the picture's middle: the geometric mean of its two sides, by geodesics."""
    column, row = source.width / 2, source.height / 2
    columns, rows = np.array([column, column + 1, column]), np.array([row, row, row + 1])
    x, y = applied(tuple(source.transform)[:6], columns, rows)
    lon, lat = transformed(source.crs.to_wkt(), "EPSG:4326", x, y)
    _, _, sides = GEOD.inv([lon[0]] * 2, [lat[0]] * 2, lon[1:], lat[1:])
    return float(np.sqrt(sides[0] * sides[1]))


def _accuracy_m(crs: Any) -> float | None:
    from pyproj.transformer import TransformerGroup

    group = TransformerGroup(crs, "EPSG:4326", always_xy=True)
    accuracy = group.transformers[0].accuracy if group.transformers else -1
    return accuracy if accuracy is not None and accuracy > 0 else None


def _bands_text(source: Any, colours: tuple[int, ...], palette: bool) -> str:
    kind = source.dtypes[colours[0] - 1]
    what = "a table of colours" if palette else "grey" if len(colours) == 1 else "red, green and blue"
    unused = source.count - len(colours) - ("alpha" in [c.name for c in source.colorinterp])
    more = f"; {unused} more not used" if unused else ""
    return f"{source.count} ({what}, {kind}{more})"


def _nodata_text(source: Any, alpha: bool) -> str:
    if alpha:
        return "by its alpha band"
    if source.nodata is not None:
        return f"where the value is {source.nodata:g}"
    masks = {flag.name for flag in source.mask_flag_enums[0]}
    return "by its mask" if "per_dataset" in masks else "none stated"


def _date(path: Path, source: Any) -> tuple[str, bool]:
    """The day of the picture, by its own tag DateTime (TIFF 6.0, "YYYY:MM:DD HH:MM:SS") or else by the file's date;
    and whether by the file."""
    stated = source.tags().get("TIFFTAG_DATETIME", "")
    try:
        return datetime.strptime(stated[:10], "%Y:%m:%d").date().isoformat(), False
    except ValueError:
        return datetime.fromtimestamp(path.stat().st_mtime, UTC).date().isoformat(), True
