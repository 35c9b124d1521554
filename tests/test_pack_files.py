"""A pack of several files reads as one of a single file, whatever its limit, and loses nothing when files or processes
go."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import resource
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from packer.content.digest import body_hash
from packer.errors import DiskError, InputError, StoreError
from packer.geometry.tileset import RowRun, Tile, TileSet
from packer.store.figures import mean_sizes, sizes_of
from packer.store.file_index import FileIndex
from packer.store.file_writer import FileWriter
from packer.store.labels import date_on_board, labels_of
from packer.store.merging import merge_pack
from packer.store.pack_files import file_path, numbered_files, pack_files
from packer.store.pack_summary import known_summary, read_summary
from packer.store.placing import FileLimit, FilePlaces
from packer.store.pruning import prune_pack, spare_in
from packer.store.reader import TileReader
from packer.store.records import Absent, Received, Record, Renewed, Trouble
from packer.store.snapshot_reader import SnapshotReader, TileBatch
from packer.store.writer import PackWriter
from tests.test_store import labels

_LEAST = 75_000  # bytes: an empty file has 69,632


def received(tile: Tile, size_bytes: int = 3_000, fetched: int = 1_700_000_000) -> Received:
    data = Random(str(tile)).randbytes(size_bytes)
    return Received(tile, data, body_hash(data), "png", fetched)


def block(zoom: int, side: int, x: int = 0, y: int = 0) -> list[Tile]:
    return [Tile(zoom, x + i, y + j) for j in range(side) for i in range(side)]


def spread() -> list[Tile]:
    """Tiles of a few zooms over ground of several cells, in the order of a fetch."""
    return [*block(9, 2), *block(10, 4, 300, 400), *block(12, 8, 1200, 1600)]


def put(path: Path, records: Sequence[Record], limit: FileLimit | None = None, batch: int = 16) -> PackWriter:
    pack = PackWriter(path, labels(), lambda: 1_700_000_100.0, limit)

    async def go() -> None:
        async with pack:
            for at in range(0, len(records), batch):
                await pack.write(records[at : at + batch], batch)

    asyncio.run(go())
    return pack


def limit_for(tiles: Sequence[Tile], size_bytes: int) -> FileLimit:
    return FileLimit(size_bytes, TileSet.from_tiles(tiles))


@pytest.fixture
def pack(tmp_path: Path) -> Path:
    """A pack of several files with all of `spread`."""
    path = tmp_path / "packs" / "survey.mbtiles"
    put(path, [received(tile) for tile in spread()], limit_for(spread(), 150_000))
    assert len(pack_files(path).paths) > 2
    return path


def raw(path: Path, sql: str, *values: Any) -> list[tuple[Any, ...]]:
    db = sqlite3.connect(path)
    try:
        with db:
            return db.execute(sql, values).fetchall()
    finally:
        db.close()


def held_in(file: Path) -> TileSet:
    """The tiles of one file alone."""
    rows = raw(file, "SELECT zoom_level, tile_column, (1 << zoom_level) - 1 - tile_row FROM tiles")
    return TileSet.from_tiles((zoom, x, y) for zoom, x, y in rows)


def everything(path: Path) -> dict[str, Any]:
    """All that readers tell of a pack, apart from sizes of files and the times of runs."""
    with SnapshotReader(path) as reader:
        seen: list[Any] = []

        def see(some: TileBatch) -> None:
            seen.extend(zip(*(a.tolist() for a in (some.zoom, some.x, some.y, some.size_bytes)), strict=True))

        listing = reader.listing(reader.held, see)
        stated = list(reader.stated(listing))
        bodies = [(row.tile, row.data, row.fault) for row in reader.bodies(listing, lambda _: None)]
        late = [row.tile for row in reader.bodies(listing, lambda _: None, len(listing) // 2)]
        facts = (listing.marks, reader.held, reader.absent, reader.kind)
    looked = TileReader(path)
    before = [looked.body(tile) for tile in reader.held]
    known, summary = looked.facts(), read_summary(path)
    return {
        "listing": seen,
        "stated": stated,
        "bodies": bodies,
        "late": late,
        "facts": facts,
        "single": before,
        "single again": [looked.body(tile) for tile in reader.held],
        "zooms": looked.zooms_at(-74.5, 36.0),
        "reader": (known.held, known.absent, known.kind),
        "summary": (summary.held, summary.absent, summary.troubles, summary.last_run),
        "means": {zoom: round(mean, 6) for zoom, mean in mean_sizes(path).items()},
        "sizes": sizes_of(path, spread()),
    }


def _records(draw: Any) -> list[Record]:
    tiles = draw(st.lists(st.sampled_from(spread()), min_size=1, max_size=60))
    kinds = draw(st.lists(st.integers(0, 5), min_size=len(tiles), max_size=len(tiles)))
    found: list[Record] = []
    for when, (tile, kind) in enumerate(zip(tiles, kinds, strict=True)):
        if kind == 0:
            found.append(Absent(tile, 404, 1_700_000_000 + when))
        elif kind == 1:
            found.append(Trouble(tile, "timeout", "no answer", 1_700_000_000 + when))
        elif kind == 2:
            found.append(Renewed(tile, 1_700_000_000 + when))
        else:
            found.append(received(tile, 500 * kind + 2_000 * (when % 3), 1_700_000_000 + when))
    return found


@settings(max_examples=8, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(st.data())
def test_several_files_of_any_limit_read_as_one(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Any records, dealt into runs of their own, each with a limit of its own or none."""
    records = _records(data.draw)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(records)), max_size=2)))
    folder = tmp_path_factory.mktemp("files")
    one, many = folder / "one.mbtiles", folder / "many.mbtiles"
    for first, last in itertools.pairwise([0, *cuts, len(records)]):
        most = data.draw(st.none() | st.integers(_LEAST, 250_000))
        planned = [tile for tile in spread() if data.draw(st.booleans())] if most else []
        put(one, records[first:last], batch=8)
        put(many, records[first:last], None if most is None else limit_for(planned, most), batch=8)
    assert everything(many) == everything(one)
    held = [held_in(path) for path in pack_files(many).paths]
    assert sum(map(len, held)) == len(TileSet.union(held)), "a tile is in just one file"


