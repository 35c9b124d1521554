"""A fetch of this brief's packs that another process runs, such as one in a terminal: seen by its lock and its log."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from packer.desk.document import Snapshot
from packer.desk.events import Events
from packer.fetching.coverage import CoverageTracker
from packer.fetching.run_log import FILE_NAME
from packer.fetching.run_watch import LoggedRun, unfinished_run
from packer.planning.brief import Brief
from packer.planning.ground import file_mark
from packer.planning.pack_path import pack_path
from packer.store.locks import is_locked
from packer.survey.running import RunningSurvey, running_survey
from packer.view.board import Board

__all__ = [
    "Elsewhere",
    "FileMarks",
    "SurveyElsewhere",
    "Watching",
    "fetch_elsewhere",
    "runs_elsewhere",
    "survey_runs_elsewhere",
]

_EVERY_S = 2.0
_SHARE = 50  # what is read of the packs may take a fiftieth of the time, and slow the fetch down by no more


class Elsewhere:
    """Looks for a run of another process in one brief's packs. One that died is looked at once, and never again."""

    def __init__(self) -> None:
        self._dead: set[str] = set()
        self._read_again = 0.0
        self._read: tuple[object, LoggedRun | None] = (None, None)

    def run(self, brief: Brief, store: Path | None) -> LoggedRun | None:
        """The run that fetches into the packs just now, if one of another process does."""
        found = self._unfinished(store or brief.store_folder)
        if found is None or found.name in self._dead:
            return None
        if any(is_locked(pack_path(brief, name, store)) for name in brief.layers):
            return found
        if found.begun:
            self._dead.add(found.name)
        return None

    def told(self, run: LoggedRun, board: Callable[[], Board], before: dict[str, Any]) -> dict[str, Any]:
        """As `fetch_elsewhere`, or what was told `before` while it is too early to read the packs again."""
        began = time.monotonic()
        if before and before["started"] == run.started and began < self._read_again:
            return before
        found = fetch_elsewhere(run, board(), time.time())
        now = time.monotonic()
        self._read_again = now + (now - began) * _SHARE
        return found

    def _unfinished(self, folder: Path) -> LoggedRun | None:
        try:
            seen = (folder / FILE_NAME).stat()
        except OSError:
            return None
        mark = (folder, seen.st_ino, seen.st_size, seen.st_mtime_ns)
        if self._read[0] != mark:
            self._read = (mark, unfinished_run(folder))
        return self._read[1]


def fetch_elsewhere(run: LoggedRun, board: Board, now: float) -> dict[str, Any]:
    """The run as a job of the desk is told, with what the packs hold by now. Raises StoreError as reading a pack."""
    pauses, layers = run.pauses(), dict[str, dict[str, Any]]()
    for name, layer in board.layers.items():
        counts, facts = layer.counts(), layer.pack.facts()
        asked = board.plan.layers[name]
        held = facts.held | facts.absent
        covered = CoverageTracker(asked.areas, board.plan.shapes, asked.tiles, held, facts.absent).now()
        pause = pauses.get(name)
        layers[name] = {
            "planned": counts["planned"],
            "held": counts["on_board"],
            "absent": counts["absent"],
            "failed": 0,
            "host": name,
            "pause": None
            if pause is None
            else {"kind": str(pause.get("kind")), "reason": str(pause.get("reason")), "where": None},
            "areas": {one.area: {str(z): round(s, 4) for z, s in one.shares} for one in covered},
            "depths": {one.area: {"held": one.held, "asked": one.asked} for one in covered},
            "departure": None,
            "alarms": [],
        }
    progress = {
        "at": round(now, 1),
        "waited": 0.0,
        "layers": layers,
        "planned": sum(one["planned"] for one in layers.values()),
        "done": sum(one["held"] + one["absent"] for one in layers.values()),
        "bytes": None,
        "failed": 0,
    }
    told = {"kind": "fetch", "state": "running", "elsewhere": True, "process": run.process, "options": {}}
    return {**told, "started": run.started, "progress": progress, "events": run.events()}


def runs_elsewhere(run: LoggedRun) -> str:
    """Why no second fetch is started."""
    return (
        f"A fetch of these packs has been running in another process ({run.process}) since "
        f"{datetime.fromtimestamp(run.started):%H:%M}. It is shown here. Stop it there, or wait for its end."
    )


class SurveyElsewhere:
    """The survey of these packs that another process runs, as a job of the desk is told; empty while there is none."""

    def __init__(self, events: Events) -> None:
        self._events = events
        self.told: dict[str, Any] = {}

    def look(self, brief: Brief | None, store: Path | None) -> bool:
        """Look again and tell the pages; whether one has begun or ended since."""
        found = running_survey(store or brief.store_folder) if brief else None
        before = self.told
        self.told = {} if found is None else _survey_job(found)
        if self.told != before:
            self._events.tell("elsewhere-survey", self.told or None)
        return bool(before) != bool(self.told)


def _survey_job(found: RunningSurvey) -> dict[str, Any]:
    progress = {"planned": found.planned, "done": found.done, "failed": 0}
    told = {"kind": "survey", "state": "running", "elsewhere": True, "process": found.process, "options": {}}
    return {**told, "started": found.started, "progress": progress}


def survey_runs_elsewhere(job: Mapping[str, Any]) -> str:
    """Why nothing else asks for tiles meanwhile."""
    return (
        f"A survey of these packs has been running in another process ({job['process']}) since "
        f"{datetime.fromtimestamp(job['started']):%H:%M}. It is shown here. Stop it there, or wait for its end."
    )


class FileMarks:
    """Notices a shape file that another program has written."""

    def __init__(self) -> None:
        self._before: tuple[int, tuple[Any, ...]] | None = None

    def have_changed(self, now: Snapshot) -> bool:
        """Whether one has changed since this was last asked, of the same revision of the brief."""
        marks = tuple(file_mark(now.brief.folder, area) for area in now.brief.areas) if now.brief else ()
        before, self._before = self._before, (now.revision, marks)
        return before is not None and before[0] == now.revision and before[1] != marks


class Watching:
    """Calls `look` again and again in a thread of its own, for as long as the block lasts."""

    def __init__(self, look: Callable[[], object]) -> None:
        self._look = look
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="desk elsewhere", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """End; a look under way is waited for."""
        self._over.set()
        if self._thread.is_alive():
            self._thread.join()

    def _watch(self) -> None:
        while not self._over.wait(_EVERY_S):
            self._look()
