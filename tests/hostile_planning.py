"""Briefs, shape files and what servers say of their layers: how each is harmed and fed to the program."""

from __future__ import annotations

import json
import random
import shutil
import struct
from pathlib import Path
from typing import Any

import numpy as np

from packer.geometry.grid import MAX_LATITUDE, MAX_ZOOM
from packer.geometry.shapes import Corridor, Polygons
from packer.planning.brief import Brief
from packer.planning.plan import plan
from tests.hostile_databases import harm_database
from tests.hostile_samples import BRIEF, GEOJSON, TOPOLOGY
from tests.hostile_text import (
    damaged,
    hostile_brief,
    hostile_json,
    hostile_markup,
    hostile_xml,
    hostile_zip,
    worded,
)

__all__ = [
    "TEXTS",
    "feed_brief",
    "feed_shape",
    "feed_tilejson",
    "feed_wmts",
    "harm_brief",
    "harm_shape_file",
    "harm_text",
    "harm_tilejson",
    "harm_wmts",
    "harm_zip",
]

_PLANNED_MOST = 10**16


# --- shape files -----------------------------------------------------------------------------------------

TEXTS = (
    *(".gpx", ".kml", ".geojson", ".topojson", ".geojsons"),
    *(".gml", ".tcx", ".fit", ".csv", ".wkt"),
)
_REACH = {"line": 'half-width = "100 m"', "points": 'radius = "100 m"', "polygon": ""}


def _shape_brief(chance: random.Random, folder: Path, name: str) -> None:
    which = chance.choice(tuple(_REACH))
    text = (
        BRIEF.split("[[areas]]")[0]
        + f'[[areas]]\nname = "ground"\ndeepest = 12\n{which} = {json.dumps(name)}\n'
    )
    (folder / "brief.toml").write_text(text + _REACH[which] + "\n", encoding="utf-8")


def feed_shape(_chance: random.Random, folder: Path, _out: Path) -> None:
    brief = Brief.read(folder)
    worked_out = plan(brief)
    shape = worked_out.shapes["ground"]
    parts = (
        shape.lines
        if isinstance(shape, Corridor)
        else sum(shape.polygons, ())
        if isinstance(shape, Polygons)
        else ()
    )
    assert parts, "a shape without a position"
    for xy in parts:
        highest = MAX_LATITUDE if isinstance(shape, Corridor) else 90
        assert xy.ndim == 2
        assert np.isfinite(xy).all()
        assert (np.abs(xy[:, 1]) <= highest).all()
    _check_planned(worked_out.count)


def _check_planned(count: int) -> None:
    assert 0 < count < _PLANNED_MOST, f"a plan of {count} tiles"


def _sample(chance: random.Random, samples: Path, pattern: str) -> Path:
    return chance.choice(sorted((samples / "shapes").glob(pattern)))


def harm_text(ending: str, chance: random.Random, samples: Path, folder: Path) -> None:
    source = _sample(chance, samples, f"*{ending}")
    data = source.read_bytes()
    match chance.randrange(3):
        case 0:
            data = damaged(chance, data)
        case 1:
            data = worded(chance, data.decode("utf-8", "replace"))
        case _:
            data = _hostile(chance, ending, data)
    (folder / f"a{ending}").write_bytes(data)
    _shape_brief(chance, folder, f"a{ending}")


def _hostile(chance: random.Random, ending: str, data: bytes) -> bytes:
    match ending:
        case ".geojson":
            return hostile_json(chance, GEOJSON)
        case ".topojson":
            return hostile_json(chance, TOPOLOGY)
        case ".gpx" | ".kml":
            return hostile_xml(chance, ending)
        case ".gml" | ".tcx":
            return hostile_markup(chance, data.decode())
    # Lines of text and binary records: many of them, or brackets and quotes without an end.
    line = data.splitlines(keepends=True)[-1]
    flood = chance.choice((line, b"(", b'"', b"GEOMETRYCOLLECTION (", b"\x1e{", b"9", b","))
    return damaged(chance, data + flood * chance.choice((10, 1000, 200_000)))


def harm_zip(chance: random.Random, samples: Path, folder: Path) -> None:
    ending = chance.choice((".kmz", ".kmz", ".kmz", ".zip", ".KMZ"))
    data = (
        hostile_zip(chance)
        if chance.random() < 0.6
        else damaged(chance, (samples / "shapes" / "a.kmz").read_bytes())
    )
    (folder / f"a{ending}").write_bytes(data)
    _shape_brief(chance, folder, f"a{ending}")


def harm_shape_file(chance: random.Random, samples: Path, folder: Path) -> None:
    """Shapefile, FlatGeobuf and GeoPackage, all read by GDAL."""
    source = _sample(chance, samples, chance.choice(("*.shp", "*.fgb", "*.gpkg", "*.zip")))
    for path in source.parent.glob(f"{source.stem}.*"):
        if path.suffix == source.suffix or source.suffix == ".shp":
            shutil.copy(path, folder / f"a{path.suffix}")
    target = folder / f"a{source.suffix}"
    if source.suffix == ".gpkg":
        harm_database(chance, target)
    else:
        victims = sorted(folder.glob("a.*")) if chance.random() < 0.5 else [target]
        for path in victims:
            path.write_bytes(damaged(chance, path.read_bytes()))
    if source.suffix == ".shp" and chance.random() < 0.5:
        _set_length(target)
        _set_length(target.with_suffix(".shx"))
    _shape_brief(chance, folder, target.name)


