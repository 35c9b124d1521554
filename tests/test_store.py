"""The pack: valid after every commit, one writer, clear words for every kind of trouble with the file."""

from __future__ import annotations

import asyncio
import json
import os
import resource
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

import pytest

from packer.content.codings import pack_vector
from packer.content.digest import body_hash
from packer.errors import DiskError, LastbarError, StoreBusyError, StoreError
from packer.geometry.grid import LonLatBox
from packer.geometry.tileset import Tile, TileSet
from packer.store.corrupt_list import save_corrupt
from packer.store.pack_summary import read_summary
from packer.store.pruning import prune_pack
from packer.store.records import Absent, Received, Record, Renewed, Trouble
from packer.store.schema import open_writable
from packer.store.tile_sets import held_tiles, scan
from packer.store.writer import Labels, PackWriter
from tests.tile_server import png


def labels(**changes: Any) -> Labels:
    values: dict[str, Any] = {
        "layer": "survey",
        "kind": "png",
        "title": "Test ground",
        "attribution": "Test Survey (invented)",
        "permission": "Own server",
        "host": "tiles.example.org:443",
        "fingerprint": "0" * 16,
        "bounds": LonLatBox(12.3, 47.0, 12.4, 47.1),
        "middle": (12.35, 47.05),
        "center_zoom": 12,
        "plan": "f" * 16,
        "rule": "cover 1",
        "version": "0.1.0",
    }
    return Labels(**(values | changes))


def received(tile: Tile, data: bytes | None = None) -> Received:
    data = png(str(tile)) if data is None else data
    return Received(tile, data, body_hash(data), "png", 1_700_000_000, '"tag"', None, None)


def written(path: Path, *batches: list[Record], **changes: Any) -> None:
    """Write each batch as one transaction and close the pack."""

    async def go(pack: PackWriter) -> None:
        for batch in batches:
            await pack.write(batch, len(batch))

    with_pack(path, go, **changes)


def noise(y: int) -> list[Record]:
    """Fifty bodies that do not compress and do not repeat."""
    return [received(Tile(12, x, y), os.urandom(9000)) for x in range(50)]


def with_pack(path: Path, work: Callable[[PackWriter], Coroutine[Any, Any, None]], **changes: Any) -> None:
    async def go() -> None:
        async with PackWriter(path, labels(**changes)) as pack:
            await work(pack)

    asyncio.run(go())


def raw(path: Path, sql: str, *values: Any) -> list[tuple[Any, ...]]:
    """Read through a plain connection, as any other program would."""
    db = sqlite3.connect(path)
    try:
        return db.execute(sql, values).fetchall()
    finally:
        db.close()


def raw_change(path: Path, sql: str) -> None:
    db = sqlite3.connect(path)
    try:
        with db:
            db.execute(sql)
    finally:
        db.close()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "packs" / "survey.mbtiles"


def test_the_row_in_the_file_is_the_one_of_the_published_example(path: Path) -> None:
    # MBTiles 1.3, "Content": the tile 11/327/791 of XYZ is inserted as zoom 11, column 327, row 1256.
    written(path, [received(Tile(11, 327, 791))])
    assert raw(path, "SELECT zoom_level, tile_column, tile_row FROM tiles") == [(11, 327, 1256)]


def test_the_file_is_a_valid_tileset_after_every_commit(path: Path) -> None:
    """MBTiles 1.3: metadata (name, format; minzoom, maxzoom, bounds, center, attribution), tiles, magic number."""

    async def go(pack: PackWriter) -> None:
        for zoom in (12, 3, 15):
            await pack.write([received(Tile(zoom, 2, 1))])
            meta = dict(raw(path, "SELECT name, value FROM metadata"))
            zooms = [z for (z,) in raw(path, "SELECT zoom_level FROM tiles")]
            assert meta["name"] == "survey"
            assert meta["format"] == "png"
            assert meta["attribution"] == "Test Survey (invented)"
            assert meta["permission"] == "Own server"
            assert (int(meta["minzoom"]), int(meta["maxzoom"])) == (min(zooms), max(zooms))
            west, south, east, north = map(float, meta["bounds"].split(","))
            assert west <= 12.3
            assert south <= 47.0
            assert east >= 12.4
            assert north >= 47.1
            lon, lat, _ = map(float, meta["center"].split(","))
            assert west <= lon <= east
            assert south <= lat <= north
            assert raw(path, "PRAGMA integrity_check") == [("ok",)]
            assert raw(path, "PRAGMA application_id") == [(0x4D504258,)]

    with_pack(path, go)
    columns = {name: kind for _, name, kind, *_ in raw(path, "PRAGMA table_info(metadata)")}
    assert columns == {"name": "TEXT", "value": "TEXT"}


