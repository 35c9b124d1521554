"""What the hosts themselves say of being asked: their robots.txt, read before the first tile."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping

from packer.common.clock import Clock
from packer.errors import TermsError
from packer.fetching.hosts.host_identity import HostIdentity, SharedGate, robots_url
from packer.fetching.hosts.source import Source
from packer.fetching.transports import Transport
from packer.geometry.tileset import Tile
from packer.planning.brief import Brief
from packer.planning.plan import Plan

__all__ = ["Consent"]

_ANY = Tile(0, 0, 0)


class Consent:
    """The identity of each host of a run, and what its robots.txt permits. `identities` has them by its address."""

    def __init__(
        self,
        brief: Brief,
        plan: Plan,
        sources: Mapping[str, Source],
        gates: Mapping[str, SharedGate],
        transport: Transport,
        clock: Clock,
    ) -> None:
        self._brief, self._plan, self._sources = brief, plan, sources
        self.identities: dict[str, HostIdentity] = {}
        for name, source in sources.items():
            for place in map(robots_url, source.urls(_ANY)):
                if place not in self.identities:
                    self.identities[place] = HostIdentity(place, transport, gates[name].gate, clock)

    def identity(self, source: Source) -> HostIdentity:
        """The identity of a layer's first host."""
        return self.identities[robots_url(source.url(_ANY))]

    async def ask(self, stop: asyncio.Event) -> set[str]:
        """Read every robots.txt; the layers whose hosts answered for themselves. `stop` set ends it at once.

        Raises TermsError where a layer's tiles are disallowed; a host that cannot be reached, or a page in its
        place, disallows nothing. If cancelled: nothing is held.
        """
        asked = {w: asyncio.create_task(w.probe()) for w in self.identities.values()}
        stopping = asyncio.create_task(stop.wait())
        everything = asyncio.ensure_future(asyncio.wait(asked.values())) if asked else stopping
        try:
            await asyncio.wait([everything, stopping], return_when="FIRST_COMPLETED")
        finally:
            for task in (*asked.values(), everything, stopping):
                task.cancel()
            results = await asyncio.gather(*asked.values(), return_exceptions=True)
        for result in results:
            if isinstance(result, Exception):
                raise result
        for source in self._sources.values():
            if refusal := self.refusal(source):
                raise refusal
        sure = {w for w, result in zip(asked, results, strict=True) if result is True}
        return {name for name, source in self._sources.items() if self.identity(source) in sure}

    def refusal(self, source: Source) -> TermsError | None:
        """Why a layer may not be fetched by what its hosts' robots.txt say, as far as they were read."""
        if self._brief.layers[source.layer].permission_covers_robots:
            return None
        tiles = self._plan.layers[source.layer].tiles
        samples = [next(iter(tiles.at(zoom))) for zoom in tiles.zooms]
        for turn, url in enumerate(source.urls(_ANY)):
            identity = self.identities[robots_url(url)]
            tile = next((t for t in samples if identity.forbids([source.url(t, turn)]) is not None), None)
            if tile is not None:
                path, host = source.shown_path(tile), source.hosts[turn]
                return TermsError(
                    f'Layer "{source.layer}": the robots.txt of {host} disallows {path} '
                    "for tools such as this one, so its tiles are not asked for. If its owner permits you to "
                    "fetch them all the same, write permission-covers-robots = true below "
                    f"[layers.{source.layer}] in {self._brief.path}."
                )
        return None