@given(st.lists(st.lists(st.sampled_from(block(4, 16)), max_size=40), min_size=1, max_size=4))
def test_the_pieces_of_a_run_are_its_tiles_each_once_in_order(held: list[list[Tile]]) -> None:
    sets = [TileSet.from_tiles(tiles) for tiles in held]
    index = FileIndex(sets)
    for row in range(16):
        run = RowRun(4, row, 2, 13)
        pieces = list(index.pieces(run))
        tiles = [(x, number) for number, piece in pieces for x in range(piece.first, piece.last + 1)]
        first = {x: next((n for n, s in enumerate(sets) if Tile(4, x, row) in s), None) for x in range(2, 14)}
        if len(sets) > 1:
            assert tiles == [(x, number) for x, number in first.items() if number is not None]
        else:
            assert pieces == [(0, run)]


def test_files_keep_to_the_limit_and_to_stretches_of_ground(pack: Path) -> None:
    files = pack_files(pack).paths
    assert files[1].name == "survey (file 2).mbtiles"
    assert all(path.stat().st_size < 150_000 + 16 * 4_500 for path in files)
    cells = [{(t.x >> 2, t.y >> 2) for t in held_in(path).at(12)} for path in files]
    shared = [a & b for a, b in itertools.combinations(cells, 2)]
    assert sum(map(len, shared)) <= 1, "hardly a place is in two files"
    for path in files:  # MBTiles 1.3: each is a tileset by itself
        said = dict(raw(path, "SELECT name, value FROM metadata"))
        zooms = raw(path, "SELECT min(zoom_level), max(zoom_level) FROM tiles")[0]
        assert (said["name"], said["format"]) == ("survey", "png")
        assert (said.get("minzoom"), said.get("maxzoom")) == tuple(map(str, zooms))


def test_a_pack_of_one_file_stays_as_it_is_and_only_new_places_go_elsewhere(tmp_path: Path) -> None:
    path, old, new = tmp_path / "survey.mbtiles", block(12, 6, 400, 400), block(12, 6, 3000, 900)
    put(path, [received(tile) for tile in old])
    before = raw(path, "SELECT * FROM placement")
    put(path, [received(tile) for tile in new], limit_for(old + new, 130_000))
    assert raw(path, "SELECT * FROM placement") == before
    assert known_summary(path).held == TileSet.from_tiles(old + new)


