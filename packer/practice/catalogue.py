"""What the practice server says of itself: TileJSON 3.0.0 and WMTS 1.0.0 capabilities."""

from __future__ import annotations

from typing import Any
from xml.sax.saxutils import escape, quoteattr

from packer.grid import EQUATOR_M, MAX_LATITUDE
from packer.practice.layers import LAYERS
from packer.practice.regions import LAST_ZOOM
from packer.practice.terrain import BASIN_LAT, BASIN_LON

__all__ = ["tilejson", "wmts_capabilities"]


def tilejson(layer: str, base_url: str, revision: int) -> dict[str, Any]:
    """A layer's description by TileJSON 3.0.0, with an absolute address under `base_url`."""
    kind = LAYERS[layer]
    return {
        "tilejson": "3.0.0",
        "name": f"Ketterling {layer}",
        "attribution": kind.attribution,
        "version": f"1.{revision}.0",
        "scheme": "xyz",
        "tiles": [f"{base_url.rstrip('/')}/{layer}/{{z}}/{{x}}/{{y}}.{kind.extension}"],
        "minzoom": 0,
        "maxzoom": LAST_ZOOM,
        "bounds": [-180.0, -85.05112877980659, 180.0, 85.0511287798066],
        "center": [BASIN_LON, BASIN_LAT, 12],
    }


_NAMESPACES = (
    'xmlns="http://www.opengis.net/wmts/1.0" xmlns:ows="http://www.opengis.net/ows/1.1" '
    'xmlns:xlink="http://www.w3.org/1999/xlink" version="1.0.0"'
)


def wmts_capabilities(base_url: str) -> str:
    """The layers as an OGC WMTS 1.0.0 (07-057r7) capabilities document, RESTful encoding, in the tile matrix
    set WebMercatorQuad (17-083r4)."""
    root = base_url.rstrip("/")
    layers = "".join(_layer(name, root) for name in LAYERS)
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>\n<Capabilities {_NAMESPACES}>'
        "<ows:ServiceIdentification><ows:Title>Ketterling Practice Survey</ows:Title>"
        "<ows:ServiceType>OGC WMTS</ows:ServiceType>"
        "<ows:ServiceTypeVersion>1.0.0</ows:ServiceTypeVersion></ows:ServiceIdentification>"
        f"<Contents>{layers}{_matrix_set()}</Contents></Capabilities>\n"
    )


def _layer(name: str, root: str) -> str:
    kind = LAYERS[name]
    address = f"{root}/{name}/{{TileMatrix}}/{{TileCol}}/{{TileRow}}.{kind.extension}"
    return (
        f"<Layer><ows:Title>Ketterling {escape(name)}</ows:Title>"
        f"<ows:WGS84BoundingBox><ows:LowerCorner>-180 {-MAX_LATITUDE:.6f}</ows:LowerCorner>"
        f"<ows:UpperCorner>180 {MAX_LATITUDE:.6f}</ows:UpperCorner></ows:WGS84BoundingBox>"
        f"<ows:Identifier>{escape(name)}</ows:Identifier>"
        '<Style isDefault="true"><ows:Identifier>default</ows:Identifier></Style>'
        f"<Format>{kind.media_type}</Format>"
        "<TileMatrixSetLink><TileMatrixSet>WebMercatorQuad</TileMatrixSet></TileMatrixSetLink>"
        f'<ResourceURL format={quoteattr(kind.media_type)} resourceType="tile" '
        f"template={quoteattr(address)}/></Layer>"
    )


def _matrix_set() -> str:
    half = EQUATOR_M / 2
    matrices = "".join(
        f"<TileMatrix><ows:Identifier>{zoom}</ows:Identifier>"
        # The standard's rendering pixel is 0.28 mm wide (17-083r4, clause 6).
        f"<ScaleDenominator>{EQUATOR_M / 256 / 2**zoom / 0.00028!r}</ScaleDenominator>"
        f"<TopLeftCorner>{-half!r} {half!r}</TopLeftCorner><TileWidth>256</TileWidth>"
        f"<TileHeight>256</TileHeight><MatrixWidth>{2**zoom}</MatrixWidth>"
        f"<MatrixHeight>{2**zoom}</MatrixHeight></TileMatrix>"
        for zoom in range(LAST_ZOOM + 1)
    )
    return (
        "<TileMatrixSet><ows:Identifier>WebMercatorQuad</ows:Identifier>"
        "<ows:SupportedCRS>urn:ogc:def:crs:EPSG::3857</ows:SupportedCRS>"
        "<WellKnownScaleSet>urn:ogc:def:wkss:OGC:1.0:GoogleMapsCompatible</WellKnownScaleSet>"
        f"{matrices}</TileMatrixSet>"
    )
