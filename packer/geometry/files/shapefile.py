"""What an ESRI Shapefile says of itself, looked at before GDAL reads it (ESRI Shapefile Technical Description)."""

from __future__ import annotations

import numpy as np

__all__ = ["check_length", "stated_shapes"]


def check_length(name: str, start: bytes, size: int) -> None:
    """Raise ValueError where a .shp or .shx is cut off, which GDAL would not say.

    `start` is its first 100 bytes: the header has the length of the file in 16-bit words at byte 24.
    """
    if not start.startswith(b"\0\0\x27\x0a"):
        raise ValueError(f"{name} does not begin like a .{name[-3:].lower()} file")
    if 2 * int.from_bytes(start[24:28], "big") > size:
        raise ValueError(f"{name} is shorter than its header says; the end is cut off")


def stated_shapes(index: bytes, data: bytes | np.memmap) -> int:
    """How many shapes a Shapefile should have: GDAL leaves a damaged one out without a word.

    Each entry of the index is an offset in 16-bit words and a length; 8 bytes on is the kind, 0 for none.
    """
    places = (
        np.frombuffer(index[100 : 100 + (len(index) - 100) // 8 * 8], dtype=">i4")[::2].astype(np.int64) * 2
        + 8
    )
    content = np.frombuffer(data, dtype=np.uint8) if isinstance(data, bytes) else data
    inside = places[(places > 0) & (places + 4 <= content.size)]
    return len(places) - int(np.count_nonzero(content[inside] == 0))
