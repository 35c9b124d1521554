"""The fetch: from a plan and a pack to a fuller pack, over one door and through one writer."""

from packer.fetching.reports import (
    Alarm,
    Departure,
    FetchReport,
    LayerProgress,
    LayerReport,
    Options,
    Standing,
)
from packer.fetching.run import fetch, run_fetch

__all__ = [
    "Alarm",
    "Departure",
    "FetchReport",
    "LayerProgress",
    "LayerReport",
    "Options",
    "Standing",
    "fetch",
    "run_fetch",
]
