"""A server of pictures of any box in EPSG:3857, which draws each tile of a block in its own colour."""

from __future__ import annotations

import hashlib
import io
import math
import multiprocessing
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from multiprocessing.connection import Connection
from threading import Event, Lock, Thread
from typing import Any
from urllib.parse import parse_qs

from PIL import Image

from packer.geometry.grid import EQUATOR_M
from packer.geometry.tileset import Tile

__all__ = ["BlockServer", "block_picture", "colour"]

Answer = tuple[int, bytes]


def colour(tile: Tile, revision: int = 0) -> tuple[int, ...]:
    """The one colour of a tile's picture."""
    return tuple(hashlib.sha256(f"{tile} {revision}".encode()).digest()[:3])


class BlockServer:
    """`asked` are the blocks that were asked for, each as its tiles; `play` may answer for one in another way."""

    def __init__(self) -> None:
        self.asked: list[tuple[Tile, ...]] = []
        self.headers: list[dict[str, str]] = []
        self.play: Callable[[tuple[Tile, ...]], Answer | None] = lambda _: None
        self.revision: Callable[[Tile], int] = lambda _: 0
        self._lock, self._free, self._marks = Lock(), Event(), list[tuple[int, Connection]]()
        self._free.set()
        self._hold_after: int | None = None
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), self._handler())
        self.url = f"http://127.0.0.1:{self._server.server_port}/map?b={{bbox}}&w={{width}}&h={{height}}"

    def __enter__(self) -> BlockServer:
        self._thread = Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.02})
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.hold_after(None)
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def hold_after(self, requests: int | None) -> None:
        """Leave every request beyond so many in all without an answer; None answers them."""
        self._hold_after = requests
        self._free.set()
        self._free = Event()

    def reached(self, requests: int) -> Connection:
        """Can be read as soon as more than so many requests have come in all."""
        readable, writable = multiprocessing.Pipe(duplex=False)
        with self._lock:
            self._marks.append((requests, writable))
        self._note(None)
        return readable

    def _note(self, block: tuple[Tile, ...] | None) -> int:
        with self._lock:
            self.asked += [block] if block is not None else []
            for mark in [m for m in self._marks if len(self.asked) > m[0]]:
                self._marks.remove(mark)
                mark[1].send(None)
            return len(self.asked)

    def _handler(self) -> type[BaseHTTPRequestHandler]:
        server = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(self) -> None:
                if self.path == "/robots.txt":
                    self._send(200, b"User-agent: *\nAllow: /\n")
                    return
                query: dict[str, Any] = parse_qs(self.path.partition("?")[2])
                width, height = int(query["w"][0]), int(query["h"][0])
                block = _tiles([float(v) for v in query["b"][0].split(",")], width // 256, height // 256)
                held, free = server._hold_after, server._free
                server.headers.append({name.lower(): value for name, value in self.headers.items()})
                if server._note(block) > (held if held is not None else 1 << 60):
                    free.wait(60)
                status, body = server.play(block) or (200, _picture(block, width, height, server.revision))
                self._send(status, body)

            def _send(self, status: int, body: bytes) -> None:
                try:
                    self.send_response(status)
                    self.send_header("Content-Length", str(len(body)))
                    self.end_headers()
                    self.wfile.write(body)
                except OSError:  # whoever asked was killed
                    self.close_connection = True

            def log_message(self, *_: object) -> None:
                pass

        return Handler


def _tiles(box: list[float], columns: int, rows: int) -> tuple[Tile, ...]:
    zoom = round(math.log2(EQUATOR_M * columns / (box[2] - box[0])))
    side = EQUATOR_M / (1 << zoom)
    left, top = round(box[0] / side + (1 << zoom) / 2), round((1 << zoom) / 2 - box[3] / side)
    return tuple(Tile(zoom, left + x, top + y) for y in range(rows) for x in range(columns))


def block_picture(box: list[float], width: int, height: int) -> bytes:
    """What the server draws for a box in EPSG:3857, as a PNG of this size in pixels."""
    return _picture(_tiles(box, width // 256, height // 256), width, height, lambda _: 0)


def _picture(block: tuple[Tile, ...], width: int, height: int, revision: Callable[[Tile], int]) -> bytes:
    first, side = block[0], width // (block[-1].x - block[0].x + 1)
    image = Image.new("RGB", (width, height))
    for tile in block:
        left, top = (tile.x - first.x) * side, (tile.y - first.y) * side
        image.paste(colour(tile, revision(tile)), (left, top, left + side, top + side))
    made = io.BytesIO()
    image.save(made, "PNG", compress_level=1)
    return made.getvalue()
