"""What a layer of a brief asks of the service that describes it, and the offer that follows from its answer."""

from __future__ import annotations

from typing import Literal

from packer.planning.brief_layer import Layer
from packer.sources.dimensions import DimensionWish
from packer.sources.offer import Offer
from packer.sources.ogc_tiles import OgcWish, Walk, walk_tiles
from packer.sources.tilejson import read_tilejson
from packer.sources.wms import WmsWish, capabilities_address, read_wms
from packer.sources.wmts import Wish, read_wmts

__all__ = ["description_address", "read_description", "walk_of"]


def description_address(layer: Layer, address: str) -> str:
    """Where the description of a layer is asked for; `address` is that of its key, variables filled in."""
    return capabilities_address(address) if layer.wms else address


def walk_of(layer: Layer, address: str) -> Walk | None:
    """The walk through the documents of a layer whose description is more than one; None for any other layer."""
    if layer.ogc_tiles is None:
        return None
    written = layer.as_written
    return walk_tiles(address, OgcWish(layer.ogc_collection, written.format, written.tile_size))


def read_description(layer: Layer, body: bytes, asked_at: str, resolved: str | None) -> Offer:
    """The offer of one document, which was asked for at an address.

    `resolved` is the date that was found for the layer before, if one was. Raises OfferError, worded for the planner,
    where the document has no such layer.
    """
    if layer.tilejson:
        return read_tilejson(body)
    dimensions = DimensionWish(layer.date, tuple(layer.dimensions.items()), resolved)
    kind = layer.as_written.format
    if layer.wmts:
        wish = Wish(
            layer.wmts_layer, layer.wmts_style, layer.wmts_matrix_set, layer.tile_size, kind, dimensions
        )
        return read_wmts(body, wish)
    side: Literal[256, 512] = layer.as_written.tile_size or 256
    maps = WmsWish(
        layer.wms_layers, layer.wms_style, side, kind, layer.transparent, dimensions, layer.wms_crs
    )
    return read_wms(body, maps, asked_at)
