#!/usr/bin/env python3
"""How much of a link and of the connections allowed a fetch uses, beside a greedy client, in virtual time.

    python -m scripts.bench_links

A link is a model: one bandwidth for all connections, on which answers take turns, a round trip before each
answer, and one more to make a connection, two with TLS 1.3 (RFC 8446). The greedy client asks for robots.txt as
well, and then keeps every connection busy from the first moment on. It can still be slower than a fetch: on a full
link its answers come to their end together, and the link lies idle while the next requests travel. The fetch is the
real one, with its queue, gate, policy and packs. Virtual time knows no processor: what is seen is the pacing alone.
"""

from __future__ import annotations

import argparse
import asyncio
import random
import tempfile
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from packer.fetching.reports import Options
from packer.fetching.run import run_fetch
from packer.fetching.transports import Response, Result
from packer.geometry.tileset import Tile
from packer.planning.brief import Brief
from packer.planning.plan import plan
from tests.fakes import VirtualClock

BRIEF = """
title = "Link"
overview = false
contact = "maps@example.org"
[layers.aerial]
url = "{scheme}://tiles.example.org/{{z}}/{{x}}/{{y}}.png"
attribution = "none"
permission = "A model"
zooms = [15, 15]
connections = {connections}
requests-per-second = 100000
[[areas]]
name = "block"
box = [12.0, 47.0, 13.6, 48.0]
deepest = 15
"""
BODY_BYTES = 15_000
SECONDS = 11.0
BEGINS = 1000.0  # what the virtual clock says at its start
HEAD_BYTES = 300


@dataclass(frozen=True)
class LinkModel:
    """A link, with `trips` round trips to make a connection, and a server that takes a while for each answer."""

    name: str
    bits_per_second: float
    round_trip_s: float
    trips: int = 1
    thinks_s: float = 0.005


LINKS = [
    LinkModel("satellite, 50 Mbit/s, 600 ms", 50e6, 0.6),
    LinkModel("satellite with TLS, 50 Mbit/s, 600 ms", 50e6, 0.6, 2),
    LinkModel("satellite, slow, 2 Mbit/s, 600 ms", 2e6, 0.6),
    LinkModel("tether, 4 Mbit/s, 150 ms", 4e6, 0.15),
    LinkModel("hotel, 20 Mbit/s, 30 ms", 20e6, 0.03),
    LinkModel("100 Mbit/s, 30 ms", 100e6, 0.03),
    LinkModel("300 Mbit/s, 30 ms", 300e6, 0.03),
    LinkModel("own server, 1 Gbit/s, 5 ms", 1e9, 0.005, 1, 0.001),
]


def picture(number: int) -> bytes:
    """A PNG of just so many bytes, each one another."""
    head = b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", (256).to_bytes(4) * 2 + bytes([8, 0, 0, 0, 0]))
    rows = zlib.compress(bytes(257 * 256))
    rest = BODY_BYTES - len(head) - len(rows) - 36
    text = b"n\0" + number.to_bytes(8) + bytes(rest - 10)
    return head + _chunk(b"tEXt", text) + _chunk(b"IDAT", rows) + _chunk(b"IEND", b"")


def _chunk(kind: bytes, data: bytes) -> bytes:
    return len(data).to_bytes(4) + kind + data + zlib.crc32(kind + data).to_bytes(4)


