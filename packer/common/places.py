"""Where a folder is, or would be made: the nearest one that is there, and a drive that is not."""

from __future__ import annotations

from pathlib import Path, PurePath

from packer.errors import DiskError

__all__ = ["missing_drive_text", "nearest_folder"]


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
