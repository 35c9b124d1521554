"""MapServer, a WMS that nobody here wrote, run by FastCGI behind a small server on loopback that counts requests.

What of FastCGI 1.0 is needed stands here: one request on each connection (its sections 3 and 6, from memory).

Its ground is a TIFF with a world file in EPSG:3857 whose pixels are those of one zoom's tiles, and names drawn over it.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import socket
import struct
import subprocess
import threading
from collections.abc import Iterator, Mapping
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from types import TracebackType
from typing import IO, Any
from urllib.parse import parse_qs

import numpy as np
import pytest
from PIL import Image

from packer.geometry.grid import EQUATOR_M, mercator_box, tile_bounds
from packer.geometry.tileset import Tile

__all__ = ["CORNER", "MapServer", "extent", "ground", "program"]

ZOOM, SIDE_TILES = 14, 4
CORNER = Tile(ZOOM, 8760, 5744)  # its top left tile; both numbers are multiples of 8
_MAP = """
MAP
  NAME "practice"
  SIZE 256 256
  MAXSIZE {largest}
  EXTENT {extent}
  UNITS METERS
  IMAGETYPE png24
  PROJECTION "init=epsg:3857" END
  SHAPEPATH "{folder}"
  OUTPUTFORMAT NAME "png24" DRIVER "AGG/PNG" MIMETYPE "image/png" IMAGEMODE RGB EXTENSION "png" END
  OUTPUTFORMAT NAME "jpeg" DRIVER "AGG/JPEG" MIMETYPE "image/jpeg" IMAGEMODE RGB EXTENSION "jpg"
    FORMATOPTION "QUALITY=85" END
  WEB
    METADATA
      "wms_title" "Ketterling map service (invented)"
      "wms_onlineresource" "{address}/wms?"
      "wms_srs" "{srs}"
      "wms_enable_request" "*"
      "wms_attribution_title" "Ketterling Survey (invented)"
    END
  END
  LAYER
    NAME "ground" TYPE RASTER STATUS ON DATA "ground.tif"
    METADATA "wms_title" "Ground" "wms_srs" "{srs}" "wms_extent" "{extent}" END
    PROJECTION "init=epsg:3857" END
  END
  LAYER
    NAME "roads" TYPE LINE STATUS ON MAXSCALEDENOM 100000
    METADATA "wms_title" "Roads" "wms_srs" "{srs}" "wms_extent" "{extent}" END
    PROJECTION "init=epsg:3857" END
    FEATURE POINTS {line} END END
    CLASS STYLE COLOR 200 30 30 WIDTH 3 ANTIALIAS TRUE END END
  END
END
"""


def program() -> str:
    """Where MapServer is; the test is skipped where it is not."""
    places = [shutil.which("mapserv"), "/usr/lib/cgi-bin/mapserv"]
    found = next((place for place in places if place and os.access(place, os.X_OK)), None)
    if found is None:
        pytest.skip("no MapServer (cgi-mapserver)")
    return found


def extent() -> tuple[float, float, float, float]:
    """West, south, east and north of the ground in metres of EPSG:3857."""
    side = EQUATOR_M / (1 << ZOOM)
    west, north = CORNER.x * side - EQUATOR_M / 2, EQUATOR_M / 2 - CORNER.y * side
    return west, north - SIDE_TILES * side, west + SIDE_TILES * side, north


def ground() -> np.ndarray[Any, np.dtype[np.uint8]]:
    """The ground's pixels, by row, column and band: waves and noise, so that no two tiles are alike."""
    side = SIDE_TILES * 256
    y, x = np.mgrid[0:side, 0:side].astype(np.float64)
    noise = np.random.default_rng(17).integers(0, 3, (side, side, 3))
    waves = [np.sin(x / 37) + np.cos(y / 53), np.sin((x + y) / 71), np.cos(x / 19 - y / 97)]
    return (np.stack([100 + 50 * wave for wave in waves], axis=-1) + noise).clip(0, 255).astype(np.uint8)


