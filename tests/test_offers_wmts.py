"""WMTS capabilities as servers write them, and as hostile ones might.

Published numbers: OGC 17-083r4, annex D, table of WebMercatorQuad, as morecantile carries it; the same scale
denominators stand in OGC 07-057r7, annex E.4 (GoogleMapsCompatible).
"""

from __future__ import annotations

from xml.sax.saxutils import escape, quoteattr

import morecantile
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packer.geometry.grid import LonLatBox
from packer.geometry.tileset import Tile
from packer.sources.address import Address
from packer.sources.offer import LIMIT_BYTES, Offer, OfferError, TileLimits
from packer.sources.wmts import Wish, read_wmts
from tests.budgets import tries

PUBLISHED = morecantile.tms.get("WebMercatorQuad").tileMatrices
HEAD = (
    '<Capabilities xmlns="http://www.opengis.net/wmts/1.0" xmlns:ows="http://www.opengis.net/ows/1.1" '
    'xmlns:xlink="http://www.w3.org/1999/xlink" version="1.0.0">'
)
REST = '<ResourceURL format="image/png" resourceType="tile" template="https://t.example.org/{Style}/{TileMatrixSet}/{TileMatrix}/{TileRow}/{TileCol}.png"/>'
KVP = (
    '<ows:OperationsMetadata><ows:Operation name="GetTile"><ows:DCP><ows:HTTP>'
    '<ows:Get xlink:href="https://t.example.org/rest"><ows:Constraint name="GetEncoding"><ows:AllowedValues>'
    "<ows:Value>RESTful</ows:Value></ows:AllowedValues></ows:Constraint></ows:Get>"
    '<ows:Get xlink:href="https://t.example.org/wmts?map=a"><ows:Constraint name="GetEncoding">'
    "<ows:AllowedValues><ows:Value>KVP</ows:Value></ows:AllowedValues></ows:Constraint></ows:Get>"
    "</ows:HTTP></ows:DCP></ows:Operation></ows:OperationsMetadata>"
)


def identifier(element: str, text: str) -> str:
    return f"<{element}><ows:Identifier>{escape(text)}</ows:Identifier>"


def matrix_set(
    name: str = "grid",
    crs: str = "urn:ogc:def:crs:EPSG::3857",
    names: str = "{}",
    side: int = 256,
    zooms: range = range(6),
    corner: str = "-20037508.342789244 20037508.342789244",
    factor: float = 1.0,
) -> str:
    """A set with the published scale denominators, of 512-pixel tiles those of one zoom deeper."""
    deeper = {256: 0, 512: 1}.get(side, 0)
    matrices = "".join(
        f"{identifier('TileMatrix', names.format(z))}"
        f"<ScaleDenominator>{PUBLISHED[z + deeper].scaleDenominator * factor!r}</ScaleDenominator>"
        f"<TopLeftCorner>{corner}</TopLeftCorner><TileWidth>{side}</TileWidth><TileHeight>{side}</TileHeight>"
        f"<MatrixWidth>{2**z}</MatrixWidth><MatrixHeight>{2**z}</MatrixHeight></TileMatrix>"
        for z in zooms
    )
    return f"{identifier('TileMatrixSet', name)}<ows:SupportedCRS>{crs}</ows:SupportedCRS>{matrices}</TileMatrixSet>"


def layer(
    name: str = "ground",
    links: str = "<TileMatrixSetLink><TileMatrixSet>grid</TileMatrixSet></TileMatrixSetLink>",
    rest: str = REST,
    more: str = "",
) -> str:
    return (
        f'{identifier("Layer", name)}{more}<Style isDefault="true"><ows:Identifier>plain</ows:Identifier></Style>'
        f"<Format>image/png</Format>{links}{rest}</Layer>"
    )


def capabilities(layers: str = "", sets: str = "", operations: str = "") -> bytes:
    contents = f"<Contents>{layers or layer()}{sets or matrix_set()}</Contents>"
    return f"{HEAD}{operations}{contents}</Capabilities>".encode()


