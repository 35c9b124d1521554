"""Files dropped on the page: kept beside the brief, under their own name where that is free."""

from __future__ import annotations

import re
import unicodedata
from pathlib import Path
from typing import Any

from packer.common.atomic_write import write_atomic
from packer.common.links import is_link
from packer.errors import BriefError, DiskError, InputError
from packer.planning.layer_names import names_a_device
from packer.planning.shape_files import shapes_in

__all__ = ["MOST_FILE_BYTES", "keep_dropped", "plain_name", "taken_by_another"]

MOST_FILE_BYTES = 64_000_000
_MOST_TWINS = 200


def keep_dropped(folder: Path, name: str, content: bytes) -> dict[str, Any]:
    """Keep a file in the folder of a brief and tell what is in it: {"file", "points", "lines", "polygons", "names"}.

    A file of the same name and content is used as it is; of another content the new one gets a number. A file that
    is no shape file is not kept. Raises InputError for a name or content that cannot be used, DiskError if it cannot
    be written. If the process dies: the file is there whole, or not at all.
    """
    plain = plain_name(name)
    path = _free_path(folder, plain, content)
    fresh = not path.exists()
    try:
        if fresh:
            folder.mkdir(parents=True, exist_ok=True)
            write_atomic(path, content)
        counts = shapes_in(path)
    except OSError as fault:
        raise DiskError(f"{path} cannot be written: {fault.strerror}.") from fault
    except (ValueError, BriefError) as fault:
        if fresh:
            path.unlink(missing_ok=True)
        raise InputError(f"{plain} cannot be used: {fault}.") from None
    return {"file": path.name, **counts}


def taken_by_another(folder: Path, name: str, content: bytes) -> Path | None:
    """The file in the folder that has this name and another content, if any. Raises InputError as `keep_dropped`."""
    path = folder / plain_name(name)
    return path if path.is_file() and not is_link(path) and not _same(path, content) else None


def plain_name(name: str) -> str:
    """The last part of a name, without what no file system takes or what could lead elsewhere."""
    last = re.split(r"[/\\]", unicodedata.normalize("NFC", name))[-1]
    kept = "".join(c if c.isalnum() or c in " ._-()" else "_" for c in last).strip(" .")[:120]
    if not kept or kept.lower() == "brief.toml" or names_a_device(kept) or "." not in kept:
        raise InputError(
            f"A file called {name[:80]!r} cannot be kept beside the brief. Give it another name."
        )
    return kept


def _free_path(folder: Path, name: str, content: bytes) -> Path:
    stem, dot, ending = name.rpartition(".")
    for number in range(1, _MOST_TWINS):
        path = folder / (name if number == 1 else f"{stem} {number}{dot}{ending}")
        if is_link(path):
            continue  # it could lead anywhere
        if not path.exists() or (path.is_file() and _same(path, content)):
            return path
    raise InputError(f"There are too many files called {name} beside the brief. Give it another name.")


def _same(path: Path, content: bytes) -> bool:
    return path.stat().st_size == len(content) and path.read_bytes() == content
