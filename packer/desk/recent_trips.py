"""The trips that this planner has had on the desk, newest first, in the user's configuration folder."""

from __future__ import annotations

import contextlib
import json
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from packer.common.atomic_write import make_folders, write_atomic
from packer.common.configuration import configuration_folder

__all__ = ["RecentTrips"]

_MOST = 12
_LARGEST_BYTES = 100_000


class RecentTrips:
    """The list of trips. A file that is damaged is as if there were none; one that cannot be written stays as it is.

    Safe to use from any thread. It has paths and titles, and nothing of what a brief says.
    """

    def __init__(self, folder: Path | None = None, now: Callable[[], float] = time.time) -> None:
        self._file, self._now = (folder or configuration_folder()) / "recent.json", now
        self._lock = threading.Lock()

    def note(self, brief: Path, title: str) -> None:
        """Put a trip first. If the process dies: the old list or the new one."""
        entry = {"path": str(brief.absolute()), "title": title[:200], "opened": round(self._now(), 1)}
        with self._lock, contextlib.suppress(OSError):
            rest = [one for one in self._read() if one["path"] != entry["path"]]
            make_folders(self._file.parent)
            write_atomic(self._file, json.dumps([entry, *rest][:_MOST], ensure_ascii=False, indent=1))

    def trips(self) -> list[dict[str, Any]]:
        """Those whose brief is still there, each with `path`, `title` and `opened` in seconds since 1970."""
        found = self._read()
        return [one for one in found if _is_there(Path(one["path"]))]

    def _read(self) -> list[dict[str, Any]]:
        with contextlib.suppress(OSError, ValueError, RecursionError):
            if self._file.stat().st_size <= _LARGEST_BYTES:
                found = json.loads(self._file.read_text("utf-8"))
                return [one for one in found if _is_trip(one)] if isinstance(found, list) else []
        return []


def _is_trip(one: Any) -> bool:
    kinds = {"path": str, "title": str, "opened": int | float}
    return isinstance(one, dict) and all(isinstance(one.get(key), kind) for key, kind in kinds.items())


def _is_there(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False
