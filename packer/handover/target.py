"""The place that is handed over to: what its file system takes, and how a file gets its final name there.

A file is written under a hidden name that ends in .handover.part, synced, and renamed; then its folder is synced. So
a final name always stands for a whole file, and what is left of a killed run is known by its name.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import re
import shutil
import stat
import subprocess
import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from packer.common import atomic_write
from packer.common.atomic_write import make_folders
from packer.common.disk_sync import drop_from_memory, sync_to_disk
from packer.common.in_use import once_free
from packer.common.links import is_link
from packer.common.places import nearest_folder
from packer.errors import DiskError
from packer.store.disk_errors import translated

__all__ = [
    "FAT_LIMIT_BYTES",
    "FileSystem",
    "attempt_of",
    "clear_away",
    "cluster_bytes",
    "free_bytes",
    "is_plain",
    "leftovers",
    "part_of",
    "put_in_place",
    "put_text",
    "sync_file",
    "system_of",
]

FAT_LIMIT_BYTES = 4_294_967_295  # 2^32 - 1: Microsoft, "Limits of the FAT32 file system"
_FAT = {"vfat", "msdos", "fat", "umsdos", "fat12", "fat16", "fat32"}  # the last three are Windows' words
# Either may stand for a FAT card behind a driver of its own, or for one that a device cannot read further.
_DOUBTFUL = {"exfat", "fuseblk", "fuse", ""}
_CLUSTER_BYTES = 32_768  # the largest usual one; common practice, no source
_HIDDEN = ".handover.part"


@dataclass(frozen=True, slots=True)
class FileSystem:
    """A file system's kind, "" if it cannot be told, and the largest file that it takes for sure, in bytes.

    `limit_bytes` None means no limit that matters; `strict` means that the limit cannot be lifted.
    """

    kind: str
    limit_bytes: int | None
    strict: bool


def system_of(folder: Path, mounts: Path = Path("/proc/mounts")) -> FileSystem:
    """The file system that a folder is on, or would be made on.

    Where the system does not tell its kind, FAT's limit is taken to be safe.
    """
    if sys.platform == "win32":
        kind = _kind_of_drive(folder)
    else:
        try:
            lines = mounts.read_text(encoding="utf-8", errors="surrogateescape").splitlines()
            table = [_row_of_linux(line) for line in lines]
        except OSError:
            table = [_row_of_mac(line) for line in _mount_lines()]
        kind = kind_of_mount(folder.resolve(), table)
    strict = kind in _FAT
    return FileSystem(kind, FAT_LIMIT_BYTES if strict or kind in _DOUBTFUL else None, strict)


def kind_of_mount(where: Path, table: Iterable[tuple[str, str]]) -> str:
    """The kind of file system that a path is on, by where each is mounted; "" if none of them tells."""
    longest, kind = -1, ""
    for point, found in table:
        # A later mount on the same point hides the earlier one.
        if point and where.is_relative_to(point) and len(point) >= longest:
            longest, kind = len(point), found
    return kind


def _row_of_linux(line: str) -> tuple[str, str]:
    _, point, found, *_ = [*line.split(" "), "", "", ""]
    return re.sub(r"\\([0-7]{3})", lambda m: chr(int(m[1], 8)), point), found


_MAC_ROW = re.compile(r".+? on (/.*) \(([a-z0-9_]+)[,)]")


def _row_of_mac(line: str) -> tuple[str, str]:
    """As mount(8) of macOS writes it: "/dev/disk4s1 on /Volumes/CARD (msdos, local, nodev)"; from memory."""
    row = _MAC_ROW.match(line)
    return (row[1], row[2]) if row else ("", "")


def _mount_lines() -> list[str]:
    with contextlib.suppress(OSError, subprocess.SubprocessError):
        done = subprocess.run(
            ["/sbin/mount"], stdin=subprocess.DEVNULL, capture_output=True, timeout=5, check=True
        )
        return done.stdout.decode("utf-8", "surrogateescape").splitlines()
    return []


def _kind_of_drive(folder: Path) -> str:
    """What Windows calls the file system of a drive or share (GetVolumeInformationW), in small letters."""
    kind = ctypes.create_unicode_buffer(64)
    root = folder.absolute().anchor
    told = getattr(ctypes, "windll").kernel32.GetVolumeInformationW(root, None, 0, None, None, None, kind, 64)  # noqa: B009  # Windows only
    return kind.value.lower() if told else ""


def free_bytes(folder: Path) -> int:
    """Bytes that may still be written where a folder is, or would be made. Raises DiskError, also where its drive is
    not there."""
    with translated(folder):
        return shutil.disk_usage(nearest_folder(folder.resolve())).free


def cluster_bytes(folder: Path) -> int:
    """The unit in which the file system gives room to a file, in bytes."""
    return os.statvfs(nearest_folder(folder.resolve())).f_frsize if hasattr(os, "statvfs") else _CLUSTER_BYTES


def part_of(final: Path) -> Path:
    """The hidden name under which a file or folder is made."""
    return final.with_name(f".{final.name}{_HIDDEN}")


def attempt_of(final: Path, attempt: str) -> Path:
    """The hidden name of one of several attempts to make a file, which nobody else's attempt has."""
    return final.with_name(f".{final.name}.{attempt}{_HIDDEN}")


