"""How SQLite goes about each statement that runs over a pack's tables: nothing is read whole inside a loop."""

from __future__ import annotations

import asyncio
import re
import sqlite3
import time
from pathlib import Path
from random import Random
from typing import Any

import pytest

from packer.geometry.tileset import Tile, TileSet
from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.proof.proving import verify
from packer.proof.results import Depth
from packer.store.corrupt_list import save_corrupt
from packer.store.figures import mean_sizes, read_last_run, sizes_of
from packer.store.merging import merge_pack
from packer.store.pack_summary import read_summary
from packer.store.pruning import prune_pack, spare_in
from packer.store.reader import TileReader
from packer.store.records import Absent, Renewed, Trouble
from packer.store.schema import open_writable
from packer.store.snapshot_reader import SnapshotReader
from packer.store.writer import PackWriter
from tests.conftest import BriefMaker
from tests.test_store import labels, raw, received
from tests.tile_server import TileServer

LARGE = {"placement", "blob", "absent", "trouble", "spare", "tiles"}
_TABLE = re.compile(r"\b(?:FROM|JOIN|INTO|UPDATE)\s+(?:temp\.)?(\w+)", re.IGNORECASE)


def bad_steps(plan_rows: list[tuple[int, int, int, str]]) -> list[str]:
    """The steps that read a table whole although they are taken again for each row of something else, and those that
    make a list of all rows before the first is used, which grows with the pack (MATERIALIZE).

    SQLite, "EXPLAIN QUERY PLAN": steps of one level are nested loops, outermost first; a CORRELATED subquery is run
    again for each row; SCAN reads all rows, SEARCH some of them.
    """
    found = []
    inside: dict[int, bool] = {0: False}
    loops: dict[int, int] = {}
    for number, parent, _, text in plan_rows:
        repeated = inside.get(parent, False)
        inside[number] = repeated or "CORRELATED" in text
        if text.startswith("MATERIALIZE"):
            found.append(text)
        if text.startswith("USE TEMP B-TREE") or not text.startswith(("SCAN", "SEARCH")):
            continue
        nested = loops.get(parent, 0) > 0
        loops[parent] = loops.get(parent, 0) + 1
        table = text.split()[1]
        if "AUTOMATIC" in text or (text.startswith("SCAN") and (nested or repeated) and table in LARGE):
            found.append(text)
    return found


def steps(db: sqlite3.Connection, statement: str) -> list[tuple[int, int, int, str]]:
    return db.execute(f"EXPLAIN QUERY PLAN {statement}").fetchall()


