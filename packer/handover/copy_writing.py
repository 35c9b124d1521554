"""One folder of a handover at work: its journal, its files one by one, and its card and manifest at the end."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from packer.geometry.tileset import TileSet
from packer.handover.card import card_text
from packer.handover.checked_stream import HandoverJob, Telling
from packer.handover.crew_folders import mark_complete
from packer.handover.drafting import CopyDraft, FileDraft
from packer.handover.entries import file_entries, layer_entry, manifest_of, plain_entry, work_of
from packer.handover.file_writing import WrittenFile, write_file
from packer.handover.held import depths_of
from packer.handover.journal import FinishedFile, Journal, write_journal
from packer.handover.manifest import CARD, MANIFEST, Manifest
from packer.handover.resuming import kept, source_digest
from packer.handover.target import clear_away, make_folder, part_of, put_in_place, put_text, sync_folder

__all__ = ["Copy", "CopyWriting"]


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


@dataclass(slots=True)
class CopyWriting:
    """A folder whose files are written or kept, in any order. `ours` are the names there that may be replaced, `before`
    the files that an earlier run finished; `finished` are those that are there by now."""

    job: HandoverJob
    copy: CopyDraft
    ours: set[str]
    before: Mapping[str, FinishedFile]
    finished: dict[str, FinishedFile] = field(default_factory=dict)
    _damaged: dict[str, TileSet] = field(default_factory=dict)
    _journal: Journal = field(default_factory=Journal)

    def begin(self) -> None:
        """Make the folder and take its old manifest away. If the process dies: the folder is known to be unfinished."""
        copy = self.copy
        make_folder(copy.folder)
        crew = copy.share.crew.name if copy.share.crew else None
        names = frozenset(self.ours | {file.name for file in copy.files})
        self._journal = Journal(names, crew, self.before)
        write_journal(copy.folder, self._journal)
        clear_away(copy.folder / MANIFEST)
        sync_folder(copy.folder)

    def keep(self, file: FileDraft) -> bool:
        """Keep a file that an earlier run finished, if it is there byte for byte. If the process dies: as `kept`."""
        known = self.before.get(file.name)
        if known is None or not kept(self.job, self.copy, file, known):
            return False
        self.finished[file.name] = known
        return True

    def write(self, file: FileDraft) -> None:
        """Write, sync, read back, note and name one file, or go on with the half of it that is there.

        If the process dies: the final name is the old file's or the new file's, or there is none; the half-written one
        can be gone on with.
        """
        job = self.job
        telling = Telling(job.on_progress, job.on_note)
        part = part_of(self.copy.folder / file.name)
        self.settle(file, write_file(work_of(job, file), job.readers[file.layer], part, telling))

    def settle(self, file: FileDraft, written: WrittenFile) -> None:
        """Note a file that was written under its hidden name, and give it its own. If the process dies: as for
        `write`."""
        job, final = self.job, self.copy.folder / file.name
        part = part_of(final)
        entries = tuple(file_entries(job, file, part, written))
        found = FinishedFile(of=source_digest(job, file), entries=entries, tiles_bytes=written.tiles_bytes)
        self._damaged[file.layer] = self._damaged.get(file.layer, TileSet()) | written.left_out
        if not written.left_out:  # what was left out may be mended by then
            self._journal = replace(self._journal, finished={**self._journal.finished, file.name: found})
            write_journal(self.copy.folder, self._journal)
        put_in_place(part, final)
        self.finished[file.name] = found

    def finish(self) -> Copy:
        """Write card and manifest, once every file is there. If the process dies: the folder has no manifest yet,
        or the whole one."""
        job, copy = self.job, self.copy
        files = [self.finished[file.name] for file in copy.files]
        entries = tuple(entry for file in files for entry in file.entries)
        loose_bytes = {file.entries[0].name: file.tiles_bytes for file in files if job.kind == "folder"}
        damaged = {name: self._damaged.get(name, TileSet()) for name in copy.layers}
        depths = depths_of(job.plan, copy.layers, damaged)
        layers = {name: layer_entry(job, layer, damaged[name], depths) for name, layer in copy.layers.items()}
        manifest = manifest_of(job, copy, layers, entries)
        put_text(copy.folder / CARD, card_text(manifest, job.plan, loose_bytes))
        card = plain_entry(copy.folder / CARD, CARD, None)
        manifest = manifest.model_copy(update={"files": (*entries, card)})
        if copy.share.crew:
            mark_complete(copy.folder.parent, copy.folder.name, manifest)
        put_text(copy.folder / MANIFEST, manifest.as_text())
        return Copy(copy.folder, manifest, copy.predicted_bytes, loose_bytes)
