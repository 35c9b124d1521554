"""WMS 1.1 and 1.3 (OGC 01-068r3, 06-042): pictures of layers of a service, one for each tile or block of tiles.

In Web Mercator the axes are eastward and northward in both versions, so that a box is written in one order. Where it is
not offered, or the planner asks for another system, maps are asked for in a grid of our own (`other_grids`). Errors are
asked for as XML, since one drawn into a picture would be taken for a map.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import quote, unquote, urlsplit, urlunsplit

from packer.geometry.grid import EQUATOR_M, MAX_ZOOM, LonLatBox
from packer.sources.address import origin_of
from packer.sources.crs import is_mercator, mercator_name, north_comes_first
from packer.sources.dimensions import NO_WISH, DimensionWish, chosen_values
from packer.sources.matrices import PIXEL_M
from packer.sources.media_types import kind_of, preferred
from packer.sources.offer import Offer, OfferError, SeveralLayersError, checked_box, longest_run, quoted
from packer.sources.other_grids import known_system, map_grid, zooms_of
from packer.sources.wms_capabilities import WmsCapabilities, WmsLayer

__all__ = ["WmsWish", "capabilities_address", "read_wms"]

_SAFE = ":/"  # may stand in a query as they are (RFC 3986 section 3.4), as in EPSG:3857 and image/png
_MOST_NAMED = 8
_MOST_TRIED = 50  # coordinate systems: some services list thousands
# Names that GetCapabilities and GetMap give to their own parameters (06-042, tables 3 and 8; 01-068r3, table 8).
_OWN = frozenset(
    (
        *("service", "request", "version", "layers", "styles", "crs", "srs", "bbox", "width", "height"),
        *("format", "transparent", "bgcolor", "exceptions", "time", "elevation", "updatesequence"),
    )
)


@dataclass(frozen=True, slots=True)
class WmsWish:
    """What the brief asks of a WMS. `styles` are empty for the default ones, or one for each layer; `kind` is "png",
    "jpg", "webp" or None for the service's first."""

    layers: tuple[str, ...] = ()
    styles: tuple[str, ...] = ()
    tile_px: int = 256
    kind: str | None = None
    transparent: bool = False
    dimensions: DimensionWish = NO_WISH
    crs: str | None = None


def capabilities_address(address: str) -> str:
    """The address of a service as one of its capabilities: what its query lacks for that is added (06-042, 7.2.1)."""
    known = {name.lower() for name, _, _ in (piece.partition("=") for piece in _query(address))}
    more = [(n, v) for n, v in (("SERVICE", "WMS"), ("REQUEST", "GetCapabilities")) if n.lower() not in known]
    return _with_query(address, [*_query(address), *(f"{name}={value}" for name, value in more)])


def read_wms(body: bytes, wish: WmsWish, asked_at: str = "") -> Offer:
    """The offer of the wished-for layers, drawn over one another in their order.

    `asked_at` is where the capabilities were asked for: what its query has beyond the standard, such as a key, goes
    along where maps are asked for at the same place, and the service does not say otherwise. Raises OfferError, worded
    for the planner, where there is none.
    """
    service = WmsCapabilities(body)
    layers = [service.layer(name) for name in _chosen_layers(service, wish.layers)]
    _check_sizes(service, layers, wish.tile_px)
    crs = _common_system(layers, wish.crs)
    media = _format(service.formats, wish)
    values: dict[str, str] = {}
    date = newer = None
    for layer in layers:
        chosen, its_date, its_newer = chosen_values(layer.dimensions, wish.dimensions, must_name=False)
        values, date, newer = {**chosen, **values}, date or its_date, newer or its_newer
    asked = {
        "LAYERS": ",".join(quote(layer.name, safe=_SAFE) for layer in layers),
        "STYLES": ",".join(quote(name, safe=_SAFE) for name in _styles(layers, wish.styles)),
        "CRS" if service.version == "1.3.0" else "SRS": quote(crs, safe=_SAFE),
        "FORMAT": quote(media, safe=_SAFE),
        "TRANSPARENT": "TRUE" if wish.transparent else "FALSE",
        **{_parameter(name): quote(value, safe=_SAFE) for name, value in values.items()},
    }
    credits = dict.fromkeys(layer.attribution for layer in layers if layer.attribution)
    offer = Offer(
        templates=(_get_map(_map_place(service, asked_at), service.version, asked),),
        zooms=(0, 0),
        attribution=", ".join(credits) or None,
        kind=kind_of(media),
        bounds=_bounds(layers),
        tile_px=wish.tile_px,
        date=date,
        newer_date=newer,
        largest_px=service.largest_px,
    )
    if is_mercator(crs):
        return replace(offer, zooms=_zooms(layers, wish.tile_px))
    scales = min(layer.scales[0] for layer in layers), max(layer.scales[1] for layer in layers)
    # In 1.3.0 a box follows the axes of the system (06-042, clause 6.7.2), in 1.1 never.
    north_first = service.version == "1.3.0" and north_comes_first(crs)
    grid = map_grid(crs, offer.bounds, wish.tile_px, scales, north_first=north_first)
    return replace(offer, zooms=zooms_of(grid, wish.tile_px), grid=grid)


