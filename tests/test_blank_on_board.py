"""Tiles that were stored before the brief said that their picture stands for "no tile"."""

from __future__ import annotations

import asyncio
import json
import sqlite3
from functools import partial
from pathlib import Path

import pytest

from packer.cli import show_status
from packer.content.digest import body_hash
from packer.errors import LastbarError
from packer.fetching.reports import Options
from packer.fetching.run import run_fetch
from packer.geometry.grid import tile_bounds
from packer.geometry.tileset import Tile, TileSet
from packer.handover import handover
from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.proof.proving import verify
from packer.proof.results import Depth
from packer.store.blank_tiles import drop_blank
from packer.store.pack_summary import read_summary
from packer.store.records import Received
from packer.store.schema import open_writable
from packer.store.writer import PackWriter
from packer.view.board import Board
from tests.conftest import BriefMaker
from tests.fakes import ScriptedTransport, VirtualClock, tile_answer
from tests.test_store import labels
from tests.tile_server import png

SEA = png("sea", 64)
DEEP = 14
AREA = f"box = [12.30, 47.00, 12.36, 47.05]\ndeepest = {DEEP}\nat-least = {DEEP}"


@pytest.fixture
def briefs(brief_for: BriefMaker) -> tuple[Brief, Brief]:
    """The same brief before and after the picture was named under blank; a row of the deepest tiles is the sea."""
    make = partial(
        brief_for,
        "https://tiles.example.org/survey/{z}/{x}/{y}.png",
        area=AREA,
        overview='overview = false\ncontact = "maps@example.org"',
    )
    before = make()
    fill(before)
    return before, make(layer=f'blank = ["{body_hash(SEA).hex()}"]')


def pack(brief: Brief) -> Path:
    return brief.store_folder / "survey.mbtiles"


def sea(brief: Brief) -> TileSet:
    deepest = plan(brief).layers["survey"].tiles.at(DEEP)
    _, top, _, _ = deepest.extent(DEEP)
    return TileSet.from_tiles(tile for tile in deepest if tile.y == top)


def fill(brief: Brief) -> None:
    async def go() -> None:
        async with PackWriter(pack(brief), labels()) as writer:
            bodies = {
                t: SEA if t in sea(brief) else png(str(t), 64) for t in plan(brief).layers["survey"].tiles
            }
            await writer.write([Received(t, data, body_hash(data), "png", 1) for t, data in bodies.items()])

    asyncio.run(go())


@pytest.mark.parametrize("depth", list(Depth))
def test_a_blank_picture_on_board_is_no_depth_that_is_held(briefs: tuple[Brief, Brief], depth: Depth) -> None:
    before, after = briefs
    assert verify(before, plan(before), depth=depth, processes=1, now=1000.0).ready
    whole = pack(after).read_bytes()
    report = verify(after, plan(after), depth=depth, processes=1, now=1000.0)
    assert not report.ready, "the row is below its floor"
    assert report.verdict == "NOT READY"
    layer, blank = report.layers["survey"], sea(after)
    assert (layer.blank, layer.absent) == (blank, blank)
    assert not layer.stored & blank
    assert layer.counts.planned == sum((layer.counts.stored, layer.counts.absent, layer.counts.missing))
    assert report.depths[0].held == DEEP - 1
    assert any(
        "stored tiles are a picture that the brief names under blank" in text for text in report.warnings
    )
    assert pack(after).read_bytes() == whole, "verify writes to no pack"


def test_whoever_tells_what_is_on_board_leaves_blank_pictures_out(
    briefs: tuple[Brief, Brief], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    _, after = briefs
    count = len(sea(after))
    assert show_status.run(after.path, None, True) == 1
    told = json.loads(capsys.readouterr().out)
    assert (told["layers"]["survey"]["absent"], told["depths"][0]["held"]) == (count, DEEP - 1)
    board = Board(after, plan(after)).layers["survey"]
    assert board.counts()["absent"] == count
    west, south, east, north = tile_bounds(*next(iter(sea(after))))
    assert board.depth((west + east) / 2, (south + north) / 2)["deepest"] == DEEP - 1
    with pytest.raises(LastbarError, match="not deep enough"):
        handover(after, plan(after), None, tmp_path / "card")
    report = handover(after, plan(after), None, tmp_path / "card", allow_gaps=True)
    assert report.copies[0].manifest.layers["survey"].absent == count
    db = sqlite3.connect(tmp_path / "card" / "survey.mbtiles")
    assert db.execute("SELECT count(*) FROM tiles WHERE tile_data = ?", (SEA,)).fetchone() == (0,)
    db.close()


def test_the_next_fetch_takes_them_out_notes_them_as_absent_says_so_and_asks_for_none(
    briefs: tuple[Brief, Brief],
) -> None:
    _, after = briefs

    async def go() -> tuple[ScriptedTransport, tuple[str, ...]]:
        async with VirtualClock() as clock:
            transport = ScriptedTransport(clock, lambda tile, _before, _now: tile_answer(tile))
            report = await run_fetch(
                after, plan(after), Options(log=True), clock=clock, make_transport=transport
            )
            assert report.complete
            assert report.layers["survey"].absent == len(sea(after))
            return transport, report.remarks

    transport, remarks = asyncio.run(go())
    assert not transport.asked
    assert any("a picture that the brief names under blank" in remark for remark in remarks)
    summary = read_summary(pack(after))
    assert summary.absent == sea(after)
    assert summary.held == plan(after).layers["survey"].tiles - sea(after)
    db = sqlite3.connect(pack(after))
    assert db.execute("SELECT count(*) FROM blob WHERE data = ?", (SEA,)).fetchone() == (0,)
    assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    db.close()
    report = verify(after, plan(after), processes=1, now=1_700_002_000.0)
    assert report.layers["survey"].counts.absent == len(sea(after))
    assert not report.layers["survey"].blank


def test_what_is_interrupted_while_they_are_taken_out_leaves_all_of_them(briefs: tuple[Brief, Brief]) -> None:
    """The tiles are noted as absent already when the removal of their body fails."""
    _, after = briefs
    before = read_summary(pack(after))
    db = open_writable(pack(after), "survey", "png")
    seen: list[str] = []

    def deny(action: int, one: str | None, *_: str | None) -> int:
        seen.append(str(one))
        return sqlite3.SQLITE_DENY if action == sqlite3.SQLITE_DELETE and one == "blob" else sqlite3.SQLITE_OK

    db.set_authorizer(deny)
    with pytest.raises(sqlite3.DatabaseError):
        drop_blank(db, [body_hash(SEA)], 1)
    db.set_authorizer(None)
    db.close()
    assert "absent" in seen, "the fault comes in the middle"
    now = read_summary(pack(after))
    assert (now.held, now.absent) == (before.held, before.absent)


def test_a_brief_without_blank_changes_nothing(briefs: tuple[Brief, Brief]) -> None:
    before, _ = briefs
    held = read_summary(pack(before)).held

    async def go() -> TileSet:
        async with PackWriter(pack(before), labels()) as writer:
            return writer.blanked

    assert asyncio.run(go()) == TileSet()
    assert read_summary(pack(before)).held == held
    assert Tile(DEEP, 0, 0) not in held
