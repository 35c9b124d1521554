"""OGC API Tiles: the walk from any page of a service to its tiles, with documents as servers write them.

Sources: OGC 20-057 (OGC API - Tiles) and 17-083r4 (tile matrix sets and tileset metadata), numbers of clauses from
memory; the set WebMercatorQuad as morecantile carries it.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Mapping
from typing import Any

import morecantile
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packer.geometry.grid import LonLatBox
from packer.geometry.tileset import Tile
from packer.sources.address import Address
from packer.sources.offer import Offer, OfferError, SeveralLayersError, TileLimits
from packer.sources.ogc_tiles import OgcWish, walk_tiles

BASE = "https://o.example.org/api"
QUAD = "http://www.opengis.net/def/tilematrixset/OGC/1.0/WebMercatorQuad"
REL = "http://www.opengis.net/def/rel/ogc/1.0/"
ITEM = {
    "rel": "item",
    "type": "image/png",
    "href": "{tileMatrix}/{tileRow}/{tileCol}?f=png",
    "templated": True,
}
CRS = "http://www.opengis.net/def/crs/EPSG/0/3857"


def tileset(*links: Mapping[str, Any], **more: Any) -> dict[str, Any]:
    return {"dataType": "map", "tileMatrixSetURI": QUAD, "crs": CRS, "links": list(links or (ITEM,)), **more}


def link(rel: str, href: str, media: str = "application/json") -> dict[str, Any]:
    return {"rel": rel, "href": href, "type": media}


def walked(
    pages: Mapping[str, Any], wish: OgcWish | None = None, start: str = BASE + "/"
) -> tuple[Offer, list[str]]:
    """The offer, and the addresses that were asked for."""
    walk, asked = walk_tiles(start, wish or OgcWish()), []
    where = next(walk)
    while True:
        asked.append(where)
        page = pages[where.removeprefix(BASE)]
        try:
            where = walk.send(page if isinstance(page, bytes) else json.dumps(page).encode())
        except StopIteration as end:
            return end.value, asked


def refused(page: Any, wish: OgcWish | None = None) -> str:
    with pytest.raises(OfferError) as refusal:
        walked({"/": page, "/set": morecantile_set()}, wish)
    text = str(refusal.value)
    assert text.isprintable()
    assert not text.endswith(".")
    return text


def morecantile_set(name: str = "WebMercatorQuad") -> Any:
    return json.loads(morecantile.tms.get(name).model_dump_json(exclude_none=True))


SERVICE = {
    "/": {
        "attribution": "Example Survey",
        "links": [
            link("self", f"{BASE}/"),
            link(REL + "data", "collections?f=html", "text/html"),
            link(REL + "data", "collections"),
        ],
    },
    "/collections": {
        "collections": [
            {"id": "ground", "links": [link("self", f"{BASE}/collections/ground")]},
            {"id": "roads", "links": [link(REL + "tilesets-vector", "/api/collections/roads/tiles")]},
        ]
    },
    "/collections/ground": {
        "id": "ground",
        "links": [link(REL + "tilesets-map", "/api/collections/ground/tiles")],
    },
    "/collections/ground/tiles": {
        "tilesets": [
            {
                "tileMatrixSetURI": "http://www.opengis.net/def/tilematrixset/OGC/1.0/WorldCRS84Quad",
                "links": [],
            },
            {
                "tileMatrixSetURI": QUAD,
                "dataType": "map",
                "links": [link("self", "/api/collections/ground/tiles/quad/")],
            },
        ]
    },
    "/collections/ground/tiles/quad/": tileset(
        tileMatrixSetLimits=[
            {
                "tileMatrix": str(z),
                "minTileRow": 2 * z,
                "maxTileRow": 2 * z + 1,
                "minTileCol": z,
                "maxTileCol": z,
            }
            for z in range(5, 9)
        ]
    ),
    "/collections/roads/tiles": {
        "tilesets": [
            tileset(
                {**ITEM, "type": "application/vnd.mapbox-vector-tile", "href": "r/{z}/{y}/{x}"},
                dataType="vector",
            )
        ]
    },
}


def test_the_walk_goes_from_the_landing_page_by_links_alone_and_heeds_the_limits() -> None:
    offer, asked = walked(SERVICE, OgcWish("ground"))
    assert [one.removeprefix(BASE) for one in asked] == list(SERVICE)[:5]
    assert (offer.zooms, offer.kind, offer.tile_px, offer.attribution) == (
        (5, 8),
        "png",
        256,
        "Example Survey",
    )
    assert offer.limits is not None
    assert offer.limits[6] == TileLimits(6, 6, 12, 13)
    made = Address(offer.templates[0]).url(Tile(6, 6, 12))
    assert made == f"{BASE}/collections/ground/tiles/quad/6/12/6?f=png"


def test_a_collection_of_vectors_whose_entry_is_the_tileset_itself_is_read() -> None:
    offer, asked = walked(SERVICE, OgcWish("roads"))
    assert (offer.kind, offer.zooms, offer.limits, len(asked)) == ("pbf", (0, 24), None, 3)
    assert offer.templates == (f"{BASE}/collections/roads/r/{{z}}/{{y}}/{{x}}",)


def test_of_several_collections_one_has_to_be_named() -> None:
    with pytest.raises(SeveralLayersError, match="ogc-collection") as choice:
        walked(SERVICE)
    assert choice.value.names == ("ground", "roads")
    with pytest.raises(OfferError, match="no collection"):
        walked(SERVICE, OgcWish("water"))


@pytest.mark.parametrize(
    "named",
    [
        {"tileMatrixSetURI": QUAD.replace("http:", "https:")},
        {"tileMatrixSetURI": "http://www.opengis.net/def/tilematrixset/OGC/0/WebMercatorQuad"},
        {"tileMatrixSetURI": "[ogc-tms:WebMercatorQuad]"},
        {"tileMatrixSetId": "WebMercatorQuad"},
        {"tileMatrixSet": "WebMercatorQuad"},
        {"links": [ITEM, link(REL + "tiling-scheme", "https://elsewhere.example.org/sets/WebMercatorQuad")]},
        {"links": [ITEM, link(REL + "tiling-scheme", "set")]},
        {"links": [{**ITEM, "rel": "tile"}, link("self", "tiles/WebMercatorQuad?a=b")]},
        {"tileMatrixSet": morecantile_set()},
    ],
)
def test_webmercatorquad_is_known_by_every_name_and_by_its_numbers(named: dict[str, Any]) -> None:
    page = {**tileset(), **named}
    if "tileMatrixSetURI" not in named:
        del page["tileMatrixSetURI"]
    offer, asked = walked({"/": page, "/set": morecantile_set()})
    assert offer.zooms == (0, 24)
    assert all(one.startswith(BASE) for one in asked)  # nothing is asked of whoever defines the set elsewhere


@pytest.mark.parametrize(
    ("types", "kind", "found"),
    [
        (("image/png", "image/jpeg"), None, "jpg"),
        (("image/png", "image/jpeg"), "png", "png"),
        (("application/vnd.mapbox-vector-tile", "image/webp"), None, "webp"),
        (("image/png;application=geotiff", "text/html"), None, "png"),
        (("",), None, None),
    ],
)
def test_formats_are_chosen_by_preference(
    types: tuple[str, ...], kind: str | None, found: str | None
) -> None:
    links = [{**ITEM, "type": one, "href": f"{i}/{{z}}/{{y}}/{{x}}"} for i, one in enumerate(types)]
    offer, _ = walked({"/": tileset(*links)}, OgcWish(kind=kind))
    assert offer.kind == found


def test_templates_come_encoded_or_with_a_query_left_to_the_client() -> None:
    href = "/t/%7BtileMatrixSetId%7D/%7Bz%7D/%7by%7d/%7Bx%7D{?f,style}"
    offer, _ = walked({"/": tileset({**ITEM, "href": href, "templated": False})})
    assert offer.templates == ("https://o.example.org/t/WebMercatorQuad/{z}/{y}/{x}",)


def test_a_box_is_taken_where_the_order_of_its_numbers_is_certain() -> None:
    box = {"lowerLeft": [12, 47], "upperRight": [13, 48]}
    crs84 = "http://www.opengis.net/def/crs/OGC/1.3/CRS84"
    assert walked({"/": tileset(boundingBox={**box, "crs": crs84})})[0].bounds == LonLatBox(12, 47, 13, 48)
    degrees = "http://www.opengis.net/def/crs/EPSG/0/4326"  # latitude first by the registry, but not in every server
    assert walked({"/": tileset(boundingBox={**box, "crs": degrees})})[0].bounds is None


@pytest.mark.parametrize(
    ("page", "word"),
    [
        (b"<html>", "a page or XML"),
        (b"[1]", "not an object"),
        (b"{" + b'"a":{' * 100_000, "nested|JSON"),
        ({"links": []}, "no link leads to tilesets"),
        ({"links": [link(REL + "data", "/api/")]}, "round and round"),
        ({"tilesets": [{"tileMatrixSetURI": "x/WorldCRS84Quad"}]}, "WorldCRS84Quad"),
        ({"collections": []}, "no collection"),
        (tileset({**ITEM, "type": "image/tiff"}), "image/tiff"),
        (tileset({**ITEM, "href": "{z}/{y}/{x}/{flavour}"}), "flavour"),
        (tileset({**ITEM, "href": "{z}/{y}/{x}" + "a" * 3000}), "2000 characters"),
        (tileset(tileMatrixSetLimits=[{"tileMatrix": "3", "minTileRow": 1.5}]), "number"),
        (tileset(tileMatrixSetLimits=[{"tileMatrix": "99"}]), "allow no tile"),
        (
            {**tileset(), "tileMatrixSetURI": "x/UTM31", "tileMatrixSet": morecantile_set("UTM31WGS84Quad")},
            "not WebMerc",
        ),
        ({**tileset(), "tileMatrixSetURI": "x/Own"}, "nothing says"),
    ],
)
def test_what_cannot_be_fetched_is_refused_with_the_reason(page: Any, word: str) -> None:
    text = refused(page)
    assert any(one in text for one in word.split("|")), text


JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.sampled_from(["self", "item", QUAD, "{z}", "/"]),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                ["links", "rel", "href", "tilesets", "collections", "id", "crs", "tileMatrixSet"]
            ),
            inner,
        )
    ),
    max_leaves=12,
)


@settings(max_examples=60, deadline=None)
@given(
    st.dictionaries(
        st.sampled_from(["links", "tilesets", "collections", "tileMatrixSetLimits", "boundingBox", "layers"]),
        JSON,
    )
)
def test_any_json_is_read_or_refused_and_nothing_else(page: dict[str, Any]) -> None:
    walk = walk_tiles(BASE + "/", OgcWish())
    next(walk)
    with contextlib.suppress(OfferError, StopIteration):
        walk.send(json.dumps({**tileset(), **page}).encode())