def _chosen_layers(service: WmsCapabilities, wanted: tuple[str, ...]) -> tuple[str, ...]:
    names = service.layers
    if not names:
        raise OfferError("it names no layer that can be asked for")
    if not wanted and len(names) > 1:
        raise SeveralLayersError(
            f"it has several layers ({_listed(names)}); name those to draw with wms-layers", names
        )
    for name in wanted:
        if name not in names:
            raise OfferError(f"it has no layer {quoted(name)}; it has {_listed(names)}")
    return wanted or names


def _check_sizes(service: WmsCapabilities, layers: Sequence[WmsLayer], tile_px: int) -> None:
    if service.most_layers is not None and len(layers) > service.most_layers:
        raise OfferError(
            f"it draws at most {service.most_layers} layers in one picture, but {len(layers)} are named"
        )
    if service.largest_px is not None and min(service.largest_px) < tile_px:
        raise OfferError(
            f"its largest picture has {min(service.largest_px)} pixels, but tiles have {tile_px}"
        )
    for layer in layers:
        if layer.whole_only or any(px not in (0, tile_px) for px in layer.fixed_px):
            raise OfferError(
                f"it gives the layer {quoted(layer.name)} only as one whole picture, so that no tiles can be asked for"
            )


def _common_system(layers: Sequence[WmsLayer], wanted: str | None) -> str:
    """The coordinate system to ask in: the wanted one, or Web Mercator, or, where that is not offered, the first with a
    map's coordinates that is meant for the ground of the layers, else degrees. Raises OfferError where none will do."""
    common = [name for name in layers[0].crs if all(name in layer.crs for layer in layers)]
    if wanted is not None:
        named = [name for name in common if name.upper() == wanted.upper()]
        if not named:
            raise OfferError(
                f"it does not offer the layer {quoted(layers[0].name)} in {quoted(wanted)}; it has {_listed(common)}"
            )
        return named[0]
    if (crs := mercator_name(common)) is not None:
        return crs
    bounds = _bounds(layers)
    degrees = None
    for name in common[:_MOST_TRIED]:
        with contextlib.suppress(OfferError):
            system = known_system(name)
            if system.is_geographic:
                degrees = degrees or name
            elif bounds is None or _is_meant_for(system.area_of_use, bounds):
                return name
    if degrees is None:
        raise OfferError(
            f"it offers the layer {quoted(layers[0].name)} in no coordinate system that is known to PROJ, only in "
            f"{_listed(layers[0].crs)}"
        )
    return degrees


def _is_meant_for(area: Any, bounds: LonLatBox) -> bool:
    """Whether an area of use reaches over the middle of a box."""
    lon, lat = (bounds.west + bounds.east) / 2, (bounds.south + bounds.north) / 2
    return area is not None and area.west <= lon <= area.east and area.south <= lat <= area.north


def _format(formats: Sequence[str], wish: WmsWish) -> str:
    kinds = [wish.kind] if wish.kind else ["png", "webp"] if wish.transparent else [None]
    found = (preferred([one for one in formats if kind_of(one) != "pbf"], kind) for kind in kinds)
    media = next((one for one in found if one is not None), None)
    if media is None:
        wanted = wish.kind or (
            "PNG or WebP, which transparent needs" if wish.transparent else "PNG, JPEG or WebP"
        )
        raise OfferError(f"it gives no pictures in {wanted}; it has {_listed(formats)}")
    return media


