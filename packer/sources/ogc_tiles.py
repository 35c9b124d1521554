"""OGC API - Tiles (OGC 20-057, with the tileset metadata of 17-083r4): from any page of a service to its tiles.

Pages are found by the relations and media types of links; nothing is known of a service's paths. The walk asks for
documents and sends nothing itself, so that whoever drives it holds it to hosts and caps.
"""

from __future__ import annotations

import re
from collections.abc import Generator, Iterator, Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote, urljoin, urlsplit

from packer.geometry.grid import MAX_ZOOM, LonLatBox
from packer.sources.crs import is_mercator
from packer.sources.json_object import read_object
from packer.sources.matrices import MatrixSet, TileMatrix, TileMatrixSet, on_grid, prefix_of
from packer.sources.media_types import kind_of, without_parameters
from packer.sources.offer import (
    Offer,
    OfferError,
    SeveralLayersError,
    TileLimits,
    checked_box,
    checked_window,
    longest_run,
    prose,
    quoted,
)

__all__ = ["OgcWish", "Walk", "walk_tiles"]

_MOST_DOCUMENTS = 10
_MOST_LINKS = 2000
_MOST_NAMED = 8
_LONGEST_TEMPLATE = 2000
_WHAT = "an OGC API"
_QUAD = re.compile(r"(^|[/:])WebMercatorQuad\]?/?$")
_TILESETS = re.compile(r"tilesets-(map|coverage|vector)\]?$")
_DATA = re.compile(r"(^|[/:])data\]?$")
_SCHEME = re.compile(r"(^|[/:])tiling-scheme\]?$")
_TILE = re.compile(r"(^|[/:])(item|tile)\]?$")
_FIELD = re.compile(r"\{([^{}]*)\}")
_PREFERENCE = ("jpg", "png", "webp", "pbf")
_DATA_TYPES = ("map", "coverage", "vector")

Document = Mapping[str, Any]
Walk = Generator[str, bytes, Offer]
"""Yields the addresses of documents, is sent their bodies, and returns the offer. Raises OfferError."""


@dataclass(frozen=True, slots=True)
class OgcWish:
    """What the brief asks of the service, None where it leaves the choice."""

    collection: str | None = None
    kind: str | None = None
    tile_px: int | None = None


@dataclass(frozen=True, slots=True)
class _Link:
    rel: str
    address: str
    media_type: str
    templated: bool


def walk_tiles(address: str, wish: OgcWish) -> Walk:
    """Walk from a landing page, a collection, a list of tilesets or a tileset to the tiles of WebMercatorQuad."""
    credit: str | None = None
    seen: set[str] = set()
    where: str | None = address
    told: Document = {}
    while where is not None:
        if where in seen or len(seen) >= _MOST_DOCUMENTS:
            raise OfferError(f"its links lead round and round, or through over {_MOST_DOCUMENTS} documents")
        seen.add(where)
        told = read_object((yield where), _WHAT)
        credit = _credit(told) or credit
        address, where = where, _next(told, where, wish)
        if where is None and not _tiles(told, address):
            told = _chosen(told, address, wish)
            credit = _credit(told) or credit
            where = _own_address(told, address)
    grid = yield from _grid(told, address)
    if wish.tile_px not in (None, grid.tile_px):
        raise OfferError(f"its tiles have {grid.tile_px} pixels, but the brief asks for {wish.tile_px}")
    return _offer(told, address, wish, grid, credit)


def _next(told: Document, base: str, wish: OgcWish) -> str | None:
    """Where to go on from a page that has links to lists of tilesets or collections; None from any other."""
    if _tiles(told, base) or isinstance(told.get("tilesets"), list):
        return None
    links = [link for link in _links(told, base) if "json" in link.media_type or not link.media_type]
    lists = {found[1]: link.address for link in links if (found := _TILESETS.search(link.rel))}
    data = next((link.address for link in links if _DATA.search(link.rel)), None)
    if isinstance(told.get("collections"), list):
        return None
    if wish.collection is not None and told.get("id") != wish.collection and data is not None:
        return data
    return next((lists[one] for one in _wanted_types(wish) if one in lists), data)


