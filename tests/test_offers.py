"""What servers offer, from the answer to the plan: reading over a transport, keeping without keys, filling in."""

from __future__ import annotations

import asyncio
import json
import time
import traceback
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import packer
from packer.errors import AnswerError, BriefError, DiskError, LastbarError, NetworkError, TermsError
from packer.fetching.hosts.offer_reading import read_offers
from packer.fetching.hosts.source import labels_for, secrets_in, sources_for
from packer.fetching.transports import FailureKind, Response, Result, TransportFailure
from packer.geometry.grid import LonLatBox
from packer.geometry.tileset import Tile, TileSet
from packer.planning.brief import Brief
from packer.planning.brief_edits import Deepest, rewrite
from packer.planning.offers import apply_offers, cached_offers, source_mark
from packer.planning.plan import Plan, plan
from packer.planning.terms import check_terms
from packer.sources.address import Address
from packer.sources.kept_offers import keep_offer, kept_offer, offer_path
from packer.sources.offer import Offer, TileLimits
from packer.sources.safe_address import fingerprint, kept_form
from packer.sources.secrecy import Secrets
from tests.budgets import tries

PLACE = 'tilejson = "https://maps.example.org/aerial.json?key=${AERIAL_KEY}"'
AREA = "box = [12.30, 47.00, 12.40, 47.04]\ndeepest = 14"
KEY = "bilberry-4711"
KEYED = {"AERIAL_KEY": KEY}


def brief_text(layer: str = PLACE, area: str = AREA) -> str:
    return (
        'title = "Test"\ncontact = "maps@example.org"\noverview = false\n\n[layers.aerial]\n'
        f'{layer}\npermission = "Own server"\n\n[[areas]]\nname = "course"\n{area}\n'
    )


def brief_at(folder: Path, layer: str = PLACE, area: str = AREA) -> Brief:
    path = folder / "brief.toml"
    path.write_text(brief_text(layer, area), encoding="utf-8")
    return Brief.read(path)


def told(tiles: str | list[str] = "https://maps.example.org/a/{z}/{x}/{y}.jpg", **more: Any) -> Response:
    document = {
        "tilejson": "3.0.0",
        "tiles": [tiles] if isinstance(tiles, str) else tiles,
        "attribution": "Them",
    }
    return Response(200, {}, json.dumps(document | more).encode())


class Transport:
    """A transport that gives one answer and keeps what was asked."""

    def __init__(self, reply: Result) -> None:
        self.reply = reply
        self.asked: list[tuple[str, dict[str, str]]] = []
        self.closed = False

    async def fetch(
        self, url: str, headers: Mapping[str, str], deadline_s: float, limit_bytes: int
    ) -> Result:
        self.asked.append((url, dict(headers)))
        return self.reply

    async def aclose(self) -> None:
        self.closed = True


def read(
    brief: Brief, reply: Result, environment: Mapping[str, str] = KEYED
) -> tuple[Brief, list[str], Transport]:
    transport = Transport(reply)
    found, remarks = asyncio.run(
        read_offers(brief, environment=environment, make_transport=lambda *_, **__: transport)
    )
    assert transport.closed
    return found, remarks, transport


def refusal(brief: Brief, reply: Result, kind: type[LastbarError]) -> str:
    with pytest.raises(kind) as refused:
        read(brief, reply)
    text = str(refused.value)
    assert KEY not in "".join(traceback.format_exception(refused.value))  # which --debug shows
    assert text.endswith(".")
    return text


def everything_in(folder: Path) -> str:
    return "\n".join(p.read_text("utf-8") for p in sorted(folder.rglob("*")) if p.is_file())


# ------------------------------------------------------------------------------------------------ the brief


