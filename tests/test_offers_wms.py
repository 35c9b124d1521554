"""WMS capabilities as servers write them, and as hostile ones might; and what a GetMap asks for.

Sources: OGC 06-042 (WMS 1.3.0) and 01-068r3 (WMS 1.1.1), numbers of clauses from memory. Positions of tiles by
mercantile, scale denominators by OGC 17-083r4, annex D, as morecantile carries it.
"""

from __future__ import annotations

from urllib.parse import parse_qs, urlsplit

import mercantile
import morecantile
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packer.geometry.grid import LonLatBox
from packer.geometry.tileset import Tile
from packer.sources.address import Address
from packer.sources.dimensions import DimensionWish
from packer.sources.offer import LIMIT_BYTES, Offer, OfferError, SeveralLayersError
from packer.sources.wms import WmsWish, capabilities_address, read_wms
from packer.sources.wms_capabilities import WmsCapabilities

PUBLISHED = morecantile.tms.get("WebMercatorQuad").tileMatrices
HERE = Tile(14, 8760, 5744)
GET = (
    '<{}><DCPType><HTTP><Get><OnlineResource xmlns:xlink="http://www.w3.org/1999/xlink" xlink:href="{}"/></Get></HTTP>'
    "</DCPType></{}>"
)
DOCTYPE = (
    '<!DOCTYPE WMT_MS_Capabilities SYSTEM "http://schemas.opengis.net/wms/1.1.1/WMS_MS_Capabilities.dtd" '
    "[<!ELEMENT VendorSpecificCapabilities EMPTY>]>"
)
BOX = (
    "<EX_GeographicBoundingBox><westBoundLongitude>12</westBoundLongitude><eastBoundLongitude>13"
    "</eastBoundLongitude><southBoundLatitude>47</southBoundLatitude><northBoundLatitude>48</northBoundLatitude>"
    "</EX_GeographicBoundingBox>"
)
TIME = (
    '<Dimension name="time" units="ISO8601" default="2026-11-27">'
    "2026-11-26,2026-11-27,2026-11-28T06:00:00Z</Dimension>"
)


def layer(name: str = "ground", more: str = "", crs: str = "EPSG:3857", inner: str = "") -> str:
    return f"<Layer><Name>{name}</Name><Title>{name}</Title><CRS>{crs}</CRS>{more}{inner}</Layer>"


def capabilities(
    layers: str = "",
    *,
    version: str = "1.3.0",
    service: str = "",
    formats: tuple[str, ...] = ("image/png", "image/jpeg"),
    place: str = "https://m.example.org/wms?map=a&amp;SERVICE=WMS",
    head: str = "",
) -> bytes:
    root = "WMS_Capabilities" if version == "1.3.0" else "WMT_MS_Capabilities"
    listed = "".join(f"<Format>{one}</Format>" for one in formats)
    get_map = GET.format("GetMap", place, "GetMap").replace("<GetMap>", f"<GetMap>{listed}", 1)
    text = (
        f'<{root} version="{version}"><Service><Name>WMS</Name>{service}</Service><Capability><Request>{get_map}'
        f"</Request><Layer><Title>all</Title>{layers or layer()}</Layer></Capability></{root}>"
    )
    return (head + (text if version == "1.3.0" else text.replace("CRS>", "SRS>"))).encode()


def url(offer: Offer, tile: Tile = HERE) -> str:
    return Address(offer.templates[0], (), None, offer.tile_px or 256).url(tile)


def query(offer: Offer, tile: Tile = HERE) -> dict[str, str]:
    return {name: values[-1] for name, values in parse_qs(urlsplit(url(offer, tile)).query, True).items()}


def refused(body: bytes, wish: WmsWish | None = None) -> str:
    with pytest.raises(OfferError) as refusal:
        read_wms(body, wish or WmsWish())
    text = str(refusal.value)
    assert text.isprintable()
    assert not text.endswith(".")
    assert len(text) < 400
    return text


@pytest.mark.parametrize(
    ("version", "crs_name", "errors"),
    [("1.3.0", "CRS", "XML"), ("1.1.1", "SRS", "application/vnd.ogc.se_xml"), ("1.1.0", "SRS", None)],
)
def test_a_get_map_has_every_parameter_that_the_standard_asks_for(
    version: str, crs_name: str, errors: str | None
) -> None:
    asked = query(
        read_wms(capabilities(version=version, head=DOCTYPE if version != "1.3.0" else ""), WmsWish())
    )
    box = mercantile.xy_bounds(mercantile.Tile(8760, 5744, 14))
    assert [float(v) for v in asked.pop("BBOX").split(",")] == pytest.approx(list(box), abs=1e-6)
    assert errors is None or asked["EXCEPTIONS"] == errors  # never drawn into a picture
    asked.pop("EXCEPTIONS")
    assert asked == {
        **{"map": "a", "SERVICE": "WMS", "VERSION": version, "REQUEST": "GetMap", "LAYERS": "ground"},
        **{"STYLES": "", crs_name: "EPSG:3857", "WIDTH": "256", "HEIGHT": "256", "FORMAT": "image/png"},
        "TRANSPARENT": "FALSE",
    }


