"""Word of a survey that is under way, for whoever looks on from another process, and that there is only one."""

from __future__ import annotations

import contextlib
import json
import os
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from packer.common.atomic_write import make_folders, write_atomic
from packer.common.links import is_link
from packer.store.locks import WriteLock, is_locked

__all__ = ["RunningSurvey", "SurveyMark", "running_survey"]

_NAME = "+survey"  # no layer is called so
_EVERY_S = 1.0
_MOST_BYTES = 1000


@dataclass(frozen=True, slots=True)
class RunningSurvey:
    """Which process surveys since when, in seconds since 1970, and how many samples of those wanted so far it has."""

    process: int
    started: float
    planned: int = 0
    done: int = 0


class SurveyMark:
    """The right to survey the packs of a folder, and word of how far it is: `with SurveyMark(folder) as mark`.

    Raises StoreBusyError while another survey of these packs runs, DiskError where the folder cannot be written. If the
    process dies: the system frees the lock, and with it the word counts for nothing.
    """

    def __init__(self, folder: Path, now: Callable[[], float] = time.time) -> None:
        self._file, self._now = folder / f".{_NAME}.json", now
        self._folder, self._told = folder, 0.0
        busy = "A survey of these packs is running already. Wait for its end, or stop it where it runs."
        self._lock = WriteLock(folder / _NAME, busy)
        self._survey = RunningSurvey(os.getpid(), round(now(), 1))

    def __enter__(self) -> Self:
        make_folders(self._folder)
        self._lock.acquire()
        self._write()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        with contextlib.suppress(OSError):
            self._file.unlink()
        self._lock.release()

    def progress(self, planned: int, done: int) -> None:
        """Leave word of how far it is, once a second at most."""
        self._survey = RunningSurvey(self._survey.process, self._survey.started, planned, done)
        if self._now() - self._told >= _EVERY_S:
            self._write()

    def _write(self) -> None:
        self._told = self._now()
        with contextlib.suppress(OSError):  # it is for people; the survey rests on nothing of it
            write_atomic(self._file, json.dumps(asdict(self._survey)))


def running_survey(folder: Path) -> RunningSurvey | None:
    """The survey of another process that is under way in these packs, if there is one."""
    if not is_locked(folder / _NAME):
        return None
    with contextlib.suppress(OSError, ValueError, TypeError, KeyError, RecursionError):
        file = folder / f".{_NAME}.json"
        if not is_link(file) and file.stat().st_size <= _MOST_BYTES:
            told = json.loads(file.read_bytes())
            numbers = [told["process"], told["planned"], told["done"]]
            if all(isinstance(one, int) for one in numbers) and isinstance(told["started"], int | float):
                found = RunningSurvey(told["process"], float(told["started"]), told["planned"], told["done"])
                return None if found.process == os.getpid() else found
    return None
