"""`lastbar inspect`: is a handed-over copy whole, on whatever machine it is?"""

from __future__ import annotations

import textwrap
from pathlib import Path

from packer.cli.run_handover import Progress
from packer.cli.speech import document, say
from packer.errors import EXIT_NOT_COMPLETE
from packer.handover import InspectReport, copies_in, inspect_folder

__all__ = ["run"]

_SHOWN = 20


def run(folder: Path, as_json: bool) -> int:
    """Inspect the copy in `folder`, or the copies below it; 0 if all are sound, 1 if one is not."""
    progress = Progress()
    reports = [inspect_folder(one, on_progress=progress.show) for one in copies_in(folder)]
    sound = all(report.sound for report in reports)
    if as_json:
        document({"sound": sound, "copies": [report.as_json() for report in reports]})
    else:
        for report in reports:
            _show(report)
        say("SOUND: as it was handed over." if sound else "NOT SOUND. Copy what is named above again.")
    return 0 if sound else EXIT_NOT_COMPLETE


def _show(report: InspectReport) -> None:
    crew = f", for crew {report.manifest.crew}" if report.manifest.crew is not None else ""
    say(str(report.folder))
    _line(f"{report.manifest.title}{crew}")
    sound = sum(file.state == "sound" for file in report.files)
    say(f"  {sound:,} of {len(report.files):,} entries of the manifest are sound")
    bad = [file for file in report.files if file.state != "sound"]
    for file in bad[:_SHOWN]:
        _line(f"{file.state} {file.name}: {file.detail}")
    if len(bad) > _SHOWN:
        say(f"  and {len(bad) - _SHOWN:,} more")
    for name in report.extra[:_SHOWN]:
        _line(f"not part of the copy: {name}")
    if len(report.extra) > _SHOWN:
        say(f"  and {len(report.extra) - _SHOWN:,} more that are not part of the copy")
    if not report.manifest.complete:
        _line("Planned tiles were missing when it was handed over; the card says which layers.")
    say()


def _line(text: str) -> None:
    plain = "".join(c if c.isprintable() else "?" for c in text)
    say(textwrap.fill(plain, 80, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False))
