"""The state of each step of the job, in a few words, the same wherever it is shown. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from packer.common.units import bytes_text
from packer.desk.document import Snapshot

__all__ = ["step_of_job", "steps"]

Documents = Mapping[str, Mapping[str, Any]]


def steps(
    now: Snapshot,
    figures: Mapping[str, Any] | None,
    board: Sequence[Mapping[str, int]] | None,
    jobs: Documents,
    brief_mark: str,
    cards: Sequence[Mapping[str, Any]] = (),
    *,
    reading: bool = False,
) -> dict[str, dict[str, str]]:
    """For each of the six steps: `says`, its state in words, and `mood`: "todo", "busy", "done" or "wrong".

    `figures` and `board` are None while they are not known; `board` has counts of tiles for each layer.
    `brief_mark` names the present brief and plan: what was proven of another is out of date. `cards` are those that are
    known. `reading` says that the desk has just been opened, and what the packs hold is not known yet.
    """
    return {
        "ground": _ground(now),
        "worth": _worth(jobs.get("survey")),
        "room": _room(figures),
        "fetch": _said("reading the packs", "todo") if reading else _fetch(board, jobs.get("fetch")),
        "proof": _proof(jobs.get("verify"), brief_mark),
        "cards": _cards(jobs.get("handover"), cards),
    }


def step_of_job(job: Mapping[str, Any]) -> dict[str, str] | None:
    """The step that a job under way belongs to, with its `name` and state; None once it has ended."""
    if job["state"] not in ("running", "stopping"):
        return None
    match job["kind"]:
        case "fetch":
            return {"name": "fetch", **_fetching(job)}
        case "survey":
            return {"name": "worth", **_worth(job)}
        case "verify":
            return {"name": "proof", **_proof(job, "")}
        case "handover":
            return {"name": "cards", **_cards(job)}
    return None


def _said(says: str, mood: str) -> dict[str, str]:
    return {"says": says, "mood": mood}


def _ground(now: Snapshot) -> dict[str, str]:
    if now.brief is None:
        return _said(f"needs {now.lacks}", "todo")
    areas = len(now.brief.areas)
    return _said(f"{areas:,} area{'s' if areas != 1 else ''}", "done")


def _worth(job: Mapping[str, Any] | None) -> dict[str, str]:
    if job is None:
        return _said("not surveyed", "todo")
    if (busy := _busy(job, "surveying in a terminal" if job.get("elsewhere") else "surveying")) is not None:
        return busy
    if job["result"] is None:
        return _said("not surveyed", "todo")
    over = sum(
        1
        for layer in job["result"]["layers"].values()
        for area in layer["areas"].values()
        if area["worth_to"] < area["deepest"]
    )
    if over:
        return _said(f"{over:,} too deep", "wrong")
    return _said("surveyed", "done")


def _room(figures: Mapping[str, Any] | None) -> dict[str, str]:
    if figures is None:
        return _said("not known", "todo")
    over = [crew["name"] for crew in figures["crews"] if _is_over(crew)]
    if over:
        return _said(
            f"too much for {over[0]}" + (f" and {len(over) - 1} more" if len(over) > 1 else ""), "wrong"
        )
    return _said(f"about {bytes_text(figures['bytes']['expected'])}", "done")


def _is_over(crew: Mapping[str, Any]) -> bool:
    return crew["budget"] is not None and crew["bytes"]["high"] > crew["budget"]


def _fetch(board: Sequence[Mapping[str, int]] | None, job: Mapping[str, Any] | None) -> dict[str, str]:
    if job is not None and job["state"] in ("running", "stopping"):
        return _fetching(job)
    if job is not None and job["state"] == "failed":
        return _said("stopped by an error", "wrong")
    if not board:
        return _said("not begun", "todo")
    planned = sum(layer["planned"] for layer in board)
    missing = sum(layer["missing"] for layer in board)
    if not missing:
        result = (job and job["result"]) or {}
        if result.get("wrong_ground"):
            return _said("the wrong ground", "wrong")
        return _said("below the floor", "wrong") if result.get("below_floor") else _said("all stored", "done")
    if missing == planned:
        return _said("not begun", "todo")
    return _said(f"{100 * (planned - missing) // planned} % stored", "todo")


def _fetching(job: Mapping[str, Any]) -> dict[str, str]:
    told = job["progress"]
    if job["state"] == "stopping":
        return _said("stopping", "busy")
    pauses = [layer["pause"] for layer in told.get("layers", {}).values() if layer["pause"]]
    if pauses and len(pauses) == len(told["layers"]):
        words = {"sign-in": "waiting: sign in", "key": "waiting: a key"}
        return _said(words.get(pauses[0]["kind"], "waiting"), "wrong")
    share = 100 * told.get("done", 0) // max(told.get("planned", 0), 1)
    return _said(f"{share} %, in a terminal" if job.get("elsewhere") else f"{share} % stored", "busy")


def _proof(job: Mapping[str, Any] | None, brief_mark: str) -> dict[str, str]:
    if job is None:
        return _said("not checked", "todo")
    if (busy := _busy(job, "checking")) is not None:
        return busy
    if job["result"] is None:
        return _said("the check failed", "wrong")
    if job["brief_mark"] != brief_mark:
        return _said("changed, check again", "todo")
    at = datetime.fromtimestamp(job["ended"]).strftime("%H:%M")
    ready = bool(job["result"].get("ready"))
    return _said(f"{job['result'].get('verdict', 'NOT READY')} at {at}", "done" if ready else "wrong")


def _cards(job: Mapping[str, Any] | None, cards: Sequence[Mapping[str, Any]] = ()) -> dict[str, str]:
    if job is not None and (busy := _busy(job, "writing")) is not None:
        return busy
    if job is not None and job["result"] is None:
        return _said("not written", "wrong")
    if not cards:
        return _said("none written", "todo")
    if old := sum(bool(one["differences"]) for one in cards):
        return _said(f"{old:,} out of date", "wrong")
    return _said(f"{len(cards):,} written", "done")


def _busy(job: Mapping[str, Any], word: str) -> dict[str, str] | None:
    if job["state"] not in ("running", "stopping"):
        return None
    told = job["progress"]
    every = told.get("all") or told.get("planned") or 0
    share = f", {100 * told.get('done', 0) // every} %" if every else ""
    return _said(f"{word}{share}", "busy")
