"""One sitting at the desk: the brief, its plan and figures, and the jobs, for however many pages are open."""

from __future__ import annotations

import contextlib
import hashlib
import threading
import time
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from packer.common.battery import battery_percent
from packer.common.units import bits_per_second
from packer.desk.changes import AddLayer, Change, SetLayer
from packer.desk.document import Document, Snapshot
from packer.desk.elsewhere import Elsewhere, Watching, runs_elsewhere
from packer.desk.events import Events
from packer.desk.figures import Planner
from packer.desk.fitting import proposals
from packer.desk.jobs import Job, Jobs, Work
from packer.desk.source_look import SourceLook
from packer.desk.steps import step_of_job, steps
from packer.desk.work import fetch_work, handover_work, inspect_work, survey_work, verify_work
from packer.errors import InputError, LastbarError
from packer.fetching.run_watch import LoggedRun, last_run
from packer.planning.brief import USES, Area, Brief, Layer
from packer.planning.brief_edits import Edit, rewritten
from packer.planning.brief_keys import key_in_full
from packer.planning.collection import FROM, Collection
from packer.planning.layer_names import ADDRESS_KEYS
from packer.planning.offers import apply_offers, cached_offers
from packer.planning.plan import Plan, plan
from packer.proof.report import report_page
from packer.proof.results import VerifyReport
from packer.sources.safe_address import shown
from packer.survey.speed import AssumedSpeed
from packer.view.board import Board

__all__ = ["Session"]

_ASKING = ("fetch", "survey")  # the jobs that ask servers for tiles


