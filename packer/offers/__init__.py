"""What servers say that they offer: TileJSON and WMTS capabilities, read strictly and kept without keys."""

from __future__ import annotations

from packer.offers.keeping import keep_offer, kept_form, kept_offer, offer_path
from packer.offers.offer import LIMIT_BYTES, Offer, OfferError, Window
from packer.offers.tilejson import read_tilejson
from packer.offers.wmts import Wish, read_wmts

__all__ = [
    "LIMIT_BYTES",
    "Offer",
    "OfferError",
    "Window",
    "Wish",
    "keep_offer",
    "kept_form",
    "kept_offer",
    "offer_path",
    "read_tilejson",
    "read_wmts",
]
