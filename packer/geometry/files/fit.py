"""FIT: the track and course points of a device's recording, decoded by fitdecode."""

from __future__ import annotations

from array import array
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from packer.geometry.files.drawing import Drawing, Feature

__all__ = ["read_fit"]

_DEGREES = (
    180 / 2**31
)  # positions are semicircles: 2**31 of them are 180 degrees (FIT protocol, profile types)
_TRACK = ("record", "segment_point")
_KINDS = (*_TRACK, "course_point")


def read_fit(path: Path) -> Drawing:
    """The records with a position as one line for each recording in the file, and the course points.

    A record without a position is counted as left out. Raises ValueError, worded for the planner, where the file is
    damaged or no FIT file.
    """
    drawing = Drawing()
    line = array("d")
    for kind, name, position in _messages(path):
        if kind is None:  # a new recording in the same file
            _add_line(drawing, line)
            line = array("d")
        elif position is None:
            drawing.leave_out("fix{es} without a position")
        elif kind in _TRACK:
            line.extend(position)
        else:
            drawing.add(Feature(name, points=(position,)))
    _add_line(drawing, line)
    return drawing


def _add_line(drawing: Drawing, line: array[float]) -> None:
    if line:
        drawing.add(Feature(lines=(np.array(line).reshape(-1, 2),)))


def _messages(path: Path) -> Iterator[tuple[str | None, str, tuple[float, float] | None]]:
    """Kind, name and longitude and latitude of each message that should have a position; no kind at a new recording."""
    import fitdecode

    try:
        with fitdecode.FitReader(
            str(path),
            check_crc=fitdecode.CrcCheck.RAISE,
            error_handling=fitdecode.ErrorHandling.RAISE,
            processor=None,
        ) as reader:
            for frame in reader:
                if frame.frame_type == fitdecode.FIT_FRAME_HEADER:
                    yield None, "", None
                elif frame.frame_type == fitdecode.FIT_FRAME_DATA and frame.name in _KINDS:
                    yield frame.name, _text(frame, "name"), _position(frame)
    except Exception as fault:  # a damaged message can trip fitdecode anywhere
        raise ValueError("it is not a complete FIT file; copy it from the device again") from fault


def _position(frame: Any) -> tuple[float, float] | None:
    lat, lon = (frame.get_value(field, fallback=None) for field in ("position_lat", "position_long"))
    if not isinstance(lat, int | float) or not isinstance(lon, int | float):
        return None
    return float(lon) * _DEGREES, float(lat) * _DEGREES


def _text(frame: Any, field: str) -> str:
    value = frame.get_value(field, fallback=None)
    return value if isinstance(value, str) else ""
