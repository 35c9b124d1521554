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
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from packer.common.disk_sync import can_read_back
from packer.common.shell import shell_command
from packer.errors import LastbarError, StoppedError, StoreError
from packer.geometry.tileset import Tile, TileSet
from packer.handover.blending import Blend, BlendJob, blended_packs, without_upper
from packer.handover.card import card_text
from packer.handover.checked_stream import EVERY, CheckedTileStream, HandoverJob, Progress
from packer.handover.claims import (
    refuse_foreign_files,
    refuse_foreign_record,
    refuse_links,
    refuse_mixture,
)
from packer.handover.crew_folders import mark_complete, mark_pending
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
from packer.handover.entries import (
    about_file,
    file_entries,
    layer_entry,
    manifest_of,
    plain_entry,
    tiles_file,
)
from packer.handover.held import depths_of, refuse_below_floor
from packer.handover.journal import FinishedFile, Journal, clear_journal, write_journal
from packer.handover.kinds import As, read_back, write
from packer.handover.loose import file_sha256
from packer.handover.manifest import CARD, MANIFEST, Manifest
from packer.handover.resuming import clear_leftovers, finished_before, held_bytes, kept, source_digest
from packer.handover.target import (
    clear_away,
    make_folder,
    part_of,
    put_in_place,
    put_text,
    sync_folder,
    system_of,
)
from packer.planning.brief import Brief
from packer.planning.pack_dates import check_pack_dates
from packer.planning.pack_path import pack_path
from packer.planning.plan import Plan
from packer.planning.source_layers import derived_from, source_name
from packer.store.pack_files import has_pack
from packer.store.snapshot_reader import ContentDigest, SnapshotReader
from packer.store.source_reader import outdated_tiles
from packer.store.staged_file import UnlikeError
from packer.store.wrong_ground import wrong_ground

__all__ = ["Copy", "HandoverReport", "handover"]