@pytest.mark.parametrize(
    ("layer", "word"),
    [
        (
            f'{PLACE}\nwmts = "https://maps.example.org/wmts"',
            "exactly one of url, tilejson, wmts, wms and ogc-tiles",
        ),
        (
            f'{PLACE}\nurl = "https://maps.example.org/{{z}}/{{x}}/{{y}}"',
            "exactly one of url, tilejson, wmts, wms and ogc-tiles",
        ),
        ('attribution = "A"\nzooms = [0, 3]', "url is missing"),
        (f'{PLACE}\nwmts-layer = "a"', "wmts-layer does not go with tilejson"),
        ('tilejson = "https://maps.example.org/{z}.json"', "one document"),
        ('tilejson = "maps.example.org/a.json"', "http://"),
        ('tilejson = "https://maps.example.org/a b?4711secret"', "cannot have spaces"),
        (f'{PLACE}\ntile-hosts = ["https://cdn.example.org"]', "without http://"),
        (f"{PLACE}\ntile-size = 300", "256 or 512"),
    ],
)
def test_a_bad_source_of_an_offer_is_told_in_the_briefs_words(layer: str, word: str) -> None:
    with pytest.raises(BriefError, match=r"layer \"aerial\"") as refused:
        Brief.from_text(brief_text(layer))
    assert word in str(refused.value)
    assert "4711secret" not in str(refused.value)


def test_a_plan_before_the_offer_is_read_tells_the_command_that_reads_it(tmp_path: Path) -> None:
    brief = brief_at(tmp_path)
    with pytest.raises(BriefError, match="lastbar plan") as refused:
        plan(brief)
    assert '"aerial"' in str(refused.value)
    assert "read_offers" in str(refused.value)
    assert callable(packer.read_offers)


# ------------------------------------------------------------------------------------------------ reading


def test_what_the_brief_leaves_open_comes_from_the_server(tmp_path: Path) -> None:
    found, remarks, transport = read(brief_at(tmp_path), told(minzoom=2, maxzoom=13, format="jpg"))
    layer = found.layers["aerial"]
    assert transport.asked == [(f"https://maps.example.org/aerial.json?key={KEY}", {})]
    assert (layer.zooms, layer.attribution, layer.format, layer.tile_size) == ((2, 13), "Them", "jpg", None)
    assert remarks == []
    assert plan(found).layers["aerial"].tiles.zooms == tuple(range(2, 14))


def test_what_the_brief_says_wins_and_zooms_are_those_of_both(tmp_path: Path) -> None:
    brief = brief_at(
        tmp_path, f'{PLACE}\nzooms = [4, 16]\nattribution = "Us"\nformat = "png"\ntile-size = 512'
    )
    found, _, _ = read(brief, told(maxzoom=12, format="jpg"))
    layer = found.layers["aerial"]
    assert (layer.zooms, layer.attribution, layer.format, layer.tile_size) == ((4, 12), "Us", "png", 512)
    assert any("zooms [4, 16], but the server only offers [4, 12]" in r for r in plan(found).remarks)
    assert sources_for(found, plan(found), KEYED)["aerial"].rules.size_px == 512


def test_headers_go_with_the_reading(tmp_path: Path) -> None:
    brief = brief_at(tmp_path, f'{PLACE}\nheaders = {{ "X-Key" = "${{AERIAL_KEY}}" }}')
    assert read(brief, told())[2].asked[0][1] == {"X-Key": KEY}


def test_layers_of_one_service_are_told_of_in_one_request(tmp_path: Path) -> None:
    text = brief_text().replace("[[areas]]", f'[layers.relief]\n{PLACE}\npermission = "Own"\n\n[[areas]]')
    found, _, transport = read(Brief.from_text(text, tmp_path / "brief.toml"), told())
    assert len(transport.asked) == 1
    assert all(layer.has_address for layer in found.layers.values())


def test_no_attribution_anywhere_is_an_error_that_names_the_key(tmp_path: Path) -> None:
    assert "attribution is missing" in refusal(brief_at(tmp_path), told(attribution=""), BriefError)


def test_zooms_without_one_in_common_are_an_error(tmp_path: Path) -> None:
    brief = brief_at(tmp_path, f"{PLACE}\nzooms = [15, 16]")
    assert "[15, 16]" in refusal(brief, told(maxzoom=12), BriefError)


