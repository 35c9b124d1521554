"""The other hosts that a layer's tiles may be sent on to: each with its gate, its identity and its robots.txt."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping

from packer.common.clock import Clock
from packer.fetching.hosts.host_identity import HostIdentity, SharedGate, robots_url
from packer.fetching.pacing.gate import Gate
from packer.fetching.transports import Transport
from packer.sources.own_names import capped_host

__all__ = ["OnwardHosts"]


class OnwardHosts:
    """The hosts of a run beyond those of the layers' own addresses.

    `gates` are theirs, by the name that `capped_host` gives a host. `identities`, by the address of robots.txt, may
    hold those of the layers' own hosts already.
    """

    def __init__(
        self,
        gates: Mapping[str, SharedGate],
        identities: dict[str, HostIdentity],
        transport: Transport,
        clock: Clock,
    ) -> None:
        self._gates, self._identities = gates, identities
        self._transport, self._clock = transport, clock
        self._asking = asyncio.Lock()
        self._asked = set(identities)  # of these it was read at the start

    def gate(self, host: str) -> Gate | None:
        """The gate before a host, given with its port; None for one that has none here."""
        shared = self._gates.get(capped_host(host))
        return None if shared is None else shared.gate

    def gates_of(self, named: tuple[str, ...]) -> list[Gate]:
        """The gates before the hosts that a brief names for a layer."""
        return [gate for host in named if (gate := self.gate(host)) is not None]

    def identity(self, url: str, gate: Gate) -> HostIdentity:
        """The identity of the host that an address leads to."""
        place = robots_url(url)
        if place not in self._identities:
            self._identities[place] = HostIdentity(place, self._transport, gate, self._clock)
        return self._identities[place]

    async def forbids(self, url: str, gate: Gate) -> str | None:
        """The path that the robots.txt of an address's host disallows, None if it does not. The file is read before the
        first tile is asked for there; a host that does not give it disallows nothing. If cancelled: it is read by who
        asks next."""
        identity, place = self.identity(url, gate), robots_url(url)
        if place not in self._asked:
            async with self._asking:
                if place not in self._asked:
                    await identity.probe()
                    self._asked.add(place)
        return identity.forbids([url])