def test_a_finished_run_leaves_one_file(path: Path) -> None:
    written(path, [received(Tile(3, 1, 1))])
    assert [p.name for p in path.parent.iterdir() if not p.name.startswith(".")] == [path.name]
    assert raw(path, "PRAGMA journal_mode") == [("delete",)]


def test_equal_bodies_are_kept_once(path: Path) -> None:
    same = png("water")
    written(path, [received(Tile(5, x, 1), same) for x in range(20)], [received(Tile(5, 3, 9), same)])
    assert raw(path, "SELECT count(*) FROM blob") == [(1,)]
    assert raw(path, "SELECT count(*), count(DISTINCT tile_data) FROM tiles") == [(21, 1)]


def test_the_pack_knows_what_it_holds_and_what_the_server_lacks(path: Path) -> None:
    tiles = [Tile(5, x, y) for x in range(9) for y in range(7)]
    written(
        path, [received(t) for t in tiles], [Absent(Tile(6, 1, 1), 404, 1), Absent(Tile(6, 2, 1), 204, 1)]
    )
    books = read_summary(path)
    assert books.held == TileSet.from_tiles(tiles)
    assert books.absent == TileSet.from_tiles([(6, 1, 1), (6, 2, 1)])


def test_the_short_cut_is_not_believed_when_its_count_is_off(path: Path) -> None:
    tiles = [Tile(5, x, y) for x in range(9) for y in range(7)]
    written(path, [received(t) for t in tiles])
    db = sqlite3.connect(path)
    db.execute("DELETE FROM placement WHERE tile_column = 4")
    db.commit()
    left = TileSet.from_tiles(t for t in tiles if t.x != 4)
    assert held_tiles(db) == scan(db, "placement") == left
    db.close()


def test_the_short_cut_takes_in_what_came_after_it(path: Path) -> None:
    first, then = [Tile(5, x, 1) for x in range(9)], [Tile(6, x, 1) for x in range(4)]
    written(path, [received(t) for t in first])

    async def go(pack: PackWriter) -> None:
        assert pack.held == TileSet.from_tiles(first)
        await pack.write([received(t) for t in then])
        assert read_summary(path).held == TileSet.from_tiles(first + then)

    with_pack(path, go)


def no_scan(_db: sqlite3.Connection, table: str) -> TileSet:
    """In place of `scan`, for an opening that has a short cut."""
    raise AssertionError(f"every row of {table} was read")