def _zooms(layers: Sequence[WmsLayer], tile_px: int) -> tuple[int, int]:
    """The zooms at which any of the layers is drawn, by its scale."""
    drawn = {
        zoom
        for layer in layers
        for zoom in range(MAX_ZOOM + 1)
        if layer.scales[0] <= EQUATOR_M / tile_px / (1 << zoom) / PIXEL_M < layer.scales[1]
    }
    if not drawn:
        raise OfferError("the scales that it states for the layer leave no zoom")
    return longest_run(drawn)


def _bounds(layers: Sequence[WmsLayer]) -> LonLatBox | None:
    """One box round those of all layers; the whole grid where one has none, or a box across the antimeridian is not
    the only one."""
    boxes = [None if layer.bounds is None else checked_box(*layer.bounds) for layer in layers]
    found = [box for box in dict.fromkeys(boxes) if box is not None]
    if len(found) == 1 and None not in boxes:
        return found[0]
    if None in boxes or any(box.west > box.east for box in found):
        return None
    return LonLatBox(
        min(box.west for box in found),
        min(box.south for box in found),
        max(box.east for box in found),
        max(box.north for box in found),
    )


def _map_place(service: WmsCapabilities, asked_at: str) -> str:
    """Where GetMap is asked for, with what the planner's own address has in its query and the service leaves out."""
    place = service.map_address
    if place is None:
        raise OfferError("it does not say where GetMap is asked for")
    try:
        urlsplit(place)
    except ValueError:  # its own words repeat the address
        raise OfferError("the address at which it has GetMap asked for cannot be read") from None
    try:
        same = bool(asked_at) and origin_of(place) == origin_of(asked_at)
    except ValueError:
        same = False
    known = {_name(piece) for piece in _query(place)}
    more = [piece for piece in _query(asked_at) if same and _name(piece) not in known]
    return _with_query(place, [*_query(place), *more])


def _get_map(place: str, version: str, asked: Mapping[str, str]) -> str:
    """The address of a GetMap (06-042, clause 7.3.2; 01-068r3, clause 7.2.3)."""
    new = version == "1.3.0"
    every = {
        "SERVICE": "WMS",
        "VERSION": version,
        "REQUEST": "GetMap",
        **asked,
        "BBOX": "{bbox}",
        "WIDTH": "{width}",
        "HEIGHT": "{height}",
        "EXCEPTIONS": "XML" if new else "application/vnd.ogc.se_xml",
    }
    taken = _OWN | {name.lower() for name in every}
    kept = [piece for piece in _query(place) if _name(piece) not in taken]
    return _with_query(place, [*kept, *(f"{name}={value}" for name, value in every.items())])


def _name(piece: str) -> str:
    return unquote(piece.partition("=")[0]).lower()


def _parameter(dimension: str) -> str:
    """06-042, annex C.3.4 (01-068r3, annex C.4.2): time and elevation by their names, others with DIM_ before it."""
    name = dimension.upper()
    return name if name in ("TIME", "ELEVATION") else f"DIM_{quote(name, safe='')}"


def _styles(layers: Sequence[WmsLayer], wanted: tuple[str, ...]) -> tuple[str, ...]:
    if not wanted:
        return ("",) * len(layers)
    if len(wanted) != len(layers):
        raise OfferError(
            f"wms-style has {len(wanted)} names for {len(layers)} layers; it needs one for each of them"
        )
    for layer, style in zip(layers, wanted, strict=True):
        if style not in layer.styles:
            raise OfferError(
                f"the layer {quoted(layer.name)} has no style {quoted(style)}; it has {_listed(layer.styles)}"
            )
    return wanted


def _query(address: str) -> list[str]:
    return [piece for piece in urlsplit(address).query.split("&") if piece]


def _with_query(address: str, pieces: Sequence[str]) -> str:
    return urlunsplit(urlsplit(address)._replace(query="&".join(pieces), fragment=""))


def _listed(names: Sequence[str]) -> str:
    more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
    return (", ".join(map(quoted, names[:_MOST_NAMED])) or "none") + more