def address(offer: Offer) -> Address:
    return Address(offer.templates[0], (), offer.matrices)


def refused(body: bytes, wish: Wish | None = None) -> str:
    with pytest.raises(OfferError) as refusal:
        read_wmts(body, wish or Wish())
    text = str(refusal.value)
    assert text.isprintable()
    assert not text.endswith(".")
    assert len(text) < 400
    return text


def test_every_published_matrix_of_webmercatorquad_is_the_zoom_that_it_should_be() -> None:
    offer = read_wmts(capabilities(sets=matrix_set(zooms=range(25))), Wish())
    assert offer.zooms == (0, 24)
    assert (offer.tile_px, offer.matrices, offer.whole_grid) == (256, None, True)
    assert address(offer).url(Tile(11, 327, 791)) == "https://t.example.org/plain/grid/11/791/327.png"


def test_a_set_of_512_pixels_has_the_scale_of_the_next_deeper_zoom() -> None:
    offer = read_wmts(capabilities(sets=matrix_set(side=512, zooms=range(20))), Wish())
    assert (offer.tile_px, offer.zooms) == (512, (0, 19))


@pytest.mark.parametrize(
    "crs",
    [
        "urn:ogc:def:crs:EPSG::3857",
        "urn:ogc:def:crs:EPSG:6.18.3:3857",
        "http://www.opengis.net/def/crs/EPSG/0/3857",
        "EPSG:900913",
        "urn:ogc:def:crs:EPSG::102100",
    ],
)
def test_the_names_of_the_coordinate_system_are_known(crs: str) -> None:
    assert read_wmts(capabilities(sets=matrix_set(crs=crs)), Wish()).zooms == (0, 5)


@pytest.mark.parametrize(
    "changes",
    [
        {"corner": "-20037508.342789244 20000000"},
        {"corner": "20037508.342789244 -20037508.342789244"},
        {"factor": 1.0005},
        {"factor": 4.0, "zooms": range(1)},
        {"factor": 1e-316, "zooms": range(1)},
        {"side": 128},
    ],
)
def test_a_set_on_another_grid_is_refused(changes: dict[str, object]) -> None:
    text = refused(capabilities(sets=matrix_set(**changes)))  # type: ignore[arg-type]  # a table of keywords
    assert "WebMercatorQuad" in text
    assert '"grid"' in text


@pytest.mark.parametrize(
    ("crs", "said"),
    [("urn:ogc:def:crs:OGC:1.3:CRS84", "have nothing of the ground"), ("3857", "not known to PROJ")],
)
def test_a_set_whose_numbers_are_of_another_system_is_refused(crs: str, said: str) -> None:
    assert said in refused(capabilities(sets=matrix_set(crs=crs)))


def test_rounded_numbers_are_taken_as_servers_write_them() -> None:
    text = matrix_set(corner="-2.0037508E7 2.0037508E7", zooms=range(19))
    for matrix in PUBLISHED[:19]:
        text = text.replace(repr(matrix.scaleDenominator), f"{matrix.scaleDenominator:.2f}")
    assert read_wmts(capabilities(sets=text), Wish()).zooms == (0, 18)


def test_an_identifier_with_a_prefix_becomes_part_of_the_address() -> None:
    offer = read_wmts(capabilities(sets=matrix_set(names="EPSG:3857:{}")), Wish())
    assert offer.matrices is None
    assert address(offer).url(Tile(3, 1, 2)).endswith("/grid/EPSG:3857:3/2/1.png")


@pytest.mark.parametrize(("names", "third"), [("{:02}", "03"), ("step {}0", "step%2030")])
def test_other_identifiers_are_looked_up_by_zoom(names: str, third: str) -> None:
    offer = read_wmts(capabilities(sets=matrix_set(names=names)), Wish())
    assert address(offer).url(Tile(3, 1, 2)).endswith(f"/grid/{third}/2/1.png")


