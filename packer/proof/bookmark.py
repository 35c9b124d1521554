"""How far a verify came that was cut short, kept in a small file beside the pack for the next one.

The file is bound to the pack as it was: one byte or second of difference, and it is not believed. It spares
time only; nothing in a pack ever depends on it.
"""

from __future__ import annotations

import contextlib
import json
from dataclasses import dataclass
from pathlib import Path

from packer.common.atomic_write import write_atomic
from packer.geometry.tileset import Tile
from packer.proof.results import Depth
from packer.store.audit import BadTile, Identity

__all__ = ["Bookmark", "forget_bookmark", "read_bookmark", "save_bookmark"]

_MOST_BYTES = 50_000_000
_FORM = 1


@dataclass(frozen=True, slots=True)
class Bookmark:
    """Chunks that were checked, as their places in the order of chunks, with what was found in them."""

    depth: Depth
    chunk_bodies: int
    chunks: int
    done: frozenset[int]
    bodies: int
    bad: tuple[BadTile, ...]


def _path(pack: Path) -> Path:
    return pack.with_name(f".{pack.stem}.checked.json")


def save_bookmark(pack: Path, mark: Identity, at: Bookmark) -> None:
    """Leave word of how far the check came. A folder that cannot be written is no fault: the next check then
    starts from the beginning. If the process dies: the old file or the new one."""
    text = json.dumps(
        {
            "form": _FORM,
            "identity": list(mark),
            "depth": at.depth.value,
            "chunk_bodies": at.chunk_bodies,
            "chunks": at.chunks,
            "done": _as_runs(at.done),
            "bodies": at.bodies,
            "bad": [[*bad.tile, bad.kind] for bad in at.bad],
        }
    )
    with contextlib.suppress(OSError):
        write_atomic(_path(pack), text)


def forget_bookmark(pack: Path) -> None:
    """Take the file away. If the process dies: it is there or it is not."""
    with contextlib.suppress(OSError):
        _path(pack).unlink(missing_ok=True)


def read_bookmark(pack: Path, mark: Identity, depth: Depth) -> tuple[Bookmark | None, str | None]:
    """How far an earlier check of this depth came, if the pack is still the same.

    Gives None where there is nothing to go on from, with a sentence where the planner should know why.
    """
    path = _path(pack)
    try:
        if not path.is_file() or path.stat().st_size > _MOST_BYTES:
            return None, None
        said = json.loads(path.read_text(encoding="utf-8"))
        if said["form"] != _FORM or said["depth"] != depth.value:
            return None, None
        if said["identity"] != list(mark):
            return (
                None,
                "The pack has changed since the last check stopped early, so all of it is checked again.",
            )
        return _understood(said, depth), None
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        return None, None  # there is none, or it is none of ours


def _understood(said: dict[str, object], depth: Depth) -> Bookmark:
    """Raises ValueError, TypeError or KeyError if the file is not as `save_bookmark` writes it."""
    size, chunks, bodies = (_count(said[name]) for name in ("chunk_bodies", "chunks", "bodies"))
    runs, bad = said["done"], said["bad"]
    if not isinstance(runs, list) or not isinstance(bad, list):
        raise TypeError
    done: set[int] = set()
    for first, last in runs:
        if not 0 <= _count(first) <= _count(last) < chunks:
            raise ValueError
        done.update(range(first, last + 1))
    found = tuple(BadTile(Tile(_count(z), _count(x), _count(y)), str(why)[:200]) for z, x, y, why in bad)
    return Bookmark(depth, size, chunks, frozenset(done), bodies, found)


def _count(value: object) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value < 2**53:
        raise ValueError
    return value


def _as_runs(numbers: frozenset[int]) -> list[list[int]]:
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return runs
