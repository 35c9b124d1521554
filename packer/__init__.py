"""Lastbar: map tiles into offline packs, resumed tile-exact and proven complete before signal is lost.

    from packer import Brief, fetch, plan, verify

    brief = Brief.read("brief.toml")
    tiles = plan(brief)
    fetch(brief, tiles)
    assert verify(brief, tiles).ready

`fetch` runs an event loop of its own; inside a running one, await `run_fetch` instead. Every error raised on
purpose is a `LastbarError`. Names are loaded on first use, so that importing the package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from packer.version import __version__

if TYPE_CHECKING:
    from packer.errors import (
        AnswerError,
        BriefError,
        DiskError,
        InputError,
        LastbarError,
        NetworkError,
        PlanError,
        StoreBusyError,
        StoreError,
        TermsError,
    )
    from packer.fetching.hosts.offer_reading import read_offers
    from packer.fetching.reports import FetchReport, Options
    from packer.fetching.run import fetch, run_fetch
    from packer.geometry.tileset import RowRun, Tile, TileSet
    from packer.planning.brief import Brief
    from packer.planning.plan import Plan, plan
    from packer.proof.proving import verify
    from packer.proof.results import VerifyReport

__all__ = [
    "AnswerError",
    "Brief",
    "BriefError",
    "DiskError",
    "FetchReport",
    "InputError",
    "LastbarError",
    "NetworkError",
    "Options",
    "Plan",
    "PlanError",
    "RowRun",
    "StoreBusyError",
    "StoreError",
    "TermsError",
    "Tile",
    "TileSet",
    "VerifyReport",
    "__version__",
    "fetch",
    "plan",
    "read_offers",
    "run_fetch",
    "verify",
]

_HOMES = {
    "packer.planning.brief": ("Brief",),
    "packer.errors": tuple(name for name in __all__ if name.endswith("Error")),
    "packer.fetching.reports": ("FetchReport", "Options"),
    "packer.fetching.run": ("fetch", "run_fetch"),
    "packer.fetching.hosts.offer_reading": ("read_offers",),
    "packer.planning.plan": ("Plan", "plan"),
    "packer.proof.proving": ("verify",),
    "packer.proof.results": ("VerifyReport",),
    "packer.geometry.tileset": ("RowRun", "Tile", "TileSet"),
}
_HOME = {name: module for module, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'packer' has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)
