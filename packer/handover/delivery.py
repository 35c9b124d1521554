"""The handover: packs become sealed files for devices, with a manifest and a card of plain text beside them.

Order of writes in each folder: what an earlier run left and cannot be gone on with is cleared away; its manifest goes,
so that no manifest ever speaks for files that it does not know; each file is written under a hidden name, synced, read
back from its first tile to its last, noted in the journal, and renamed; the card follows, and the manifest last of
all. A folder with a manifest is therefore a finished handover. A handover that was cut off is gone on with: what of it
may stay is for `resuming` to say.

With crews a record at the top names their folders before any of them is touched, and vouches for each just before
its manifest comes. So whenever the process dies, a folder that was to be finished and is not is known by the record.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Literal

from packer.common.disk_sync import can_read_back
from packer.common.shell import shell_command
from packer.errors import LastbarError
from packer.geometry.tileset import TileSet
from packer.handover.blending import Blend, BlendJob, blended_packs, without_upper
from packer.handover.checked_stream import HandoverJob, Progress
from packer.handover.claims import (
    refuse_foreign_files,
    refuse_foreign_record,
    refuse_links,
    refuse_mixture,
)
from packer.handover.copy_writing import Copy, CopyWriting
from packer.handover.crew_folders import mark_pending
from packer.handover.crews import DeviceCrew, shares
from packer.handover.drafting import (
    CopyDraft,
    FileDraft,
    draft,
    refuse_clashes,
    refuse_gaps,
    refuse_long_names,
    refuse_no_room,
    refuse_over_budget,
)
from packer.handover.held import refuse_below_floor
from packer.handover.journal import FinishedFile, clear_journal
from packer.handover.kinds import As
from packer.handover.resuming import clear_leftovers, finished_before, held_bytes
from packer.handover.spreading import spread
from packer.handover.target import make_folder, system_of
from packer.planning.brief import Brief
from packer.planning.pack_dates import check_pack_dates
from packer.planning.pack_path import pack_path
from packer.planning.plan import Plan
from packer.planning.source_layers import derived_from, source_name
from packer.proof.cluster import ClusterPool
from packer.store.locks import FolderLock
from packer.store.pack_files import has_pack
from packer.store.snapshot_reader import SnapshotReader
from packer.store.source_reader import outdated_tiles

__all__ = ["Copy", "HandoverReport", "handover"]


@dataclass(frozen=True, slots=True)
class HandoverReport:
    """What was handed over: one copy, or one for each crew; `notes` say what was there from a handover that was cut
    off, a sentence for each file."""

    copies: tuple[Copy, ...]
    notes: tuple[str, ...] = ()

    @property
    def complete(self) -> bool:
        """Whether every copy holds all that was planned for it and that its server has, and reaches its floors."""
        return all(copy.manifest.complete for copy in self.copies)

    def to_dict(self) -> dict[str, Any]:
        """One plain document."""
        return {
            "complete": self.complete,
            "notes": list(self.notes),
            "read_back": "from disk" if can_read_back() else "maybe from memory",
            "copies": [
                {
                    "folder": str(copy.folder),
                    "size_bytes": copy.size_bytes,
                    "predicted_bytes": copy.predicted_bytes,
                    **copy.manifest.model_dump(mode="json"),
                }
                for copy in self.copies
            ],
        }


def handover(
    brief: Brief,
    plan: Plan,
    store: Path | None,
    to: Path,
    *,
    as_: As = "mbtiles",
    max_file_bytes: int | Literal["auto"] | None = "auto",
    crews: Sequence[DeviceCrew] = (),
    allow_gaps: bool = False,
    blend: bool = False,
    on_progress: Progress = lambda _doing, _done, _all: None,
    on_note: Callable[[str], None] = lambda _text: None,
    cluster: ClusterPool | None = None,
) -> HandoverReport:
    """Write what the plan asks for and the packs hold, as sealed files for devices.

    With crews, each gets a folder of its own in `to`, and a record beside them names the folders. `max_file_bytes`
    "auto" takes what the target's file system is sure to take and None means no limit; what a FAT file system cannot
    take is never tried. `blend` makes one layer of each that lies over another and the one below. `on_progress` gets
    what is being done to which file, the tiles done and their number, and `on_note` a sentence on each file of which
    something was there from a handover that was cut off. The workers of a `cluster` write the files, each by the same
    code; then nothing may be fetched into the packs meanwhile. A body that does not match its hash, its place or
    its format is never handed over: it raises StoreError, or with `allow_gaps` counts as damaged and is named on the
    card. Raises InputError for what cannot be done as asked, LastbarError for an incomplete plan, DiskError for a
    target without room.

    If the process dies: every final name in `to` is that of a whole file; a folder that it did not finish has
    no manifest, and the next run goes on there. The record of crews counts a folder as unfinished from
    before the first of them is written until it is about to get its manifest.
    """
    check_pack_dates(brief, plan.layers, store)
    notes: list[str] = []

    def note(text: str) -> None:
        notes.append(text)
        on_note(text)

    with ExitStack() as open_packs:
        blends: Mapping[str, Blend] = {}
        if blend:
            blends = open_packs.enter_context(
                blended_packs(BlendJob(brief, plan, store, allow_gaps, on_progress, note))
            )
        readers = _readers(brief, plan, store, blends, open_packs)
        limit = _limit(max_file_bytes, to)
        job = HandoverJob(brief, plan, store, readers, as_, limit, allow_gaps, on_progress, note, blends)
        copies = draft(plan, without_upper(shares(plan, crews), blends), readers, to, as_, limit)
        return HandoverReport(_handed_over(job, copies, to, cluster, with_crews=bool(crews)), tuple(notes))


def _written_here(works: Sequence[CopyWriting]) -> tuple[Copy, ...]:
    """Write one folder after the other. If the process dies: as for `handover`."""
    copies = []
    for work in works:
        work.begin()
        for file in work.copy.files:
            if not work.keep(file):
                work.write(file)
        copies.append(work.finish())
    return tuple(copies)


def _handed_over(
    job: HandoverJob, copies: Sequence[CopyDraft], to: Path, cluster: ClusterPool | None, *, with_crews: bool
) -> tuple[Copy, ...]:
    """Refuse what cannot be done, then write the copies. If the process dies: as for `handover`."""
    _refuse_short(job, copies)
    refuse_over_budget(copies, job.readers)
    busy = f"Another handover is writing into {to} right now. Let it finish, or stop it with Ctrl-C, then try again."
    with FolderLock(to, busy) as lock:
        lock.take()
        ours = _refuse_unfit_target(copies, to, job.store or job.brief.store_folder, with_crews=with_crews)
        for copy in copies:
            clear_leftovers(copy)
        finished = {copy.folder: finished_before(job, copy) for copy in copies}
        refuse_long_names(copies, job.plan, job.kind)
        there = partial(_there, finished, spread=cluster is not None)
        refuse_no_room(copies, to, there, at_once=cluster is not None)
        make_folder(to)
        lock.take()
        if with_crews:
            mark_pending(to, [copy.folder.name for copy in copies])
        works = [
            CopyWriting(job, copy, names, finished[copy.folder])
            for copy, names in zip(copies, ours, strict=True)
        ]
        written = _written_here(works) if cluster is None else spread(works, cluster)
        # Until all copies are there, a run that is cut off finds in each what it may keep.
        for copy in copies:
            clear_journal(copy.folder)
    return written


def _there(
    finished: Mapping[Path, Mapping[str, FinishedFile]], copy: CopyDraft, file: FileDraft, *, spread: bool
) -> int:
    """What of a file is on the disk already, in bytes. Workers of a cluster go on with no half of one."""
    known = finished[copy.folder]
    return 0 if spread and file.name not in known else held_bytes(copy, file, known)


def _readers(
    brief: Brief, plan: Plan, store: Path | None, blends: Mapping[str, Blend], open_packs: ExitStack
) -> dict[str, SnapshotReader]:
    """The packs to take tiles from: a blend in place of the layer below, and of the layers in it none."""
    readers = {}
    upper = {name for blend in blends.values() for name in blend.upper}
    for name in plan.layers:
        pack = blends[name].pack if name in blends else pack_path(brief, name, store)
        if name not in upper and has_pack(pack):
            blank = brief.layers[name].blank_hashes
            readers[name] = open_packs.enter_context(SnapshotReader(pack, blank))
    return readers


def _refuse_short(job: HandoverJob, copies: Sequence[CopyDraft]) -> None:
    """Raise LastbarError where planned tiles are missing, some place does not reach its floor, derived tiles are out of
    date, or a pack shows other ground than was planned."""
    brief, plan, store, allow_gaps = job.brief, job.plan, job.store, job.allow_gaps
    refuse_gaps(copies, shell_command("fetch", brief.path, store=store), allow_gaps)
    again = shell_command("fetch", brief.path, "--ask-absent-again", store=store)
    refuse_below_floor(plan, copies, again, allow_gaps)
    if not allow_gaps:
        _refuse_outdated(job, copies)
        _refuse_wrong_ground(job, copies)


def _refuse_outdated(job: HandoverJob, copies: Sequence[CopyDraft]) -> None:
    """A tile that was made of others than the source's pack has now is no proven one: see `proof`."""
    brief, plan = job.brief, job.plan
    names = {name for copy in copies for name, layer in copy.layers.items() if layer.files}
    names |= {upper for name in names & job.blends.keys() for upper in job.blends[name].upper}
    counts = {}
    for name, grid in derived_from(brief, plan).items():
        pack, source = (pack_path(brief, one, job.store) for one in (name, source_name(name)))
        if name in names and pack.exists():
            tiles = plan.layers[name].tiles
            outdated = outdated_tiles(pack, source, grid, tiles, TileSet(), plan.layers[name].tile_px)
            counts[name] = len(outdated)
    if each := ", ".join(f"{name} {count:,}" for name, count in counts.items() if count):
        raise LastbarError(
            f"Tiles were made of other source tiles than the source's pack has now ({each}), so nothing was handed "
            f"over. Have them made again: {shell_command('fetch', brief.path, store=job.store)}\nOr hand them over as "
            "they are with --allow-gaps."
        )


