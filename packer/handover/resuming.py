"""Going on with a handover that was cut off: what of an earlier run may stay, and how it is tried.

Nothing is believed for being there. A finished file stays if the journal says that it was made of just what it would
be made of now, and its bytes have the hash that they had when it was read back. A half-written file is read from its
first tile on, and each of its tiles is held against what the pack says of it (`CheckedTileStream.go_on`).
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Collection, Mapping
from dataclasses import asdict
from pathlib import Path

from packer.common.links import is_link
from packer.errors import LastbarError
from packer.handover.checked_stream import HandoverJob
from packer.handover.drafting import CopyDraft, FileDraft
from packer.handover.entries import about_file
from packer.handover.journal import JOURNAL, FinishedFile, read_journal
from packer.handover.loose import file_sha256
from packer.handover.target import clear_away, is_plain, leftovers, part_of, put_in_place
from packer.store.disk_errors import translated
from packer.store.staged_file import builder_mark
from packer.version import __version__

__all__ = ["clear_leftovers", "finished_before", "held_bytes", "kept", "source_digest"]


def source_digest(job: HandoverJob, file: FileDraft) -> str:
    """What stands for all that a file is made of: its tiles with their seals, what it says of itself, and what writes
    it."""
    told = {"by": [__version__, builder_mark()], "kind": job.kind, "about": asdict(about_file(job, file))}
    digest = hashlib.sha256(json.dumps(told, sort_keys=True).encode())
    for zoom in file.listing.tiles.zooms:
        digest.update(b"\n%d " % zoom + file.listing.tiles.boundaries(zoom).astype("<i8").tobytes())
    digest.update(file.listing.marks)
    return digest.hexdigest()


def finished_before(job: HandoverJob, copy: CopyDraft) -> Mapping[str, FinishedFile]:
    """The files of a copy that an earlier run finished and that would be made of the same now; says of the others
    that they are written again."""
    noted, found = read_journal(copy.folder).finished, {}
    for file in copy.files:
        known = noted.get(file.name)
        if known is not None and known.of == source_digest(job, file):
            found[file.name] = known
        elif known is not None:
            job.on_note(
                f"{file.name}: the packs or the brief have changed since it was written, so it is written again."
            )
    return found


def clear_leftovers(copy: CopyDraft) -> None:
    """Remove the half files of a killed run that cannot be gone on with. If the process dies: the next run goes on
    with it."""
    parts = {part_of(copy.folder / file.name).name for file in copy.files}
    for path in leftovers(copy.folder):
        name = path.name.removesuffix("-journal")
        if path.name != JOURNAL and not (
            name in parts and not is_link(path) and (path.is_dir() or is_plain(path))
        ):
            clear_away(path)


def held_bytes(copy: CopyDraft, file: FileDraft, finished: Collection[str]) -> int:
    """What of a file is on the disk already, in bytes, and needs no more room."""
    if file.name in finished:
        return file.predicted_bytes
    part = part_of(copy.folder / file.name)
    with translated(part):
        if not part.is_dir():
            return part.stat().st_size if part.exists() else 0
        there = (Path(root, name).lstat() for root, _, names in os.walk(part) for name in names)
        return sum(getattr(about, "st_blocks", 0) * 512 for about in there)


def kept(job: HandoverJob, copy: CopyDraft, file: FileDraft, known: FinishedFile) -> bool:
    """Whether a finished file is there, byte for byte; a half-way name is made its final one.

    Loose files are never kept so: each is held against its tile as they are written. If the process dies: as for
    `put_in_place`.
    """
    final = copy.folder / file.name
    part = part_of(final)
    if job.kind == "folder":
        if final.is_dir() and not is_link(final) and not part.exists():
            with translated(final):
                final.rename(part)
        return False
    (entry,) = known.entries
    for place in (final, part):
        job.on_progress(f"checking {file.name}", 0, len(file.listing))
        if _has_bytes(place, entry.size_bytes, entry.sha256):
            if place == part:
                put_in_place(part, final)
            job.on_note(f"{file.name}: finished before the handover was cut off. Checked, and kept.")
            return True
    job.on_note(f"{file.name}: not as it was when it was finished, so it is written again.")
    return False


def _has_bytes(path: Path, size_bytes: int, sha256: str) -> bool:
    try:
        return (
            not is_link(path)
            and path.is_file()
            and path.stat().st_size == size_bytes
            and file_sha256(path) == sha256
        )
    except (OSError, LastbarError):
        return False
