"""Small files that are there whole or not at all, and names that outlast a power cut."""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from functools import partial
from pathlib import Path

from packer.common.disk_sync import sync_to_disk
from packer.common.in_use import once_free
from packer.common.places import nearest_folder

__all__ = ["make_folders", "sync_folder", "write_atomic"]

# Some network and FUSE file systems cannot sync a folder; their names are then as durable as they make them.
_NO_FOLDER_SYNC = {
    *(errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP, errno.EBADF, errno.EACCES, errno.EPERM),
    *(errno.ENOSYS, errno.ENOTTY, errno.EISDIR, errno.EROFS),
}


def write_atomic(path: Path, content: bytes | str, *, like: Path | None = None) -> None:
    """Make a file, or replace one and keep its mode; text goes as UTF-8, with its line ends as they are.

    A new file gets the mode of `like`, such as that of a brief which nobody else may read. Raises OSError, and
    DiskError where another program holds the old file for long: the old file is then still there, or the new one is
    whole but may not outlast a power cut. If the process dies or the power fails: the old file or the new one, and
    maybe a hidden one beside it that ends in `.part`. Once this has returned, the new file outlasts a power cut.
    """
    data = content.encode("utf-8") if isinstance(content, str) else content
    half = path.with_name(f".{path.name.removeprefix('.')}.part")
    try:
        half.unlink(missing_ok=True)  # never written through: it could be a link to anywhere
        kept = _mode(path) if path.exists() or like is None else _mode(like)
        opener = None if kept is None else _private
        with open(half, "xb", opener=opener) as file:  # Path.open has no opener
            file.write(data)
            file.flush()
            sync_to_disk(file.fileno())  # or a power cut could leave an empty file under the name
        if kept is not None:
            half.chmod(kept)
        once_free(partial(half.replace, path), path)
    except BaseException:
        with contextlib.suppress(OSError):
            half.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)


def _mode(path: Path) -> int | None:
    with contextlib.suppress(FileNotFoundError):
        return stat.S_IMODE(path.stat().st_mode)
    return None


def _private(path: str, flags: int) -> int:
    """Open a file that nobody else may read while it is written."""
    return os.open(path, flags, 0o600)


def sync_folder(folder: Path) -> None:
    """Bring a folder's names to the disk. Raises OSError. If the process dies: any of them may still be the old one."""
    if os.name == "nt":  # Windows has no handle for it; its file systems log names themselves
        return
    try:
        handle = os.open(folder, os.O_RDONLY)
    except (
        OSError
    ) as fault:  # a folder may be written to without leave to list it, or cannot be opened at all
        if fault.errno in _NO_FOLDER_SYNC:
            return
        raise
    try:
        os.fsync(handle)
    except OSError as fault:
        if fault.errno not in _NO_FOLDER_SYNC:
            raise
    finally:
        os.close(handle)


def make_folders(folder: Path) -> None:
    """Make a folder and those above it, each new name synced into the folder that it lies in.

    Raises OSError, and DiskError where not even the drive is there. If the process dies: some of them may be there.
    """
    nearest_folder(folder)
    missing = []
    here = folder
    while not here.exists() and here != here.parent:
        missing.append(here)
        here = here.parent
    folder.mkdir(parents=True, exist_ok=True)
    for made in reversed(missing):
        sync_folder(made.parent)
