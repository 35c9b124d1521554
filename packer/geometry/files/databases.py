"""GeoPackage, Shapefile (also zipped) and FlatGeobuf, by GDAL.

It stands behind two walls, since some of its drivers follow links to other files, to the network or to programs: the
start of a file has to be of the kind that its name says, and all other drivers are switched off where GDAL is not
loaded yet.
"""

from __future__ import annotations

import os
import warnings
import zipfile
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from packer.common.lazy_import import lazy_import
from packer.geometry.files import geopackage, shapefile
from packer.geometry.files.archive import MOST_FILES, opened_zip
from packer.geometry.files.drawing import Drawing, name_among, plain
from packer.geometry.files.projection import DENSEST, SHORTEST, is_projected, to_degrees
from packer.geometry.files.wkt import feature_of

if TYPE_CHECKING:
    import shapely
else:
    shapely = lazy_import("shapely")  # only polygons and files read by GDAL need it

__all__ = ["asked", "gdal", "read_flatgeobuf", "read_geopackage", "read_shapefile", "read_zipped_shapefile"]

_SKIPPED = (
    "PCIDSK,PDS4,VICAR,PDF,MBTiles,EEDA,OGCAPI,GDALG,MapInfo File,LVBAG,S57,DGN,OGR_VRT,CSV,GML,GPX,GeoJSON,"
    "GeoJSONSeq,ESRIJSON,TopoJSON,OGR_GMT,SQLite,WAsP,OpenFileGDB,DXF,GeoRSS,VFK,PGDUMP,OSM,GPSBabel,OGR_PDS,"
    "WFS,OAPIF,EDIGEO,Idrisi,ODS,XLSX,Elasticsearch,Carto,AmigoCloud,SXF,Selafin,JML,PLSCENES,CSW,VDV,MVT,NGW,"
    "MapML,GTFS,PMTiles,JSONFG,MiraMonVector,ADBC,AVCBin,AVCE00,AIVector,HTTP,KML,LIBKML"
)

T = TypeVar("T")


def read_geopackage(path: Path) -> Drawing:
    """All layers of a GeoPackage, each a folder. Raises ValueError, worded for the planner."""
    _check_start(path, b"SQLite format 3\0")
    geopackage.check_geopackage(path)
    return _read(path, lambda layer: geopackage.stated_shapes(path, layer))


def read_flatgeobuf(path: Path) -> Drawing:
    """The layer of a FlatGeobuf. Raises ValueError, worded for the planner."""
    _check_start(path, b"fgb")
    return _read(path, lambda _layer: None)


def read_shapefile(path: Path) -> Drawing:
    """A Shapefile, with the files of the same name beside it. Raises ValueError, worded for the planner."""
    index = next((i for i in (path.with_suffix(".shx"), path.with_suffix(".SHX")) if i.is_file()), None)
    _check_start(path, b"\0\0\x27\x0a")
    if index is None:
        raise ValueError(f"{path.stem}.shx is missing beside it; a Shapefile is several files of one name")
    for file in (path, index):
        with file.open("rb") as opened:
            shapefile.check_length(file.name, opened.read(100), file.stat().st_size)
    stated = shapefile.stated_shapes(index.read_bytes(), np.memmap(path, dtype=np.uint8, mode="r"))
    return _read(path, lambda _layer: stated)


def read_zipped_shapefile(path: Path) -> Drawing:
    """All Shapefiles in a zip archive, each a folder; nothing is unpacked to the disk.

    Raises ValueError, worded for the planner, also where the archive holds none.
    """
    drawing = Drawing()
    with opened_zip(path) as archive:
        names = archive.namelist()
        inside = [n for n in names if n.lower().endswith(".shp") and not Path(n).name.startswith("._")]
        if not inside:
            raise ValueError(_no_shapefile(names))
        for name in inside:
            _check_name(name)
            stated = _checked_member(archive, name, names)
            source = f"/vsizip/{{{path}}}/{name}"
            _read(path, lambda _layer, stated=stated: stated, drawing, source)  # type: ignore[misc]
    return drawing


def _no_shapefile(names: list[str]) -> str:
    known = [
        n for n in names if n.lower().endswith((".kml", ".gpx", ".geojson", ".json", ".gpkg", ".csv", ".gml"))
    ]
    hint = f'; unpack it and name "{plain(known[0])}" in its place' if known else ""
    return f"it is a zip archive without a Shapefile (.shp) in it{hint}"


def _check_name(name: str) -> None:
    parts = name.replace("\\", "/").split("/")
    if ".." in parts or name.startswith("/") or "{" in name or "}" in name or not name.isprintable():
        raise ValueError(
            f'it has a file with the name "{plain(name)}", which cannot be followed; zip it again'
        )


