"""An offer kept beside the packs, for commands that never touch the network: `.LAYER.offer.json`, without a key."""

from __future__ import annotations

import contextlib
import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from packer.common.atomic_write import make_folders, write_atomic
from packer.errors import DiskError
from packer.geometry.grid import MAX_ZOOM
from packer.sources.address import variables
from packer.sources.kept_grids import grid_from, grid_values
from packer.sources.offer import Offer, TileLimits, checked_box, checked_window, prose
from packer.sources.safe_address import kept_form
from packer.sources.secrecy import Secrets

__all__ = ["keep_offer", "kept_offer", "offer_path"]

_VERSION = 1
_MOST_BYTES = 1_000_000
_KINDS = (None, "png", "jpg", "webp", "pbf")
_QUOTED = re.compile(r"[A-Za-z0-9_.~:%-]{1,2400}")


def offer_path(folder: Path, layer: str) -> Path:
    """Where a layer's offer is kept in the folder of the packs."""
    return folder / f".{layer}.offer.json"


def keep_offer(folder: Path, layer: str, source: str, offer: Offer) -> None:
    """Leave an offer, its templates in their kept form, in place of an earlier one; `source` names whose it is.

    Raises DiskError if the folder cannot be written. If the process dies: the old offer or the new one.
    """
    told: dict[str, Any] = {
        "version": _VERSION,
        "source": source,
        "templates": list(offer.templates),
        "zooms": list(offer.zooms),
        "attribution": offer.attribution,
        "kind": offer.kind,
        "bounds": None if offer.bounds is None else list(offer.bounds),
        "tile_px": offer.tile_px,
        "matrices": None if offer.matrices is None else {str(z): n for z, n in offer.matrices.items()},
        "limits": None if offer.limits is None else {str(z): list(w) for z, w in offer.limits.items()},
        "date": offer.date,
        "largest_px": None if offer.largest_px is None else list(offer.largest_px),
        "grid": None if offer.grid is None else grid_values(offer.grid),
    }
    path = offer_path(folder, layer)
    try:
        make_folders(folder)
        write_atomic(path, json.dumps(told, indent=1))
    except OSError as fault:
        raise DiskError(
            f"{path} cannot be written: {fault.strerror}. The offers of servers are stored there: free some space, or "
            "name a folder that can be written, and try again."
        ) from fault


def kept_offer(folder: Path, layer: str, source: str, may_name: Iterable[str]) -> Offer | None:
    """The offer that is kept of this source; None where there is none, or none that can be believed.

    `may_name` are the variables that the brief's layer names: a template that asks for others is not ours.
    """
    path = offer_path(folder, layer)
    with contextlib.suppress(
        OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError, OverflowError
    ):
        if not path.is_file() or path.stat().st_size > _MOST_BYTES:
            return None
        told = json.loads(path.read_text(encoding="utf-8"), parse_constant=float)
        if told["version"] == _VERSION and told["source"] == source:
            offer = _offer(told)
            asked = {name for template in offer.templates for name in variables(template)}
            return offer if asked <= set(may_name) else None
    return None


def _offer(told: Mapping[str, Any]) -> Offer:
    """Raises ValueError, TypeError or KeyError for anything that `keep_offer` does not write."""
    first, last = (_whole(v, MAX_ZOOM) for v in told["zooms"])
    templates = tuple(told["templates"])
    if first > last or not templates or not all(isinstance(t, str) for t in templates):
        raise ValueError
    if told["kind"] not in _KINDS or told["tile_px"] not in (None, 256, 512):
        raise ValueError
    # Again, since a file may have been made where less was known for a key.
    templates = tuple(kept_form(template, {}, Secrets()) for template in templates)
    offer = Offer(templates, (first, last), kind=told["kind"], tile_px=told["tile_px"])
    if told["attribution"] is not None:
        offer = replace(offer, attribution=prose(told["attribution"]))
    if told["bounds"] is not None:
        west, south, east, north = map(float, told["bounds"])
        offer = replace(offer, bounds=checked_box(west, south, east, north))
    if told["matrices"] is not None:
        offer = replace(offer, matrices={_zoom(z): _matrix(name) for z, name in told["matrices"].items()})
    if told["limits"] is not None:
        offer = replace(offer, limits={_zoom(z): _window(_zoom(z), w) for z, w in told["limits"].items()})
    if told.get("date") is not None:
        offer = replace(offer, date=_date(told["date"]))
    if told.get("largest_px") is not None:
        width, height = (_whole(v, 1 << 31) for v in told["largest_px"])
        offer = replace(offer, largest_px=(width, height))
    if told.get("grid") is not None:
        offer = replace(offer, grid=grid_from(told["grid"]))
    return offer


def _date(value: object) -> str:
    if not isinstance(value, str) or not value.isprintable() or not 0 < len(value) <= 200:
        raise ValueError
    return value


def _window(zoom: int, told: Iterable[Any]) -> TileLimits:
    first, last, top, bottom = (_whole(v, 1 << 31) for v in told)
    window = checked_window(zoom, first, last, top, bottom)
    if window is None:
        raise ValueError
    return window


def _matrix(name: object) -> str:
    """A name as `read_wmts` quotes it: whatever else stood there would change the address."""
    if not isinstance(name, str) or not _QUOTED.fullmatch(name):
        raise ValueError
    return name


def _zoom(text: str) -> int:
    return _whole(int(text), MAX_ZOOM)


def _whole(value: object, most: int) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value <= most:
        raise ValueError
    return value
