"""Joining packs, taking in what is held already, and giving room back: nothing lost, nothing bad taken."""

from __future__ import annotations

import io
import os
import random
import sqlite3
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest
from PIL import Image

from packer.content.digest import body_hash
from packer.errors import InputError, StoreError, TermsError
from packer.geometry.tileset import Tile, TileSet
from packer.store import pruning
from packer.store.corrupt_list import save_corrupt
from packer.store.merging import merge_pack, take_in
from packer.store.pack_summary import read_summary
from packer.store.pruning import prune_pack, spare_in
from packer.store.records import Received, Record
from tests.budgets import tries
from tests.commands import merge_in_batches, prune, start
from tests.test_store import labels, raw, received, written
from tests.tile_server import png

KILLS = tries(8, 25)


def tiles(zoom: int, columns: range, rows: range) -> list[Tile]:
    return [Tile(zoom, x, y) for x in columns for y in rows]


def dated(tile: Tile, fetched: int, body: str) -> Received:
    data = png(body)
    return Received(tile, data, body_hash(data), "png", fetched)


def bodies(pack: Path) -> dict[tuple[int, int, int], bytes]:
    return {(z, x, row): data for z, x, row, data in raw(pack, "SELECT * FROM tiles")}


def test_parts_fetched_apart_and_merged_equal_the_pack_fetched_at_once(tmp_path: Path) -> None:
    every = tiles(10, range(30), range(20))
    whole, parts = tmp_path / "whole.mbtiles", [tmp_path / f"{i}.mbtiles" for i in range(3)]
    written(whole, [received(t) for t in every])
    for number, part in enumerate(parts):
        written(part, [received(t) for i, t in enumerate(every) if i % 3 == number or i % 50 == 0])
    into = tmp_path / "all" / "survey.mbtiles"
    for part in parts:
        merge_pack(into, part)
    assert bodies(into) == bodies(whole)
    assert read_summary(into).held == TileSet.from_tiles(every)
    again = merge_pack(into, parts[0])
    assert (again.taken, again.refused) == (0, ())


def test_a_pack_made_by_merging_says_of_itself_what_its_source_says(tmp_path: Path) -> None:
    """MBTiles 1.3, metadata: bounds and center are where a reader opens the map."""
    source, into = tmp_path / "source.mbtiles", tmp_path / "into" / "survey.mbtiles"
    written(source, [received(t) for t in tiles(10, range(3), range(3))])
    merge_pack(into, source)
    assert raw(into, "SELECT * FROM metadata ORDER BY name") == raw(
        source, "SELECT * FROM metadata ORDER BY name"
    )


def test_the_newer_tile_wins_whichever_way_they_are_joined(tmp_path: Path) -> None:
    old, new = tmp_path / "old.mbtiles", tmp_path / "new.mbtiles"
    tile = Tile(5, 1, 2)
    written(old, [dated(tile, 100, "old"), dated(Tile(5, 3, 3), 100, "only in old")])
    written(new, [dated(tile, 200, "new")])
    for into, source in ((tmp_path / "a.mbtiles", (old, new)), (tmp_path / "b.mbtiles", (new, old))):
        for one in source:
            merge_pack(into, one)
        assert set(bodies(into).values()) == {png("new"), png("only in old")}
        assert raw(into, "SELECT count(*) FROM blob") == [(2,)], "the older body is gone"


def test_different_sources_are_not_mixed_unless_told(tmp_path: Path) -> None:
    one, other = tmp_path / "one.mbtiles", tmp_path / "other.mbtiles"
    written(one, [received(Tile(5, 1, 1))])
    written(other, [received(Tile(5, 2, 2))], fingerprint="1" * 16)
    with pytest.raises(TermsError, match="different servers"):
        merge_pack(one, other)
    assert len(read_summary(one).held) == 1
    assert merge_pack(one, other, mix_sources=True).taken == 1


def test_a_corrupt_tile_is_never_taken(tmp_path: Path) -> None:
    source, into = tmp_path / "source.mbtiles", tmp_path / "into.mbtiles"
    written(source, [received(t) for t in tiles(6, range(5), range(1))])
    db = sqlite3.connect(source)
    db.execute("UPDATE blob SET data = x'00' WHERE id = 2")
    db.execute("UPDATE placement SET seal = x'00' WHERE blob_id = 3")
    db.execute("DELETE FROM blob WHERE id = 4")
    db.commit()
    db.close()
    result = merge_pack(into, source)
    assert result.taken == 2
    assert len(result.refused) == 3
    assert len(read_summary(into).held) == 2


def _size(path: Path) -> int:
    return path.stat().st_size if path.exists() else 0


def noisy_jpeg(side: int) -> bytes:
    out = io.BytesIO()
    Image.effect_noise((side, side), 40).save(out, "JPEG")
    return out.getvalue()


