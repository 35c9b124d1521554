"""Single tiles asked for outside a plan, for a look or a trial: by the terms, gate, transport and judge of a fetch."""

from __future__ import annotations

import asyncio
import os
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import replace
from datetime import datetime

from packer.common.clock import Clock, SystemClock
from packer.errors import NetworkError, TermsError
from packer.fetching.answers.judging import judge
from packer.fetching.answers.outcome import LinkDown, Outcome, RetryAfter, Stored, TileRules, TryAgain
from packer.fetching.hosts.host_identity import HostIdentity, gates_for, onward_gates, robots_url
from packer.fetching.hosts.layer_keys import layer_keys
from packer.fetching.hosts.onward_hosts import OnwardHosts
from packer.fetching.hosts.shared_caps import shared_caps
from packer.fetching.hosts.source import LIMIT_BYTES, Source
from packer.fetching.hosts.tile_requests import TileRequests
from packer.fetching.pacing.signals import Failed, Signal, Succeeded, Throttled, Unverified
from packer.fetching.transports import Response, Transport, TransportName, open_transport
from packer.geometry.tileset import Tile
from packer.planning.brief import Brief
from packer.planning.terms import check_layer, user_agent

__all__ = ["TileAsker", "open_asker"]

_ANY = Tile(0, 0, 0)


class TileAsker:
    """Asks one layer's server for single tiles. `forbids` says which path robots.txt disallows, or None.

    Any picture is taken for a tile, whatever kind and side the brief states.
    """

    def __init__(
        self,
        requests: TileRequests,
        clock: Clock,
        forbids: Callable[[str], str | None] = lambda _url: None,
    ) -> None:
        self.gate = requests.gate
        self._requests, self._clock, self._forbids = requests, clock, forbids
        self._rules = TileRules(None, self.source.rules.host, LIMIT_BYTES, None)

    @property
    def source(self) -> Source:
        """The layer as it is asked."""
        return self._requests.source

    async def tile(self, tile: Tile) -> Outcome:
        """What comes for a tile by the layer's own address. Raises as `ask`; if cancelled: as `ask`."""
        return await self.ask(self.source.address.template, 0, tile)

    async def ask(self, template: str, shift: int, tile: Tile) -> Outcome:
        """What comes for a tile by a template, with {z} shifted by so many zooms.

        Raises TermsError where robots.txt disallows it, NetworkError once the gate is closed. If cancelled: the
        permit is given back, the exchange is dropped.
        """
        matrices = {tile.zoom: str(tile.zoom + shift)} if shift else self.source.address.matrices
        url = replace(self.source.address, template=template, matrices=matrices).url(tile)
        if self._forbids(url) is not None:
            raise _disallowed(self.source, self.source.shown_path(tile))
        permit = await self.gate.enter()
        if permit is None:
            raise NetworkError(f'Layer "{self.source.layer}": nothing is asked of its server just now.')
        exchange = self._requests.begin(permit)
        try:
            await self._requests.send(tile, url, {}, exchange, lambda gate: gate.deadline_s(first=True))
        except BaseException:
            exchange.drop()
            raise
        if exchange.refusal is not None or exchange.lapsed or exchange.result is None:
            exchange.drop()
            raise exchange.refusal or NetworkError(
                f'Layer "{self.source.layer}": the host that its tiles are sent on to was not free in time.'
            )
        outcome = exchange.meaning or judge(exchange.result, self._rules, self._clock.wall())
        outcome = exchange.without_echo(self.source.without_echo(outcome))
        explicit = isinstance(exchange.result, Response) and exchange.result.status == 429
        exchange.report(_signal(outcome, explicit))
        return outcome


def _signal(outcome: Outcome, explicit: bool) -> Signal:
    match outcome:
        case Stored():
            return Succeeded(len(outcome.data))
        case RetryAfter():
            return Throttled(outcome.reason, outcome.seconds, explicit)
        case LinkDown():
            return Failed(outcome.reason)
        case TryAgain():
            return Failed(outcome.reason, by_server=True)
        case _:
            return Unverified()


def _disallowed(source: Source, path: str) -> TermsError:
    return TermsError(
        f'Layer "{source.layer}": the robots.txt of {source.host} disallows {path} for tools such as this one, so '
        "its tiles are not asked for. If its owner permits you to fetch them all the same, write "
        "permission-covers-robots = true below the layer."
    )


@asynccontextmanager
async def open_asker(
    brief: Brief,
    name: str,
    *,
    transport: TransportName | None = None,
    environment: Mapping[str, str] | None = None,
    clock: Clock | None = None,
    make_transport: Callable[..., Transport] = open_transport,
) -> AsyncIterator[TileAsker]:
    """An asker for a layer of a brief, once its terms and its host's robots.txt allow it.

    Caps are the layer's own, or the lowest of all layers of the brief at the same host. Raises TermsError and
    BriefError as a fetch does. If cancelled: everything is closed.
    """
    clock = clock or SystemClock()
    environment = os.environ if environment is None else environment
    source = (await asyncio.to_thread(layer_keys, brief, brief.layers[name], environment)).source
    urls = source.urls(_ANY)
    check_layer(brief, brief.layers[name], urls, datetime.fromtimestamp(clock.wall()).date())
    gates = gates_for(brief, {name: source}, clock)
    onward = onward_gates(brief, {name: source}, gates, clock)
    every = list({id(one): one for one in (gates[name], *onward.values())}.values())
    cap = sum(one.cap for one in every)
    client = make_transport(transport, connections=cap, user_agent=user_agent(brief.contact))
    async with AsyncExitStack() as stack:
        stack.push_async_callback(client.aclose)
        for one in every:
            stack.callback(one.gate.close)
        await stack.enter_async_context(shared_caps(every, clock, client))
        identities = [HostIdentity(robots_url(url), client, gates[name].gate, clock) for url in urls]
        known = {robots_url(u): i for u, i in zip(urls, identities, strict=True)}
        if not brief.layers[name].permission_covers_robots:
            for identity in known.values():
                await identity.probe()

        def forbids(url: str) -> str | None:
            if brief.layers[name].permission_covers_robots:
                return None
            return next((path for i in identities if (path := i.forbids([url])) is not None), None)

        hosts = OnwardHosts(onward, known, client, clock)
        gate = gates[name].gate
        requests = TileRequests(brief.layers[name], source, gate, identities[0], client, clock, hosts)
        yield TileAsker(requests, clock, forbids)
