"""WMTS 1.0.0 (OGC 07-057r7): one layer of a service, as its capabilities describe it: in Web Mercator, or, where it has
no such set or the planner asks for another, in a grid of its own.

Tiles are asked for by the RESTful templates of its ResourceURL elements, or by KVP GetTile where it has none.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from urllib.parse import quote

from packer.geometry.grid import LonLatBox
from packer.geometry.source_grid import SourceGrid
from packer.sources.crs import is_mercator
from packer.sources.dimensions import NO_WISH, DimensionWish, chosen_values
from packer.sources.matrices import MatrixSet, chosen_set, on_grid, prefix_of
from packer.sources.media_types import kind_of, preferred
from packer.sources.offer import (
    Offer,
    OfferError,
    SeveralLayersError,
    TileLimits,
    checked_box,
    checked_window,
    longest_run,
    quoted,
)
from packer.sources.other_grids import grid_of_set, zooms_of
from packer.sources.wmts_capabilities import WmtsCapabilities, WmtsLayer

__all__ = ["Wish", "read_wmts"]

_FIELD = re.compile(r"\{([^{}]*)\}")
_LONGEST_TEMPLATE = 2000
_SAFE = ":"  # may stand in path and query as it is (RFC 3986 section 3.3), as in EPSG:3857


@dataclass(frozen=True, slots=True)
class Wish:
    """What the brief asks of a service, None where it leaves the choice; `kind` is "png", "jpg" or the like."""

    layer: str | None = None
    style: str | None = None
    matrix_set: str | None = None
    tile_px: int | None = None
    kind: str | None = None
    dimensions: DimensionWish = NO_WISH


def read_wmts(body: bytes, wish: Wish) -> Offer:
    """The offer of the wished-for layer. Raises OfferError, worded for the planner, where there is none.

    WMTS has no field for an attribution, so that the offer has none.
    """
    service = WmtsCapabilities(body)
    layer = service.layer(_chosen_layer(service.layers, wish.layer))
    bounds = None if layer.bounds is None else checked_box(*layer.bounds)
    if (other := _other_grid(service, layer, wish, bounds)) is not None:
        names = {m.zoom: quote(m.identifier, safe=_SAFE) for m in other.matrices}
        offer = _asked_in(service, layer, wish, other.identifier, "")
        if offer.kind == "pbf":
            raise OfferError("it has no pictures but vectors, which cannot be brought into another grid")
        return replace(
            offer, zooms=zooms_of(other, wish.tile_px or 256), bounds=bounds, matrices=names, grid=other
        )
    grid = _grid(service, layer, wish)
    limits = _limits(service, layer, grid)
    zooms = longest_run(limits)
    names = {
        zoom: quote(grid.matrices[zoom].identifier, safe=_SAFE) for zoom in range(zooms[0], zooms[1] + 1)
    }
    prefix = prefix_of(names)
    return replace(
        _asked_in(service, layer, wish, grid.identifier, prefix or ""),
        zooms=zooms,
        bounds=bounds,
        tile_px=grid.tile_px,
        matrices=names if prefix is None else None,
        limits={zoom: limits[zoom] for zoom in names} if _narrower(limits, names) else None,
    )


def _asked_in(service: WmtsCapabilities, layer: WmtsLayer, wish: Wish, matrix_set: str, prefix: str) -> Offer:
    """The offer of a layer in one of its sets, without what follows from the grid."""
    chosen, date, newer = chosen_values(layer.dimensions, wish.dimensions, must_name=True)
    values = {
        "layer": layer.identifier,
        "style": _style(layer, wish.style),
        "tilematrixset": matrix_set,
        **{name.lower(): value for name, value in chosen.items()},
    }
    fields = {"tilematrix": f"{prefix}{{z}}", "tilerow": "{y}", "tilecol": "{x}"}
    fields |= {name: quote(value, safe=_SAFE) for name, value in values.items()}
    templates, kind = _templates(service, layer, wish.kind, fields, chosen)
    return Offer(templates, (0, 0), kind=kind, date=date, newer_date=newer)


def _other_grid(
    service: WmtsCapabilities, layer: WmtsLayer, wish: Wish, bounds: LonLatBox | None
) -> SourceGrid | None:
    """The grid to ask in where that is not Web Mercator: the wanted set, or, where the layer has no set in Web
    Mercator, the finest that can be read. None for Web Mercator. Raises OfferError where none can be read."""
    names = [name for name in dict.fromkeys(layer.matrix_sets) if name in service.matrix_sets]
    others = [name for name in names if not is_mercator(service.crs(name))]
    if wish.matrix_set is not None:
        others = [name for name in others if name == wish.matrix_set]
    elif len(others) < len(names):
        return None
    found, faults = [], []
    for name in others:
        stated = service.limits(layer.identifier, name)
        limits = {one: TileLimits(m.first, m.last, m.top, m.bottom) for one, m in stated.items()}
        try:
            found.append(grid_of_set(service.matrix_set(name), limits, bounds))
        except OfferError as fault:
            faults.append(fault)
    if faults and not found:
        raise faults[0]
    return max(found, key=lambda grid: zooms_of(grid, 256)[1], default=None)


def _chosen_layer(layers: tuple[str, ...], wanted: str | None) -> str:
    if wanted is None and len(layers) == 1:
        return layers[0]
    if wanted is not None and wanted in layers:
        return wanted
    if not layers:
        raise OfferError("it names no layer")
    known = ", ".join(map(quoted, layers[:8])) + (f" and {len(layers) - 8} more" if len(layers) > 8 else "")
    if wanted is None:
        raise SeveralLayersError(f"it has several layers ({known}); name one of them with wmts-layer", layers)
    raise OfferError(f"it has no layer {quoted(wanted)}; it has {known}")


def _style(layer: WmtsLayer, wanted: str | None) -> str:
    if wanted is None:
        return layer.default_style
    if wanted not in layer.styles:
        known = ", ".join(map(quoted, layer.styles[:8])) or "none"
        raise OfferError(f"the layer has no style {quoted(wanted)}; it has {known}")
    return wanted


def _grid(service: WmtsCapabilities, layer: WmtsLayer, wish: Wish) -> MatrixSet:
    """The set to ask in. Of those in another coordinate system nothing but the name is read."""
    sets = []
    for name in dict.fromkeys(layer.matrix_sets):
        if name in service.matrix_sets:
            mercator = is_mercator(service.crs(name))
            sets.append(on_grid(service.matrix_set(name)) if mercator else MatrixSet(name, {}, 256))
    return chosen_set(sets, wish.matrix_set, wish.tile_px)


def _limits(service: WmtsCapabilities, layer: WmtsLayer, grid: MatrixSet) -> dict[int, TileLimits]:
    """The tiles on offer at each zoom that has any. Where limits are stated, zooms without one have none."""
    stated = service.limits(layer.identifier, grid.identifier)
    found = {}
    for zoom, matrix in grid.matrices.items():
        first, last, top, bottom = 0, matrix.columns - 1, 0, matrix.rows - 1
        if (told := stated.get(matrix.identifier)) is not None:
            first, top = told.first, told.top
            last, bottom = min(told.last, last), min(told.bottom, bottom)
        window = checked_window(zoom, first, last, top, bottom)
        if window is not None and (not stated or told is not None):
            found[zoom] = window
    if not found:
        raise OfferError("the limits of its matrix set allow no tile")
    return found


def _narrower(limits: Mapping[int, TileLimits], zooms: Iterable[int]) -> bool:
    return any(limits[zoom] != (0, (1 << zoom) - 1, 0, (1 << zoom) - 1) for zoom in zooms)


def _templates(
    service: WmtsCapabilities,
    layer: WmtsLayer,
    kind: str | None,
    fields: Mapping[str, str],
    dimensions: Mapping[str, str],
) -> tuple[tuple[str, ...], str | None]:
    media = preferred((one for one, _ in layer.resources), kind)
    if media is not None:
        templates = tuple(_filled(text, fields) for one, text in layer.resources if one == media)
    else:
        media = preferred(layer.formats, kind)
        if media is None:
            wanted = f"no {kind} tiles" if kind else "no tiles in PNG, JPEG, WebP or as vectors"
            raise OfferError(f"the layer has {wanted}")
        templates = (_get_tile(service.kvp_address, media, fields, dimensions),)
    return templates, kind_of(media)


def _filled(template: str, fields: Mapping[str, str]) -> str:
    """A ResourceURL template (07-057r7, clause 10.2.1) in this project's fields."""
    if len(template) > _LONGEST_TEMPLATE:
        raise OfferError(f"a template has over {_LONGEST_TEMPLATE} characters")

    def value(match: re.Match[str]) -> str:
        found = fields.get(match[1].lower())
        if found is None:
            raise OfferError(f"a template asks for {quoted(match[1])}, which the capabilities do not define")
        return found

    return _FIELD.sub(value, template)


def _get_tile(place: str | None, media: str, fields: Mapping[str, str], dimensions: Mapping[str, str]) -> str:
    """The KVP address of a GetTile (07-057r7, clause 8.2.1)."""
    if place is None:
        raise OfferError("the layer has no ResourceURL for tiles, and the service has no GetTile by KVP")
    asked = {
        "SERVICE": "WMTS",
        "REQUEST": "GetTile",
        "VERSION": "1.0.0",
        "LAYER": fields["layer"],
        "STYLE": fields["style"],
        "FORMAT": quote(media, safe=_SAFE + "/"),
        "TILEMATRIXSET": fields["tilematrixset"],
        "TILEMATRIX": fields["tilematrix"],
        "TILEROW": fields["tilerow"],
        "TILECOL": fields["tilecol"],
        **{quote(name, safe=""): fields[name.lower()] for name in dimensions},
    }
    joint = "" if place.endswith(("?", "&")) else "&" if "?" in place else "?"
    return place + joint + "&".join(f"{name}={value}" for name, value in asked.items())
