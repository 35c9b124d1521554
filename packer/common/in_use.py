"""Files that another program holds open, such as a virus scanner, an indexer or a file manager.

Some systems then refuse to replace, rename or remove them. Most such programs let go within a second or two.
"""

from __future__ import annotations

import errno
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from packer.errors import DiskError

__all__ = ["once_free"]

T = TypeVar("T")

PATIENCE_S = 8.0
_LOOK_EVERY_S = 0.1
# "Access is denied", "used by another process", "locked a portion of the file": Microsoft, "System Error Codes".
_OF_WINDOWS = frozenset([5, 32, 33])
_OF_POSIX = frozenset([errno.EBUSY, errno.ETXTBSY])


def once_free(action: Callable[[], T], path: Path, kept: str = "What was stored is kept.") -> T:
    """Do `action` on `path`, again and again for some seconds while another program holds it.

    Raises DiskError, which names the file and says what was `kept`, if that program does not let go; OSError for any
    other fault. If the process dies: what `action` says of itself.
    """
    ends = time.monotonic() + PATIENCE_S
    while True:
        try:
            return action()
        except OSError as fault:
            if not _is_in_use(fault):
                raise
            if time.monotonic() >= ends:
                raise DiskError(
                    f"{path} is held by another program, such as a virus scanner or a file manager that shows it. "
                    f"{kept} Close it there, then run the same command again."
                ) from fault
        time.sleep(_LOOK_EVERY_S)


def _is_in_use(fault: OSError) -> bool:
    return getattr(fault, "winerror", None) in _OF_WINDOWS or fault.errno in _OF_POSIX