def _wanted_types(wish: OgcWish) -> tuple[str, ...]:
    if wish.kind is None:
        return _DATA_TYPES
    return ("vector",) if wish.kind == "pbf" else ("map", "coverage")


def _chosen(told: Document, base: str, wish: OgcWish) -> Document:
    """One collection or tileset out of a list."""
    if isinstance(told.get("collections"), list):
        return _collection(_objects(told["collections"]), wish.collection)
    if not isinstance(told.get("tilesets"), list):
        raise OfferError(
            "it is no landing page, collection or tileset of an OGC API with tiles: no link leads to tilesets"
        )
    sets = _objects(told["tilesets"])
    fitting = [one for one in sets if _is_quad(one, base)] or [
        one for one in sets if is_mercator(str(one.get("crs", "")))
    ]
    ranked = [one for kind in _wanted_types(wish) for one in fitting if one.get("dataType", "map") == kind]
    if not ranked:
        names = [str(one.get("tileMatrixSetURI") or one.get("title") or "without a name") for one in sets]
        what = (
            "WebMercatorQuad"
            if not fitting
            else f"WebMercatorQuad with {' or '.join(_wanted_types(wish))} tiles"
        )
        raise OfferError(f"it has no tileset of {what}; it has {_listed(names)}")
    return ranked[0]


def _collection(collections: list[Document], wanted: str | None) -> Document:
    names = {str(one.get("id", "")): one for one in collections}
    if wanted is not None and wanted in names:
        return names[wanted]
    if wanted is None and len(names) == 1:
        return next(iter(names.values()))
    if not names:
        raise OfferError("it lists no collection")
    if wanted is not None:
        raise OfferError(f"it has no collection {quoted(wanted)}; it has {_listed(list(names))}")
    raise SeveralLayersError(
        f"it has several collections ({_listed(list(names))}); name one of them with ogc-collection",
        tuple(names),
    )


def _own_address(told: Document, base: str) -> str | None:
    """Where an entry of a list has a page of its own; for a collection, its list of tilesets."""
    links = [link for link in _links(told, base) if "json" in link.media_type or not link.media_type]
    for rel in ("self", "http://www.opengis.net/def/rel/ogc/1.0/tileset"):
        for link in links:
            if link.rel == rel and not link.templated:
                return link.address
    if _tiles(told, base):
        return None
    if (found := next((link.address for link in links if _TILESETS.search(link.rel)), None)) is not None:
        return found
    raise OfferError("an entry of its list has no link to a page of its own")


def _is_quad(told: Document, base: str) -> bool:
    """By the identifier of the tile matrix set (17-083r4, annex D.1), wherever the tileset has it."""
    keys = ("tileMatrixSetURI", "tileMatrixSetId", "tileMatrixSet", "tileMatrixSetDefinition")
    named = [value for key in keys if isinstance(value := told.get(key), str)]
    links = list(_links(told, base))
    named += [urlsplit(link.address).path for link in links if _SCHEME.search(link.rel)]
    if not named and is_mercator(str(told.get("crs", ""))):
        named = [urlsplit(link.address).path for link in links if link.rel == "self"]
    return any(_QUAD.search(name) for name in named)


def _grid(told: Document, base: str) -> Generator[str, bytes, MatrixSet]:
    """The matrices of a tileset: those of the standard, or of the definition that it links to, if that fits."""
    if _is_quad(told, base):
        return on_grid(_PUBLISHED)
    definition = told.get("tileMatrixSet")
    if not isinstance(definition, dict):
        link = next((link for link in _links(told, base) if _SCHEME.search(link.rel)), None)
        if link is None:
            raise OfferError("nothing says that its tile matrix set is WebMercatorQuad")
        definition = read_object((yield link.address), _WHAT)
    grid = on_grid(_defined(definition))
    if not grid.matrices:
        raise OfferError("its tile matrix set is not WebMercatorQuad, nor has it the grid of that set")
    return grid


