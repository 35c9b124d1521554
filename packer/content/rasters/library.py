"""The one door to rasterio, and so to GDAL: an extra, loaded when a picture is opened."""

from __future__ import annotations

import contextlib
import importlib
import importlib.util
import warnings
from collections.abc import Iterator
from typing import Any

from packer.errors import InputError

__all__ = ["gdal", "is_installed", "rasterio"]

_CACHE_BYTES = 32_000_000  # of GDAL's blocks; 5 % of the machine's memory without it


def rasterio(part: str = "rasterio") -> Any:
    """rasterio, or a module of it. Raises InputError, which says what to install, where it is missing."""
    try:
        return importlib.import_module(part)
    except ImportError as fault:
        raise InputError(
            "To read a GeoTIFF, Lastbar needs rasterio, which is not installed here. Install it while you are "
            "online: pip install 'lastbar[pictures]'"
        ) from fault


def is_installed() -> bool:
    """Whether rasterio is there, without loading it."""
    try:
        return importlib.util.find_spec("rasterio") is not None
    except ValueError:  # of a module without a specification
        return False


@contextlib.contextmanager
def gdal() -> Iterator[None]:
    """Run a block of work with GDAL held to the file at hand and to a bounded cache.

    Files beside a picture are not looked at: an overview or mask beside it is opened by any of GDAL's drivers, and
    some of those follow links to other files or to the network. Belongs to the thread that enters it.
    """
    with (
        warnings.catch_warnings(),
        rasterio().Env(
            GDAL_CACHEMAX=_CACHE_BYTES,
            GDAL_DISABLE_READDIR_ON_OPEN="EMPTY_DIR",
            GDAL_PAM_ENABLED="NO",
            GDAL_MAX_RAW_BLOCK_CACHE_SIZE=_CACHE_BYTES,
            GDAL_NUM_THREADS="1",
            PROJ_NETWORK="OFF",  # a grid of a datum would be fetched from a server
        ),
    ):
        warnings.simplefilter("ignore")
        yield