def _set_length(path: Path) -> None:
    data = path.read_bytes()
    if len(data) > 28:
        path.write_bytes(data[:24] + struct.pack(">I", len(data) // 2) + data[28:])


# --- briefs ----------------------------------------------------------------------------------------------


def harm_brief(chance: random.Random, _samples: Path, folder: Path) -> None:
    match chance.randrange(3):
        case 0:
            data = damaged(chance, BRIEF.encode())
        case 1:
            data = worded(chance, BRIEF)
        case _:
            data = hostile_brief(chance)
    (folder / "brief.toml").write_bytes(data)


def feed_brief(_chance: random.Random, folder: Path, _out: Path) -> None:
    brief = Brief.read(folder)
    assert brief.layers
    assert brief.areas
    _check_planned(plan(brief).count)


# --- what servers say of their layers --------------------------------------------------------------------

_TILEJSON: dict[str, Any] = {
    "tilejson": "3.0.0",
    "tiles": ["https://tiles.example.org/survey/{z}/{x}/{y}.png"],
    "attribution": '<a href="https://example.org">Example Survey</a>',
    "bounds": [12.0, 46.5, 13.0, 47.5],
    "minzoom": 0,
    "maxzoom": 14,
    "scheme": "xyz",
    "vector_layers": [{"id": "roads", "fields": {"kind": "String"}}],
}
_MATRIX = (
    "<TileMatrix><ows:Identifier>{z}</ows:Identifier><ScaleDenominator>{scale}</ScaleDenominator>"
    "<TopLeftCorner>-20037508.342789244 20037508.342789244</TopLeftCorner><TileWidth>256</TileWidth>"
    "<TileHeight>256</TileHeight><MatrixWidth>{n}</MatrixWidth><MatrixHeight>{n}</MatrixHeight></TileMatrix>"
)
_WMTS = (
    '<?xml version="1.0" encoding="UTF-8"?><Capabilities xmlns="http://www.opengis.net/wmts/1.0" '
    'xmlns:ows="http://www.opengis.net/ows/1.1" xmlns:xlink="http://www.w3.org/1999/xlink" version="1.0.0"><Contents>'
    "<Layer><ows:Identifier>survey</ows:Identifier><ows:WGS84BoundingBox><ows:LowerCorner>12 46.5</ows:LowerCorner>"
    "<ows:UpperCorner>13 47.5</ows:UpperCorner></ows:WGS84BoundingBox><Style isDefault='true'><ows:Identifier>day"
    "</ows:Identifier></Style><Format>image/png</Format><TileMatrixSetLink><TileMatrixSet>grid</TileMatrixSet>"
    "</TileMatrixSetLink><ResourceURL format='image/png' resourceType='tile' "
    "template='https://tiles.example.org/{TileMatrix}/{TileCol}/{TileRow}.png'/></Layer><TileMatrixSet>"
    "<ows:Identifier>grid</ows:Identifier><ows:SupportedCRS>urn:ogc:def:crs:EPSG::3857</ows:SupportedCRS>"
    + "".join(_MATRIX.format(z=z, n=1 << z, scale=559082264.0287178 / 2**z) for z in range(6))
    + "</TileMatrixSet></Contents></Capabilities>"
)


def harm_tilejson(chance: random.Random, _samples: Path, folder: Path) -> None:
    data = json.dumps(_TILEJSON).encode()
    choice = chance.randrange(3)
    data = (
        damaged(chance, data)
        if choice == 0
        else worded(chance, data.decode())
        if choice == 1
        else hostile_json(chance, _TILEJSON)
    )
    (folder / "answer").write_bytes(data)


def feed_tilejson(_chance: random.Random, folder: Path, _out: Path) -> None:
    from packer.sources.tilejson import read_tilejson

    offer = read_tilejson((folder / "answer").read_bytes())
    assert offer.templates
    assert 0 <= offer.zooms[0] <= offer.zooms[1] <= MAX_ZOOM


def harm_wmts(chance: random.Random, _samples: Path, folder: Path) -> None:
    match chance.randrange(4):
        case 0:
            data = damaged(chance, _WMTS.encode())
        case 1:
            data = worded(chance, _WMTS)
        case 2:
            data = (
                hostile_xml(chance, ".gpx")
                .replace(b"<gpx", b"<Capabilities")
                .replace(b"</gpx", b"</Capabilities")
            )
        case _:
            inside = chance.choice(("<TileMatrix>", "<Layer>", "<ows:Identifier>"))
            depth = chance.choice((50, 5000, 100_000))
            close = inside.replace("<", "</")
            flood = chance.choice((inside * depth + close * depth, (inside + "x" + close) * depth))
            data = _WMTS.replace("<Contents>", "<Contents>" + flood).encode()
    (folder / "answer").write_bytes(data)


def feed_wmts(_chance: random.Random, folder: Path, _out: Path) -> None:
    from packer.sources.wmts import Wish, read_wmts

    offer = read_wmts((folder / "answer").read_bytes(), Wish())
    assert offer.templates
    assert 0 <= offer.zooms[0] <= offer.zooms[1] <= MAX_ZOOM