class Session:
    """What is open on the desk. Safe to use from any thread; `close` has to be called at the end.

    `path` is a brief or a folder for one. Raises BriefError if it is there and is no sound brief.
    """

    def __init__(self, path: Path, store: Path | None = None) -> None:
        self.document, self.events = Document(path, now=time.time), Events()
        self.jobs = Jobs(self.events, self._ended)
        self.planner, self.look, self.collection = Planner(store), SourceLook(), Collection()
        self.store = self._store = store
        self._lock = threading.Lock()
        self._planned: tuple[int, Brief, Plan] | None = None
        self._figures: tuple[int, dict[str, Any]] | None = None
        self._speed: AssumedSpeed | None = None
        self._proof: tuple[Brief, Plan, VerifyReport, float] | None = None
        self._others, self._elsewhere = Elsewhere(), dict[str, Any]()
        self._watching = Watching(self.look_elsewhere)

    def watch(self) -> None:
        """Look out for a fetch that another process begins, until `close`."""
        self._watching.start()

    def close(self) -> None:
        """End every job cleanly and let the pages go. If the process dies instead: as each job says."""
        self._watching.stop()
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
            "saved": now.saved,
            "can_undo": now.can_undo,
            "can_redo": now.can_redo,
            "areas": _areas(now, table),
            "layers": _layers(now, table),
            "crews": table.get("crews", []),
            "overview": table.get("overview", {}),
            "uses": USES,
            "steps": self._steps(now),
            "brief_mark": self._brief_mark(now),
            "jobs": self.jobs.to_dict(),
            "elsewhere": self._elsewhere or None,
            "battery": battery_percent(),
            "speed": None if self._speed is None else round(self._speed.bits_per_second),
        }

    def plan(self) -> tuple[Snapshot, Brief, Plan]:
        """The present brief with what its servers offer filled in, and its plan.

        Raises InputError while the brief lacks something, BriefError or PlanError where it cannot be planned.
        """
        now = self.document.now()
        if now.brief is None:
            raise InputError(f"The brief needs {now.lacks} first.")
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

    @property
    def speed(self) -> AssumedSpeed | None:
        """The speed that was given, if any."""
        return self._speed

    def fit(self, body: Mapping[str, Any]) -> dict[str, Any]:
        """Proposals to meet a target. Raises as `plan`, and InputError as `proposals`."""
        _, brief, worked_out = self.plan()
        return proposals(brief, worked_out, self.planner, self._speed, body)

    def take(self, revision: int, edits: list[Edit]) -> dict[str, Any]:
        """Make a proposed change; the new state. Raises as `Document.change`."""
        now = self.document.now()
        if now.brief is None:
            raise InputError(f"The brief has no {now.lacks} yet.")
        try:
            text = rewritten(now.brief, edits, now.text)
        except (StopIteration, KeyError):
            raise InputError(
                "The brief has changed since this was proposed. Ask for proposals again."
            ) from None
        self.document.replace(revision, text)
        return self._tell()

    def board(self) -> Board:
        """What is on board for the present brief. Raises as `plan`."""
        _, brief, worked_out = self.plan()
        return Board(brief, worked_out, self._store)

    def look_elsewhere(self) -> None:
        """Find out whether another process fetches into these packs, and tell the pages where that stands."""
        before, found = self._elsewhere, dict[str, Any]()
        try:
            if (run := self._run_elsewhere()) is not None:
                found = self._others.told(run, self.board, before)
        except LastbarError:
            found = before if before else found  # the packs cannot be read just now; the next look may
        self._elsewhere = found
        if found and found is not before:
            self.events.tell("elsewhere", {**found, "step": step_of_job(found)})
        if bool(before) != bool(found):
            if not found:
                self.events.tell("elsewhere", None)
                with self._lock:
                    self._planned = None  # it may have read what servers offer now
            self._tell()

    def _run_elsewhere(self) -> LoggedRun | None:
        brief = self.document.now().brief
        own = any(self.jobs.running(kind) for kind in _ASKING)
        return None if brief is None or own else self._others.run(brief, self._store)

    def log(self) -> list[dict[str, Any]]:
        """What the log beside the packs tells of its newest run, as sentences with their times."""
        brief = self.document.now().brief
        run = None if brief is None else last_run(self._store or brief.store_folder)
        return [] if run is None else run.events()

    def report(self) -> str:
        """The report of the last check, as HTML. Raises InputError where there was none, DiskError as `report_page`."""
        if self._proof is None:
            raise InputError("Nothing was checked yet. Check first, then open the report.")
        return report_page(*self._proof)

    def set_speed(self, text: object) -> dict[str, Any]:
        """Take this speed for all times, such as "3 Mbit"; None or "" for that of the last fetch."""
        if text is not None and not isinstance(text, str):
            raise InputError('A speed is a text such as "3 Mbit".')
        try:
            self._speed = AssumedSpeed(bits_per_second(text), "given") if text else None
        except ValueError as fault:
            raise InputError(f"The speed {text} cannot be used: {fault}.") from None
        return self._tell()

    # ---------------------------------------------------------------- what changes

    def change(self, revision: int, change: Change) -> dict[str, Any]:
        """Make a change; the new state. Raises as `Document.change`, and InputError for a key in an address."""
        if isinstance(change, AddLayer | SetLayer) and (why := key_in_full(change.values)) is not None:
            raise InputError(why)
        self.document.change(revision, change)
        return self._tell()

    def step(self, do: Callable[[], Snapshot]) -> dict[str, Any]:
        """Undo, redo or the like; the new state."""
        do()
        return self._tell()

    def start(self, kind: str, options: Mapping[str, Any]) -> dict[str, Any]:
        """Start a job. Raises InputError for a kind that is none, or options that cannot be used."""
        if kind in _ASKING and (run := self._run_elsewhere()) is not None:
            raise InputError(runs_elsewhere(run))
        work, mark = self._work(kind, options)
        if kind in _ASKING:
            self.look.forbid()
        try:
            self.jobs.start(kind, options, work, mark)
        finally:
            self._permit_look()
        return self._tell()

    def _permit_look(self) -> None:
        """Let the map ask its source again, unless a job does."""
        running = [job for kind, job in self.jobs.to_dict().items() if kind in _ASKING]
        if not any(job["state"] in ("running", "stopping") for job in running):
            self.look.permit()

    def _work(self, kind: str, options: Mapping[str, Any]) -> tuple[Work, str | None]:
        """The work of a kind, and the mark of the brief that its outcome will be of."""
        if kind == "inspect":
            return inspect_work(options), None
        now = self.document.now()
        if now.brief is None:
            raise InputError(f"The brief needs {now.lacks} first.")
        if kind == "fetch":
            return fetch_work(now.brief, self._store, options), None
        if kind == "survey":
            return survey_work(now.brief, self._store, options), None
        # A proof and a card rest on the shape files as they are now, not on what was read of them before.
        now, brief, _ = self.plan()
        worked_out = plan(brief)
        mark = _mark(now, worked_out)
        if kind == "verify":
            return verify_work(brief, worked_out, self._store, options, self._keeper(brief, worked_out)), mark
        if kind == "handover":
            return handover_work(brief, worked_out, self._store, options), mark
        raise InputError(f"There is no job called {kind}.")

    def _keeper(self, brief: Brief, worked_out: Plan) -> Callable[[VerifyReport], None]:
        def keep(found: VerifyReport) -> None:
            self._proof = (brief, worked_out, found, time.time())

        return keep

    def _ended(self, _job: Job) -> None:
        self._permit_look()
        with self._lock:
            self._planned = None  # a fetch may have read what servers offer now
        self._tell()

    def _tell(self) -> dict[str, Any]:
        found = self.state()
        self.events.tell(
            "state",
            {key: found[key] for key in ("revision", "steps", "brief_mark")},
        )
        return found

    def _steps(self, now: Snapshot) -> dict[str, Any]:
        with self._lock:
            figures = self._figures[1] if self._figures and self._figures[0] == now.revision else None
        board = None
        with contextlib.suppress(LastbarError):
            board = [layer.counts() for layer in self.board().layers.values()]
        jobs = self.jobs.to_dict()
        if self._elsewhere:
            jobs["fetch"] = self._elsewhere
        return steps(now, figures, board, jobs, self._brief_mark(now))

    def _brief_mark(self, now: Snapshot) -> str:
        if now.brief is None:
            return ""
        try:
            return _mark(now, self.plan()[2])
        except LastbarError:
            return ""


def _mark(now: Snapshot, worked_out: Plan) -> str:
    """A name for a brief together with its plan: what was found of one does not hold for another."""
    return hashlib.sha256(f"{worked_out.fingerprint}\n{now.text}".encode()).hexdigest()[:16]


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
        if layer and FROM in values:
            values = {**values, **_of_collection(layer)}
        kind = next((key for key in ADDRESS_KEYS if key in values), "url")
        address = values.get(kind, "")
        told.append(
            {
                "name": name,
                "address": shown(address),
                "kind": kind,
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


def _of_collection(layer: Layer) -> dict[str, Any]:
    """What the page shows of a layer whose keys stand in the planner's collection."""
    written = layer.as_written
    return {
        written.address_key: written.url or written.offered_at,
        "attribution": written.attribution,
        "permission": written.permission,
        "connections": written.connections,
        "requests-per-second": written.requests_per_second,
    }
