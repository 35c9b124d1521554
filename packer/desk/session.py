"""One sitting at the desk: the brief, its plan and figures, and the jobs, for however many pages are open."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from packer.common.battery import battery_percent
from packer.common.units import bits_per_second
from packer.desk.at_most import at_most_facts
from packer.desk.brief_facts import area_facts, layer_facts, read_table
from packer.desk.changes import AddLayer, Change, SetLayer
from packer.desk.document import Document, Snapshot
from packer.desk.drawn_shapes import DrawnShapes
from packer.desk.elsewhere import (
    Elsewhere,
    FileMarks,
    SurveyElsewhere,
    Watching,
    runs_elsewhere,
    survey_runs_elsewhere,
)
from packer.desk.events import Events
from packer.desk.figures import Planner
from packer.desk.fitting import proposals, with_edits
from packer.desk.given_keys import forbidden_programs
from packer.desk.job_work import job_work, mark_of
from packer.desk.jobs import Job, Jobs
from packer.desk.known_cards import KnownCards
from packer.desk.source_look import SourceLook
from packer.desk.steps import step_of_job, steps
from packer.desk.work import FetchSupport
from packer.errors import InputError, LastbarError
from packer.fetching.run_watch import LoggedRun
from packer.planning.brief import USES, Brief
from packer.planning.brief_edits import Edit
from packer.planning.brief_keys import key_in_full
from packer.planning.collection import Collection
from packer.planning.offers import apply_offers, cached_offers, undescribed
from packer.planning.plan import Plan
from packer.proof.report import report_page
from packer.proof.results import VerifyReport
from packer.store.reader import TileReader
from packer.survey.speed import AssumedSpeed
from packer.view.board import Board

__all__ = ["Session"]

_MOST_PACKS = 64  # whose holdings are kept at hand
_ASKING = ("fetch", "survey", "describe")  # the jobs that ask servers


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
        self._was_planned = False  # the first plan takes longest, and a page that opens does not wait for it
        self._board: Board | None = None
        self._reader = lru_cache(_MOST_PACKS)(TileReader)
        self.drawn = DrawnShapes()
        self._figures: tuple[int, dict[str, Any]] | None = None
        self.speed: AssumedSpeed | None = None
        self.support = FetchSupport(looked_at=self.look.looked_at)
        self._proof: tuple[Brief, Plan, VerifyReport, float] | None = None
        self.cards = KnownCards(self.document.path)
        self._files, self._survey = FileMarks(), SurveyElsewhere(self.events)
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
        table = read_table(now.text)
        return {
            "revision": now.revision,
            "path": str(self.document.path),
            "title": table.get("title", ""),
            "contact": table.get("contact"),
            "lacks": now.lacks,
            "saved": now.saved,
            "can_undo": now.can_undo,
            "can_redo": now.can_redo,
            "areas": area_facts(now, table),
            "layers": layer_facts(now, table),
            "crews": table.get("crews", []),
            "overview": table.get("overview", {}),
            "uses": USES,
            "steps": self._steps(now),
            "brief_mark": self._brief_mark(now),
            "jobs": self.jobs.to_dict(),
            "elsewhere": self._elsewhere or None,
            "survey_elsewhere": self._survey.told or None,
            "battery": battery_percent(),
            "cards": self._cards(now),
            "speed": None if self.speed is None else round(self.speed.bits_per_second),
            "at_most": at_most_facts(self.support.at_most),
            "forbidden": forbidden_programs(now.brief),
            "undescribed": undescribed(now.brief, self._store),
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
                self._was_planned = True
        return now, brief, worked_out

    def figures(self) -> dict[str, Any]:
        """The figures of the present brief. Raises SupersededError if it changes meanwhile, else as `plan`."""
        now, brief, worked_out = self.plan()
        found = self.planner.figures(
            brief, worked_out, self.speed, lambda: self.document.now().revision == now.revision
        )
        found = {"revision": now.revision, **found}
        with self._lock:
            self._figures = (now.revision, found)
        self.events.tell("figures", {"revision": now.revision})
        return found

    def fit(self, body: Mapping[str, Any]) -> dict[str, Any]:
        """Proposals to meet a target. Raises as `plan`, and InputError as `proposals`."""
        _, brief, worked_out = self.plan()
        return proposals(brief, worked_out, self.planner, self.speed, body)

    def take(self, revision: int, edits: list[Edit]) -> dict[str, Any]:
        """Make a proposed change; the new state. Raises as `Document.change`."""
        self.document.replace(revision, with_edits(self.document.now(), edits))
        return self._tell()

    def board(self) -> Board:
        """What is on board for the present brief. Raises as `plan`."""
        _, brief, worked_out = self.plan()
        board = self._board
        if board is None or board.plan is not worked_out:
            self._board = board = Board(brief, worked_out, self._store, self._reader)
        return board

    def files_changed(self) -> None:
        """A shape file is another one now: plan again, and have every page look again."""
        self.document.touch()
        self._tell()

    def look_elsewhere(self) -> None:
        """Find out what other processes do: whether one fetches into these packs, and where that stands, and whether
        one has written a shape file."""
        if self._files.have_changed(self.document.now()):
            self.files_changed()
        if self._survey.look(self.document.now().brief, self._store):
            self._tell()
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
            self.speed = AssumedSpeed(bits_per_second(text), "given") if text else None
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

    def step(self, do: Callable[[], object]) -> dict[str, Any]:
        """Undo, redo or the like; the new state."""
        do()
        return self._tell()

    def start(self, kind: str, options: Mapping[str, Any]) -> dict[str, Any]:
        """Start a job. Raises InputError for a kind that is none, or options that cannot be used."""
        if kind in _ASKING:
            self._refuse_beside_others()
        held = (self._store, self._keep, self.cards, self.support)
        work, mark = job_work(kind, options, self.document.now(), self.plan, *held)
        if kind in _ASKING:
            self.look.forbid()
        try:
            self.jobs.start(kind, options, work, mark)
        finally:
            self._permit_look()
        return self._tell()

    def _refuse_beside_others(self) -> None:
        """Raise InputError while another process asks for tiles of these packs."""
        if (run := self._run_elsewhere()) is not None:
            raise InputError(runs_elsewhere(run))
        self._survey.look(self.document.now().brief, self._store)
        if self._survey.told:
            raise InputError(survey_runs_elsewhere(self._survey.told))

    def _permit_look(self) -> None:
        """Let the map ask its source again, unless a job does."""
        running = [job for kind, job in self.jobs.to_dict().items() if kind in _ASKING]
        if not any(job["state"] in ("running", "stopping") for job in running):
            self.look.permit()

    def _keep(self, brief: Brief, worked_out: Plan, found: VerifyReport) -> None:
        self._proof = (brief, worked_out, found, time.time())

    def _ended(self, _job: Job) -> None:
        self._permit_look()
        with self._lock:
            self._planned = None  # a fetch may have read what servers offer now
        self._tell()

    def _tell(self) -> dict[str, Any]:
        found = self.state()
        self.events.tell(
            "state",
            {key: found[key] for key in ("path", "revision", "steps", "brief_mark", "cards", "undescribed")},
        )
        return found

    def _steps(self, now: Snapshot) -> dict[str, Any]:
        with self._lock:
            figures = self._figures[1] if self._figures and self._figures[0] == now.revision else None
        board = None
        if now.brief is not None and not self._was_planned:
            return steps(now, None, None, self.jobs.to_dict(), "", reading=True)
        with contextlib.suppress(LastbarError):
            board = [layer.counts() for layer in self.board().layers.values()]
        jobs = self.jobs.to_dict()
        jobs |= {"fetch": self._elsewhere} if self._elsewhere else {}
        jobs |= {"survey": self._survey.told} if self._survey.told else {}
        return steps(now, figures, board, jobs, self._brief_mark(now), self._cards(now))

    def _cards(self, now: Snapshot) -> list[dict[str, Any]]:
        """The cards that are known, each with how it differs from the present brief, as far as there is a plan."""
        if not (mark := self._brief_mark(now)):
            return []
        _, brief, worked_out = self.plan()
        return self.cards.against(brief, worked_out, mark)

    def _brief_mark(self, now: Snapshot) -> str:
        if now.brief is None or not self._was_planned:
            return ""
        try:
            return mark_of(now, self.plan()[2])
        except LastbarError:
            return ""
