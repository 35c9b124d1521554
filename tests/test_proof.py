"""Verify trusts nothing that it did not compute: every kind of damage is found, and named tile by tile."""

from __future__ import annotations

import asyncio
import io
import json
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from PIL import Image

from packer.brief import Brief
from packer.errors import StoreError
from packer.fetching import run_fetch
from packer.planning import plan
from packer.proof import VerifyReport, verify
from packer.store import Absent, PackWriter, Received, body_hash
from packer.store.records import seal
from packer.tileset import Tile, TileSet
from tests.conftest import BriefMaker
from tests.fakes import ScriptedDoor, VirtualClock, tile_answer
from tests.test_store import labels

URL = "https://tiles.example.org/survey/{z}/{x}/{y}.png"


def picture(seed: int, kind: str = "PNG") -> bytes:
    """A textured image, so that cutting it short takes pixels away."""
    image = Image.frombytes(
        "L", (64, 64), bytes((i * 37 + seed * 101 + i * i // 97) % 256 for i in range(4096))
    )
    out = io.BytesIO()
    image.save(out, kind)
    return out.getvalue()


@pytest.fixture
def brief(brief_for: BriefMaker) -> Brief:
    """A brief whose pack is complete and sound."""
    made = brief_for(URL, area="box = [12.30, 47.00, 12.34, 47.03]\ndeepest = 14")
    fill(made, list(plan(made).layers["survey"].tiles))
    return made


def pack(brief: Brief) -> Path:
    return brief.store_folder / "survey.mbtiles"


def fill(brief: Brief, tiles: list[Tile], kind: str = "PNG", absent: tuple[Tile, ...] = ()) -> None:
    async def go() -> None:
        async with PackWriter(pack(brief), labels(kind={"PNG": "png", "JPEG": "jpg"}[kind])) as writer:
            records = []
            for number, tile in enumerate(tiles):
                data = picture(number, kind)
                records.append(Received(tile, data, body_hash(data), {"PNG": "png", "JPEG": "jpg"}[kind], 1))
            await writer.write([*records, *(Absent(tile, 404, 1) for tile in absent)])

    asyncio.run(go())


def spoil(brief: Brief, sql: str, *values: object) -> None:
    db = sqlite3.connect(pack(brief))
    assert db.execute(sql, values).rowcount > 0
    db.commit()
    db.close()


def check(brief: Brief, processes: int = 1) -> VerifyReport:
    return verify(brief, plan(brief), processes=processes)


def at(tile: Tile) -> tuple[int, int, int]:
    return tile.zoom, tile.x, (1 << tile.zoom) - 1 - tile.y


def tiles_of(brief: Brief) -> list[Tile]:
    return list(plan(brief).layers["survey"].tiles)


AT = "zoom_level = ? AND tile_column = ? AND tile_row = ?"


def test_a_sound_pack_is_ready_and_left_untouched(brief: Brief) -> None:
    before = pack(brief).read_bytes()
    report = check(brief)
    assert report.ready
    assert report.layers["survey"].bodies == len(tiles_of(brief))
    assert pack(brief).read_bytes() == before


def test_the_same_is_found_by_several_processes(brief: Brief, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("packer.proof._ALONE_BELOW", 0)
    monkeypatch.setattr("packer.proof._RANGE", 7)
    tile = tiles_of(brief)[5]
    spoil(
        brief,
        f"UPDATE blob SET data = x'00' WHERE id = (SELECT blob_id FROM placement WHERE {AT})",
        *at(tile),
    )
    assert check(brief, 2).layers["survey"].corrupt == check(brief, 1).layers["survey"].corrupt
    assert set(check(brief, 2).layers["survey"].corrupt) == {tile}


def test_no_pack_is_all_missing(brief_for: BriefMaker) -> None:
    brief = brief_for(URL)
    report = check(brief)
    assert not report.ready
    assert report.layers["survey"].counts.missing == len(tiles_of(brief))


def test_a_deleted_row_is_missing(brief: Brief) -> None:
    tile = tiles_of(brief)[17]
    spoil(brief, f"DELETE FROM placement WHERE {AT}", *at(tile))
    found = check(brief).layers["survey"]
    assert (set(found.missing), found.counts.corrupt) == ({tile}, 0)
    assert not found.ready


def _flip_a_bit(data: bytes) -> bytes:
    middle = len(data) // 2
    return data[:middle] + bytes([data[middle] ^ 4]) + data[middle + 1 :]


DAMAGE: list[Callable[[bytes], bytes]] = [
    _flip_a_bit,
    lambda data: data[: len(data) // 2] + b"\0" * (len(data) - len(data) // 2),
    lambda data: data[: len(data) // 2],
    lambda data: b"",
    lambda data: data + b"\0",
    lambda data: picture(999_999),
]


@pytest.mark.parametrize("damage", DAMAGE, ids=["bit", "zeroed", "cut", "empty", "longer", "another image"])
def test_a_body_that_changed_is_corrupt(brief: Brief, damage: Callable[[bytes], bytes]) -> None:
    tile = tiles_of(brief)[9]
    db = sqlite3.connect(pack(brief))
    (number, data) = db.execute(
        f"SELECT id, data FROM placement JOIN blob ON blob.id = blob_id WHERE {AT}", at(tile)
    ).fetchone()
    db.execute("UPDATE blob SET data = ? WHERE id = ?", (damage(data), number))
    db.commit()
    db.close()
    found = check(brief).layers["survey"]
    assert set(found.corrupt) == {tile}
    assert "changed" in found.bad[0].kind
    assert found.counts.missing == 0


def test_two_tiles_that_changed_places_are_both_corrupt(brief: Brief) -> None:
    one, other = tiles_of(brief)[9], tiles_of(brief)[12]
    db = sqlite3.connect(pack(brief))
    ids = [
        db.execute(f"SELECT blob_id, seal FROM placement WHERE {AT}", at(t)).fetchone() for t in (one, other)
    ]
    for tile, (number, _) in zip((other, one), ids, strict=True):
        db.execute(f"UPDATE placement SET blob_id = ? WHERE {AT}", (number, *at(tile)))
    db.commit()
    db.close()
    assert set(check(brief).layers["survey"].corrupt) == {one, other}


def test_a_body_that_is_gone_is_corrupt(brief: Brief) -> None:
    tile = tiles_of(brief)[3]
    spoil(brief, f"DELETE FROM blob WHERE id = (SELECT blob_id FROM placement WHERE {AT})", *at(tile))
    found = check(brief).layers["survey"]
    assert set(found.corrupt) == {tile}
    assert not found.ready


def test_an_image_that_hashes_well_but_does_not_decode_is_corrupt(brief_for: BriefMaker) -> None:
    """Stored wrong from the start, so that its hash fits: only decoding finds it."""
    brief = brief_for(URL.replace(".png", ".jpg"), area="box = [12.30, 47.00, 12.34, 47.03]\ndeepest = 14")
    tiles = tiles_of(brief)
    fill(brief, tiles, "JPEG")
    assert check(brief).ready
    whole = picture(5, "JPEG")
    cut = whole[: len(whole) // 2] + b"\xff\xd9"
    number = 5
    spoil(brief, "UPDATE blob SET data = ?, hash = ? WHERE id = ?", cut, body_hash(cut), number)
    db = sqlite3.connect(pack(brief))
    zoom, column, row = db.execute(
        "SELECT zoom_level, tile_column, tile_row FROM placement WHERE blob_id = 5"
    ).fetchone()
    db.execute("UPDATE placement SET seal = ? WHERE blob_id = 5", (seal(zoom, column, row, body_hash(cut)),))
    db.commit()
    db.close()
    found = check(brief).layers["survey"]
    assert len(found.bad) == 1
    assert "decode" in found.bad[0].kind


def test_a_journal_that_claims_tiles_it_lacks_deceives_nobody(brief: Brief) -> None:
    db = sqlite3.connect(pack(brief))
    db.execute("DELETE FROM placement")
    db.execute("DELETE FROM blob")
    db.execute("UPDATE run SET stored = 10000")
    db.commit()
    db.close()
    found = check(brief).layers["survey"]
    assert set(found.missing) == set(tiles_of(brief))


def test_an_emptied_journal_makes_a_sound_pack_no_worse(brief: Brief) -> None:
    db = sqlite3.connect(pack(brief))
    for table in ("run", "trouble", "snapshot", "source"):
        db.execute(f"DELETE FROM {table}")
    db.commit()
    db.close()
    assert check(brief).ready


def test_what_the_server_has_not_is_counted_apart(brief_for: BriefMaker) -> None:
    brief = brief_for(URL, area="box = [12.30, 47.00, 12.34, 47.03]\ndeepest = 14")
    tiles = tiles_of(brief)
    fill(brief, tiles[:-4], absent=tuple(tiles[-4:]))
    report = check(brief)
    assert report.ready
    assert report.layers["survey"].counts.absent == 4
    assert report.as_json()["layers"]["survey"]["by_zoom"]["14"]["absent"] == 4


def test_a_tile_stored_and_noted_absent_counts_once(brief: Brief) -> None:
    spoil(brief, "INSERT INTO absent VALUES (?, ?, ?, 404, 1)", *at(tiles_of(brief)[2]))
    counts = check(brief).layers["survey"].counts
    assert counts.stored == counts.planned


def test_rows_outside_the_grid_count_for_nothing(brief: Brief) -> None:
    spoil(brief, f"UPDATE placement SET tile_column = 99999 WHERE {AT}", *at(tiles_of(brief)[7]))
    found = check(brief).layers["survey"]
    assert found.stray == 1
    assert set(found.missing) == {tiles_of(brief)[7]}


def test_more_than_the_plan_is_no_fault(brief: Brief) -> None:
    fill(brief, [Tile(14, 3, 3)])
    assert check(brief).ready


@pytest.mark.parametrize("share", [0.3, 0.7, 0.99])
def test_a_pack_cut_short_is_never_ready(brief: Brief, share: float) -> None:
    whole = pack(brief).read_bytes()
    pack(brief).write_bytes(whole[: int(len(whole) * share)])
    try:
        report = check(brief)
    except StoreError as fault:
        assert "survey.mbtiles" in str(fault)
    else:
        assert not report.ready


def test_counts_add_up_whatever_is_wrong(brief: Brief) -> None:
    tiles = tiles_of(brief)
    spoil(brief, f"DELETE FROM placement WHERE {AT}", *at(tiles[1]))
    spoil(
        brief,
        f"UPDATE blob SET data = x'11' WHERE id = (SELECT blob_id FROM placement WHERE {AT})",
        *at(tiles[2]),
    )
    found = check(brief).layers["survey"]
    for counts in (found.counts, *found.by_zoom.values()):
        assert counts.planned == counts.stored + counts.absent + counts.missing + counts.corrupt
    assert found.missing | found.corrupt == TileSet.from_tiles([tiles[1], tiles[2]])


def test_fetch_replaces_exactly_what_verify_found(brief: Brief) -> None:
    """Missing and corrupt tiles are asked for once each, and nothing else; afterwards the pack is ready."""
    tiles = tiles_of(brief)
    spoil(brief, f"DELETE FROM placement WHERE {AT}", *at(tiles[1]))
    spoil(
        brief,
        f"UPDATE blob SET data = x'11' WHERE id = (SELECT blob_id FROM placement WHERE {AT})",
        *at(tiles[2]),
    )
    spoil(brief, f"DELETE FROM blob WHERE id = (SELECT blob_id FROM placement WHERE {AT})", *at(tiles[3]))
    spoil(brief, f"UPDATE placement SET seal = x'00' WHERE {AT}", *at(tiles[4]))
    assert not check(brief).ready

    async def go() -> set[Tile]:
        async with VirtualClock() as clock:
            door = ScriptedDoor(clock, lambda tile, *_: tile_answer(tile))
            assert (await run_fetch(brief, plan(brief), clock=clock, make_door=door)).complete
            assert set(door.asked.values()) == {1}
            return set(door.asked)

    assert asyncio.run(go()) == set(tiles[1:5])
    assert check(brief).ready


def test_a_list_of_findings_that_is_wrong_drops_nothing(brief: Brief) -> None:
    names = [str(tile) for tile in tiles_of(brief)]
    (brief.store_folder / ".survey.corrupt.json").write_text(json.dumps({"corrupt": [*names, "99/1/1", "x"]}))
    fill(brief, [])
    (brief.store_folder / ".survey.corrupt.json").write_text(json.dumps({"corrupt": names}))
    fill(brief, [])
    assert check(brief).ready
