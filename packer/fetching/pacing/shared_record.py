"""A small record of each host in the user's state folder, which the processes of one user share under a lock.

It holds how the caps are shared, when the latest requests of processes that have ended started, and until when the host
asked to be left alone. No address and no key is in it: its name is a hash.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, TypeVar

from filelock import FileLock, Timeout

from packer.fetching.pacing.cap_shares import Claims

__all__ = ["Content", "SharedRecord", "add_recent", "claims_in", "recent_in", "state_folder"]

T = TypeVar("T")
Content = dict[str, Any]

_FIRST_WAIT_S = 2.0  # for the lock, which is held for less than a millisecond
_memory: dict[str, Content] = {}  # for the process alone, where the folder cannot be used


def state_folder() -> Path:
    """Where this user's programs keep their state: XDG_STATE_HOME (XDG Base Directory Specification 0.8) or what
    the system has for it."""
    if given := os.environ.get("XDG_STATE_HOME", ""):
        base = Path(given)
    elif sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home())
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path.home() / ".local" / "state"
    return base / "lastbar" / "hosts"


class SharedRecord:
    """The record of one host. `problem` is set once it cannot be used, to why; the process then keeps it alone."""

    def __init__(self, host: str, folder: Path | None = None) -> None:
        self.problem: str | None = None
        self._name = hashlib.sha256(host.encode()).hexdigest()[:24]
        self._path = Path()
        self._lock: FileLock | None = None
        try:
            folder = folder or state_folder()
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            self._path = folder / f"{self._name}.json"
            self._lock = FileLock(f"{self._path}.lock", mode=0o600)
        except (OSError, RuntimeError, NotImplementedError) as fault:
            self._fail(fault)

    def change(self, change: Callable[[Content], T], *, wait: bool = False) -> T | None:
        """What `change` makes of the content, which it may alter; None if another process holds the lock just now.

        If the process dies: the content is as before, as after, or unreadable, which counts as empty.
        """
        if self._lock is None or self.problem is not None:
            return change(_memory.setdefault(self._name, {}))
        try:
            with self._lock.acquire(timeout=_FIRST_WAIT_S if wait else 0):
                content = self._read()
                before = json.dumps(content)
                found = change(content)
                if (after := json.dumps(content)) != before:
                    self._write(after)
                return found
        except Timeout:
            if wait:
                self._fail("another process holds its lock")
                return change(_memory.setdefault(self._name, {}))
            return None
        except (OSError, NotImplementedError) as fault:
            self._fail(fault)
            return change(_memory.setdefault(self._name, {}))

    def _read(self) -> Content:
        with contextlib.suppress(FileNotFoundError, ValueError):
            if self._path.stat().st_size < 1_000_000 and self._path.is_file():
                found = json.loads(self._path.read_bytes())
                return found if isinstance(found, dict) else {}
        return {}

    def _write(self, text: str) -> None:
        flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | getattr(os, "O_NOFOLLOW", 0)
        handle = os.open(self._path, flags, 0o600)
        try:
            os.write(handle, text.encode())
        finally:
            os.close(handle)

    def _fail(self, fault: object) -> None:
        self.problem = str(fault)


def claims_in(content: Content, now: float) -> Claims:
    """The claims of the living in a record."""
    found = content.get("claims", {})
    pids = {c.get("pid") for c in found.values() if isinstance(c, dict)} if isinstance(found, dict) else set()
    claims = Claims.read(found, now, {pid: _is_gone(pid) for pid in pids if isinstance(pid, int)})
    content["claims"] = claims.by_name
    return claims


def recent_in(content: Content, now: float, span_s: float) -> list[float]:
    """When requests of processes that have ended since arrived at the latest, as far as they still count."""
    found = content.get("recent", [])
    kept = (
        [t for t in found if isinstance(t, float) and now - span_s < t <= now + span_s]
        if isinstance(found, list)
        else []
    )
    content["recent"] = kept
    return kept


def add_recent(content: Content, starts: Iterable[float]) -> None:
    """Let the starts of a process that ends count for those after it."""
    content["recent"] = [*content.get("recent", []), *starts]


def _is_gone(pid: int) -> bool:
    """Whether no process has this number; on Windows only its signs of life tell."""
    if sys.platform == "win32" or pid <= 0:
        return False
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    except OSError:
        return False
    return False
