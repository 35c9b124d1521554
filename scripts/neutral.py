"""What benchmarks measure against: a neutral file server, a public client, a link with latency, bare loops."""

from __future__ import annotations

import asyncio
import contextlib
import http.client
import io
import os
import shutil
import socket
import statistics
import subprocess
import tempfile
import threading
import time
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from PIL import Image

__all__ = [
    "NGINX_CONF",
    "Ended",
    "delayed",
    "file_server",
    "free_port",
    "jpeg_bodies",
    "lone_latency_s",
    "median_spread",
    "png_bodies",
    "run_measured",
    "wait_for",
]


@dataclass(frozen=True, slots=True)
class Ended:
    """A finished command: wall seconds, CPU seconds (user and system), peak resident bytes, exit code."""

    wall_s: float
    cpu_s: float
    peak_bytes: int
    code: int


def run_measured(command: list[str], **environment: str) -> Ended:
    """Run a command with its output thrown away and take the system's own account of it."""
    started = time.perf_counter()
    pid = os.posix_spawnp(
        command[0],
        command,
        {**os.environ, **environment},
        file_actions=[(os.POSIX_SPAWN_OPEN, fd, "/dev/null", os.O_WRONLY, 0) for fd in (1, 2)],
    )
    _, status, used = os.wait4(pid, 0)
    wall = time.perf_counter() - started
    return Ended(
        wall, used.ru_utime + used.ru_stime, used.ru_maxrss * 1024, os.waitstatus_to_exitcode(status)
    )


def median_spread(values: list[float]) -> str:
    """ "median (least to greatest)", three figures each."""
    return f"{statistics.median(values):.3g} ({min(values):.3g} to {max(values):.3g})"


def free_port() -> int:
    """A port that was free a moment ago."""
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


def jpeg_bodies(size_bytes: int) -> Callable[[int], bytes]:
    """Makes valid JPEG tiles of just about this size, each different: the picture once, then a comment."""
    for side, quality in [(256, q) for q in range(95, 5, -5)] + [(16, 50)]:
        out = io.BytesIO()
        Image.effect_noise((side, side), 40).save(out, "JPEG", quality=quality)
        if len(out.getvalue()) <= size_bytes - 20:
            break
    whole = out.getvalue()
    pad = size_bytes - len(whole) - 4

    def body(number: int) -> bytes:
        comment = str(number).encode().ljust(pad, b".")
        return whole[:2] + b"\xff\xfe" + (len(comment) + 2).to_bytes(2, "big") + comment + whole[2:]

    return body


def png_bodies(size_bytes: int) -> Callable[[int], bytes]:
    """As `jpeg_bodies`, in PNG: as many rows of noise as fit, then a comment (PNG specification, 11.3.3.3)."""
    noise = Image.effect_noise((256, 256), 40).convert("P", palette=Image.Palette.ADAPTIVE, colors=16)
    rows, whole = 256, b""
    while not whole or len(whole) > size_bytes - 30:
        picture, out = Image.new("P", (256, 256)), io.BytesIO()
        picture.paste(noise.crop((0, 0, 256, rows)))
        picture.save(out, "PNG")
        rows, whole = rows - 2, out.getvalue()
    pad, end = size_bytes - len(whole) - 12 - len(b"Comment\0"), whole.index(b"IDAT") - 4

    def body(number: int) -> bytes:
        text = b"tEXtComment\0" + str(number).encode().ljust(pad, b".")
        chunk = (len(text) - 4).to_bytes(4, "big") + text + zlib.crc32(text).to_bytes(4, "big")
        return whole[:end] + chunk + whole[end:]

    return body


NGINX_CONF = """
worker_processes 1; daemon off; pid {folder}/nginx.pid; error_log {folder}/error.log;
events {{ worker_connections 1024; }}
http {{
    access_log off; sendfile on; keepalive_requests 100000000; keepalive_timeout 300s;
    types {{ image/jpeg jpg; image/png png; }}
    client_body_temp_path {folder}/t1; proxy_temp_path {folder}/t2; fastcgi_temp_path {folder}/t3;
    uwsgi_temp_path {folder}/t4; scgi_temp_path {folder}/t5;
    server {{ listen {host}:{port} backlog=1024; root {root}; location / {{ {location} }} }}
}}
"""


@contextlib.contextmanager
def file_server(root: Path, location: str = "") -> Iterator[int]:
    """Debian's nginx over a folder, one worker, on loopback; gives its port."""
    nginx = shutil.which("nginx", path=os.environ.get("PATH", "") + ":/usr/sbin")
    if nginx is None:
        raise SystemExit("This benchmark needs nginx: apt-get install nginx-light")
    with tempfile.TemporaryDirectory() as folder:
        port = free_port()
        conf = Path(folder) / "nginx.conf"
        conf.write_text(
            NGINX_CONF.format(folder=folder, host="127.0.0.1", port=port, root=root, location=location)
        )
        Path(folder).chmod(0o755)
        server = subprocess.Popen([nginx, "-c", str(conf)], stderr=subprocess.DEVNULL)
        try:
            wait_for(port)
            yield port
        finally:
            server.terminate()
            server.wait()


def wait_for(port: int) -> None:
    """Until somebody listens at a port."""
    ends = time.monotonic() + 10
    while time.monotonic() < ends:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
            return
        time.sleep(0.05)
    raise SystemExit("The file server did not start.")


@contextlib.contextmanager
def delayed(upstream: int, delay_s: float) -> Iterator[int]:
    """A TCP relay before a port that holds every request back by `delay_s`; gives its own port."""
    port = free_port()
    loop = asyncio.new_event_loop()

    async def relay(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        up_reader, up_writer = await asyncio.open_connection("127.0.0.1", upstream)
        back = asyncio.ensure_future(_pass(up_reader, writer, 0.0))
        await _pass(reader, up_writer, delay_s)
        back.cancel()
        writer.close()

    async def main() -> None:
        server = await asyncio.start_server(relay, "127.0.0.1", port)
        async with server:
            await server.serve_forever()

    def run() -> None:
        with contextlib.suppress(RuntimeError, asyncio.CancelledError):
            loop.run_until_complete(main())

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    wait_for(port)
    try:
        yield port
    finally:
        loop.call_soon_threadsafe(loop.stop)


def lone_latency_s(port: int, path: str, times: int = 30) -> float:
    """What one request after another takes on a warm connection, in seconds, the median of some."""
    link = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    took = []
    for _ in range(times):
        started = time.perf_counter()
        link.request("GET", path)
        link.getresponse().read()
        took.append(time.perf_counter() - started)
    link.close()
    return statistics.median(took[2:])


async def _pass(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, delay_s: float) -> None:
    with contextlib.suppress(ConnectionError, asyncio.CancelledError):
        while data := await reader.read(65536):
            if delay_s:
                await asyncio.sleep(delay_s)
            writer.write(data)
            await writer.drain()
    writer.close()