@pytest.mark.parametrize(
    ("tiles", "entry"),
    [
        ("https://cdn.example.net/{z}/{x}/{y}", "cdn.example.net"),
        ("https://cdn.example.net:8443/{z}/{x}/{y}", "cdn.example.net:8443"),
        ("https://maps.example.org.evil.example/{z}/{x}/{y}", "maps.example.org.evil.example"),
        ("https://maps.example.org@cdn.example.net/{z}/{x}/{y}", "cdn.example.net"),
        ("http://maps.example.org/{z}/{x}/{y}", "maps.example.org"),
    ],
)
def test_tiles_at_another_host_are_refused_until_the_brief_names_it(
    tmp_path: Path, tiles: str, entry: str
) -> None:
    text = refusal(brief_at(tmp_path), told(tiles), BriefError)
    assert f'tile-hosts = ["{entry}"]' in text
    assert ("without encryption" in text) == tiles.startswith("http:")
    assert not offer_path(tmp_path / "packs", "aerial").exists()
    allowed = brief_at(tmp_path, f'{PLACE}\ntile-hosts = ["{entry}"]')
    found, _, _ = read(allowed, told(tiles))
    assert sources_for(found, plan(found), KEYED)["aerial"].url(Tile(1, 0, 0)).startswith(tiles[:20])


def test_a_host_is_known_by_the_spelling_that_goes_out(tmp_path: Path) -> None:
    """Non-transitional processing of UTS 46, as the URL Standard has it: "ß" stays a letter of its own."""
    place = 'tilejson = "https://strasse.example/a.json"'
    text = refusal(brief_at(tmp_path, place), told("https://stra\u00dfe.example/{z}/{x}/{y}"), BriefError)
    assert "xn--strae-oqa.example" in text
    assert Address("https://\u00d6\uff0eexample/{z}").hosts == ("xn--nda.example:443",)


def test_of_several_addresses_one_at_a_known_host_is_taken(tmp_path: Path) -> None:
    tiles = ["https://cdn.example.net/{z}/{x}/{y}", "https://maps.example.org/{z}/{x}/{y}"]
    assert read(brief_at(tmp_path), told(tiles))[0].layers["aerial"].asked == tiles[1]


def test_a_server_cannot_have_variables_of_this_machine_filled_in(tmp_path: Path) -> None:
    text = refusal(brief_at(tmp_path), told("https://maps.example.org/${HOME}/{z}/{x}/{y}"), AnswerError)
    assert "${…}" in text
    planted = Offer(("https://maps.example.org/${HOME}/{z}/{x}/{y}",), (0, 3), "Them")
    keep_offer(tmp_path, "aerial", "mark", planted)
    assert kept_offer(tmp_path, "aerial", "mark", ["AERIAL_KEY"]) is None
    assert kept_offer(tmp_path, "aerial", "mark", ["HOME"]) == planted


def test_reading_is_held_to_the_terms_before_anything_is_asked(tmp_path: Path) -> None:
    brief = brief_at(tmp_path, 'tilejson = "https://tile.openstreetmap.org/a.json"')
    transport = Transport(told())
    with pytest.raises(TermsError, match="prohibits"):
        asyncio.run(read_offers(brief, environment={}, make_transport=lambda *_, **__: transport))
    path = tmp_path / "brief.toml"
    path.write_text(brief_text().replace('contact = "maps@example.org"\n', ""))
    with pytest.raises(BriefError, match="contact is missing"):
        asyncio.run(
            read_offers(Brief.read(path), environment=KEYED, make_transport=lambda *_, **__: transport)
        )
    with pytest.raises(BriefError, match="AERIAL_KEY, which is not set"):
        asyncio.run(
            read_offers(brief_at(tmp_path), environment={}, make_transport=lambda *_, **__: transport)
        )
    assert transport.asked == []


def test_the_terms_hold_for_the_address_that_the_server_gives(tmp_path: Path) -> None:
    brief = brief_at(tmp_path, f'{PLACE}\ntile-hosts = ["tile.openstreetmap.org"]')
    found, _, _ = read(brief, told("https://tile.openstreetmap.org/{z}/{x}/{y}.png"))
    worked_out = plan(found)
    source = sources_for(found, worked_out, KEYED)["aerial"]
    with pytest.raises(TermsError, match="prohibits"):
        check_terms(found, worked_out, {"aerial": source.urls(Tile(0, 0, 0))}, date(2030, 5, 1))