def _defined(told: Document) -> TileMatrixSet:
    """A set as 17-083r4, clause 7, writes it in JSON."""
    crs = told.get("crs")
    name = crs if isinstance(crs, str) else str(crs.get("uri", "")) if isinstance(crs, dict) else ""
    matrices = []
    for one in _objects(told.get("tileMatrices")):
        if one.get("cornerOfOrigin", "topLeft") == "topLeft":
            corner = tuple(_number(v) for v in _list(one.get("pointOfOrigin"))[:3])
            side = (_whole(one.get("tileWidth")), _whole(one.get("tileHeight")))
            size = (_whole(one.get("matrixWidth")), _whole(one.get("matrixHeight")))
            scale = _number(one.get("scaleDenominator"))
            matrices.append(TileMatrix(str(one.get("id", "")), scale, corner, side, *size))
    return TileMatrixSet(str(told.get("id", "")), name, tuple(matrices))


def _published() -> TileMatrixSet:
    half = 20037508.342789244
    scale = 559082264.0287178  # 17-083r4, annex D.1
    matrices = (
        TileMatrix(str(z), scale / 2**z, (-half, half), (256, 256), 1 << z, 1 << z)
        for z in range(MAX_ZOOM + 1)
    )
    return TileMatrixSet("WebMercatorQuad", "EPSG:3857", tuple(matrices))


_PUBLISHED = _published()


def _offer(told: Document, base: str, wish: OgcWish, grid: MatrixSet, credit: str | None) -> Offer:
    link, kind = _best(_tiles(told, base), wish.kind)
    limits = _limits(told, grid)
    zooms = longest_run(limits)
    names = {z: quote(grid.matrices[z].identifier, safe=":") for z in range(zooms[0], zooms[1] + 1)}
    prefix = prefix_of(names)
    narrower = any(limits[z] != (0, (1 << z) - 1, 0, (1 << z) - 1) for z in names)
    return Offer(
        templates=(_template(link.address, grid, prefix),),
        zooms=zooms,
        attribution=credit,
        kind=kind,
        bounds=_bounds(told),
        tile_px=None if kind == "pbf" else grid.tile_px,
        matrices=names if prefix is None else None,
        limits={z: limits[z] for z in names} if narrower else None,
    )


def _best(links: list[_Link], kind: str | None) -> tuple[_Link, str | None]:
    by_kind: dict[str | None, _Link] = {}
    for link in links:
        if (found := kind_of(link.media_type)) is not None or not link.media_type:
            by_kind.setdefault(found, link)
    for one in (kind,) if kind else _PREFERENCE:
        if one in by_kind:
            return by_kind[one], one
    if None in by_kind:  # a link that does not say what it leads to: the first tile tells
        return by_kind[None], kind
    offered = sorted({without_parameters(link.media_type) for link in links})
    raise OfferError(
        f"it has no tiles in {kind or 'PNG, JPEG, WebP or as vectors'}; it has {_listed(offered)}"
    )


def _limits(told: Document, grid: MatrixSet) -> dict[int, TileLimits]:
    """The tiles on offer at each zoom that has any (17-083r4, clause 7.2); all of them where nothing is said."""
    stated = {str(one.get("tileMatrix")): one for one in _objects(told.get("tileMatrixSetLimits"))}
    ends = [(one.get("minTileMatrix"), one.get("maxTileMatrix")) for one in _objects(told.get("layers"))]
    places = {matrix.identifier: zoom for zoom, matrix in grid.matrices.items()}
    firsts = [places.get(str(first), 0) for first, _ in ends] or [0]
    lasts = [places.get(str(last), MAX_ZOOM) for _, last in ends] or [MAX_ZOOM]
    found = {}
    for zoom, matrix in grid.matrices.items():
        first, last, top, bottom = 0, matrix.columns - 1, 0, matrix.rows - 1
        if (one := stated.get(matrix.identifier)) is not None:
            first, top = _whole(one.get("minTileCol")), _whole(one.get("minTileRow"))
            last = min(_whole(one.get("maxTileCol")), last)
            bottom = min(_whole(one.get("maxTileRow")), bottom)
        elif stated or not min(firsts) <= zoom <= max(lasts):
            continue
        if (window := checked_window(zoom, first, last, top, bottom)) is not None:
            found[zoom] = window
    if not found:
        raise OfferError("the limits of its tileset allow no tile")
    return found


