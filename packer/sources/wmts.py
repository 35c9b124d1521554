"""WMTS 1.0.0 (OGC 07-057r7): one layer of a service, as its capabilities describe it.

Tiles are asked for by the RESTful templates of its ResourceURL elements, or by KVP GetTile where it has none.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from urllib.parse import quote
from xml.etree.ElementTree import Element

from packer.geometry.grid import LonLatBox
from packer.sources.matrices import MatrixSet, chosen_set, number, read_matrix_set, whole_number
from packer.sources.offer import (
    Offer,
    OfferError,
    SeveralLayersError,
    TileLimits,
    checked_box,
    checked_window,
    quoted,
)
from packer.sources.xml_tree import child, children, read_tree, text_at

__all__ = ["Wish", "read_wmts"]

_KINDS = {
    "image/png": "png",
    "image/png8": "png",
    "image/jpeg": "jpg",
    "image/jpg": "jpg",
    "image/webp": "webp",
    "application/vnd.mapbox-vector-tile": "pbf",
    "application/x-protobuf": "pbf",
}
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


def read_wmts(body: bytes, wish: Wish) -> Offer:
    """The offer of the wished-for layer. Raises OfferError, worded for the planner, where there is none.

    WMTS has no field for an attribution, so that the offer has none.
    """
    root = read_tree(body, "Capabilities")
    contents = child(root, "Contents")
    if contents is None:
        raise OfferError("it has no Contents, so it names no layer")
    layer = _layer(contents, wish.layer)
    grid, link = _linked_set(contents, layer, wish)
    limits = _limits(link, grid)
    zooms = _longest_run(limits)
    names = {
        zoom: quote(grid.matrices[zoom].identifier, safe=_SAFE) for zoom in range(zooms[0], zooms[1] + 1)
    }
    prefix = _prefix(names)
    values = {
        "layer": text_at(layer, "Identifier") or "",
        "style": _style(layer, wish.style),
        "tilematrixset": grid.identifier,
        **{name.lower(): value for name, value in _dimensions(layer).items()},
    }
    fields = {"tilematrix": f"{prefix or ''}{{z}}", "tilerow": "{y}", "tilecol": "{x}"}
    fields |= {name: quote(value, safe=_SAFE) for name, value in values.items()}
    templates, kind = _templates(root, layer, wish.kind, fields)
    return Offer(
        templates=templates,
        zooms=zooms,
        kind=kind,
        bounds=_bounds(layer),
        tile_px=grid.tile_px,
        matrices=names if prefix is None else None,
        limits={zoom: limits[zoom] for zoom in names} if _narrower(limits, names) else None,
    )


def _layer(contents: Element, wanted: str | None) -> Element:
    layers = {text_at(one, "Identifier") or "": one for one in children(contents, "Layer")}
    if wanted is None and len(layers) == 1:
        return next(iter(layers.values()))
    if wanted in layers:
        return layers[wanted]
    if not layers:
        raise OfferError("it names no layer")
    known = ", ".join(map(quoted, list(layers)[:8])) + (
        f" and {len(layers) - 8} more" if len(layers) > 8 else ""
    )
    if wanted is None:
        raise SeveralLayersError(
            f"it has several layers ({known}); name one of them with wmts-layer", tuple(layers)
        )
    raise OfferError(f"it has no layer {quoted(wanted)}; it has {known}")


def _style(layer: Element, wanted: str | None) -> str:
    styles = {text_at(one, "Identifier") or "": one.get("isDefault") for one in children(layer, "Style")}
    if wanted is not None:
        if wanted not in styles:
            known = ", ".join(map(quoted, list(styles)[:8])) or "none"
            raise OfferError(f"the layer has no style {quoted(wanted)}; it has {known}")
        return wanted
    default = [name for name, flag in styles.items() if flag in ("true", "1")]
    return next(iter(default or styles), "default")


def _dimensions(layer: Element) -> dict[str, str]:
    """Further axes, such as a time, each at the value that the service takes by default."""
    found = {}
    for one in children(layer, "Dimension"):
        name, value = text_at(one, "Identifier") or "", text_at(one, "Default") or text_at(one, "Value")
        if value is None:
            raise OfferError(f"its dimension {quoted(name)} has no default value")
        found[name] = value
    return found


def _linked_set(contents: Element, layer: Element, wish: Wish) -> tuple[MatrixSet, Element]:
    links = {text_at(one, "TileMatrixSet") or "": one for one in children(layer, "TileMatrixSetLink")}
    defined = {text_at(one, "Identifier") or "": one for one in children(contents, "TileMatrixSet")}
    sets = [read_matrix_set(defined[name]) for name in links if name in defined]
    grid = chosen_set(sets, wish.matrix_set, wish.tile_px)
    return grid, links[grid.identifier]


def _limits(link: Element, grid: MatrixSet) -> dict[int, TileLimits]:
    """The tiles on offer at each zoom that has any. Where limits are stated, zooms without one have none."""
    stated = {
        text_at(one, "TileMatrix"): tuple(
            whole_number(one, name) for name in ("MinTileCol", "MaxTileCol", "MinTileRow", "MaxTileRow")
        )
        for one in children(link, "TileMatrixSetLimits", "TileMatrixLimits")
    }
    found = {}
    for zoom, matrix in grid.matrices.items():
        whole = (0, matrix.columns - 1, 0, matrix.rows - 1)
        first, last, top, bottom = stated.get(matrix.identifier, whole) if stated else whole
        window = checked_window(zoom, first, min(last, whole[1]), top, min(bottom, whole[3]))
        if window is not None and (not stated or matrix.identifier in stated):
            found[zoom] = window
    if not found:
        raise OfferError("the limits of its matrix set allow no tile")
    return found


def _longest_run(zooms: Iterable[int]) -> tuple[int, int]:
    """First and last of the longest run of zooms without a gap, the deepest of equal ones."""
    best: tuple[int, int] | None = None
    first = last = -2
    for zoom in sorted(zooms):
        first, last = (first, zoom) if zoom == last + 1 else (zoom, zoom)
        if best is None or last - first >= best[1] - best[0]:
            best = (first, last)
    assert best is not None
    return best


def _narrower(limits: Mapping[int, TileLimits], zooms: Iterable[int]) -> bool:
    return any(limits[zoom] != (0, (1 << zoom) - 1, 0, (1 << zoom) - 1) for zoom in zooms)


def _prefix(names: Mapping[int, str]) -> str | None:
    """What stands before the plain number in every identifier; None where that is not how they are made."""
    zoom, name = next(iter(names.items()))
    prefix = name.removesuffix(str(zoom))
    return prefix if all(name == f"{prefix}{zoom}" for zoom, name in names.items()) else None


def _templates(
    root: Element, layer: Element, kind: str | None, fields: Mapping[str, str]
) -> tuple[tuple[str, ...], str]:
    rest = [
        (one.get("format", ""), one.get("template", ""))
        for one in children(layer, "ResourceURL")
        if one.get("resourceType") == "tile"
    ]
    format_ = _format([media for media, _ in rest], kind)
    if format_ is not None:
        templates = tuple(_filled(text, fields) for media, text in rest if media == format_)
    else:
        format_ = _format([(one.text or "").strip() for one in children(layer, "Format")], kind)
        if format_ is None:
            wanted = f"no {kind} tiles" if kind else "no tiles in PNG, JPEG, WebP or as vectors"
            raise OfferError(f"the layer has {wanted}")
        templates = (_get_tile(root, layer, format_, fields),)
    return templates, _KINDS[_media(format_)]


def _format(offered: Iterable[str], kind: str | None) -> str | None:
    usable = [
        one for one in offered if _KINDS.get(_media(one)) in ((kind,) if kind else set(_KINDS.values()))
    ]
    return next(iter(usable), None)


def _media(text: str) -> str:
    return text.partition(";")[0].strip().lower()


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


def _get_tile(root: Element, layer: Element, format_: str, fields: Mapping[str, str]) -> str:
    """The KVP address of a GetTile (07-057r7, clause 8.2.1)."""
    place = _kvp_place(root)
    if place is None:
        raise OfferError("the layer has no ResourceURL for tiles, and the service has no GetTile by KVP")
    asked = {
        "SERVICE": "WMTS",
        "REQUEST": "GetTile",
        "VERSION": "1.0.0",
        "LAYER": fields["layer"],
        "STYLE": fields["style"],
        "FORMAT": quote(format_, safe=_SAFE + "/"),
        "TILEMATRIXSET": fields["tilematrixset"],
        "TILEMATRIX": fields["tilematrix"],
        "TILEROW": fields["tilerow"],
        "TILECOL": fields["tilecol"],
        **{quote(name, safe=""): fields[name.lower()] for name in _dimensions(layer)},
    }
    joint = "" if place.endswith(("?", "&")) else "&" if "?" in place else "?"
    return place + joint + "&".join(f"{name}={value}" for name, value in asked.items())


def _kvp_place(root: Element) -> str | None:
    for operation in children(root, "OperationsMetadata", "Operation"):
        if operation.get("name") != "GetTile":
            continue
        for get in children(operation, "DCP", "HTTP", "Get"):
            encodings = {
                (one.text or "").strip().upper()
                for one in children(get, "Constraint", "AllowedValues", "Value")
            }
            place = get.get("href", "")
            if place and len(place) <= _LONGEST_TEMPLATE and (not encodings or "KVP" in encodings):
                return place
    return None


def _bounds(layer: Element) -> LonLatBox | None:
    box = child(layer, "WGS84BoundingBox")
    if box is None:
        return None
    corners = [(text_at(box, name) or "").split() for name in ("LowerCorner", "UpperCorner")]
    if any(len(corner) != 2 for corner in corners):
        raise OfferError("its WGS84BoundingBox is not a pair of corners")
    (west, south), (east, north) = ((number(a), number(b)) for a, b in corners)
    return checked_box(west, south, east, north)
