"""What the log of runs tells of a fetch while it runs, for somebody who looks on from another process."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from packer.fetching.run_log import newest_lines

__all__ = ["LoggedRun", "event_text", "last_run", "unfinished_run"]

_AT_WORK = frozenset({"start", "pause", "resume"})
_ENDS = frozenset({"end", "refused", "error", "aborted"})
_MOST_EVENTS = 30
_MINUTE_S = 60


@dataclass(frozen=True, slots=True)
class LoggedRun:
    """One run as the log has it: its name, when it started in seconds since 1970, and its lines, oldest first."""

    name: str
    started: float
    lines: tuple[Mapping[str, Any], ...]

    @property
    def ended(self) -> bool:
        """Whether the log has its end. A run that died has none."""
        return any(line["event"] in _ENDS for line in self.lines)

    @property
    def begun(self) -> bool:
        """Whether its packs were open: the start is logged after that, and may have left the end of a long log."""
        return any(line["event"] == "start" for line in self.lines)

    @property
    def process(self) -> int | None:
        """The process that runs it, as the name of the run tells."""
        number = self.name.rpartition("-")[2]
        return int(number) if number.isdecimal() else None

    def pauses(self) -> dict[str, Mapping[str, Any]]:
        """The line of the pause that each waiting layer is in."""
        found: dict[str, Mapping[str, Any]] = {}
        for line in self.lines:
            for layer in _names(line.get("layers")) if line["event"] in ("pause", "resume") else ():
                found.pop(layer, None)
                if line["event"] == "pause":
                    found[layer] = line
        return found

    def events(self) -> list[dict[str, Any]]:
        """The last lines as sentences, each with `at` in seconds since 1970."""
        told = [{"at": _seconds(line), "text": event_text(line)} for line in self.lines]
        return [one for one in told if one["text"]][-_MOST_EVENTS:]


def last_run(folder: Path) -> LoggedRun | None:
    """The newest run that the log beside the packs tells of, ended or not."""
    return next(iter(_runs(folder)), None)


def unfinished_run(folder: Path) -> LoggedRun | None:
    """The newest run of another process that is at work and has not ended: it runs, or it died."""
    for run in _runs(folder):
        at_work = any(line["event"] in _AT_WORK for line in run.lines)
        if at_work and not run.ended and run.process != os.getpid():
            return run
    return None


def _runs(folder: Path) -> list[LoggedRun]:
    """Newest first, as far as the end of the log tells of them."""
    lines: dict[str, list[Mapping[str, Any]]] = {}
    for line in newest_lines(folder):
        if isinstance(name := line.get("run"), str) and isinstance(line.get("event"), str):
            lines.setdefault(name, []).insert(0, line)
    return [LoggedRun(name, _seconds(found[0]), tuple(found)) for name, found in lines.items()]


def _seconds(line: Mapping[str, Any]) -> float:
    with contextlib.suppress(KeyError, TypeError, ValueError):
        return datetime.fromisoformat(line["at"]).timestamp()
    return 0.0


def _names(found: object) -> list[str]:
    return [name for name in found if isinstance(name, str)] if isinstance(found, list | dict) else []


def event_text(line: Mapping[str, Any]) -> str:
    """A line of the log as a sentence; empty for what tells a planner nothing. The log has no key in it."""
    match line["event"]:
        case "start":
            return f"Started: {_tiles(line, 'to_fetch')} to fetch."
        case "pause":
            return f"{', '.join(_names(line.get('layers')))}: waiting. {_said(line)}"
        case "resume":
            return f"{', '.join(_names(line.get('layers')))}: went on after {_lasted(line)}."
        case "end":
            whole = (
                "Ended: everything planned is stored."
                if line.get("complete")
                else "Ended before all was stored."
            )
            return f"{whole} {_tiles(line, 'stored')} came."
        case "refused" | "error" | "aborted":
            return f"Ended by an error: {_said(line)}"
        case "never came":
            return f"{line.get('layer')}: {line.get('count')} tiles never came."
        case "awake":
            return _said(line)
    return ""


def _said(line: Mapping[str, Any]) -> str:
    text = str(line.get("reason") or "").strip()
    return text if text.endswith((".", "!", "?")) or not text else f"{text}."


def _tiles(line: Mapping[str, Any], key: str) -> str:
    layers = line.get("layers")
    each = layers.values() if isinstance(layers, dict) else ()
    found = sum(one[key] for one in each if isinstance(one, dict) and isinstance(one.get(key), int))
    return f"{found:,} tile{'' if found == 1 else 's'}"


def _lasted(line: Mapping[str, Any]) -> str:
    seconds = line.get("paused_seconds")
    if not isinstance(seconds, int | float):
        return "a while"
    return f"{seconds:.0f} s" if seconds < _MINUTE_S else f"{seconds / _MINUTE_S:.0f} min"