def test_what_the_planners_address_has_beyond_the_standard_goes_along_on_the_same_host_alone() -> None:
    mine = "https://m.example.org/wms?key=4711abcd&map=mine&SERVICE=WMS&REQUEST=GetCapabilities&VERSION=1.3.0"
    asked = query(read_wms(capabilities(), WmsWish(), mine))
    assert (asked["key"], asked["map"], asked["REQUEST"]) == ("4711abcd", "a", "GetMap")
    for other in ("http://m.example.org/wms", "https://n.example.org/wms", "https://m.example.org:8443/wms"):
        assert "key" not in query(read_wms(capabilities(place=other), WmsWish(), mine))


@given(st.integers(1, 24), st.data())
def test_neighbours_write_the_edge_between_them_with_the_same_digits(zoom: int, data: st.DataObject) -> None:
    last = (1 << zoom) - 2
    x, y = data.draw(st.integers(0, last)), data.draw(st.integers(0, last))
    address = Address("https://m.example.org/?bbox={bbox}")
    here, right, below = (
        address.url(Tile(zoom, *place)).partition("=")[2].split(",")
        for place in ((x, y), (x + 1, y), (x, y + 1))
    )
    assert here[2] == right[0]
    assert here[1] == below[3]
    block = address.url(Tile(zoom, x, y), 2, 2).partition("=")[2].split(",")
    assert block[0] == here[0]
    assert block[3] == here[3]
    assert block[1] == below[1]
    assert block[2] == right[2]


def test_other_names_of_web_mercator_are_asked_for_as_they_are_offered() -> None:
    assert query(read_wms(capabilities(layer(crs="EPSG:900913")), WmsWish()))["CRS"] == "EPSG:900913"
    two = capabilities(layer(crs="EPSG:102100</CRS><CRS>EPSG:3857"))
    assert query(read_wms(two, WmsWish()))["CRS"] == "EPSG:3857"
    # 1.1.0 and earlier have all names in one element.
    old = capabilities(layer(crs="EPSG:4326 EPSG:3857"), version="1.1.1")
    assert query(read_wms(old, WmsWish()))["SRS"] == "EPSG:3857"
    other = read_wms(capabilities(layer(crs="EPSG:4326")), WmsWish())
    assert query(other)["CRS"] == "EPSG:4326"
    assert other.grid is not None


def test_a_layer_inherits_from_those_around_it_what_it_does_not_state_itself() -> None:
    outer = (
        f"{BOX}<Attribution><Title>Example Survey</Title></Attribution><Style><Name>plain</Name></Style>"
        "<MaxScaleDenominator>70000</MaxScaleDenominator>"
    )
    service = WmsCapabilities(capabilities(layer("group", outer, inner=layer("inner", crs="EPSG:4326"))))
    inner = service.layer("inner")
    assert service.layers == ("group", "inner")
    assert inner.crs == ("EPSG:3857", "EPSG:4326")
    assert list(inner.bounds or ()) == [12, 47, 13, 48]
    assert (inner.attribution, inner.styles) == ("Example Survey", ("plain",))
    assert list(inner.scales) == [0, 70000]
    offer = read_wms(capabilities(layer("group", outer)), WmsWish(("group",), ("plain",)))
    assert (offer.attribution, offer.bounds) == ("Example Survey", LonLatBox(12, 47, 13, 48))
    assert query(offer)["STYLES"] == "plain"


def test_boxes_of_other_coordinate_systems_are_given_eastward_first_whatever_the_order_of_axes() -> None:
    boxes = (
        '<BoundingBox CRS="EPSG:4326" minx="47" miny="12" maxx="48" maxy="13"/>'
        '<BoundingBox CRS="CRS:84" minx="12" miny="47" maxx="13" maxy="48"/>'
        '<BoundingBox CRS="EPSG:3857" minx="1" miny="2" maxx="3" maxy="4"/>'
        '<BoundingBox CRS="EPSG:31467" minx="5000000" miny="3400000" maxx="5100000" maxy="3500000"/>'
    )
    new = WmsCapabilities(capabilities(layer(more=boxes))).layer("ground").boxes
    assert list(new["EPSG:4326"]) == list(new["CRS:84"]) == [12, 47, 13, 48]
    assert list(new["EPSG:3857"]) == [1, 2, 3, 4]
    # EPSG:31467 (Gauss-Krüger) has northing first, by the EPSG registry as PROJ carries it.
    assert list(new["EPSG:31467"]) == [3400000, 5000000, 3500000, 5100000]
    old = boxes.replace("CRS=", "SRS=").replace(
        'minx="47" miny="12" maxx="48" maxy="13"', 'minx="12" miny="47" maxx="13" maxy="48"'
    )
    assert WmsCapabilities(capabilities(layer(more=old), version="1.1.1")).layer("ground").boxes[
        "EPSG:4326"
    ] == (12, 47, 13, 48)


