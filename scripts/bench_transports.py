"""How many tiles a second each HTTP client brings in, beside `curl --parallel` against the same server.

    python scripts/bench_transports.py [rounds]

The server is nginx with one worker on loopback, the tile 15 KB; nobody stores anything. Every round runs every
client once, and the ratio is taken to curl in the same round, for a machine has its moods. The processor time
for a tile depends on them least. aiohttp and httpx-aiohttp are measured if installed. Under two minutes.
"""

from __future__ import annotations

import asyncio
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable
from contextlib import AsyncExitStack
from dataclasses import dataclass
from pathlib import Path

import httpx
import uvloop
from neutral import file_server, run_measured
from pyreqwest.client import ClientBuilder
from pyreqwest.compatibility.httpx import HttpxTransport

from packer.fetching.transports import Response, open_transport

TILE_BYTES = 15_000
WARM_S, RUN_S = 0.2, 0.8
CURL, CURL_TILES = "curl --parallel, to /dev/null", 6000

Get = Callable[[str], Awaitable[bytes]]
Opener = Callable[[AsyncExitStack, int], Awaitable[Get]]


def transport(kind: str) -> Opener:
    async def opener(stack: AsyncExitStack, connections: int) -> Get:
        opened = open_transport(kind, connections=connections, user_agent="Bench/1")
        stack.push_async_callback(opened.aclose)

        async def get(url: str) -> bytes:
            reply = await opened.fetch(url, {}, 30.0, 1_000_000)
            assert isinstance(reply, Response), reply
            return reply.body

        return get

    return opener


def httpx_over(make: Callable[[int], httpx.AsyncBaseTransport]) -> Opener:
    async def opener(stack: AsyncExitStack, connections: int) -> Get:
        client = await stack.enter_async_context(httpx.AsyncClient(transport=make(connections)))

        async def get(url: str) -> bytes:
            return (await client.get(url)).content

        return get

    return opener


def over_pyreqwest(connections: int) -> httpx.AsyncBaseTransport:
    return HttpxTransport(ClientBuilder().max_connections(connections).no_proxy().build())


def over_httpcore(connections: int) -> httpx.AsyncBaseTransport:
    return httpx.AsyncHTTPTransport(
        limits=httpx.Limits(max_connections=connections, max_keepalive_connections=connections)
    )


def over_aiohttp(connections: int) -> httpx.AsyncBaseTransport:
    from httpx_aiohttp import AiohttpTransport

    return AiohttpTransport(limits=httpx.Limits(max_connections=connections))


async def aiohttp_alone(stack: AsyncExitStack, connections: int) -> Get:
    import aiohttp

    connector = aiohttp.TCPConnector(limit=connections)
    session = await stack.enter_async_context(
        aiohttp.ClientSession(connector=connector, auto_decompress=False)
    )

    async def get(url: str) -> bytes:
        async with session.get(url, allow_redirects=False) as response:
            return await response.read()

    return get


async def pyreqwest_pooled(stack: AsyncExitStack, connections: int) -> Get:
    client = (
        ClientBuilder().max_connections(connections).pool_max_idle_per_host(connections).no_proxy().build()
    )
    stack.push_async_callback(client.close)

    async def get(url: str) -> bytes:
        async with client.get(url).build_streamed() as response:
            return bytes(await response.bytes())

    return get


CONTENDERS: dict[str, Opener] = {
    "lean transport": transport("pyreqwest"),
    "pyreqwest, one pool": pyreqwest_pooled,
    "aiohttp alone": aiohttp_alone,
    "httpx over pyreqwest": httpx_over(over_pyreqwest),
    "httpx over aiohttp": httpx_over(over_aiohttp),
    "httpx transport": transport("httpx"),
    "httpx alone": httpx_over(over_httpcore),
}


@dataclass(frozen=True, slots=True)
class Speed:
    """Tiles a second, and microseconds of processor time (all threads, user and system) for one tile."""

    tiles_s: float
    cpu_us: float


async def speed_of(opener: Opener, base: str, connections: int) -> Speed:
    async with AsyncExitStack() as stack:
        get = await opener(stack, connections)

        async def work(ends: float) -> int:
            done = 0
            while True:
                assert len(await get(f"{base}/{done}.jpg")) == TILE_BYTES
                done += 1
                if time.perf_counter() >= ends:
                    return done

        await asyncio.gather(*(work(time.perf_counter() + WARM_S) for _ in range(connections)))
        begun, cpu = time.perf_counter(), time.process_time()
        done = sum(await asyncio.gather(*(work(begun + RUN_S) for _ in range(connections))))
        return Speed(done / (time.perf_counter() - begun), 1e6 * (time.process_time() - cpu) / done)


def speed_of_curl(base: str, connections: int) -> Speed:
    command = ["curl", "-sf", "--parallel", "--parallel-max", str(connections), "-o", os.devnull]
    ended = run_measured([*command, f"{base}/[1-{CURL_TILES}].jpg"])
    if ended.code:
        raise SystemExit(f"curl ended with {ended.code}.")
    return Speed(CURL_TILES / ended.wall_s, 1e6 * ended.cpu_s / CURL_TILES)


def installed(opener: Opener) -> bool:
    async def open_and_close() -> None:
        async with AsyncExitStack() as stack:
            await opener(stack, 1)

    try:
        asyncio.run(open_and_close())
    except ImportError:
        return False
    return True


def measure(base: str, connections: int, rounds: int) -> None:
    found: dict[str, list[Speed]] = {CURL: []}
    for _ in range(rounds):
        found[CURL].append(speed_of_curl(base, connections))
        for name, opener in CONTENDERS.items():
            for loop, run in (("", asyncio.run), (" + uvloop", uvloop.run)):
                if installed(opener):
                    speed = run(speed_of(opener, base, connections))
                    found.setdefault(name + loop, []).append(speed)
    print(f"\n{connections} connections, {TILE_BYTES} bytes, {rounds} rounds: median (least to greatest)")
    print(f"{'':32}{'tiles/s':27}{'x curl':10}CPU us/tile")
    for name, speeds in found.items():
        ratio = statistics.median(
            speed.tiles_s / curl.tiles_s for speed, curl in zip(speeds, found[CURL], strict=True)
        )
        rate = [speed.tiles_s for speed in speeds]
        spread = f"{statistics.median(rate):.0f} ({min(rate):.0f} to {max(rate):.0f})"
        cpu = statistics.median(speed.cpu_us for speed in speeds)
        print(f"{name:32}{spread:27}{ratio:<10.2f}{cpu:.0f}")


def main() -> None:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        root.chmod(0o755)
        (root / "tile.jpg").write_bytes(os.urandom(TILE_BYTES))
        with file_server(root, "try_files /tile.jpg =404;") as port:
            for connections in (16, 32):
                measure(f"http://127.0.0.1:{port}", connections, rounds)


if __name__ == "__main__":
    main()
