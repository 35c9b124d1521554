"""The files of a handover written by the workers of a cluster, onto storage that all of them reach.

One file is one task: a worker writes it, syncs it and reads it back by the code of one machine. This machine keeps
journal, record and manifests. It names a file only once it has found in it, by its own reading, the hash after which
the worker read it back.

A worker that is lost may go on writing where nobody hears it. So each attempt has a hidden name of its own, and no
attempt is ever gone on with: what is named at the end, nobody else has open. A note with a random text lies in each
folder for as long as this machine waits. By it a worker knows that it sees this very folder, and it gives up once the
note is gone.
"""

from __future__ import annotations

import contextlib
import re
import secrets
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

from packer.common.units import counted
from packer.errors import StoppedError, StoreError
from packer.handover.checked_stream import FileWork, Telling
from packer.handover.copy_writing import Copy, CopyWriting
from packer.handover.drafting import FileDraft
from packer.handover.entries import work_of
from packer.handover.file_writing import WrittenFile, discard, tiles_file, write_file
from packer.handover.kinds import read_back
from packer.handover.loose import file_sha256
from packer.handover.target import attempt_of, clear_away, leftovers, part_of, put_in_place, put_text
from packer.proof.cluster import LOOK_EVERY_S, ClusterPool, WorkerWait, at_same_version, cluster_faults
from packer.store.audit_chunk import file_mark, refuse_other_file
from packer.store.pack_files import files_of
from packer.store.snapshot_reader import SnapshotReader
from packer.store.staged_file import builder_mark
from packer.version import __version__

__all__ = ["FileOrder", "spread", "write_there"]

_NOTE = "cluster"


@dataclass(frozen=True, slots=True)
class FileOrder:
    """What a worker is told: the work, the files of the pack with their marks, the hashes of tiles that count as blank,
    the folder, and the name and text of the note in it. `builder` decides on the bytes of a file besides its content.
    """

    work: FileWork
    pack: Path
    marks: tuple[tuple[Path, tuple[int, ...]], ...]
    blank: tuple[bytes, ...]
    folder: Path
    note: str
    text: str
    builder: str


_Attempt = tuple[str, WrittenFile]
"""The hidden name under which a file was written, and what was read back of it."""
_Todo = tuple[CopyWriting, FileDraft]


# ------------------------------------------------------------------------------------- at a worker


def write_there(order: FileOrder) -> _Attempt:
    """Write one file under a hidden name of its own, sync it and read it back.

    Raises StoreError where this worker sees another pack, another folder, or would write other bytes; StoppedError once
    nobody waits for it; else as `write_file`. Whatever is raised, the file is discarded. If the process dies: what has
    the hidden name is removed by whoever waits for it, or by the next handover.
    """
    for path, mark in order.marks:
        refuse_other_file(path, mark)
    if order.builder != builder_mark():
        raise StoreError(
            f"A worker of the cluster has {builder_mark()}, this machine {order.builder}, so its files would have "
            "other bytes. Put the same version of Python on all."
        )
    if not _is_waited_for(order):
        raise StoreError(
            f"A worker of the cluster does not see the folder {order.folder} that this machine writes to. All have to "
            "reach the same folder by the same path."
        )

    def look(_doing: str, _done: int, _every: int) -> None:
        if not _is_waited_for(order):
            raise StoppedError("The handover has ended.")

    part = attempt_of(order.folder / order.work.file.name, secrets.token_hex(4))
    try:
        with SnapshotReader(order.pack, order.blank) as reader:
            reader.let_go()
            written = write_file(order.work, reader, part, Telling(look, lambda _text: None))
        look("", 0, 0)
    except BaseException:
        with contextlib.suppress(Exception):  # the first trouble is what is told
            discard(part)
        raise
    return part.name, written


def _is_waited_for(order: FileOrder) -> bool:
    try:
        return (order.folder / order.note).read_text("utf-8") == order.text
    except (OSError, ValueError):
        return False


# ------------------------------------------------------------------------------------- at this machine


def spread(works: Sequence[CopyWriting], cluster: ClusterPool) -> tuple[Copy, ...]:
    """Have the files of all folders written by the workers, those that an earlier run finished left out.

    Raises StoreError where the cluster breaks down, and what a worker raises. If the process dies: as for one machine,
    but that half files are begun again.
    """
    for work in works:
        work.begin()
    todo = [(work, file) for work in works for file in work.copy.files if not _is_kept(work, file)]
    todo.sort(key=lambda one: -one[1].predicted_bytes)  # what takes longest must not come last
    with _noted(works) as text:
        _Spreading(cluster, todo, text).run()
    return tuple(work.finish() for work in works)


def _is_kept(work: CopyWriting, file: FileDraft) -> bool:
    """Keep a finished file, or clear away what there is of it. Loose tiles are written anew."""
    if work.job.kind != "folder" and work.keep(file):
        return True
    discard(part_of(work.copy.folder / file.name))
    return False


