"""TileJSON 2.x and 3.0.0: a layer's description in JSON (TileJSON specification 3.0.0, its section 3)."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

from packer.geometry.grid import LonLatBox
from packer.sources.json_object import read_object
from packer.sources.offer import Offer, OfferError, checked_box, checked_zooms, prose, quoted

__all__ = ["read_tilejson"]

_MOST_TEMPLATES = 64
_LONGEST_TEMPLATE = 2000
_LAST_ZOOM = 30  # the specification's default and upper end for maxzoom
_KINDS = {"png": "png", "jpg": "jpg", "jpeg": "jpg", "webp": "webp", "pbf": "pbf", "mvt": "pbf"}
_ROW = re.compile(r"\{y\}")


def read_tilejson(body: bytes) -> Offer:
    """The offer that a TileJSON document describes.

    Raises OfferError, worded for the planner, for anything that is none or that states an impossibility.
    """
    told = read_object(body, "a TileJSON")
    version = told.get("tilejson")
    if not (isinstance(version, str) and version.startswith(("2.", "3."))):
        raise OfferError(
            "it is not a TileJSON 2 or 3: "
            + (f"its version is {quoted(version)}" if isinstance(version, str) else "it states no version")
        )
    first, last = (_whole(told, key, default) for key, default in (("minzoom", 0), ("maxzoom", _LAST_ZOOM)))
    return Offer(
        templates=_templates(told),
        zooms=checked_zooms(first, last),
        attribution=_attribution(told),
        kind=_kind(told),
        bounds=_bounds(told),
    )


def _templates(told: Mapping[str, Any]) -> tuple[str, ...]:
    tiles = told.get("tiles")
    if not isinstance(tiles, list) or not tiles or not all(isinstance(t, str) for t in tiles):
        raise OfferError("tiles is not a list of addresses")
    if len(tiles) > _MOST_TEMPLATES or any(len(t) > _LONGEST_TEMPLATE for t in tiles):
        raise OfferError(
            f"tiles has over {_MOST_TEMPLATES} addresses, or one of over {_LONGEST_TEMPLATE} characters"
        )
    match told.get("scheme", "xyz"):
        case "xyz":
            return tuple(tiles)
        case "tms":  # rows from the bottom
            return tuple(_ROW.sub("{-y}", t) for t in tiles)
        case str(other):
            raise OfferError(f"unsupported scheme {quoted(other)}; use xyz or tms")
        case _:
            raise OfferError("its scheme is not text")


def _whole(told: Mapping[str, Any], key: str, default: int) -> int:
    value = told.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise OfferError(f"{key} is not a number")
    if not 0 <= value <= _LAST_ZOOM or value != int(value):
        raise OfferError(f"{key} is not a whole number from 0 to {_LAST_ZOOM}")
    return int(value)


def _bounds(told: Mapping[str, Any]) -> LonLatBox | None:
    if "bounds" not in told:
        return None
    bounds = told["bounds"]
    numbers = [_finite(v) for v in bounds] if isinstance(bounds, list) and len(bounds) == 4 else [None]
    if None in numbers:
        raise OfferError("bounds is not a list of four numbers")
    west, south, east, north = (n for n in numbers if n is not None)
    return checked_box(west, south, east, north)


def _finite(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def _attribution(told: Mapping[str, Any]) -> str | None:
    match told.get("attribution"):
        case None:
            return None
        case str(text):
            return prose(text)
        case _:
            raise OfferError("attribution is not text")


def _kind(told: Mapping[str, Any]) -> str | None:
    """Version 3 has no field for it; `format`, which many servers add, or layers of vectors tell."""
    if told.get("vector_layers"):
        return "pbf"
    stated = told.get("format")
    return _KINDS.get(stated.lower()) if isinstance(stated, str) else None
