"""A file dropped on the page whose name is taken: replaced or kept beside the other, and what that would change."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from typing import Any

from packer.common.atomic_write import write_atomic
from packer.desk.dropped import keep_dropped, taken_by_another
from packer.desk.session import Session
from packer.desk.wording import on_page
from packer.errors import DiskError, InputError, LastbarError
from packer.planning.brief import Area, Brief
from packer.planning.changes import area_text, changes_since_fetch
from packer.planning.comparison import compare
from packer.planning.plan import Plan, plan
from packer.planning.shape_files import shapes_in

__all__ = ["changes_since", "changes_told", "take_file"]


def take_file(session: Session, name: str, content: bytes, keep: str = "both") -> dict[str, Any]:
    """Take a dropped file as `keep` says, if a file of its name and of another content is there: "ask" keeps nothing
    and tells what the new one would change, "replace" puts it in place of the old one, "both" gives it a number.

    Areas keep their depths, floors and crews. Gives as `keep_dropped`; with `taken` where
    nothing was kept, with `before` where the old file went to. Undo brings the old one back. Raises as
    `keep_dropped`. If the process dies: the old file or the new one, whole, and maybe a hidden one beside it.
    """
    if keep not in ("ask", "replace", "both"):
        raise InputError("A file is kept by ask, replace or both.")
    document = session.document
    there = None if keep == "both" else taken_by_another(document.path.parent, name, content)
    if there is None:
        return keep_dropped(document.path.parent, name, content)
    trial = there.with_name(f".new-{secrets.token_hex(4)}-{there.name}")
    try:
        write_atomic(trial, content)
        counts = shapes_in(trial)
        if keep == "ask":
            return {"file": there.name, "taken": True, **counts, **_foreseen(session, there.name, trial.name)}
        before = document.replace_file(there, trial)
    except OSError as fault:
        raise DiskError(f"{there} cannot be written: {fault.strerror}.") from fault
    except ValueError as fault:
        raise InputError(f"{there.name} cannot be used: {fault}.") from None
    finally:
        trial.unlink(missing_ok=True)
    session.files_changed()
    return {"file": there.name, **counts, "before": before}


def changes_told(session: Session) -> dict[str, Any]:
    """What has changed since the packs were last fetched for, as `FetchChanges.to_dict`; empty for nothing.

    Raises as `Session.plan`.
    """
    _, brief, worked_out = session.plan()
    found = changes_since_fetch(brief, worked_out, session.store)
    return {} if found is None else {**found.to_dict(), "sentences": list(map(on_page, found.sentences))}


def changes_since(session: Session, name: str) -> dict[str, Any]:
    """What the present brief asks for otherwise than a kept version of it: `more` and `fewer` tiles, and a sentence an
    area. Raises InputError for a name that is none, BriefError for a version that is no sound brief, and as
    `Session.plan`."""
    _, _, now = session.plan()
    return _change(plan(Brief.from_text(session.document.version(name), session.document.path)), now)


def _foreseen(session: Session, name: str, trial: str) -> dict[str, Any]:
    """The `areas` that use a file, and what of the plan would change with the new one in its place: `change` has
    `more` and `fewer` tiles and a sentence for each area, and is None while there is no plan; `trouble` says why the
    areas could not use it."""
    brief = session.document.now().brief
    areas = [area.name for area in brief.areas if area.file == name] if brief else []
    if not areas:
        return {"areas": [], "change": None, "trouble": None}
    try:
        _, brief, before = session.plan()
        after = plan(_with_file(brief, name, trial))
    except LastbarError as fault:
        return {"areas": areas, "change": None, "trouble": str(fault).replace(trial, name)}
    return {"areas": areas, "change": _change(before, after), "trouble": None}


def _with_file(brief: Brief, name: str, other: str) -> Brief:
    return brief.model_copy(update={"areas": tuple(_named(area, name, other) for area in brief.areas)})


def _named(area: Area, name: str, other: str) -> Area:
    if area.file != name:
        return area
    keys = [key for key in ("line", "points", "polygon") if getattr(area, key) == name]
    return area.model_copy(update=dict.fromkeys(keys, other))


def _change(before: Plan, after: Plan) -> dict[str, Any]:
    found = compare(before, after)
    sentences: Sequence[str] = [area_text(one) for one in found.areas]
    return {
        "more": sum(len(layer.added) for layer in found.layers.values()),
        "fewer": sum(len(layer.dropped) for layer in found.layers.values()),
        "areas": sentences,
    }
