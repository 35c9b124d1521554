"""The right to write a pack, and disks that know no locks."""

from __future__ import annotations

import errno
import os
import threading
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType

from filelock import FileLock, Timeout

from packer.errors import DiskError, StoreBusyError
from packer.store.disk_errors import translated

try:
    import fcntl
except ImportError:  # on Windows, whose file systems all have locks
    _HAS_FCNTL = False
else:
    _HAS_FCNTL = True

__all__ = ["FolderLock", "WriteLock", "is_locked", "lock_path", "refuse_without_locks"]

_NO_LOCKS = {errno.ENOLCK, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS}
_FAR_OFF = (
    1 << 62
)  # a byte that nobody else locks: SQLite's own lie round 2^30 (file format, 1.3.1, "lock-byte page")


def lock_path(pack: Path) -> Path:
    """The file whose lock stands for the right to write the pack."""
    return pack.with_name(f".{pack.stem}.lock")


def _no_locks(path: Path) -> DiskError:
    return DiskError(
        f"The disk that {path} is on has no file locks, as some network drives have none, so no pack can be used "
        "safely there. Copy the packs to a disk of this computer, and name that folder with --store."
    )


class WriteLock:
    """The right to write a pack, as a lock on a file beside it: `with WriteLock(pack, "Another ...")`.

    Raises StoreBusyError with the sentence `busy` if another process has it, DiskError if the disk has no locks or
    cannot be written. If the process dies: the system frees the lock.
    """

    def __init__(self, pack: Path, busy: str) -> None:
        self._pack, self._busy = pack, busy
        self._lock = FileLock(lock_path(pack), timeout=0)

    def __enter__(self) -> WriteLock:
        self.acquire()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()

    def acquire(self) -> None:
        """Take the right; see the class for what it raises."""
        with translated(self._pack):
            try:
                self._lock.acquire()
            except Timeout:
                raise StoreBusyError(self._busy) from None
            except OSError as fault:
                if fault.errno in _NO_LOCKS:
                    raise _no_locks(self._pack) from fault
                raise

    def release(self) -> None:
        """Give the right back."""
        self._lock.release()


class FolderLock:
    """The right to write into a folder: `with FolderLock(folder, "Another ...") as lock`, and `lock.take()` once the
    folder is there.

    The lock is on the folder itself, so that nothing is left in it; where only files can be locked, on a hidden file
    that goes with the lock. Some network drives lock no folders: nobody is kept out there. If the process dies: the
    system frees the lock.
    """

    def __init__(self, folder: Path, busy: str) -> None:
        self._folder, self._busy = folder, busy
        self._stack = ExitStack()
        self._taken = False

    def __enter__(self) -> FolderLock:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stack.close()

    def take(self) -> None:
        """Take the right, unless it is taken or there is no such folder. Raises StoreBusyError if somebody has it."""
        if self._taken or not self._folder.is_dir():
            return
        with translated(self._folder):
            try:
                if _HAS_FCNTL:
                    self._lock_folder()
                else:
                    lock = FileLock(self._folder / ".handover.lock", timeout=0)
                    lock.acquire()
                    self._stack.callback(lock.release)
            except (BlockingIOError, Timeout):
                raise StoreBusyError(self._busy) from None
        self._taken = True

    def _lock_folder(self) -> None:
        handle = os.open(self._folder, os.O_RDONLY)
        self._stack.callback(os.close, handle)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise
        except OSError as fault:
            if fault.errno not in _NO_LOCKS | {errno.EBADF, errno.EINVAL}:
                raise


_tried: set[int] = set()
_mutex = threading.Lock()


def is_locked(pack: Path) -> bool:
    """Whether somebody has the right to write the pack just now. Where that cannot be found out, nobody is said to."""
    if not lock_path(pack).exists():
        return False
    try:
        with WriteLock(pack, "busy"):
            return False
    except StoreBusyError:
        return True
    except DiskError:
        return False


def refuse_without_locks(path: Path) -> None:
    """Raise DiskError for a file on a disk without locks.

    SQLite takes that for a lock of somebody else (`sqliteErrorFromPosixError` in its os_unix.c) and would wait for its
    end. Each disk is tried once in a process, before its first file is opened: to close the file again drops whatever
    locks this process has on it.
    """
    if not _HAS_FCNTL:
        return
    with _mutex, translated(path):
        disk = path.stat().st_dev
        if disk in _tried:
            return
        handle = os.open(path, os.O_RDONLY)
        try:
            fcntl.lockf(handle, fcntl.LOCK_SH | fcntl.LOCK_NB, 1, _FAR_OFF)
        except OSError as fault:
            if fault.errno in _NO_LOCKS:
                raise _no_locks(path) from fault
        finally:
            os.close(handle)
        _tried.add(disk)
