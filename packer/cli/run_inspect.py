"""`lastbar inspect`: is a handed-over copy whole, on whatever machine it is?"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from pathlib import Path

from packer.cli.briefs import brief_at
from packer.cli.output import echo, print_json
from packer.cli.run_handover import HandoverProgress
from packer.errors import EXIT_NOT_COMPLETE
from packer.handover import CardVerdict, FolderFinding, InspectionSummary, InspectReport, inspect_tree
from packer.handover.against import differences
from packer.handover.manifest import CREWS

__all__ = ["run"]

_SHOWN = 20


def run(folder: Path, as_json: bool, against: Path | None = None, store: Path | None = None) -> int:
    """Inspect the copy in `folder`, or the copies below it; 0 if all are there and intact, 1 if one is not.

    With the brief at `against` also say whether each copy is of its plan of today; 1 if one is not.
    """
    changed = _Today(against, store) if against is not None else None
    found = inspect_tree(folder, on_progress=HandoverProgress().show)
    old = {report.folder: changed.differences(report) for report in found.copies} if changed else {}
    if as_json:
        told = [{"folder": str(f), "up_to_date": not d, "differences": list(d)} for f, d in old.items()]
        print_json(found.to_dict() | ({"against": told} if changed else {}))
    else:
        for report in found.copies:
            _show(report)
        _show_folders(found.folders)
        _show_verdict(found)
        _show_differences(old)
    return 0 if found.intact and not any(old.values()) else EXIT_NOT_COMPLETE


class _Today:
    """The plan of a brief as it is now."""

    def __init__(self, path: Path, store: Path | None) -> None:
        from packer.planning.plan import plan  # a copy alone is looked at without the planner's libraries

        self._brief = brief_at(path, store)
        self._plan = plan(self._brief)

    def differences(self, report: InspectReport) -> tuple[str, ...]:
        """What a copy would have otherwise if it were handed over now."""
        return differences(report.manifest, self._brief, self._plan)


def _show_differences(old: Mapping[Path, tuple[str, ...]]) -> None:
    for folder, sentences in old.items():
        echo()
        state = "OUT OF DATE. Hand over again:" if sentences else "up to date with the brief."
        echo(f"{_plain(str(folder))}: {state}")
        for sentence in sentences[:_SHOWN]:
            _line(f"- {sentence}")
        if len(sentences) > _SHOWN:
            echo(f"  and {len(sentences) - _SHOWN:,} more")


_SENTENCES = {
    CardVerdict.INTACT: "every file is as it was handed over, with every planned tile that the server has.",
    CardVerdict.NOT_COMPLETE: (
        "every file is as it was handed over, but planned tiles were missing then, or the map was less deep than its "
        "floor."
    ),
    CardVerdict.NOT_INTACT: "files are missing or damaged. Copy what is named above again.",
}


def _show_verdict(found: InspectionSummary) -> None:
    for line in textwrap.wrap(
        f"{found.verdict.value}: {_SENTENCES[found.verdict]}", 80, subsequent_indent="  "
    ):
        echo(line)


def _show_folders(folders: tuple[FolderFinding, ...]) -> None:
    for finding in folders[:_SHOWN]:
        echo(_plain(str(finding.folder)))
        _line(f"{finding.state}: {finding.detail}")
    if len(folders) > _SHOWN:
        echo(f"and {len(folders) - _SHOWN:,} more")
    if any(finding.state == "unfinished" for finding in folders):
        echo("To finish these folders, run lastbar handover again, then copy them.")
    if any(finding.state == "missing" for finding in folders):
        echo(f"If a crew no longer needs a folder, delete {CREWS} and run lastbar handover")
        echo("again for all other crews.")
    if folders:
        echo()


def _show(report: InspectReport) -> None:
    crew = f", for crew {report.manifest.crew}" if report.manifest.crew is not None else ""
    echo(str(report.folder))
    _line(f"{report.manifest.title}{crew}")
    intact = sum(file.state == "intact" for file in report.files)
    echo(f"  {intact:,} of {len(report.files):,} files intact")
    bad = [file for file in report.files if file.state != "intact"]
    for file in bad[:_SHOWN]:
        _line(f"{file.state} {file.name}: {file.detail}")
    if len(bad) > _SHOWN:
        echo(f"  and {len(bad) - _SHOWN:,} more")
    for name in report.extra[:_SHOWN]:
        _line(f"not part of the copy: {name}")
    if len(report.extra) > _SHOWN:
        echo(f"  and {len(report.extra) - _SHOWN:,} more that are not part of the copy")
    if not report.manifest.complete:
        _line("Planned tiles were missing at the handover; the card says in which layers.")
    echo()


def _plain(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text)


def _line(text: str) -> None:
    echo(
        textwrap.fill(_plain(text), 80, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False)
    )
