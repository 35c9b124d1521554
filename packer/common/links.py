"""Whether a name leads somewhere else: a symbolic link, or what Windows has of that kind for folders, junctions."""

from __future__ import annotations

import errno
import stat
from pathlib import Path

__all__ = ["is_link"]

_SURROGATE = 0x20000000
"""The bit of a reparse tag that says "another name for something else" ([MS-FSCC] 2.1.2.1, the N bit): junctions and
links have it, and what a cloud drive keeps elsewhere has not."""
_NOT_THERE = (errno.ENOENT, errno.ENOTDIR, errno.EBADF, errno.ELOOP)
_NO_SUCH_DRIVE = (
    21,
    123,
    1921,
)  # not ready, no such name, a link that leads nowhere (System Error Codes of Windows)


def is_link(path: Path) -> bool:
    """Whether the name itself is a link; False where nothing is there. Raises OSError where one may not look.

    `Path.is_symlink` is not told of junctions, and `Path.is_junction` is there from Python 3.12 on only.
    """
    try:
        found = path.lstat()
    except ValueError:  # no name can be so
        return False
    except OSError as fault:
        if fault.errno in _NOT_THERE or getattr(fault, "winerror", None) in _NO_SUCH_DRIVE:
            return False
        raise
    return stat.S_ISLNK(found.st_mode) or bool(getattr(found, "st_reparse_tag", 0) & _SURROGATE)
