"""Make it fit: proposals that bring the plan within hours or bytes, as plain data, and the edits back out of that."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from packer.desk.document import Snapshot
from packer.desk.figures import Planner
from packer.errors import InputError
from packer.planning.brief import Brief
from packer.planning.brief_edits import (
    Deepest,
    DeepestByLayer,
    Edit,
    HalfWidth,
    Layers,
    OverviewTo,
    rewritten,
)
from packer.planning.pack_path import pack_path
from packer.planning.plan import Plan
from packer.survey.record import read_record
from packer.survey.speed import AssumedSpeed
from packer.survey.tradeoffs import RANKING, Figures, Target, fit

__all__ = ["edits_of", "proposals", "with_edits"]


_KINDS: dict[str, type[Any]] = {
    one.__name__: one for one in (Deepest, DeepestByLayer, HalfWidth, Layers, OverviewTo)
}


def proposals(
    brief: Brief, plan: Plan, planner: Planner, speed: AssumedSpeed | None, body: Mapping[str, Any]
) -> dict[str, Any]:
    """What to leave out to meet `body["target"]` ("2h", "8 GB"), without what `body["refused"]` names.

    `refused` holds {"kind", "area"} of edits as given here. Raises InputError for a target that is none.
    """
    target = _target(body.get("target"))
    speed = speed or planner.last_speed(brief)
    if target.seconds is not None and speed is None:
        raise InputError("Say how fast the link is first: a time to fit needs a speed.")
    surveyed = {
        name: read_record(pack_path(brief, name, planner.store), layer).worth_to
        for name, layer in brief.layers.items()
    }
    refused = [
        (str(one.get("kind")), str(one.get("area")))
        for one in body.get("refused") or []
        if isinstance(one, dict)
    ]
    found = fit(brief, plan, planner.sizes(brief, plan), surveyed, target, speed, refused=frozenset(refused))
    return {
        "ranking": RANKING,
        "reached": found.reached,
        "before": _figures(found.before),
        "after": _figures(found.after),
        "changes": [
            {"words": one.words, "saves": _figures(one.saves), "edits": [_edit(edit) for edit in one.edits]}
            for one in found.changes
        ],
    }


def _target(text: object) -> Target:
    if not isinstance(text, str):
        raise InputError('Say what has to fit: a time such as "2h", or a size such as "8GB".')
    try:
        return Target.of(text)
    except ValueError:
        raise InputError(f'"{text}" is neither a time such as "2h" nor a size such as "8GB".') from None


def _figures(figures: Figures) -> dict[str, Any]:
    time = None if figures.seconds is None else round(figures.seconds, 1)
    return {"tiles": figures.tiles, "bytes": round(figures.bytes), "seconds": time}


def _edit(edit: Edit) -> dict[str, Any]:
    return {"kind": type(edit).__name__, **asdict(edit), "words": str(edit)}


def edits_of(sent: object) -> list[Edit]:
    """The edits out of what `proposals` gave. Raises InputError for anything else."""
    if not isinstance(sent, list) or not sent:
        raise InputError("There is no change to take.")
    return [_read(one) for one in sent]


def _read(one: Any) -> Edit:
    if not isinstance(one, dict) or not all(isinstance(one.get(key), str) for key in ("kind", "area")):
        raise InputError("This is no change that was proposed here.")
    if one["kind"] not in _KINDS:
        raise InputError("This is no change that was proposed here.")
    zoom, metres, layers = one.get("zoom"), one.get("metres"), one.get("layers")
    zoom = zoom if isinstance(zoom, int) and not isinstance(zoom, bool) else None
    names = tuple(layers) if isinstance(layers, list) and all(isinstance(n, str) for n in layers) else None
    if one["kind"] == "Deepest" and zoom is not None:
        return Deepest(one["area"], zoom)
    if one["kind"] == "OverviewTo" and zoom is not None:
        return OverviewTo(zoom)
    if one["kind"] == "HalfWidth" and isinstance(metres, int | float) and metres > 0:
        return HalfWidth(one["area"], float(metres))
    if one["kind"] == "Layers" and names:
        return Layers(one["area"], names)
    if one["kind"] == "DeepestByLayer" and (zooms := _zooms(one.get("zooms"))):
        return DeepestByLayer(one["area"], zooms)
    raise InputError("This is no change that was proposed here.")


def _zooms(sent: Any) -> tuple[tuple[str, int], ...]:
    """Pairs of a layer and its zoom; none if that is not what was sent."""
    pairs = sent if isinstance(sent, list) else []
    found = [p for p in pairs if isinstance(p, list | tuple) and len(p) == 2 and isinstance(p[0], str)]
    found = [p for p in found if isinstance(p[1], int) and not isinstance(p[1], bool)]
    return tuple((layer, zoom) for layer, zoom in found) if len(found) == len(pairs) else ()


def with_edits(now: Snapshot, edits: list[Edit]) -> str:
    """The brief's text with proposed changes made. Raises InputError where there is none yet, or none such any more."""
    if now.brief is None:
        raise InputError(f"The brief has no {now.lacks} yet.")
    try:
        return rewritten(now.brief, edits, now.text)
    except (StopIteration, KeyError):
        raise InputError("The brief has changed since this was proposed. Ask for proposals again.") from None