def test_memory_for_pages_is_shared_among_the_files(pack: Path) -> None:
    """From the first page that is read of each: a file of millions of tiles fills what it is given."""

    async def go() -> list[int]:
        async with PackWriter(pack, labels(), limit=limit_for(spread(), 150_000)) as writer:
            rows = [
                await file._db.execute_fetchall("PRAGMA cache_size") for file in writer._files if file._db
            ]
            for row in range(3):
                await writer.write([received(tile, 6_000) for tile in block(13, 8, 0, 8 * row)])
            rows += [
                await file._db.execute_fetchall("PRAGMA cache_size") for file in writer._files if file._db
            ]
        return [-kib for row in rows for (kib,) in row]

    before = len(pack_files(pack).paths)
    found = asyncio.run(go())
    after = len(found) - before
    assert after > before
    assert found[:before] == [32_768 // before] * before
    assert found[before:] == [32_768 // after] * after


def test_what_is_stored_again_stays_in_its_file(pack: Path) -> None:
    where = {path: held_in(path) for path in pack_files(pack).paths}
    put(pack, [received(tile, 2_000, 1_800_000_000) for tile in spread()], limit_for(spread(), 1))
    assert {path: held_in(path) for path in pack_files(pack).paths} == where


def test_a_tile_that_comes_twice_in_a_run_is_in_one_file_though_its_first_is_full(tmp_path: Path) -> None:
    path, tiles = tmp_path / "survey.mbtiles", block(14, 8)
    put(path, [received(tile) for tile in tiles + tiles], FileLimit(_LEAST))
    held = [held_in(one) for one in pack_files(path).paths]
    assert len(held) > 1
    assert sum(map(len, held)) == len(tiles)


def test_a_tile_that_a_full_file_says_is_lacking_goes_where_there_is_room(tmp_path: Path) -> None:
    path, tiles = tmp_path / "survey.mbtiles", block(14, 8)
    notes: list[Record] = [Absent(tiles[0], 404, 1), Trouble(tiles[1], "timeout", "no answer", 1)]
    put(path, [*notes, *(received(tile) for tile in tiles[2:])])
    first = held_in(path)
    put(path, [received(tile) for tile in tiles[:2]], FileLimit(_LEAST))
    assert held_in(path) == first
    summary = read_summary(path)
    assert (summary.held, summary.absent, summary.troubles) == (TileSet.from_tiles(tiles), TileSet(), ())


def test_a_fetch_that_met_a_disks_limit_on_files_goes_on_in_further_ones(tmp_path: Path) -> None:
    """As on FAT32, with a limit of this process on the size of files in place of 4 GiB."""
    path, tiles = tmp_path / "survey.mbtiles", block(14, 12)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, hard))
    try:
        with pytest.raises(DiskError, match="limits the size of files"):
            put(path, [received(tile) for tile in tiles])
        before = held_in(path)
        assert 0 < len(before) < len(tiles)
        put(
            path, [received(tile) for tile in tiles if tile not in before], limit_for(tiles, 200_000), batch=8
        )
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert read_summary(path).held == TileSet.from_tiles(tiles)
    assert held_in(path) == before
    assert all(file.stat().st_size < 300_000 for file in pack_files(path).paths)


def test_a_file_that_is_gone_is_told_and_only_its_tiles_are_missing(pack: Path) -> None:
    gone = pack_files(pack).paths[1]
    lost = held_in(gone)
    gone.unlink()
    summary = read_summary(pack)
    assert summary.lost == (gone,)
    assert TileSet.from_tiles(spread()) - summary.held == lost
    assert TileReader(pack).facts().held == summary.held
    again = put(pack, [received(tile) for tile in lost], limit_for(spread(), 150_000))
    assert again.lost == (gone,)
    assert read_summary(pack).lost == ()
    assert read_summary(pack).held == TileSet.from_tiles(spread())


