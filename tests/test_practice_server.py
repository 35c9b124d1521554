"""The practice server over real HTTP: validators, ranges, key, counts, and a clean end of its process."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from contextlib import contextmanager
from email.utils import parsedate_to_datetime
from http.client import HTTPConnection, HTTPResponse

import pytest

from packer.errors import NetworkError
from packer.geometry.grid import EQUATOR_M
from packer.practice.server import PracticeServer

TILE = "/aerial/12/2190/1438.jpg"


@pytest.fixture(scope="module")
def server() -> Iterator[PracticeServer]:
    with PracticeServer() as running:
        yield running


class Got:
    def __init__(self, answer: HTTPResponse) -> None:
        self.status, self.body = answer.status, answer.read()
        self.headers = {k.lower(): v for k, v in answer.getheaders()}


def ask(server: PracticeServer, path: str, method: str = "GET", **headers: str) -> Got:
    link = HTTPConnection("127.0.0.1", server.port, timeout=60)
    try:
        link.request(method, path, headers={k.replace("_", "-"): v for k, v in headers.items()})
        return Got(link.getresponse())
    finally:
        link.close()


def test_a_tile_comes_with_its_length_type_and_validators(server: PracticeServer) -> None:
    got = ask(server, TILE)
    assert got.status == 200
    assert got.headers["content-type"] == "image/jpeg"
    assert int(got.headers["content-length"]) == len(got.body)
    assert re.fullmatch(r'"[0-9a-f]{32}"', got.headers["etag"])
    assert parsedate_to_datetime(got.headers["last-modified"]).year == 2024
    assert "max-age=" in got.headers["cache-control"]
    assert ask(server, "/relief/12/2190/1438.png").headers["content-type"] == "image/png"


def test_head_has_the_headers_of_get_and_no_body(server: PracticeServer) -> None:
    got, head = ask(server, TILE), ask(server, TILE, "HEAD")
    assert (head.status, head.body) == (200, b"")
    names = ("content-length", "content-type", "etag", "last-modified", "cache-control")
    assert [head.headers[n] for n in names] == [got.headers[n] for n in names]


def test_a_copy_that_is_good_gets_304_without_a_body(server: PracticeServer) -> None:
    got = ask(server, TILE)
    tag, date = got.headers["etag"], got.headers["last-modified"]
    for given in (tag, f"W/{tag}", f'"other", {tag}', "*"):
        again = ask(server, TILE, If_None_Match=given)
        assert (again.status, again.body, again.headers["etag"]) == (304, b"", tag)
    assert ask(server, TILE, If_Modified_Since=date).status == 304


def test_a_copy_that_is_not_good_gets_the_tile(server: PracticeServer) -> None:
    date = ask(server, TILE).headers["last-modified"]
    assert ask(server, TILE, If_None_Match='"other"').status == 200
    # RFC 9110 13.1.3: If-Modified-Since is ignored beside If-None-Match.
    assert ask(server, TILE, If_None_Match='"other"', If_Modified_Since=date).status == 200
    assert ask(server, TILE, If_Modified_Since="Mon, 13 May 2024 09:30:00 GMT").status == 200
    assert ask(server, TILE, If_Modified_Since="yesterday").status == 200


@pytest.mark.parametrize(
    "path",
    [
        "/aerial/20/0/0.jpg",
        "/aerial/3/8/0.jpg",
        "/aerial/3/0/-1.jpg",
        "/aerial/12/2190/1438.png",
        "/other/3/0/0.jpg",
        "/aerial/15/17530/11515.jpg",  # inside the gap
        "/tilejson/other.json",
        "/",
    ],
)
def test_what_is_not_there_is_404(server: PracticeServer, path: str) -> None:
    assert ask(server, path).status == 404


def test_a_revision_changes_validators_so_that_an_old_copy_is_replaced(server: PracticeServer) -> None:
    path = next(f"/aerial/14/{x}/5756.jpg" for x in range(8760, 8800) if _replaced(x))
    old = ask(server, path)
    with PracticeServer(revision=1) as revised:
        new = ask(revised, path, If_None_Match=old.headers["etag"])
        assert new.status == 200
        assert new.body != old.body
        assert ask(revised, path, If_Modified_Since=old.headers["last-modified"]).status == 200


def _replaced(x: int) -> bool:
    from packer.practice.regions import edition

    return edition("aerial", 14, x, 5756, 1) == 1


def test_a_key_is_asked_for_with_tiles_only() -> None:
    with PracticeServer(key="bilberry") as server:
        assert ask(server, TILE).status == 403
        assert ask(server, TILE, X_Key="cranberry").status == 403
        assert ask(server, TILE, X_Key="bilberry").status == 200
        assert ask(server, f"{TILE}?key=bilberry").status == 200
        assert ask(server, "/robots.txt").status == 200


def test_counts_tell_paths_statuses_and_connections() -> None:
    with PracticeServer() as server:
        link = HTTPConnection("127.0.0.1", server.port, timeout=60)
        for path in (TILE, TILE, f"{TILE}?key=x", "/aerial/20/0/0.jpg"):
            link.request("GET", path)
            link.getresponse().read()
        link.close()
        assert ask(server, "/health").status == 200
        told = server.counts.to_dict()
    assert told["paths"] == {TILE: 3, "/aerial/20/0/0.jpg": 1, "/health": 1}
    assert told["statuses"] == {"200": 4, "404": 1}
    assert (told["requests"], told["most_requests"], told["connections"]) == (5, 1, 2)
    assert sum(told["per_second"]) == 5
    assert server.counts.requests == 5


def test_requests_that_are_open_at_once_are_counted_as_such() -> None:
    with PracticeServer() as server:
        paths = [f"/relief/9/{x}/{y}.png" for x in (270, 271, 272) for y in (178, 179)]
        threads = [threading.Thread(target=ask, args=(server, p)) for p in paths]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert 2 <= server.counts.most_requests <= 6
        assert 2 <= server.counts.most_connections <= 6


def test_counts_are_not_shown_unless_asked_for() -> None:
    with PracticeServer() as server:
        assert ask(server, "/counts").status == 404


def test_it_stops_though_a_client_keeps_its_connection() -> None:
    with PracticeServer() as server:
        link = HTTPConnection("127.0.0.1", server.port, timeout=60)
        link.request("GET", "/health")
        link.getresponse().read()
        port = server.port
    link.close()
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", port), timeout=1)


def test_a_port_in_use_is_said_in_a_sentence(server: PracticeServer) -> None:
    with pytest.raises(NetworkError, match=f"Port {server.port} "), PracticeServer(server.port):
        pass


def test_only_the_loopback_address_is_listened_on(server: PracticeServer) -> None:
    # The whole of 127/8 is this machine, but the server is bound to one address of it.
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.2", server.port), timeout=1)


def test_tilejson_holds_what_its_standard_requires(server: PracticeServer) -> None:
    # TileJSON 3.0.0, sections 3.1 to 3.26: required keys, absolute addresses, ranges.
    told = json.loads(ask(server, "/tilejson/aerial.json").body)
    assert told["tilejson"] == "3.0.0"
    assert told["tiles"] == [server.template("aerial")]
    assert 0 <= told["minzoom"] <= told["maxzoom"] <= 30
    west, south, east, north = told["bounds"]
    lon, lat, zoom = told["center"]
    assert west <= lon <= east
    assert south <= lat <= north
    assert told["minzoom"] <= zoom <= told["maxzoom"]
    assert re.fullmatch(r"\d+\.\d+\.\d+", told["version"])


def test_wmts_capabilities_name_each_layer_and_the_published_scales(server: PracticeServer) -> None:
    spaces = {"w": "http://www.opengis.net/wmts/1.0", "o": "http://www.opengis.net/ows/1.1"}
    tree = ET.fromstring(ask(server, "/wmts").body)
    assert [n.text for n in tree.findall("w:Contents/w:Layer/o:Identifier", spaces)] == ["aerial", "relief"]
    scales = [float(n.text or "nan") for n in tree.findall(".//w:TileMatrix/w:ScaleDenominator", spaces)]
    # OGC 17-083r4, table of WebMercatorQuad: zooms 0 and 18.
    assert (scales[0], scales[18]) == pytest.approx((559082264.0287178, 2132.729583849784), rel=1e-12)
    corner = tree.findtext(".//w:TileMatrix/w:TopLeftCorner", None, spaces)
    assert corner is not None
    assert float(corner.split()[1]) == pytest.approx(EQUATOR_M / 2)


@contextmanager
def ended(process: subprocess.Popen[str]) -> Iterator[None]:
    """Nothing waits for the process if what is inside fails."""
    try:
        yield
    except BaseException:
        process.kill()
        raise


def test_the_practice_command_tells_its_address_and_ends_cleanly_on_sigterm() -> None:
    command = [sys.executable, "-m", "packer", "practice", "--port", "0"]
    buffered = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    with (
        subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=buffered
        ) as process,
        ended(process),
    ):
        assert process.stdout is not None
        line = next(line for line in process.stdout if "/aerial/" in line)
        address = re.search(r"127\.0\.0\.1:(\d+)/", line)
        assert address is not None
        link = HTTPConnection("127.0.0.1", int(address[1]), timeout=60)
        link.request("GET", TILE)
        assert link.getresponse().status == 200
        link.close()
        process.send_signal(signal.SIGTERM)
        _, err = process.communicate(timeout=60)
    assert (process.returncode, err) == (0, "")
