"""The states of a disk that a power cut may leave, worked out from a log of what was done to it.

A file has bytes that were synced and changes since; a folder has names that were synced and changes since. A model
says which of the changes have reached the disk when the power fails.
"""

from __future__ import annotations

import hashlib
import os
import random
import shutil
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from scripts.powercut.shim import Operation

__all__ = ["MODELS", "Disk", "State", "digest", "lay_out"]

State = Mapping[str, bytes | None]
"""By path below the folder, with a leading slash: a file's bytes, None for a folder."""

SECTOR = 512  # what a disk writes whole or not at all; common practice, no source

MODELS = {
    "in order": ("all", "all"),
    "only what was synced": ("all", "synced"),
    "random writes, torn sectors": ("all", "random"),
    "names lost": ("synced, folders kept", "synced"),
    "names lost, folders too": ("synced", "synced"),
    "names lost, data there": ("synced, folders kept", "all"),
    "names and data at random": ("random", "random"),
}
"""For each model what becomes of names and of data that were not synced."""


@dataclass(slots=True, eq=False)
class _File:
    is_folder: bool
    synced: bytearray = field(default_factory=bytearray)
    now: bytearray = field(default_factory=bytearray)
    pending: list[tuple[int, bytes | None]] = field(
        default_factory=list
    )  # offset and data; None: cut to that length

    def change(self, offset: int, data: bytes | None) -> None:
        _apply(self.now, offset, data)
        self.pending.append((offset, data))

    def sync(self) -> None:
        self.synced, self.pending = bytearray(self.now), []


def _apply(content: bytearray, offset: int, data: bytes | None) -> None:
    end = offset if data is None else offset + len(data)
    if data is None and end < len(content):
        del content[end:]
    elif len(content) < offset:
        content.extend(bytes(offset - len(content)))
    if data is not None:
        content[offset:end] = data


@dataclass(frozen=True, slots=True)
class _NameChange:
    kind: str  # "add", "remove", "move"
    path: str
    to: str = ""
    file: _File | None = None

    @property
    def folders(self) -> set[str]:
        return {_above(self.path)} | ({_above(self.to)} if self.kind == "move" else set())


def _above(path: str) -> str:
    return path.rpartition("/")[0]


def _rename(names: dict[str, _File], change: _NameChange) -> None:
    path, to = change.path, change.to
    if change.kind == "add" and change.file is not None:
        names[path] = change.file
    elif change.kind == "remove":
        names.pop(path, None)
    elif moved := {p: f for p, f in names.items() if p == path or p.startswith(path + "/")}:
        for gone in [p for p in names if p == to or p.startswith(to + "/")]:
            del names[gone]
        for old in moved:
            names.pop(old, None)
        names.update({to + old[len(path) :]: file for old, file in moved.items()})