@contextlib.contextmanager
def _noted(works: Sequence[CopyWriting]) -> Iterator[str]:
    """Have a note with a random text in each folder for the block. Whatever comes: workers give up then, and what they
    have left is cleared away. If the process dies: the notes are cleared away by the next handover."""
    text = secrets.token_hex(16)
    try:
        for work in works:
            put_text(_note_of(work, text), text)
        yield text
    finally:
        for work in works:
            with contextlib.suppress(
                Exception
            ):  # another trouble is on its way, or the next handover does it
                clear_away(_note_of(work, text))
                _clear_attempts(work, work.copy.files)


def _note_of(work: CopyWriting, text: str) -> Path:
    return attempt_of(work.copy.folder / _NOTE, text)


def _clear_attempts(work: CopyWriting, files: Sequence[FileDraft]) -> None:
    """Remove what attempts have left, such as those of workers that were lost."""
    for file in files:
        for path in _attempts(work, file):
            clear_away(path)


def _attempts(work: CopyWriting, file: FileDraft) -> list[Path]:
    own = re.compile(
        re.escape(attempt_of(Path(file.name), "@").name).replace("@", "[0-9a-f]{8}") + "(-journal)?"
    )
    return [path for path in leftovers(work.copy.folder) if own.fullmatch(path.name)]


@dataclass(slots=True)
class _Spreading:
    """The tasks of a handover: so many at once as there are threads, and as many more that wait."""

    cluster: ClusterPool
    todo: Sequence[_Todo]
    text: str
    _done_tiles: int = 0
    _under_way: dict[Future[_Attempt], _Todo] = field(default_factory=dict)

    def run(self) -> None:
        """Have all files written, and prove, note and name each as it comes. Raises what a task raises, StoreError
        where the cluster breaks down, and what tells of a stop."""
        waiting, absence = iter(self.todo), WorkerWait(self.cluster, "the handover", "hand over")
        try:
            while True:
                with cluster_faults(self.cluster, "the handover", "hand over"):
                    self._give_out(waiting)
                    found = self._came(absence)
                for (work, file), attempt in found:
                    _settle(work, file, attempt)
                    self._done_tiles += len(file.listing)
                if not self._under_way:
                    return
        finally:
            for future in self._under_way:
                future.cancel()

    def _give_out(self, waiting: Iterator[_Todo]) -> None:
        room = 2 * max(self.cluster.threads, 1) - len(self._under_way)
        for work, file in islice(waiting, room):
            future = self.cluster.executor.submit(
                at_same_version, __version__, write_there, order=self._order(work, file)
            )
            self._under_way[future] = (work, file)

    def _came(self, absence: WorkerWait) -> list[tuple[_Todo, _Attempt]]:
        """What has been written since; waits a moment for the first, and `absence` watches that somebody is at it."""
        found = wait(self._under_way, timeout=LOOK_EVERY_S, return_when=FIRST_COMPLETED).done
        if self._under_way and not found:
            absence.look()
        self._tell(absence.told)
        return [(self._under_way.pop(future), future.result()) for future in found]

    def _order(self, work: CopyWriting, file: FileDraft) -> FileOrder:
        job = work.job
        found = job.readers[file.layer].path
        pack = found.parent.resolve() / found.name  # its further files lie beside this name
        return FileOrder(
            work_of(job, file),
            pack,
            tuple((path, file_mark(path)) for path in files_of(pack)),
            tuple(job.brief.layers[file.layer].blank_hashes),
            work.copy.folder.resolve(),
            _note_of(work, self.text).name,
            self.text,
            builder_mark(),
        )

    def _tell(self, waiting: str) -> None:
        """How far they are, by the size that the hidden files have by now, and what is waited for."""
        done = self._done_tiles
        for work, file in self._under_way.values():
            size = max((_size(path) for path in _attempts(work, file)), default=0)
            done += int(len(file.listing) * min(size / max(file.predicted_bytes, 1), 1.0))
        every = sum(len(file.listing) for _, file in self.todo)
        if self.todo:
            doing = waiting or f"writing {counted(len(self.todo), 'file')} on the cluster"
            self.todo[0][0].job.on_progress(doing, done, every)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:  # it was given up meanwhile
        return 0


def _settle(work: CopyWriting, file: FileDraft, attempt: _Attempt) -> None:
    """Prove what a worker wrote, then note and name it. If the process dies: as for `CopyWriting.write`."""
    name, written = attempt
    folder, kind = work.copy.folder, work.job.kind
    path, part = folder / name, part_of(folder / file.name)
    work.job.on_progress(f"checking {file.name}", 0, len(file.listing))
    if path not in _attempts(work, file):
        raise StoreError(
            f"{file.name} is not there, as seen from this machine, though a worker wrote it. {_AGAIN}"
        )
    same = file_sha256(tiles_file(kind, path)) == written.sha256
    if same and kind == "folder":  # the hash is that of a list: the tiles are for themselves
        same = read_back(kind, path, lambda: None).digest == written.tiles_sha256
    if not same:
        raise StoreError(
            f"{file.name} is not as a worker of the cluster wrote it, so it was discarded. {_AGAIN}"
        )
    put_in_place(path, part)
    work.settle(file, written)
    _clear_attempts(work, [file])


_AGAIN = "Look after the storage, then hand over again, or without --cluster."
