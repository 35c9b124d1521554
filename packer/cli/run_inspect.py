"""`lastbar inspect`: is a handed-over copy whole, on whatever machine it is?"""

from __future__ import annotations

import textwrap
from pathlib import Path

from packer.cli.output import echo, print_json
from packer.cli.run_handover import HandoverProgress
from packer.errors import EXIT_NOT_COMPLETE
from packer.handover import FolderFinding, InspectReport, inspect_tree
from packer.handover.manifest import CREWS

__all__ = ["run"]

_SHOWN = 20


def run(folder: Path, as_json: bool) -> int:
    """Inspect the copy in `folder`, or the copies below it; 0 if all are there and sound, 1 if one is not."""
    found = inspect_tree(folder, on_progress=HandoverProgress().show)
    if as_json:
        print_json(found.to_dict())
    else:
        for report in found.copies:
            _show(report)
        _show_folders(found.folders)
        echo("SOUND: as it was handed over." if found.sound else "NOT SOUND. Copy what is named above again.")
    return 0 if found.sound else EXIT_NOT_COMPLETE


def _show_folders(folders: tuple[FolderFinding, ...]) -> None:
    for finding in folders[:_SHOWN]:
        echo(_plain(str(finding.folder)))
        _line(f"{finding.state}: {finding.detail}")
    if len(folders) > _SHOWN:
        echo(f"and {len(folders) - _SHOWN:,} more")
    if any(finding.state == "unfinished" for finding in folders):
        echo("Run lastbar handover again for what is unfinished, then copy it.")
    if any(finding.state == "missing" for finding in folders):
        echo(f"For a crew that is not to have a folder any more: remove {CREWS}, and")
        echo("run lastbar handover again for all others.")
    if folders:
        echo()


def _show(report: InspectReport) -> None:
    crew = f", for crew {report.manifest.crew}" if report.manifest.crew is not None else ""
    echo(str(report.folder))
    _line(f"{report.manifest.title}{crew}")
    sound = sum(file.state == "sound" for file in report.files)
    echo(f"  {sound:,} of {len(report.files):,} entries of the manifest are sound")
    bad = [file for file in report.files if file.state != "sound"]
    for file in bad[:_SHOWN]:
        _line(f"{file.state} {file.name}: {file.detail}")
    if len(bad) > _SHOWN:
        echo(f"  and {len(bad) - _SHOWN:,} more")
    for name in report.extra[:_SHOWN]:
        _line(f"not part of the copy: {name}")
    if len(report.extra) > _SHOWN:
        echo(f"  and {len(report.extra) - _SHOWN:,} more that are not part of the copy")
    if not report.manifest.complete:
        _line("Planned tiles were missing when it was handed over; the card says which layers.")
    echo()


def _plain(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text)


def _line(text: str) -> None:
    echo(
        textwrap.fill(_plain(text), 80, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False)
    )
