"""Blocks of tiles as one picture: which are asked for, what becomes of each tile, and what a kill costs."""

from __future__ import annotations

import asyncio
import io
import random
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from packer.content.cutting import cut_picture
from packer.content.damage import Damaged
from packer.content.digest import body_hash
from packer.content.payload import Kind
from packer.errors import BriefError
from packer.fetching.answers.judging import judge
from packer.fetching.answers.outcome import Stored, TileRules, WrongContent
from packer.fetching.reports import Options
from packer.fetching.run import run_fetch
from packer.fetching.transports import Response
from packer.geometry.blocks import block_around, block_count, block_tiles, largest_block
from packer.geometry.tileset import Tile, TileSet
from packer.planning.plan import plan
from packer.proof.proving import verify
from tests.budgets import tries
from tests.commands import fetch_in_batches, start
from tests.conftest import BriefMaker
from tests.support.block_server import BlockServer, colour

METATILE = 'metatile = 4\nformat = "png"'
AREA = "box = [12.30, 47.00, 12.36, 47.05]\ndeepest = 14"


@pytest.fixture
def server() -> Iterator[BlockServer]:
    with BlockServer() as running:
        yield running


def bodies(pack: Path) -> dict[Tile, bytes]:
    with sqlite3.connect(pack) as db:
        rows = db.execute("SELECT zoom_level, tile_column, tile_row, tile_data FROM tiles").fetchall()
    db.close()
    return {Tile(z, x, (1 << z) - 1 - row): data for z, x, row, data in rows}


def colours(pack: Path) -> dict[Tile, Any]:
    found = {}
    for tile, body in bodies(pack).items():
        with Image.open(io.BytesIO(body)) as image:
            assert image.size == (256, 256)
            [(_, one)] = image.convert("RGB").getcolors() or []  # one colour, to the last pixel at every seam
            found[tile] = one
    return found


def run(brief: Any, **options: Any) -> Any:
    return asyncio.run(run_fetch(brief, plan(brief), Options(keep_awake=False, **options)))


def planned(brief: Any) -> TileSet:
    return plan(brief).layers["survey"].tiles


def test_each_block_is_asked_for_once_over_its_planned_tiles_and_each_tile_is_its_own(
    server: BlockServer, brief_for: BriefMaker
) -> None:
    brief = brief_for(server.url, area=AREA, layer=METATILE)
    tiles = planned(brief)
    report = run(brief).layers["survey"]
    pack = brief.store_folder / "survey.mbtiles"
    assert colours(pack) == {tile: colour(tile) for tile in tiles}
    assert len(server.asked) == block_count(tiles, 4) == report.requests
    assert report.stored == len(tiles)
    for block in server.asked:
        wanted = [tile for tile in block_tiles(block[0], 4) if tile in tiles]
        around = block_around(wanted)
        assert (block[0], len(block)) == (around.first, around.columns * around.rows)
    run(brief)
    assert len(server.asked) == block_count(tiles, 4)
    assert verify(brief, plan(brief), processes=1).ready


