"""Lastbar: map tiles into offline packs, resumed tile-exact and proven complete before signal is lost.

    from packer import Brief, fetch, plan, verify

    brief = Brief.read("brief.toml")
    tiles = plan(brief)
    fetch(brief, tiles)
    assert verify(brief, tiles).ready

Each long job has a form that blocks, such as `fetch`, and one to be awaited, `fetch_async`; all of them take `stop`,
a `StopSignal`, and `on_progress`, which gets a `Progress`. Every error raised on purpose is a `LastbarError`. Names are
loaded on first use, so that importing the package costs nothing. docs/api.md has it by task.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from packer.version import __version__

if TYPE_CHECKING:
    from packer.common.stop_signal import StopSignal
    from packer.errors import (
        AnswerError,
        BriefError,
        DiskError,
        InputError,
        LastbarError,
        NetworkError,
        PlanError,
        StoppedError,
        StoreBusyError,
        StoreError,
        TermsError,
    )
    from packer.fetching.job import (
        fetch,
        fetch_async,
        read_offers,
        read_offers_async,
    )
    from packer.fetching.job_progress import Progress
    from packer.fetching.pacing.speed_limit import SpeedLimit
    from packer.fetching.reports import Alarm, FetchReport, LayerProgress, LayerReport, Options
    from packer.geometry.tileset import RowRun, Tile, TileSet
    from packer.handover.delivery import Copy, HandoverReport
    from packer.handover.inspection import InspectReport
    from packer.handover.job import hand_over, hand_over_async, inspect, inspect_async
    from packer.handover.manifest import Manifest
    from packer.handover.tree_inspection import CardVerdict, FolderFinding, InspectionSummary
    from packer.planning.brief import Brief
    from packer.planning.plan import AreaPlan, LayerPlan, Plan, plan
    from packer.proof.job import verify, verify_async
    from packer.proof.results import Depth, LayerFindings, Verdict, VerifyReport
    from packer.survey.inspection import AreaFinding, LayerFinding, SurveyReport
    from packer.survey.job import survey_imagery, survey_imagery_async

_HOMES = {
    "packer.fetching.job": (
        "fetch",
        "fetch_async",
        "read_offers",
        "read_offers_async",
    ),
    "packer.handover.job": (
        "hand_over",
        "hand_over_async",
        "inspect",
        "inspect_async",
    ),
    "packer.proof.job": ("verify", "verify_async"),
    "packer.fetching.job_progress": ("Progress",),
    "packer.survey.job": ("survey_imagery", "survey_imagery_async"),
    "packer.common.stop_signal": ("StopSignal",),
    "packer.errors": (
        "AnswerError",
        "BriefError",
        "DiskError",
        "InputError",
        "LastbarError",
        "NetworkError",
        "PlanError",
        "StoppedError",
        "StoreBusyError",
        "StoreError",
        "TermsError",
    ),
    "packer.fetching.pacing.speed_limit": ("SpeedLimit",),
    "packer.fetching.reports": ("Alarm", "FetchReport", "LayerProgress", "LayerReport", "Options"),
    "packer.geometry.tileset": ("RowRun", "Tile", "TileSet"),
    "packer.handover.delivery": ("Copy", "HandoverReport"),
    "packer.handover.inspection": ("InspectReport",),
    "packer.handover.tree_inspection": ("CardVerdict", "FolderFinding", "InspectionSummary"),
    "packer.handover.manifest": ("Manifest",),
    "packer.planning.brief": ("Brief",),
    "packer.planning.plan": ("AreaPlan", "LayerPlan", "Plan", "plan"),
    "packer.proof.results": ("Depth", "LayerFindings", "Verdict", "VerifyReport"),
    "packer.survey.inspection": ("AreaFinding", "LayerFinding", "SurveyReport"),
}
_HOME = {name: module for module, names in _HOMES.items() for name in names}

__all__ = [
    "Alarm",
    "AnswerError",
    "AreaFinding",
    "AreaPlan",
    "Brief",
    "BriefError",
    "CardVerdict",
    "Copy",
    "Depth",
    "DiskError",
    "FetchReport",
    "FolderFinding",
    "HandoverReport",
    "InputError",
    "InspectReport",
    "InspectionSummary",
    "LastbarError",
    "LayerFinding",
    "LayerFindings",
    "LayerPlan",
    "LayerProgress",
    "LayerReport",
    "Manifest",
    "NetworkError",
    "Options",
    "Plan",
    "PlanError",
    "Progress",
    "RowRun",
    "SpeedLimit",
    "StopSignal",
    "StoppedError",
    "StoreBusyError",
    "StoreError",
    "SurveyReport",
    "TermsError",
    "Tile",
    "TileSet",
    "Verdict",
    "VerifyReport",
    "__version__",
    "fetch",
    "fetch_async",
    "hand_over",
    "hand_over_async",
    "inspect",
    "inspect_async",
    "plan",
    "read_offers",
    "read_offers_async",
    "survey_imagery",
    "survey_imagery_async",
    "verify",
    "verify_async",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'packer' has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return __all__
