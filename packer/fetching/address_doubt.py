"""Doubt about a layer's address, where none of its first tiles exists: a trial through the run's gate settles it."""

from __future__ import annotations

from dataclasses import dataclass, replace

from packer.errors import NetworkError, TermsError
from packer.fetching.actions import StopLayer, StopReason
from packer.fetching.hosts.address_trial import AddressTrial, Finding, trial_tiles, try_address
from packer.fetching.hosts.host_identity import HostIdentity
from packer.fetching.hosts.tile_asker import TileAsker
from packer.geometry.tileset import TileSet

__all__ = ["AddressDoubt"]


@dataclass(frozen=True, slots=True)
class AddressDoubt:
    """Tries the address of one layer of a run."""

    asker: TileAsker
    planned: TileSet
    identity: HostIdentity

    async def is_right(self, since: float) -> tuple[bool | None, str]:
        """Whether the address gives tiles after all, None if nothing can tell, and what was found in words.

        That no address gives any counts only if the host itself has said so since then. If cancelled: nothing has
        changed.
        """
        found = await self._tried()
        reason = " ".join(found.sentences)
        if found.finding is Finding.NOT_ASKED:
            return None, reason
        if found.looks_wrong and found.better is None and not await self.identity.is_genuine(since):
            return None, reason
        return not found.looks_wrong, reason

    async def advised(self, stop: StopLayer | None) -> StopLayer | None:
        """A stop for want of any tile, with advice on the address; others as they are. If cancelled: nothing has
        changed."""
        if stop is None or stop.why is not StopReason.NO_TILE or stop.reason:
            return stop
        return replace(stop, reason=" ".join((await self._tried()).sentences))

    async def _tried(self) -> AddressTrial:
        source = self.asker.source
        template = source.address.template
        try:
            return await try_address(
                template,
                trial_tiles(self.planned),
                self.asker.ask,
                written=source.written,
                mend=bool(source.written),
            )
        except (NetworkError, TermsError):  # the run is being stopped, or a mended address is disallowed
            return AddressTrial(Finding.NOT_ASKED)
