"""Single values of a brief: what each may be, and what would be right where it is not.

Every check takes what TOML gave and raises ValueError with the end of a sentence that begins "it is …, but".
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from typing import Annotated

from packer.common.units import metres, size_bytes
from packer.geometry.grid import MAX_LATITUDE, MAX_ZOOM, LonLatBox
from packer.planning import brief_forms as forms
from packer.planning.brief_errors import quote_value
from packer.planning.brief_forms import Check

__all__ = [
    "Box",
    "Budget",
    "Columns",
    "Depths",
    "FileOrLine",
    "FileOrRing",
    "Hashes",
    "Headers",
    "Hosts",
    "LayerNames",
    "Margin",
    "Names",
    "Part",
    "Position",
    "Prose",
    "Rate",
    "Reach",
    "Subdomains",
    "Switch",
    "Text",
    "Zoom",
    "Zooms",
    "one_of",
    "plain_text",
    "side_px",
    "whole",
]

_LONGEST_TEXT = 2000
_SUBDOMAIN = re.compile(r"[A-Za-z0-9-]{1,63}")
_HOST = re.compile(r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9.-]{1,253})(:[0-9]{1,5})?")
_HASH = re.compile(r"[0-9a-f]{64}")
_PART = re.compile(r"([1-9][0-9]{0,2}) of ([1-9][0-9]{0,2})")
MOST_PARTS = 100
Places = tuple[tuple[float, float], ...]
_MOST_DRAWN = 20_000  # positions of one drawing; a recorded track belongs into a file
_HEADER_NAME = re.compile(r"[!#$%&'*+.^_`|~0-9A-Za-z-]+")  # token, RFC 9110 5.6.2
_HEADER_VALUE = re.compile(r"[!-~]([ -~]*[!-~])?")
_OWN_HEADERS = {
    *("host", "connection", "content-length", "transfer-encoding", "accept-encoding", "range", "user-agent"),
    *("te", "trailer", "upgrade", "expect", "keep-alive", "proxy-connection"),
}


def plain_text(value: object, allowed: str = "") -> str:
    if not isinstance(value, str):
        raise ValueError("it should be text in quotes")
    if not value.strip():
        raise ValueError("it should not be empty")
    if len(value) > _LONGEST_TEXT:
        raise ValueError(f"it should have at most {_LONGEST_TEXT} characters")
    if any(unicodedata.category(c) in ("Cc", "Cs") and c not in allowed for c in value):
        if re.match(r"[A-Za-z]:[\t\n\r\b\f\\/]", value):
            raise ValueError(
                'in quotes "\\" and the letter after it stand for something else; write the path with "/", such as '
                "\"C:/maps/trip\", or in single quotes: 'C:\\maps\\trip'"
            )
        raise ValueError("it should be one line of text without control characters")
    return value


def _prose(value: object) -> str:
    return plain_text(value, "\r\n\t")


def whole(low: int, high: int) -> Check:
    """A whole number within bounds, both included."""

    def check(value: object) -> int:
        if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
            raise ValueError(f"it should be a whole number from {low} to {high}, without quotes")
        return value

    return Check(check, form=forms.whole_number(low, high))


def _depths(value: object) -> int | dict[str, int]:
    by_layer = isinstance(value, dict) and bool(value)
    zooms = list(value.values()) if isinstance(value, dict) else [value]
    if not (by_layer or not isinstance(value, dict)) or not all(_is_zoom(zoom) for zoom in zooms):
        raise ValueError(
            f"it should be a whole number from 0 to {MAX_ZOOM}, without quotes, or one for each layer, such as "
            "{ aerial = 17, relief = 14 }"
        )
    return value  # type: ignore[return-value]  # looked at just above


def _is_zoom(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= MAX_ZOOM


def _rate(value: object) -> float:
    if not _is_number(value) or not 0 < (rate := _float(value)) <= 100_000:
        raise ValueError("it should be a number over 0 and up to 100000, without quotes")
    return rate


def _length(low_m: float, high_m: float) -> Check:
    def check(value: object) -> float:
        try:
            length_m = metres(value if isinstance(value, str) else "")
        except ValueError:
            if isinstance(value, str) and re.search(r"\d,\d", value):
                raise ValueError(
                    'it should be a number with its unit, for example "2.5 km", with a decimal point and not a comma'
                ) from None
            raise ValueError(
                'it should be a length with its unit, in quotes, for example "250 m", "2 km" or "800 ft"'
            ) from None
        if not low_m <= length_m <= high_m:
            raise ValueError(f"it should be between {low_m:g} m and {high_m / 1000:g} km")
        return length_m

    return Check(check, form=forms.length(low_m, high_m))


def one_of(*words: str) -> Check:
    """One of some words."""

    def check(value: object) -> object:
        if value not in words:
            raise ValueError(
                f"it should be {', '.join(quote_value(w) for w in words[:-1])} or {quote_value(words[-1])}"
            )
        return value

    return Check(check, form=forms.words(words, " or ".join(map(quote_value, words))))


def side_px(*sides: int) -> Check:
    """The side of a tile in pixels."""

    def check(value: object) -> object:
        if isinstance(value, bool) or value not in sides:
            raise ValueError(f"it should be {' or '.join(map(str, sides))}, without quotes")
        return value

    return Check(check, form=forms.words(sides, f"{' or '.join(map(str, sides))}, without quotes"))


def _list_of(matches: Callable[[str], object], shape: str, form: forms.Form) -> Check:
    def check(value: object) -> tuple[str, ...]:
        if (
            not isinstance(value, list)
            or not value
            or not all(isinstance(v, str) and matches(v) for v in value)
        ):
            raise ValueError(f"it should be {shape}")
        return tuple(value)

    return Check(check, form=form)


def _zooms(value: object) -> tuple[int, int]:
    match value:
        case [int(first), int(last)] if not {type(first), type(last)} & {bool}:
            if 0 <= first <= last <= MAX_ZOOM:
                return first, last
            raise ValueError(f"both zooms should be from 0 to {MAX_ZOOM}, the first not deeper than the last")
    raise ValueError("it should be the first and the last zoom that the server offers, for example [0, 19]")


def _headers(value: object) -> dict[str, str]:
    if not isinstance(value, dict) or not all(isinstance(v, str) for v in value.values()):
        raise ValueError('it should be names and values in quotes, for example { "X-Key" = "${NAME}" }')
    seen = set()
    for name, text in value.items():
        if not _HEADER_NAME.fullmatch(name):
            raise ValueError("one of the names is not a valid header name, for example X-Key")
        if not _HEADER_VALUE.fullmatch(text):
            raise ValueError(
                f"the value of {name} should be one line of plain ASCII without spaces around it"
            )
        if name.lower() in _OWN_HEADERS or name.lower().startswith("if-"):
            raise ValueError(f"{name} is set by Lastbar; leave it out")
        if name.lower() in seen:
            raise ValueError(f"{name} is given twice (upper and lower case count as the same)")
        seen.add(name.lower())
    return value


def _names(value: object) -> tuple[str, ...]:
    names = [value] if isinstance(value, str) else value
    if not isinstance(names, list) or not names or not all(isinstance(v, str) and v.strip() for v in names):
        raise ValueError(
            'it should be the name of a feature or folder of the file, for example "Sector B3", or a list of them'
        )
    return tuple(" ".join(name.split()) for name in names)


def _columns(value: object) -> tuple[str, str]:
    match value:
        case [str(lon), str(lat)] if lon.strip() and lat.strip():
            return lon.strip(), lat.strip()
    raise ValueError(
        'it should be the headings of the columns of longitude and latitude, for example ["lon", "lat"]'
    )


def _position(value: object) -> tuple[float, float]:
    if not (isinstance(value, list) and len(value) == 2 and all(_is_number(v) for v in value)):
        raise ValueError(
            f"it should be [longitude, latitude] in degrees, for example [12.5012, 47.1023]{_comma_hint(value, 2)}"
        )
    return _checked_lon_lat(*value)


def _drawn(least: int, shape: str) -> Callable[[object], str | Places]:
    """A file's name, or at least so many positions that were drawn; no position twice in a row."""

    def check(value: object) -> str | Places:
        if isinstance(value, str):
            return plain_text(value)
        if not isinstance(value, list) or not all(isinstance(v, list) for v in value):
            raise ValueError(f"it should be a file's name in quotes, or {shape}")
        if len(value) > _MOST_DRAWN:
            raise ValueError(f"it should have at most {_MOST_DRAWN:,} positions; put longer ones in a file")
        places = [_position(v) for v in value]
        places = [p for i, p in enumerate(places) if i == 0 or p != places[i - 1]]
        if len(places) < least:
            raise ValueError(
                f"it should have at least {least} different positions, each [longitude, latitude]"
            )
        return tuple(places)

    return check


