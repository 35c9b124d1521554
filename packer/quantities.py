"""Quantities as people write them: "250 m", "2 km", "45m", "2h"."""

from __future__ import annotations

import re

__all__ = ["metres", "seconds"]

_LENGTH = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(m|km)\s*")


def metres(text: str) -> float:
    """Metres from a length such as "250 m" or "2.5 km".

    Raises ValueError, worded for the planner, for anything else; a bare number is refused since its unit
    would be a guess.
    """
    match = _LENGTH.fullmatch(text)
    if match is None:
        raise ValueError('a length is a number with its unit, such as "250 m" or "2 km"')
    return float(match[1]) * (1000.0 if match[2] == "km" else 1.0)


_TIME = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(s|m|min|h|d)\s*")
_TIME_S = {"s": 1.0, "m": 60.0, "min": 60.0, "h": 3600.0, "d": 86400.0}


def seconds(text: str) -> float:
    """Seconds from a length of time such as "90s", "45m", "2h" or "30d".

    Raises ValueError, worded for the planner, for anything else.
    """
    match = _TIME.fullmatch(text)
    if match is None:
        raise ValueError('a length of time is a number with its unit, such as "90s", "45m", "2h" or "30d"')
    return float(match[1]) * _TIME_S[match[2]]
