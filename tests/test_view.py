"""The view over HTTP: its answers, its refusals, and that it only ever reads."""

from __future__ import annotations

import errno
import gzip
import hashlib
import io
import json
import os
import random
import re
import socket
import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import httpx
import ifaddr
import mercantile
import numpy as np
import pytest
import shapely
from geographiclib.geodesic import Geodesic

from packer.cli import run_view
from packer.cli.terminal import show_square
from packer.errors import InputError
from packer.geometry.shapes import Corridor
from packer.geometry.tileset import Tile, TileSet
from packer.store.reader import TileReader
from packer.view import Sharing, ViewServer
from packer.view.attribution import harmless
from packer.view.guard import HEADERS, Access, new_code
from packer.view.outlines import MOST_RUNS, coverage_features
from tests.fakes import PLAIN
from tests.view_board import Board, build

GONE = Tile(12, *mercantile.tile(12.502, 47.1, 12)[:2])  # with all below it
ABSENT = Tile(12, *mercantile.tile(12.45, 47.18, 12)[:2])


def _under(tile: Tile, top: Tile) -> bool:
    up = tile.zoom - top.zoom
    return up >= 0 and (tile.x >> up, tile.y >> up) == (top.x, top.y)


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Board:
    return build(
        tmp_path_factory.mktemp("view"),
        leave_out=lambda layer, t: layer == "aerial" and _under(t, GONE),
        absent=[ABSENT],
    )


@pytest.fixture(scope="module")
def view(board: Board) -> Iterator[ViewServer]:
    with ViewServer(board.brief, board.plan) as running:
        yield running


@pytest.fixture(scope="module")
def client(view: ViewServer) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=view.url, trust_env=False, verify=PLAIN) as one:
        yield one


def _raw(view: ViewServer, request: bytes) -> bytes:
    """The whole answer to bytes that a client library would not send."""
    port = urlsplit(view.url).port
    assert port is not None
    with socket.create_connection((urlsplit(view.url).hostname or "", port), timeout=5) as line:
        line.sendall(request)
        parts = []
        while part := line.recv(65536):
            parts.append(part)
    return b"".join(parts)


def _status(answer: bytes) -> int:
    return int(answer.split(b" ", 2)[1])


# ------------------------------------------------------------------------------------------------ tiles


def test_each_tile_on_board_is_served_as_stored_with_its_type_and_hash(
    board: Board, client: httpx.Client
) -> None:
    for layer, kind in (("aerial", "image/jpeg"), ("ground 2", "image/png")):
        db = sqlite3.connect(board.store / f"{layer}.mbtiles")
        rows = db.execute("SELECT zoom_level, tile_column, tile_row, tile_data FROM tiles").fetchall()
        db.close()
        for zoom, x, row, data in rows[::5]:
            answer = client.get(f"/tiles/{layer}/{zoom}/{x}/{2**zoom - 1 - row}")
            assert (answer.status_code, answer.content) == (200, data)
            assert answer.headers["content-type"] == kind
            assert answer.headers["etag"] == f'"{hashlib.sha256(data).hexdigest()[:32]}"'


def test_tile_that_is_not_on_board_is_a_plain_404(client: httpx.Client) -> None:
    answer = client.get(f"/tiles/aerial/{GONE.zoom}/{GONE.x}/{GONE.y}")
    assert answer.status_code == 404
    assert answer.headers["content-type"].startswith("text/plain")
    assert str(GONE) in answer.text


def test_known_bytes_are_answered_with_304_and_changed_ones_in_full(client: httpx.Client) -> None:
    path = f"/tiles/aerial/11/{GONE.x >> 1}/{GONE.y >> 1}"
    tag = client.get(path).headers["etag"]
    again = client.get(path, headers={"If-None-Match": f'"other", {tag}'})
    assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
    assert client.get(path, headers={"If-None-Match": '"other"'}).status_code == 200


def test_head_tells_of_a_tile_without_sending_it(client: httpx.Client) -> None:
    path = f"/tiles/aerial/11/{GONE.x >> 1}/{GONE.y >> 1}"
    head, full = client.head(path), client.get(path)
    assert head.content == b""
    assert head.headers["content-length"] == str(len(full.content))


