"""A tile server on loopback with a ledger of what was asked for; its tiles can change and take their time.

python -m scripts.powercut.tile_server PORT
"""

from __future__ import annotations

import asyncio
import io
import json
import os
import random
import subprocess
import sys
import time
import urllib.request
from functools import cache
from pathlib import Path
from types import TracebackType

from PIL import Image

__all__ = ["TileServer", "tile_body"]

Asked = tuple[str, int, int, int, str]
"""Layer, zoom, x, y and the status of the answer."""

_LACKS = (15, 5, 3)  # of each layer, by zoom, x mod 23, y mod 7: tiles that the server does not have


@cache
def tile_body(layer: str, zoom: int, x: int, y: int, version: int) -> bytes:
    """A tile: a third of them have another picture in version 2, and some share one picture."""
    version = version if (x + y) % 3 == 0 else 1
    name = f"{layer}/{version}" if (x * 7 + y) % 11 == 0 else f"{layer}/{zoom}/{x}/{y}/{version}"
    chance = random.Random(name)
    side = chance.choice((4, 8, 8, 16, 16, 32, 64))
    grey = Image.frombytes("L", (side, side), chance.randbytes(side * side))
    grey = grey.resize((256, 256), Image.Resampling.NEAREST)
    file = io.BytesIO()
    if layer == "aerial":
        grey.convert("RGB").save(file, "JPEG", quality=25)
    else:
        grey.save(file, "PNG")
    return file.getvalue()


class _Serving:
    def __init__(self) -> None:
        self.version, self.delay_s = 1, 0.0
        self.ledger: list[Asked] = []

    def control(self, word: str, value: str) -> bytes:
        if word == "ledger":
            return json.dumps(self.ledger).encode()
        if word == "reset":
            self.ledger.clear()
        elif word == "version":
            self.version = int(value)
        else:
            self.delay_s = float(value)
        return b"ok"

    def tile(self, path: str, known: str) -> tuple[int, str, bytes, str]:
        """Status, type, body and entity tag."""
        parts = path.strip("/").split("/")
        if len(parts) != 4:
            return 404, "text/plain", b"no", ""
        layer, zoom, x, y = parts[0], int(parts[1]), int(parts[2]), int(parts[3].partition(".")[0])
        if (zoom, x % 23, y % 7) == _LACKS:
            self.ledger.append((layer, zoom, x, y, "404"))
            return 404, "text/plain", b"none", ""
        tag = f'"{layer}-{zoom}-{x}-{y}-{self.version if (x + y) % 3 == 0 else 1}"'
        status = 304 if known == tag else 200
        self.ledger.append((layer, zoom, x, y, str(status)))
        body = b"" if status == 304 else tile_body(layer, zoom, x, y, self.version)
        return status, "image/jpeg" if layer == "aerial" else "image/png", body, tag

    async def client(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while first := (await reader.readline()).decode("latin-1").split():
                known = ""
                while (line := (await reader.readline()).strip()) != b"":
                    name, _, value = line.decode("latin-1").partition(":")
                    known = value.strip() if name.lower() == "if-none-match" else known
                status, kind, body, tag = 200, "text/plain", b"", ""
                if first[1].startswith("/control/"):
                    word, _, value = first[1].removeprefix("/control/").partition("/")
                    body = self.control(word, value)
                else:
                    if self.delay_s:
                        await asyncio.sleep(self.delay_s)
                    status, kind, body, tag = self.tile(first[1], known)
                head = f"HTTP/1.1 {status} -\r\nContent-Type: {kind}\r\nContent-Length: {len(body)}\r\n"
                head += f"ETag: {tag}\r\n\r\n" if tag else "\r\n"
                writer.write(head.encode() + body)
                await writer.drain()
        except (ConnectionError, IndexError):
            pass
        finally:
            writer.close()


async def _serve(port: int) -> None:
    server = await asyncio.start_server(_Serving().client, "127.0.0.1", port)
    print(server.sockets[0].getsockname()[1], flush=True)
    async with server:
        await server.serve_forever()


class TileServer:
    """The server in a process of its own: `with TileServer() as server`. `port` is where it listens."""

    def __enter__(self) -> TileServer:
        root = Path(__file__).parent.parent.parent
        command = [sys.executable, "-m", "scripts.powercut.tile_server", "0"]
        plain = {name: value for name, value in os.environ.items() if name != "LD_PRELOAD"}
        self._process = subprocess.Popen(command, cwd=root, env=plain, stdout=subprocess.PIPE, text=True)
        assert self._process.stdout is not None
        self.port = int(self._process.stdout.readline())
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._process.kill()
        self._process.wait()
        if self._process.stdout is not None:
            self._process.stdout.close()

    def tell(self, word: str, value: float | int | str = "") -> bytes:
        """`reset` the ledger, set the `version` of the tiles or the `delay` in seconds, or give the `ledger`."""
        for left in range(20, -1, -1):
            try:
                with urllib.request.urlopen(
                    f"http://127.0.0.1:{self.port}/control/{word}/{value}", timeout=30
                ) as said:
                    return bytes(said.read())
            except OSError:
                if not left:
                    raise
                time.sleep(0.1)
        raise AssertionError

    @property
    def ledger(self) -> list[Asked]:
        """What was asked for since the last reset."""
        return [(layer, zoom, x, y, status) for layer, zoom, x, y, status in json.loads(self.tell("ledger"))]


if __name__ == "__main__":
    asyncio.run(_serve(int(sys.argv[1])))