@pytest.mark.parametrize(
    ("reply", "kind", "word"),
    [
        (TransportFailure(FailureKind.NAME, "x"), NetworkError, "name look-up failed"),
        (Response(302, {"location": f"https://e.org/?k={KEY}"}, b""), AnswerError, "another address"),
        (Response(403, {}, b""), AnswerError, "key"),
        (Response(500, {}, b""), AnswerError, "500"),
        (Response(200, {}, b"<html>Sign in</html>"), AnswerError, "page"),
        (Response(200, {"content-encoding": "gzip"}, b"no gzip"), AnswerError, "damaged"),
        (Response(200, {}, json.dumps({"tilejson": KEY}).encode()), AnswerError, "version"),
        (told("https://maps.example.org/{z}/{x}"), AnswerError, "{y} is missing"),
    ],
)
def test_a_server_that_cannot_tell_is_an_error_at_first_and_a_remark_later(
    tmp_path: Path, reply: Result, kind: type[LastbarError], word: str
) -> None:
    brief = brief_at(tmp_path)
    assert word in refusal(brief, reply, kind)
    read(brief, told(maxzoom=9))
    found, remarks, _ = read(brief, reply)
    assert found.layers["aerial"].zooms == (0, 9)
    assert len(remarks) == 1
    assert word in remarks[0]
    assert KEY not in remarks[0]


# ------------------------------------------------------------------------------------------------ keys

KEY_IN = [
    "https://maps.example.org/a/{z}/{x}/{y}.jpg?key=" + KEY,
    "https://maps.example.org/" + KEY + "/{z}/{x}/{y}.jpg",
    "https://user:" + KEY + "@maps.example.org/{z}/{x}/{y}.jpg",
    "https://maps.example.org/a/{z}/{x}/{y}.jpg?a=1&t=x" + KEY + "y",
]


@pytest.mark.parametrize("tiles", KEY_IN)
def test_a_key_in_the_servers_address_is_used_and_never_kept(tmp_path: Path, tiles: str) -> None:
    found, _, _ = read(brief_at(tmp_path), told(tiles, attribution="Them"))
    assert KEY not in everything_in(tmp_path)
    layer, worked_out = found.layers["aerial"], plan(found)
    assert KEY not in layer.url
    assert KEY not in repr(found)
    source = sources_for(found, worked_out, KEYED)["aerial"]
    assert source.url(Tile(1, 0, 1)) == tiles.replace("{z}/{x}/{y}", "1/0/1")
    assert secrets_in({"aerial": source}).found_in(KEY)
    again = apply_offers(found.as_written, cached_offers(found.as_written, tmp_path / "packs")).layers[
        "aerial"
    ]
    assert fingerprint(again.url) == fingerprint(layer.url)


@pytest.mark.parametrize("tiles", KEY_IN[:2])
def test_a_key_known_from_a_variable_is_filled_in_when_the_kept_offer_stands_in(
    tmp_path: Path, tiles: str
) -> None:
    brief = brief_at(tmp_path)
    read(brief, told(tiles))
    found, remarks, _ = read(brief, TransportFailure(FailureKind.NAME, "x"))
    assert len(remarks) == 1
    source = sources_for(found, plan(found), KEYED)["aerial"]
    assert source.url(Tile(1, 0, 1)) == tiles.replace("{z}/{x}/{y}", "1/0/1")


def test_a_key_that_only_the_server_gives_reaches_no_file_and_no_log(tmp_path: Path) -> None:
    tiles = "https://maps.example.org/{z}/{x}/{y}.jpg?token=cloudberry99&v=12"
    brief = brief_at(tmp_path)
    found, _, _ = read(brief, told(tiles))
    assert "cloudberry99" not in everything_in(tmp_path)
    source = sources_for(found, plan(found), KEYED)["aerial"]
    assert source.url(Tile(0, 0, 0)).endswith("token=cloudberry99&v=12")
    assert secrets_in({"aerial": source}).found_in("cloudberry99")
    assert "cloudberry99" not in repr((found, source))
    with pytest.raises(NetworkError, match="only the server gives"):
        read(brief, TransportFailure(FailureKind.NAME, "x"))
    offline = apply_offers(brief, cached_offers(brief, brief.store_folder))
    assert plan(offline).fingerprint == plan(found).fingerprint
    with pytest.raises(BriefError, match="read again"):
        sources_for(offline, plan(offline), KEYED)