@pytest.mark.parametrize("place", [
    "25/0/0", "-1/0/0", "1/2/0", "1/0/2", "1/-1/0", "a/b/c", "1.0/0/0", "1/0/0.png", "1/0/0x", "٣/0/0",
    "1/000000000000/0", "99999999999999999999/0/0", "+1/0/0", "1/ 0/0",
])  # fmt: skip
def test_address_outside_the_grid_is_a_400_in_a_sentence(place: str, client: httpx.Client) -> None:
    for endpoint in ("tiles", "nearest"):
        answer = client.get(f"/{endpoint}/aerial/{place}")
        assert answer.status_code == 400
        assert "whole numbers" in answer.text


def test_nearest_is_the_coarser_tile_and_says_so(board: Board, client: httpx.Client) -> None:
    stand_in = Tile(11, GONE.x >> 1, GONE.y >> 1)
    for up in range(1, 5):
        zoom = GONE.zoom + up - 1
        answer = client.get(f"/nearest/aerial/{zoom}/{GONE.x << (up - 1)}/{GONE.y << (up - 1)}")
        assert answer.headers["x-on-board"] == str(stand_in)
        assert answer.content == TileReader(board.store / "aerial.mbtiles").body(stand_in)
    exact = client.get(f"/nearest/aerial/{stand_in}")
    assert exact.headers["x-on-board"] == str(stand_in)


def test_nothing_near_enough_to_show_is_an_empty_answer(client: httpx.Client) -> None:
    assert client.get("/nearest/aerial/10/1/1").status_code == 204
    # Seven zooms below the deepest ancestor on board: two pixels of it would fill the tile.
    assert client.get(f"/nearest/aerial/17/{GONE.x << 5}/{GONE.y << 5}").status_code == 200
    assert client.get(f"/nearest/aerial/18/{GONE.x << 6}/{GONE.y << 6}").status_code == 204


def test_vector_tile_goes_out_as_gzip_or_unpacked_for_who_cannot_read_it(tmp_path: Path) -> None:
    board = build(tmp_path, leave_out=lambda _, t: t.zoom > 10)
    content = b"\x1a\x05hello" * 40
    packed = gzip.compress(content, mtime=0)
    tile = next(iter(board.plan.layers["aerial"].tiles))
    db = sqlite3.connect(board.store / "aerial.mbtiles")
    with db:
        db.execute("UPDATE blob SET data = ?", (packed,))
        db.execute("UPDATE metadata SET value = 'pbf' WHERE name = 'format'")
        layers = '{"vector_layers": [{"id": "paths", "fields": {}}, 3, {"id": "no fields"}]}'
        db.execute("INSERT INTO metadata VALUES ('json', ?)", (layers,))
    db.close()
    with (
        ViewServer(board.brief, board.plan) as view,
        httpx.Client(base_url=view.url, trust_env=False, verify=PLAIN) as client,
    ):
        path = f"/tiles/aerial/{tile}"
        with client.stream("GET", path) as answer:
            assert b"".join(answer.iter_raw()) == packed
        assert answer.headers["content-encoding"] == "gzip"
        assert answer.headers["vary"] == "Accept-Encoding"
        assert answer.headers["content-type"] == "application/vnd.mapbox-vector-tile"
        plain = client.get(path, headers={"Accept-Encoding": "identity"})
        assert (plain.content, "content-encoding" in plain.headers) == (content, False)
        assert plain.headers["etag"] != answer.headers["etag"]
        # TileJSON 3.0.0: vector_layers is required, with an id and fields in each.
        assert client.get("/tilejson/aerial").json()["vector_layers"] == [{"id": "paths", "fields": {}}]


def test_damaged_pack_is_a_sentence_and_not_a_traceback(
    tmp_path: Path, board: Board, capfd: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "aerial.mbtiles").write_bytes(b"SQLite format 3\0" + b"rubbish" * 5000)
    with (
        ViewServer(board.brief, board.plan, tmp_path) as view,
        httpx.Client(base_url=view.url, verify=PLAIN) as client,
    ):
        for path in ("/tiles/aerial/0/0/0", "/board.json", "/depth?lon=0&lat=0&layer=aerial"):
            answer = client.get(path)
            assert answer.status_code == 503
            assert "aerial.mbtiles" in answer.text
        assert client.get("/nearest/ground 2/10/1/1").status_code == 204
    assert "Traceback" not in "".join(capfd.readouterr())