def test_killed_again_and_again_no_block_is_asked_for_again_whose_tiles_are_stored(
    server: BlockServer, brief_for: BriefMaker
) -> None:
    chance, batch, connections = random.Random(4), 16, 4
    brief = brief_for(server.url, area=AREA.replace("14", "15"), layer=METATILE, connections=connections)
    tiles, pack = planned(brief), brief.store_folder / "survey.mbtiles"
    kills, rounds = 0, tries(3, 12)
    for _ in range(rounds):
        before = bodies(pack) if pack.exists() else {}
        asked = len(server.asked)
        wanted = asked + chance.randint(0, block_count(tiles, 4) // rounds)
        server.hold_after(wanted + connections)
        process = start(fetch_in_batches, str(brief.path), batch)
        process.ended_before(server.reached(wanted))
        kills += process.kill()
        now = bodies(pack) if pack.exists() else {}
        assert before.items() <= now.items()  # what is stored stays, byte for byte
        assert all(any(t in tiles and t not in before for t in block) for block in server.asked[asked:])
    assert kills >= rounds * 3 // 4
    server.hold_after(None)
    before = bodies(pack) if pack.exists() else {}
    asked = len(server.asked)
    assert start(fetch_in_batches, str(brief.path), batch).wait() == 0
    assert all(any(t in tiles and t not in before for t in block) for block in server.asked[asked:])
    assert colours(pack) == {tile: colour(tile) for tile in tiles}
    # Each kill loses at most the blocks that were under way and the two batches on their way to the pack.
    assert len(server.asked) <= block_count(tiles, 4) + rounds * (2 * connections + 2 * batch)
    assert verify(brief, plan(brief), processes=1).ready


def test_a_tile_on_board_keeps_its_picture_when_its_block_is_asked_for_again(
    server: BlockServer, brief_for: BriefMaker
) -> None:
    small = brief_for(server.url, area=AREA.replace("12.36", "12.33"), layer=METATILE)
    run(small)
    before = set(planned(small))
    server.revision = lambda _: 1
    wide = brief_for(server.url, area=AREA, layer=METATILE)
    report = run(wide).layers["survey"]
    assert report.stored == len(set(planned(wide)) - before)
    found = colours(wide.store_folder / "survey.mbtiles")
    assert found == {tile: colour(tile, int(tile not in before)) for tile in planned(wide)}


def test_a_block_that_the_server_does_not_have_is_noted_tile_by_tile(
    server: BlockServer, brief_for: BriefMaker
) -> None:
    brief = brief_for(server.url, area=AREA, layer=METATILE)
    tiles = planned(brief)
    gone = block_tiles(list(tiles.at(14))[-1], 4)
    server.play = lambda block: (404, b"") if set(block) <= set(gone) else None
    report = run(brief).layers["survey"]
    assert report.missing == 0
    assert report.absent == sum(tile in tiles for tile in gone)
    assert set(bodies(brief.store_folder / "survey.mbtiles")) == set(tiles) - set(gone)


def test_a_picture_of_another_size_is_no_block() -> None:
    rules = TileRules(Kind.PNG, "a.example.org:443", 1_000_000, 256, (4, 3))
    for size, fits in (((1024, 768), True), ((768, 1024), False), ((256, 256), False)):
        made = io.BytesIO()
        Image.new("RGB", size).save(made, "PNG")
        outcome = judge(Response(200, {}, made.getvalue()), rules, 0.0)
        assert isinstance(outcome, Stored) is fits
        assert fits or isinstance(outcome, WrongContent)
        assert fits or "expects 1024 x 768" in getattr(outcome, "reason", "")


def test_a_blank_tile_of_a_block_counts_as_absent_and_its_neighbours_are_stored(
    server: BlockServer, brief_for: BriefMaker
) -> None:
    plain = brief_for(server.url, area=AREA, layer=METATILE)
    run(plain)
    pack = plain.store_folder / "survey.mbtiles"
    blank = next(tile for tile in planned(plain) if tile.zoom == 14)
    digest = body_hash(bodies(pack)[blank]).hex()
    pack.unlink()
    brief = brief_for(server.url, area=AREA, layer=f'{METATILE}\nblank = ["{digest}"]')
    report = run(brief).layers["survey"]
    assert (report.absent, report.missing) == (1, 0)
    assert set(bodies(pack)) == set(planned(brief)) - {blank}


def test_a_refresh_asks_for_blocks_without_conditions_and_writes_only_what_has_changed(
    server: BlockServer, brief_for: BriefMaker
) -> None:
    brief = brief_for(server.url, area=AREA, layer=METATILE)
    run(brief)
    pack, tiles = brief.store_folder / "survey.mbtiles", planned(brief)
    changed = next(tile for tile in tiles if tile.zoom == 14)
    server.revision = lambda tile: int(tile == changed)
    asked = len(server.asked)
    report = run(brief, refresh_older_s=-10.0).layers["survey"]
    assert len(server.asked) - asked == block_count(tiles, 4)
    assert not any({"if-none-match", "if-modified-since"} & one.keys() for one in server.headers)
    assert (report.refresh["new"], report.refresh["unchanged"]) == (1, len(tiles) - 1)
    assert colours(pack) == {tile: colour(tile, int(tile == changed)) for tile in tiles}


# ------------------------------------------------------------------------------------ parts


@given(st.lists(st.tuples(st.integers(0, 15), st.integers(0, 15)), min_size=1), st.sampled_from([1, 2, 4, 8]))
def test_blocks_are_counted_as_a_set_of_their_corners_would_be(
    places: list[tuple[int, int]], side: int
) -> None:
    tiles = [Tile(4, x, y) for x, y in places]
    assert block_count(TileSet.from_tiles(tiles), side) == len({block_tiles(tile, side)[0] for tile in tiles})
    assert all(tile in block_tiles(tile, side) for tile in tiles)


def test_blocks_end_where_the_zoom_or_the_largest_picture_does() -> None:
    assert block_tiles(Tile(1, 1, 0), 8) == [Tile(1, 0, 0), Tile(1, 1, 0), Tile(1, 0, 1), Tile(1, 1, 1)]
    assert (largest_block(8, 256, 2048), largest_block(8, 512, 2048), largest_block(4, 256, 700)) == (8, 4, 2)
    assert largest_block(4, 256, 100) == 1


@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "RGB", "RGBA", "I;16"])
def test_every_kind_of_png_is_cut_without_loss(mode: str) -> None:
    noise = random.Random(1).randbytes(64 * 64 * 4)
    whole = Image.frombytes("RGBA", (64, 64), noise)
    image = whole.convert("L").convert("I;16") if mode == "I;16" else whole.convert(mode)
    made = io.BytesIO()
    image.save(made, "PNG")
    tiles = cut_picture(made.getvalue(), Kind.PNG, 32, [(0, 0), (1, 0), (0, 1), (1, 1)])
    again = Image.open(io.BytesIO(made.getvalue()))
    for i, tile in enumerate(tiles):
        left, top = i % 2 * 32, i // 2 * 32
        with Image.open(io.BytesIO(tile)) as piece:
            assert piece.mode == again.mode
            assert (
                piece.convert("RGBA").tobytes()
                == again.crop((left, top, left + 32, top + 32)).convert("RGBA").tobytes()
            )


