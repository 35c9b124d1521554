"""Killed at random moments, a fetch loses nothing and asks for no stored tile again."""

from __future__ import annotations

import random
import sqlite3
from pathlib import Path

from packer.geometry.tileset import Tile
from packer.planning.plan import plan
from packer.proof.proving import verify
from tests.budgets import tries
from tests.commands import fetch_in_batches, start
from tests.conftest import BriefMaker
from tests.tile_server import TileServer, png

KILLS = tries(8, 25)
CONNECTIONS = 8
BATCH = 16


def _bodies(pack: Path) -> dict[tuple[int, int, int], bytes]:
    with sqlite3.connect(pack) as db:
        rows = db.execute("SELECT zoom_level, tile_column, tile_row, tile_data FROM tiles").fetchall()
    db.close()
    return {(z, x, (1 << z) - 1 - row): data for z, x, row, data in rows}


def _place(text: str) -> tuple[int, int, int]:
    zoom, x, y = map(int, text.split("/"))
    return zoom, x, y


def test_killed_again_and_again_the_pack_is_whole_and_no_stored_tile_is_asked_for_again(
    brief_for: BriefMaker,
) -> None:
    chance = random.Random(20)
    with TileServer(delay_s=0.004) as server:
        brief = brief_for(
            server.url, area="box = [12.30, 47.00, 12.38, 47.14]\ndeepest = 16", connections=CONNECTIONS
        )
        tiles = plan(brief).layers["survey"].tiles
        pack = brief.store_folder / "survey.mbtiles"
        kills = 0
        for number in range(KILLS):
            stored_before = set(_bodies(pack)) if pack.exists() else set()
            asked_before = server.tiles_asked
            wanted = asked_before.total() + chance.randint(0, 2 * len(tiles) // KILLS)
            server.hold_after(wanted + CONNECTIONS)  # so that no fetch gets far ahead of its kill
            process = start(fetch_in_batches, str(brief.path), BATCH)
            process.ended_before(server.reached(wanted))
            kills += process.kill()
            asked = {_place(t): n for t, n in (server.tiles_asked - asked_before).items()}
            assert not asked.keys() & stored_before, number
            # One batch being written, one gathering, and what each connection was about to add.
            kept = len(_bodies(pack)) - len(stored_before) if pack.exists() else 0
            assert sum(asked.values()) - kept <= 2 * BATCH + 2 * CONNECTIONS, number
        assert kills >= KILLS * 3 // 4, "most of the fetches were still running when they were killed"

        server.hold_after(None)
        stored_before, asked_before = set(_bodies(pack)), server.tiles_asked
        assert start(fetch_in_batches, str(brief.path), BATCH).wait() == 0
        assert not {_place(t) for t in server.tiles_asked - asked_before} & stored_before

        assert sum(server.tiles_asked.values()) >= len(tiles)
        assert _bodies(pack) == {tile: png(f"/survey/{Tile(*tile)}.png") for tile in tiles}
        assert verify(brief, plan(brief), processes=1).ready
        assert [p.name for p in brief.store_folder.glob("survey*")] == ["survey.mbtiles"]