def test_a_key_that_only_the_server_gives_in_a_path_is_masked_however_it_was_kept(tmp_path: Path) -> None:
    tiles = "https://maps.example.org/tiles/v1/k3Xq9Zt7Lw2B/{z}/{x}/{y}.jpg"
    brief = brief_at(tmp_path)
    found, _, _ = read(brief, told(tiles))
    assert "k3Xq9Zt7Lw2B" not in everything_in(tmp_path)
    assert found.layers["aerial"].url == "https://maps.example.org/tiles/v1/***/{z}/{x}/{y}.jpg"
    source = sources_for(found, plan(found), KEYED)["aerial"]
    assert source.url(Tile(0, 0, 0)) == tiles.replace("{z}/{x}/{y}", "0/0/0")
    assert secrets_in({"aerial": source}).found_in("k3Xq9Zt7Lw2B")
    keep_offer(tmp_path, "aerial", "mark", Offer((tiles,), (0, 3), "Them"))
    kept = kept_offer(tmp_path, "aerial", "mark", [])
    assert kept is not None
    assert kept.templates == (found.layers["aerial"].url,)


def test_a_key_that_the_attribution_repeats_is_taken_out_and_told(tmp_path: Path) -> None:
    tiles = "https://maps.example.org/{z}/{x}/{y}.jpg?token=cloudberry99&v=2024"
    words = f'© 2024 <a href="https://maps.example.org/?token=cloudberry99&k={KEY}">Them</a>'
    found, remarks, _ = read(brief_at(tmp_path), told(tiles, attribution=words))
    shown = '© 2024 <a href="https://maps.example.org/?token=***&k=***">Them</a>'
    assert found.layers["aerial"].attribution == shown
    assert "cloudberry99" not in everything_in(tmp_path)
    assert KEY not in everything_in(tmp_path)
    assert len(remarks) == 1
    assert shown in remarks[0]
    source = sources_for(found, worked_out := plan(found), KEYED)["aerial"]
    assert labels_for(found, worked_out, source).attribution == shown


@pytest.mark.parametrize(
    "path", ["{z}/{x}/{y}?token=t1", "{z}/{x}/{y}?t2", "s/one/{z}/{x}/{y}", "s/two/{z}/{x}/{y}"]
)
def test_the_mark_of_a_source_does_not_change_with_the_address_that_the_server_gives(
    tmp_path: Path, path: str
) -> None:
    marks = []
    for tiles in ("https://maps.example.org/{z}/{x}/{y}", f"https://maps.example.org/{path}"):
        found, _, _ = read(brief_at(tmp_path), told(tiles))
        worked_out = plan(found)
        source = sources_for(found, worked_out, KEYED)["aerial"]
        marks.append(labels_for(found, worked_out, source).fingerprint)
    assert marks[0] == marks[1]
    moved, _, _ = read(brief_at(tmp_path, PLACE.replace("aerial.json", "other.json")), told())
    assert source_mark(moved.layers["aerial"]) != marks[0]


def test_a_changed_offer_is_told_since_the_plan_follows_it(tmp_path: Path) -> None:
    brief = brief_at(tmp_path)
    read(brief, told(maxzoom=14))
    assert read(brief, told(maxzoom=14))[1] == []
    found, remarks, _ = read(brief, told(maxzoom=9, bounds=[10, 40, 15, 50]))
    assert plan(found).layers["aerial"].tiles.zooms[-1] == 9
    assert len(remarks) == 1
    assert "zooms 0 to 9 instead of 0 to 14 and tiles of another extent" in remarks[0]


