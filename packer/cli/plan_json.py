"""The JSON document of `lastbar plan`."""

from __future__ import annotations

from typing import Any

from packer.cli.worked_plan import WorkedPlan
from packer.geometry.grid import metres_per_pixel
from packer.planning.brief import Brief
from packer.planning.plan import Plan
from packer.planning.whereabouts import where_json
from packer.survey.estimate import OVERHEAD, LayerEstimate
from packer.survey.tradeoffs import Figures, Fit

__all__ = ["plan_json", "sizes_json"]


def plan_json(brief: Brief, worked_out: Plan, remarks: list[str]) -> dict[str, Any]:
    """The plan as one document, with notes on it. It has no address and no key in it."""
    return {"title": brief.title} | worked_out.to_dict() | {"remarks": remarks}


def sizes_json(worked: WorkedPlan) -> dict[str, Any]:
    found = worked.estimate
    latitude = worked.plan.middle[1]
    return {
        "layers": {
            name: asked.to_dict() | _layer_weights_json(found.layers[name], latitude, asked.tile_px)
            for name, asked in worked.plan.layers.items()
        },
        "sources": {
            name: {"tiles": one.count("tiles")} | _counts_json(one)
            for name, one in found.layers.items()
            if name not in worked.plan.layers
        },
        "bytes": found.bytes.to_dict(),
        "to_fetch": {"tiles": found.missing, "requests": found.requests, "bytes": found.to_fetch.to_dict()},
        "disk": {"needed": round(found.disk.expected * OVERHEAD), "free": worked.free_bytes},
        "time": _time_json(worked),
        "where": where_json(worked.plan),
        "warnings": worked.warnings,
        "crews": [crew.to_dict() for crew in worked.crews],
        "fit": None if worked.fit is None else _fit_json(worked.fit),
    }


def _counts_json(layer: LayerEstimate) -> dict[str, Any]:
    return {
        "stored": layer.count("held"),
        "absent": layer.count("absent"),
        "bytes": layer.bytes.to_dict(),
    }


def _layer_weights_json(layer: LayerEstimate, latitude: float, tile_px: int) -> dict[str, Any]:
    return {
        **_counts_json(layer),
        "zooms": {
            str(zoom): {
                "tiles": one.tiles,
                "stored": one.held,
                "absent": one.absent,
                "bytes": one.bytes.to_dict(),
                "metres_per_pixel": round(metres_per_pixel(zoom, latitude, tile_px), 3),
            }
            for zoom, one in layer.zooms.items()
        },
    }


def _time_json(worked: WorkedPlan) -> dict[str, Any] | None:
    if worked.speed is None:
        return None
    size = worked.estimate.to_fetch
    return {
        **{
            name: round(worked.seconds(getattr(size, name)) or 0.0, 1) for name in ("expected", "low", "high")
        },
        "bits_per_second": round(worked.speed.bits_per_second),
        "basis": worked.speed.basis,
    }


def _fit_json(found: Fit) -> dict[str, Any]:
    return {
        "reached": found.reached,
        "before": _figures_json(found.before),
        "after": _figures_json(found.after),
        "changes": [
            {
                "change": change.words,
                "edits": [f"{edit.area}: {edit}" for edit in change.edits],
                "saves": _figures_json(change.saves),
            }
            for change in found.changes
        ],
    }


def _figures_json(figures: Figures) -> dict[str, Any]:
    return {
        "tiles": figures.tiles,
        "bytes": round(figures.bytes),
        "seconds": None if figures.seconds is None else round(figures.seconds, 1),
    }