@pytest.mark.parametrize("side", [256, 512])
def test_scales_leave_the_zooms_whose_published_denominators_lie_within_them(side: int) -> None:
    least, most = 5_000.0, 1_000_000.0
    more = (
        f"<MinScaleDenominator>{least}</MinScaleDenominator><MaxScaleDenominator>{most}</MaxScaleDenominator>"
    )
    offer = read_wms(capabilities(layer(more=more)), WmsWish(tile_px=side))
    deeper = {256: 0, 512: 1}[side]
    drawn = [z for z in range(20) if least <= PUBLISHED[z + deeper].scaleDenominator < most]
    assert offer.zooms == (drawn[0], drawn[-1])
    # 1.1.1: the diagonal of a pixel of 0.28 mm in metres on the ground.
    hint = f'<ScaleHint min="{least * 0.00028 * 2**0.5}" max="{most * 0.00028 * 2**0.5}"/>'
    assert (
        read_wms(capabilities(layer(more=hint), version="1.1.1"), WmsWish(tile_px=side)).zooms == offer.zooms
    )
    for end in ('max="0"', 'max="Infinity"', ""):
        open_ = capabilities(layer(more=f'<ScaleHint min="0" {end}/>'), version="1.1.1")
        assert read_wms(open_, WmsWish(tile_px=side)).zooms == (0, 24)


def test_several_layers_are_drawn_over_one_another_within_the_box_round_both() -> None:
    other = layer("names", BOX.replace(">13<", ">14<").replace(">47<", ">46<"))
    body = capabilities(layer("ground", BOX) + other)
    offer = read_wms(body, WmsWish(("ground", "names")))
    assert query(offer)["LAYERS"] == "ground,names"
    assert query(offer)["STYLES"] == ","
    assert offer.bounds == LonLatBox(12, 46, 14, 48)
    with pytest.raises(SeveralLayersError) as choice:
        read_wms(body, WmsWish())
    assert choice.value.names == ("ground", "names")


def test_formats_are_chosen_by_the_wish_and_by_what_transparency_needs() -> None:
    body = capabilities(
        formats=("application/vnd.mapbox-vector-tile", "image/jpeg", "image/png; mode=8bit", "image/png")
    )
    assert read_wms(body, WmsWish()).kind == "jpg"
    assert read_wms(body, WmsWish(kind="png")).kind == "png"
    clear = read_wms(body, WmsWish(transparent=True))
    assert (clear.kind, query(clear)["TRANSPARENT"]) == ("png", "TRUE")
    assert "webp" in refused(body, WmsWish(kind="webp"))
    assert "transparent needs" in refused(capabilities(formats=("image/jpeg",)), WmsWish(transparent=True))


@pytest.mark.parametrize(
    ("body", "wish", "word"),
    [
        (capabilities(service="<MaxWidth>200</MaxWidth>"), WmsWish(), "200 pixels"),
        (
            capabilities(service="<LayerLimit>1</LayerLimit>"),
            WmsWish(("ground", "ground")),
            "at most 1 layers",
        ),
        (
            capabilities('<Layer noSubsets="1"><Name>a</Name><CRS>EPSG:3857</CRS></Layer>'),
            WmsWish(),
            "whole picture",
        ),
        (
            capabilities('<Layer fixedWidth="900"><Name>a</Name><CRS>EPSG:3857</CRS></Layer>'),
            WmsWish(),
            "whole picture",
        ),
        (capabilities(), WmsWish(("water",)), "no layer"),
        (capabilities(), WmsWish(("ground",), ("bright",)), "no style"),
        (capabilities(place=""), WmsWish(), "where GetMap"),
        (capabilities("<Layer><Title>no name</Title></Layer>"), WmsWish(), "names no layer"),
        (capabilities(version="1.0.0"), WmsWish(), "version"),
        (capabilities(layer(more="<MaxScaleDenominator>1</MaxScaleDenominator>")), WmsWish(), "no zoom"),
        (capabilities(layer(more="<MaxScaleDenominator>many</MaxScaleDenominator>")), WmsWish(), "number"),
        (capabilities(head='<!DOCTYPE a [<!ENTITY b "c">]>'), WmsWish(), "declares entities"),
        (
            capabilities(head='<!DOCTYPE a [<!ENTITY % b SYSTEM "file:///etc/passwd"> %b;]>'),
            WmsWish(),
            "entities",
        ),
        (capabilities("<Layer>" * 70 + "</Layer>" * 70), WmsWish(), "64 deep"),
        (b"<html><body>sign in</body></html>", WmsWish(), "found"),
        (b"<WMS_Capabilities version='1.3.0'>", WmsWish(), "well-formed"),
        (b"<WMS_Capabilities version='1.3.0'/>" + b" " * LIMIT_BYTES, WmsWish(), "MB"),
    ],
)
def test_what_cannot_be_fetched_is_refused_with_the_reason(body: bytes, wish: WmsWish, word: str) -> None:
    assert word in refused(body, wish)


