"""The numbers of a pack's rows as runs: the same as the numbers themselves, which plain sets stand for here."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from packer.store import row_numbers
from packer.store.row_numbers import FIRST_NUMBER, LAST_NUMBER, RowNumbers

NEAR = st.sets(st.integers(-20, 60))
ANY = st.sets(st.one_of(st.integers(-5, 5), st.integers(FIRST_NUMBER, LAST_NUMBER), st.just(LAST_NUMBER)))


def runs(numbers: set[int]) -> RowNumbers:
    return RowNumbers.of(np.array(sorted(numbers), dtype=np.int64))


def spelled(found: RowNumbers) -> list[int]:
    pairs = zip(found.first.tolist(), found.last.tolist(), strict=True)
    return [number for first, last in pairs for number in range(first, last + 1)]


@given(NEAR | ANY)
def test_runs_stand_for_just_the_numbers_that_they_are_made_from(numbers: set[int]) -> None:
    found = runs(numbers)
    assert spelled(found) == sorted(numbers)
    assert len(found) == len(numbers)
    assert found.at(np.arange(len(numbers))).tolist() == sorted(numbers)


@given(NEAR | ANY, NEAR | ANY)
def test_what_is_missing_is_the_difference_of_the_sets(some: set[int], others: set[int]) -> None:
    assert runs(some).missing_from(runs(others)) == sorted(some - others)


@pytest.fixture
def db() -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as opened:
        opened.executescript(
            "CREATE TABLE blob (id INTEGER PRIMARY KEY, hash BLOB NOT NULL UNIQUE, data BLOB NOT NULL);"
            "CREATE TABLE placement (zoom_level INTEGER, blob_id INTEGER NOT NULL);"
            "CREATE INDEX blob_use ON placement (blob_id);"
        )
        yield opened


@pytest.mark.parametrize(
    "numbers",
    [
        {*range(1, 40)},
        {*range(1, 40)} - {7, 8, 20},
        {-3, 0, 5, LAST_NUMBER},
        {FIRST_NUMBER, LAST_NUMBER},
        {10**15, 10**15 + 1, 10**15 + 80_000},
        set[int](),
    ],
)
def test_bodies_and_placements_are_read_in_steps_whatever_their_numbers(
    db: sqlite3.Connection, monkeypatch: pytest.MonkeyPatch, numbers: set[int]
) -> None:
    monkeypatch.setattr(row_numbers, "_AT_A_TIME", 4)
    hashes = np.random.default_rng(1).permutation(len(numbers)).tolist()
    db.executemany(
        "INSERT INTO blob VALUES (?, ?, x'00')",
        [(n, b"%09d" % h) for n, h in zip(numbers, hashes, strict=True)],
    )
    db.executemany("INSERT INTO placement VALUES (1, ?)", [(n,) for n in (*numbers, *numbers)])
    assert spelled(RowNumbers.of_bodies(db)) == sorted(numbers)
    assert spelled(RowNumbers.used_by_placements(db)) == sorted(numbers)


def test_what_is_no_whole_number_is_left_out(db: sqlite3.Connection) -> None:
    db.executemany("INSERT INTO placement VALUES (1, ?)", [(3,), ("text",), (2.5,), (b"\0",), (4,)])
    assert spelled(RowNumbers.used_by_placements(db)) == [3, 4]