def test_limits_give_zooms_and_tiles_on_offer() -> None:
    link = (
        "<TileMatrixSetLink><TileMatrixSet>grid</TileMatrixSet><TileMatrixSetLimits>"
        + "".join(
            f"<TileMatrixLimits><TileMatrix>{z}</TileMatrix><MinTileRow>1</MinTileRow><MaxTileRow>2</MaxTileRow>"
            "<MinTileCol>3</MinTileCol><MaxTileCol>99</MaxTileCol></TileMatrixLimits>"
            for z in (3, 4)
        )
        + "</TileMatrixSetLimits></TileMatrixSetLink>"
    )
    offer = read_wmts(capabilities(layer(links=link)), Wish())
    assert offer.zooms == (3, 4)
    assert offer.limits == {3: TileLimits(3, 7, 1, 2), 4: TileLimits(3, 15, 1, 2)}


def test_bounding_box_is_the_extent_on_offer() -> None:
    box = (
        "<ows:WGS84BoundingBox><ows:LowerCorner>12.3 47</ows:LowerCorner>"
        "<ows:UpperCorner>12.7 47.25</ows:UpperCorner></ows:WGS84BoundingBox>"
    )
    assert read_wmts(capabilities(layer(more=box)), Wish()).bounds == LonLatBox(12.3, 47.0, 12.7, 47.25)


def test_without_a_restful_address_tiles_are_asked_for_by_get_tile() -> None:
    """The request of OGC 07-057r7, table 29."""
    body = capabilities(layer(name="ground & more", rest=""), matrix_set(names="EPSG:900913:{}"), KVP)
    url = address(read_wmts(body, Wish())).url(Tile(5, 10, 11))
    assert url == (
        "https://t.example.org/wmts?map=a&SERVICE=WMTS&REQUEST=GetTile&VERSION=1.0.0&LAYER=ground%20%26%20more"
        "&STYLE=plain&FORMAT=image/png&TILEMATRIXSET=grid&TILEMATRIX=EPSG:900913:5&TILEROW=11&TILECOL=10"
    )


def test_a_dimension_is_asked_at_its_default() -> None:
    time = (
        "<Dimension><ows:Identifier>Time</ows:Identifier><Default>2030-05-01</Default>"
        "<Value>2029-05-01</Value></Dimension>"
    )
    rest = REST.replace("{TileMatrixSet}", "{Time}")
    offer = read_wmts(capabilities(layer(more=time, rest=rest)), Wish())
    assert address(offer).url(Tile(1, 0, 0)) == "https://t.example.org/plain/2030-05-01/1/0/0.png"
    by_kvp = read_wmts(capabilities(layer(more=time, rest=""), operations=KVP), Wish())
    assert "&Time=2030-05-01" in address(by_kvp).url(Tile(1, 0, 0))


LINKS = "".join(
    f"<TileMatrixSetLink><TileMatrixSet>{n}</TileMatrixSet></TileMatrixSetLink>"
    for n in ("wgs", "sharp", "grid")
)
SETS = matrix_set("wgs", crs="EPSG:4326") + matrix_set("sharp", side=512) + matrix_set()


def test_of_several_sets_the_one_that_fits_is_taken() -> None:
    body = capabilities(layer(links=LINKS), SETS)
    assert "/grid/" in read_wmts(body, Wish()).templates[0]
    assert "/sharp/" in read_wmts(body, Wish(tile_px=512)).templates[0]
    assert "/sharp/" in read_wmts(body, Wish(matrix_set="sharp")).templates[0]
    assert "512" in refused(body, Wish(matrix_set="grid", tile_px=512))
    assert "nothing of the ground" in refused(body, Wish(matrix_set="wgs"))  # its numbers are metres
    assert '"wgs", "sharp", "grid"' in refused(body, Wish(matrix_set="none"))


