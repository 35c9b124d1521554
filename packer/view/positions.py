"""A position as people write it: decimal degrees, degrees with minutes and seconds, or MGRS.

Latitude comes first where no letter says which is which, as on paper maps and in radio calls (common practice,
no source); the answer always says how the text was read. MGRS goes through the library `mgrs`. A reference names
a square (NGA.STND.0037, named from memory): here its middle is the position and its corners are given, so that a
short reference is not taken for a spot.
"""

from __future__ import annotations

import re
import warnings
from dataclasses import dataclass

import mgrs

from packer.geometry.grid import MAX_LATITUDE
from packer.geometry.position_text import MGRS_FORM, MGRS_GRID, ONE_AT_A_TIME, decimal_text, mgrs_text

__all__ = ["Position", "decimal_text", "dms_text", "mgrs_text", "read_position"]

_LONGEST = 120
_MARKS = str.maketrans(dict.fromkeys("°º˚'’′ʹ´\"”″ʺ“:", " ") | {"−": "-", "–": "-", ";": ","})
_NUMBER = re.compile(r"\d{1,3}(?:\.\d{1,12})?", re.ASCII)
_ROW = re.compile(r"[\d\s.,+-]+|[NSEW]")

_HOW = (
    "Write it like 47.1023, 12.5012 (latitude first), like 47°06′08″N 12°30′04″E, or like 33T UN 10394 19562."
)


@dataclass(frozen=True, slots=True)
class Position:
    """A position in WGS84 degrees. `read_as` says how the text was understood; `square` holds the corners of
    an MGRS square as (lon, lat), south-west first and counter-clockwise, and is empty for a spot."""

    lon: float
    lat: float
    read_as: str
    square: tuple[tuple[float, float], ...] = ()


def read_position(text: str) -> Position:
    """The position that `text` stands for.

    Raises ValueError with whole sentences, worded for the person who typed it.
    """
    if len(text) > _LONGEST:
        raise ValueError(f"That is too long for a position. {_HOW}")
    squeezed = re.sub(r"\s", "", text).upper()
    if not squeezed:
        raise ValueError(f"Type a position. {_HOW}")
    match = MGRS_FORM.fullmatch(squeezed)
    found = _from_mgrs(match) if match else _from_degrees(text)
    if not -MAX_LATITUDE <= found.lat <= MAX_LATITUDE:
        raise ValueError("Web Mercator maps end at 85.05° of latitude; that position is beyond.")
    return found


# ------------------------------------------------------------------------------------------------- MGRS


def _from_mgrs(match: re.Match[str]) -> Position:
    zone, square, digits = match.groups()
    if len(digits) % 2 or len(digits) > 10:
        raise ValueError(
            f"An MGRS reference has an even number of digits, at most ten; this one has {len(digits)}."
        )
    half = len(digits) // 2
    east, north = digits[:half], digits[half:]
    middle = _lat_lon(zone + square + digits)
    if middle is None:
        raise ValueError(
            f"{' '.join(p for p in (zone, square, east, north) if p)} is not a square of the MGRS grid."
        )
    lat, lon = middle
    size = ("100 km", "10 km", "1 km", "100 m", "10 m", "1 m")[half]
    return Position(lon, lat, f"the middle of an MGRS square of {size}", _corners(zone + square, east, north))


def _lat_lon(reference: str) -> tuple[float, float] | None:
    """Latitude and longitude of the middle of a square, as the library gives it since version 1.6.

    Where the square does not lie in the latitude band that it names, the library only warns; a band misheard
    on the radio must not lead elsewhere, so that is no square either.
    """
    with ONE_AT_A_TIME, warnings.catch_warnings(record=True) as doubts:
        warnings.simplefilter("always")
        try:
            lat, lon = MGRS_GRID.toLatLon(reference)
        except mgrs.core.MGRSError:
            return None
    if any("MGRS" in str(doubt.message) for doubt in doubts):
        return None
    return float(lat), float(lon)


def _corners(start: str, east: str, north: str) -> tuple[tuple[float, float], ...]:
    """The square's corners to within a metre; none for a spot, or where the zone's edge cuts the square."""
    if len(east) > 3:
        return ()
    corners = []
    for fill_e, fill_n in (("0", "0"), ("9", "0"), ("9", "9"), ("0", "9")):
        corner = _lat_lon(start + east.ljust(5, fill_e) + north.ljust(5, fill_n))
        if corner is None:
            return ()
        corners.append((corner[1], corner[0]))
    return tuple(corners)