@pytest.fixture
def traced(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Every statement that runs through a connection opened meanwhile."""
    seen: list[str] = []
    real = sqlite3.connect

    def connect(*arguments: Any, **more: Any) -> sqlite3.Connection:
        db: sqlite3.Connection = real(*arguments, **more)
        db.set_trace_callback(seen.append)
        return db

    monkeypatch.setattr(sqlite3, "connect", connect)
    return seen


def use_everything(brief: Brief, tmp_path: Path) -> Path:
    """Have each part of the program that reads or writes packs do so."""
    from packer.fetching.job import fetch
    from packer.handover import handover

    work = plan(brief)
    assert fetch(brief, work).complete
    pack = brief.store_folder / "survey.mbtiles"
    some = list(work.layers["survey"].tiles)[:3]

    async def write() -> None:
        async with PackWriter(pack, labels()) as one:
            await one.write([Absent(Tile(9, 1, 1), 404, 1), Trouble(Tile(9, 1, 2), "odd", "it is odd", 1)], 1)
            await one.write([received(Tile(9, 1, 1)), received(some[0]), Renewed(some[1], 2)], 1)
            await one.stale_tiles(time.time(), time.time())
            await one.validators(some[0])
            await one.fetched_at(some)

    async def drop(blank: bytes) -> None:
        async with PackWriter(pack, labels(blank=frozenset([blank]))) as one:
            assert one.blanked

    asyncio.run(write())
    for depth in Depth:
        verify(brief, work, depth=depth, processes=1, chance=Random(1))
    save_corrupt(pack, some)
    asyncio.run(write())
    read_summary(pack, [received(some[0]).hash])
    reader = TileReader(pack)
    reader.facts()
    reader.zooms_at(12.31, 47.01)
    reader.nearest(some[0])
    with SnapshotReader(pack) as snapshot:
        listing = snapshot.listing(work.layers["survey"].tiles & snapshot.held)
        list(snapshot.stated(listing))
        list(snapshot.bodies(listing, lambda _: None))
    mean_sizes(pack)
    sizes_of(pack, some)
    read_last_run(pack)
    merge_pack(tmp_path / "into" / "survey.mbtiles", pack)
    merge_pack(tmp_path / "into" / "survey.mbtiles", pack, mix_sources=True)
    handover(brief, work, None, tmp_path / "card", allow_gaps=True)
    asyncio.run(drop(received(some[0]).hash))
    needed = TileSet.from_tiles(list(work.layers["survey"].tiles)[::2])
    spare_in(pack, needed)
    prune_pack(pack, "survey", needed)
    return pack


def test_no_statement_over_a_packs_tables_reads_one_whole_inside_a_loop(
    brief_for: BriefMaker, tmp_path: Path, traced: list[str]
) -> None:
    with TileServer() as server:
        brief = brief_for(server.url, area="box = [12.30, 47.00, 12.34, 47.03]\ndeepest = 14")
        pack = use_everything(brief, tmp_path)
    ours = {
        " ".join(statement.split())
        for statement in traced
        if set(_TABLE.findall(statement)) & LARGE
        and not statement.lstrip().startswith(("CREATE", "PRAGMA", "--"))
    }
    assert {"spare", "placement", "blob", "absent"} <= {t for s in ours for t in _TABLE.findall(s)}
    db = open_writable(pack, "survey", "png")
    try:
        for statement in dict.fromkeys(traced):  # the temporary table as the program itself makes it
            if " ".join(statement.split()).startswith(("CREATE TEMP", "CREATE INDEX temp")):
                db.execute(statement)
        found = {}
        for statement in ours:
            # In a file that is handed over `tiles` is a table, written and read in its order.
            of_a_card = "ORDER BY rowid" in statement or statement.startswith("INSERT INTO tiles ")
            if not of_a_card and (bad := bad_steps(steps(db, statement))):
                found[statement[:200]] = bad
    finally:
        db.close()
    assert found == {}


def test_the_check_knows_a_bad_plan_when_it_sees_one() -> None:
    # The columns of this table have no type, so its index is of no use to a comparison with INTEGER columns.
    with sqlite3.connect(":memory:") as db:
        db.execute("CREATE TABLE placement (zoom_level INTEGER, tile_row INTEGER, tile_column INTEGER)")
        db.execute("CREATE TABLE spare (zoom, row, first, last)")
        inner = "SELECT 1 FROM spare WHERE spare.row = tile_row"
        assert bad_steps(steps(db, f"SELECT count(*) FROM placement WHERE EXISTS ({inner})"))
        assert bad_steps(steps(db, "SELECT * FROM placement, spare"))
        assert not bad_steps(steps(db, "SELECT count(*) FROM placement"))
    db.close()


def test_prune_takes_few_steps_for_each_tile_however_many_runs_are_spare(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Counted in steps of SQLite's machine, which no load of the computer changes."""
    pack = tmp_path / "survey.mbtiles"
    side = 120
    tiles = [Tile(14, x, y) for x in range(side) for y in range(side)]
    db = open_writable(pack, "survey", "png")
    db.execute("BEGIN")
    db.execute("INSERT INTO blob VALUES (1, x'00', x'00')")
    db.executemany(
        "INSERT INTO placement VALUES (?, ?, ?, 1, x'00', 1, NULL, NULL, NULL)",
        [(t.zoom, t.x, (1 << 14) - 1 - t.y) for t in tiles],
    )
    db.execute("COMMIT")
    db.close()
    ticks = [0]
    real = sqlite3.connect

    def tick() -> int:
        ticks[0] += 1
        return 0

    def connect(*arguments: Any, **more: Any) -> sqlite3.Connection:
        found: sqlite3.Connection = real(*arguments, **more)
        monkeypatch.setattr(
            "packer.store.schema.no_longer_than", lambda db: db.set_progress_handler(tick, 100)
        )
        return found

    monkeypatch.setattr(sqlite3, "connect", connect)
    # Every third column goes: thousands of runs of one or two tiles.
    needed = TileSet.from_tiles([t for t in tiles if t.x % 3])
    assert len(spare_in(pack, needed).tiles) == len(tiles) // 3
    assert ticks[0] * 100 < 250 * len(tiles), "each tile is looked up in an index"
    prune_pack(pack, "survey", needed)
    assert raw(pack, "SELECT count(*) FROM placement") == [(len(tiles) * 2 // 3,)]
