"""Pasted addresses, and neighbours that do not fit: what an address with its axes the wrong way round gives away."""

from __future__ import annotations

import io
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from packer.content.seams import Lie, how_they_lie
from packer.geometry.grid import tms_row
from packer.geometry.tileset import Tile
from packer.sources.address import Address, check_template
from packer.sources.recognition import ServiceGuess, guesses, is_service, services, variants


@pytest.mark.parametrize(
    ("pasted", "template", "tile"),
    [
        (
            "https://t.example.org/aerial/14/8732/5691.png",
            "https://t.example.org/aerial/{z}/{x}/{y}.png",
            (14, 8732, 5691),
        ),
        (
            "https://t.example.org/v2/2024/aerial/14/8732/5691@2x.jpg?key=${KEY}",
            "https://t.example.org/v2/2024/aerial/{z}/{x}/{y}@2x.jpg?key=${KEY}",
            (14, 8732, 5691),
        ),
        ("http://127.0.0.1:8080/3/2/1", "http://127.0.0.1:8080/{z}/{x}/{y}", (3, 2, 1)),
        (
            "https://t.example.org/get?layer=7&x=8732&y=5691&zoom=14",
            "https://t.example.org/get?layer=7&x={x}&y={y}&zoom={z}",
            (14, 8732, 5691),
        ),
        (
            "https://t.example.org/wmts?TILEMATRIX=14&TILEROW=5691&TILECOL=8732&FORMAT=image/png",
            "https://t.example.org/wmts?TILEMATRIX={z}&TILEROW={y}&TILECOL={x}&FORMAT=image/png",
            (14, 8732, 5691),
        ),
    ],
)
def test_an_address_with_a_real_tile_in_it_is_understood(
    pasted: str, template: str, tile: tuple[int, int, int]
) -> None:
    first = guesses(pasted)[0]
    assert (first.template, first.tile) == (template, Tile(*tile))


@pytest.mark.parametrize(
    "pasted", ["https://t.example.org/", "https://t.example.org/1/5/9", "", "no address", "http://[/1/0/0"]
)
def test_an_address_without_a_tile_gives_no_template(pasted: str) -> None:
    assert guesses(pasted) == []


@given(st.integers(1, 22), st.data(), st.booleans())
def test_a_guess_gives_the_pasted_address_back(zoom: int, data: st.DataObject, swapped: bool) -> None:
    x, y = (data.draw(st.integers(0, 2**zoom - 1)) for _ in range(2))
    order = "{z}/{y}/{x}" if swapped else "{z}/{x}/{y}"
    pasted = Address(f"https://t.example.org/a/{order}.png").url(Tile(zoom, x, y))
    found = guesses(pasted)
    assert all(Address(one.template).url(one.tile) == pasted for one in found)
    assert Tile(zoom, x, y) in [one.tile for one in found]


@pytest.mark.parametrize(
    "template",
    [
        "https://t.example.org/{z}/{x}/{y}.png",
        "https://t.example.org/{x}/{y}/{z}.jpg",
        "https://t.example.org/{z}/{x}/{-y}.webp",
        "https://t.example.org/?z={z}&x={x}&y={y}",
    ],
)
def test_every_variant_is_a_sound_template_and_comes_once(template: str) -> None:
    found = [one.template for one in variants(template)]
    assert len({*found, template}) == len(found) + 1
    for one in found:
        check_template(one, ())


def test_the_slips_that_were_seen_are_among_the_variants() -> None:
    assert "https://t/{z}/{x}/{y}.png" in [one.template for one in variants("https://t/{x}/{y}/{z}.png")]
    assert "https://t/{z}/{y}/{x}.png" in [one.template for one in variants("https://t/{z}/{x}/{y}.png")]
    assert "https://t/{z}/{x}/{-y}.png" in [one.template for one in variants("https://t/{z}/{x}/{y}.png")]
    assert "https://t/{z}/{x}/{y}.jpg" in [one.template for one in variants("https://t/{z}/{x}/{y}.png")]