# ---------------------------------------------------------------------------------------------- degrees


def _from_degrees(text: str) -> Position:
    plain = text.translate(_MARKS).strip().upper()
    if re.search(r"[NSEW]", plain):
        return _with_letters(plain)
    numbers, signs = _numbers(plain)
    if len(numbers) not in (2, 4, 6):
        raise ValueError(f"That is not a latitude and a longitude. {_HOW}")
    half = len(numbers) // 2
    if any(signs[1:half]) or any(signs[half + 1 :]):
        raise ValueError(f"A sign can only come before the degrees. {_HOW}")
    lat = _degrees(numbers[:half], signs[0] == "-")
    lon = _degrees(numbers[half:], signs[half] == "-")
    return _checked(lon, lat, half)


def _with_letters(plain: str) -> Position:
    """With N, S, E or W before both parts, or after both."""
    pieces = [p.strip(" ,") for p in _ROW.findall(plain)]
    if "".join(_ROW.findall(plain)) != plain:
        raise ValueError(f"That is not a latitude and a longitude. {_HOW}")
    pieces = [p for p in pieces if p]
    if len(pieces) != 4:
        raise ValueError(f"A position has one N or S and one E or W. {_HOW}")
    if pieces[0].isalpha():
        pieces = [pieces[1], pieces[0], pieces[3], pieces[2]]
    values: dict[str, float] = {}
    parts = 0
    for written, letter in (pieces[:2], pieces[2:]):
        if not letter.isalpha() or written.isalpha():
            raise ValueError(f"Put the letters before both numbers, or after both. {_HOW}")
        numbers, signs = _numbers(written)
        if not numbers or any(signs):
            raise ValueError(f"With N, S, E or W, write the numbers without a sign. {_HOW}")
        values["lat" if letter in "NS" else "lon"] = _degrees(numbers, letter in "SW")
        parts = max(parts, len(numbers))
    if len(values) != 2:
        raise ValueError(f"A position has one N or S and one E or W. {_HOW}")
    return _checked(values["lon"], values["lat"], parts)


def _numbers(text: str) -> tuple[list[str], list[str]]:
    """The numbers and the sign before each; commas inside two numbers, as in 47,1023 12,5012, are decimal."""
    if "." not in text and len(re.findall(r"\d,\d", text)) > 1:
        text = re.sub(r"(?<=\d),(?=\d)", ".", text)
    numbers, signs = [], []
    for piece in re.sub(r"([+-])\s+", r"\1", text.replace(",", " ")).split():
        sign, number = (piece[0], piece[1:]) if piece[0] in "+-" else ("", piece)
        if not _NUMBER.fullmatch(number):
            raise ValueError(f'"{piece[:20]}" is not a number of degrees, minutes or seconds. {_HOW}')
        numbers.append(number)
        signs.append(sign)
    return numbers, signs


def _degrees(numbers: list[str], negative: bool) -> float:
    if len(numbers) > 3 or any("." in n for n in numbers[:-1]):
        raise ValueError(f"Only the last of degrees, minutes and seconds can have decimals. {_HOW}")
    value = 0.0
    for place, number in enumerate(numbers):
        if place and float(number) >= 60:
            raise ValueError(f"Minutes and seconds stay below 60; {number} is too much.")
        value += float(number) / 60**place
    return -value if negative else value


def _checked(lon: float, lat: float, parts: int) -> Position:
    if abs(lat) > 90:
        raise ValueError(
            f"{lat:g} is not a latitude, which goes up to 90. Latitude comes first, then longitude."
        )
    if abs(lon) > 180:
        raise ValueError(
            f"{lon:g} is not a longitude, which goes up to 180. Latitude comes first, then longitude."
        )
    how = ("decimal degrees", "degrees and minutes", "degrees, minutes and seconds")[parts - 1]
    return Position(lon, lat, how)


# --------------------------------------------------------------------------------------------- writing


def dms_text(lon: float, lat: float) -> str:
    """As `decimal_text`, in degrees, minutes and tenths of seconds."""
    return f"{_dms(lat, 'NS')} {_dms(lon, 'EW')}"


def _dms(value: float, letters: str) -> str:
    tenths = round(abs(value) * 36_000)
    minutes, tenths = divmod(tenths, 600)
    degrees, minutes = divmod(minutes, 60)
    return f"{degrees}°{minutes:02d}′{tenths / 10:04.1f}″{letters[value < 0]}"
