"""The long work of the desk: one job of each kind at a time, in the server's process, whatever pages are open."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

from packer.desk.events import Events
from packer.desk.steps import step_of_job
from packer.desk.wording import on_page
from packer.errors import InputError, LastbarError

__all__ = ["Job", "Jobs", "Reporter", "Work"]

JOIN_S = 20.0


class Reporter(Protocol):
    """What a job's work is given: where to tell its progress, and whether it was asked to stop."""

    stop: threading.Event

    def progress(self, what: Mapping[str, Any]) -> None:
        """Tell where the work stands, as plain data."""
        ...

    def join_by(self, code: str) -> None:
        """Other machines may join by this code, as long as the work lasts."""
        ...


Work = Callable[[Reporter], Mapping[str, Any]]
"""Does the work and gives its result as plain data; raises LastbarError for what the planner can mend."""


@dataclass(slots=True)
class Job:
    """One run. `state` is "running", "stopping", "done" or "failed"; `error` is a sentence where it failed.

    `brief_mark` names the brief and plan that it is of, None where that does not matter. `join_code` is that by which
    other machines join; no event and no document of the job has it.
    """

    kind: str
    events: Events
    options: Mapping[str, Any]
    brief_mark: str | None = None
    state: str = "running"
    started: float = field(default_factory=time.time)
    ended: float | None = None
    told: Mapping[str, Any] = field(default_factory=dict)
    result: Mapping[str, Any] | None = None
    error: str | None = None
    exit_code: int | None = None
    stop: threading.Event = field(default_factory=threading.Event, repr=False)
    thread: threading.Thread | None = field(default=None, repr=False)
    join_code: str | None = field(default=None, repr=False)

    def join_by(self, code: str) -> None:
        """Other machines may join by this code, as long as the job lasts."""
        self.join_code = code
        self.progress(self.told)

    def progress(self, what: Mapping[str, Any]) -> None:
        """Tell where the work stands."""
        self.told = what
        told = self.to_dict()
        self.events.tell(f"job-{self.kind}", {**told, "step": step_of_job(told)})

    def to_dict(self) -> dict[str, Any]:
        """One plain document."""
        return {
            "kind": self.kind,
            "state": self.state,
            "started": round(self.started, 1),
            "ended": None if self.ended is None else round(self.ended, 1),
            "options": dict(self.options),
            "brief_mark": self.brief_mark,
            "progress": dict(self.told),
            "result": None if self.result is None else dict(self.result),
            "error": None if self.error is None else on_page(self.error),
            "exit_code": self.exit_code,
            "joinable": self.join_code is not None,
        }


class Jobs:
    """The last job of each kind. Safe to use from any thread."""

    def __init__(self, events: Events, on_end: Callable[[Job], None] = lambda _job: None) -> None:
        self._events, self._on_end = events, on_end
        self._lock = threading.Lock()
        self._last: dict[str, Job] = {}

    def start(self, kind: str, options: Mapping[str, Any], work: Work, brief_mark: str | None = None) -> Job:
        """Begin a job in a thread of its own. Raises InputError while one of its kind is running.

        If the process dies: what the work promises of itself.
        """
        with self._lock:
            before = self._last.get(kind)
            if before is not None and before.state in ("running", "stopping"):
                raise InputError(f"A {kind} is running already. Stop it first, or wait for its end.")
            job = self._last[kind] = Job(kind, self._events, options, brief_mark)
            job.thread = threading.Thread(
                target=self._run, args=(job, work), name=f"desk {kind}", daemon=True
            )
            job.thread.start()
        return job

    def stop(self, kind: str) -> None:
        """Ask a job to end cleanly; nothing happens where none is running."""
        job = self._last.get(kind)
        if job is not None and job.state == "running":
            job.state = "stopping"
            job.stop.set()
            job.progress(job.told)

    def stop_all(self) -> None:
        """Ask every job to end cleanly and wait for it, so that packs are closed whole."""
        for kind in list(self._last):
            self.stop(kind)
        for job in list(self._last.values()):
            if job.thread is not None:
                job.thread.join(JOIN_S)

    def running(self, kind: str) -> bool:
        """Whether a job of this kind is at work."""
        job = self._last.get(kind)
        return job is not None and job.state in ("running", "stopping")

    def join_code(self) -> str | None:
        """The code by which other machines join the fetch that is at work; None while none can."""
        job = self._last.get("fetch")
        return None if job is None else job.join_code

    def at_work(self) -> bool:
        """Whether any job is."""
        return any(self.running(kind) for kind in list(self._last))

    def to_dict(self) -> dict[str, Any]:
        """The last job of each kind."""
        return {kind: job.to_dict() for kind, job in self._last.items()}

    def _run(self, job: Job, work: Work) -> None:
        try:
            job.result = work(job)
            job.state = "done"
        except LastbarError as fault:
            job.error, job.exit_code, job.state = str(fault), fault.exit_code, "failed"
        except Exception as fault:  # noqa: BLE001  # the page has to hear of it; nobody else looks at this thread
            job.error = f"This is a defect of Lastbar ({type(fault).__name__}). What is on board is safe."
            job.exit_code, job.state = 1, "failed"
        finally:
            job.ended, job.join_code = time.time(), None
            job.progress(job.told)
            self._on_end(job)