def _comma_hint(value: object, wanted: int) -> str:
    """The end of a sentence on a list of numbers that has more of them than it should."""
    if not isinstance(value, list) or len(value) <= wanted or not all(map(_is_number, value)):
        return ""
    return f"; it has {len(value)} numbers, as with commas where decimal points should stand"


def _box(value: object) -> LonLatBox:
    if not (isinstance(value, list) and len(value) == 4 and all(_is_number(v) for v in value)):
        raise ValueError(
            "it should be [west, south, east, north] in degrees, for example [12.30, 47.00, 12.70, 47.25]"
            + _comma_hint(value, 4)
        )
    west, south = _checked_lon_lat(*value[:2])
    east, north = _checked_lon_lat(*value[2:])
    if south >= north:
        raise ValueError(
            f"south ({south:g}) should be less than north ({north:g}): [west, south, east, north]"
        )
    if west == east:
        raise ValueError("west and east should differ: [west, south, east, north]")
    return LonLatBox(west, south, east, north)


def _switch(value: object) -> bool:
    if not isinstance(value, bool):
        raise ValueError("it should be true or false, without quotes")
    return value


def _part(value: object) -> tuple[int, int]:
    match = _PART.fullmatch(value) if isinstance(value, str) else None
    if match is None or not 1 <= int(match[1]) <= int(match[2]) <= MOST_PARTS:
        raise ValueError(
            f'it should be a part and the number of parts, up to {MOST_PARTS}, for example "2 of 3"'
        )
    return int(match[1]), int(match[2])


