"""Quantities as people write and read them: "250 m", "2 km", "45m", "2h", "2GB", "3Mbit"."""

from __future__ import annotations

import re

__all__ = [
    "bits_per_second",
    "bytes_text",
    "counted",
    "duration_text",
    "metres",
    "seconds",
    "size_bytes",
    "speed_text",
]

# ASCII digits, and few enough of them that every quantity is a finite number.
_NUMBER = r"\s*([0-9]{1,15}(?:\.[0-9]{1,15})?)\s*"
_LENGTH = re.compile(_NUMBER + r"(m|km|ft|mi)\s*")
_LENGTH_M = {"m": 1.0, "km": 1000.0, "ft": 0.3048, "mi": 1609.344}  # exactly: NIST SP 811, appendix B.8
_TIME = re.compile(_NUMBER + r"(s|m|min|h|d)\s*")
_TIME_S = {"s": 1.0, "m": 60.0, "min": 60.0, "h": 3600.0, "d": 86400.0}


def metres(text: str) -> float:
    """Metres from a length such as "250 m", "2.5 km", "800 ft" or "0.5 mi" (the international foot and mile).

    Raises ValueError, worded for the planner, for anything else; a bare number is refused since its unit
    would be a guess.
    """
    match = _LENGTH.fullmatch(text)
    if match is None:
        raise ValueError('a length is a number with its unit, for example "250 m", "2 km" or "800 ft"')
    return float(match[1]) * _LENGTH_M[match[2]]


def seconds(text: str) -> float:
    """Seconds from a length of time such as "90s", "45m", "2h" or "30d".

    Raises ValueError, worded for the planner, for anything else.
    """
    match = _TIME.fullmatch(text)
    if match is None:
        raise ValueError('a time is a number with its unit, for example "90s", "45m", "2h" or "30d"')
    return float(match[1]) * _TIME_S[match[2]]


_SIZE = re.compile(_NUMBER + r"(B|kB|KB|MB|GB|TB|KiB|MiB|GiB|TiB)\s*")
_SIZE_BYTES = {"B": 1, "kB": 10**3, "KB": 10**3, "MB": 10**6, "GB": 10**9, "TB": 10**12}
_SIZE_BYTES |= {"KiB": 2**10, "MiB": 2**20, "GiB": 2**30, "TiB": 2**40}


def size_bytes(text: str) -> int:
    """Whole bytes from a size such as "2GB", "500 MB" or "4GiB", at least one.

    Raises ValueError, worded for the planner, for anything else; a bare number is refused since its unit
    would be a guess.
    """
    match = _SIZE.fullmatch(text)
    size = round(float(match[1]) * _SIZE_BYTES[match[2]]) if match else 0
    if size == 0:
        raise ValueError('a size is a number with its unit, above 0, for example "500 MB", "2 GB" or "4 GiB"')
    return size


_SPEED = re.compile(_NUMBER + r"(kbit|Mbit|Gbit)(?:/s)?\s*")
_SPEED_BITS = {"kbit": 1e3, "Mbit": 1e6, "Gbit": 1e9}


def bits_per_second(text: str) -> float:
    """Bits a second from a speed such as "3Mbit", "500 kbit" or "1.5 Mbit/s".

    Raises ValueError, worded for the planner, for anything else, and for 0.
    """
    match = _SPEED.fullmatch(text)
    if match is None or float(match[1]) == 0:
        raise ValueError(
            'a speed is a number over 0 with its unit per second, for example "3Mbit" or "500kbit"'
        )
    return float(match[1]) * _SPEED_BITS[match[2]]


def bytes_text(size_bytes: float) -> str:
    """Bytes as people read them, in powers of ten: "730 kB", "13.2 MB"."""
    for unit in ("B", "kB", "MB", "GB"):
        if size_bytes < 999.5:
            return f"{size_bytes:.0f} {unit}" if unit in ("B", "kB") else f"{size_bytes:.1f} {unit}"
        size_bytes /= 1000
    return f"{size_bytes:,.1f} TB"


def speed_text(bits_per_second: float) -> str:
    """A speed as people read it: "500 kbit/s", "2.0 Mbit/s"."""
    return (
        f"{bits_per_second / 1e6:.1f} Mbit/s"
        if bits_per_second >= 1e6
        else f"{bits_per_second / 1e3:.0f} kbit/s"
    )


def counted(count: int, noun: str) -> str:
    """ "1 tile", "2,000 planned tiles": a number with what it counts."""
    return f"{count:,} {noun}{'' if count == 1 else 's'}"


def duration_text(time_s: float) -> str:
    """A length of time as people read it: "4.2 s", "41 s", "3 min 05 s", "2 h 10 min"."""
    whole = round(time_s)
    if whole < 60:
        return f"{time_s:.1f} s" if time_s < 10 else f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"