def test_values_that_a_document_type_gives_to_attributes_are_left_out() -> None:
    head = '<!DOCTYPE WMT_MS_Capabilities [<!ATTLIST Layer noSubsets CDATA "1">]>'
    assert read_wms(capabilities(version="1.1.1", head=head), WmsWish()).kind == "png"


@pytest.mark.parametrize(
    ("given", "made"),
    [
        ("https://m.example.org/wms", "https://m.example.org/wms?SERVICE=WMS&REQUEST=GetCapabilities"),
        (
            "https://m.example.org/c?map=/a.map&",
            "https://m.example.org/c?map=/a.map&SERVICE=WMS&REQUEST=GetCapabilities",
        ),
        (
            "https://m.example.org/?request=GetCapabilities&service=wms&version=1.1.1",
            "https://m.example.org/?request=GetCapabilities&service=wms&version=1.1.1",
        ),
    ],
)
def test_the_address_of_a_service_becomes_that_of_its_capabilities(given: str, made: str) -> None:
    assert capabilities_address(given) == made


@pytest.mark.parametrize(
    ("wish", "asked"),
    [
        (DimensionWish(), "2026-11-27"),
        (DimensionWish("2026-11-26"), "2026-11-26"),
        (DimensionWish("2026-11-28"), "2026-11-28T06:00:00Z"),
        (DimensionWish("latest"), "2026-11-28T06:00:00Z"),
        (DimensionWish("latest", resolved="2026-11-27"), "2026-11-27"),
    ],
)
def test_the_date_is_the_wished_one_the_latest_or_the_default_and_stays_once_it_is_found(
    wish: DimensionWish, asked: str
) -> None:
    offer = read_wms(capabilities(layer(more=TIME)), WmsWish(dimensions=wish))
    assert (query(offer)["TIME"], offer.date) == (asked, asked)
    assert offer.newer_date == ("2026-11-28T06:00:00Z" if wish.resolved else None)


def test_dimensions_of_both_versions_are_asked_for_by_the_names_of_the_standard() -> None:
    band = '<Dimension name="band" units="">1,2</Dimension>'
    more = f'{band}<Dimension name="elevation" units="m" default="0">0/900/10</Dimension>'
    wish = WmsWish(dimensions=DimensionWish(others=(("elevation", "450"), ("Band", "2"))))
    asked = query(read_wms(capabilities(layer(more=more)), wish))
    assert (asked["DIM_BAND"], asked["ELEVATION"]) == ("2", "450")
    old = '<Dimension name="time" units="ISO8601"/><Extent name="time" default="2020">2019,2020</Extent>'
    assert query(read_wms(capabilities(layer(more=old), version="1.1.1"), WmsWish()))["TIME"] == "2020"


@pytest.mark.parametrize(
    ("more", "wish", "word"),
    [
        (TIME, DimensionWish("2025-01-01"), "does not have"),
        ("", DimensionWish("2025-01-01"), "no dimension of time"),
        ("", DimensionWish("latest"), "no dimension of time"),
        (TIME, DimensionWish(others=(("depth", "1"),)), "no dimension"),
        (TIME, DimensionWish("latest", resolved="2020-01-01"), "no longer has"),
    ],
)
def test_a_date_that_is_not_there_is_refused_with_those_that_are(
    more: str, wish: DimensionWish, word: str
) -> None:
    assert word in refused(capabilities(layer(more=more)), WmsWish(dimensions=wish))


def test_an_address_of_maps_that_is_none_is_told_in_words() -> None:
    body = capabilities(layer()).replace(b'xlink:href="http', b'xlink:href="http://[')
    assert b"://[" in body
    assert "cannot be read" in refused(body)


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=200), st.integers(0, 1200))
def test_damage_anywhere_is_read_or_refused_and_nothing_else(junk: bytes, place: int) -> None:
    whole = capabilities(layer(more=BOX + TIME))
    try:
        read_wms(whole[:place] + junk + whole[place + len(junk) :], WmsWish())
    except OfferError as refusal:
        assert str(refusal).isprintable()