@dataclass(frozen=True, slots=True)
class Copy:
    """A finished folder. `predicted_bytes` is the size expected for its files before any was written.

    `loose_bytes` has for each list of checksums what the loose tiles take that it stands for.
    """

    folder: Path
    manifest: Manifest
    predicted_bytes: int
    loose_bytes: Mapping[str, int]

    @property
    def size_bytes(self) -> int:
        """What its files take, loose tiles as well, the manifest left out."""
        return sum(file.size_bytes for file in self.manifest.files) + sum(self.loose_bytes.values())


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
) -> HandoverReport:
    """Write what the plan asks for and the packs hold, as sealed files for devices.

    With crews, each gets a folder of its own in `to`, and a record beside them names the folders. `max_file_bytes`
    "auto" takes what the target's file system is sure to take and None means no limit; what a FAT file system cannot
    take is never tried. `blend` makes one layer of each that lies over another and the one below. `on_progress` gets
    what is being done to which file, the tiles done and their number, and `on_note` a sentence on each file of which
    something was there from a handover that was cut off. A body that does not match its hash, its place or
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
        return HandoverReport(_handed_over(job, copies, to, with_crews=bool(crews)), tuple(notes))


def _handed_over(
    job: HandoverJob, copies: Sequence[CopyDraft], to: Path, *, with_crews: bool
) -> tuple[Copy, ...]:
    """Refuse what cannot be done, then write the copies. If the process dies: as for `handover`."""
    _refuse_short(job, copies)
    refuse_over_budget(copies, job.readers)
    ours = _refuse_unfit_target(copies, to, job.store or job.brief.store_folder, with_crews=with_crews)
    for copy in copies:
        clear_leftovers(copy)
    finished = {copy.folder: finished_before(job, copy) for copy in copies}
    refuse_long_names(copies, job.plan, job.kind)
    refuse_no_room(copies, to, lambda copy, file: held_bytes(copy, file, finished[copy.folder]))
    if with_crews:
        make_folder(to)
        mark_pending(to, [copy.folder.name for copy in copies])
    written = tuple(
        _write_copy(job, copy, names, finished[copy.folder]) for copy, names in zip(copies, ours, strict=True)
    )
    # Until all copies are there, a run that is cut off finds in each what it may keep.
    for copy in copies:
        clear_journal(copy.folder)
    return written


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
        _refuse_wrong_ground(brief, plan, store, copies)


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


def _refuse_wrong_ground(brief: Brief, plan: Plan, store: Path | None, copies: Sequence[CopyDraft]) -> None:
    names = dict.fromkeys(name for copy in copies for name, layer in copy.layers.items() if layer.files)
    wrong = [
        sentence
        for name in names
        for sentence in wrong_ground(name, pack_path(brief, name, store), plan.layers[name].tiles)
    ]
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


def _write_copy(
    job: HandoverJob, copy: CopyDraft, ours: set[str], finished: Mapping[str, FinishedFile]
) -> Copy:
    """Write one folder, but for the files that an earlier run finished. If the process dies: as for `handover`."""
    make_folder(copy.folder)
    crew = copy.share.crew.name if copy.share.crew else None
    journal = Journal(frozenset(ours | {file.name for file in copy.files}), crew, finished)
    write_journal(copy.folder, journal)
    clear_away(copy.folder / MANIFEST)
    sync_folder(copy.folder)
    damaged: dict[str, set[Tile]] = {name: set() for name in copy.layers}
    written: list[FinishedFile] = []
    for file in copy.files:
        known = journal.finished.get(file.name)
        if known is None or not kept(job, copy, file, known):
            known, journal = _write_file(job, copy, file, damaged[file.layer], journal)
        written.append(known)
    entries = tuple(entry for file in written for entry in file.entries)
    loose_bytes = {file.entries[0].name: file.tiles_bytes for file in written if job.kind == "folder"}
    depths = depths_of(job.plan, copy.layers, damaged)
    layers = {
        name: layer_entry(job, layer, TileSet.from_tiles(damaged[name]), depths)
        for name, layer in copy.layers.items()
    }
    manifest = manifest_of(job, copy, layers, entries)
    put_text(copy.folder / CARD, card_text(manifest, job.plan, loose_bytes))
    manifest = manifest.model_copy(update={"files": (*entries, plain_entry(copy.folder / CARD, CARD, None))})
    if copy.share.crew:
        mark_complete(copy.folder.parent, copy.folder.name, manifest)
    put_text(copy.folder / MANIFEST, manifest.as_text())
    return Copy(copy.folder, manifest, copy.predicted_bytes, loose_bytes)


def _write_file(
    job: HandoverJob, copy: CopyDraft, file: FileDraft, damaged: set[Tile], journal: Journal
) -> tuple[FinishedFile, Journal]:
    """Write, sync, read back, note and name one file, or go on with the half of it that is there.

    If the process dies: the final name is the old file's or the new file's, or there is none; the half-written one can
    be gone on with.
    """
    final = copy.folder / file.name
    part = part_of(final)
    try:
        stream = _written(job, file, part, damaged)
        # The hash goes first: it reads the file in one sweep, and the check after it finds that in memory.
        sha256 = file_sha256(tiles_file(job, part))
        _check_back(job, file, part, stream.tally)
    except StoppedError:
        raise  # it may be gone on with
    except Exception:
        _discard(part)
        raise
    entries = tuple(file_entries(job, file, part, stream, sha256))
    found = FinishedFile(of=source_digest(job, file), entries=entries, tiles_bytes=stream.tiles_bytes)
    if stream.whole:  # what was left out may be mended by then
        journal = replace(journal, finished={**journal.finished, file.name: found})
        write_journal(copy.folder, journal)
    put_in_place(part, final)
    return found, journal


def _written(job: HandoverJob, file: FileDraft, part: Path, damaged: set[Tile]) -> CheckedTileStream:
    """Write a file under its hidden name; where what is there cannot be gone on with, from its beginning."""
    about = about_file(job, file)
    stream = CheckedTileStream(job, file, damaged)
    try:
        kept = write(job.kind, part, about, stream, stream.found, job.limit_bytes, stream.go_on)
    except UnlikeError:
        job.on_note(
            f"{file.name}: what is there of it is not what would be written now, so it is begun again. The packs or "
            "the brief have changed, or the card lost something."
        )
        _discard(part)
        stream = CheckedTileStream(job, file, damaged)
        write(job.kind, part, about, stream, stream.found, job.limit_bytes, stream.go_on)
        kept = 0
    if kept:
        job.on_note(
            f"{file.name}: {kept:,} of {len(file.listing):,} tiles were there from a handover that was cut off. Each "
            "was held against the pack; the rest was written."
        )
    return stream


def _discard(part: Path) -> None:
    clear_away(part)
    clear_away(part.with_name(f"{part.name}-journal"))


def _check_back(job: HandoverJob, file: FileDraft, part: Path, written: ContentDigest) -> None:
    every, done = sum(written.by_zoom.values()), 0

    def on_tile() -> None:
        nonlocal done
        if done % EVERY == 0:
            job.on_progress(f"reading back {file.name}", done, every)
        done += 1

    if read_back(job.kind, part, on_tile) != written:
        raise StoreError(
            f"{file.name} did not read back as it was written, so it was discarded. The disk or card is failing, or "
            "is smaller than it claims. Use another one."
        )