def half_png() -> bytes:
    """Half of the compressed pixels, every checksum right (W3C PNG specification 5.3): only decoding tells."""
    out = io.BytesIO()
    Image.effect_noise((64, 64), 40).save(out, "PNG")
    whole = out.getvalue()
    at = whole.index(b"IDAT")
    size = int.from_bytes(whole[at - 4 : at], "big") // 2
    chunk = whole[at : at + 4 + size]
    return (
        whole[: at - 4] + size.to_bytes(4, "big") + chunk + zlib.crc32(chunk).to_bytes(4, "big") + whole[-12:]
    )


def test_what_a_full_verify_named_is_not_forgotten_by_a_merge(tmp_path: Path) -> None:
    into, other = tmp_path / "into.mbtiles", tmp_path / "other.mbtiles"
    bad, good = Tile(6, 1, 1), Tile(6, 2, 2)
    written(into, [received(bad, half_png()), received(Tile(6, 3, 3))])
    written(other, [received(good)])
    save_corrupt(into, [bad])
    assert merge_pack(into, other).dropped == (bad,)
    assert read_summary(into).held == TileSet.from_tiles([good, Tile(6, 3, 3)])


def test_what_a_full_verify_named_in_the_other_pack_is_not_taken(tmp_path: Path) -> None:
    into, other = tmp_path / "into.mbtiles", tmp_path / "other.mbtiles"
    bad = Tile(6, 1, 1)
    written(other, [received(bad, half_png()), received(Tile(6, 3, 3))])
    save_corrupt(other, [bad])
    assert merge_pack(into, other).refused == (
        (bad, "it cannot be decoded: the picture inside the png cannot be decoded"),
    )
    assert read_summary(into).held == TileSet.from_tiles([Tile(6, 3, 3)])


