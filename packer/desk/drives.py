"""The drives that a card could be on, to choose from: what a person has plugged in, not the machine's own disks."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import sys
from pathlib import Path
from typing import Any

__all__ = ["drives"]

_MOUNTS = Path("/proc/self/mounts")
_PLUGGED_IN = (
    "/media/",
    "/run/media/",
    "/mnt/",
)  # Filesystem Hierarchy Standard 3.0, 3.11 and 3.12; udisks' own
_MAC = Path("/Volumes")
_OPTIONS = 3  # the column of a mount's options, fstab(5)
_LEAST_BYTES = 100_000_000


def drives(mounts: Path = _MOUNTS) -> list[dict[str, Any]]:
    """Each drive with its `path`, and its `free` and `size` in bytes; those that do not answer are left out."""
    found = []
    for path in dict.fromkeys(_paths(mounts)):
        with contextlib.suppress(OSError):
            room = shutil.disk_usage(path)
            if room.total < _LEAST_BYTES or not Path(path).is_dir():
                continue  # no card is so small: a single file, or something of the system's own
            found.append({"path": path, "free": room.free, "size": room.total})
    return found


def _paths(mounts: Path) -> list[str]:
    if sys.platform == "win32":
        own = os.environ.get("SYSTEMDRIVE", "C:").upper()
        every = (f"{letter}:\\" for letter in "DEFGHIJKLMNOPQRSTUVWXYZ")
        return [path for path in every if not path.startswith(own) and Path(path).exists()]
    if sys.platform == "darwin":
        with contextlib.suppress(OSError):
            return [str(path) for path in sorted(_MAC.iterdir()) if path.is_mount()]
        return []
    with contextlib.suppress(OSError):
        rows = [line.split(" ") for line in mounts.read_text("utf-8", "replace").splitlines()]
        points = [_plain(row[1]) for row in rows if len(row) > _OPTIONS and _may_be_written(row[_OPTIONS])]
        return [point for point in points if point.startswith(_PLUGGED_IN)]
    return []


def _may_be_written(options: str) -> bool:
    return "ro" not in options.split(",")


def _plain(text: str) -> str:
    """A mount point without the octal escapes of fstab(5): a blank is \\040."""
    return re.sub(r"\\([0-7]{3})", lambda found: chr(int(found[1], 8)), text)