def test_the_last_file_and_the_first_are_missed_as_well(pack: Path) -> None:
    files = pack_files(pack).paths
    kept = TileSet.union(held_in(path) for path in files[1:-1])
    files[0].unlink()
    files[-1].rename(files[-1].with_name("elsewhere.db"))
    # How many there were, the first one knew; the last of those that are left is the last that is known of.
    assert known_summary(pack).lost == (pack,)
    assert known_summary(pack).held == kept
    put(pack, [], limit_for(spread(), 150_000))
    assert (known_summary(pack).lost, known_summary(pack).held) == ((), kept)


def test_a_file_of_another_pack_is_never_taken_for_one_of_this(pack: Path, tmp_path: Path) -> None:
    other = tmp_path / "other" / "survey.mbtiles"
    put(other, [received(tile) for tile in spread()], limit_for(spread(), 150_000))
    file_path(pack, 2).write_bytes(file_path(other, 2).read_bytes())
    with pytest.raises(StoreError, match="belongs to another pack"):
        read_summary(pack)
    with pytest.raises(StoreError, match="belongs to another pack"):
        put(pack, [])


def test_a_file_in_the_place_of_another_of_its_pack_is_refused(pack: Path) -> None:
    second, third = file_path(pack, 2), file_path(pack, 3)
    body = second.read_bytes()
    second.write_bytes(third.read_bytes())
    with pytest.raises(StoreError, match=r"file 2 of the pack"):
        pack_files(pack)
    second.write_bytes(body)
    pack.write_bytes(third.read_bytes())
    with pytest.raises(StoreError, match="not the first of them"):
        pack_files(pack)


def test_tiles_in_two_files_are_read_from_the_first_and_taken_out_of_the_other(pack: Path) -> None:
    first, second = pack_files(pack).paths[:2]
    tile = next(iter(held_in(second)))
    put_alone = received(tile, 100)
    raw(first, "INSERT INTO blob VALUES (9999, ?, ?)", put_alone.hash, put_alone.data)
    zoom, x, y = tile
    row = (1 << zoom) - 1 - y
    from packer.store.records import seal

    sealed = seal(zoom, x, row, put_alone.hash)
    raw(first, "INSERT INTO placement VALUES (?, ?, ?, 9999, ?, 0, NULL, NULL, NULL)", zoom, x, row, sealed)
    assert TileReader(pack).body(tile) == put_alone.data
    with SnapshotReader(pack) as reader:
        rows = list(reader.bodies(reader.listing(TileSet.from_tiles([tile])), lambda _: None))
    assert [row.data for row in rows] == [put_alone.data]
    put(pack, [])
    assert tile not in held_in(second)
    assert read_summary(pack).held == TileSet.from_tiles(spread())


def test_files_of_two_dates_are_refused(pack: Path) -> None:
    raw(file_path(pack, 2), "INSERT INTO metadata VALUES ('date', '2020-01-01')")
    with pytest.raises(InputError, match="different dates: no stated date and 2020-01-01"):
        date_on_board(pack)


def test_prune_takes_out_of_every_file_and_merge_brings_all_files_over(pack: Path, tmp_path: Path) -> None:
    needed = TileSet.from_tiles(spread()[::3])
    into = tmp_path / "into" / "survey.mbtiles"
    merged = merge_pack(into, pack)
    assert (merged.taken, merged.kept) == (0, 0)  # noise is no picture, so each is refused, and by name
    assert {tile for tile, _ in merged.refused} == set(spread())
    assert spare_in(pack, needed).tiles == TileSet.from_tiles(spread()) - needed
    assert prune_pack(pack, "survey", needed) > 0
    assert read_summary(pack).held == needed
    assert labels_of(pack).fingerprint == "0" * 16


def test_a_limit_that_would_take_too_many_files_is_told_and_a_larger_one_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, tiles = tmp_path / "survey.mbtiles", block(14, 3)
    monkeypatch.setattr("packer.store.placing.MOST_FILES", 5)
    with pytest.raises(StoreError, match="larger max-pack-file"):
        put(path, [received(tile, 100) for tile in tiles], FileLimit(1), batch=1)
    assert len(read_summary(path).held) == 4  # the first file is that large while it is empty
    put(path, [received(tile, 100) for tile in tiles])
    assert len(read_summary(path).held) == len(tiles)