class MapServer:
    """The server, with the queries that it was asked, in small letters and by name; its folder holds its files."""

    def __init__(self, folder: Path, *, srs: str = "EPSG:3857 EPSG:4326", largest: int = 2048) -> None:
        self.queries: list[dict[str, str]] = []
        self.pages: list[str] = []
        self._folder, self._program, self._srs, self._largest = folder, program(), srs, largest
        self._socket = folder / "s"
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), self._handler())
        self.url = f"http://127.0.0.1:{self._server.server_port}"

    def __enter__(self) -> MapServer:
        box, bands = extent(), ground()
        Image.fromarray(bands).save(self._folder / "ground.tif")
        pixel = (box[2] - box[0]) / bands.shape[1]
        world = (pixel, 0.0, 0.0, -pixel, box[0] + pixel / 2, box[3] - pixel / 2)  # a world file: six lines
        (self._folder / "ground.tfw").write_text("".join(f"{one!r}\n" for one in world))
        west, south, east, north = box
        line = " ".join(
            f"{west + (east - west) * t:.2f} {south + (north - south) * (0.5 + 0.4 * np.sin(9 * t)):.2f}"
            for t in np.linspace(0, 1, 60)
        )
        (self._folder / "mapserver.conf").write_text('CONFIG ENV MS_MAP_PATTERN "." END END')
        (self._folder / "practice.map").write_text(
            _MAP.format(
                folder=self._folder,
                address=self.url,
                extent=" ".join(map(repr, box)),
                srs=self._srs,
                largest=self._largest,
                line=line,
            )
        )
        env = {"MAPSERVER_CONFIG_FILE": str(self._folder / "mapserver.conf"), "PATH": "/usr/bin:/bin"}
        with socket.socket(socket.AF_UNIX) as listening:
            listening.bind(str(self._socket))
            listening.listen(64)
            self._process = subprocess.Popen(
                [self._program],
                env=env,
                stdin=listening.fileno(),
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.02})
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()
        self._process.kill()
        self._socket.unlink()
        self._process.wait()

    @property
    def maps(self) -> list[dict[str, str]]:
        """The queries that asked for a map."""
        return [query for query in self.queries if query.get("request", "").lower() == "getmap"]

    def answer(self, query: str) -> tuple[int, dict[str, str], bytes]:
        """Status, headers and body for a query."""
        env = {
            "MS_MAPFILE": str(self._folder / "practice.map"),
            "REQUEST_METHOD": "GET",
            "QUERY_STRING": query,
            "SERVER_NAME": "127.0.0.1",
            "SERVER_PORT": str(self._server.server_port),
            "SCRIPT_NAME": "/wms",
        }
        with socket.socket(socket.AF_UNIX) as link:
            link.settimeout(60)
            link.connect(str(self._socket))
            link.sendall(_request(env))
            with link.makefile("rb") as stream:
                head, _, body = b"".join(_answer(stream)).partition(b"\r\n\r\n")
        pairs = (line.split(": ", 1) for line in head.decode("latin-1").split("\r\n") if ": " in line)
        headers = {name.lower(): value for name, value in pairs}
        return int(headers.pop("status", "200").split()[0]), headers, body

    def _handler(self) -> type[BaseHTTPRequestHandler]:
        server = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(self) -> None:
                path, _, query = self.path.partition("?")
                if path == "/robots.txt":
                    self._send(200, {"content-type": "text/plain"}, b"User-agent: *\nAllow: /\n")
                    return
                if (page := _page(server.url, path)) is not None:
                    server.pages.append(path)
                    self._send(200, {"content-type": page[0]}, page[1])
                    return
                if (tile := _TILE.fullmatch(path)) is not None:
                    zoom, y, x = map(int, tile.groups())
                    query = _PLAIN.format(box=mercator_box(zoom, x, y))
                asked = {name.lower(): values[-1] for name, values in parse_qs(query).items()}
                server.queries.append(asked)
                self._send(*server.answer(query))

            def _send(self, status: int, headers: dict[str, str], body: bytes) -> None:
                self.send_response(status)
                for name, value in headers.items():
                    self.send_header(name, value)
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, *_: object) -> None:
                pass

        return Handler


