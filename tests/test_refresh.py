"""Old tiles asked for anew: by condition, one request each, the old one on board until the new one is committed."""

from __future__ import annotations

import asyncio
import json
import random
import sqlite3
import zlib
from collections.abc import Iterable
from pathlib import Path

import pytest

from packer.cli.run_fetch import _show, refresh_text
from packer.content.digest import body_hash
from packer.fetching.hosts.source import labels_for, sources_for
from packer.fetching.reports import FetchReport, Options
from packer.fetching.run import run_fetch
from packer.fetching.transports import Response, Result
from packer.geometry.tileset import Tile, TileSet
from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.store.pack_summary import read_summary
from packer.store.records import Received, Record
from packer.store.writer import PackWriter
from tests.budgets import tries
from tests.commands import fetch_in_batches, lastbar, start
from tests.conftest import BriefMaker
from tests.fakes import ScriptedTransport, VirtualClock, no_tile, page, tile_answer
from tests.tile_server import TileServer, png

OLD, MONTH_S = 1_600_000_000, 30 * 86_400.0
KILLS = tries(8, 25)
AREA = "box = [12.30, 47.00, 12.40, 47.05]\ndeepest = 14"
Known = tuple[str | None, str | None, int | None]  # entity tag, date of change, fresh until


def pack_of(brief: Brief) -> Path:
    return brief.store_folder / "survey.mbtiles"


def planned(brief: Brief) -> TileSet:
    return plan(brief).layers["survey"].tiles


def fill(brief: Brief, tiles: Iterable[Tile], known: Known = ('"0"', None, None), path: str = "{}") -> None:
    """Put tiles on board that were fetched in 2020."""

    async def go() -> None:
        worked_out = plan(brief)
        labels = labels_for(brief, worked_out, sources_for(brief, worked_out, {})["survey"])
        async with PackWriter(pack_of(brief), labels) as pack:
            batch: list[Record] = []
            for tile in tiles:
                body = png(path.format(tile))
                batch.append(Received(tile, body, body_hash(body), "png", OLD, *known))
            await pack.write(batch)

    asyncio.run(go())


def bodies(brief: Brief) -> dict[Tile, bytes]:
    db = sqlite3.connect(pack_of(brief))
    rows = db.execute("SELECT zoom_level, tile_column, tile_row, tile_data FROM tiles").fetchall()
    db.close()
    return {Tile(z, x, (1 << z) - 1 - row): data for z, x, row, data in rows}


class Transport(ScriptedTransport):
    """Notes the conditions of each request."""

    async def fetch(self, url: str, headers: dict[str, str], deadline_s: float, limit_bytes: int) -> Result:  # type: ignore[override]  # a narrower mapping will do here
        self.sent.append({name: value for name, value in headers.items() if name.startswith("If-")})
        return await super().fetch(url, headers, deadline_s, limit_bytes)

    sent: list[dict[str, str]]


def refresh(brief: Brief, script: object, options: Options | None = None) -> tuple[FetchReport, Transport]:
    async def go() -> tuple[FetchReport, Transport]:
        async with VirtualClock() as clock:
            transport = Transport(clock, script)  # type: ignore[arg-type]  # a script, given by the test
            transport.sent = []
            wanted = options or Options(refresh_older_s=MONTH_S)
            report = await run_fetch(
                brief, plan(brief), wanted, clock=clock, make_transport=transport, environment={}
            )
            return report, transport

    return asyncio.run(go())


@pytest.fixture
def brief(brief_for: BriefMaker) -> Brief:
    url = "https://tiles.example.org/survey/{z}/{x}/{y}.png"
    return brief_for(url, area=AREA, overview='overview = false\ncontact = "maps@example.org"')


def unchanged(tag: str | None = '"0"') -> Response:
    return Response(304, {} if tag is None else {"etag": tag}, b"")


def changed(tile: Tile, size_px: int = 16) -> Response:
    body = png(f"{tile} anew", size_px)
    return Response(200, {"content-type": "image/png", "content-length": str(len(body)), "etag": '"1"'}, body)