@settings(max_examples=tries(80, 200), deadline=None)
@given(
    st.text("abcdefgh0123456789-+/=&%.", min_size=4, max_size=24),
    st.sampled_from(
        ["https://h.example/{}/{{z}}", "https://h.example/{{z}}?a={}&b=1", "https://u:{}@h.example/{{z}}"]
    ),
)
def test_no_value_of_a_variable_is_left_in_a_kept_address(value: str, shape: str) -> None:
    template = shape.format(value) + "/{x}/{y}"
    found = kept_form(template, {"NAME": value}, Secrets())
    if value not in "https://h.example/{z}/{x}/{y}?a=&b=1***${NAME}":  # plain words of the address itself
        assert value not in found.replace("${NAME}", "").replace("://h.example", "")
    assert found.count("{z}") + found.count("{x}") + found.count("{y}") == 3 or "***" in found


def test_parameters_that_the_standard_itself_puts_there_are_kept() -> None:
    template = (
        "https://h.example/w?SERVICE=WMTS&LAYER=a&FORMAT=image/png&TILEMATRIX=EPSG:3857:{z}&X={x}&k=abc"
    )
    assert kept_form(template, {}, Secrets()).endswith(
        "FORMAT=image/png&TILEMATRIX=EPSG:3857:{z}&X={x}&k=***"
    )


@pytest.mark.parametrize("query", ["?{z}/{x}/{y}", "?t={z}/{x}/{y}.png", "?t={z}-{x}-{y}&k=abc"])
def test_a_tile_named_by_one_parameter_alone_can_be_asked_for(tmp_path: Path, query: str) -> None:
    tiles = f"https://maps.example.org/t{query}"
    found, _, _ = read(brief_at(tmp_path), told(tiles))
    source = sources_for(found, plan(found), KEYED)["aerial"]
    assert source.url(Tile(3, 1, 2)) == tiles.replace("{z}", "3").replace("{x}", "1").replace("{y}", "2")
    assert "abc" not in everything_in(tmp_path)


# ------------------------------------------------------------------------------------------------ keeping

OFFER = Offer(
    ("https://maps.example.org/{z}/{x}/{y}",),
    (2, 3),
    "Them",
    "jpg",
    LonLatBox(170.0, -20.5, -170.0, 10.25),
    512,
    {2: "02", 3: "three%20"},
    {2: TileLimits(0, 1, 2, 3), 3: TileLimits(0, 7, 0, 7)},
)


def test_a_kept_offer_reads_back_as_it_was(tmp_path: Path) -> None:
    keep_offer(tmp_path / "new", "aerial", "mark", OFFER)
    assert kept_offer(tmp_path / "new", "aerial", "mark", ()) == OFFER
    assert kept_offer(tmp_path / "new", "aerial", "another", ()) is None
    assert [p.name for p in (tmp_path / "new").iterdir()] == [".aerial.offer.json"]


JUNK = st.none() | st.integers() | st.floats() | st.text(max_size=9) | st.lists(st.integers(), max_size=5)


@settings(max_examples=tries(80, 200), deadline=None)
@given(
    st.sampled_from(["version", "templates", "zooms", "kind", "bounds", "tile_px", "matrices", "limits"]),
    JUNK,
)
def test_a_damaged_offer_is_none_or_still_on_the_grid(
    tmp_path_factory: pytest.TempPathFactory, field: str, value: object
) -> None:
    folder = tmp_path_factory.getbasetemp() / "damaged"
    keep_offer(folder, "aerial", "mark", OFFER)
    path = offer_path(folder, "aerial")
    path.write_text(json.dumps(json.loads(path.read_text()) | {field: value}))
    found = kept_offer(folder, "aerial", "mark", ())
    assert found is None or 0 <= found.zooms[0] <= found.zooms[1] <= 24


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("bounds", [-(10**400), 0, 1, 2]),
        ("matrices", {"2": "a\r\nX-Evil: 1", "3": "b"}),
        ("matrices", {"2": "../../{x}?", "3": "b"}),
        ("matrices", {"2": 2, "3": 3}),
        ("templates", "https://maps.example.org/{z}/{x}/{y}"),
        ("templates", ["https://maps.example.org/{z}\r\n/{x}/{y}"]),
        ("templates", ["https://maps.example.org/${HOME}/{z}/{x}/{y}"]),
    ],
)
def test_an_offer_edited_by_hand_into_what_no_server_could_give_is_read_anew(
    tmp_path: Path, field: str, value: object
) -> None:
    brief = brief_at(tmp_path)
    read(brief, told())
    path = offer_path(brief.store_folder, "aerial")
    path.write_text(json.dumps(json.loads(path.read_text()) | {field: value}))
    assert cached_offers(brief, brief.store_folder) == {}
    found, _, _ = read(brief, told())
    assert found.layers["aerial"].has_address


