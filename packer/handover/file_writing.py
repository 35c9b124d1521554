"""One file of a handover on its way onto the card: written under its hidden name, synced, hashed and read back.

It needs the pack and plain values alone, so a worker of a cluster does it by the same code.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from packer.errors import DiskError, StoppedError, StoreError
from packer.geometry.tileset import TileSet
from packer.handover.checked_stream import EVERY, CheckedTileStream, FileWork, Telling
from packer.handover.kinds import As, read_back, write
from packer.handover.loose import SUMS, file_sha256
from packer.handover.target import clear_away
from packer.store.snapshot_reader import ContentDigest, SnapshotReader
from packer.store.staged_file import UnlikeError

__all__ = ["WrittenFile", "discard", "tiles_file", "write_file"]


@dataclass(frozen=True, slots=True)
class WrittenFile:
    """A file that was read back: the hash of its `tiles_file`, and of its tiles the digest, the set, the counts and the
    bytes. `left_out` were corrupt in the pack."""

    sha256: str
    tiles_sha256: str
    tiles: TileSet
    by_zoom: Mapping[int, int]
    tiles_bytes: int
    left_out: TileSet


def tiles_file(kind: As, part: Path) -> Path:
    """The file whose hash stands for the tiles: the sealed file itself, or the list of the loose ones."""
    return part / SUMS if kind == "folder" else part


def write_file(work: FileWork, reader: SnapshotReader, part: Path, telling: Telling) -> WrittenFile:
    """Write, sync and read back one file under its hidden name, or go on with the half of it that is there.

    Raises StoreError for a tile that must not be handed over and for a file that does not read back; then the file is
    discarded. DiskError, as for a full card, and StoppedError leave it. If the process dies: the half-written file can
    be gone on with.
    """
    try:
        stream, sha256 = _written_and_read(work, reader, part, telling)
    except (StoppedError, DiskError):
        raise  # it may be gone on with
    except Exception:
        discard(part)
        raise
    tally = stream.tally
    return WrittenFile(
        sha256,
        tally.digest,
        stream.found().tiles,
        dict(tally.by_zoom),
        stream.tiles_bytes,
        stream.left_out,
    )


def _written_and_read(
    work: FileWork, reader: SnapshotReader, part: Path, telling: Telling
) -> tuple[CheckedTileStream, str]:
    """Write a file and read it back; gives the SHA-256 of its `tiles_file` as well. If the process dies: as for
    `write_file`."""
    stream = _written(work, reader, part, telling)
    try:
        return stream, _read_back(work, part, stream, telling)
    except StoreError:
        if not stream.resumed:
            raise
    # Its tiles were tried when it was gone on with, but not the index that the earlier run had made.
    telling.on_note(
        f"{work.file.name}: what was there of it did not read back as it should, so it is begun again."
    )
    discard(part)
    stream = _written(work, reader, part, telling)
    return stream, _read_back(work, part, stream, telling)


def _read_back(work: FileWork, part: Path, stream: CheckedTileStream, telling: Telling) -> str:
    # The hash goes first: it reads the file in one sweep, and the check after it finds that in memory.
    sha256 = file_sha256(tiles_file(work.kind, part))
    _check_back(work, part, stream.tally, telling)
    return sha256


def _written(work: FileWork, reader: SnapshotReader, part: Path, telling: Telling) -> CheckedTileStream:
    """Write a file under its hidden name; where what is there cannot be gone on with, from its beginning."""
    stream = CheckedTileStream(work, reader, telling)
    try:
        kept = write(work.kind, part, work.about, stream, stream.found, work.limit_bytes, stream.go_on)
    except UnlikeError:
        telling.on_note(
            f"{work.file.name}: what is there of it is not what would be written now, so it is begun again. The packs "
            "or the brief have changed, or the card lost something."
        )
        discard(part)
        stream = CheckedTileStream(work, reader, telling)
        write(work.kind, part, work.about, stream, stream.found, work.limit_bytes, stream.go_on)
        kept = 0
    if kept:
        telling.on_note(
            f"{work.file.name}: {kept:,} of {len(work.file.listing):,} tiles were there from a handover that was cut "
            "off. Each was held against the pack; the rest was written."
        )
    return stream


def discard(part: Path) -> None:
    """Remove what has a hidden name, with what SQLite keeps beside it. If the process dies: it is still known by its
    name."""
    clear_away(part)
    clear_away(part.with_name(f"{part.name}-journal"))


def _check_back(work: FileWork, part: Path, written: ContentDigest, telling: Telling) -> None:
    every, done = sum(written.by_zoom.values()), 0

    def on_tile() -> None:
        nonlocal done
        if done % EVERY == 0:
            telling.on_progress(f"reading back {work.file.name}", done, every)
        done += 1

    if read_back(work.kind, part, on_tile) != written:
        raise StoreError(
            f"{work.file.name} did not read back as it was written, so it was discarded. The disk or card is failing, "
            "or is smaller than it claims. Use another one."
        )