# ---------------------------------------------------------------------------------------- what comes of them


def test_unless_asked_no_old_tile_is_asked_for_again(brief: Brief) -> None:
    fill(brief, planned(brief))
    report, transport = refresh(brief, lambda *_: tile_answer(Tile(0, 0, 0)), Options())
    assert report.complete
    assert not transport.asked
    assert report.layers["survey"].refresh == {}


@pytest.mark.parametrize(
    ("counts", "words"),
    [
        ({"stale": 0, "fresh": 0}, "No stored tile needed refreshing."),
        (
            {"stale": 0, "fresh": 7},
            "No stored tile needed refreshing. 7 are old enough but still fresh, so not asked for.",
        ),
        (
            {"stale": 1200, "fresh": 0, "new": 200, "unchanged": 990, "gone": 8, "left": 2},
            "Refresh of 1,200 old tiles: 200 new, 990 unchanged, 8 no longer on the server (old copies "
            "kept), 2 still to do.",
        ),
        (
            {"stale": 9, "fresh": 0, "new": 1, "unchanged": 2, "gone": 0, "failed": 5, "left": 6},
            "Refresh of 9 old tiles: 1 new, 2 unchanged, 5 could not be fetched (old copies kept), 1 still "
            "to do.",
        ),
        (
            {"stale": 2, "fresh": 3, "new": 2, "unchanged": 0, "gone": 0, "left": 0},
            "Refresh of 2 old tiles: 2 new, 0 unchanged. 3 more are old enough but still fresh, so not asked "
            "for.",
        ),
    ],
)
def test_what_came_of_old_tiles_is_told_in_words(counts: dict[str, int], words: str) -> None:
    assert refresh_text(counts) == words


def test_each_old_tile_is_asked_for_once_on_its_own_condition(brief: Brief) -> None:
    fill(brief, planned(brief), ('W/"0"', "Thu, 01 Oct 2020 00:00:00 GMT", None))
    report, transport = refresh(brief, lambda *_: unchanged())
    assert report.complete
    assert set(transport.asked.values()) == {1}
    assert TileSet.from_tiles(transport.asked) == planned(brief)
    tiles = [sent for sent in transport.sent if sent]
    condition = {"If-None-Match": 'W/"0"', "If-Modified-Since": "Thu, 01 Oct 2020 00:00:00 GMT"}
    assert tiles == [condition] * len(planned(brief))
    told = report.layers["survey"]
    assert told.refresh["unchanged"] == told.refresh["stale"] == len(planned(brief))
    assert (told.stored, told.missing, told.refresh["left"]) == (0, 0, 0)
    # Dated anew, they are not asked for again.
    again, transport = refresh(brief, lambda *_: unchanged())
    assert again.complete
    assert not transport.asked


def test_new_unchanged_and_gone_are_told_apart_and_what_is_gone_stays_on_board(brief: Brief) -> None:
    fill(brief, planned(brief))

    def script(tile: Tile, before: int, now: float) -> Result:
        return (changed(tile), unchanged(), no_tile(404))[(tile.x + tile.y) % 3]

    report, _ = refresh(brief, script)
    counts = report.layers["survey"].refresh
    groups = [TileSet.from_tiles(t for t in planned(brief) if (t.x + t.y) % 3 == n) for n in range(3)]
    assert [counts["new"], counts["unchanged"], counts["gone"]] == [len(g) for g in groups]
    assert counts["left"] == 0
    assert report.complete
    for tile, body in bodies(brief).items():
        assert body == (png(f"{tile} anew") if tile in groups[0] else png(str(tile)))
    assert not read_summary(pack_of(brief)).absent
    db = sqlite3.connect(pack_of(brief))  # the bodies that were replaced are gone from the file's books
    assert db.execute("SELECT count(*) FROM blob").fetchone()[0] == len(planned(brief))
    db.close()


