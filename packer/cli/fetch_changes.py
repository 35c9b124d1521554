"""What has changed since the last fetch, told by several commands in the same words."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from packer.cli.output import warn
from packer.planning.brief import Brief
from packer.planning.changes import changes_since_fetch
from packer.planning.plan import Plan

__all__ = ["changes_json", "warn_of_changes"]


def warn_of_changes(brief: Brief, worked_out: Plan, store: Path | None) -> None:
    """Say on stderr what has changed; nothing if nothing has."""
    found = changes_since_fetch(brief, worked_out, store)
    for sentence in found.sentences if found else ():
        warn(f"Note: {sentence}")


def changes_json(brief: Brief, worked_out: Plan, store: Path | None) -> dict[str, Any]:
    """The same for a document, under a key of its own; None stands for no change, or none that is known of."""
    found = changes_since_fetch(brief, worked_out, store)
    return {"changed_since_fetch": found.to_dict() if found else None}
