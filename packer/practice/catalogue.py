"""What the practice server says of itself: TileJSON 3.0.0 and WMTS 1.0.0 capabilities."""

from __future__ import annotations

from typing import Any
from xml.sax.saxutils import escape, quoteattr

from packer.geometry.grid import EQUATOR_M, MAX_LATITUDE
from packer.practice.layers import LAYERS, SHARP_PX
from packer.practice.regions import LAST_ZOOM
from packer.practice.terrain import BASIN_LAT, BASIN_LON

__all__ = ["SHARP_SET", "tilejson", "wmts_capabilities"]


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


SHARP_SET = f"WebMercatorQuad-{SHARP_PX}"  # the same square, in tiles of more pixels
_NAMESPACES = (
    'xmlns="http://www.opengis.net/wmts/1.0" xmlns:ows="http://www.opengis.net/ows/1.1" '
    'xmlns:xlink="http://www.w3.org/1999/xlink" version="1.0.0"'
)


def wmts_capabilities(base_url: str, *, by_kvp: bool = False) -> str:
    """The layers as an OGC WMTS 1.0.0 (07-057r7) capabilities document, in the tile matrix set WebMercatorQuad
    (17-083r4) and, with 512 pixels to a tile, in one of the same square.

    Tiles are asked for by RESTful addresses or, `by_kvp`, by GetTile, with longer names for the matrices.
    """
    root = base_url.rstrip("/")
    layers = "".join(_layer(name, None if by_kvp else root) for name in LAYERS)
    sets = _matrix_set("EPSG:3857:") if by_kvp else _matrix_set() + _matrix_set(tile_px=SHARP_PX)
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>\n<Capabilities {_NAMESPACES}>'
        "<ows:ServiceIdentification><ows:Title>Ketterling Practice Survey</ows:Title>"
        "<ows:ServiceType>OGC WMTS</ows:ServiceType>"
        "<ows:ServiceTypeVersion>1.0.0</ows:ServiceTypeVersion></ows:ServiceIdentification>"
        f"{_operations(root) if by_kvp else ''}<Contents>{layers}{sets}"
        "</Contents></Capabilities>\n"
    )


def _operations(root: str) -> str:
    return (
        '<ows:OperationsMetadata><ows:Operation name="GetTile"><ows:DCP><ows:HTTP>'
        f'<ows:Get xlink:href={quoteattr(f"{root}/kvp?")}><ows:Constraint name="GetEncoding"><ows:AllowedValues>'
        "<ows:Value>KVP</ows:Value></ows:AllowedValues></ows:Constraint></ows:Get>"
        "</ows:HTTP></ows:DCP></ows:Operation></ows:OperationsMetadata>"
    )


def _layer(name: str, root: str | None) -> str:
    """A layer; without a root it has no RESTful address, and only tiles of 256 pixels."""
    kind = LAYERS[name]
    links, resource = "<TileMatrixSet>WebMercatorQuad</TileMatrixSet>", ""
    if root is not None:
        links += f"</TileMatrixSetLink><TileMatrixSetLink><TileMatrixSet>{SHARP_SET}</TileMatrixSet>"
        address = f"{root}/{name}/{{TileMatrixSet}}/{{TileMatrix}}/{{TileCol}}/{{TileRow}}.{kind.extension}"
        resource = (
            f'<ResourceURL format={quoteattr(kind.media_type)} resourceType="tile" '
            f"template={quoteattr(address)}/>"
        )
    return (
        f"<Layer><ows:Title>Ketterling {escape(name)}</ows:Title>"
        f"<ows:WGS84BoundingBox><ows:LowerCorner>-180 {-MAX_LATITUDE:.6f}</ows:LowerCorner>"
        f"<ows:UpperCorner>180 {MAX_LATITUDE:.6f}</ows:UpperCorner></ows:WGS84BoundingBox>"
        f"<ows:Identifier>{escape(name)}</ows:Identifier>"
        '<Style isDefault="true"><ows:Identifier>default</ows:Identifier></Style>'
        f"<Format>{kind.media_type}</Format>"
        f"<TileMatrixSetLink>{links}</TileMatrixSetLink>{resource}</Layer>"
    )


def _matrix_set(prefix: str = "", tile_px: int = 256) -> str:
    half, name = EQUATOR_M / 2, "WebMercatorQuad" if tile_px == 256 else SHARP_SET
    known = (
        "<WellKnownScaleSet>urn:ogc:def:wkss:OGC:1.0:GoogleMapsCompatible</WellKnownScaleSet>"
        if tile_px == 256
        else ""
    )
    matrices = "".join(
        f"<TileMatrix><ows:Identifier>{prefix}{zoom}</ows:Identifier>"
        # The standard's rendering pixel is 0.28 mm wide (17-083r4, clause 6).
        f"<ScaleDenominator>{EQUATOR_M / tile_px / 2**zoom / 0.00028!r}</ScaleDenominator>"
        f"<TopLeftCorner>{-half!r} {half!r}</TopLeftCorner><TileWidth>{tile_px}</TileWidth>"
        f"<TileHeight>{tile_px}</TileHeight><MatrixWidth>{2**zoom}</MatrixWidth>"
        f"<MatrixHeight>{2**zoom}</MatrixHeight></TileMatrix>"
        for zoom in range(LAST_ZOOM + (tile_px == 256))
    )
    return (
        f"<TileMatrixSet><ows:Identifier>{name}</ows:Identifier>"
        "<ows:SupportedCRS>urn:ogc:def:crs:EPSG::3857</ows:SupportedCRS>"
        f"{known}{matrices}</TileMatrixSet>"
    )
