"""A WMTS and a WMS on loopback whose ground lies in a grid of its own: any coordinate system, no Web Mercator.

The ground is a raster with a number of scales, each the mean of two by two pixels of the next finer one.
"""

from __future__ import annotations

import io
import re
import threading
from collections import Counter
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import numpy as np
import numpy.typing as npt
from PIL import Image
from pyproj import CRS, Transformer

from tests import geotiffs
from tests.tile_server import TileServer, answer

__all__ = ["GridServer", "Ground"]

Bands = npt.NDArray[np.uint8]
TILE_PX = 256
PIXEL_M = 0.00028  # OGC 07-057r7, clause 6.1
_TILE = re.compile(r"/survey/(\w+)/(-?\d+)/(-?\d+)\.(png|jpg)")


@dataclass(frozen=True)
class Ground:
    """A raster in `crs`: array (rows, columns, 3), its top left corner at `corner` (east, north), pixels of `pixel`
    units. `scales` are the factors of its coarser copies."""

    crs: str
    corner: tuple[float, float]
    pixel: float
    bands: Bands
    scales: tuple[int, ...] = (8, 4, 2, 1)

    @classmethod
    def drawn(
        cls, crs: str, corner: tuple[float, float], pixel: float, side_px: int = 2048, **more: tuple[int, ...]
    ) -> Ground:
        """Hills and edges."""
        bands = np.moveaxis(geotiffs.ground(side_px, side_px), 0, -1)
        return cls(crs, corner, pixel, bands, **more)

    def at(self, scale: int) -> Bands:
        """The copy smaller by a factor."""
        high, wide = (n // scale for n in self.bands.shape[:2])
        cells = self.bands[: high * scale, : wide * scale].reshape(high, scale, wide, scale, 3)
        found: Bands = cells.mean(axis=(1, 3)).round().astype(np.uint8)
        return found

    def degrees(self) -> tuple[float, float, float, float]:
        """West, south, east and north."""
        share = np.linspace(0, 1, 9)
        x, y = np.meshgrid(share * self.bands.shape[1] * self.pixel, share * self.bands.shape[0] * self.pixel)
        move = Transformer.from_crs(self.crs, "OGC:CRS84", always_xy=True)
        lon, lat = move.transform(self.corner[0] + x.ravel(), self.corner[1] - y.ravel())
        return float(lon.min()), float(lat.min()), float(lon.max()), float(lat.max())

    def geotiff(self, path: Path, scale: int = 1) -> Path:
        """The same ground as a file that GDAL reads."""
        bands = np.moveaxis(self.at(scale), -1, 0)
        return geotiffs.write(path, bands, self.crs, self.corner, self.pixel * scale)


@dataclass
class GridServer:
    """`with GridServer(ground) as server`. `asked` counts tiles by path; `gone` are paths that answer 404; `edition`
    makes other pixels of every tile."""

    ground: Ground
    kind: str = "png"
    asked: Counter[str] = field(default_factory=Counter)
    queries: list[dict[str, str]] = field(default_factory=list)
    gone: set[str] = field(default_factory=set)
    changed: set[str] = field(default_factory=set)
    crs_names: tuple[str, ...] = ()
    _kept: dict[tuple[str, bool, str], bytes] = field(default_factory=dict)

    def __enter__(self) -> GridServer:
        self._levels = {str(n): self.ground.at(scale) for n, scale in enumerate(self.ground.scales)}
        self._lock = threading.Lock()
        self._http = TileServer(self._answer)
        self._http.__enter__()
        self.address = f"http://127.0.0.1:{self._http.port}"
        return self

    def __exit__(self, *_: object) -> None:
        self._http.__exit__(None, None, None)

    def hold_after(self, requests: int | None) -> None:
        """As of `TileServer`."""
        self._http.hold_after(requests)

    def reached(self, requests: int) -> Connection:
        """As of `TileServer`."""
        return self._http.reached(requests)

    @property
    def tiles_seen(self) -> int:
        """Requests for tiles so far."""
        return self._http.tiles_asked.total()

    def _answer(self, path: str) -> bytes | None:
        parts = urlsplit(path)
        if parts.path == "/wmts":
            return answer("200 OK", self.capabilities().encode(), "application/xml")
        if parts.path == "/wms":
            return self._wms({k.lower(): v[-1] for k, v in parse_qs(parts.query).items()})
        if (match := _TILE.fullmatch(parts.path)) is None:
            return answer("404 Not Found", b"no", "text/plain")
        with self._lock:
            self.asked[parts.path] += 1
        matrix, row, column = match[1], int(match[2]), int(match[3])
        level = self._levels.get(matrix)
        if level is None or row < 0 or column < 0 or parts.path in self.gone:
            return answer("404 Not Found", b"no such tile", "text/plain")
        some = level[row * 256 : (row + 1) * 256, column * 256 : (column + 1) * 256]
        if some.size == 0:
            return answer("404 Not Found", b"no such tile", "text/plain")
        whole = np.zeros((256, 256, 3), np.uint8)
        whole[: some.shape[0], : some.shape[1]] = some
        changed = parts.path in self.changed
        # Kept, since the bytes that Pillow makes of the same pixels depend on what else this process does with it.
        key = parts.path, changed, self.kind
        if key not in self._kept:
            self._kept[key] = self._picture(255 - whole if changed else whole)
        return self._kept[key]

    def _picture(self, pixels: Bands) -> bytes:
        out = io.BytesIO()
        if self.kind == "png":
            Image.fromarray(pixels).save(out, "PNG", compress_level=1)
            return answer("200 OK", out.getvalue(), "image/png")
        Image.fromarray(pixels).save(out, "JPEG", quality=90)
        return answer("200 OK", out.getvalue(), "image/jpeg")

    # -------------------------------------------------------------------------------- WMTS

    def capabilities(self, *, swapped: bool = False) -> str:
        """A capabilities document (07-057r7); `swapped` writes corners the other way round than the axes are."""
        crs = CRS(self.ground.crs)
        unit_m = 111319.49079327358 if crs.is_geographic else crs.axis_info[0].unit_conversion_factor
        east, north = self.ground.corner
        north_first = (crs.axis_info[0].direction == "north") != swapped
        corner = f"{north!r} {east!r}" if north_first else f"{east!r} {north!r}"
        matrices = ""
        for name, level in self._levels.items():
            scale = self.ground.scales[int(name)] * self.ground.pixel * unit_m / PIXEL_M
            high, wide = (-(-n // 256) for n in level.shape[:2])
            matrices += (
                f"<TileMatrix><ows:Identifier>{name}</ows:Identifier><ScaleDenominator>{scale!r}</ScaleDenominator>"
                f"<TopLeftCorner>{corner}</TopLeftCorner><TileWidth>256</TileWidth><TileHeight>256</TileHeight>"
                f"<MatrixWidth>{wide}</MatrixWidth><MatrixHeight>{high}</MatrixHeight></TileMatrix>"
            )
        west, south, far, top = self.ground.degrees()
        urn = "urn:ogc:def:crs:{}::{}".format(*self.ground.crs.split(":"))
        media = {"png": "image/png", "jpg": "image/jpeg"}[self.kind]
        return (
            '<Capabilities xmlns="http://www.opengis.net/wmts/1.0" xmlns:ows="http://www.opengis.net/ows/1.1" '
            'version="1.0.0"><Contents><Layer><ows:Title>Ground</ows:Title><ows:WGS84BoundingBox><ows:LowerCorner>'
            f"{west!r} {south!r}</ows:LowerCorner><ows:UpperCorner>{far!r} {top!r}</ows:UpperCorner>"
            "</ows:WGS84BoundingBox><ows:Identifier>ground</ows:Identifier><Style isDefault='true'><ows:Identifier>"
            f"plain</ows:Identifier></Style><Format>{media}</Format><TileMatrixSetLink><TileMatrixSet>own"
            f"</TileMatrixSet></TileMatrixSetLink><ResourceURL format='{media}' resourceType='tile' "
            f"template='{self.address}/survey/{{TileMatrix}}/{{TileRow}}/{{TileCol}}.{self.kind}'/></Layer>"
            "<TileMatrixSet><ows:Identifier>own</ows:Identifier>"
            f"<ows:SupportedCRS>{urn}</ows:SupportedCRS>{matrices}</TileMatrixSet></Contents></Capabilities>"
        )

    # -------------------------------------------------------------------------------- WMS

    def _wms(self, asked: dict[str, str]) -> bytes:
        if asked["request"].lower() == "getcapabilities":
            return answer("200 OK", self.wms_capabilities().encode(), "text/xml")
        with self._lock:
            self.queries.append(asked)
        first, second, third, fourth = map(float, asked["bbox"].split(","))
        if CRS(asked["crs"]).axis_info[0].direction == "north":  # 06-042, clause 6.7.2
            first, second, third, fourth = second, first, fourth, third
        wide, high = int(asked["width"]), int(asked["height"])
        x = first + (np.arange(wide) + 0.5) * (third - first) / wide
        y = fourth - (np.arange(high) + 0.5) * (fourth - second) / high
        column = np.floor((x - self.ground.corner[0]) / self.ground.pixel).astype(int)
        row = np.floor((self.ground.corner[1] - y) / self.ground.pixel).astype(int)
        rows, columns = self.ground.bands.shape[:2]
        out = np.full((high, wide, 3), 255, np.uint8)
        inside = ((row >= 0) & (row < rows))[:, None] & ((column >= 0) & (column < columns))[None, :]
        found = self.ground.bands[np.clip(row, 0, rows - 1)][:, np.clip(column, 0, columns - 1)]
        out[inside] = found[inside]
        return self._picture(out)

    def wms_capabilities(self) -> str:
        west, south, east, north = self.ground.degrees()
        names = self.crs_names or (self.ground.crs,)
        return (
            '<WMS_Capabilities version="1.3.0" xmlns="http://www.opengis.net/wms" '
            'xmlns:xlink="http://www.w3.org/1999/xlink"><Service><Name>WMS</Name></Service><Capability><Request>'
            f"<GetMap><Format>image/{self.kind}</Format><DCPType><HTTP><Get><OnlineResource "
            f'xlink:href="{self.address}/wms?"/></Get></HTTP></DCPType></GetMap></Request><Layer><Name>ground</Name>'
            f"<Title>Ground</Title>{''.join(f'<CRS>{name}</CRS>' for name in names)}<EX_GeographicBoundingBox>"
            f"<westBoundLongitude>{west!r}</westBoundLongitude><eastBoundLongitude>{east!r}</eastBoundLongitude>"
            f"<southBoundLatitude>{south!r}</southBoundLatitude><northBoundLatitude>{north!r}</northBoundLatitude>"
            "</EX_GeographicBoundingBox></Layer></Capability></WMS_Capabilities>"
        )