def test_a_webp_is_cut_without_further_loss_and_damage_is_told() -> None:
    made = io.BytesIO()
    Image.frombytes("RGB", (64, 64), random.Random(2).randbytes(64 * 64 * 3)).save(made, "WEBP", quality=60)
    with (
        Image.open(made) as whole,
        Image.open(io.BytesIO(cut_picture(made.getvalue(), Kind.WEBP, 32, [(1, 1)])[0])) as piece,
    ):
        assert piece.convert("RGB").tobytes() == whole.convert("RGB").crop((32, 32, 64, 64)).tobytes()
    with pytest.raises(Damaged, match="cannot be decoded"):
        cut_picture(made.getvalue()[:30], Kind.WEBP, 32, [(0, 0)])


@pytest.mark.parametrize(
    ("layer", "word"),
    [
        ("metatile = 3", "1, 2, 4 or 8"),
        ("metatile = true", "1, 2, 4 or 8"),
        ("metatile = 4", "goes with wms"),
        ("gutter = 20", "0, 16, 32, 64 or 128"),
        ("gutter = 32", "gutter goes with wms"),
    ],
)
def test_blocks_go_with_addresses_that_can_ask_for_them(brief_for: BriefMaker, layer: str, word: str) -> None:
    with pytest.raises(BriefError, match=word):
        brief_for("https://e.org/{z}/{x}/{y}.png", layer=layer)
