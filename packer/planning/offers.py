"""A brief and what its servers offer, brought together: layers with their address, zooms and attribution filled in.

What the brief says wins. Nothing here touches the network; `packer.fetching.hosts.offer_reading` reads from there.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping
from pathlib import Path

from packer.common.shell import shell_command
from packer.errors import BriefError
from packer.geometry.blocks import largest_block
from packer.planning.brief import Brief, Layer
from packer.planning.brief_errors import quote_value
from packer.sources.address import check_template, variables
from packer.sources.kept_offers import keep_offer, kept_offer
from packer.sources.offer import Offer
from packer.sources.safe_address import fingerprint, source_form

__all__ = [
    "apply_offers",
    "cache_offer",
    "cached_offers",
    "date_of",
    "gutter_of",
    "metatile_of",
    "offers_missing_error",
    "source_mark",
    "source_name",
    "undescribed",
    "with_offer",
]


MOST_BLOCK_PX = 2048
"""The widest picture of a block: larger ones are slow to draw, and a failed one costs much. Our own choice."""


def source_name(layer: Layer) -> str:
    """A name, without a key in it, for what of a layer decides which offer is its own."""
    asked = (
        *(layer.address_key, source_form(layer.offered_at or "")),
        *(layer.wmts_layer, layer.wmts_style, layer.wmts_matrix_set, layer.as_written.tile_size),
        *(layer.as_written.format, sorted(layer.tile_hosts)),
        *_further(layer),
        *((layer.date,) if layer.date else ()),
    )
    return hashlib.sha256(repr(asked).encode()).hexdigest()[:16]


def source_mark(layer: Layer) -> str:
    """A name, without a key in it, for where the tiles of a layer come from.

    Where a server gives the address it may give another each time, to each planner: what it was asked counts.
    """
    date = date_of(layer)
    dated = (date,) if date else ()
    if layer.offered_at is None:
        return (
            hashlib.sha256(repr((fingerprint(layer.url), *dated)).encode()).hexdigest()[:16]
            if dated
            else (fingerprint(layer.url))
        )
    asked = (layer.address_key, source_form(layer.offered_at), layer.wmts_layer)
    marks = (*asked, layer.wmts_style, layer.as_written.tile_size, *_further(layer), *dated)
    return hashlib.sha256(repr(marks).encode()).hexdigest()[:16]


def _further(layer: Layer) -> tuple[object, ...]:
    """What of later keys decides the same; nothing where none is given, so that marks of older packs stay."""
    if layer.ogc_tiles:
        return (layer.ogc_collection,)
    if not (layer.wms or layer.dimensions):
        return ()
    marks = (layer.wms_layers, layer.wms_style, layer.transparent, sorted(layer.dimensions.items()))
    return (*marks, layer.wms_crs) if layer.wms_crs else marks


def date_of(layer: Layer) -> str | None:
    """The date of a layer's tiles: that of the brief, or the one that the server's description came to."""
    if layer.offered_at is None:
        return layer.date
    return layer.offer.date if layer.offer is not None else None


def metatile_of(layer: Layer) -> int:
    """Tiles a side of the blocks in which a layer is asked for, as far as its server's largest picture allows."""
    return largest_block(layer.metatile, layer.tile_size or 256, _widest_px(layer) - 2 * gutter_of(layer))


def gutter_of(layer: Layer) -> int:
    """Pixels round each picture that are thrown away, 0 where the server's largest picture leaves no room for them."""
    return layer.gutter if (layer.tile_size or 256) + 2 * layer.gutter <= _widest_px(layer) else 0


def _widest_px(layer: Layer) -> int:
    if layer.offer is not None and layer.offer.largest_px is not None:
        return min(MOST_BLOCK_PX, *layer.offer.largest_px)
    return MOST_BLOCK_PX


def apply_offers(brief: Brief, offers: Mapping[str, Offer], asked: Mapping[str, str] | None = None) -> Brief:
    """The brief with these offers filled in, by layer; other layers stay as they are.

    `asked` are templates as servers gave them, by layer. Raises BriefError where brief and offer do not go
    together.
    """
    layers = {
        name: with_offer(brief, layer, offers[name], (asked or {}).get(name)) if name in offers else layer
        for name, layer in brief.layers.items()
    }
    return brief.model_copy(update={"layers": layers})


def with_offer(brief: Brief, layer: Layer, offer: Offer, asked: str | None = None) -> Layer:
    """A layer of the brief with an offer filled in. Raises BriefError where the two do not go together."""
    written, place = layer.as_written, f"{brief.path}: layers.{layer.name}"
    try:
        check_template(offer.templates[0], layer.subdomains)
    except ValueError as fault:
        raise BriefError(
            f"{place}: the server gives a tile address that cannot be used: {fault}. Ask its owner for a usable "
            "address, and write it as url."
        ) from None
    zooms = _zooms(place, written, offer)
    attribution = written.attribution or offer.attribution
    if not attribution:
        raise BriefError(
            f'{place}: attribution is missing, and the server gives none. Write attribution = "Example Survey", '
            "in the words that its owner asks for."
        )
    size = written.tile_size or (offer.tile_px if written.wms or offer.tile_px == 512 else None)
    return written.offered(
        offer,
        asked,
        url=offer.templates[0],
        zooms=zooms,
        attribution=attribution,
        format=written.format or offer.kind,
        tile_size=size,
    )


def _zooms(place: str, layer: Layer, offer: Offer) -> tuple[int, int]:
    first, last = max(layer.zooms[0], offer.zooms[0]), min(layer.zooms[1], offer.zooms[1])
    if first > last:
        raise BriefError(
            f"{place}: zooms are {quote_value(list(layer.zooms))}, but the server only offers "
            f"{quote_value(list(offer.zooms))}. Change zooms, or leave the key out."
        )
    return first, last


def cached_offers(brief: Brief, folder: Path) -> dict[str, Offer]:
    """The offers that are kept in the folder of the packs, of those layers that need one and have it there."""
    found = {}
    for name, layer in brief.layers.items():
        if layer.offered_at is not None:
            named = {variable for text in layer.as_written.keyed for variable in variables(text)}
            offer = kept_offer(folder, name, source_name(layer), named)
            if offer is not None and _can_address(offer, layer):
                found[name] = offer
    return found


def _can_address(offer: Offer, layer: Layer) -> bool:
    """A cached address that no server's answer would have passed with means a damaged file: read it again."""
    try:
        check_template(offer.templates[0], layer.subdomains)
    except ValueError:
        return False
    return True


def cache_offer(layer: Layer, folder: Path, offer: Offer) -> None:
    """Leave a layer's offer, its templates in their kept form, in the folder of the packs.

    Raises DiskError. If the process dies: the old offer or the new one.
    """
    keep_offer(folder, layer.name, source_name(layer), offer)


def undescribed(brief: Brief | None, store: Path | None) -> list[str]:
    """The layers that their servers describe and whose description is not kept beside the packs yet. Raises StoreError
    as `cached_offers`."""
    if brief is None:
        return []
    known = cached_offers(brief, store or brief.store_folder)
    return [name for name, layer in brief.layers.items() if layer.offered_at and name not in known]


def offers_missing_error(brief: Brief, names: Collection[str]) -> BriefError:
    """The error that says how to read the offers of these layers."""
    layers = " and ".join(f'"{name}"' for name in names)
    return BriefError(
        f"{brief.path}: the server of layer {layers} was not yet asked what it offers, or the brief has changed "
        f"since. Ask it while you have a network: {shell_command('plan', brief.path)} (from Python: read_offers)"
    )