def test_unforeseen_fault_is_a_sentence_and_not_a_traceback(
    client: httpx.Client, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("a secret detail")

    monkeypatch.setattr(TileReader, "body", broken)
    answer = client.get("/tiles/aerial/10/1/1")
    assert answer.status_code == 500
    assert answer.headers["content-security-policy"]
    assert "secret" not in answer.text + "".join(capfd.readouterr())


# -------------------------------------------------------------------------------------------- documents


def test_tilejson_holds_what_version_3_asks_for(client: httpx.Client, view: ViewServer, board: Board) -> None:
    found = client.get("/tilejson/ground 2").json()
    assert (found["tilejson"], found["scheme"]) == ("3.0.0", "xyz")
    assert found["tiles"] == [f"{view.url}tiles/ground%202/{{z}}/{{x}}/{{y}}"]
    assert (found["minzoom"], found["maxzoom"]) == (10, 13)
    west, south, east, north = found["bounds"]
    assert west < 12.45 < east
    assert south < 47.09 < north
    lon, lat, zoom = found["center"]
    assert west <= lon <= east
    assert south <= lat <= north
    assert 10 <= zoom <= 13
    tile = next(iter(board.plan.layers["ground 2"].tiles))
    url = found["tiles"][0].format(z=tile.zoom, x=tile.x, y=tile.y)
    assert client.get(url).status_code == 200


def test_tilejson_address_follows_the_name_it_was_asked_under(client: httpx.Client, view: ViewServer) -> None:
    port = urlsplit(view.url).port
    found = client.get("/tilejson/aerial", headers={"Host": f"localhost:{port}"}).json()
    assert found["tiles"][0].startswith(f"http://localhost:{port}/tiles/")


def test_depth_tells_what_is_on_board_and_what_is_planned(client: httpx.Client) -> None:
    found = client.get("/depth", params={"lon": 12.502, "lat": 47.1, "layer": "aerial"}).json()
    assert (found["deepest"], found["zooms"]) == (11, [10, 11])
    assert found["planned"] == [10, 11, 12, 13, 14, 15]
    # OGC 17-083r4, Annex D: 76.43702828517625 m a pixel at the equator for zoom 11.
    assert found["ground_m_a_pixel"] == pytest.approx(76.43702828517625 * np.cos(np.radians(47.1)), abs=1e-3)
    none = client.get("/depth", params={"lon": -70, "lat": -10, "layer": "aerial"}).json()
    assert (none["deepest"], none["zooms"], none["planned"], none["ground_m_a_pixel"]) == (None, [], [], None)


@pytest.mark.parametrize("query", [
    "lon=1&layer=aerial", "lon=1&lat=91&layer=aerial", "lon=nan&lat=1&layer=aerial", "lon=1&lat=inf&layer=aerial",
    "lon=x&lat=1&layer=aerial", "lon=1e400&lat=1&layer=aerial",
])  # fmt: skip
def test_depth_at_no_position_is_a_400(query: str, client: httpx.Client) -> None:
    assert client.get(f"/depth?{query}").status_code == 400


def test_depth_of_a_layer_that_is_none_is_a_404(client: httpx.Client) -> None:
    for query in ("lon=1&lat=1", "lon=1&lat=1&layer=..%2Faerial", "lon=1&lat=1&layer=AERIAL"):
        assert client.get(f"/depth?{query}").status_code == 404


def test_position_is_read_or_the_reason_given(client: httpx.Client) -> None:
    found = client.get("/position", params={"text": "33T UN 10447 19304"}).json()
    assert found["found"] is True
    assert (found["lat"], found["lon"]) == pytest.approx((47.1, 12.502), abs=1e-4)
    assert found["mgrs"] == "33T UN 10447 19304"
    refused = client.get("/position", params={"text": "<script>alert(1)</script>"}).json()
    assert refused["found"] is False
    assert "latitude" in refused["reason"]


def test_route_and_areas_are_valid_geojson_with_names(client: httpx.Client, board: Board) -> None:
    route = client.get("/route.geojson")
    assert route.headers["content-type"] == "application/geo+json"
    kinds = {f["properties"]["kind"]: f for f in route.json()["features"]}
    line = shapely.geometry.shape(kinds["route"]["geometry"])
    corridor = board.plan.shapes["course"]
    assert isinstance(corridor, Corridor)
    assert np.asarray(line.geoms[0].coords) == pytest.approx(corridor.lines[0], abs=1e-6)
    assert kinds["waypoint"]["properties"]["name"] == "Spring <img src=x onerror=alert(1)>"
    areas = {f["properties"]["name"]: f for f in client.get("/areas.geojson").json()["features"]}
    assert sorted(areas) == ["base camp", "valley"]
    for area in areas.values():
        assert shapely.geometry.shape(area["geometry"]).is_valid
    ring = areas["base camp"]["geometry"]["coordinates"][0][0]
    assert ring[0] == ring[-1]
    for lon, lat in ring:  # an independent geodesic: GeographicLib
        assert Geodesic.WGS84.Inverse(47.09, 12.45, lat, lon)["s12"] == pytest.approx(700, abs=0.2)
    assert shapely.LinearRing(ring).is_ccw  # RFC 7946, 3.1.6


def test_coverage_outlines_hold_just_the_tiles_meant(client: httpx.Client, board: Board) -> None:
    features = client.get("/coverage/aerial.geojson").json()["features"]
    by_kind = {(f["properties"]["kind"], f["properties"]["zoom"]): f for f in features}
    assert ("missing", 12) in by_kind
    assert by_kind["absent", 12]["properties"]["tiles"] == 1
    facts = TileReader(board.store / "aerial.mbtiles").facts()
    planned = board.plan.layers["aerial"].tiles
    meant = {
        "on board": facts.held,
        "missing": planned - facts.held - facts.absent,
        "absent": facts.absent,
    }
    for (kind, zoom), feature in by_kind.items():
        shape = shapely.geometry.shape(feature["geometry"])
        assert shape.is_valid
        squares = shapely.unary_union(
            [shapely.box(*mercantile.bounds(t.x, t.y, t.zoom)) for t in meant[kind].at(zoom)]
        )
        assert shape.symmetric_difference(squares).area < squares.area * 1e-4
        assert feature["properties"]["tiles"] == len(meant[kind].at(zoom))


def test_coverage_of_a_ragged_set_is_bounded_and_never_hides_a_gap() -> None:
    rng = np.random.default_rng(7)
    at = rng.integers(0, 4000, (2, 40_000)) + 60_000
    planned = TileSet.from_columns(17, at[0], at[1])
    document = coverage_features(planned, TileSet(), TileSet(), -10.0)
    (feature,) = document["features"]
    assert feature["properties"]["tiles"] == len(planned)
    assert feature["properties"]["drawn_at"] < 17
    assert len(json.dumps(document)) < 40 * 4 * MOST_RUNS
    shape = shapely.geometry.shape(feature["geometry"]).buffer(1e-6)
    tiles = list(planned)
    for tile in random.Random(1).sample(tiles, 300):
        assert shape.contains(shapely.box(*mercantile.bounds(tile.x, tile.y, tile.zoom)))


def test_coverage_across_the_antimeridian_stays_in_one_piece() -> None:
    n = 1 << 8
    both = TileSet.from_tiles([(8, n - 1, 100), (8, 0, 100)])
    (feature,) = coverage_features(both, both, TileSet(), 179.5)["features"]
    shape = shapely.geometry.shape(feature["geometry"])
    assert len(shape.geoms) == 1
    assert shape.bounds[::2] == pytest.approx((180 - 360 / n, 180 + 360 / n))


def test_board_document_counts_by_the_pack_and_shows_no_key(client: httpx.Client, board: Board) -> None:
    text = client.get("/board.json").text
    assert "SECRET_VIEW_KEY" not in text
    assert "127.0.0.1:1" not in text
    layers = {layer["name"]: layer for layer in json.loads(text)["layers"]}
    aerial = layers["aerial"]
    lost = sum(1 for t in board.plan.layers["aerial"].tiles if _under(t, GONE))
    assert (aerial["missing"], aerial["absent"]) == (lost, 1)
    assert aerial["on_board"] == aerial["planned"] - lost - 1
    assert (layers["ground 2"]["missing"], layers["ground 2"]["planned_zooms"]) == (0, [10, 11, 12, 13])


def test_health_and_page_and_library_come_from_here(client: httpx.Client) -> None:
    assert client.get("/health").json()["status"] == "ok"
    page = client.get("/").text
    for path in re.findall(r'(?:src|href)="([^"#]+)"', page):
        assert path.startswith("/"), path
        assert client.get(path).status_code == 200, path
    assert "Leaflet 1.9.3" in client.get("/leaflet/leaflet.js").text[:200]


def test_page_assets_name_no_other_host() -> None:
    for path in (Path(run_view.__file__).parents[1] / "view" / "static").iterdir():
        text = path.read_text(encoding="utf-8").replace('xmlns="http://www.w3.org/2000/svg"', "")
        assert not re.search(r"https?://\w|[\"'(]//\w", text), path.name


# --------------------------------------------------------------------------------------------- refusals


@pytest.mark.parametrize("host", [
    "evil.example.org", "evil.example.org:80", "127.0.0.1.evil.example.org", "localhost.evil.example.org",
    "localhost@evil.example.org", "127.0.0.2", "2130706433", "0.0.0.0", "127.0.0.1:x", "[::1", "[::2]", "x/localhost",
    "localhost.", "",
])  # fmt: skip
def test_request_under_another_name_is_misdirected(host: str, view: ViewServer) -> None:
    for path in ("/", "/board.json", "/tilejson/aerial", "/health"):
        answer = _raw(view, f"GET {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n".encode())
        assert _status(answer) == 421
        assert b"Ketterling" not in answer


@pytest.mark.parametrize("host", [
    "evil.example.org@localhost", "localhost/evil.example.org", "localhost?evil", "localhost#evil", "localhost\\evil",
    "localhost ", " localhost",
])  # fmt: skip
def test_host_header_with_anything_but_a_host_in_it_is_not_known(host: str) -> None:
    """RFC 9110, 7.2: Host is uri-host [":" port], with neither user nor path."""
    assert not Access().knows_host(host)


def test_requests_that_name_no_host_or_two_are_refused(view: ViewServer) -> None:
    assert _status(_raw(view, b"GET / HTTP/1.0\r\n\r\n")) == 421
    assert _status(_raw(view, b"GET / HTTP/1.1\r\nConnection: close\r\n\r\n")) == 400
    two = b"GET / HTTP/1.1\r\nHost: localhost\r\nHost: evil.example.org\r\nConnection: close\r\n\r\n"
    assert _status(_raw(view, two)) == 400


@pytest.mark.parametrize("host", ["localhost", "LOCALHOST:1", "127.0.0.1", "[::1]:9", "127.0.0.1:65535"])
def test_loopback_names_are_answered_on_any_port(host: str, client: httpx.Client) -> None:
    assert client.get("/health", headers={"Host": host}).status_code == 200


def test_forwarded_names_are_not_believed(client: httpx.Client) -> None:
    headers = {
        "X-Forwarded-Host": "evil.example.org",
        "X-Forwarded-For": "192.0.2.9",
        "X-Forwarded-Proto": "https",
    }
    assert "http://127.0.0.1" in client.get("/tilejson/aerial", headers=headers).json()["tiles"][0]


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "PROPFIND"])
def test_other_methods_are_refused_with_those_allowed(method: str, client: httpx.Client) -> None:
    for path in ("/", "/tiles/aerial/10/1/1", "/nowhere"):
        answer = client.request(method, path)
        assert (answer.status_code, answer.headers["allow"]) == (405, "GET, HEAD")


