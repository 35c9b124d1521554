"""The note that a run leaves in a folder while it works there: the names that it is about to give, for whom, and the
files that are finished, so that a run which was cut off is gone on with.

The names are needed to go on after a kill. The crew is told so that a half-done folder is known to be a crew's
even where the record of crews is gone. What it says of a finished file is believed only of a file with just those
bytes, and of just the tiles that would be written now.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType

from pydantic import BaseModel, ConfigDict, ValidationError

from packer.common.links import is_link
from packer.handover.manifest import Count, FileEntry, Sha256
from packer.handover.target import clear_away, put_text

__all__ = ["JOURNAL", "FinishedFile", "Journal", "clear_journal", "read_journal", "write_journal"]

JOURNAL = ".intent.handover.part"
_LARGEST_BYTES = 8_000_000


class FinishedFile(BaseModel):
    """A file that was read back: what stands for all that it was made of, its entries in the manifest, and the bytes
    of its tiles."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)

    of: Sha256
    entries: tuple[FileEntry, ...]
    tiles_bytes: Count


class _Finished(BaseModel):
    """All of them by name. `sha256` is over the rest, since half a sector may be all that a card keeps."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)

    finished: dict[str, FinishedFile]
    sha256: Sha256

    @classmethod
    def of(cls, finished: Mapping[str, FinishedFile]) -> _Finished:
        files = dict(finished)
        return cls(finished=files, sha256=_digest(files))


def _digest(finished: Mapping[str, FinishedFile]) -> str:
    text = "\n".join(f"{name} {file.model_dump_json()}" for name, file in sorted(finished.items()))
    return hashlib.sha256(text.encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class Journal:
    """The names that a run was about to give, the crew that it did so for, None where it was for everyone, and the
    files that it had finished, by name."""

    names: frozenset[str] = frozenset()
    crew: str | None = None
    finished: Mapping[str, FinishedFile] = field(default_factory=lambda: MappingProxyType({}))


def write_journal(folder: Path, journal: Journal) -> None:
    """Note what a run is about to do, and has done. If the process dies: the old note or the new one."""
    # An older version passes by what is not a name.
    told: list[object] = [*sorted(journal.names), *([] if journal.crew is None else [{"crew": journal.crew}])]
    if journal.finished:
        told.append(_Finished.of(journal.finished).model_dump(mode="json"))
    put_text(folder / JOURNAL, json.dumps(told) + "\n")


def clear_journal(folder: Path) -> None:
    """Remove the note once a manifest stands for the names. If the process dies: it may still be there."""
    clear_away(folder / JOURNAL)


def read_journal(folder: Path) -> Journal:
    """The note in a folder; an empty one where there is none, or none that can be read. It may come from anyone."""
    path = folder / JOURNAL
    try:
        if is_link(path) or not path.is_file() or path.stat().st_size > _LARGEST_BYTES:
            return Journal()
        found = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return Journal()  # it has its name only once it is whole
    told = found if isinstance(found, list) else []
    objects = [entry for entry in told if isinstance(entry, dict)]
    crew = next((entry["crew"] for entry in objects if isinstance(entry.get("crew"), str)), None)
    finished = next((entry for entry in objects if "finished" in entry), None)
    names = frozenset(name for name in told if isinstance(name, str))
    return Journal(names, crew, _finished(finished))


def _finished(told: object) -> Mapping[str, FinishedFile]:
    try:
        found = _Finished.model_validate_json(json.dumps(told))
    except (ValidationError, ValueError, RecursionError):
        return {}
    return found.finished if found.sha256 == _digest(found.finished) else {}