# ------------------------------------------------------------------------------------ the same maps as tiles

_TILE = re.compile(r"/tiles/([0-9]+)/([0-9]+)/([0-9]+)")  # zoom, row, column
_PLAIN = (
    "SERVICE=WMS&VERSION=1.1.1&REQUEST=GetMap&LAYERS=ground,roads&STYLES=&SRS=EPSG:3857&FORMAT=image/png&WIDTH=256"
    "&HEIGHT=256&BBOX={box}"
)
_REL = "http://www.opengis.net/def/rel/ogc/1.0/"


def _page(url: str, path: str) -> tuple[str, bytes] | None:
    """Pages of an OGC API with tiles (20-057) and the capabilities of a WMTS, both for the maps of the WMS."""
    if path == "/wmts":
        return "application/xml", _wmts(url).encode()
    json_, tileset = "application/json", f"{url}/ogc/collections/ground/map/tiles/WebMercatorQuad"
    quad = "http://www.opengis.net/def/tilematrixset/OGC/1.0/WebMercatorQuad"
    crs = "http://www.opengis.net/def/crs/EPSG/0/3857"
    collection = {
        "id": "ground",
        "title": "Ground",
        "attribution": "Ketterling Survey (invented)",
        "extent": {"spatial": {"bbox": [_degrees()], "crs": "http://www.opengis.net/def/crs/OGC/1.3/CRS84"}},
        "links": [
            {"rel": "self", "type": json_, "href": f"{url}/ogc/collections/ground"},
            {"rel": f"{_REL}tilesets-map", "type": json_, "href": f"{url}/ogc/collections/ground/map/tiles"},
        ],
    }
    own = {"rel": "self", "type": json_, "href": tileset}
    about = {"title": "Ground", "dataType": "map", "crs": crs, "tileMatrixSetURI": quad}
    limits = [_limits(zoom) for zoom in (12, 13, 14)]
    item = {"rel": "item", "type": "image/png", "templated": True}
    scheme = {
        "rel": f"{_REL}tiling-scheme",
        "type": json_,
        "href": f"{url}/ogc/tileMatrixSets/WebMercatorQuad",
    }
    pages: dict[str, object] = {
        "/ogc": {
            "title": "Ketterling",
            "links": [
                {"rel": "self", "type": json_, "href": f"{url}/ogc"},
                {"rel": "data", "type": json_, "href": f"{url}/ogc/collections"},
                {"rel": f"{_REL}data", "type": json_, "href": f"{url}/ogc/collections"},
            ],
        },
        "/ogc/collections": {"links": [], "collections": [collection, {**collection, "id": "other"}]},
        "/ogc/collections/ground": collection,
        "/ogc/collections/ground/map/tiles": {"tilesets": [{**about, "links": [own]}]},
        "/ogc/collections/ground/map/tiles/WebMercatorQuad": {
            **about,
            "tileMatrixSetLimits": limits,
            "links": [own, scheme, {**item, "href": f"{url}/tiles/{{tileMatrix}}/{{tileRow}}/{{tileCol}}"}],
        },
        "/ogc/tileMatrixSets/WebMercatorQuad": {
            "id": "WebMercatorQuad",
            "uri": quad,
            "crs": crs,
            "tileMatrices": [_matrix(zoom) for zoom in range(15)],
        },
    }
    return (json_, json.dumps(pages[path]).encode()) if path in pages else None


def _degrees() -> list[float]:
    first, last = (
        tile_bounds(*CORNER),
        tile_bounds(ZOOM, CORNER.x + SIDE_TILES - 1, CORNER.y + SIDE_TILES - 1),
    )
    return [first.west, last.south, last.east, first.north]


