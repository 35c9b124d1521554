"""The shim between a process and its disk: built, loaded, told what to do; and the log that it writes."""

from __future__ import annotations

import ctypes
import os
import shutil
import struct
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Faults", "Operation", "build", "compiler", "loaded", "read_log", "set_up"]

SOURCE = Path(__file__).parent / "disk_shim.c"
COUNT_ONLY = -2
WRITES, READS = 1 | 2 | 4 | 8 | 16 | 32 | 64, 128 | 256
NO_FLOCK, NO_FCNTL_LOCK = 1, 2
_RECORD = struct.Struct("<I c 3x q q q I I")
_MAGIC = 0x4B534944


@dataclass(frozen=True, slots=True)
class Operation:
    """One change of the disk. `file` numbers the opening that it goes through; `a` and `b` are as in the shim's
    source; `data` is what was written, or for a rename the new path."""

    kind: str
    file: int
    a: int
    b: int
    path: str
    data: bytes


@dataclass(frozen=True, slots=True)
class Faults:
    """Which operations fail: of those of some `kinds` the `first` to the `last`, counted from 0, with `error`.

    A `first` of `COUNT_ONLY` has none fail and puts a dot for each into the file of hits. `short` has writes write
    half in place of failing; `no_locks` are kinds of locks that the disk does not have.
    """

    first: int = -1
    last: int = -1
    error: int = 0
    kinds: int = 0
    short: bool = False
    no_locks: int = 0


def compiler() -> str | None:
    """A C compiler of this machine."""
    return shutil.which("gcc") or shutil.which("cc")


def build(folder: Path) -> Path:
    """Compile the shim into a folder. Raises OSError or CalledProcessError."""
    made = folder / "disk_shim.so"
    command = [
        compiler() or "cc",
        "-shared",
        "-fPIC",
        "-O2",
        "-o",
        str(made),
        str(SOURCE),
        "-ldl",
        "-lpthread",
    ]
    subprocess.run(command, check=True)
    return made


def loaded() -> bool:
    """Whether this process runs with the shim between itself and its disk."""
    return "disk_shim" in os.environ.get("LD_PRELOAD", "")


def set_up(
    root: Path,
    log: Path | None = None,
    hits: Path | None = None,
    faults: Faults | None = None,
    ahead_s: int = 0,
) -> None:
    """Watch a folder from now on, in this process; `ahead_s` sets its clock forward."""
    text, number, whole = ctypes.c_char_p, ctypes.c_long, ctypes.c_int
    set_up_shim = ctypes.CDLL(os.environ["LD_PRELOAD"]).shim_setup
    set_up_shim.argtypes = [text, text, text, number, number, whole, whole, whole, whole, number]
    what = faults or Faults()
    set_up_shim(
        os.fsencode(root),
        os.fsencode(log or ""),
        os.fsencode(hits or ""),
        what.first,
        what.last,
        what.error,
        what.kinds,
        int(what.short),
        what.no_locks,
        ahead_s,
    )


def read_log(log: Path) -> list[Operation]:
    """The changes of the disk in their order. Raises ValueError for a log that breaks off."""
    return list(_operations(log.read_bytes()))


def _operations(data: bytes) -> Iterator[Operation]:
    at = 0
    while at < len(data):
        magic, kind, file, a, b, path_bytes, data_bytes = _RECORD.unpack_from(data, at)
        at += _RECORD.size
        if magic != _MAGIC:
            raise ValueError(f"no record at byte {at}")
        path = data[at : at + path_bytes].decode()
        at += path_bytes
        yield Operation(kind.decode(), file, a, b, path, data[at : at + data_bytes])
        at += data_bytes