def test_a_folder_that_cannot_be_written_is_told_with_what_was_to_be_kept(tmp_path: Path) -> None:
    brief = brief_at(tmp_path)
    brief.store_folder.write_text("a file where the folder should be")
    assert "name a folder that can be written" in refusal(brief, told(), DiskError)


def test_an_offer_of_another_address_is_not_ours(tmp_path: Path) -> None:
    read(brief_at(tmp_path), told())
    moved = brief_at(tmp_path, PLACE.replace("aerial.json", "other.json"))
    assert cached_offers(moved, moved.store_folder) == {}
    narrowed = brief_at(tmp_path, f'{PLACE}\ntile-hosts = ["cdn.example.net"]')
    assert cached_offers(narrowed, narrowed.store_folder) == {}


def test_edits_write_into_the_brief_what_was_changed_and_nothing_of_the_offer(tmp_path: Path) -> None:
    brief = brief_at(tmp_path, f"{PLACE}   # as agreed")
    found, _, _ = read(brief, told(maxzoom=15))
    before = plan(found).count
    changed = rewrite(found, [Deepest("course", 12)])
    assert plan(changed).count < before
    assert brief.path.read_text() == brief_text(f"{PLACE}   # as agreed").replace(
        "deepest = 14", "deepest = 12"
    )
    assert Brief.read(brief.path) == changed.as_written


# ------------------------------------------------------------------------------------------------ the extent


def planned(folder: Path, offer: Offer, area: str = AREA) -> Plan:
    return plan(apply_offers(brief_at(folder, area=area), {"aerial": offer}))


def test_tiles_outside_the_bounds_are_not_planned_and_one_line_says_so(tmp_path: Path) -> None:
    whole = planned(tmp_path, Offer(OFFER.templates, (0, 14), "Them"))
    part = planned(tmp_path, Offer(OFFER.templates, (0, 14), "Them", bounds=LonLatBox(12.35, 40, 20, 47.02)))
    inside = part.layers["aerial"].tiles
    assert inside - whole.layers["aerial"].tiles == TileSet()
    # Held against mercantile, tile by tile.
    for zoom, x, y in whole.layers["aerial"].tiles:
        box = _bounds(zoom, x, y)
        overlaps = box[2] > 12.35 + 1e-7 and box[3] > 40 and box[0] < 20 and box[1] < 47.02 - 1e-7
        assert (Tile(zoom, x, y) in inside) == overlaps, (zoom, x, y)
    lost = whole.count - part.count
    assert part.remarks == (
        f'{lost} of the {whole.count:,} tiles of area "course" are not inside what the server of layer '
        '"aerial" offers.',
    )
    assert whole.remarks == ()


def _bounds(zoom: int, x: int, y: int) -> tuple[float, float, float, float]:
    import mercantile

    return tuple(mercantile.bounds(x, y, zoom))


def test_bounds_across_the_antimeridian_keep_both_sides(tmp_path: Path) -> None:
    area = "box = [165.0, -21.0, -165.0, -20.0]\ndeepest = 9"
    offer = Offer(OFFER.templates, (9, 9), "Them", bounds=LonLatBox(175.0, -40.0, -175.0, 0.0))
    tiles = planned(tmp_path, offer, area).layers["aerial"].tiles
    columns = {x for _, x, _ in tiles}
    assert columns == {*range(504, 512), *range(8)}  # 512 / 360 * 355 = 504.9, and 512 / 360 * 5 = 7.1


