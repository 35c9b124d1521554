"""The log of runs: one JSON line for each event that a provider or a colleague may ask about, never one a tile.

It lies beside the packs as lastbar.log.jsonl. When it has grown to a megabyte it becomes lastbar.log.jsonl.1,
and so on up to four. Every line has `at` (UTC), `run` and `event`; keys and passwords are taken out.
"""

from __future__ import annotations

import contextlib
import errno
import json
import logging
import os
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from io import TextIOWrapper
from logging.handlers import RotatingFileHandler
from pathlib import Path
from typing import Any

from packer.common.atomic_write import make_folders
from packer.common.links import is_link
from packer.sources.secrecy import Secrets

__all__ = ["FILE_NAME", "RunLog", "last_pace", "newest_lines", "seconds_waited"]

FILE_NAME = "lastbar.log.jsonl"
_LARGEST_BYTES, _OLDER = 1_000_000, 4
_LEAST_TILES = 50  # a pace over fewer says little
_TAIL_BYTES = 100_000
_SPARE_S = 2.0  # times are kept in whole seconds


class _Handler(RotatingFileHandler):
    """Says nothing about a full disk: the writing of the pack does. Writes through no link and to nothing but a regular
    file: a link could lead anywhere, and a pipe waits for its reader."""

    def _open(self) -> TextIOWrapper:
        path = Path(self.baseFilename)
        if is_link(path) or (path.exists() and not path.is_file()):
            raise OSError(errno.ELOOP, os.strerror(errno.ELOOP), self.baseFilename)
        return super()._open()

    def doRollover(self) -> None:  # noqa: N802  # as logging has it
        # Another program, which looks at the log, may hold it so that it cannot be renamed: then it grows on.
        with contextlib.suppress(OSError):
            super().doRollover()
        if self.stream is None:
            self.stream = self._open()

    def close(self) -> None:
        # What is still to be written goes out here, and may meet a full disk: that must not hide how the run ended.
        with contextlib.suppress(OSError):
            super().close()

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: ARG002, N802  # as logging has it
        return None


class RunLog:
    """Events of one run. With `folder` None nothing is written.

    If the process dies: at most the line being written is cut off; each line stands for itself.
    """

    def __init__(
        self, folder: Path | None, wall: Callable[[], float], secrets: Secrets | None = None
    ) -> None:
        self._wall, self._secrets = wall, secrets or Secrets()
        self._handler: _Handler | None = None
        self._run = f"{_time(wall()).replace('-', '').replace(':', '')}-{os.getpid()}"
        if folder is not None:
            with contextlib.suppress(OSError):  # a folder that cannot be written stops the run by itself
                make_folders(folder)
                path = folder / FILE_NAME
                self._handler = _Handler(path, "a", _LARGEST_BYTES, _OLDER, encoding="utf-8", delay=True)

    @property
    def secrets(self) -> Secrets:
        """What no line may have in it."""
        return self._secrets

    def add_secrets(self, secrets: Secrets) -> None:
        """From now on no line may have these in it either."""
        self._secrets |= secrets

    def event(self, event: str, **facts: Any) -> None:
        """Write one line. If the process dies: the line is there whole, in part or not at all."""
        if self._handler is None:
            return
        line = {"at": _time(self._wall()), "run": self._run, "event": event, **self._clean(facts)}
        text = json.dumps(line, ensure_ascii=False)
        self._handler.handle(logging.LogRecord("lastbar", logging.INFO, "", 0, text, None, None))

    def _clean(self, value: Any) -> Any:
        if isinstance(value, str):
            return self._secrets.scrub(value)
        if isinstance(value, Mapping):
            return {self._clean(str(k)): self._clean(v) for k, v in value.items()}
        if isinstance(value, list | tuple):
            return [self._clean(v) for v in value]
        return round(value, 3) if isinstance(value, float) else value

    def close(self) -> None:
        """Close the file. A disk that refuses the last lines is no error here: the pack's own writing tells of it."""
        if self._handler is not None:
            self._handler.close()
            self._handler = None


def _time(seconds: float) -> str:
    return datetime.fromtimestamp(int(seconds), UTC).isoformat().replace("+00:00", "Z")


def last_pace(folder: Path, layer: str) -> float | None:
    """Tiles a second of the last run of a layer whose end was logged there, waits for a host that could not be reached
    left out; None if unknown."""
    for entry in newest_lines(folder):
        with contextlib.suppress(ValueError, KeyError, TypeError, AttributeError):  # not ours
            end = entry["layers"][layer] if entry["event"] == "end" else {}
            refreshed = sum(end.get("refresh", {}).get(name, 0) for name in ("new", "unchanged", "gone"))
            tiles = end["stored"] + end["absent_now"]
            seconds = (end["seconds"] - _waited_s(end)) * tiles / max(tiles + refreshed, 1)
            if tiles >= _LEAST_TILES and seconds > 0:
                return float(tiles / seconds)
    return None


def seconds_waited(folder: Path, layer: str, started: int, ended: int) -> float:
    """How long a run of a layer waited for a host that could not be reached; 0 if the log does not tell.

    The run is told by when its pack was opened and closed, in seconds since 1970: both lie within a run of the log.
    """
    for entry in newest_lines(folder):
        with contextlib.suppress(ValueError, KeyError, TypeError, AttributeError):  # not ours
            if entry["event"] == "end":
                end, at = entry["layers"][layer], datetime.fromisoformat(entry["at"]).timestamp()
                if at - entry["seconds"] - _SPARE_S <= started <= ended <= at + _SPARE_S:
                    return float(_waited_s(end))
    return 0.0


def _waited_s(end: Mapping[str, Any]) -> float:
    return float(
        end.get("waited_seconds", end["paused_seconds"])
    )  # earlier versions told of all pauses alone


def newest_lines(folder: Path) -> Iterator[dict[str, Any]]:
    """The lines of the log that can be read, from the last one back, as far as the log is worth reading."""
    try:
        if not (folder / FILE_NAME).is_file():
            return
        with (folder / FILE_NAME).open("rb") as file:
            file.seek(max(0, file.seek(0, os.SEEK_END) - _TAIL_BYTES))
            lines = file.read().splitlines()
    except OSError:
        return
    for line in reversed(lines):
        with contextlib.suppress(ValueError, RecursionError):  # cut off
            if isinstance(entry := json.loads(line), dict):
                yield entry