def _limits(zoom: int) -> dict[str, object]:
    up = ZOOM - zoom
    columns = {"minTileCol": CORNER.x >> up, "maxTileCol": (CORNER.x + SIDE_TILES - 1) >> up}
    rows = {"minTileRow": CORNER.y >> up, "maxTileRow": (CORNER.y + SIDE_TILES - 1) >> up}
    return {"tileMatrix": str(zoom), **columns, **rows}


def _matrix(zoom: int) -> dict[str, object]:
    cell = EQUATOR_M / 256 / (1 << zoom)
    return {
        "id": str(zoom),
        "scaleDenominator": cell / 0.00028,
        "cellSize": cell,
        "cornerOfOrigin": "topLeft",
        "pointOfOrigin": [-EQUATOR_M / 2, EQUATOR_M / 2],
        "tileWidth": 256,
        "tileHeight": 256,
        "matrixWidth": 1 << zoom,
        "matrixHeight": 1 << zoom,
    }


def _wmts(url: str) -> str:
    west, south, east, north = _degrees()
    matrices = "".join(
        f"<TileMatrix><ows:Identifier>{one['id']}</ows:Identifier><ScaleDenominator>{one['scaleDenominator']!r}"
        f"</ScaleDenominator><TopLeftCorner>{-EQUATOR_M / 2!r} {EQUATOR_M / 2!r}</TopLeftCorner>"
        f"<TileWidth>256</TileWidth><TileHeight>256</TileHeight><MatrixWidth>{one['matrixWidth']}</MatrixWidth>"
        f"<MatrixHeight>{one['matrixHeight']}</MatrixHeight></TileMatrix>"
        for one in map(_matrix, range(15))
    )
    return (
        '<Capabilities xmlns="http://www.opengis.net/wmts/1.0" xmlns:ows="http://www.opengis.net/ows/1.1" '
        'version="1.0.0"><Contents><Layer><ows:Title>Ground</ows:Title><ows:WGS84BoundingBox><ows:LowerCorner>'
        f"{west!r} {south!r}</ows:LowerCorner><ows:UpperCorner>{east!r} {north!r}</ows:UpperCorner>"
        "</ows:WGS84BoundingBox><ows:Identifier>ground</ows:Identifier><Style isDefault='true'><ows:Identifier>plain"
        "</ows:Identifier></Style><Format>image/png</Format><TileMatrixSetLink><TileMatrixSet>quad</TileMatrixSet>"
        "</TileMatrixSetLink><ResourceURL format='image/png' resourceType='tile' "
        f"template='{url}/tiles/{{TileMatrix}}/{{TileRow}}/{{TileCol}}'/></Layer><TileMatrixSet><ows:Identifier>quad"
        "</ows:Identifier><ows:SupportedCRS>urn:ogc:def:crs:EPSG::3857</ows:SupportedCRS>"
        f"{matrices}</TileMatrixSet></Contents></Capabilities>"
    )


# ------------------------------------------------------------------------------------ FastCGI

_BEGIN, _PARAMS, _STDIN, _STDOUT, _END = 1, 4, 5, 6, 3


def _request(env: Mapping[str, str]) -> bytes:
    """The records of a request without a body, for a responder that closes the connection at its end."""
    params = b"".join(
        struct.pack(">II", len(name) | 1 << 31, len(value) | 1 << 31) + name.encode() + value.encode()
        for name, value in env.items()
    )
    records = [(_BEGIN, struct.pack(">HB5x", 1, 0)), (_PARAMS, params), (_PARAMS, b""), (_STDIN, b"")]
    return b"".join(struct.pack(">BBHHBx", 1, kind, 1, len(data), 0) + data for kind, data in records)


def _answer(stream: IO[bytes]) -> Iterator[bytes]:
    while len(head := stream.read(8)) == 8:
        _, kind, _, length, padding = struct.unpack(">BBHHBx", head)
        data = stream.read(length + padding)[:length]
        if kind == _STDOUT:
            yield data
        elif kind == _END:
            return