def test_layer_style_and_kind_are_the_wished_ones_or_told() -> None:
    jpeg = REST.replace("image/png", "image/jpeg").replace(".png", ".jpg")
    body = capabilities(layer("one", rest=REST + jpeg) + layer("two\n"))
    assert read_wmts(body, Wish("one", "plain", kind="jpg")).templates[0].endswith(".jpg")
    assert read_wmts(body, Wish("one")).kind == "png"
    assert "wmts-layer" in refused(body)
    assert '"one", "two"' in refused(body, Wish("three"))
    assert '"plain"' in refused(body, Wish("one", "fancy"))
    assert "webp" in refused(body, Wish("one", kind="webp"))


@pytest.mark.parametrize(
    ("body", "word"),
    [
        (b"", "well-formed"),
        (b"{}", "well-formed"),
        (b"<html></html>", "html"),
        (HEAD.encode(), "well-formed"),
        (HEAD.encode() + b"</Capabilities>", "Contents"),
        (b'<?xml version="1.0" encoding="no-such"?><Capabilities/>', "encoding"),
        (b'<!DOCTYPE a [<!ENTITY b "bb">]><Capabilities>&b;</Capabilities>', "document type"),
        (b'<!DOCTYPE Capabilities SYSTEM "file:///etc/passwd"><Capabilities/>', "document type"),
        (b"<Capabilities>" * 5000, "deep"),
        (b"<Capabilities>" + b"<a/>" * 600_000 + b"</Capabilities>", "500,000"),
        (b" " * (LIMIT_BYTES + 1), "8 MB"),
        (capabilities(layer(rest="")), "GetTile"),
        (capabilities(layer(rest=REST.replace("{Style}", "{Mood}"))), '"Mood"'),
        (capabilities(sets=matrix_set().replace("<TileWidth>256", "<TileWidth>1e999")), "TileWidth"),
        (
            capabilities(sets=matrix_set().replace("<MatrixWidth>1<", "<MatrixWidth>99999999999999<")),
            "MatrixWidth",
        ),
        (capabilities(sets=matrix_set().replace(repr(PUBLISHED[0].scaleDenominator), "nan")), "number"),
        (capabilities(layer(links="")), "WebMercatorQuad"),
    ],
)
def test_what_is_no_capabilities_is_told_in_a_sentence(body: bytes, word: str) -> None:
    assert word in refused(body)


_WHOLE = capabilities(layer(links=LINKS), SETS, KVP)
_TEXT = st.text(max_size=30).map(escape) | st.sampled_from(
    ["nan", "-1", "1e309", "9" * 40, "{z}", "", "${HOME}"]
)


@settings(max_examples=tries(50, 200), deadline=None)
@given(st.integers(0, 200), _TEXT, st.booleans())
def test_any_text_in_any_place_gives_an_offer_on_the_grid_or_a_sentence(
    place: int, text: str, attribute: bool
) -> None:
    document = _WHOLE.decode()
    marks = [i for i, c in enumerate(document) if c == (">" if not attribute else "=")]
    at = marks[place % len(marks)] + 1
    end = document.index("<" if not attribute else '"', at + attribute)
    new = quoteattr(text)[:-1] if attribute else text
    try:
        offer = read_wmts((document[:at] + new + document[end:]).encode("utf-8", "replace"), Wish())
    except OfferError as refusal:
        assert str(refusal).isprintable()
        return
    assert 0 <= offer.zooms[0] <= offer.zooms[1] <= 24
    assert offer.tile_px in (256, 512)


@settings(max_examples=tries(40, 100), deadline=None)
@given(st.integers(0, len(_WHOLE)), st.binary(max_size=8))
def test_any_bytes_in_any_place_give_an_offer_or_a_sentence(place: int, junk: bytes) -> None:
    try:
        read_wmts(_WHOLE[:place] + junk + _WHOLE[place + len(junk) :], Wish())
    except OfferError as refusal:
        assert str(refusal).isprintable()