@given(
    st.lists(st.sampled_from(block(11, 32, 512, 512)), min_size=1, max_size=200, unique=True),
    st.integers(100_000, 3_000_000),
)
def test_places_are_dealt_along_the_curve_and_files_are_not_over_full(tiles: list[Tile], most: int) -> None:
    places = FilePlaces(most, [0], [TileSet()])
    places.deal(TileSet.from_tiles(tiles), {11: 20_000.0})
    files = [places.file_for(tile) for tile in tiles]
    assert set(files) == set(range(max(files) + 1))
    each = 20_150 * 1.07
    for number in set(files):
        mine = [tile for tile, file in zip(tiles, files, strict=True) if file == number]
        cells = {(tile.x >> 1, tile.y >> 1) for tile in mine}
        assert len(mine) * each <= max(most * 0.9, 4 * each) or len(cells) == 1


def test_a_new_file_that_was_not_counted_yet_when_the_process_died_belongs_to_the_pack(pack: Path) -> None:
    """The note of how many files there are is as if file 3 and those after it were not there."""
    raw(pack, "UPDATE metadata SET value = json_set(value, '$.count', 2) WHERE name = 'pack_files'")
    assert known_summary(pack).held == TileSet.from_tiles(spread())
    put(pack, [])
    last = max(numbered_files(pack))
    file_path(pack, last).unlink()
    assert known_summary(pack).lost == (file_path(pack, last),)


def test_a_death_while_a_file_is_begun_loses_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """At each step of it in turn, what is on the disk is a whole pack, with no file called lost."""
    steps = [(FileWriter, "set_label"), (FileWriter, "open"), (FileWriter, "write")]
    for number, (one, name) in enumerate(steps):
        for call in range(1, 4):
            path, calls, real = tmp_path / f"{number}{call}.mbtiles", itertools.count(1), getattr(one, name)

            async def dying(*given: Any, now: int = call, count: Any = calls, real: Any = real) -> None:
                if next(count) == now:
                    raise asyncio.CancelledError
                await real(*given)

            with monkeypatch.context() as patch:
                patch.setattr(one, name, dying)
                with contextlib.suppress(asyncio.CancelledError):
                    put(path, [received(tile) for tile in block(14, 8)], FileLimit(_LEAST))
            assert pack_files(path).lost == (), (name, call)
            put(path, [received(tile) for tile in block(14, 8)], FileLimit(_LEAST))
            assert read_summary(path).held == TileSet.from_tiles(block(14, 8)), (name, call)


_WRITES = """
import asyncio, sys
from pathlib import Path
from tests.test_pack_files import *
from packer.store import file_writer

async def go():
    async with PackWriter(Path(sys.argv[1]), labels(), limit=limit_for(spread(), 130_000)) as pack:
        todo = [received(tile) for tile in spread() if tile not in pack.held]
        for start in range(len(todo) // 8):
            await pack.write(todo[start :: len(todo) // 8])  # of all places, so that a batch goes to several files
            print("committed", flush=True)

real = file_writer.FileWriter.write
calls = 0
async def dying(self, batch, requests):
    global calls
    calls += 1
    if calls == int(sys.argv[2]):
        print("dying", flush=True)
        import os, signal
        os.kill(os.getpid(), signal.SIGKILL)
    await real(self, batch, requests)
file_writer.FileWriter.write = dying
asyncio.run(go())
"""


def test_a_kill_between_the_commits_of_two_files_loses_nothing_of_either(tmp_path: Path) -> None:
    path = tmp_path / "survey.mbtiles"
    for call in (2, 6):
        command = [sys.executable, "-c", _WRITES, str(path), str(call)]
        ended = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
        assert ended.returncode == -signal.SIGKILL, ended.stderr
        assert "dying" in ended.stdout
        files = pack_files(path)
        assert files.lost == ()
        held = [held_in(one) for one in files.paths]
        assert sum(map(len, held)) == len(TileSet.union(held))
    before = known_summary(path).held
    assert before
    left = [received(tile) for tile in spread() if tile not in before]
    put(path, left, limit_for(spread(), 130_000))
    with SnapshotReader(path) as reader:
        rows = list(reader.bodies(reader.listing(reader.held), lambda _: None))
    assert [row.tile for row in rows] == sorted(spread(), key=lambda t: (t.zoom, t.y, t.x))
    assert all(row.fault is None for row in rows)