@pytest.mark.parametrize("path", [
    "/../brief.toml", "/static/../board.py", "/static/..%2fboard.py", "/static/%2e%2e/board.py",
    "/leaflet/leaflet-src.js",
    "/static/", "/static", "/tiles/..%2faerial/0/0/0", "/tiles/%2fetc%2fpasswd/0/0/0", "/coverage/..%2f..%2fx.geojson",
    "/tiles/aerial%00/0/0/0", "//evil.example.org/", "/tiles/aerial/0/0", "/docs", "/.git/config",
])  # fmt: skip
def test_path_to_anywhere_else_is_a_404(path: str, view: ViewServer) -> None:
    answer = _raw(view, f"GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n".encode())
    assert _status(answer) in (404, 400)
    assert b"import" not in answer


def test_every_answer_is_fenced_in(client: httpx.Client) -> None:
    for path in (
        "/",
        "/board.json",
        "/tiles/aerial/10/1/1",
        "/tiles/x/y/z/w",
        "/nowhere",
        "/nearest/aerial/10/1/1",
    ):
        headers = client.get(path).headers
        assert headers["content-security-policy"].startswith("default-src 'self';")
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cross-origin-resource-policy"] == "same-origin"
        assert headers["referrer-policy"] == "no-referrer"
        assert headers["cache-control"] == "no-cache"
        assert "access-control-allow-origin" not in headers
        assert "server" not in headers


