"""Which reader a shape file goes to, by its ending and its first bytes; and how to convert what none reads."""

from __future__ import annotations

import difflib
import itertools
from collections.abc import Callable
from pathlib import Path

from packer.geometry.files.archive import read_kmz, read_linked_kml
from packer.geometry.files.databases import (
    read_flatgeobuf,
    read_geopackage,
    read_shapefile,
    read_zipped_shapefile,
)
from packer.geometry.files.drawing import Drawing
from packer.geometry.files.fit import read_fit
from packer.geometry.files.geojson import read_json
from packer.geometry.files.gml import read_gml
from packer.geometry.files.gpx import read_gpx
from packer.geometry.files.rows import read_rows
from packer.geometry.files.tcx import read_tcx
from packer.geometry.files.topojson import read_topology
from packer.geometry.files.wkt import looks_like_wkt, read_wkt

__all__ = ["ENDINGS", "read_drawing"]

_MB = 1_000_000
Columns = tuple[str, str] | None


def _begins(path: Path, magic: bytes) -> bool:
    with path.open("rb") as file:
        return file.read(len(magic)) == magic


def _read_archived_kml(path: Path) -> Drawing:
    if not _begins(path, b"PK\3\4"):
        raise ValueError("it does not begin like a .kmz file")
    return read_kmz(path)


def _read_text(path: Path, columns: Columns) -> Drawing:
    """Well-known text or a table, whichever it begins as."""
    with path.open("rb") as file:
        start = file.read(1000).decode("utf-8-sig", "replace")
    return read_wkt(path) if looks_like_wkt(start) else read_rows(path, columns)


_READERS: dict[str, Callable[[Path, Columns], Drawing]] = {
    ".gpx": lambda path, _: read_gpx(path),
    ".kml": lambda path, _: read_kmz(path) if _begins(path, b"PK\3\4") else read_linked_kml(path),
    ".kmz": lambda path, _: _read_archived_kml(path),
    ".geojson": lambda path, _: read_json(path, read_topology),
    ".json": lambda path, _: read_json(path, read_topology),
    ".geojsons": lambda path, _: read_json(path, read_topology, is_sequence=True),
    ".geojsonl": lambda path, _: read_json(path, read_topology, is_sequence=True),
    ".ndjson": lambda path, _: read_json(path, read_topology, is_sequence=True),
    ".topojson": lambda path, _: read_json(path, read_topology),
    ".gpkg": lambda path, _: read_geopackage(path),
    ".shp": lambda path, _: read_shapefile(path),
    ".zip": lambda path, _: read_zipped_shapefile(path),
    ".fgb": lambda path, _: read_flatgeobuf(path),
    ".gml": lambda path, _: read_gml(path),
    ".csv": read_rows,
    ".tsv": read_rows,
    ".txt": _read_text,
    ".wkt": lambda path, _: read_wkt(path),
    ".tcx": lambda path, _: read_tcx(path),
    ".fit": lambda path, _: read_fit(path),
}
ENDINGS = tuple(_READERS)
# Read at once into memory at up to twenty times their size; FIT is decoded in Python, a megabyte in four seconds.
_LARGEST = dict.fromkeys(ENDINGS, 32 * _MB) | {".fit": 4 * _MB}
_LARGEST |= dict.fromkeys((".gpx", ".tcx", ".gpkg", ".shp", ".fgb"), 128 * _MB)
_CONVERT = (
    "Save or export it as GeoJSON, GPX or KML: any program for maps does that, and so does GDAL's ogr2ogr"
)
_SHEETS, _SHAPEFILE_PARTS = (
    (".xlsx", ".xls", ".ods"),
    (".dbf", ".shx", ".prj", ".cpg", ".sbn", ".sbx", ".qix"),
)
_MOST_LISTED = 5_000  # files of a folder among which a name is looked for


def read_drawing(path: Path, columns: Columns = None) -> Drawing:
    """All that a file draws, in degrees. `columns` are the headings of a table's longitudes and latitudes.

    Raises ValueError, worded for the planner, or OSError.
    """
    if not path.exists():
        raise ValueError(f"{path} does not exist{_nearest(path)}. Paths are relative to the brief")
    ending = path.suffix.lower()
    if path.is_dir():
        raise ValueError(
            f"it is a file geodatabase, which is not read. {_CONVERT}"
            if ending == ".gdb"
            else "it is a folder. Name a file in it"
        )
    if ending not in _READERS or not path.is_file():
        raise ValueError(_unread(path, ending))
    if path.stat().st_size > _LARGEST[ending]:
        raise ValueError(f"it is over {_LARGEST[ending] // _MB} MB; keep only what the brief needs")
    return _READERS[ending](path, columns)


def _nearest(path: Path) -> str:
    """The end of a sentence: the file beside it whose name is nearly this one."""
    try:
        names = [
            each.name for each in itertools.islice(path.parent.iterdir(), _MOST_LISTED) if each.is_file()
        ]
    except OSError:
        return ""
    folded = {name.casefold(): name for name in names}
    close = difflib.get_close_matches(path.name.casefold()[:200], folded, n=1, cutoff=0.7)
    return f'; did you mean "{folded[close[0]]}"' if close else ""


def _unread(path: Path, ending: str) -> str:
    if ending in _SHAPEFILE_PARTS:
        return f'it is a part of a Shapefile; name the part that ends in .shp, "{path.stem}.shp"'
    if ending in _SHEETS:
        return "it is a spreadsheet, which is not read. Save its sheet as CSV, with columns of longitude and latitude"
    return f"it is not a kind of shape file that is read ({', '.join(ENDINGS)}). {_CONVERT}"