def _budget(value: object) -> int:
    try:
        return size_bytes(value if isinstance(value, str) else "")
    except ValueError:
        raise ValueError('it should be a size with its unit, in quotes, for example "32 GB"') from None


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _float(value: object) -> float:
    """A number of TOML, which has no largest whole one, as a float."""
    assert isinstance(value, int | float)
    try:
        return float(value)
    except OverflowError:
        return float("inf")


def _checked_lon_lat(lon_found: object, lat_found: object) -> tuple[float, float]:
    lon, lat = _float(lon_found), _float(lat_found)
    edge = round(MAX_LATITUDE, 4)
    if not -180 <= lon <= 180:
        raise ValueError(f"longitude {lon:g} is outside -180 to 180; the order is longitude, latitude")
    if not -MAX_LATITUDE <= lat <= MAX_LATITUDE:
        swapped = abs(lon) <= MAX_LATITUDE and 90 < abs(lat) <= 180
        hint = "; are the two swapped? Longitude comes first" if swapped else ""
        raise ValueError(f"latitude {lat:g} is outside -{edge} to {edge}, where Web Mercator maps end{hint}")
    return lon, lat


Text = Annotated[str, Check(plain_text, form=forms.TEXT)]
Switch = Annotated[bool, Check(_switch, form=forms.SWITCH)]
Part = Annotated[tuple[int, int], Check(_part, form=forms.PART)]
Budget = Annotated[int, Check(_budget, form=forms.BUDGET)]
Hashes = Annotated[
    tuple[str, ...],
    _list_of(
        _HASH.fullmatch,
        "a list of SHA-256 hashes, each 64 digits and letters a to f in quotes",
        forms.HASHES,
    ),
]
Prose = Annotated[str, Check(_prose, form=forms.PROSE)]
Zoom = Annotated[int, whole(0, MAX_ZOOM)]
Priority = Annotated[int, whole(1, 99)]
"""Which areas are fetched first: 1 before 2, and all of them before areas without one."""
Depths = Annotated[int | dict[str, int], Check(_depths, form=forms.DEPTHS)]
"""A zoom for all layers of an area, or one for each of them by name."""
Zooms = Annotated[tuple[int, int], Check(_zooms, form=forms.ZOOMS)]
Rate = Annotated[float, Check(_rate, form=forms.RATE)]
Reach = Annotated[float, _length(1.0, 100_000.0)]
Margin = Annotated[float, _length(0.0, 1_000_000.0)]
FileOrLine = Annotated[
    str | Places,
    Check(
        _drawn(2, "positions, such as [[12.501, 47.102], [12.533, 47.118]]"),
        form=forms.drawn(2, _MOST_DRAWN),
    ),
]
FileOrRing = Annotated[
    str | Places,
    Check(
        _drawn(3, "the corners of an outline, each [longitude, latitude]"), form=forms.drawn(3, _MOST_DRAWN)
    ),
]
Position = Annotated[tuple[float, float], Check(_position, form=forms.POSITION)]
Box = Annotated[LonLatBox, Check(_box, form=forms.box())]
Names = Annotated[tuple[str, ...], Check(_names, form=forms.NAMES)]
Columns = Annotated[tuple[str, str], Check(_columns, form=forms.COLUMNS)]
Headers = Annotated[dict[str, str], Check(_headers, form=forms.headers(_OWN_HEADERS))]
Subdomains = Annotated[
    tuple[str, ...],
    _list_of(_SUBDOMAIN.fullmatch, 'a list of host names, for example ["a", "b"]', forms.SUBDOMAINS),
]
Hosts = Annotated[
    tuple[str, ...],
    _list_of(
        _HOST.fullmatch,
        'a list of hosts without http://, for example ["tiles.example.org", "localhost:8080"]',
        forms.HOSTS,
    ),
]
Command = Annotated[
    tuple[str, ...],
    _list_of(
        lambda part: part.strip() and part.isprintable(),  # or it could hide on the screen that shows it
        'a program and its arguments, each in quotes, for example ["map-key", "aerial"]',
        forms.COMMAND,
    ),
]
LayerNames = Annotated[
    tuple[str, ...],
    _list_of(
        str.strip,
        'a list of layer names, for example ["aerial"]; leave it out for all layers',
        forms.LAYER_NAMES,
    ),
]
