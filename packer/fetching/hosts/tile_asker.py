"""Single tiles asked for outside a plan, for a look or a trial: by the terms, gate, transport and judge of a fetch."""

from __future__ import annotations

import os
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import replace
from datetime import datetime

from packer.common.clock import Clock, SystemClock
from packer.errors import NetworkError, TermsError
from packer.fetching.answers.judging import judge
from packer.fetching.answers.outcome import LinkDown, Outcome, RetryAfter, Stored, TileRules, TryAgain
from packer.fetching.hosts.host_identity import HostIdentity, gates_for, robots_url
from packer.fetching.hosts.shared_caps import shared_caps
from packer.fetching.hosts.source import LIMIT_BYTES, Source, source_for
from packer.fetching.pacing.gate import Gate
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
        source: Source,
        gate: Gate,
        transport: Transport,
        clock: Clock,
        forbids: Callable[[str], str | None] = lambda _url: None,
    ) -> None:
        self.source, self.gate = source, gate
        self._transport, self._clock, self._forbids = transport, clock, forbids
        self._rules = TileRules(None, source.rules.host, LIMIT_BYTES, None)

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
        deadline_s = self.gate.deadline_s(first=True)
        try:
            self.gate.sent(permit)
            result = await self._transport.fetch(url, self.source.headers, deadline_s, LIMIT_BYTES)
        except BaseException:
            self.gate.drop(permit)
            raise
        outcome = self.source.without_echo(judge(result, self._rules, self._clock.wall()))
        self.gate.report(permit, _signal(outcome, isinstance(result, Response) and result.status == 429))
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
    source = source_for(brief, brief.layers[name], environment)
    urls = source.urls(_ANY)
    check_layer(brief, brief.layers[name], urls, datetime.fromtimestamp(clock.wall()).date())
    gates = gates_for(brief, {name: source}, clock)
    client = make_transport(transport, connections=gates[name].cap, user_agent=user_agent(brief.contact))
    async with AsyncExitStack() as stack:
        stack.push_async_callback(client.aclose)
        stack.callback(gates[name].gate.close)
        await stack.enter_async_context(shared_caps([gates[name]], clock, client))
        identities = [HostIdentity(robots_url(url), client, gates[name].gate, clock) for url in urls]
        if not brief.layers[name].permission_covers_robots:
            for identity in {robots_url(u): i for u, i in zip(urls, identities, strict=True)}.values():
                await identity.probe()

        def forbids(url: str) -> str | None:
            if brief.layers[name].permission_covers_robots:
                return None
            return next((path for i in identities if (path := i.forbids([url])) is not None), None)

        yield TileAsker(source, gates[name].gate, client, clock, forbids)