@pytest.mark.parametrize("text", [
    "<script>x()</script>", "<img src=x onerror=x()>", "<svg/onload=x()>", '<a href="javascript:x()">a</a>',
    '<a href="JaVaScRiPt&#58;x()">a</a>', '<a href="data:text/html,x">a</a>', "<style>*{}</style>", "<iframe src=//e>",
    '<a href="https://e.org" onclick="x()">a</a>', "<a href='//e.org'>a</a>", "<<b>script>", '"><script>x()</script>',
    "<form action=x><input></form>", "<math><mi//xlink:href='data:x'>", "<base href=//e>", "\0<scr\0ipt>x",
])  # fmt: skip
def test_hostile_attribution_keeps_only_text_and_web_links(text: str) -> None:
    clean = harmless(text)
    for tag in re.findall(r"<[^>]*>", clean):
        assert re.fullmatch(
            r'</a>|<a(?: (?:href="https?://[^"]*"|rel="noopener noreferrer"|target="_blank"))*>', tag
        ), clean


def test_honest_attribution_keeps_its_words_and_link() -> None:
    clean = harmless('© Survey & Co <a href="https://survey.example.org/a?b&amp;c">terms</a>')
    assert clean.startswith("© Survey &amp; Co <a ")
    assert 'href="https://survey.example.org/a?b&amp;c"' in clean
    assert clean.endswith(">terms</a>")


