"""Verify trusts nothing that it did not compute: every kind of damage is found, and named tile by tile."""

from __future__ import annotations

import asyncio
import io
import json
import os
import random
import sqlite3
import threading
import time
from collections.abc import Callable
from contextlib import closing, nullcontext
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from packer.content import payload
from packer.content.damage import Damaged, NotATile
from packer.content.digest import body_hash
from packer.content.payload import Kind, examine
from packer.errors import StoreError, TermsError
from packer.fetching.run import run_fetch
from packer.geometry.tileset import Tile, TileSet
from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.planning.terms import check_terms
from packer.proof import proving
from packer.proof.proving import verify
from packer.proof.results import Depth, Verdict, VerifyReport
from packer.proof.sweep import Sweeper
from packer.store.audit import census, identity, outline
from packer.store.audit_chunk import Chunk, Fault, audit_chunk
from packer.store.records import Absent, Received, seal
from packer.store.schema import open_writable
from packer.store.writer import PackWriter
from tests.conftest import BriefMaker
from tests.fakes import ScriptedTransport, VirtualClock, tile_answer
from tests.test_store import labels

Damager = Callable[[sqlite3.Connection, Tile, Tile], set[Tile]]
NOW = 1_000.0  # seconds since 1970; the tiles of these tests came at second 1
URL = "https://tiles.example.org/survey/{z}/{x}/{y}.png"


