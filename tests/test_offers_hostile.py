"""Descriptions that are far too large, hostile or none at all: a clear error, little memory, and nothing lost."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread

import pytest

from packer.errors import AnswerError
from packer.fetching.hosts.offer_reading import read_offers
from packer.planning.brief import Brief
from packer.sources.offer import LIMIT_BYTES
from tests.test_offers_wms import capabilities

BRIEF = """
title = "Test"
[layers.aerial]
{key} = "{url}"
attribution = "A"
permission = "Own server"
[[areas]]
name = "camp"
point = [12.5, 47.1]
radius = "1 km"
deepest = 3
"""
MB = 1_000_000


class Server:
    """Answers every request with `parts`, without saying how long it gets; `sent` are the bytes that were taken."""

    def __init__(self) -> None:
        self.parts: Iterator[bytes] = iter(())
        self.sent = 0
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                self.send_response(200)
                self.end_headers()
                try:
                    for part in outer.parts:
                        self.wfile.write(part)
                        outer.sent += len(part)
                except OSError:
                    self.close_connection = True

            def log_message(self, *_: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.server.server_port}/a"


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    running = Server()
    thread = Thread(target=running.server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    yield running
    running.server.shutdown()
    running.server.server_close()
    thread.join()


def refusal(server: Server, folder: Path, key: str, parts: Iterator[bytes]) -> str:
    server.parts, server.sent = parts, 0
    brief = Brief.from_text(BRIEF.format(key=key, url=server.url), folder / "brief.toml")
    with pytest.raises(AnswerError) as refused:
        asyncio.run(read_offers(brief, folder))
    return str(refused.value)


@pytest.mark.parametrize("key", ["wms", "wmts", "ogc-tiles", "tilejson"])
def test_a_description_of_100_mb_is_broken_off_early_and_refused(
    server: Server, tmp_path: Path, key: str
) -> None:
    start = {"wms": b"<WMS_Capabilities version='1.3.0'>", "wmts": b"<Capabilities>"}.get(key, b"{")
    text = refusal(server, tmp_path, key, iter([start, *[b"<Layer/>" * (MB // 8)] * 100]))
    assert "more than 8 MB" in text
    assert server.sent < 2 * LIMIT_BYTES + 8 * MB  # what was under way in the sockets comes on top


BOMB = (
    '<!DOCTYPE a [<!ENTITY a "lol"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'
    "<WMS_Capabilities version='1.3.0'>&b;</WMS_Capabilities>"
)


@pytest.mark.parametrize(
    ("key", "body", "word"),
    [
        ("wms", BOMB.encode(), "declares entities"),
        ("wmts", BOMB.replace("WMS_", "").encode(), "document type"),
        ("wms", b"<html><body>Please sign in</body></html>", "expected root element"),
        ("wms", capabilities()[:300], "not well-formed"),
        ("wms", b"<WMS_Capabilities version='1.3.0'>" + b"<a>" * 100_000, "nested more than"),
        ("ogc-tiles", b'{"links": ' + b"[" * 1_000_000, "nested too deeply"),
        ("ogc-tiles", b'{"a": ' + b"9" * 5_000 + b"}", "thousands of digits"),
        ("ogc-tiles", b"<html>", "a page or XML"),
        (
            "ogc-tiles",
            b'{"links": [{"rel": "data", "href": "http://127.0.0.2:9/x"}]}',
            "another host, which is not asked",
        ),
        ("ogc-tiles", b'{"links": [{"rel": "data", "href": "//[::1"}]}', "no link leads"),
    ],
)
def test_what_is_no_description_is_refused_in_a_sentence_and_nothing_is_kept(
    server: Server, tmp_path: Path, key: str, body: bytes, word: str
) -> None:
    text = refusal(server, tmp_path, key, iter([body]))
    assert word in text
    assert text.endswith(".")
    assert not list(tmp_path.rglob("*.offer.json"))
