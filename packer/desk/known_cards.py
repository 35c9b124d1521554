"""The cards that this desk has written or inspected, and which of them the brief of today would make otherwise."""

from __future__ import annotations

import contextlib
import json
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from packer.common.atomic_write import write_atomic
from packer.common.links import is_link
from packer.handover.against import differences
from packer.handover.manifest import Manifest
from packer.planning.brief import Brief
from packer.planning.plan import Plan

__all__ = ["KnownCard", "KnownCards"]

_MOST = 200  # cards, the newest first
_LARGEST_BYTES = 20_000_000


class _CardEntry(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)
    folder: str = Field(max_length=4096)
    seen: float
    manifest: Manifest


class _CardRecord(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)
    cards: tuple[_CardEntry, ...] = Field(default=(), max_length=_MOST)


@dataclass(frozen=True, slots=True)
class KnownCard:
    """One card: its folder when it was written or last inspected, and its manifest without the list of files."""

    folder: Path
    manifest: Manifest


class KnownCards:
    """The cards of the brief at `path`, kept in `.cards.json` beside it. Safe to use from any thread.

    It is there to tell people which cards are out of date, also those that have left. A file that is damaged or
    another's is as if there were none; one that cannot be written costs only what it would have told.
    """

    def __init__(self, path: Path, now: Callable[[], float] = time.time) -> None:
        self._file, self._now = path.with_name(".cards.json"), now
        self._lock = threading.Lock()
        self._cards = self._read()
        self._told: tuple[str, list[dict[str, Any]]] = ("", [])

    def note(self, cards: Iterable[KnownCard]) -> None:
        """Remember cards, in place of what was known of the same folders.

        If the process dies: the old record or the new one.
        """
        fresh = [
            _CardEntry(
                folder=str(one.folder),
                seen=round(self._now(), 1),
                manifest=one.manifest.model_copy(update={"files": ()}),
            )
            for one in cards
        ]
        with self._lock:
            there = {one.folder for one in fresh}
            self._cards = (*fresh, *(one for one in self._cards if one.folder not in there))[:_MOST]
            self._told = ("", [])
            with contextlib.suppress(OSError):
                write_atomic(self._file, _CardRecord(cards=self._cards).model_dump_json())

    def against(self, brief: Brief, plan: Plan, mark: str) -> list[dict[str, Any]]:
        """Each card with its `differences` from the plan, a sentence each; none where it is up to date.

        `mark` names brief and plan: for the same one nothing is worked out again.
        """
        with self._lock:
            cards, told = self._cards, self._told
        if not mark or told[0] != mark:
            told = mark, [_told(one, differences(one.manifest, brief, plan)) for one in cards]
            with self._lock:
                if self._cards is cards:
                    self._told = told
        return told[1]

    def _read(self) -> tuple[_CardEntry, ...]:
        try:
            if is_link(self._file) or self._file.stat().st_size > _LARGEST_BYTES:
                return ()
            return _CardRecord.model_validate_json(self._file.read_bytes()).cards
        except (OSError, ValidationError, json.JSONDecodeError, RecursionError):
            return ()


def _told(card: _CardEntry, old: tuple[str, ...]) -> dict[str, Any]:
    return {
        "folder": card.folder,
        "crew": card.manifest.crew,
        "seen": card.seen,
        "complete": card.manifest.complete,
        "differences": list(old),
    }
