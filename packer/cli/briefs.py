"""The brief of a command, with what its servers offer filled in: as kept beside the packs, or read from them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from packer.cli.output import warn
from packer.planning.brief import Brief
from packer.planning.offers import apply_offers, cached_offers, offers_missing_error

if TYPE_CHECKING:
    from packer.fetching.transports import TransportName

__all__ = ["brief_at", "brief_with_fresh_offers", "brief_with_offers"]


def brief_at(path: Path, store: Path | None = None) -> Brief:
    """Read a brief without touching the network. Raises BriefError, also where an offer was never read."""
    brief = _with_cached(path, store)
    if lacking := [name for name, layer in brief.layers.items() if not layer.has_address]:
        raise offers_missing_error(brief, lacking)
    return brief


def brief_with_offers(path: Path, store: Path | None = None, transport: TransportName | None = None) -> Brief:
    """As `brief_at`, but offers that were never read are read from the servers now, and cached.

    If the process dies: each layer's old offer or its new one.
    """
    brief = _with_cached(path, store)
    lacking = [name for name, layer in brief.layers.items() if not layer.has_address]
    for name in lacking:
        warn(f'Asking the server of layer "{name}" what it offers.')
    return _read(brief, store, lacking, transport)


def brief_with_fresh_offers(
    path: Path, store: Path | None = None, transport: TransportName | None = None
) -> Brief:
    """Read a brief and what its servers offer now; where a server cannot be reached, its cached offer counts.

    If the process dies: each layer's old offer or its new one.
    """
    brief = Brief.read(path)
    return _read(brief, store, [name for name, layer in brief.layers.items() if layer.offered_at], transport)


def _with_cached(path: Path, store: Path | None) -> Brief:
    brief = Brief.read(path)
    return apply_offers(brief, cached_offers(brief, store or brief.store_folder))


def _read(brief: Brief, store: Path | None, names: list[str], transport: TransportName | None) -> Brief:
    if not names:
        return brief
    import asyncio

    from packer.fetching.hosts.offer_reading import (
        read_offers,  # the network's libraries load only where they are needed
    )

    brief, notes = asyncio.run(read_offers(brief, store, only=names, transport=transport))
    for note in notes:
        warn(f"Note: {note}")
    return brief