def test_the_same_body_sent_again_counts_as_unchanged(brief: Brief) -> None:
    fill(brief, planned(brief), (None, None, None))
    report, transport = refresh(brief, lambda tile, *_: tile_answer(tile))
    assert report.layers["survey"].refresh["unchanged"] == len(planned(brief))
    assert report.layers["survey"].bytes == 0
    assert not any(transport.sent)


def test_not_modified_of_another_copy_is_not_believed(brief: Brief) -> None:
    """RFC 9111 section 4.3.4: a 304 with another strong entity tag is about something else than what is held."""
    fill(brief, planned(brief))

    def script(tile: Tile, before: int, now: float) -> Result:
        return unchanged('"other"') if before == 0 else changed(tile)

    report, transport = refresh(brief, script)
    assert set(transport.asked.values()) == {2}
    assert report.layers["survey"].refresh["new"] == len(planned(brief))


@pytest.mark.parametrize(
    ("known", "told"),
    [
        ((None, None, None), unchanged()),
        (("*", None, None), unchanged(None)),
        (
            (None, "Thu, 01 Oct 2020 00:00:00 GMT", None),
            Response(304, {"last-modified": "Fri, 02 Oct 2020 00:00:00 GMT"}, b""),
        ),
    ],
)
def test_not_modified_unasked_or_since_another_day_is_not_believed(
    brief: Brief, known: Known, told: Response
) -> None:
    fill(brief, planned(brief), known)
    report, transport = refresh(brief, lambda tile, before, _: told if before == 0 else changed(tile))
    assert set(transport.asked.values()) == {2}
    assert report.layers["survey"].refresh["new"] == len(planned(brief))


def test_a_server_that_says_not_modified_whatever_is_asked_comes_to_an_end(brief: Brief) -> None:
    fill(brief, planned(brief))
    report, transport = refresh(brief, lambda *_: unchanged('"other"'))
    told = report.layers["survey"]
    assert max(transport.asked.values()) <= 20
    assert told.refresh["left"] == len(planned(brief))
    assert "to a request without conditions" in (told.failure or "")
    assert not report.complete
    assert not _renewed(brief)
    # And where it does so for some tiles only, those are given up.
    report, transport = refresh(brief, lambda tile, *_: unchanged('"other"' if tile.x % 2 else '"0"'))
    told = report.layers["survey"]
    assert max(transport.asked.values()) <= 20
    assert told.failure is None
    assert told.refresh["failed"] == sum(tile.x % 2 for tile in planned(brief)) > 5
    assert len(_renewed(brief)) == told.refresh["unchanged"]
    assert bodies(brief) == {tile: png(str(tile)) for tile in planned(brief)}