# ---------------------------------------------------------------------------------------------- sharing


@pytest.fixture(scope="module")
def shared(board: Board) -> Iterator[ViewServer]:
    with ViewServer(board.brief, board.plan, share=Sharing("127.0.0.2", "ABCD2345EFGH")) as running:
        yield running


def test_shared_view_shows_nothing_without_the_code(shared: ViewServer) -> None:
    with httpx.Client(base_url=shared.url, trust_env=False, verify=PLAIN) as client:
        for path in ("/board.json", "/tiles/aerial/10/1/1", "/health", "/static/view.js", "/nowhere"):
            answer = client.get(path)
            assert (answer.status_code, "Ketterling" in answer.text) == (403, False)
        page = client.get("/")
        assert (page.status_code, 'name="code"' in page.text) == (403, True)
        for code in ("", "ABCD2345EFGJ", "ABCD2345EFG", "ABCD2345EFGHH", "é", "%00"):
            wrong = client.get(f"/open?code={code}")
            assert (wrong.status_code, "set-cookie" in wrong.headers) == (403, False)
        for cookie in (
            "lastbar-view=",
            "lastbar-view=ABCD2345EFGH",
            "lastbar-view=x; lastbar-view=y",
            "a=b;;=",
            "\x7f",
        ):
            assert client.get("/board.json", headers={"Cookie": cookie}).status_code == 403


def test_link_with_too_many_parameters_is_refused_as_every_other_wrong_one(shared: ViewServer) -> None:
    answer = httpx.get(
        f"{shared.url}open?" + "&".join(f"code={n}" for n in range(11)), trust_env=False, verify=PLAIN
    )
    assert (answer.status_code, "set-cookie" in answer.headers) == (400, False)
    assert answer.headers.items() >= {name.lower(): value for name, value in HEADERS.items()}.items()


def test_a_fault_of_the_guard_itself_is_a_sentence_with_every_header(
    shared: ViewServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Access, "knows_host", lambda *_: 1 / 0)
    answer = httpx.get(shared.url, trust_env=False, verify=PLAIN)
    assert (answer.status_code, "could not answer" in answer.text) == (500, True)
    assert answer.headers["content-security-policy"] == HEADERS["Content-Security-Policy"]


def test_link_opens_the_view_once_and_the_cookie_from_then_on(shared: ViewServer) -> None:
    assert shared.link == f"{shared.url}open?code=ABCD2345EFGH"
    with httpx.Client(trust_env=False, verify=PLAIN) as client:
        opened = client.get(shared.link)
        assert (opened.status_code, opened.headers["location"]) == (303, "/")
        cookie = opened.headers["set-cookie"].lower()
        assert "httponly" in cookie
        assert "samesite=lax" in cookie
        assert "abcd2345efgh" not in cookie
        assert client.get(f"{shared.url}board.json").status_code == 200