def leftovers(folder: Path) -> Iterator[Path]:
    """What a killed run has left in a folder, and what SQLite would take for a part of that."""
    if folder.is_dir():
        yield from (
            path
            for path in sorted(folder.iterdir())
            if path.name.startswith(".")
            and path.name.endswith(tuple(_HIDDEN + more for more in ("", "-journal", "-wal", "-shm")))
        )


def is_plain(path: Path) -> bool:
    """Whether a path is that of a file that has no other name: what is written there stays there."""
    with translated(path):
        about = path.lstat()
        return not is_link(path) and stat.S_ISREG(about.st_mode) and about.st_nlink == 1


def clear_away(path: Path) -> None:
    """Remove a file or folder of a killed run. If the process dies: it is still known by its name."""
    with translated(path):
        if path.is_dir() and not is_link(path):
            once_free(partial(shutil.rmtree, path), path)
        else:
            once_free(partial(path.unlink, missing_ok=True), path)


def sync_file(path: Path) -> None:
    """Bring a file's bytes to the disk, and drop them from memory so that what is read next comes from there.

    Nothing may have the file open as a database in this process. If the process dies: the file is as it was.
    """
    with translated(path), path.open("r+b") as file:
        sync_to_disk(file.fileno())
        drop_from_memory(file.fileno())


def sync_folder(folder: Path) -> None:
    """Bring a folder's names to the disk. Raises DiskError. If the process dies: any of them may still be the old
    one."""
    with translated(folder):
        atomic_write.sync_folder(folder)


def put_in_place(part: Path, final: Path) -> None:
    """Give a synced file or folder its final name, in place of what had it.

    If the process dies: the final name stands for the old whole or the new whole; where a folder is replaced
    it may for a moment stand for nothing.
    """
    with translated(final):
        old = part_of(final.with_name(f"{final.name}.old"))
        kept = f"What was written is whole, as {part}."
        if final.is_dir():
            # A folder that is not empty cannot be replaced in one step.
            once_free(partial(final.rename, old), final, kept)
        try:
            once_free(partial(part.replace, final), final, kept)
        except BaseException:
            if old.is_dir() and not final.exists():
                old.rename(final)
            raise
    sync_folder(final.parent)
    clear_away(old)


def put_text(final: Path, text: str) -> None:
    """Write a small text file. If the process dies: the old whole or the new whole."""
    part = part_of(final)
    with translated(final):
        part.unlink(missing_ok=True)
        part.write_text(text, encoding="utf-8", newline="\n")
    sync_file(part)
    put_in_place(part, final)


def make_folder(folder: Path) -> None:
    """Make a folder and those above it, which all outlast a power cut then. Raises DiskError.

    If the process dies: some of them may be there.
    """
    try:
        make_folders(folder)
    except OSError as fault:
        raise DiskError(
            f"{folder} cannot be created: {fault.strerror}. Name another folder with --to."
        ) from fault
