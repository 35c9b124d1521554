"""Tables of places: text with a column of longitudes and one of latitudes, or a column of well-known text (CSV)."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from pathlib import Path

from packer.geometry.files.drawing import MOST_PARTS, Drawing, Feature, name_among, plain
from packer.geometry.files.wkt import add_wkt, looks_like_wkt

__all__ = ["read_rows"]

# How columns are headed: common practice, no source.
_LONGITUDES = ("longitude", "lon", "long", "lng", "x", "easting")
_LATITUDES = ("latitude", "lat", "y", "northing")
_TEXTS = ("wkt", "geometry", "geom", "the_geom", "shape", "wkt_geom")
_NUMBER = re.compile(r"[-+]?[0-9]{0,20}\.?[0-9]{1,20}(?:[eE][-+]?[0-9]{1,2})?")
_COMMA_NUMBER = re.compile(r"[-+]?[0-9]{1,20},[0-9]{1,20}")
_DELIMITERS = ",;\t|"
_LONGEST_FIELD = 20_000_000


def read_rows(path: Path, columns: tuple[str, str] | None) -> Drawing:
    """Each row as a feature, named by its column of names where there is one.

    `columns` are the headings of longitude and latitude; without them they are recognised by common headings. A decimal
    comma is understood where another mark parts the columns. A row without a position is counted as left out. Raises
    ValueError, worded for the planner, where the columns are not found or a cell is no number of degrees.
    """
    rows = _rows(path)
    header = next((row for row in rows if any(cell.strip() for cell in row)), [])
    headings = [cell.strip() for cell in header]
    places = _found(headings, columns)
    text = (
        next((i for i, word in enumerate(headings) if _key(word) in _TEXTS), None)
        if columns is None
        else None
    )
    if places is None and text is None:
        raise ValueError(_no_columns(headings, columns))
    start = rows.index(header) + 1
    if len(rows) - start > MOST_PARTS:
        raise ValueError(f"it has over {MOST_PARTS:,} rows; keep only what the brief needs")
    drawing = Drawing(is_row_of_points=places is not None)
    for number, row in enumerate(rows[start:], start + 1):
        if not any(cell.strip() for cell in row):
            continue
        name = name_among(dict(zip(headings, row, strict=False)))
        if places is not None:
            _add_place(drawing, name, row, places, number)
        else:
            _add_text(drawing, name, row, text or 0, number)
    return drawing


def _rows(path: Path) -> list[list[str]]:
    data = path.read_bytes()
    try:
        text = data.decode("utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("latin-1")  # old spreadsheets: the numbers are right, a name may not be
    first = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max(_DELIMITERS, key=first.count)
    csv.field_size_limit(_LONGEST_FIELD)
    try:
        return list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True))
    except csv.Error as fault:
        raise ValueError(f"it is no table of text with columns: {fault}") from None


def _key(heading: str) -> str:
    """A heading without its unit and marks: "Longitude (deg)" is "longitude"."""
    return re.sub(r"\(.*\)|\[.*\]|[^a-z_]|_?(?:deg|degrees|dd|wgs|decimal)$", "", heading.casefold()).strip(
        "_"
    )


def _found(headings: list[str], columns: tuple[str, str] | None) -> tuple[int, int] | None:
    """Where longitude and latitude stand."""
    if columns is not None:
        places = [headings.index(name) if name in headings else -1 for name in columns]
        return (places[0], places[1]) if min(places) >= 0 else None
    keys = [_key(word) for word in headings]
    lon_at = next((keys.index(word) for word in _LONGITUDES if word in keys), None)
    lat_at = next((keys.index(word) for word in _LATITUDES if word in keys), None)
    return None if lon_at is None or lat_at is None else (lon_at, lat_at)


def _no_columns(headings: Sequence[str], columns: tuple[str, str] | None) -> str:
    named = ", ".join(f'"{plain(word)}"' for word in headings[:12]) or "none"
    asked = "named in columns" if columns is not None else "of longitude and latitude"
    return (
        f"its columns {asked} are not found; its first row has {named}. Name the two in the area, longitude first: "
        'columns = ["lon", "lat"]'
    )


def _add_place(drawing: Drawing, name: str, row: list[str], places: tuple[int, int], number: int) -> None:
    cells = [row[i].strip() if i < len(row) else "" for i in places]
    if not all(cells):
        drawing.leave_out("row{s} without a position")
        return
    lon, lat = (_degrees(cell, number) for cell in cells)
    if abs(lon) > 360 or abs(lat) > 90:
        raise ValueError(
            f"row {number} has longitude {lon:g}, latitude {lat:g}, which are not degrees; check which column is which"
        )
    drawing.add(Feature(name, points=((lon, lat),)))


def _add_text(drawing: Drawing, name: str, row: list[str], at: int, number: int) -> None:
    cell = row[at].strip() if at < len(row) else ""
    if not cell:
        drawing.leave_out("row{s} without a position")
        return
    try:
        if not looks_like_wkt(cell):
            raise ValueError(f'"{plain(cell)}" is no shape such as POINT (12.5 47.1)')
        add_wkt(drawing, name, cell)
    except ValueError as fault:
        raise ValueError(f"row {number}: {fault}") from None


def _degrees(cell: str, number: int) -> float:
    if _COMMA_NUMBER.fullmatch(cell):
        cell = cell.replace(",", ".")
    if not _NUMBER.fullmatch(cell):
        raise ValueError(
            f'row {number} has "{plain(cell)}" where a number of degrees should stand, for example 12.5012; south and '
            "west have a minus"
        )
    return float(cell)
