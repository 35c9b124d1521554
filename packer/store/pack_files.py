"""The files of one layer's pack: one, or several once it is large.

All but the first are numbered, "NAME (file 2).mbtiles", and no layer can have such a name. Each is a pack by itself,
and a tile lies in just one of them. Nothing says which but the files themselves: each lists its own tiles, so no list
can disagree with them. The first file has a mark of the pack and how many files it has had, and each further one that
mark and its own number. So a file that is gone is noticed, and one from elsewhere is never taken for it.
"""

from __future__ import annotations

import json
import re
import secrets
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from packer.errors import StoreError
from packer.store.schema import reading

__all__ = [
    "MOST_FILES",
    "PackFiles",
    "file_path",
    "files_of",
    "first_label",
    "first_of",
    "further_label",
    "has_pack",
    "is_further_file",
    "new_mark",
    "numbered_files",
    "pack_files",
]

MOST_FILES = 64  # each is open while its layer is read or written
_OF_FIRST, _OF_FURTHER = "pack_files", "pack_file"
_FURTHER = re.compile(r"(?P<name>.+) \(file (?P<number>[2-9]|[1-9][0-9])\)", re.DOTALL)


@dataclass(frozen=True, slots=True)
class PackFiles:
    """The files of a pack in the order of their numbers, and those that are gone. `mark` is None for a pack that never
    had more than one."""

    paths: tuple[Path, ...] = ()
    lost: tuple[Path, ...] = ()
    mark: str | None = None


def file_path(pack: Path, number: int) -> Path:
    """Where a file of a pack lies; number 1 is the pack's own name."""
    return pack if number == 1 else pack.with_name(f"{pack.stem} (file {number}){pack.suffix}")


def is_further_file(path: Path) -> bool:
    """Whether a file has the name of one that belongs to the pack of another name."""
    return _FURTHER.fullmatch(path.stem) is not None


def first_of(path: Path) -> Path:
    """The pack that a file belongs to, by its name."""
    match = _FURTHER.fullmatch(path.stem)
    return path if match is None else path.with_name(match["name"] + path.suffix)


def numbered_files(pack: Path) -> dict[int, Path]:
    """The further files beside a pack by their numbers, by their names alone."""
    found: dict[int, Path] = {}
    with suppress(FileNotFoundError, NotADirectoryError):
        for path in pack.parent.iterdir():
            match = _FURTHER.fullmatch(path.stem) if path.suffix == pack.suffix else None
            if match is not None and match["name"] == pack.stem:
                found[int(match["number"])] = path
    return dict(sorted(found.items()))


def has_pack(pack: Path) -> bool:
    """Whether there is any file of a pack, whatever is in it."""
    return pack.exists() or bool(numbered_files(pack))


def pack_files(pack: Path) -> PackFiles:
    """The files of a pack; none where there is no pack. A file named by itself, as "NAME (file 2)", stands alone.

    Raises StoreError for a file with the name of one of the pack's that belongs to another, and for one that is not a
    pack of ours.
    """
    if is_further_file(pack):
        return PackFiles((pack,) if pack.exists() else ())
    further = numbered_files(pack)
    if not pack.exists() and not further:
        return PackFiles()
    mark, count = _of_first(pack) if pack.exists() else (None, 0)
    for number, path in further.items():
        said = _of_further(path)
        if mark is None and not pack.exists() and said is not None:
            mark = str(said[0])
        if said is None or said != (mark, number):
            raise _misplaced(path, pack, number)
    every = range(1, max([count, 1, *further]) + 1)
    there = {1: pack, **further} if pack.exists() else further
    lost = tuple(file_path(pack, number) for number in every if number not in there)
    return PackFiles(tuple(there[number] for number in every if number in there), lost, mark)


def files_of(pack: Path) -> tuple[Path, ...]:
    """The files of a pack that are there; its own name where there is none, for whoever opens it to say so."""
    return pack_files(pack).paths or (pack,)


def new_mark() -> str:
    """A mark for a pack that gets a second file."""
    return secrets.token_hex(8)


def first_label(mark: str, count: int) -> tuple[str, str]:
    """The row of `metadata` by which the first file of several knows the others."""
    return _OF_FIRST, json.dumps({"mark": mark, "count": count})


def further_label(mark: str, number: int) -> tuple[str, str]:
    """The row of `metadata` by which a further file says where it belongs."""
    return _OF_FURTHER, json.dumps({"mark": mark, "number": number})


def _of_first(path: Path) -> tuple[str | None, int]:
    if path.stat().st_size == 0:  # left by a death at the very start
        return None, 1
    if _label(path, _OF_FURTHER) is not None:
        raise StoreError(
            f"{path} is one of several files of a pack, and not the first of them: it was renamed. Give it its name "
            'back, which ends in "(file 2)" or the like, and put the first file here.'
        )
    said = _label(path, _OF_FIRST)
    if said is None:
        return None, 1
    mark, count = said.get("mark"), said.get("count")
    if not isinstance(mark, str) or not isinstance(count, int) or not 1 <= count <= MOST_FILES:
        raise StoreError(f"{path} is damaged: its note of the files of its pack cannot be read.")
    return mark, count


def _of_further(path: Path) -> tuple[object, object] | None:
    said = _label(path, _OF_FURTHER)
    return None if said is None else (said.get("mark"), said.get("number"))


def _label(path: Path, name: str) -> dict[str, object] | None:
    with reading(path) as db:
        row = db.execute("SELECT value FROM metadata WHERE name = ?", (name,)).fetchone()
    if row is None:
        return None
    try:
        said = json.loads(row[0])
    except (ValueError, RecursionError):
        said = None
    return said if isinstance(said, dict) else {}


def _misplaced(path: Path, pack: Path, number: int) -> StoreError:
    return StoreError(
        f"{path} has the name of file {number} of the pack {pack.name}, but belongs to another pack, or to another "
        "place in it. Nothing was changed. Move it away, and put the right file there if you have it."
    )