def _template(address: str, grid: MatrixSet, prefix: str | None) -> str:
    """The address of a tile in this project's fields; parameters that are left to the client are left out."""
    if len(address) > _LONGEST_TEMPLATE:
        raise OfferError(f"its address of tiles has over {_LONGEST_TEMPLATE} characters")
    fields = {
        **dict.fromkeys(("tilematrix", "z"), f"{prefix or ''}{{z}}"),
        **dict.fromkeys(("tilerow", "y"), "{y}"),
        **dict.fromkeys(("tilecol", "x"), "{x}"),
        **dict.fromkeys(("tilematrixsetid", "tilematrixset"), quote(grid.identifier, safe="")),
    }

    def value(match: re.Match[str]) -> str:
        if match[1][:1] in "?&#":  # a query that may be there (RFC 6570, section 3.2.8)
            return ""
        if (found := fields.get(match[1].lower())) is None:
            raise OfferError(f"its address of tiles asks for {quoted(match[1])}, which nothing defines")
        return found

    return _FIELD.sub(value, address)


def _tiles(told: Document, base: str) -> list[_Link]:
    """The links of a tileset that lead to single tiles."""
    found = [link for link in _links(told, base) if link.templated and _TILE.search(link.rel)]
    return found if not isinstance(told.get("tilesets"), list) else []


def _links(told: Document, base: str) -> Iterator[_Link]:
    for one in _objects(told.get("links"))[:_MOST_LINKS]:
        rel, href, media = (one.get(key) for key in ("rel", "href", "type"))
        if isinstance(rel, str) and isinstance(href, str):
            # Braces may come percent-encoded, by servers that make whole addresses of their templates.
            place = re.sub("%7[Bb]", "{", re.sub("%7[Dd]", "}", href))
            try:
                address = urljoin(base, place)
            except ValueError:
                continue
            yield _Link(rel, address, media if isinstance(media, str) else "", "{" in place)


def _bounds(told: Document) -> LonLatBox | None:
    """The box of a tileset, where the order of its numbers is certain: longitude first, as CRS84 has it."""
    box = told.get("boundingBox")
    if not isinstance(box, dict) or not str(box.get("crs", "CRS84")).endswith("CRS84"):
        return None
    lower, upper = ([_number(v) for v in _list(box.get(key))] for key in ("lowerLeft", "upperRight"))
    if len(lower) != 2 or len(upper) != 2:
        raise OfferError("its boundingBox is not a pair of corners")
    return checked_box(*lower, *upper)


def _credit(told: Document) -> str | None:
    text = told.get("attribution")
    return prose(text) if isinstance(text, str) else None


def _objects(value: object) -> list[Document]:
    return [one for one in _list(value) if isinstance(one, dict)]


def _list(value: object) -> list[Any]:
    return value if isinstance(value, list) else []


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e12:
        raise OfferError("a number of its tileset is missing, or far too large")
    return float(value)


def _whole(value: object) -> int:
    number = _number(value)
    if number != int(number) or not 0 <= number <= 1 << 31:
        raise OfferError("a number of its tileset should be a whole one")
    return int(number)


def _listed(names: list[str]) -> str:
    more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
    return (", ".join(map(quoted, names[:_MOST_NAMED])) or "none") + more