def test_limits_are_tiles_and_zooms(tmp_path: Path) -> None:
    offer = Offer(OFFER.templates, (12, 13), "Them", limits={12: TileLimits(2188, 2188, 0, 4095)})
    tiles = planned(tmp_path, offer).layers["aerial"].tiles
    assert {(z, x) for z, x, _ in tiles} == {(12, 2188)}


def test_bounds_of_the_world_at_the_deepest_zoom_cost_nothing(tmp_path: Path) -> None:
    """A box nearly as large as the world has millions of rows at zoom 24; only the plan's own are looked at."""
    area = "box = [12.30, 47.00, 12.301, 47.001]\ndeepest = 24"
    offer = Offer(OFFER.templates, (24, 24), "Them", bounds=LonLatBox(-179.0, -80.0, 179.0, 80.0))
    started = time.process_time()
    tiles = planned(tmp_path, offer, area).layers["aerial"].tiles
    assert time.process_time() - started < 1.0
    assert len(tiles) == len(
        planned(tmp_path, Offer(OFFER.templates, (24, 24), "Them"), area).layers["aerial"].tiles
    )


def test_an_overview_outside_the_bounds_is_told_as_well(tmp_path: Path) -> None:
    path = tmp_path / "brief.toml"
    path.write_text(brief_text().replace("overview = false\n", ""))
    offer = Offer(OFFER.templates, (10, 14), "Them", bounds=LonLatBox(12.30, 47.0, 12.40, 47.04))
    found = plan(apply_offers(Brief.read(path), {"aerial": offer}))
    assert len(found.remarks) == 1
    assert "tiles of the overview are not inside" in found.remarks[0]


@pytest.mark.parametrize(
    "bounds",
    [(100.0, 46.0, 101.0, 48.0), (12.0, 60.0, 13.0, 61.0), (12.0, 10.0, 13.0, 11.0)],
    ids=["farther east", "farther north", "farther south"],
)
def test_an_offer_elsewhere_leaves_no_plan_and_says_why(
    tmp_path: Path, bounds: tuple[float, float, float, float]
) -> None:
    offer = Offer(OFFER.templates, (10, 14), "Them", bounds=LonLatBox(*bounds))
    with pytest.raises(LastbarError, match="None of the"):
        planned(tmp_path, offer)


@settings(max_examples=60, deadline=None)
@given(
    st.tuples(st.floats(-180, 180), st.floats(-84, 84), st.floats(-180, 180), st.floats(-84, 84)),
    st.integers(0, 6),
)
def test_cutting_the_bounds_to_the_plan_changes_nothing(
    ends: tuple[float, float, float, float], zoom: int
) -> None:
    from packer.geometry.cover import cover_box
    from packer.planning.offered_tiles import offered_tiles

    box = LonLatBox(ends[0], min(ends[1], ends[3]), ends[2], max(ends[1], ends[3]))
    n = 1 << zoom
    rows = np.arange(n // 3, n // 2 + 1, dtype=np.int64)
    tiles = TileSet.from_runs(zoom, rows, np.full(rows.size, n // 4), np.full(rows.size, n - 1))
    found = offered_tiles(Offer(("",), (0, 24), bounds=box), tiles)
    assert found == tiles & cover_box(box, zoom)


@pytest.mark.parametrize("hosts", ["", '\ntile-hosts = ["maps.example.org", "cdn.example.net"]'])
@pytest.mark.parametrize("host", ["maps.example.org", "cdn.example.net"])
def test_headers_never_go_from_an_https_description_down_to_plain_http(
    tmp_path: Path, hosts: str, host: str
) -> None:
    place = PLACE + hosts + '\nheaders = { X-Key = "${AERIAL_KEY}" }'
    text = refusal(brief_at(tmp_path, place), told(f"http://{host}/{{z}}/{{x}}/{{y}}"), BriefError)
    assert "over plain http" in text
    assert KEY not in text
    assert not offer_path(tmp_path / "packs", "aerial").exists()
