"""Looking at all copies in a folder: those that are there, and those that belong there and are not."""

from __future__ import annotations

import enum
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from packer.common.links import is_link
from packer.errors import StoreError
from packer.handover.crew_folders import (
    is_unfinished,
    may_be_looked_into,
    plain_name,
    read_record,
    unfinished_below,
)
from packer.handover.inspection import LINK, InspectReport, Progress, inspect_folder
from packer.handover.loose import file_sha256
from packer.handover.manifest import CARD, CREWS, CREWS_LOCK, MANIFEST
from packer.store.disk_errors import translated

__all__ = ["CardVerdict", "FolderFinding", "InspectionSummary", "copies_in", "inspect_tree"]

_FIRST_BYTES = 1000  # what a manifest is stands at its start


class CardVerdict(enum.StrEnum):
    """The verdict on handed-over copies. An intact copy is what was handed over, which may lack planned tiles."""

    INTACT = "INTACT"
    NOT_COMPLETE = "INTACT, NOT COMPLETE"
    NOT_INTACT = "NOT INTACT"


@dataclass(frozen=True, slots=True)
class FolderFinding:
    """What is wrong with a folder as a whole. `detail` is a clause in plain words."""

    folder: Path
    state: Literal["missing", "unfinished", "changed", "unreadable"]
    detail: str


@dataclass(frozen=True, slots=True)
class InspectionSummary:
    """What was found of all copies in a folder, and the folders that are not as they were handed over."""

    copies: tuple[InspectReport, ...]
    folders: tuple[FolderFinding, ...]

    @property
    def intact(self) -> bool:
        """Whether every copy that belongs here is here, whole and as it was handed over."""
        return not self.folders and all(copy.intact for copy in self.copies)

    @property
    def verdict(self) -> CardVerdict:
        """A damaged copy decides; without one, so does a handover that left planned tiles out."""
        if not self.intact:
            return CardVerdict.NOT_INTACT
        complete = all(copy.manifest.complete for copy in self.copies)
        return CardVerdict.INTACT if complete else CardVerdict.NOT_COMPLETE

    def to_dict(self) -> dict[str, Any]:
        """One plain document."""
        return {
            "intact": self.intact,
            "verdict": self.verdict.value,
            "copies": [copy.to_dict() for copy in self.copies],
            "folders": [
                {"folder": str(f.folder), "state": f.state, "detail": f.detail} for f in self.folders
            ],
        }


def copies_in(folder: Path) -> list[Path]:
    """The handed-over copies in a folder: itself, and those directly below it, one for each crew.

    Gives the folder itself where there is none at all, for `inspect_folder` to say so. Raises DiskError where it
    cannot be looked into; one below it that is shut is passed by.
    """
    if not folder.is_dir():
        return [folder]
    with translated(folder):
        top = (folder / MANIFEST).exists()
        open_ones = (path for path in sorted(folder.iterdir()) if may_be_looked_into(path))
        below = [path for path in open_ones if (path / MANIFEST).is_file()]
        # Beside files that are a copy by themselves, a folder may be anything with a manifest of its own.
        found = [path for path in below if not is_link(path) and (not top or _is_ours(path))]
    return [folder, *found] if top or not found else found


def _is_ours(folder: Path) -> bool:
    """Whether a folder with a manifest looks like a copy, even if its manifest or its card is damaged."""
    try:
        with (folder / MANIFEST).open("rb") as file:
            known = b'"lastbar handover"' in file.read(_FIRST_BYTES)
    except PermissionError:
        known = False
    return known or (folder / CARD).exists()


def inspect_tree(
    folder: Path, *, on_progress: Progress = lambda _name, _done, _all: None
) -> InspectionSummary:
    """Inspect every copy in a folder, and hold the folder against its record of crews. Never writes.

    A folder without a record, from an older version or for everyone, is held against what is in it alone. Raises
    StoreError where there is nothing at all that was handed over; `on_progress` is as for `inspect_folder`.
    """
    faults = {fault.folder: fault for fault in _faults(folder)} if folder.is_dir() else {}
    reports: list[InspectReport] = []
    copies = copies_in(folder)
    for copy in copies:
        try:
            reports.append(inspect_folder(copy, on_progress=on_progress))
        except StoreError as fault:
            if copy != folder:
                faults.setdefault(copy, FolderFinding(copy, "unreadable", str(fault)))
            elif not faults:
                raise
    known = {CREWS, CREWS_LOCK, *(path.name for path in (*copies, *faults) if path.parent == folder)}
    return InspectionSummary(tuple(_without(report, known) for report in reports), tuple(faults.values()))


def _without(report: InspectReport, known: set[str]) -> InspectReport:
    """The report on a copy, without what is in a report of its own."""
    return replace(report, extra=tuple(name for name in report.extra if name not in known))


def _faults(folder: Path) -> Iterator[FolderFinding]:
    """What the record and the names alone tell; of several findings on a folder the last is the best."""
    try:
        record = read_record(folder)
    except StoreError as fault:
        record = None
        yield FolderFinding(folder / CREWS, "unreadable", str(fault))
    named = {} if record is None else record.folders
    below = unfinished_below(folder)
    for path in (*([folder] if (named or below) and is_unfinished(folder) else []), *below):
        yield FolderFinding(path, "unfinished", "its handover did not finish")
    there = _spellings(folder) if named else {}
    for name, sha256 in named.items():
        alike = there.get(plain_name(name), [])
        place = folder / name if folder / name in alike else next(iter(alike), folder / name)
        finding = _against_record(place, sha256)
        if finding is not None:
            yield finding


def _spellings(folder: Path) -> dict[str, list[Path]]:
    """What lies in a folder, by its plain name. A copy may part letters from their accents, and a card that takes
    letters of either case for the same keeps the spelling of the first handover."""
    found: dict[str, list[Path]] = {}
    with translated(folder):
        for path in sorted(folder.iterdir(), key=lambda path: (not path.is_dir(), path.name)):
            found.setdefault(plain_name(path.name), []).append(path)
    return found


def _against_record(path: Path, sha256: str | None) -> FolderFinding | None:
    """What is wrong with a crew's folder by the record; None if it holds the manifest that was handed over."""
    with translated(path):
        if is_link(path):
            return FolderFinding(path, "unreadable", LINK)
        if not path.is_dir():
            return FolderFinding(path, "missing", f"{CREWS} names it, but it is not here")
        if not may_be_looked_into(path):
            return FolderFinding(path, "unreadable", "you are not allowed to look into it")
        if sha256 is None:
            return FolderFinding(path, "unfinished", "its handover did not finish")
        if not (path / MANIFEST).is_file():
            return FolderFinding(path, "unfinished", f"its {MANIFEST} is not here: the copying stopped early")
    if file_sha256(path / MANIFEST) != sha256:
        return FolderFinding(path, "changed", f"its {MANIFEST} is not the one of the last handover")
    return None
