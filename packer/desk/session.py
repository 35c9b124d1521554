"""One sitting at the desk: the brief, its plan and figures, and the jobs, for however many pages are open."""

from __future__ import annotations

import threading
import time
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from packer.common.units import bits_per_second
from packer.desk.changes import Change
from packer.desk.document import Document, Snapshot
from packer.desk.events import Events
from packer.desk.figures import Planner
from packer.desk.jobs import Job, Jobs, Work
from packer.desk.steps import steps
from packer.desk.work import fetch_work, handover_work, inspect_work, survey_work, verify_work
from packer.errors import InputError, LastbarError
from packer.planning.brief import USES, Area, Brief
from packer.planning.offers import apply_offers, cached_offers
from packer.planning.plan import Plan
from packer.sources.address import shown
from packer.survey.speed import AssumedSpeed
from packer.view.board import Board

__all__ = ["Session"]


class Session:
    """What is open on the desk. Safe to use from any thread; `close` has to be called at the end.

    `path` is a brief or a folder for one. Raises BriefError if it is there and is no sound brief.
    """

    def __init__(self, path: Path, store: Path | None = None) -> None:
        self.document = Document(path, now=time.time)
        self.events = Events()
        self.jobs = Jobs(self.events, self._ended)
        self.planner = Planner(store)
        self._store = store
        self._lock = threading.Lock()
        self._planned: tuple[int, Brief, Plan] | None = None
        self._figures: tuple[int, dict[str, Any]] | None = None
        self._speed: AssumedSpeed | None = None

    def close(self) -> None:
        """End every job cleanly and let the pages go. If the process dies instead: as each job says."""
        self.jobs.stop_all()
        self.events.close()

    # ---------------------------------------------------------------- what there is

    def state(self) -> dict[str, Any]:
        """Everything but figures and shapes."""
        now = self.document.now()
        table = tomllib.loads(now.text)
        return {
            "revision": now.revision,
            "path": str(self.document.path),
            "title": table.get("title", ""),
            "contact": table.get("contact"),
            "lacks": now.lacks,
            "can_undo": now.can_undo,
            "can_redo": now.can_redo,
            "areas": _areas(now, table),
            "layers": _layers(now, table),
            "crews": table.get("crews", []),
            "overview": table.get("overview", {}),
            "uses": USES,
            "steps": self._steps(now),
            "jobs": self.jobs.to_dict(),
            "speed": None if self._speed is None else round(self._speed.bits_per_second),
        }

    def plan(self) -> tuple[Snapshot, Brief, Plan]:
        """The present brief with what its servers offer filled in, and its plan.

        Raises InputError while the brief lacks something, BriefError or PlanError where it cannot be planned.
        """
        now = self.document.now()
        if now.brief is None:
            raise InputError(f"The brief has no {now.lacks} yet.")
        with self._lock:
            known = self._planned
        if known is not None and known[0] == now.revision:
            return now, known[1], known[2]
        brief = apply_offers(now.brief, cached_offers(now.brief, self._store or now.brief.store_folder))
        worked_out = self.planner.plan(brief)
        with self._lock:
            if self._planned is None or self._planned[0] <= now.revision:
                self._planned = (now.revision, brief, worked_out)
        return now, brief, worked_out

    def figures(self) -> dict[str, Any]:
        """The figures of the present brief. Raises SupersededError if it changes meanwhile, else as `plan`."""
        now, brief, worked_out = self.plan()
        found = self.planner.figures(
            brief, worked_out, self._speed, lambda: self.document.now().revision == now.revision
        )
        found = {"revision": now.revision, **found}
        with self._lock:
            self._figures = (now.revision, found)
        self.events.tell("figures", {"revision": now.revision})
        return found

    def board(self) -> Board:
        """What is on board for the present brief. Raises as `plan`."""
        _, brief, worked_out = self.plan()
        return Board(brief, worked_out, self._store)

    def set_speed(self, text: str | None) -> dict[str, Any]:
        """Take this speed for all times, such as "3 Mbit"; None for that of the last fetch."""
        try:
            self._speed = AssumedSpeed(bits_per_second(text), "given") if text else None
        except ValueError as fault:
            raise InputError(f"The speed {text} cannot be used: {fault}.") from None
        return self._tell()

    # ---------------------------------------------------------------- what changes

    def change(self, revision: int, change: Change) -> dict[str, Any]:
        """Make a change; the new state. Raises as `Document.change`."""
        self.document.change(revision, change)
        return self._tell()

    def step(self, do: Callable[[], Snapshot]) -> dict[str, Any]:
        """Undo, redo or the like; the new state."""
        do()
        return self._tell()

    def start(self, kind: str, options: Mapping[str, Any]) -> dict[str, Any]:
        """Start a job. Raises InputError for a kind that is none, or options that cannot be used."""
        self.jobs.start(kind, options, self._work(kind, options))
        return self._tell()

    def _work(self, kind: str, options: Mapping[str, Any]) -> Work:
        if kind == "inspect":
            return inspect_work(options)
        now = self.document.now()
        if now.brief is None:
            raise InputError(f"The brief has no {now.lacks} yet.")
        if kind == "fetch":
            return fetch_work(now.brief, self._store, options)
        if kind == "survey":
            return survey_work(now.brief, self._store, options)
        _, brief, worked_out = self.plan()
        if kind == "verify":
            return verify_work(brief, worked_out, self._store, options)
        if kind == "handover":
            return handover_work(brief, worked_out, self._store, options)
        raise InputError(f"There is no job called {kind}.")

    def _ended(self, _job: Job) -> None:
        with self._lock:
            self._planned = None  # a fetch may have read what servers offer now
        self._tell()

    def _tell(self) -> dict[str, Any]:
        found = self.state()
        self.events.tell("state", {"revision": found["revision"], "steps": found["steps"]})
        return found

    def _steps(self, now: Snapshot) -> dict[str, Any]:
        with self._lock:
            figures = self._figures[1] if self._figures and self._figures[0] == now.revision else None
        board = None
        if now.brief is not None:
            try:
                board = [layer.summary() for layer in self.board().layers.values()]
            except LastbarError:
                board = None
        return steps(now, figures, board, self.jobs.to_dict())