def _checked_member(archive: zipfile.ZipFile, name: str, names: list[str]) -> int:
    """How many shapes a Shapefile in an archive should have. Raises ValueError where it is cut off or has no index."""
    spelt = {n.lower(): n for n in names}
    index = spelt.get(name[:-4].lower() + ".shx")
    if index is None:
        raise ValueError(f"{plain(name[:-4])}.shx is not in it; a Shapefile is several files of one name")
    data, entries = archive.read(name), archive.read(index)
    for each, content in ((name, data), (index, entries)):
        shapefile.check_length(plain(Path(each).name), content[:100], len(content))
    return shapefile.stated_shapes(entries, data)


def _check_start(path: Path, magic: bytes) -> None:
    with path.open("rb") as file:
        if not file.read(len(magic)) == magic:
            raise ValueError(f"it does not begin like a {path.suffix.lower()} file")


def gdal() -> ModuleType:
    """pyogrio, loaded on first use with only the drivers wanted here.

    Raises ValueError, worded for the planner, where it is not installed: not every system has a wheel of it.
    """
    before = os.environ.get("OGR_SKIP")
    os.environ["OGR_SKIP"] = _SKIPPED
    try:
        import pyogrio.raw  # GDAL reads OGR_SKIP once, while it loads

        return pyogrio  # type: ignore[no-any-return]  # pyogrio carries no types
    except ImportError as fault:
        raise ValueError(
            "the package pyogrio reads this kind of file, and is not installed here. Install it by: pip install "
            '"lastbar[files]". Or save the file as GeoJSON, GPX or KML: these need nothing more'
        ) from fault
    finally:
        if before is None:
            del os.environ["OGR_SKIP"]
        else:
            os.environ["OGR_SKIP"] = before


def _read(
    path: Path, stated: Callable[[str], int | None], drawing: Drawing | None = None, source: str | None = None
) -> Drawing:
    if "!" in str(path):
        raise ValueError(f'{path} has a "!" in it, which GDAL reads as a path in an archive; rename it')
    drawing = Drawing() if drawing is None else drawing
    library, place = gdal(), source or path
    layers = asked(lambda: [str(name) for name, _ in library.list_layers(place)])
    if len(layers) > MOST_FILES:
        raise ValueError(f"it has over {MOST_FILES:,} layers; keep only what the brief needs")
    for layer in layers:
        _add_layer(drawing, library, place, layer, stated(layer))
    return drawing


def _add_layer(drawing: Drawing, library: ModuleType, place: Any, layer: str, stated: int | None) -> None:
    """The features of one layer, in degrees."""
    fields = asked(lambda: library.read_info(place, layer=layer))["fields"]
    named = name_among({str(field): str(field) for field in fields})
    meta, _, wkb, values = asked(
        lambda: library.raw.read(place, layer=layer, columns=[named] if named else [], force_2d=True)
    )
    if wkb is None:
        return
    shapes = asked(lambda: shapely.from_wkb(wkb))
    read = int(np.count_nonzero(~shapely.is_missing(shapes)))
    if stated is not None and read < stated:
        raise ValueError(f"only {read:,} of its {stated:,} shapes can be read; it is damaged")
    move = to_degrees(meta["crs"])
    if meta["crs"] is not None and is_projected(meta["crs"]):
        # An edge that is straight there is none in degrees.
        longest = max(SHORTEST, float(shapely.length(shapes).sum()) / DENSEST)
        shapes = asked(lambda: shapely.segmentize(shapes, longest))
    names = values[0] if named and len(values) else [None] * len(shapes)
    for name, one in zip(names, shapes, strict=True):
        feature = feature_of("" if name is None else str(name), (layer,), one, move)
        if not (feature.points or feature.lines or feature.rings or feature.polygons):
            drawing.leave_out("feature{s} without a geometry")
        drawing.add(feature)


def asked(question: Callable[[], T]) -> T:
    """What GDAL or GEOS answers, with its refusals as ValueError."""
    try:
        with warnings.catch_warnings():
            # What GDAL only warns of, such as a ring that is not closed, is mended or checked here.
            warnings.simplefilter("ignore")
            return question()
    except (
        RuntimeError,
        ValueError,
        shapely.errors.ShapelyError,
    ) as fault:  # pyogrio derives from the first two
        reason = " ".join(str(fault).split("; It might help")[0].split())
        told = " ".join("".join(c if c.isprintable() else " " for c in reason[:200]).split())
        raise ValueError(f"GDAL says: {told}") from fault
    except Exception as fault:  # pyogrio 0.13 trips over a damaged coordinate system, for one
        raise ValueError("GDAL cannot read it; it is damaged, or its format is not known") from fault
