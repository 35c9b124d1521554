"""Where a folder is, or would be made: the nearest one that is there, and a drive that is not."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from importlib import import_module
from pathlib import Path, PurePath
from typing import Any

from packer.errors import DiskError, InputError

__all__ = ["longest_path", "missing_drive_text", "nearest_folder", "refuse_long_path"]

_OF_WINDOWS = 259  # letters; Microsoft, "Maximum Path Length Limitation": 260 with the zero at the end
_OF_OTHERS = 4095  # bytes, where the system does not say


def nearest_folder(folder: Path) -> Path:
    """The folder, or the nearest above it that is there. Raises DiskError where not even its drive or share is: the
    topmost folder is its own parent."""
    here = folder.absolute()
    while not here.is_dir():
        if here == here.parent:
            raise DiskError(missing_drive_text(folder.absolute()))
        here = here.parent
    return here


def missing_drive_text(folder: PurePath) -> str:
    """That the drive or network share of a path is not there, and what to do."""
    drive = folder.drive
    if drive.startswith("\\\\"):
        return f"The network share {drive} cannot be reached. Connect to it, or name another folder."
    what = f"There is no drive {drive}" if drive else f"{folder.anchor or folder} is not there"
    return f"{what}, where {folder} would be. Put the card or the disk in, or name another folder."


def longest_path() -> int:
    """How long a whole path may be: in letters on Windows, where longer ones have to be allowed first, else in
    bytes."""
    if sys.platform == "win32":
        return _longest_on_windows()
    try:
        return os.pathconf("/", "PC_PATH_MAX") - 1
    except (OSError, ValueError):
        return _OF_OTHERS


def _longest_on_windows() -> int:
    winreg: Any = import_module("winreg")  # on Windows only
    key = r"SYSTEM\CurrentControlSet\Control\FileSystem"
    try:
        with winreg.OpenKey(winreg.HKEY_LOCAL_MACHINE, key) as found:
            allowed, _ = winreg.QueryValueEx(found, "LongPathsEnabled")
    except OSError:
        allowed = 0
    return 32_767 if allowed else _OF_WINDOWS


def refuse_long_path(path: Path, longest: Callable[[], int] = longest_path) -> None:
    """Raise InputError for a path that the system does not take, before anything is written."""
    limit, whole = longest(), path.absolute()
    length = len(os.fsencode(whole)) if sys.platform != "win32" else len(str(whole))
    if length > limit:
        raise InputError(
            f"{whole} would be a name of {length} letters, and this system takes {limit}. Choose a folder with a "
            "shorter name, or one further up. Nothing was written."
        )