def test_only_rows_that_came_after_the_short_cut_are_read_with_it(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, then = [Tile(5, x, 1) for x in range(9)], [Tile(z, x, 1) for z in (6, 3, 5) for x in range(4, 8)]
    written(path, [*map(received, first), Absent(Tile(9, 1, 1), 404, 1)])

    async def go(pack: PackWriter) -> None:
        await pack.write([received(t) for t in then if t not in first])
        with monkeypatch.context() as inside:
            inside.setattr("packer.store.tile_sets.scan", no_scan)
            inside.setattr("packer.store.tile_sets._AT_A_TIME", 5)
            assert read_summary(path).held == TileSet.from_tiles(first + then)

    with_pack(path, go)


def test_an_opening_believes_the_short_cut_and_goes_through_no_row(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    corners = [Tile(zoom, x, x) for zoom in range(4) for x in {0, (1 << zoom) - 1}]
    lacking = [Tile(5, 0, 0), Tile(5, 7, 9), Tile(6, 63, 63)]
    written(path, [*map(received, corners), *(Absent(tile, 404, 1) for tile in lacking)])

    monkeypatch.setattr("packer.store.tile_sets.scan", no_scan)
    found = read_summary(path)
    assert found.held == TileSet.from_tiles(corners)
    assert found.absent == TileSet.from_tiles(lacking)


def test_a_pruned_pack_names_the_zooms_that_it_still_has(path: Path) -> None:
    """MBTiles 1.3, metadata: minzoom and maxzoom are the lowest and highest zoom of the tileset."""
    written(path, [received(Tile(zoom, 2, 1)) for zoom in (3, 9, 12, 15)])

    def zooms() -> list[tuple[str]]:
        return raw(path, "SELECT value FROM metadata WHERE name IN ('minzoom', 'maxzoom') ORDER BY name DESC")

    prune_pack(path, "survey", TileSet.from_tiles([Tile(9, 2, 1), Tile(12, 2, 1)]))
    assert zooms() == [("9",), ("12",)]
    prune_pack(path, "survey", TileSet())
    assert zooms() == []


def test_trouble_is_noted_and_taken_back_when_the_tile_comes(path: Path) -> None:
    written(path, [Trouble(Tile(4, 1, 2), "no whole tile", "the body was cut", 5)])
    assert read_summary(path).troubles == (("the body was cut", 1),)
    written(path, [received(Tile(4, 1, 2))])
    assert read_summary(path).troubles == ()


def _vector(name: str, key: str) -> bytes:
    """A vector tile of one layer with one feature that has one text (Vector Tile Specification 2.1, section 4)."""

    def part(number: int, data: bytes) -> bytes:
        return bytes([number << 3 | 2, len(data)]) + data

    feature = part(2, b"\0\0")
    layer = (
        part(1, name.encode()) + part(2, feature) + part(3, key.encode()) + part(4, part(1, b"x")) + b"\x78\2"
    )
    return pack_vector(part(3, layer))


def test_vector_tiles_bring_the_json_row_that_mbtiles_asks_for_and_later_runs_add_to_it(path: Path) -> None:
    def put(tile: Tile, body: bytes) -> Record:
        return Received(tile, body, body_hash(body), "pbf", 1_700_000_000)

    def layers() -> list[tuple[str, dict[str, str], int, int]]:
        [(text,)] = raw(path, "SELECT value FROM metadata WHERE name = 'json'")
        return [tuple(one.values()) for one in json.loads(text)["vector_layers"]]

    written(path, [put(Tile(4, 1, 2), _vector("paths", "kind"))], kind="pbf")
    assert layers() == [("paths", {"kind": "String"}, 4, 4)]
    written(
        path, [put(Tile(6, 1, 2), _vector("paths", "name"))], [put(Tile(5, 1, 2), _vector("water", "name"))]
    )
    assert layers() == [
        ("paths", {"kind": "String", "name": "String"}, 4, 6),
        ("water", {"name": "String"}, 5, 5),
    ]


def test_a_renewed_tile_keeps_its_body_and_takes_the_new_dates(path: Path) -> None:
    one, other = Tile(4, 1, 2), Tile(4, 1, 3)
    written(path, [received(one), received(other)])

    async def go(pack: PackWriter) -> None:
        now = 1_700_000_100.0
        assert await pack.stale_tiles(now, now) == TileSet.from_tiles([one, other])
        assert await pack.validators(one) == ('"tag"', None, received(one).hash)
        assert await pack.validators(Tile(9, 9, 9)) == (None, None, None)
        await pack.write([Renewed(one, 1_700_000_200, '"newer"', None, 1_800_000_000)])
        assert await pack.stale_tiles(now, now) == TileSet.from_tiles([other])
        assert await pack.stale_tiles(1_700_000_300.0, 1_700_000_300.0) == TileSet.from_tiles([other])
        assert await pack.stale_tiles(1_700_000_300.0, 1_900_000_000.0) == TileSet.from_tiles([one, other])
        assert await pack.validators(one) == ('"newer"', None, received(one).hash)

    with_pack(path, go)
    assert raw(path, "SELECT count(*) FROM blob") == [(2,)]


def test_a_newer_body_replaces_the_old_one_and_its_room(path: Path) -> None:
    tile, twin = Tile(4, 1, 2), Tile(4, 1, 3)
    written(path, [received(tile, png("old")), received(twin, png("old"))])
    written(path, [received(tile, png("new"))])
    assert {data for (data,) in raw(path, "SELECT tile_data FROM tiles")} == {png("new"), png("old")}
    written(path, [received(twin, png("new"))])
    assert raw(path, "SELECT data FROM blob") == [(png("new"),)]


def test_bounds_grow_with_every_brief_and_cross_the_antimeridian_as_a_belt(path: Path) -> None:
    written(path, [received(Tile(1, 0, 0))])
    written(path, bounds=LonLatBox(13.0, 46.0, 14.0, 47.05))
    assert dict(raw(path, "SELECT * FROM metadata"))["bounds"] == (
        "12.300000000000,46.000000000000,14.000000000000,47.100000000000"
    )
    written(path, bounds=LonLatBox(179.0, 46.0, -179.0, 47.05))
    assert dict(raw(path, "SELECT * FROM metadata"))["bounds"].startswith("-180.000000000000,46")


def test_a_reader_can_look_while_the_writer_writes(path: Path) -> None:
    async def go(pack: PackWriter) -> None:
        for x in range(20):
            await pack.write([received(Tile(8, x, 0))])
            assert len(read_summary(path).held) == x + 1

    with_pack(path, go)


def test_only_one_writer_at_a_time(path: Path) -> None:
    async def go(_: PackWriter) -> None:
        with pytest.raises(StoreBusyError, match=r"survey\.mbtiles"):
            async with PackWriter(path, labels()):
                raise AssertionError

    with_pack(path, go)
    written(path, [received(Tile(1, 0, 0))])


def test_a_cancelled_write_is_committed_whole_or_not_at_all(path: Path) -> None:
    tiles = [Tile(9, x, 3) for x in range(300)]

    async def go(pack: PackWriter) -> None:
        task = asyncio.create_task(pack.write([received(t) for t in tiles]))
        await asyncio.sleep(0)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert len(read_summary(path).held) in (0, len(tiles))
        await pack.write([received(Tile(9, 0, 4))])  # the connection is not left inside a transaction

    with_pack(path, go)


def test_a_failing_commit_rolls_back_whole_and_the_next_goes_on(path: Path) -> None:
    bad = Received(Tile(9, 0, 0), b"x", body_hash(b"x"), "png", "not a number")  # type: ignore[arg-type]  # the fault
    broken = Absent(Tile(9, 5, 5), None, 0)  # type: ignore[arg-type]  # violates NOT NULL inside the batch

    async def go(pack: PackWriter) -> None:
        with pytest.raises(StoreError):
            await pack.write([received(Tile(9, 1, 1)), broken])
        assert not read_summary(path).held
        await pack.write([received(Tile(9, 1, 1))])
        assert len(read_summary(path).held) == 1

    assert bad.tile.zoom == 9
    with_pack(path, go)


_CHILD = """
import asyncio, os, sys
sys.path.insert(0, sys.argv[2])
from tests.test_store import *
async def go():
    async with PackWriter(Path(sys.argv[1]), labels()) as pack:
        await pack.write([received(Tile(7, x, 1)) for x in range(50)])
        task = asyncio.create_task(pack.write([received(Tile(7, x, 2)) for x in range(50)]))
        await asyncio.sleep(0)
        os.kill(os.getpid(), 9)
asyncio.run(go())
"""


def test_a_death_inside_a_commit_leaves_all_of_it_or_nothing(path: Path) -> None:
    root = str(Path(__file__).parent.parent)
    died = subprocess.run([sys.executable, "-c", _CHILD, str(path), root], check=False)
    assert died.returncode == -9
    assert len(read_summary(path).held) in (50, 100)

    async def go(pack: PackWriter) -> None:
        assert len(pack.held) in (50, 100)

    with_pack(path, go)
    assert [p.name for p in path.parent.iterdir() if not p.name.startswith(".")] == [path.name]


def test_a_power_cut_inside_a_transaction_takes_it_back_whole(path: Path) -> None:
    """The files as the disk holds them in the middle of a transaction that has begun to reach the pack."""
    committed = [Tile(7, x, 1) for x in range(40)]
    written(path, [received(t) for t in committed])
    copy = path.with_name("copy.mbtiles")
    db = open_writable(path, "survey", "png")
    db.execute("PRAGMA cache_size = 10")  # so that pages spill to the file before the commit
    db.execute("BEGIN IMMEDIATE")
    db.executemany(
        "INSERT INTO blob (hash, data) VALUES (?, ?)", ((os.urandom(32), os.urandom(9000)) for _ in range(60))
    )
    db.execute("DELETE FROM placement")
    for ending in ("", "-journal"):
        copy.with_name(copy.name + ending).write_bytes(path.with_name(path.name + ending).read_bytes())
    db.execute("ROLLBACK")
    db.close()
    assert copy.stat().st_size > 400_000
    assert read_summary(copy).held == TileSet.from_tiles(committed)
    assert raw(copy, "PRAGMA integrity_check") == [("ok",)]


def _not_a_database(path: Path) -> None:
    path.write_bytes(b"this is no database, but it is long enough to look like a file" * 40)


def _someone_elses(path: Path) -> None:
    db = sqlite3.connect(path)
    db.executescript("CREATE TABLE tiles (zoom_level, tile_column, tile_row, tile_data)")
    db.close()


def _damaged(path: Path) -> None:
    written(path, [received(Tile(7, x, 1)) for x in range(300)])
    with path.open("r+b") as file:
        file.seek(100)
        file.write(os.urandom(6000))


@pytest.mark.parametrize("spoil", [_not_a_database, _someone_elses, _damaged])
def test_a_file_that_is_no_sound_pack_is_refused_and_left_as_it_is(
    path: Path, spoil: Callable[[Path], None]
) -> None:
    path.parent.mkdir(parents=True)
    spoil(path)
    before = path.read_bytes()
    with pytest.raises(StoreError, match=r"survey\.mbtiles"):
        written(path, [received(Tile(1, 0, 0))])
    with pytest.raises(StoreError, match=r"survey\.mbtiles"):
        read_summary(path)
    assert path.read_bytes() == before


def test_an_empty_file_left_by_a_death_at_the_very_start_becomes_a_pack(path: Path) -> None:
    path.parent.mkdir(parents=True)
    path.touch()
    written(path, [received(Tile(1, 0, 0))])
    assert len(read_summary(path).held) == 1


def test_a_folder_in_the_way_is_named(tmp_path: Path) -> None:
    (tmp_path / "packs").write_text("a file where the folder should be")
    with pytest.raises(DiskError, match="packs"):
        written(tmp_path / "packs" / "survey.mbtiles", [])


def test_a_file_size_limit_is_told_as_disk_trouble_and_costs_nothing_committed(path: Path) -> None:
    """What FAT32 does at 4 GiB; the limit gives SQLITE_IOERR_WRITE, not SQLITE_FULL."""
    written(path, [received(Tile(8, x, 0)) for x in range(20)])
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (path.stat().st_size + 200_000, hard))
    try:
        with pytest.raises(DiskError):
            written(path, *(noise(y) for y in range(20)))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    held = read_summary(path).held
    assert len(held) >= 20
    assert len(held) % 50 == 20
    written(path, [received(Tile(9, 9, 9))])
    assert len(read_summary(path).held) == len(held) + 1


def test_every_error_has_a_sentence_and_an_exit_code(path: Path) -> None:
    path.parent.mkdir(parents=True)
    _not_a_database(path)
    with pytest.raises(LastbarError) as caught:
        read_summary(path)
    assert caught.value.exit_code == 3
    assert str(caught.value).endswith(".")
    assert caught.value.__cause__ is not None


def test_a_tile_that_was_dropped_is_missing_even_if_another_came_in_its_row(path: Path) -> None:
    # SQLite gives the number of the newest row out again (its documentation of autoincrement, section 2).
    lost, came = Tile(3, 7, 7), Tile(3, 1, 5)
    written(path, [received(tile) for tile in (*(Tile(3, x, 0) for x in range(5)), lost)])
    raw_change(path, "UPDATE blob SET data = zeroblob(length(data)) WHERE id = (SELECT max(id) FROM blob)")
    save_corrupt(path, [lost])
    written(path, [received(came)])
    for _ in range(2):  # the second reads the short cut that the first one left
        held = read_summary(path).held
        assert lost not in held
        assert came in held
        written(path, [])


def test_a_lack_that_was_taken_back_does_not_hide_another_in_its_row(path: Path) -> None:
    back, new = Tile(3, 7, 7), Tile(3, 1, 5)
    written(path, [Absent(tile, 404, 1) for tile in (*(Tile(3, x, 0) for x in range(5)), back)])
    written(path, [received(back)], [Absent(new, 404, 1)])
    for _ in range(2):
        absent = read_summary(path).absent
        assert back not in absent
        assert new in absent
        written(path, [])
