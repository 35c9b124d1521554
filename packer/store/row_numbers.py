"""The numbers that rows of a pack go by, as runs, so that memory grows with their gaps and not with their rows."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from packer.geometry.grid import Ints
from packer.store.schema import file_bytes

__all__ = ["FIRST_NUMBER", "LAST_NUMBER", "RowNumbers"]

FIRST_NUMBER, LAST_NUMBER = -(2**63), 2**63 - 1  # every number that SQLite can give a row
_NONE: Ints = np.empty(0, dtype=np.int64)
_AT_A_TIME = 100_000  # numbers in one text of a megabyte: SQLite joins them faster than Python takes rows
_SMALL_BYTES = 1_000_000
_USED = (
    "SELECT group_concat(number) FROM (SELECT DISTINCT blob_id AS number FROM placement INDEXED BY blob_use "
    "WHERE blob_id >= ? AND typeof(blob_id) = 'integer' ORDER BY blob_id LIMIT ?)"
)
_BODIES = (
    "SELECT group_concat(id), max(hash) FROM (SELECT id, hash FROM blob INDEXED BY sqlite_autoindex_blob_1 {}"
    "ORDER BY hash LIMIT ?)"
)


@dataclass(frozen=True, slots=True)
class RowNumbers:
    """Whole numbers, ascending, each once: runs from `first` to `last`, both included, as arrays of one length.

    Neighbouring runs may touch.
    """

    first: Ints
    last: Ints

    @classmethod
    def of(cls, numbers: Ints) -> RowNumbers:
        """From ascending numbers, each once."""
        starts = np.ones(numbers.size, dtype=np.bool_)
        starts[1:] = np.diff(numbers) != 1
        return cls(
            numbers[starts], numbers[np.roll(starts, -1)]
        )  # a run ends where the next, or the first, begins

    @classmethod
    def used_by_placements(cls, db: sqlite3.Connection) -> RowNumbers:
        """The bodies that placements name, from an index in their order. Raises sqlite3.Error.

        What is not a whole number, as in a damaged row, is left out.
        """
        runs: list[RowNumbers] = []
        start = FIRST_NUMBER
        while True:
            (found,) = db.execute(_USED, (start, _AT_A_TIME)).fetchone()
            if found:
                runs.append(cls.of(_listed(found)))
            if not found or runs[-1].last[-1] == LAST_NUMBER:
                return cls._joined(runs)
            start = int(runs[-1].last[-1]) + 1

    @classmethod
    def of_bodies(cls, db: sqlite3.Connection) -> RowNumbers:
        """The bodies that there are. Raises sqlite3.Error.

        They are read from the index of hashes, a hundredth of the table's pages, and so in no order of theirs: a bit
        for each number keeps them, as long as that takes less than a hundredth of the file.
        """
        lowest, highest = db.execute(
            "SELECT (SELECT min(id) FROM blob), (SELECT max(id) FROM blob)"
        ).fetchone()
        if lowest is None:
            return cls.of(_NONE)
        if (highest - lowest) // 8 > file_bytes(db) // 100 + _SMALL_BYTES:
            return cls.of(np.sort(np.concatenate([_NONE, *_by_hash(db)])))
        bits = np.zeros((highest - lowest) // 8 + 1, dtype=np.uint8)
        for some in _by_hash(db):
            place = some - lowest
            np.bitwise_or.at(bits, place >> 3, np.uint8(128) >> (place & 7).astype(np.uint8))
        steps = range(0, bits.size, _AT_A_TIME)
        each = (
            np.flatnonzero(np.unpackbits(bits[at : at + _AT_A_TIME])).astype(np.int64) + lowest + 8 * at
            for at in steps
        )
        return cls._joined([cls.of(numbers) for numbers in each])

    @classmethod
    def _joined(cls, runs: list[RowNumbers]) -> RowNumbers:
        first = np.concatenate([_NONE, *(run.first for run in runs)])
        return cls(first, np.concatenate([_NONE, *(run.last for run in runs)]))

    def __len__(self) -> int:
        return int((self.last - self.first + 1).sum())

    def at(self, places: Ints) -> Ints:
        """The numbers at some places of the row, counted from 0; each place has to be less than the length."""
        before = np.cumsum(self.last - self.first + 1)
        run = np.searchsorted(before, places, side="right")
        return np.asarray(self.last[run] - (before[run] - 1 - places), dtype=np.int64)

    def missing_from(self, others: RowNumbers) -> list[int]:
        """Those that are not among the others, ascending."""
        if not others.first.size:
            return [number for run in zip(self.first, self.last, strict=True) for number in _run(*run)]
        at = np.maximum(np.searchsorted(others.first, self.first, side="right") - 1, 0)
        held = (others.first[at] <= self.first) & (others.last[at] >= self.last)
        found: list[int] = []
        for first, last in zip(self.first[~held].tolist(), self.last[~held].tolist(), strict=True):
            touched = (others.last >= first) & (others.first <= last)
            start = first
            for begin, end in zip(others.first[touched].tolist(), others.last[touched].tolist(), strict=True):
                found += _run(start, begin - 1)
                start = end + 1
            found += _run(start, last)
        return found


def _by_hash(db: sqlite3.Connection) -> Iterator[Ints]:
    found, last = db.execute(_BODIES.format(""), (_AT_A_TIME,)).fetchone()
    while found:
        yield _listed(found)
        found, last = db.execute(_BODIES.format("WHERE hash > ? "), (last, _AT_A_TIME)).fetchone()


def _listed(found: str) -> Ints:
    return np.fromstring(found, dtype=np.int64, sep=",")


def _run(first: int, last: int) -> range:
    return range(int(first), int(last) + 1)