def test_a_host_that_gave_tiles_before_is_not_said_to_have_given_none(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    url = "http://tiles.example.org/survey/{z}/{x}/{y}.png"
    brief = brief_for(url, area=AREA, overview='overview = false\ncontact = "maps@example.org"')
    fill(brief, planned(brief))
    monkeypatch.setattr("packer.fetching.policy.MOST_HELD", 5)
    report, _ = refresh(brief, lambda *_: no_tile(404))
    failure = report.layers["survey"].failure or ""
    assert "nothing tells whether" in failure
    assert "never given one" not in failure
    assert bodies(brief).keys() == set(planned(brief))


@pytest.mark.parametrize("reply", [unchanged(), no_tile(404)])
def test_answers_without_a_body_use_up_none_of_the_bytes_allowed(brief: Brief, reply: Response) -> None:
    fill(brief, planned(brief))
    report, _ = refresh(brief, lambda *_: reply, Options(refresh_older_s=MONTH_S, max_bytes=60_000))
    assert report.complete
    assert report.stopped is None


def test_the_bytes_allowed_end_a_refresh_and_the_next_one_goes_on(brief: Brief) -> None:
    fill(brief, planned(brief))
    most = 20 * len(changed(next(iter(planned(brief))), 512).body)
    wanted = Options(refresh_older_s=MONTH_S, max_bytes=most)
    report, first = refresh(brief, lambda tile, *_: changed(tile, 512), wanted)
    assert (report.stopped, report.complete, report.interrupted) == ("max-bytes", False, True)
    assert 0 < report.layers["survey"].refresh["new"] < len(planned(brief))
    report, second = refresh(brief, lambda tile, *_: changed(tile))
    assert report.complete
    assert not first.asked.keys() & second.asked.keys()
    assert TileSet.from_tiles([*first.asked, *second.asked]) == planned(brief)


def test_what_is_left_to_do_is_told_once_and_the_plan_is_said_to_be_whole(
    brief: Brief, capsys: pytest.CaptureFixture[str]
) -> None:
    fill(brief, planned(brief))
    broken = next(iter(planned(brief)))
    refused = Response(200, {"content-length": "5"}, b"%PNG?")
    report, _ = refresh(brief, lambda tile, *_: refused if tile == broken else unchanged())
    _show(report, "lastbar verify brief.toml", "lastbar fetch brief.toml --refresh-older-than 30d", [])
    lines = capsys.readouterr().out.splitlines()[-4:]
    assert lines == [
        "No planned tile is missing.",
        "1 old tile still needs refreshing; the stored copies are kept.",
        "To continue:",
        "  lastbar fetch brief.toml --refresh-older-than 30d",
    ]


def test_a_tile_that_its_server_calls_fresh_is_left_alone(brief: Brief) -> None:
    tiles = list(planned(brief))
    fill(brief, tiles[::2], ('"0"', None, 1_900_000_000))
    fill(brief, tiles[1::2], ('"0"', None, 1_650_000_000))
    report, transport = refresh(brief, lambda *_: unchanged())
    assert TileSet.from_tiles(transport.asked) == TileSet.from_tiles(tiles[1::2])
    assert report.layers["survey"].refresh["fresh"] == len(tiles[::2])


def test_missing_tiles_come_before_old_ones(brief: Brief) -> None:
    tiles = list(planned(brief))
    fill(brief, tiles[::2])
    asked: list[Tile] = []

    def script(tile: Tile, before: int, now: float) -> Result:
        asked.append(tile)
        return unchanged() if tile in old else tile_answer(tile)

    old = TileSet.from_tiles(tiles[::2])
    report, _ = refresh(brief, script)
    assert report.complete
    first_old = next(i for i, tile in enumerate(asked) if tile in old)
    assert sum(tile not in old for tile in asked[first_old:]) <= 8  # those under way at once
    assert report.layers["survey"].stored == len(tiles) - len(old)


def test_what_cannot_be_had_anew_stays_on_board_and_is_told(brief: Brief) -> None:
    fill(brief, planned(brief))
    broken = next(iter(planned(brief)))

    def script(tile: Tile, before: int, now: float) -> Result:
        if tile == broken:
            return Response(200, {"content-length": "5"}, b"%PNG?")
        return page() if before == 0 and tile.x % 5 == 0 else unchanged()

    report, _ = refresh(brief, script)
    assert not report.complete
    counts = report.layers["survey"].refresh
    assert (counts["failed"], counts["left"]) == (1, 1)
    assert report.layers["survey"].missing == 0
    assert bodies(brief) == {tile: png(str(tile)) for tile in planned(brief)}


def test_one_new_picture_for_many_places_does_not_replace_the_map(brief: Brief) -> None:
    """What "over quota" looks like: status 200, a sound picture, the same for every tile."""
    fill(brief, planned(brief))
    report, _ = refresh(brief, lambda *_: tile_answer(Tile(9, 9, 9)))
    kept = [tile for tile, body in bodies(brief).items() if body == png(str(tile))]
    assert len(kept) == len(planned(brief)) - 1
    assert not report.complete
    assert report.layers["survey"].refresh["failed"] == len(kept)
    [(reason, tiles)] = report.layers["survey"].troubles.items()
    assert "one new picture" in reason
    assert tiles == len(kept)


def test_a_sea_that_is_drawn_anew_replaces_the_old_sea_everywhere(brief: Brief) -> None:
    fill(brief, planned(brief), path="one blue for all")
    report, _ = refresh(brief, lambda *_: tile_answer(Tile(9, 9, 9)))
    assert report.complete
    assert set(bodies(brief).values()) == {png("9/9/9")}


def test_a_validator_that_no_header_can_hold_is_not_sent(brief: Brief) -> None:
    fill(brief, planned(brief), ('"a"\r\nX-Evil: 1', "caf\u00e9", None))
    report, transport = refresh(brief, lambda tile, *_: changed(tile))
    assert report.complete
    assert not any(transport.sent)


# ---------------------------------------------------------------------------------------- with a real server


def test_of_five_hundred_old_tiles_only_the_fifteen_that_changed_are_sent(
    brief_for: BriefMaker,
) -> None:
    with TileServer(edition=lambda path: 0) as server:
        brief = brief_for(server.url, area="box = [12.30, 46.90, 12.54, 47.06]\ndeepest = 15", connections=16)
        tiles = list(planned(brief))
        assert len(tiles) >= 500
        fill(brief, tiles[:500], path="/survey/{}.png")
        old = TileSet.from_tiles(tiles[:500])
        new = {f"/survey/{tile}.png" for tile in random.Random(3).sample(tiles[:500], 15)}
        server.edition = lambda path: int(path in new)
        told = lastbar("fetch", brief.path, "--json", "--refresh-older-than", "30d")
        counts = json.loads(told.stdout)["layers"]["survey"]["refresh"]
        assert server.statuses == {200: 15, 304: 485}
        assert {n for t, n in server.tiles_asked.items()} == {1}
        assert (counts["new"], counts["unchanged"], counts["left"]) == (15, 485, 0)
        for tile, body in bodies(brief).items():
            path = f"/survey/{tile}.png"
            assert body == png(f"{path} 1" if tile in old and path in new else path)


def test_killed_again_and_again_a_refresh_loses_no_tile_and_asks_for_no_renewed_one_again(
    brief_for: BriefMaker,
) -> None:
    chance = random.Random(9)
    with TileServer(delay_s=0.004, edition=lambda path: zlib.crc32(path.encode()) % 2) as server:
        brief = brief_for(server.url, area="box = [12.30, 47.00, 12.38, 47.14]\ndeepest = 16")
        tiles = planned(brief)
        fill(brief, tiles, path="/survey/{}.png")
        either = {t: {png(f"/survey/{t}.png"), png(f"/survey/{t}.png 1")} for t in tiles}
        kills = 0
        for number in range(KILLS):
            before, so_far = server.tiles_asked, sum(server.tiles_asked.values())
            renewed = _renewed(brief)
            wanted = so_far + chance.randint(0, 2 * len(tiles) // KILLS)
            server.hold_after(wanted + 8)  # so that no refresh gets far ahead of its kill
            process = start(fetch_in_batches, str(brief.path), 16, 86400.0)
            process.ended_before(server.reached(wanted))
            kills += process.kill()
            assert not (server.tiles_asked - before).keys() & renewed, number
            now = bodies(brief)
            assert now.keys() == set(tiles), number
            assert all(body in either[tile] for tile, body in now.items()), number
        assert kills >= KILLS * 3 // 4
        server.hold_after(None)
        assert start(fetch_in_batches, str(brief.path), 16, 86400.0).wait() == 0
        for tile, body in bodies(brief).items():
            path = f"/survey/{tile}.png"
            assert body == png(f"{path} 1" if zlib.crc32(path.encode()) % 2 else path)


def _renewed(brief: Brief) -> set[str]:
    db = sqlite3.connect(pack_of(brief))
    rows = db.execute(
        "SELECT zoom_level, tile_column, tile_row FROM placement WHERE fetched > ?", (OLD,)
    ).fetchall()
    db.close()
    return {f"{z}/{x}/{(1 << z) - 1 - row}" for z, x, row in rows}
