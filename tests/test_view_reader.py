"""The tile reader: what it finds, how it stands beside a writer, and that it leaves no trace."""

from __future__ import annotations

import asyncio
import hashlib
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import mercantile
import pytest

from packer.errors import StoreError
from packer.geometry.grid import tile_bounds
from packer.geometry.tileset import Tile
from packer.store.reader import PackFacts, TileReader, tile_at
from packer.store.writer import PackWriter
from tests.view_board import Board, build, labels_for, received


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Board:
    """Zooms 10 to 15, of which 13 to 15 lack everything east of 12.480°."""
    edge = Tile(15, mercantile.tile(12.48, 47.09, 15).x, 0)
    return build(
        tmp_path_factory.mktemp("reader"),
        leave_out=lambda layer, t: t.zoom >= 13 and t.x >= edge.x >> (15 - t.zoom),
    )


@pytest.fixture
def reader(board: Board) -> TileReader:
    return TileReader(board.store / "aerial.mbtiles")


def _raw(path: Path, sql: str) -> list[tuple[object, ...]]:
    db = sqlite3.connect(path)
    try:
        return db.execute(sql).fetchall()
    finally:
        db.close()


def test_every_body_is_given_exactly_as_another_reader_of_the_file_sees_it(reader: TileReader) -> None:
    rows = _raw(reader.path, "SELECT zoom_level, tile_column, tile_row, tile_data FROM tiles")
    assert len(rows) > 40
    for zoom, column, row, data in rows:
        assert isinstance(zoom, int)
        assert isinstance(column, int)
        assert isinstance(row, int)
        # MBTiles 1.3: rows count from the bottom.
        assert reader.body(Tile(zoom, column, 2**zoom - 1 - row)) == data


def test_bodies_of_many_tiles_are_those_that_each_gives_alone_in_their_order(
    board: Board, reader: TileReader, tmp_path: Path
) -> None:
    tiles = [*list(reader.facts().held)[::7], Tile(9, 0, 0), Tile(14, 1, 1)]
    tiles.append(tiles[0])
    found = reader.bodies(tiles)
    assert found == [reader.body(tile) for tile in tiles]
    assert found[-3:-1] == [None, None]
    assert None not in (found[0], found[-1])
    assert reader.bodies([]) == []
    assert TileReader(tmp_path / "none.mbtiles").bodies(tiles[:2]) == [None, None]


def test_nearest_is_the_tile_itself_or_the_first_ancestor_on_board(board: Board, reader: TileReader) -> None:
    east = Tile(15, *mercantile.tile(12.502, 47.1, 15)[:2])
    found = reader.nearest(east)
    assert found is not None
    assert found[0] == Tile(12, east.x >> 3, east.y >> 3)
    assert found[1] == reader.body(found[0])
    assert reader.nearest(east, levels=2) is None
    west = Tile(15, *mercantile.tile(12.45, 47.09, 15)[:2])
    found = reader.nearest(west)
    assert found is not None
    assert found[0] == west
    deeper = reader.nearest(Tile(17, west.x * 4 + 3, west.y * 4 + 1))
    assert deeper is not None
    assert deeper[0] == west


def test_depth_under_a_position_is_that_of_the_tiles_which_hold_it(reader: TileReader) -> None:
    assert reader.deepest(12.45, 47.09) == 15
    assert reader.zooms_at(12.502, 47.1) == (10, 11, 12)
    assert reader.deepest(12.502 + 360, 47.1) == 12
    assert reader.deepest(0.0, 0.0) is None


@pytest.mark.parametrize("zoom", [0, 1, 9, 17, 24])
@pytest.mark.parametrize(("lon", "lat"), [(12.5012, 47.1023), (-179.9, -60.0), (179.9, 84.9), (0.0, 0.0)])
def test_tile_under_a_position_agrees_with_mercantile(zoom: int, lon: float, lat: float) -> None:
    other = mercantile.tile(lon, lat, zoom)
    assert tile_at(lon, lat, zoom) == Tile(zoom, other.x, other.y)
    box = tile_bounds(*tile_at(lon, lat, zoom))
    assert box.west <= lon <= box.east
    assert box.south <= lat <= box.north


@pytest.mark.parametrize(("lon", "lat"), [(180.0, 90.0), (-180.0, -90.0), (540.0, -85.06)])
def test_positions_on_the_edge_of_the_map_fall_into_its_outermost_tiles(lon: float, lat: float) -> None:
    n = 2**5
    zoom, x, y = tile_at(lon, lat, 5)
    assert (zoom, x) == (5, 0)
    assert y in (0, n - 1)


def test_pack_that_is_not_there_is_empty_until_it_is(tmp_path: Path, board: Board) -> None:
    path = tmp_path / "aerial.mbtiles"
    reader = TileReader(path)
    tile = next(iter(board.plan.layers["aerial"].tiles))
    assert reader.body(tile) is None
    assert reader.nearest(tile) is None
    assert reader.zooms_at(12.45, 47.09) == ()
    assert reader.facts() == PackFacts()
    assert list(tmp_path.iterdir()) == []
    path.write_bytes((board.store / "aerial.mbtiles").read_bytes())
    assert reader.body(tile) is not None
    assert reader.facts().held


def test_file_that_is_no_pack_is_refused_by_name(tmp_path: Path) -> None:
    path = tmp_path / "aerial.mbtiles"
    sqlite3.connect(path).close()
    path.write_bytes(b"no database at all, however long it may be" * 100)
    with pytest.raises(StoreError, match=r"aerial\.mbtiles"):
        TileReader(path).body(Tile(0, 0, 0))


def test_placement_without_its_body_counts_as_not_on_board(tmp_path: Path, board: Board) -> None:
    path = tmp_path / "aerial.mbtiles"
    path.write_bytes((board.store / "aerial.mbtiles").read_bytes())
    db = sqlite3.connect(path)
    with db:
        db.execute("DELETE FROM blob WHERE id IN (SELECT blob_id FROM placement WHERE zoom_level = 15)")
    db.close()
    assert TileReader(path).deepest(12.45, 47.09) == 14


def test_commit_is_seen_at_once_and_reader_does_not_hold_up_the_writer(tmp_path: Path, board: Board) -> None:
    path = tmp_path / "aerial.mbtiles"
    tiles = list(board.plan.layers["aerial"].tiles.at(10))

    async def fetch_while_looked_at() -> None:
        reader = TileReader(path)
        labels = labels_for(board.brief, board.plan, "aerial")
        async with PackWriter(path, labels, lambda: 0.0) as pack:
            for number, tile in enumerate(tiles, 1):
                await pack.write([received("aerial", tile)])
                assert reader.body(tile) is not None
                assert len(reader.facts().held) == number
        assert [p.name for p in tmp_path.iterdir() if p.name.startswith("aerial")] == ["aerial.mbtiles"]

    asyncio.run(fetch_while_looked_at())


def test_many_threads_read_the_same_bytes_and_leave_the_folder_as_it_was(
    board: Board, reader: TileReader
) -> None:
    before = {p.name: hashlib.sha256(p.read_bytes()).digest() for p in board.store.iterdir()}
    tiles = list(reader.facts().held)
    expected = [reader.body(t) for t in tiles]
    with ThreadPoolExecutor(8) as pool:
        for found in pool.map(lambda _: [reader.body(t) for t in tiles], range(8)):
            assert found == expected
        assert set(pool.map(lambda _: reader.deepest(12.45, 47.09), range(40))) == {15}
    assert {p.name: hashlib.sha256(p.read_bytes()).digest() for p in board.store.iterdir()} == before
