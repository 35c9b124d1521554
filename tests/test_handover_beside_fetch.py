"""A handover of hours beside commands that write the packs: they get in, and nothing wrong is handed over."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path

import pytest

from packer.errors import StoreBusyError, StoreError
from packer.geometry.tileset import RowRun, Tile, TileSet
from packer.handover import handover, inspect_folder
from packer.planning.brief import Brief
from packer.planning.plan import Plan
from packer.store import file_writer, schema, snapshot_reader
from packer.store.pruning import prune_pack
from packer.store.records import Record, Renewed
from packer.store.schema import open_writable
from packer.store.snapshot_reader import SnapshotReader
from tests.handover_packs import DAY, brief_in, build, packs, picture, received
from tests.test_handover_mbtiles import query
from tests.test_handover_parts import tiles_of

PLACES = [Tile(9, x, y) for y in range(3) for x in range(100)]


@pytest.fixture(autouse=True)
def a_writer_that_does_not_wait(monkeypatch: pytest.MonkeyPatch) -> None:
    """So that a reader which holds the pack stops it at once, and not after ten minutes."""
    for room in (schema, file_writer):
        monkeypatch.setattr(room, "WRITER_PATIENCE_S", 0.0)


@pytest.fixture
def ready(tmp_path: Path) -> tuple[Brief, Plan]:
    brief, worked_out = brief_in(tmp_path, deepest=13)
    packs(brief, worked_out)
    return brief, worked_out


@pytest.fixture
def pack(ready: tuple[Brief, Plan]) -> Path:
    """A pack of its own, with more bodies than are read in one go."""
    path = ready[0].store_folder / "alone.mbtiles"
    assert len(PLACES) > 2 * snapshot_reader._STRETCH
    build(path, "png", [received(tile, picture(tile)) for tile in PLACES], ready[1])
    return path


def no_fault(_data: bytes) -> None:
    return None


def newer(tile: Tile) -> Record:
    return replace(received(tile, picture(tile, noise=3_000)), fetched=DAY + 999_999)


def when_writing(name: str, act: Callable[[], None]) -> Callable[[str, int, int], None]:
    """Do something once, at the first progress of a file; all of its bodies but the first few are still to be read."""
    todo = [act]

    def on_progress(doing: str, _done: int, _every: int) -> None:
        if doing == f"writing {name}" and todo:
            todo.pop()()

    return on_progress


def test_writer_commits_while_a_body_is_in_the_hands_of_the_handover(
    ready: tuple[Brief, Plan], pack: Path
) -> None:
    with SnapshotReader(pack) as source:
        bodies = source.bodies(source.listing(TileSet.from_tiles(PLACES)), no_fault)
        first = next(bodies)
        build(pack, "png", [received(Tile(9, 500, 1), b"unplanned")], ready[1])
        found = [first, *bodies]
    assert [(body.tile, body.data, body.fault) for body in found] == [(t, picture(t), None) for t in PLACES]


def test_writer_waits_while_the_stock_is_read_so_that_it_is_of_one_moment(
    ready: tuple[Brief, Plan], pack: Path
) -> None:
    with SnapshotReader(pack) as source:
        with pytest.raises(StoreBusyError):
            build(pack, "png", [received(Tile(9, 500, 1), b"unplanned")], ready[1])
        assert len(source.listing(TileSet.from_tiles(PLACES))) == len(PLACES)


def replaced(pack: Path, worked_out: Plan) -> None:
    build(pack, "png", [newer(PLACES[-1])], worked_out)


def replaced_by_another_body_of_the_pack(pack: Path, worked_out: Plan) -> None:
    build(pack, "png", [received(PLACES[-1], picture(PLACES[0]))], worked_out)


def pruned(pack: Path, _worked_out: Plan) -> None:
    prune_pack(pack, "alone", TileSet.from_tiles(PLACES[:-1]))


def pruned_and_fetched_anew_under_the_same_number(pack: Path, worked_out: Plan) -> None:
    (newest,) = query(pack, "SELECT max(id) FROM blob")
    pruned(pack, worked_out)
    replaced(pack, worked_out)
    assert query(pack, "SELECT max(id) FROM blob") == [newest]


@pytest.mark.parametrize(
    "change",
    [
        replaced,
        replaced_by_another_body_of_the_pack,
        pruned,
        pruned_and_fetched_anew_under_the_same_number,
    ],
)
def test_body_that_is_no_longer_the_one_that_was_listed_is_not_given(
    ready: tuple[Brief, Plan], pack: Path, change: Callable[[Path, Plan], None]
) -> None:
    with SnapshotReader(pack) as source:
        bodies = source.bodies(source.listing(TileSet.from_tiles(PLACES)), no_fault)
        given = [next(bodies)]
        change(pack, ready[1])
        with pytest.raises(
            StoreError,
            match=rf"A tile from 9/\d+/2 to {PLACES[-1]} .* replaced or removed .* hand over again",
        ):
            given += bodies
        assert [body.data for body in given] == [picture(body.tile) for body in given]
        change(pack, ready[1])  # the pack is not held after the refusal either


def test_tile_that_was_only_confirmed_meanwhile_is_given(ready: tuple[Brief, Plan], pack: Path) -> None:
    with SnapshotReader(pack) as source:
        bodies = source.bodies(source.listing(TileSet.from_tiles(PLACES)), no_fault)
        given = [next(bodies)]
        build(pack, "png", [Renewed(PLACES[-1], DAY + 999_999)], ready[1])
        given += bodies
    assert [body.data for body in given] == [picture(tile) for tile in PLACES]


@pytest.mark.parametrize(
    ("value", "told"),
    [("x'00'", "its bytes have changed"), ("7", "its data is missing"), ("'text'", "its data is missing")],
)
def test_damage_is_still_told_as_damage_after_others_have_written(
    ready: tuple[Brief, Plan], pack: Path, value: str, told: str
) -> None:
    db = sqlite3.connect(pack)
    db.execute(f"UPDATE blob SET data = {value} WHERE id = (SELECT max(id) FROM blob)")
    db.commit()
    db.close()
    with SnapshotReader(pack) as source:
        bodies = source.bodies(source.listing(TileSet.from_tiles(PLACES)), no_fault)
        given = [next(bodies)]
        build(pack, "png", [received(Tile(9, 500, 1), b"unplanned")], ready[1])
        given += bodies
    assert [body.fault for body in given if body.fault] == [told]


def test_large_bodies_are_read_a_few_at_a_time(
    ready: tuple[Brief, Plan], pack: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is read in one go lies in memory: a hostile pack may have bodies of any size."""
    monkeypatch.setattr(snapshot_reader, "_STRETCH_BYTES", 2 * len(picture(PLACES[0])))
    stretches: list[int] = []
    stretch = SnapshotReader._stretch

    def counting(self: SnapshotReader, runs: list[RowRun], mark: bytes, at: int) -> object:
        rows = stretch(self, runs, mark, at)
        stretches.append(len(rows))
        return rows

    monkeypatch.setattr(SnapshotReader, "_stretch", counting)
    with SnapshotReader(pack) as source:
        given = list(source.bodies(source.listing(TileSet.from_tiles(PLACES)), no_fault))
    assert [body.data for body in given] == [picture(tile) for tile in PLACES]
    assert max(stretches) <= 4