def _refuse_wrong_ground(job: HandoverJob, copies: Sequence[CopyDraft]) -> None:
    names = dict.fromkeys(name for copy in copies for name, layer in copy.layers.items() if layer.files)
    wrong = [sentence for name in names for sentence in job.wrong_ground(name)]
    if wrong:
        listed = "\n- ".join(wrong)
        raise LastbarError(
            f"The map does not show the ground that was planned, so nothing was handed over:\n- {listed}\nIf you have "
            "looked at it and it is right all the same, hand it over with --allow-gaps."
        )


def _refuse_unfit_target(
    copies: Sequence[CopyDraft], to: Path, packs: Path, *, with_crews: bool
) -> list[set[str]]:
    """Raise for copies that clash, are too large, or would touch files that are not ours; gives for each copy the
    names there that are ours."""
    refuse_clashes(copies)
    if with_crews:
        refuse_foreign_record(to)
    refuse_mixture(to, with_crews)
    for copy in copies:
        refuse_links(to, copy.folder, [file.name for file in copy.files])
    return [refuse_foreign_files(copy.folder, [file.name for file in copy.files], packs) for copy in copies]


def _limit(asked: int | Literal["auto"] | None, to: Path) -> int | None:
    system = system_of(to)
    if asked == "auto":
        return system.limit_bytes
    if system.strict and system.limit_bytes is not None:
        return min(asked or system.limit_bytes, system.limit_bytes)
    return asked
