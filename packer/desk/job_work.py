"""What a job of the desk works on: the brief and its plan at the moment at which it is started."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from packer.desk.command_work import split_work, take_in_work
from packer.desk.document import Snapshot
from packer.desk.jobs import Work
from packer.desk.known_cards import KnownCards
from packer.desk.packs_work import merge_work, prune_work
from packer.desk.work import (
    FetchSupport,
    describe_work,
    fetch_work,
    handover_work,
    inspect_work,
    survey_work,
    verify_work,
)
from packer.errors import InputError
from packer.planning.brief import Brief
from packer.planning.plan import Plan, plan
from packer.proof.results import VerifyReport

_ON_PACKS = {"merge": merge_work, "split": split_work, "take-in": take_in_work}

__all__ = ["job_work", "mark_of"]


def job_work(
    kind: str,
    options: Mapping[str, Any],
    now: Snapshot,
    planned: Callable[[], tuple[Snapshot, Brief, Plan]],
    store: Path | None,
    keep: Callable[[Brief, Plan, VerifyReport], None],
    cards: KnownCards,
    support: FetchSupport,
) -> tuple[Work, str | None]:
    """The work of a kind, and the mark of the brief that its outcome will be of.

    `planned` gives the present brief with its plan, and `keep` is given what a check found; `cards` takes in what was
    written or inspected; `support` is what a fetch is given. Raises InputError for a kind that is none, or
    options that cannot be used, and as `planned`.
    """
    if kind == "inspect":
        return inspect_work(options, cards), None
    if now.brief is None:
        raise InputError(f"The brief needs {now.lacks} first.")
    if kind == "fetch":
        return fetch_work(now.brief, store, options, support), None
    if kind == "describe":
        return describe_work(now.brief, store), None
    if kind == "survey":
        return survey_work(now.brief, store, options), None
    if kind in _ON_PACKS:
        return _ON_PACKS[kind](now.brief, store, options), None
    # A proof and a card rest on the shape files as they are now, not on what was read of them before.
    now, brief, _ = planned()
    worked_out = plan(brief)
    mark = mark_of(now, worked_out)
    if kind == "verify":
        return verify_work(
            brief, worked_out, store, options, lambda found: keep(brief, worked_out, found)
        ), mark
    if kind == "prune":
        return prune_work(brief, worked_out, store, options, mark), mark
    if kind == "handover":
        return handover_work(brief, worked_out, store, options, cards), mark
    raise InputError(f"There is no job called {kind}.")


def mark_of(now: Snapshot, worked_out: Plan) -> str:
    """A name for a brief together with its plan: what was found of one does not hold for another."""
    return hashlib.sha256(f"{worked_out.fingerprint}\n{now.text}".encode()).hexdigest()[:16]
