"""`crews.json`: which crews' folders belong in the folder that was handed over to, so that a lost one is missed.

It lies beside the crews' folders and no device needs it. A folder stands in it from before its first byte is written,
without a hash; the hash of its manifest follows just before the manifest itself. So a folder that the record vouches
for is a finished one, whenever a run was killed. Handovers to other crews beside one another take turns at it. Like a
manifest it is read as coming from anyone.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Annotated, Literal
from unicodedata import normalize

from filelock import FileLock, Timeout
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

from packer.common.links import is_link
from packer.errors import BriefError, InputError, StoreBusyError, StoreError
from packer.handover.crews import folder_name
from packer.handover.journal import read_journal
from packer.handover.loose import file_sha256
from packer.handover.manifest import CREWS, CREWS_LOCK, MANIFEST, Manifest, Name, Sha256, read_manifest
from packer.handover.target import leftovers, part_of, put_text
from packer.store.disk_errors import translated

__all__ = [
    "CrewRecord",
    "crew_below",
    "is_unfinished",
    "mark_complete",
    "mark_pending",
    "may_be_looked_into",
    "plain_name",
    "read_record",
    "unfinished_below",
]

_LARGEST_BYTES = 1_000_000
# Some drives have no locks, and a handover that is alone there needs none.
_NO_LOCKS = {errno.ENOLCK, errno.ENOTSUP, errno.EOPNOTSUPP}
_PATIENCE_S = 30.0  # to write the record takes as long as a worn stick takes to sync what else is on its way


def plain_name(name: str) -> str:
    """A name without what does not part names on every card."""
    return normalize("NFC", normalize("NFC", name).casefold())


def _one_step(name: str) -> str:
    if "/" in name:
        raise ValueError("a crew's folder should lie directly beside the record")
    return name


Folder = Annotated[Name, AfterValidator(_one_step)]


class CrewRecord(BaseModel):
    """The whole document: by folder the SHA-256 of its manifest, None until its handover comes to its end."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)

    record: Literal["lastbar crews"] = "lastbar crews"
    record_version: Literal[1] = 1
    folders: Annotated[dict[Folder, Sha256 | None], Field(max_length=5_000)]

    @model_validator(mode="after")
    def _each_once(self) -> CrewRecord:
        if len({plain_name(name) for name in self.folders}) != len(self.folders):
            raise ValueError("a folder is named twice")
        return self

    def noting(self, folders: dict[str, str | None]) -> CrewRecord:
        """The record with these folders noted, each in place of one that many cards take for the same."""
        new = {plain_name(name) for name in folders}
        kept = {name: sha256 for name, sha256 in self.folders.items() if plain_name(name) not in new}
        return self.model_copy(update={"folders": dict(sorted((kept | folders).items()))})


def read_record(to: Path) -> CrewRecord | None:
    """The record in a folder, None if there is none. Raises StoreError for one that cannot be trusted."""
    path = to / CREWS
    if not os.path.lexists(path):
        return None
    with translated(path):
        usable = not is_link(path) and path.is_file() and path.stat().st_size <= _LARGEST_BYTES
        text = path.read_bytes() if usable else b""
    try:
        return CrewRecord.model_validate_json(text)
    except ValidationError:
        raise StoreError(
            f"{path} cannot be used as the record of the crews' folders. It is damaged, or another version or program "
            "wrote it. Copy it again from the folder that was handed over."
        ) from None


def mark_pending(to: Path, folders: Iterable[str]) -> None:
    """Note that folders belong in `to` and are not finished. If the process dies: the old record or the new one."""
    _note(to, dict.fromkeys(folders))


def mark_complete(to: Path, folder: str, manifest: Manifest) -> None:
    """Note the manifest that a folder is about to get. If the process dies: the old record or the new one."""
    _note(to, {folder: hashlib.sha256(manifest.as_text().encode()).hexdigest()})


def _note(to: Path, folders: dict[str, str | None]) -> None:
    # Read again each time, since a handover to other crews may go on beside this one.
    with _alone(to):
        record = (read_record(to) or _as_found(to)).noting(folders)
        put_text(to / CREWS, record.model_dump_json(indent=1) + "\n")


@contextlib.contextmanager
def _alone(to: Path) -> Iterator[None]:
    """The right to write the record, waited for while another handover has it.

    Raises StoreBusyError if it does not come, and InputError if the lock's name is that of a link. If the process
    dies: the system frees the lock; its empty file stays, so that all who wait do so for the same one.
    """
    path = to / CREWS_LOCK
    if is_link(path):
        raise InputError(
            f"{path} is a link to somewhere else, but a handover writes only below {to}. Remove the link, then hand "
            "over again."
        )
    lock = FileLock(path, timeout=_PATIENCE_S)
    with translated(path):
        try:
            lock.acquire()
        except Timeout:
            raise StoreBusyError(
                f"Another handover has been writing {to / CREWS} for {_PATIENCE_S:.0f} s. Let it finish, or stop it "
                "there with Ctrl-C, then hand over again."
            ) from None
        except OSError as fault:
            if fault.errno not in _NO_LOCKS:
                raise
    try:
        yield
    finally:
        lock.release()


def _as_found(to: Path) -> CrewRecord:
    """The record that a folder should have: an older version kept none of the crews that it handed over to."""
    return CrewRecord(folders={p.name: file_sha256(p / MANIFEST) for p in _folders(to) if _is_of_a_crew(p)})


def _folders(to: Path) -> list[Path]:
    """The folders directly below one that may be ours. Links and those that are shut are not; hidden ones are
    themselves half of something."""
    with translated(to):
        below = sorted(to.iterdir()) if to.is_dir() else []
        own = [p for p in below if p.is_dir() and not is_link(p) and not p.name.startswith(".")]
    return [path for path in own if may_be_looked_into(path)]


def may_be_looked_into(folder: Path) -> bool:
    """Whether this user may list a folder and reach what is in it; a card's lost+found is shut to most."""
    try:
        with os.scandir(folder):
            (folder / MANIFEST).lstat()
    except PermissionError:
        return False
    except OSError:
        pass  # there is no manifest; any other trouble is reported by whoever opens the folder
    return True


def _is_of_a_crew(folder: Path) -> bool:
    """Whether a folder is a finished copy for a crew and has the name that the crew gives it."""
    try:
        return _names(read_manifest(folder).crew, folder)
    except StoreError:
        return False


def _names(crew: str | None, folder: Path) -> bool:
    """Whether a folder has the name that a crew gives it."""
    try:
        return crew is not None and folder_name(crew) == folder.name
    except BriefError:
        return False


def is_unfinished(folder: Path) -> bool:
    """Whether a folder holds what a handover left that never came to its end, and no manifest.

    Raises DiskError for one that cannot be looked into.
    """
    own = part_of(folder / CREWS)  # half a record: the old one still holds
    with translated(folder):
        return not (folder / MANIFEST).exists() and any(path != own for path in leftovers(folder))


def unfinished_below(to: Path) -> list[Path]:
    """The folders directly below one that are unfinished."""
    return [path for path in _folders(to) if is_unfinished(path)]


def crew_below(to: Path) -> Path | None:
    """What shows that a folder was handed over to with crews: a folder of one of them, or else the record.

    What a handover without crews has left half done below it says nothing about the folder.
    """
    for path in _folders(to):
        if _is_of_a_crew(path) or (is_unfinished(path) and _names(read_journal(path).crew, path)):
            return path
    return to / CREWS if os.path.lexists(to / CREWS) else None