def test_code_may_be_typed_in_small_letters_and_groups(shared: ViewServer) -> None:
    with httpx.Client(trust_env=False, verify=PLAIN) as client:
        assert client.get(f"{shared.url}open", params={"code": " abcd-2345 efgh"}).status_code == 303


def test_shared_view_knows_its_own_address_and_no_other(shared: ViewServer) -> None:
    with httpx.Client(base_url=shared.url, trust_env=False, verify=PLAIN) as client:
        client.get(shared.link)
        assert client.get("/health").status_code == 200
        assert client.get("/health", headers={"Host": "evil.example.org"}).status_code == 421
        assert client.get("/health", headers={"Host": "127.0.0.3"}).status_code == 421


def test_view_that_is_not_shared_listens_on_loopback_alone(view: ViewServer) -> None:
    port = urlsplit(view.url).port
    assert urlsplit(view.url).hostname == "127.0.0.1"
    with socket.socket() as line:
        line.settimeout(2)
        assert port is not None
        assert line.connect_ex(("127.0.0.2", port)) != 0
    assert view.link == view.url


def test_public_or_senseless_address_is_not_shared_on(board: Board) -> None:
    for address in ("203.0.114.7", "camp", "::1", "", "192.168.1"):
        with pytest.raises(InputError, match="local network"):
            ViewServer(board.brief, board.plan, share=Sharing(address))


@pytest.mark.parametrize(("addresses", "outcome"), [
    (["127.0.0.1", "192.168.43.17"], "192.168.43.17"),
    (["127.0.0.1", "203.0.114.7"], "not on a local network"),
    (["192.168.43.17", "10.0.0.4"], "192.168.43.17, 10.0.0.4"),
])  # fmt: skip
def test_address_to_share_on_is_the_only_local_one_or_asked_for(
    addresses: list[str], outcome: str, board: Board, monkeypatch: pytest.MonkeyPatch
) -> None:
    ips = [ifaddr.IP(ip, 24, "wlan0") for ip in addresses] + [ifaddr.IP(("fe80::1", 0, 2), 64, "wlan0")]
    monkeypatch.setattr(ifaddr, "get_adapters", lambda: [ifaddr.Adapter("wlan0", "wlan0", ips)])
    if outcome == "192.168.43.17":
        view = ViewServer(board.brief, board.plan, share=Sharing())
        assert view._access.names == {outcome}
    else:
        with pytest.raises(InputError, match=outcome):
            ViewServer(board.brief, board.plan, share=Sharing())


def test_access_codes_are_long_and_easy_to_read_aloud() -> None:
    codes = {new_code() for _ in range(200)}
    assert len(codes) == 200
    assert all(re.fullmatch(r"[2-9A-HJ-NP-Z]{12}", code) for code in codes)
    assert new_code(random.Random(5)) == new_code(random.Random(5))
    assert "ABCD" not in repr(Access(code="ABCDEFGHJKLM", pass_word="ABCD"))


# ------------------------------------------------------------------------------------ starting, stopping


