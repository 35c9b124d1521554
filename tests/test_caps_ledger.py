"""The caps of a host by the ledger of its server, over everything that asks it: descriptions, four layers, retries, a
refresh, a survey and a measurement, in three processes at once that spell the host in five ways.

The processes are runs on one clock that jumps, each with its own gates; the record that they share is a real file. The
server is one for all, and each request takes its time to it, on a new connection more.
"""

from __future__ import annotations

import asyncio
import json
import random
from bisect import bisect_left
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from packer.fetching.hosts import shared_caps
from packer.fetching.hosts.offer_reading import read_offers
from packer.fetching.reports import Options
from packer.fetching.run import run_fetch
from packer.fetching.transports import Response, Result
from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.survey.inspection import chosen, fetch_samples
from packer.survey.pace import measure
from tests.fakes import ScriptedTransport, VirtualClock, no_tile, tile_answer

CONNECTIONS, PER_SECOND = 3, 6
SPELLINGS = ["localhost:8080", "127.0.0.1:8080", "l%6Fcalhost:8080", "LOCALHOST.:8080", "[::1]:8080"]
ROUND_TRIP_S = 0.04
DAY_S = 86_400.0


def brief_at(folder: Path, hosts: list[str], described: int = 0) -> Brief:
    """A brief with a layer at each host, of which the first ones are described by TileJSON."""
    folder.mkdir()
    layers = "".join(
        f"[layers.l{n}]\n"
        + (
            f'tilejson = "http://{host}/l{n}.json"\n'
            if n < described
            else f'url = "http://{host}/l{n}/{{z}}/{{x}}/{{y}}.png"\n'
        )
        + 'attribution = "A (invented)"\npermission = "Own server"\nzooms = [9, 12]\n'
        f"connections = {CONNECTIONS}\nrequests-per-second = {PER_SECOND}\n"
        for n, host in enumerate(hosts)
    )
    area = '[[areas]]\nname = "g"\nbox = [12.30, 47.01, 12.38, 47.09]\ndeepest = 12\n'
    (folder / "brief.toml").write_text(f'title = "T"\noverview = false\n{layers}{area}', encoding="utf-8")
    return Brief.read(folder / "brief.toml")


class Ledger:
    """What the server sees: when each request arrives, for what, and how many are open at once."""

    def __init__(self, clock: VirtualClock) -> None:
        self.clock, self.chance = clock, random.Random(9)
        self.arrivals: list[tuple[float, str]] = []
        self.open = self.most_open = 0
        self.busy: set[str] = set()

    def transport(self, *_: object, **__: object) -> OneProcess:
        return OneProcess(self)

    def answer(self, url: str) -> Result:
        path = url.split("/", 3)[3]
        self.arrivals.append((self.clock.now(), path))
        if path.endswith(".json"):
            tiles = [url.removesuffix(".json") + "/{z}/{x}/{y}.png"]
            body = json.dumps({"tilejson": "3.0.0", "tiles": tiles}).encode()
            return Response(200, {"content-type": "application/json", "content-length": str(len(body))}, body)
        if path.endswith("robots.txt"):
            return no_tile(404)
        if path not in self.busy and self.chance.random() < 0.1:  # asked for again
            self.busy.add(path)
            return no_tile(500)
        return tile_answer(path)  # type: ignore[arg-type]  # whatever names the picture


class OneProcess(ScriptedTransport):
    """The transport of one process: connections are made when needed, and kept."""

    def __init__(self, ledger: Ledger) -> None:
        super().__init__(ledger.clock, lambda tile, *_: tile_answer(tile))
        self.ledger, self.idle = ledger, 0

    def drop_idle(self) -> None:
        self.ledger.open -= self.idle
        self.idle = 0

    async def fetch(
        self, url: str, headers: Mapping[str, str], deadline_s: float, limit_bytes: int
    ) -> Result:
        ledger, trips = self.ledger, 0.5 if self.idle else 3.5  # TCP and TLS come first, as on a real link
        if self.idle:
            self.idle -= 1
        else:
            ledger.open += 1
        ledger.most_open = max(ledger.most_open, ledger.open)
        await self.clock.sleep(trips * ROUND_TRIP_S + 0.07 * ledger.chance.random())
        answer = ledger.answer(url)
        await self.clock.sleep(ROUND_TRIP_S / 2 + 0.2 * ledger.chance.random() ** 4)
        self.idle += 1
        return answer

    async def aclose(self) -> None:
        self.drop_idle()


async def described_and_fetched(brief: Brief, ledger: Ledger) -> None:
    found, remarks = await read_offers(brief, clock=ledger.clock, make_transport=ledger.transport)
    assert not remarks
    assert (await run_fetch(found, plan(found), clock=ledger.clock, make_transport=ledger.transport)).complete


async def refreshed(brief: Brief, ledger: Ledger) -> None:
    asked = plan(brief)
    for options in (Options(), Options(refresh_older_s=0.001)):
        report = await run_fetch(brief, asked, options, clock=ledger.clock, make_transport=ledger.transport)
    assert report.layers["l0"].refresh["stale"] > 0


async def surveyed_and_measured(brief: Brief, ledger: Ledger) -> None:
    asked = plan(brief)
    assert await fetch_samples(brief, asked, chosen(asked, 6, "seed")) is not None
    assert await measure(brief, asked, make_transport=ledger.transport, now=ledger.clock.now) is not None


def test_by_the_servers_ledger_no_second_and_no_moment_sees_more_than_the_caps(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setattr(shared_caps, "SystemClock", VirtualClock)
    fetch = brief_at(tmp_path / "fetch", SPELLINGS[:4], described=2)
    refresh = brief_at(tmp_path / "refresh", [SPELLINGS[4]])
    survey = brief_at(tmp_path / "survey", [SPELLINGS[1], SPELLINGS[2]])

    async def go() -> Ledger:
        async with VirtualClock() as clock, asyncio.timeout(60):
            ledger = Ledger(clock)
            # A survey and a measurement take neither clock nor transport for the fetch inside them.
            defaults: dict[str, Any] = run_fetch.__kwdefaults__ or {}
            monkeypatch.setitem(defaults, "make_transport", ledger.transport)
            monkeypatch.setattr("packer.fetching.run.SystemClock", lambda: clock)
            await asyncio.gather(
                described_and_fetched(fetch, ledger),
                refreshed(refresh, ledger),
                surveyed_and_measured(survey, ledger),
            )
            return ledger

    ledger = asyncio.run(go())
    kinds = {path.partition("/")[0].partition(".")[2] or "tile" for _, path in ledger.arrivals}
    assert kinds == {"tile", "json", "txt"}
    assert ledger.busy, "some were asked for again"
    assert ledger.most_open <= CONNECTIONS
    times = [at for at, _ in ledger.arrivals]
    assert times == sorted(times)
    most = max(bisect_left(times, at + 1.0) - n for n, at in enumerate(times))
    assert most <= PER_SECOND
    assert len(times) / (times[-1] - times[0]) > PER_SECOND / 2, "and the caps are made use of"
