"""`lastbar handover`: packs become sealed files for the crew's devices."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import Literal, cast, get_args

from packer.cli.briefs import brief_at
from packer.cli.output import echo, echo_wrapped, print_json, table, warn
from packer.common.disk_sync import can_read_back
from packer.common.shell import shell_command
from packer.common.units import bytes_text, counted, size_bytes
from packer.errors import EXIT_NOT_COMPLETE, InputError
from packer.handover import Copy, HandoverReport, handover
from packer.handover.crews import crews_of
from packer.handover.kinds import As
from packer.handover.loose import SUMS
from packer.planning.plan import plan
from packer.proof.cluster import cluster_pool

__all__ = ["HandoverProgress", "run"]

_SHOWN = 12


def run(
    path: Path,
    store: Path | None,
    to: Path | None,
    as_: str,
    max_file: str | None,
    crews: list[str] | None,
    allow_gaps: bool,
    as_json: bool,
    blend: bool = False,
    cluster: str | None = None,
) -> int:
    """Hand over the packs of the brief at `path` into the folder `to`; 1 if something is missing, which was allowed.

    `max_file` is a size such as "4 GiB", "none", or None for the largest that any target takes; `crews` None is all;
    `cluster` is the address of a scheduler whose workers write the files.
    """
    to, kind, limit = _target(to), _kind(as_), _limit(max_file)
    brief, show = brief_at(path, store), HandoverProgress().show
    try:
        with cluster_pool(cluster, warn) as pool:
            report = handover(
                brief,
                plan(brief),
                store,
                to,
                as_=kind,
                max_file_bytes=limit,
                crews=crews_of(brief, crews),
                allow_gaps=allow_gaps,
                blend=blend,
                on_progress=show,
                on_note=warn,
                cluster=pool,
            )
    except KeyboardInterrupt:
        kept = "it goes on where it was" if cluster is None else "the files that are finished are kept"
        warn(f"Stopped. The handover is not finished. Run the same command again: {kept}.")
        return EXIT_NOT_COMPLETE
    if as_json:
        print_json(report.to_dict())
    else:
        echo(brief.title)
        _show(report, to)
    return 0 if report.complete else EXIT_NOT_COMPLETE


def _target(to: Path | None) -> Path:
    if to is None:
        raise InputError("The target is missing. Name the card or folder to write to: --to DIR")
    return to


def _kind(as_: str) -> As:
    if as_ not in get_args(As):
        raise InputError(f"--as {as_}: it should be mbtiles, gpkg or folder.")
    return cast(As, as_)


def _limit(text: str | None) -> int | Literal["auto"] | None:
    if text is None:
        return "auto"
    if text.strip() == "none":
        return None
    try:
        return size_bytes(text if not text.strip().isdecimal() else f"{text} B")
    except ValueError as fault:
        raise InputError(f'--max-file {text}: {fault}, or "none".') from None


class HandoverProgress:
    """A line now and then while something long goes on."""

    def __init__(self) -> None:
        self._last = time.monotonic()

    def show(self, doing: str, done: int, every: int) -> None:
        """Take in where things stand; called often."""
        now = time.monotonic()
        if now - self._last > 2.0 and sys.stderr is not None:
            self._last = now
            warn(f"{doing}: {done:,} of {every:,} ({done * 100 // max(every, 1)} %)")


def _show(report: HandoverReport, to: Path) -> None:
    for copy in report.copies:
        echo()
        crew = f"Crew {copy.manifest.crew}, in" if copy.manifest.crew is not None else "In"
        echo(f"{crew} {copy.folder}: {bytes_text(copy.size_bytes)}")
        _show_files(copy)
        _show_layers(copy)
    echo()
    if report.complete:
        echo("Handed over, and every file read back. Each folder has a text card for the crew.")
    else:
        lacks = dict.fromkeys(copy.manifest.lacks for copy in report.copies if not copy.manifest.complete)
        what = "; on others ".join(lacks) if len(lacks) < 3 else "planned tiles are missing"
        echo(f"Handed over, NOT COMPLETE: {what}, as each card says.")
    if not can_read_back():
        echo_wrapped(
            "This system may have read the files back from its memory and not from the card. Take the card out, put it "
            "in again, and run lastbar inspect on it, as below."
        )
    echo("After copying to a device, check the copy, there or with the card in a reader:")
    echo(f"  {shell_command('inspect', to)}")


def _show_files(copy: Copy) -> None:
    files = [file for file in copy.manifest.files if file.kind != "text"]
    rows = [
        [
            f.name.removesuffix(SUMS),
            f"{sum(f.by_zoom.values()):,}",
            bytes_text(copy.loose_bytes.get(f.name, f.size_bytes)),
        ]
        for f in files[:_SHOWN]
    ]
    table(["file", "tiles", "size"], rows)
    if len(files) > _SHOWN:
        echo(f"  and {len(files) - _SHOWN:,} more, all listed in manifest.json")


def _show_layers(copy: Copy) -> None:
    for name, layer in copy.manifest.layers.items():
        if layer.blended is not None:
            echo(
                f"  {name}: {', '.join(layer.blended.over)} blended in, {counted(layer.blended.tiles, 'tile')}"
            )
        for count, text in (
            (layer.absent, "not on the server"),
            (layer.missing, "MISSING"),
            (layer.damaged, "CORRUPT in the pack and left out"),
        ):
            if count:
                echo(f"  {name}: {counted(count, 'planned tile')} {text}")