def _areas(now: Snapshot, table: Mapping[str, Any]) -> list[dict[str, Any]]:
    known = {area.name: area for area in now.brief.areas} if now.brief else {}
    return [
        {"name": one.get("name"), "form": _form(one), "values": one, **_depth(known.get(one.get("name", "")))}
        for one in table.get("areas", [])
    ]


def _form(values: Mapping[str, Any]) -> str:
    for key, form in (("line", "line"), ("polygon", "polygon"), ("box", "box")):
        if key in values:
            return form
    return "circle"


def _depth(area: Area | None) -> dict[str, Any]:
    if area is None:
        return {}
    return {"deepest": area.deepest_zoom, "file": area.file, "reach_m": area.half_width or area.radius}


def _layers(now: Snapshot, table: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The layers without any key: addresses as they may be shown, names of headers without their values."""
    told = []
    for name, values in table.get("layers", {}).items():
        layer = now.brief.layers.get(name) if now.brief else None
        address = values.get("url") or values.get("tilejson") or values.get("wmts") or ""
        told.append(
            {
                "name": name,
                "address": shown(address),
                "kind": next((key for key in ("url", "tilejson", "wmts") if key in values), "url"),
                "zooms": list(layer.zooms) if layer and layer.has_address else values.get("zooms"),
                "headers": sorted(values.get("headers", {})),
                **{
                    key: values.get(key)
                    for key in ("attribution", "permission", "connections", "requests-per-second")
                },
                "expires": str(values["expires"]) if "expires" in values else None,
            }
        )
    return told