def test_view_stops_even_with_a_client_that_dawdles(board: Board) -> None:
    with ViewServer(board.brief, board.plan) as view:
        port = urlsplit(view.url).port
        assert port is not None
        slow = socket.create_connection(("127.0.0.1", port))
        slow.sendall(b"GET /health HTTP/1.1\r\nHost: localh")
        idle = socket.create_connection(("127.0.0.1", port))
        idle.sendall(b"GET /health HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert idle.recv(100).startswith(b"HTTP/1.1 200")
    assert not any(
        t.name == "view" for t in threading.enumerate() if t.is_alive() and t.ident == _thread_of(view)
    )
    with socket.socket() as line:
        assert line.connect_ex(("127.0.0.1", port)) != 0
    slow.close()
    idle.close()


def _thread_of(view: ViewServer) -> int | None:
    assert view._serving._thread is not None
    return view._serving._thread.ident


def test_port_in_use_is_said_in_a_sentence(board: Board, view: ViewServer) -> None:
    port = urlsplit(view.url).port
    assert port is not None
    for wrong in (port, 70_000):
        with (
            pytest.raises(InputError, match=rf"port {wrong}: .*--port"),
            ViewServer(board.brief, board.plan, port=wrong),
        ):
            pass


def test_view_changes_no_byte_of_the_packs_and_leaves_nothing_beside_them(board: Board) -> None:
    def state() -> dict[str, tuple[int, bytes]]:
        return {
            p.name: (p.stat().st_mtime_ns, hashlib.sha256(p.read_bytes()).digest())
            for p in board.store.iterdir()
        }

    before = state()
    with (
        ViewServer(board.brief, board.plan) as view,
        httpx.Client(base_url=view.url, trust_env=False, verify=PLAIN) as client,
    ):
        for path in (
            "/board.json",
            "/coverage/aerial.geojson",
            f"/nearest/aerial/{GONE}",
            "/tilejson/aerial",
        ):
            assert client.get(path).status_code == 200
    assert state() == before


def test_ctrl_c_ends_the_view_and_gives_its_port_back(board: Board) -> None:
    view = ViewServer(board.brief, board.plan)

    def look_and_stop() -> None:
        with view:
            assert httpx.get(f"{view.url}health", trust_env=False, verify=PLAIN).json()["status"] == "ok"
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        look_and_stop()
    with pytest.raises(httpx.ConnectError):
        httpx.get(f"{view.url}health", trust_env=False, verify=PLAIN)


def test_command_prints_the_link_and_cautions_and_ends_well(
    board: Board, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    board.brief.path.write_text(_text_of(board), encoding="utf-8")

    def stopped(_: ViewServer) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(ViewServer, "wait", stopped)
    assert run_view.run(board.brief.path, None, 0, False, None) == 0
    out, err = capsys.readouterr()
    assert re.fullmatch(r"What is on board: http://127\.0\.0\.1:\d+/\n", out)
    assert "not for positioning" in err
    assert run_view.run(board.brief.path, None, 0, True, "127.0.0.2") == 0
    out, err = capsys.readouterr()
    assert re.fullmatch(r"What is on board: http://127\.0\.0\.2:\d+/open\?code=[2-9A-Z]{12}\n", out)
    assert "not encrypted" in err
    assert all(len(line) <= 80 for line in (out + err).splitlines())


def _text_of(board: Board) -> str:
    return (
        f"title = 't'\nstore = '{board.store.name}'\n[layers.aerial]\nurl = 'http://127.0.0.1:1/{{z}}/{{x}}/{{y}}'\n"
        "attribution = 'a'\npermission = 'p'\nzooms = [10, 12]\n"
        "[[areas]]\nname = 'camp'\npoint = [12.45, 47.09]\nradius = '500 m'\ndeepest = 12\n"
    )


def test_square_code_holds_the_very_link(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    segno = pytest.importorskip("segno")

    class Terminal(io.StringIO):
        encoding = "utf-8"

        def isatty(self) -> bool:
            return True

    terminal, link = Terminal(), "http://192.168.43.17:41234/open?code=ABCD2345EFGH"
    monkeypatch.setattr("sys.stdout", terminal)
    show_square(link, "m")
    shown = re.sub(r"\x1b\[[\d;]*m", "", terminal.getvalue()).splitlines()
    assert all(len(line) <= 80 for line in shown)
    # Upper half, lower half: a block is light. Read back, the modules are those of the link's own symbol.
    light = {"█": (1, 1), "▀": (1, 0), "▄": (0, 1), " ": (0, 0)}
    rows = [[light[c][half] for c in line] for line in shown for half in (0, 1)]
    expected = [
        [1 - module for module in row]
        for row in segno.make(link, micro=False, error="m").matrix_iter(border=2)
    ]
    assert rows[: len(expected)] == expected


def test_port_that_cannot_be_had_is_told_with_the_systems_own_reason(board: Board) -> None:
    with ViewServer(board.brief, board.plan) as view:
        port = urlsplit(view.url).port
        assert port is not None
        with pytest.raises(InputError, match=f"port {port}: {os.strerror(errno.EADDRINUSE)}"):
            ViewServer(board.brief, board.plan, port=port).__enter__()
    with pytest.raises(InputError, match=r"port 65536: .*no such port"):
        ViewServer(board.brief, board.plan, port=65_536).__enter__()
