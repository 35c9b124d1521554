"""The brief of a command, with what its servers offer filled in: as kept beside the packs, or read from them."""

from __future__ import annotations

from pathlib import Path

from packer.cli.output import warn
from packer.planning.brief import Brief
from packer.planning.offers import kept, settled, unread

__all__ = ["brief_at", "brief_read_anew", "brief_read_once"]


def brief_at(path: Path, store: Path | None = None) -> Brief:
    """Read a brief without touching the network. Raises BriefError, also where an offer was never read."""
    brief = _with_kept(path, store)
    if lacking := [name for name, layer in brief.layers.items() if not layer.is_settled]:
        raise unread(brief, lacking)
    return brief


def brief_read_once(path: Path, store: Path | None = None) -> Brief:
    """As `brief_at`, but what was never read is read from the servers now, and kept.

    If the process dies: each layer's old offer or its new one.
    """
    brief = _with_kept(path, store)
    lacking = [name for name, layer in brief.layers.items() if not layer.is_settled]
    for name in lacking:
        warn(f'Reading what the server of layer "{name}" offers.')
    return _read(brief, store, lacking)


def brief_read_anew(path: Path, store: Path | None = None) -> Brief:
    """Read a brief, and from the servers what they offer now; what they offered before where they are not there.

    If the process dies: each layer's old offer or its new one.
    """
    brief = Brief.read(path)
    return _read(brief, store, [name for name, layer in brief.layers.items() if layer.offered_at])


def _with_kept(path: Path, store: Path | None) -> Brief:
    brief = Brief.read(path)
    return settled(brief, kept(brief, store or brief.store_folder))


def _read(brief: Brief, store: Path | None, names: list[str]) -> Brief:
    if not names:
        return brief
    import asyncio

    from packer.fetching.hosts.offer_reading import (
        read_offers,  # the network's libraries load only where they are needed
    )

    brief, remarks = asyncio.run(read_offers(brief, store, only=names))
    for remark in remarks:
        warn(f"Note: {remark}")
    return brief