def ground(size: int = 1024) -> NDArray[np.uint8]:
    """Rough ground with detail at every scale, from fixed chance."""
    chance, total = np.random.default_rng(3), np.zeros((size, size))
    for step in (4, 8, 16, 64, 256):
        coarse = chance.normal(size=(size // step + 2, size // step + 2)) * step
        picture = Image.fromarray(coarse.astype(np.float32)).resize(
            (size + 2 * step, size + 2 * step), Image.Resampling.BICUBIC
        )
        total += np.asarray(picture)[:size, :size]
    grey: NDArray[np.uint8] = np.clip(128 + 40 * total / total.std(), 0, 255).astype(np.uint8)
    return grey


GROUND = ground()


def body(column: int, row: int, kind: str) -> bytes:
    piece = GROUND[256 * row : 256 * row + 256, 256 * column : 256 * column + 256]
    out = io.BytesIO()
    Image.fromarray(piece).save(out, kind)
    return out.getvalue()


ANSWERS: dict[Lie, Callable[[int, int], tuple[int, int]]] = {
    Lie.AS_ASKED: lambda x, y: (x, y),
    Lie.EXCHANGED: lambda x, y: (y, x),
    Lie.FROM_BOTTOM: lambda x, y: (x, tms_row(2, y)),
    Lie.BOTH: lambda x, y: (y, tms_row(2, x)),
}


@pytest.mark.parametrize("kind", ["PNG", "JPEG"])
@pytest.mark.parametrize("way", list(Lie))
def test_neighbours_tell_how_a_server_counts(way: Lie, kind: str) -> None:
    block = [body(*ANSWERS[way](x, y), kind) for x, y in ((1, 1), (2, 1), (1, 2), (2, 2))]
    found = how_they_lie([block])
    assert found.lie is way, found


def test_flat_ground_tells_nothing() -> None:
    out = io.BytesIO()
    Image.new("L", (256, 256), 40).save(out, "PNG")
    assert how_they_lie([[out.getvalue()] * 4]).lie is None


def test_one_picture_for_every_place_tells_nothing() -> None:
    assert how_they_lie([[body(1, 1, "PNG")] * 4]).lie is None


GET_MAP = (
    "https://m.example.org/wms?map=a&SERVICE=WMS&VERSION=1.3.0&REQUEST=GetMap&LAYERS=ground,roads&STYLES=,&CRS=EPSG:3857"
    "&BBOX=1,2,3,4&WIDTH=256&HEIGHT=256&FORMAT=image/png"
)


def test_a_pasted_get_map_becomes_the_service_with_its_layers() -> None:
    assert is_service(GET_MAP)
    named = (("wms-layers", ["ground", "roads"]),)
    assert services(GET_MAP) == [ServiceGuess("wms", "https://m.example.org/wms?map=a", named)]
    styled = services(GET_MAP.replace("STYLES=,", "STYLES=day,plain"))[0]
    assert dict(styled.values)["wms-style"] == ["day", "plain"]


@pytest.mark.parametrize(
    ("address", "keys"),
    [
        ("https://m.example.org/a?service=WMS&request=GetCapabilities", ["wms"]),
        ("https://m.example.org/geoserver/ows", ["wms", "ogc-tiles", "tilejson"]),
        ("https://m.example.org/wmts/1.0.0/WMTSCapabilities.xml", ["wmts"]),
        ("https://m.example.org/ogc/collections/ground", ["ogc-tiles", "tilejson"]),
        ("https://m.example.org/aerial.json", ["tilejson", "ogc-tiles"]),
        ("https://[broken", ["ogc-tiles", "tilejson"]),
    ],
)
def test_an_address_of_a_service_is_taken_for_the_likeliest_kind_first(address: str, keys: list[str]) -> None:
    if "broken" not in address:
        assert [guess.key for guess in services(address)] == keys
    assert not is_service("https://t.example.org/1/2/3.png")
