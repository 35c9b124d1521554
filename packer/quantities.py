"""Quantities as people write them: "250 m", "2 km", "45m", "2h", "2GB", "3Mbit"."""

from __future__ import annotations

import re

__all__ = ["bits_per_second", "metres", "seconds", "size_bytes"]

# ASCII digits, and few enough of them that every length and time is a finite number.
_NUMBER = r"\s*([0-9]{1,15}(?:\.[0-9]{1,15})?)\s*"
_LENGTH = re.compile(_NUMBER + r"(m|km)\s*")
_TIME = re.compile(_NUMBER + r"(s|m|min|h|d)\s*")
_TIME_S = {"s": 1.0, "m": 60.0, "min": 60.0, "h": 3600.0, "d": 86400.0}


def metres(text: str) -> float:
    """Metres from a length such as "250 m" or "2.5 km".

    Raises ValueError, worded for the planner, for anything else; a bare number is refused since its unit
    would be a guess.
    """
    match = _LENGTH.fullmatch(text)
    if match is None:
        raise ValueError('a length is a number with its unit, such as "250 m" or "2 km"')
    return float(match[1]) * (1000.0 if match[2] == "km" else 1.0)


def seconds(text: str) -> float:
    """Seconds from a length of time such as "90s", "45m", "2h" or "30d".

    Raises ValueError, worded for the planner, for anything else.
    """
    match = _TIME.fullmatch(text)
    if match is None:
        raise ValueError('a length of time is a number with its unit, such as "90s", "45m", "2h" or "30d"')
    return float(match[1]) * _TIME_S[match[2]]


_SIZE = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(kB|MB|GB|TB|MiB|GiB)\s*")
_SIZE_BYTES = {"kB": 10**3, "MB": 10**6, "GB": 10**9, "TB": 10**12, "MiB": 2**20, "GiB": 2**30}


def size_bytes(text: str) -> int:
    """Bytes from a size such as "2GB", "500 MB" or "4GiB".

    Raises ValueError, worded for the planner, for anything else.
    """
    match = _SIZE.fullmatch(text)
    if match is None:
        raise ValueError('a size is a number with its unit, such as "500 MB", "2GB" or "4GiB"')
    return round(float(match[1]) * _SIZE_BYTES[match[2]])


_SPEED = re.compile(_NUMBER + r"(kbit|Mbit|Gbit)(?:/s)?\s*")
_SPEED_BITS = {"kbit": 1e3, "Mbit": 1e6, "Gbit": 1e9}


def bits_per_second(text: str) -> float:
    """Bits a second from a speed such as "3Mbit", "500 kbit" or "1.5 Mbit/s".

    Raises ValueError, worded for the planner, for anything else, and for 0.
    """
    match = _SPEED.fullmatch(text)
    if match is None or float(match[1]) == 0:
        raise ValueError('a speed is a number over 0 with its unit, such as "3Mbit" or "500kbit", a second')
    return float(match[1]) * _SPEED_BITS[match[2]]
