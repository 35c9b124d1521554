"""The note that a run leaves in a folder while it works there: the names that it is about to give, and for whom.

Only the names are needed to go on after a kill. The crew is told so that a half-done folder is known to be a crew's
even where the record of crews is gone.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from packer.common.links import is_link
from packer.handover.target import clear_away, put_text

__all__ = ["JOURNAL", "Journal", "clear_journal", "read_journal", "write_journal"]

JOURNAL = ".intent.handover.part"
_LARGEST_BYTES = 8_000_000


@dataclass(frozen=True, slots=True)
class Journal:
    """The names that a run was about to give, and the crew that it did so for; None where it was for everyone."""

    names: frozenset[str] = frozenset()
    crew: str | None = None


def write_journal(folder: Path, names: set[str], crew: str | None) -> None:
    """Note the names that are about to be given. If the process dies: the old note or the new one."""
    # An older version passes by what is not a name.
    told = [*sorted(names), *([] if crew is None else [{"crew": crew}])]
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
    crews = [entry.get("crew") for entry in told if isinstance(entry, dict)]
    crew = next((crew for crew in crews if isinstance(crew, str)), None)
    return Journal(frozenset(name for name in told if isinstance(name, str)), crew)