def picture(seed: int, kind: str = "PNG", **options: bool) -> bytes:
    """A textured image, so that cutting it short takes pixels away."""
    at = np.arange(4096)
    texture = ((at * 37 + seed * 101 + at * at // 97) % 256).astype(np.uint8)
    image = Image.fromarray(texture.reshape(64, 64))
    out = io.BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


@pytest.fixture
def brief(brief_for: BriefMaker) -> Brief:
    """A brief whose pack is complete and sound."""
    made = brief_for(
        URL,
        area="box = [12.30, 47.00, 12.34, 47.03]\ndeepest = 14",
        overview='overview = false\ncontact = "maps@example.org"',
    )
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


def check(brief: Brief, processes: int = 1, depth: Depth = Depth.HASH) -> VerifyReport:
    return verify(brief, plan(brief), processes=processes, depth=depth, now=NOW)


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
    monkeypatch.setattr("packer.proof.sweep.ALONE_BELOW", 0)
    monkeypatch.setattr("packer.proof.sweep.PIECE_BODIES", {Depth.HASH: 7, Depth.FULL: 7})
    monkeypatch.setattr("packer.proof.proving.PIECE_BODIES", {Depth.HASH: 7, Depth.FULL: 7})
    tile = tiles_of(brief)[5]
    spoil(
        brief,
        f"UPDATE blob SET data = x'00' WHERE id = (SELECT blob_id FROM placement WHERE {AT})",
        *at(tile),
    )
    for depth in (Depth.HASH, Depth.FULL):
        for workers in (1, 2):
            assert set(check(brief, workers, depth).layers["survey"].corrupt) == {tile}


@pytest.mark.parametrize("depth", list(Depth))
def test_what_a_power_cut_left_half_done_is_taken_back_and_the_pack_is_ready(
    brief: Brief, depth: Depth
) -> None:
    """The files as the disk holds them in the middle of a transaction that has begun to reach the pack."""
    whole = [pack(brief), pack(brief).with_name("survey.mbtiles-journal")]
    db = open_writable(pack(brief), "survey", "png")
    db.execute("PRAGMA cache_size = 10")  # so that pages spill to the file before the commit
    db.execute("BEGIN IMMEDIATE")
    db.executemany(
        "INSERT INTO blob (hash, data) VALUES (?, ?)", ((os.urandom(32), os.urandom(9000)) for _ in range(60))
    )
    db.execute("DELETE FROM placement")
    torn = [path.read_bytes() for path in whole]
    db.execute("ROLLBACK")
    db.close()
    for path, data in zip(whole, torn, strict=True):
        path.write_bytes(data)
    assert check(brief, depth=depth).verdict is Verdict.READY


def dies_if_mapped(
    path: Path, chunk: Chunk, check: Callable[[bytes], str | None] | None, mapped: bool = False
) -> tuple[int, list[Fault]]:
    """A disk that fails under a mapped file, as the helper sees it: it is ended."""
    if mapped:
        os._exit(135)
    return audit_chunk(path, chunk, check)


@pytest.mark.usefixtures("small_chunks")
@pytest.mark.parametrize("dying", [False, True])
def test_large_packs_go_to_processes_and_what_ends_them_ends_nothing_else(
    brief: Brief, monkeypatch: pytest.MonkeyPatch, dying: bool
) -> None:
    monkeypatch.setattr("packer.proof.sweep.ALONE_BELOW", 0)
    monkeypatch.setattr("packer.proof.sweep.LARGE_BYTES", 0)
    if dying:
        monkeypatch.setattr("packer.proof.sweep.audit_chunk", dies_if_mapped)
    tile = tiles_of(brief)[5]
    spoil(brief, f"UPDATE placement SET seal = x'00' WHERE {AT}", *at(tile))
    found = check(brief, 2).layers["survey"]
    assert (set(found.corrupt), found.bodies) == ({tile}, len(tiles_of(brief)))


def names_its_process(
    path: Path, chunk: Chunk, check: Callable[[bytes], str | None] | None, mapped: bool = False
) -> tuple[int, list[Fault]]:
    """Gives its process's number in place of that of the bodies."""
    return os.getpid(), []


def test_large_packs_are_shared_out_to_other_processes_and_small_ones_are_not(
    brief: Brief, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("packer.proof.sweep.audit_chunk", names_its_process)

    def processes(workers: int) -> set[int]:
        chunks = list(enumerate(outline(pack(brief)).chunks(9)))
        with Sweeper(Depth.HASH, workers) as sweeper:
            return {process for _number, process, _faults in sweeper.sweep(pack(brief), "png", chunks)}

    assert processes(2) == {os.getpid()}, "it is small"
    monkeypatch.setattr("packer.proof.sweep.LARGE_BYTES", 0)
    assert processes(1) == {os.getpid()}, "there is no other core"
    assert os.getpid() not in processes(2)


def test_no_pack_is_all_missing(brief_for: BriefMaker) -> None:
    brief = brief_for(URL)
    report = check(brief)
    assert not report.ready
    assert report.layers["survey"].counts.missing == len(tiles_of(brief))


def test_a_pack_that_is_not_there_is_no_check_that_was_cut_short(brief_for: BriefMaker) -> None:
    brief = brief_for(URL)
    report = check(brief)
    found = report.layers["survey"]
    assert (found.finished, found.earlier, found.bodies, found.all_bodies) == (True, 0, 0, 0)
    assert len(report.reasons) == 1, "that it is not there, and nothing of bodies"
    assert report.to_dict()["finished"] is True
    assert report.verdict is Verdict.NOT_READY


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


def store_sealed(brief: Brief, number: int, body: bytes) -> None:
    """Put another body in the place of one, with the hash and the seals of a tile that came so from the start."""
    hashed = body_hash(body)
    with closing(sqlite3.connect(pack(brief))) as db, db:
        db.execute("UPDATE blob SET data = ?, hash = ? WHERE id = ?", (body, hashed, number))
        places = db.execute(
            "SELECT zoom_level, tile_column, tile_row FROM placement WHERE blob_id = ?", (number,)
        ).fetchall()
        for zoom, column, row in places:
            db.execute(
                "UPDATE placement SET seal = ? WHERE zoom_level = ? AND tile_column = ? AND tile_row = ?",
                (seal(zoom, column, row, hashed), zoom, column, row),
            )


def test_an_image_that_hashes_well_but_does_not_decode_is_corrupt(brief_for: BriefMaker) -> None:
    """Stored wrong from the start, so that its hash fits: only decoding finds it."""
    brief = brief_for(URL.replace(".png", ".jpg"), area="box = [12.30, 47.00, 12.34, 47.03]\ndeepest = 14")
    tiles = tiles_of(brief)
    fill(brief, tiles, "JPEG")
    assert check(brief).ready
    whole = picture(5, "JPEG")
    cut = whole[: len(whole) // 2] + b"\xff\xd9"
    store_sealed(brief, 5, cut)
    first = check(brief)
    assert first.ready, "its hash fits"
    assert any("not decoded" in text for text in first.not_checked)
    found = check(brief, depth=Depth.FULL).layers["survey"]
    assert len(found.bad) == 1
    assert "decode" in found.bad[0].kind
    # Known once, it is not sound again because a lesser check does not look.
    for depth in (Depth.HASH, Depth.QUICK):
        assert set(check(brief, depth=depth).layers["survey"].corrupt) == set(found.corrupt)


def test_of_a_long_list_of_findings_each_planned_tile_is_looked_at_until_enough_are_bad(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sound tiles at the head of the list, or tiles no longer planned, must not hide a bad one at its end."""
    monkeypatch.setattr("packer.proof.proving._ENOUGH_BAD", 1)
    brief = brief_for(URL.replace(".png", ".jpg"), area="box = [12.30, 47.00, 12.34, 47.03]\ndeepest = 14")
    tiles = tiles_of(brief)
    fill(brief, tiles, "JPEG")
    for number in (len(tiles), len(tiles) - 1):
        whole = picture(number, "JPEG")
        store_sealed(brief, number, whole[: len(whole) // 2] + b"\xff\xd9")
    elsewhere = [f"19/{x}/7" for x in range(5)]
    listed = [*elsewhere, *map(str, tiles)]
    (brief.store_folder / ".survey.corrupt.json").write_text(json.dumps({"corrupt": listed}))
    for depth in (Depth.HASH, Depth.QUICK):
        found = check(brief, depth=depth)
        assert not found.ready
        assert len(found.layers["survey"].bad) == 1, "one is enough"
    assert len(check(brief, depth=Depth.FULL).layers["survey"].bad) == 2


def test_a_journal_that_claims_tiles_it_lacks_deceives_nobody(brief: Brief) -> None:
    db = sqlite3.connect(pack(brief))
    db.execute("DELETE FROM placement")
    db.execute("DELETE FROM blob")
    db.execute("UPDATE run SET stored = 10000")
    db.commit()
    db.close()
    found = check(brief).layers["survey"]
    assert set(found.missing) == set(tiles_of(brief))


@pytest.mark.parametrize("depth", Depth)
@pytest.mark.parametrize("table", ["placement", "absent"])
def test_a_short_cut_that_claims_a_tile_is_not_believed_by_the_next_fetch(
    brief_for: BriefMaker, table: str, depth: Depth
) -> None:
    """A row that came to lie elsewhere leaves every count as it was: a fetch would call the pack complete for ever."""
    brief = brief_for(URL, area="box = [12.30, 47.00, 12.34, 47.03]\ndeepest = 14")
    tiles = tiles_of(brief)
    for _ in range(2):  # the second run leaves the short cut of the first
        fill(brief, tiles[:-4], absent=tuple(tiles[-4:]))
    last = f"SELECT max(rowid) FROM {table} WHERE zoom_level = 14"
    spoil(brief, f"UPDATE {table} SET tile_row = tile_row + 500 WHERE rowid = ({last})")
    found = check(brief, depth=depth)
    lost = set(found.layers["survey"].missing)
    assert len(lost) == 1
    assert not found.ready

    async def believed() -> set[Tile]:
        async with PackWriter(pack(brief), labels()) as writer:
            return set(writer.held | writer.absent) & lost

    assert asyncio.run(believed()) == set()


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
    assert report.to_dict()["layers"]["survey"]["by_zoom"]["14"]["absent"] == 4


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


def _fetch(brief: Brief) -> dict[Tile, int]:
    """Run a fetch against a scripted server and give back how often each tile was asked for."""

    async def go() -> dict[Tile, int]:
        async with VirtualClock() as clock:
            transport = ScriptedTransport(clock, lambda tile, *_: tile_answer(tile))
            assert (await run_fetch(brief, plan(brief), clock=clock, make_transport=transport)).complete
            return dict(transport.asked)

    return asyncio.run(go())


def _delete_row(db: sqlite3.Connection, tile: Tile, other: Tile) -> set[Tile]:
    db.execute(f"DELETE FROM placement WHERE {AT}", at(tile))
    return {tile}


def _damage_body(change: Callable[[bytes], bytes]) -> Damager:
    def damage(db: sqlite3.Connection, tile: Tile, other: Tile) -> set[Tile]:
        number, data = db.execute(
            f"SELECT id, data FROM placement JOIN blob ON blob.id = blob_id WHERE {AT}", at(tile)
        ).fetchone()
        db.execute("UPDATE blob SET data = ? WHERE id = ?", (change(data), number))
        return {tile}

    return damage


def _swap(db: sqlite3.Connection, tile: Tile, other: Tile) -> set[Tile]:
    """The two change places with all that their rows say, so that only the seal can tell."""
    one, two = (
        db.execute(f"SELECT blob_id, seal FROM placement WHERE {AT}", at(t)).fetchone() for t in (tile, other)
    )
    for place, row in ((other, one), (tile, two)):
        db.execute(f"UPDATE placement SET blob_id = ?, seal = ? WHERE {AT}", (*row, *at(place)))
    return {tile, other}


def _wrong_number(db: sqlite3.Connection, tile: Tile, other: Tile) -> set[Tile]:
    """A flipped bit in the number of the body, far beyond the last one."""
    db.execute(f"UPDATE placement SET blob_id = blob_id | (1 << 50) WHERE {AT}", at(tile))
    return {tile}


def _text_number(db: sqlite3.Connection, tile: Tile, other: Tile) -> set[Tile]:
    db.execute(f"UPDATE placement SET blob_id = 'x' WHERE {AT}", at(tile))
    return {tile}


def _empty_journal(db: sqlite3.Connection, tile: Tile, other: Tile) -> set[Tile]:
    for table in ("run", "trouble", "snapshot", "source"):
        db.execute(f"DELETE FROM {table}")
    return set()


def _false_journal(db: sqlite3.Connection, tile: Tile, other: Tile) -> set[Tile]:
    """The short cut to the set of stored tiles still names a tile that is gone."""
    db.execute("UPDATE run SET stored = 10000")
    return _delete_row(db, tile, other)


MATRIX: dict[str, Damager] = {
    "row deleted": _delete_row,
    "bit flipped": _damage_body(_flip_a_bit),
    "half zeroed": _damage_body(DAMAGE[1]),
    "cut": _damage_body(DAMAGE[2]),
    "another valid image": _damage_body(DAMAGE[5]),
    "swapped": _swap,
    "number of the body damaged": _wrong_number,
    "number of the body is text": _text_number,
    "journal emptied": _empty_journal,
    "journal claims too much": _false_journal,
}


@pytest.mark.parametrize("depth", [Depth.HASH, Depth.FULL])
@pytest.mark.parametrize("name", MATRIX)
def test_damage_is_named_tile_by_tile_and_fetch_repairs_just_that(
    brief: Brief, name: str, depth: Depth
) -> None:
    tiles = tiles_of(brief)
    db = sqlite3.connect(pack(brief))
    hurt = MATRIX[name](db, tiles[9], tiles[-1])
    db.commit()
    db.close()
    report = check(brief, depth=depth)
    assert {p["tile"] for p in report.to_dict()["problems"]} == {str(t) for t in hurt}
    assert (report.verdict is Verdict.NOT_READY) == bool(hurt)
    assert _fetch(brief) == dict.fromkeys(hurt, 1)
    assert check(brief, depth=depth).ready


def test_a_quick_look_finds_holes_and_bodies_that_are_gone(brief: Brief) -> None:
    tiles = tiles_of(brief)
    assert check(brief, depth=Depth.QUICK).ready
    spoil(brief, f"DELETE FROM placement WHERE {AT}", *at(tiles[3]))
    spoil(brief, f"DELETE FROM blob WHERE id = (SELECT blob_id FROM placement WHERE {AT})", *at(tiles[5]))
    found = check(brief, depth=Depth.QUICK)
    assert set(found.layers["survey"].missing) == {tiles[3]}
    assert set(found.layers["survey"].corrupt) == {tiles[5]}
    assert found.verdict is Verdict.NOT_READY


def test_a_quick_look_samples_and_says_so(brief: Brief, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("packer.proof.proving._SAMPLE_BODIES", 5)
    found = check(brief, depth=Depth.QUICK)
    assert found.layers["survey"].bodies == 5
    assert any("sample was hashed: 5 of" in text for text in found.not_checked)


@pytest.mark.parametrize("index", ["blob_use", "tile_index"])
@pytest.mark.parametrize("depth", Depth)
def test_an_index_that_lacks_rows_is_told(brief: Brief, index: str, depth: Depth) -> None:
    """No row is gone, but look-ups would miss some."""
    db = sqlite3.connect(pack(brief))
    db.execute("PRAGMA writable_schema = ON")
    (sql,) = db.execute("SELECT sql FROM sqlite_master WHERE name = ?", (index,)).fetchone()
    db.execute("UPDATE sqlite_master SET sql = sql || ' WHERE blob_id > 3' WHERE name = ?", (index,))
    db.commit()
    db.close()
    db = sqlite3.connect(pack(brief))
    db.execute(f"REINDEX {index}")
    db.execute("PRAGMA writable_schema = ON")
    db.execute("UPDATE sqlite_master SET sql = ? WHERE name = ?", (sql, index))
    db.commit()
    db.close()
    found = check(brief, depth=depth)
    assert found.verdict is Verdict.NOT_READY
    assert any(index in text for text in found.layers["survey"].damage), found.reasons


class _Ticking:
    """A clock that goes on by a second whenever it is read."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        self.now += 1.0
        return self.now


@pytest.fixture
def small_chunks(monkeypatch: pytest.MonkeyPatch) -> None:
    for module in ("sweep", "proving"):
        monkeypatch.setattr(f"packer.proof.{module}.PIECE_BODIES", {Depth.HASH: 5, Depth.FULL: 5})


@pytest.mark.usefixtures("small_chunks")
def test_a_bounded_check_says_so_far_and_goes_on_where_it_stopped(brief: Brief) -> None:
    tile = tiles_of(brief)[0]
    spoil(brief, "UPDATE blob SET data = x'11' WHERE id = 1")
    every, seen, rounds = len(tiles_of(brief)), 0, 0
    while True:
        rounds += 1
        report = verify(brief, plan(brief), processes=1, for_s=3.0, clock=_Ticking(), now=NOW)
        found = report.layers["survey"]
        assert found.earlier == seen
        seen = found.bodies
        assert set(found.corrupt) == {tile}, "also when an earlier round found it"
        if found.finished:
            break
        assert not report.ready
        assert any("so far" in text for text in report.reasons)
    assert (seen, rounds) == (every, -(-every // 10)), "two chunks of five a round"
    assert not list(brief.store_folder.glob(".*.checked.json"))


@pytest.mark.usefixtures("small_chunks")
def test_a_bounded_check_without_a_fault_is_no_ready(brief: Brief) -> None:
    report = verify(brief, plan(brief), processes=1, for_s=2.0, clock=_Ticking(), now=NOW)
    assert (report.verdict, report.ready) == (Verdict.UNFINISHED, False)
    assert report.to_dict()["verdict"] == "CHECK NOT FINISHED"


@pytest.mark.usefixtures("small_chunks")
def test_a_changed_pack_is_checked_again_and_that_is_said(brief: Brief) -> None:
    verify(brief, plan(brief), processes=1, for_s=3.0, clock=_Ticking(), now=NOW)
    spoil(brief, "UPDATE blob SET data = x'11' WHERE id = 1")
    found = verify(brief, plan(brief), processes=1, for_s=90.0, clock=_Ticking(), now=NOW).layers["survey"]
    assert found.note is not None
    assert "checked again" in found.note
    assert (found.earlier, found.finished, len(found.corrupt)) == (0, True, 1)


@pytest.mark.usefixtures("small_chunks")
def test_a_check_without_a_bound_believes_no_earlier_one(brief: Brief) -> None:
    verify(brief, plan(brief), processes=1, for_s=3.0, clock=_Ticking(), now=NOW)
    found = check(brief).layers["survey"]
    assert (found.earlier, found.bodies) == (0, len(tiles_of(brief)))


@pytest.mark.usefixtures("small_chunks")
@pytest.mark.parametrize(
    "spoiled",
    [
        "",
        "[]",
        '{"form": 1}',
        "x" * 100,
        '{"form": 1, "depth": "hash", "identity": IDENTITY, "chunk_bodies": 5, "chunks": CHUNKS, "done": [[-4, 900]], '
        '"bodies": 1, "bad": []}',
        '{"form": 1, "depth": "hash", "identity": IDENTITY, "chunk_bodies": 5, "chunks": CHUNKS, "done": [[0, 1e99]], '
        '"bodies": 1, "bad": []}',
        '{"form": 1, "depth": "full", "identity": IDENTITY, "chunk_bodies": 5, "chunks": CHUNKS, "done": [[0, 3]], '
        '"bodies": 20, "bad": []}',
    ],
)
def test_a_spoiled_bookmark_is_not_believed(brief: Brief, spoiled: str) -> None:
    mark = identity(pack(brief))
    assert mark is not None
    chunks = -(-len(tiles_of(brief)) // 5)
    text = spoiled.replace("IDENTITY", json.dumps(list(mark))).replace("CHUNKS", str(chunks))
    (brief.store_folder / ".survey.checked.json").write_text(text)
    found = verify(brief, plan(brief), processes=1, for_s=900.0, clock=_Ticking(), now=NOW).layers["survey"]
    assert (found.earlier, found.bodies, found.finished) == (0, len(tiles_of(brief)), True)


@pytest.mark.usefixtures("small_chunks")
def test_ctrl_c_ends_the_check_with_what_was_found_so_far(brief: Brief) -> None:
    def stop(_layer: str, done: int, _every: int) -> None:
        if done >= 10:
            raise KeyboardInterrupt

    report = verify(brief, plan(brief), processes=1, on_progress=stop, now=NOW)
    assert report.verdict is Verdict.UNFINISHED
    assert report.layers["survey"].bodies == 10


@pytest.mark.usefixtures("small_chunks")
def test_the_pack_is_not_looked_at_from_outside_sqlite_while_a_thread_has_it_open(
    brief: Brief, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Closing any file descriptor of a file drops the locks of the whole process on it (POSIX, fcntl)."""
    swept, counting, looked = threading.Event(), threading.Event(), list[bool]()
    real_swept = proving._LayerCheck._swept

    def slow_census(*given: Any) -> Any:
        counting.set()
        assert swept.wait(10)
        try:
            return census(*given)
        finally:
            counting.clear()

    def noted_identity(path: Path) -> Any:
        looked.append(counting.is_set())
        return identity(path)

    def whole_sweep(*given: Any) -> Any:
        assert counting.wait(10)
        try:
            return real_swept(*given)
        finally:
            swept.set()

    monkeypatch.setattr(proving, "census", slow_census)
    monkeypatch.setattr(proving, "identity", noted_identity)
    monkeypatch.setattr(proving._LayerCheck, "_swept", whole_sweep)
    report = verify(brief, plan(brief), processes=1, for_s=3.0, clock=_Ticking(), now=NOW)
    assert not report.layers["survey"].finished
    assert len(looked) >= 2
    assert not any(looked)
    assert list(brief.store_folder.glob(".*.checked.json")), "word is left all the same"


def test_no_depth_writes_to_a_pack(brief: Brief) -> None:
    before, was = pack(brief).read_bytes(), pack(brief).stat().st_mtime_ns
    for depth in Depth:
        check(brief, depth=depth)
    assert (pack(brief).read_bytes(), pack(brief).stat().st_mtime_ns) == (before, was)
    assert {p.name for p in brief.store_folder.iterdir()} <= {"survey.mbtiles", ".survey.lock"}


def test_stale_tiles_and_an_ending_licence_are_warnings(brief_for: BriefMaker) -> None:
    brief = brief_for(
        URL, area="box = [12.30, 47.00, 12.34, 47.03]\ndeepest = 14", layer="expires = 1971-01-20"
    )
    fill(brief, tiles_of(brief))
    assert check(brief).verdict is Verdict.READY
    spoil(brief, f"UPDATE placement SET fresh_until = 500 WHERE {AT}", *at(tiles_of(brief)[2]))
    report = check(brief)
    assert report.verdict is Verdict.READY_WITH_WARNINGS
    assert report.ready
    assert set(report.layers["survey"].stale) == {tiles_of(brief)[2]}
    later = verify(brief, plan(brief), now=366.5 * 86_400.0, processes=1)
    assert len(later.layers["survey"].stale) == len(tiles_of(brief)), "a year has passed"
    assert any("licence ends on 1971-01-20, in 18 days" in text for text in later.warnings)
    ended = verify(brief, plan(brief), now=400.5 * 86_400.0, processes=1)
    assert any("licence ended" in text for text in ended.warnings)


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the time zone of a process cannot be set here")
@pytest.mark.parametrize(
    ("zone", "ended"), [("UTC-12", True), ("UTC", False), ("UTC+12", False)], ids=["east", "middle", "west"]
)
def test_a_licence_ends_with_the_same_local_day_for_verify_and_fetch(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch, zone: str, ended: bool
) -> None:
    """`zone` is in the writing of POSIX, 8.3, in which the east counts downwards."""
    made = brief_for(
        URL,
        layer="expires = 1971-01-20",
        overview='overview = false\ncontact = "maps@example.org"',
    )
    late = datetime(1971, 1, 20, 20, tzinfo=UTC).timestamp()  # the next morning in the east
    with monkeypatch.context() as inside:
        inside.setenv("TZ", zone)
        time.tzset()
        warned = verify(made, plan(made), now=late, processes=1).warnings
        today = datetime.fromtimestamp(late).date()
    time.tzset()
    assert any("licence ended on" in text for text in warned) == ended
    with pytest.raises(TermsError) if ended else nullcontext():
        check_terms(made, plan(made), {"survey": [URL]}, today)


def test_a_fast_decode_never_passes_what_two_slow_ones_refuse() -> None:
    """Cuts, flips, zeros and insertions in baseline and progressive files: sound for the one only if for both."""
    chance = random.Random(5)
    passed = 0
    for number in range(400):
        whole = picture(number, "JPEG", progressive=number % 3 == 0)
        at_byte = chance.randrange(len(whole) // 3, len(whole) - 3)
        body = chance.choice(
            [
                whole,
                whole[:at_byte] + b"\xff\xd9",
                whole[:at_byte] + bytes([whole[at_byte] ^ 1 << chance.randrange(8)]) + whole[at_byte + 1 :],
                whole[:at_byte] + bytes(len(whole) - at_byte - 2) + b"\xff\xd9",
                whole[:at_byte] + chance.randbytes(3) + whole[at_byte:],
            ]
        )
        try:
            examine(body)
        except (Damaged, NotATile):
            continue
        if payload._decodes_without_warning(body):
            passed += 1
            more = body[:-2] + payload._MORE + body[-2:]
            assert payload._pixels(body, Kind.JPG) == payload._pixels(more, Kind.JPG)
    assert passed > 50


def test_a_list_of_findings_that_is_wrong_drops_nothing(brief: Brief) -> None:
    names = [str(tile) for tile in tiles_of(brief)]
    (brief.store_folder / ".survey.corrupt.json").write_text(json.dumps({"corrupt": [*names, "99/1/1", "x"]}))
    fill(brief, [])
    (brief.store_folder / ".survey.corrupt.json").write_text(json.dumps({"corrupt": names}))
    fill(brief, [])
    assert check(brief).ready


def test_only_areas_with_tiles_that_the_server_lacks_are_named_with_them(brief_for: BriefMaker) -> None:
    brief = brief_for(
        URL,
        area="box = [12.30, 47.00, 12.34, 47.03]\ndeepest = 14\n\n"
        '[[areas]]\nname = "valley"\nbox = [13.30, 47.00, 13.34, 47.03]\ndeepest = 14',
    )
    ground, valley = (area.tiles for area in plan(brief).layers["survey"].areas)
    lost = max(valley - ground)
    fill(brief, [tile for tile in tiles_of(brief) if tile != lost], absent=(lost,))
    (told,) = check(brief).warnings
    assert "valley" in told
    assert "ground" not in told