@dataclass
class LinkTransport:
    """Answers through a link. `came` are the moments at which tiles came, `most` the requests under way at once."""

    clock: VirtualClock
    link: LinkModel
    came: list[float] = field(default_factory=list)
    busy: list[tuple[float, int]] = field(default_factory=list)
    _idle: int = 0
    _under_way: int = 0
    _free_at: float = 0.0
    _chance: random.Random = field(default_factory=lambda: random.Random(5))

    def __call__(self, *_: object, **__: object) -> LinkTransport:
        return self

    async def fetch(
        self, url: str, _headers: Mapping[str, str], _deadline_s: float, _limit_bytes: int
    ) -> Result:
        link, clock = self.link, self.clock
        warm, self._idle = self._idle > 0, max(self._idle - 1, 0)
        self._under_way += 1
        self.busy.append((clock.now(), self._under_way))
        trips = 1 if warm else 1 + link.trips
        thinks_s = link.thinks_s * (0.5 + self._chance.random())
        await clock.sleep(trips * link.round_trip_s + thinks_s)
        tile = not url.endswith("/robots.txt")
        size = HEAD_BYTES + (BODY_BYTES if tile else 0)
        for burst in range(0, size, 14_600):  # the first window of TCP (RFC 6928)
            through_s = min(14_600, size - burst) * 8 / link.bits_per_second
            self._free_at = max(self._free_at, clock.now()) + through_s
            await clock.sleep(self._free_at - clock.now())
        self._idle += 1
        self._under_way -= 1
        if not tile:
            return Response(404, {"content-length": "0"}, b"")
        self.came.append(clock.now())
        body = picture(len(self.came))
        return Response(200, {"content-type": "image/png", "content-length": str(len(body))}, body)

    async def aclose(self) -> None:
        """There is nothing to close."""


def fetched(link: LinkModel, connections: int, seconds: float) -> LinkTransport:
    """What the real fetch does in so many seconds."""

    async def go() -> LinkTransport:
        with tempfile.TemporaryDirectory() as name:
            path = Path(name) / "brief.toml"
            path.write_text(
                BRIEF.format(connections=connections, scheme="https" if link.trips > 1 else "http")
            )
            brief = Brief.read(path)
            async with VirtualClock() as clock:
                transport = LinkTransport(clock, link)
                options = Options(for_s=seconds * 1.5 + 8, keep_awake=False)  # some is kept back for the end
                await run_fetch(brief, plan(brief), options, clock=clock, make_transport=transport)
                return transport

    return asyncio.run(go())


def greedy(link: LinkModel, connections: int, seconds: float) -> LinkTransport:
    """What a client does that has every connection busy."""

    async def go() -> LinkTransport:
        async with VirtualClock() as clock:
            transport, end = LinkTransport(clock, link), clock.now() + seconds
            await transport.fetch("https://tiles.example.org/robots.txt", {}, 60, 1)

            async def work() -> None:
                while clock.now() < end:
                    await transport.fetch(f"https://tiles.example.org/{Tile(15, 0, 0)}", {}, 60, 1)

            async with asyncio.TaskGroup() as group:
                for _ in range(connections):
                    group.create_task(work())
            return transport

    return asyncio.run(go())


def within(transport: LinkTransport, seconds: float) -> int:
    return sum(1 for moment in transport.came if moment <= BEGINS + seconds)


def measured(link: LinkModel, connections: int, seconds: float) -> tuple[float, float | None]:
    """The share of a greedy client's tiles within so many seconds, and when all connections were busy first."""
    ours, theirs = fetched(link, connections, seconds), greedy(link, connections, seconds)
    full = next((at - BEGINS for at, busy in ours.busy if busy >= connections), None)
    return within(ours, seconds) / within(theirs, seconds), full


def lines(only: str = "") -> Iterator[str]:
    """One for each link whose name has `only` in it and each number of connections."""
    for link in LINKS:
        if only in link.name:
            seconds = SECONDS if link.bits_per_second < 5e8 else 2.0
            for connections in (8, 16, 32):
                share, full = measured(link, connections, seconds)
                filled = f"after {full:.2f} s" if full is not None else "never"
                yield f"{link.name}, {connections} connections: {share:.3f}; all of them busy {filled}"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--only", default="", help="links whose name has this in it")
    print(f"share of a greedy client's tiles within {SECONDS:g} s, of the fastest link within 2 s")
    for line in lines(parser.parse_args().only):
        print(f"  {line}", flush=True)


if __name__ == "__main__":
    main()