def test_nothing_is_taken_in_that_a_fetch_would_refuse(tmp_path: Path) -> None:
    whole = noisy_jpeg(256)
    for name, body in {"0": whole, "1": whole[: len(whole) // 2] + b"\xff\xd9", "2": noisy_jpeg(64)}.items():
        place = tmp_path / "own" / "8" / name
        place.mkdir(parents=True)
        (place / "0.jpg").write_bytes(body)
    into = tmp_path / "into.mbtiles"
    refused = dict(take_in(into, labels(kind="jpg"), tmp_path / "own", 256).refused)
    assert "ends early" in refused[Tile(8, 1, 0)]
    assert "64 x 64 px" in refused[Tile(8, 2, 0)]
    assert read_summary(into).held == TileSet.from_tiles([Tile(8, 0, 0)])


def test_a_merge_killed_at_any_moment_goes_on_and_ends_whole(tmp_path: Path) -> None:
    chance = random.Random(3)
    source, into = tmp_path / "source.mbtiles", tmp_path / "into.mbtiles"
    every = tiles(10, range(40), range(20))
    written(source, [received(t) for t in every])
    before = source.read_bytes()
    kills, part = 0, source.stat().st_size // KILLS
    for _ in range(KILLS):
        merge, enough = start(merge_in_batches, into, source, 8), _size(into) + chance.randint(1, part)
        while not merge.ended and _size(into) < enough:
            merge.process.join(0.002)  # a file that grows is no event to wait for
        kills += merge.kill()
        if into.exists() and into.stat().st_size:
            held = read_summary(into).held
            assert held - TileSet.from_tiles(every) == TileSet()
    merge_pack(into, source)
    assert bodies(into) == bodies(source)
    assert source.read_bytes() == before
    assert kills >= KILLS // 4


@pytest.mark.parametrize("at_a_time", [7, 100_000])
def test_prune_takes_out_just_what_is_not_needed_and_shrinks_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at_a_time: int
) -> None:
    monkeypatch.setattr(pruning, "_AT_A_TIME", at_a_time)
    pack = tmp_path / "survey.mbtiles"
    every = tiles(10, range(40), range(20))
    shared = png("shared")
    records: list[Record] = [received(t, os.urandom(9) + png(str(t)) * 40) for t in every[:-2]]
    records += [received(t, shared) for t in every[-2:]]
    written(pack, records)
    needed = TileSet.from_tiles([*every[:100], every[-1]])
    spare = spare_in(pack, needed)
    assert spare.tiles == TileSet.from_tiles(every) - needed
    assert spare.bytes == sum(len(r.data) for r in records[100:-2] if isinstance(r, Received))
    before = pack.stat().st_size
    assert prune_pack(pack, "survey", needed) > 0.5 * before
    assert read_summary(pack).held == needed
    assert spare_in(pack, needed).bytes == 0
    assert raw(pack, "PRAGMA integrity_check") == [("ok",)]
    assert shared in bodies(pack).values()
    assert raw(pack, "SELECT count(*) FROM blob") == [(101,)]
    assert [p.name for p in tmp_path.iterdir() if not p.name.startswith(".")] == ["survey.mbtiles"]


def test_a_prune_killed_at_any_moment_loses_nothing_that_is_needed(tmp_path: Path) -> None:
    chance = random.Random(4)
    pack = tmp_path / "survey.mbtiles"
    every = tiles(10, range(40), range(20))
    needed = TileSet.from_tiles(tiles(10, range(10), range(20)))
    longest_s = 1.0
    for _ in range(KILLS):
        written(pack, [received(t) for t in every])
        killed, ran_s = start(prune, pack, "survey", tuple(needed)).killed_within(chance, 1.1 * longest_s)
        longest_s = longest_s if killed else min(longest_s, ran_s)
        assert needed - read_summary(pack).held == TileSet()
        assert len(read_summary(pack).held) in (len(needed), len(every))
    prune_pack(pack, "survey", needed)
    assert read_summary(pack).held == needed
    assert raw(pack, "PRAGMA integrity_check") == [("ok",)]


def test_any_mbtiles_file_can_be_taken_in_after_a_look_at_each_tile(tmp_path: Path) -> None:
    foreign, into = tmp_path / "foreign.mbtiles", tmp_path / "survey.mbtiles"
    db = sqlite3.connect(foreign)
    db.execute(
        "CREATE TABLE tiles (zoom_level INTEGER, tile_column INTEGER, tile_row INTEGER, tile_data BLOB)"
    )
    good: list[tuple[object, ...]] = [(11, 327, 1256, png("a")), (11, 328, 1256, png("b"))]
    bad: list[tuple[object, ...]] = [
        (11, 329, 1256, b"<html>"),
        (11, 330, 1256, png("c")[:-3]),
        (99, 0, 0, png("d")),
        (3, -1, 0, png("e")),
    ]
    bad += [(11, 331, 1256, "text"), (11, 332, 1256, None)]
    db.executemany("INSERT INTO tiles VALUES (?, ?, ?, ?)", good + bad)
    db.commit()
    db.close()
    result = take_in(into, labels(fingerprint="taken in"), foreign)
    assert result.taken == 2
    assert len(result.refused) == 4
    # MBTiles 1.3: row 1256 at zoom 11 is XYZ row 791.
    assert read_summary(into).held == TileSet.from_tiles([(11, 327, 791), (11, 328, 791)])
    assert take_in(into, labels(), foreign).taken == 0


def test_a_folder_of_files_can_be_taken_in(tmp_path: Path) -> None:
    folder, into = tmp_path / "loose", tmp_path / "survey.mbtiles"
    for name in (
        "11/327/791.png",
        "11/327/792.png",
        "notes/327/1.png",
        "11/x/1.png",
        "11/327/readme.txt",
        "99/1/1.png",
    ):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(png(name))
    (folder / "11/327/793.png").symlink_to("/etc/passwd")
    assert take_in(into, labels(), folder).taken == 2
    assert read_summary(into).held == TileSet.from_tiles([(11, 327, 791), (11, 327, 792)])


def test_what_is_no_tileset_is_refused_in_words(tmp_path: Path) -> None:
    (tmp_path / "junk").write_bytes(b"junk" * 1000)
    with pytest.raises(InputError, match="junk"):
        take_in(tmp_path / "a.mbtiles", labels(), tmp_path / "junk")
    with pytest.raises(InputError, match="gone"):
        take_in(tmp_path / "a.mbtiles", labels(), tmp_path / "gone")
    assert [entry.name for entry in tmp_path.iterdir()] == ["junk"], "no empty pack is left"


def test_a_folder_without_tiles_is_not_taken_for_a_success(tmp_path: Path) -> None:
    (tmp_path / "own").mkdir()
    with pytest.raises(InputError, match="has no tile in it"):
        take_in(tmp_path / "a.mbtiles", labels(), tmp_path / "own")


@pytest.mark.parametrize("join", [merge_pack, lambda into, held: take_in(into, labels(), held)])
def test_a_pack_is_not_joined_with_itself(tmp_path: Path, join: Callable[[Path, Path], object]) -> None:
    pack, other = tmp_path / "survey.mbtiles", tmp_path / "other name.mbtiles"
    written(pack, [received(Tile(5, 1, 1))])
    other.symlink_to(pack)
    with pytest.raises(InputError, match="itself"):
        join(pack, other)
    assert read_summary(pack).held == TileSet.from_tiles([(5, 1, 1)])


def test_a_view_that_never_ends_is_cut_off(tmp_path: Path) -> None:
    hostile = tmp_path / "hostile.mbtiles"
    db = sqlite3.connect(hostile)
    db.execute(
        "CREATE VIEW tiles AS WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n) "
        "SELECT 40 AS zoom_level, i AS tile_column, 0 AS tile_row, NULL AS tile_data FROM n"
    )
    db.close()
    with pytest.raises(StoreError, match="hostile"):
        take_in(tmp_path / "a.mbtiles", labels(), hostile)