def test_fetch_that_dies_inside_a_commit_does_not_take_the_handover_along(pack: Path) -> None:
    """The files are left as the disk holds them in a transaction that has begun to reach the pack."""
    journal = pack.with_name(pack.name + "-journal")
    with SnapshotReader(pack) as source:
        bodies = source.bodies(source.listing(TileSet.from_tiles(PLACES)), no_fault)
        given = [next(bodies)]
        db = open_writable(pack, "alone", "png")
        db.execute("PRAGMA cache_size = 10")  # so that pages spill to the file before the commit
        db.execute("BEGIN IMMEDIATE")
        _put(db, 60)
        db.execute("DELETE FROM placement")
        half = {path: path.read_bytes() for path in (pack, journal)}
        db.execute("ROLLBACK")
        db.close()
        for path, content in half.items():
            path.write_bytes(content)
        given += bodies
    assert [(body.data, body.fault) for body in given] == [(picture(tile), None) for tile in PLACES]
    assert query(pack, "SELECT count(*) FROM placement") == [(len(PLACES),)]


def _put(db: sqlite3.Connection, count: int) -> None:
    rows: Iterable[tuple[bytes, bytes]] = ((os.urandom(32), os.urandom(9000)) for _ in range(count))
    db.executemany("INSERT INTO blob (hash, data) VALUES (?, ?)", rows)


def test_fetch_goes_on_beside_a_handover_which_hands_over_what_was_there_when_it_began(
    ready: tuple[Brief, Plan], tmp_path: Path
) -> None:
    brief, worked_out = ready
    more = Tile(14, 8800, 5700)
    fetch = when_writing(
        "aerial.mbtiles",
        lambda: build(
            brief.store_folder / "aerial.mbtiles", "png", [received(more, picture(more))], worked_out
        ),
    )
    assert handover(brief, worked_out, None, tmp_path / "card", on_progress=fetch).complete
    assert more in tiles_of(brief.store_folder / "aerial.mbtiles")
    assert tiles_of(tmp_path / "card" / "aerial.mbtiles") == worked_out.layers["aerial"].tiles
    assert inspect_folder(tmp_path / "card").intact


@pytest.mark.parametrize("allow_gaps", [True, False])
def test_refresh_beside_a_handover_is_told_and_the_next_handover_has_the_new_tile(
    ready: tuple[Brief, Plan], tmp_path: Path, allow_gaps: bool
) -> None:
    brief, worked_out = ready
    tile = list(worked_out.layers["topo"].tiles)[-1]
    card = tmp_path / "card"
    refresh = when_writing(
        "aerial.mbtiles",
        lambda: build(brief.store_folder / "topo.mbtiles", "png", [newer(tile)], worked_out),
    )
    with pytest.raises(StoreError, match=rf"to {tile} .* replaced or removed .* hand over again"):
        handover(brief, worked_out, None, card, allow_gaps=allow_gaps, on_progress=refresh)
    assert not (card / "manifest.json").exists()
    assert not (card / "topo.mbtiles").exists()
    handover(brief, worked_out, None, card)
    row = (1 << tile.zoom) - 1 - tile.y
    (found,) = query(
        card / "topo.mbtiles",
        f"SELECT tile_data FROM tiles WHERE zoom_level = {tile.zoom} AND tile_column = {tile.x} AND tile_row = {row}",
    )
    assert found == (picture(tile, noise=3_000),)
    assert inspect_folder(card).intact