class Disk:
    """A folder on a disk: all that was done to it, and what of that is sure to outlast a power cut."""

    def __init__(self, base: Path) -> None:
        """As the folder `base` is, all of it synced."""
        self._now: dict[str, _File] = {"": _File(True)}
        for folder, below, files in os.walk(base):
            here = "" if folder == str(base) else "/" + os.path.relpath(folder, base)
            self._now |= {f"{here}/{name}": _File(True) for name in below}
            for name in files:
                data = Path(folder, name).read_bytes()
                self._now[f"{here}/{name}"] = _File(False, bytearray(data), bytearray(data))
        self._synced = dict(self._now)
        self._pending: list[_NameChange] = []
        self._opened: dict[int, tuple[_File, str]] = {}
        self.unsupported: set[str] = set()

    def step(self, done: Operation) -> None:
        """Take in the next operation."""
        if done.kind == "O":
            self._open(done)
        elif done.kind == "W":
            self._opened[done.file][0].change(done.a, done.data)
        elif done.kind == "T":
            self._opened[done.file][0].change(done.a, None)
        elif done.kind == "S":
            file, path = self._opened[done.file]
            if file.is_folder:
                self._sync_folder(path)
            else:
                file.sync()
        elif done.kind == "!":
            self.unsupported.add(done.path)
        else:
            self._change_name(done)

    def path_of(self, done: Operation) -> str:
        """The path of the file that an operation goes through, as it was when it was opened."""
        return self._opened[done.file][1] if done.kind in "WTS" else done.path

    def _open(self, done: Operation) -> None:
        file = self._now.get(done.path)
        if file is None:
            file = _File(False)
            if done.a & os.O_CREAT:
                self._now[done.path] = file
                self._pending.append(_NameChange("add", done.path, file=file))
        elif done.a & os.O_TRUNC and not file.is_folder and file.now:
            file.change(0, None)
        self._opened[done.file] = file, done.path

    def _change_name(self, done: Operation) -> None:
        if done.kind == "R":
            change = _NameChange("move", done.path, done.data.decode())
        elif done.kind == "M":
            change = _NameChange("add", done.path, file=_File(True))
        else:
            change = _NameChange("remove", done.path)
        _rename(self._now, change)
        self._pending.append(change)

    def _sync_folder(self, folder: str) -> None:
        """Each pending change of a name in the folder becomes durable."""
        left = []
        for change in self._pending:
            if folder in change.folders:
                _rename(self._synced, change)
            else:
                left.append(change)
        self._pending = left

    def state(self, model: str, seed: int = 0) -> dict[str, bytes | None]:
        """What the disk may hold if the power fails now."""
        of_names, of_data = MODELS[model]
        chance = random.Random(seed)
        names = self._names(of_names, chance)
        seen: dict[int, bytes] = {}
        found: dict[str, bytes | None] = {}
        for path, file in sorted(names.items()):
            if file.is_folder:
                found[path] = None
            else:
                if id(file) not in seen:
                    seen[id(file)] = _content(file, of_data, chance)
                found[path] = seen[id(file)]
        return found

    def _names(self, how: str, chance: random.Random) -> dict[str, _File]:
        if how == "all":
            return dict(self._now)
        names = dict(self._synced)
        for change in self._pending if how != "synced" else ():
            is_new_folder = change.kind == "add" and change.file is not None and change.file.is_folder
            if is_new_folder or (how == "random" and chance.random() < 0.5):
                _rename(names, change)
        reached: dict[str, _File] = {}
        for path, file in sorted(names.items(), key=lambda item: item[0].count("/")):
            above = reached.get(_above(path))
            if path == "" or (above is not None and above.is_folder):  # a name whose folder is gone is gone
                reached[path] = file
        return reached


def _content(file: _File, how: str, chance: random.Random) -> bytes:
    if how == "all":
        return bytes(file.now)
    content = bytearray(file.synced)
    share = chance.choice((0.0, 0.5, 0.5, 0.5, 0.5, 0.5, 1.0)) if how == "random" else 0.0
    for offset, data in file.pending:
        if chance.random() >= share:
            continue
        for at, piece in (
            _sectors(offset, data, chance) if data and chance.random() < 0.25 else [(offset, data)]
        ):
            _apply(content, at, piece)
    return bytes(content)


def _sectors(offset: int, data: bytes, chance: random.Random) -> Iterator[tuple[int, bytes]]:
    """Some of the sectors of a write that was torn."""
    at = 0
    while at < len(data):
        end = min(len(data), at + SECTOR - (offset + at) % SECTOR)
        if chance.random() < 0.5:
            yield offset + at, data[at:end]
        at = end


def digest(state: State) -> bytes:
    """What tells one state from another."""
    whole = hashlib.sha256()
    for path in sorted(state):
        data = state[path]
        whole.update(path.encode() + b"\0" + (b"folder" if data is None else hashlib.sha256(data).digest()))
    return whole.digest()


def lay_out(state: State, folder: Path) -> None:
    """Make a folder that holds a state, in place of what it held."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    for path in sorted(state):
        data = state[path]
        if path and data is None:
            Path(f"{folder}{path}").mkdir(parents=True, exist_ok=True)
        elif data is not None:
            Path(f"{folder}{path}").write_bytes(data)
