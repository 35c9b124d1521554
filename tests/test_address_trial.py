"""An address that is probably wrong: each likely slip is found out, said, and nothing of it is noted as missing."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from packer import Brief, plan
from packer.content.seams import Lie
from packer.fetching.answers.judging import judge
from packer.fetching.answers.outcome import Outcome, TileRules
from packer.fetching.hosts.address_trial import (
    AddressTrial,
    Finding,
    trial_tiles,
    try_address,
    zooms_that_answer,
)
from packer.fetching.hosts.source import LIMIT_BYTES
from packer.fetching.reports import FetchReport
from packer.fetching.run import run_fetch
from packer.fetching.transports import Response, Result
from packer.geometry.grid import tms_row
from packer.geometry.tileset import Tile
from packer.practice.layers import Survey
from packer.proof.proving import verify
from packer.proof.results import Depth
from packer.sources.address import Address
from packer.store.pack_summary import read_summary
from packer.store.reader import tile_at
from packer.survey.inspection import judge_layer
from tests.fakes import ScriptedTransport, VirtualClock, no_tile

SURVEY = Survey()
LON, LAT = 12.5012, 47.1023
TILES = [tile_at(LON, LAT, zoom) for zoom in (8, 11, 13)]
Server = Callable[[str], Response]


def picture(tile: Tile) -> Response:
    found = SURVEY.tile("relief", *tile)
    if found is None or not max(tile.x, tile.y) < 1 << tile.zoom:
        return no_tile(404)
    return Response(200, {"content-type": "image/png", "content-length": str(len(found.body))}, found.body)


def numbers(url: str, ending: str = "png") -> tuple[int, int, int] | None:
    match = re.search(rf"/(\d+)/(\d+)/(\d+)\.{ending}$", url)
    return None if match is None else (int(match[1]), int(match[2]), int(match[3]))


def serving(tile_of: Callable[[int, int, int], tuple[int, int, int]], ending: str = "png") -> Server:
    def server(url: str) -> Response:
        found = numbers(url, ending)
        if found is None:
            return no_tile(404)
        zoom, x, y = tile_of(*found)
        if not 0 <= zoom <= 20 or not (0 <= x < 1 << zoom and 0 <= y < 1 << zoom):
            return no_tile(404)
        return picture(Tile(zoom, x, y))

    return server


def tried(template: str, server: Server, tiles: list[Tile] = TILES) -> AddressTrial:
    async def ask(template: str, shift: int, tile: Tile) -> Outcome:
        matrices = {tile.zoom: str(tile.zoom + shift)} if shift else None
        answer = server(Address(template, (), matrices).url(tile))
        return judge(answer, TileRules(None, "t.example.org:443", LIMIT_BYTES, None), 0.0)

    return asyncio.run(try_address(template, tiles, ask))


BASE = "https://t.example.org/relief/"
RIGHT = BASE + "{z}/{x}/{y}.png"


@pytest.mark.parametrize(
    ("given", "server", "finding", "slip", "better"),
    [
        (RIGHT, serving(lambda z, x, y: (z, x, y)), Finding.FITS, None, None),
        (BASE + "{x}/{y}/{z}.png", serving(lambda z, x, y: (z, x, y)), Finding.NO_PICTURE, "order", RIGHT),
        (
            RIGHT,
            serving(lambda z, x, y: (z, x, y), "jpg"),
            Finding.NO_PICTURE,
            "ending .jpg",
            BASE + "{z}/{x}/{y}.jpg",
        ),
        (
            RIGHT,
            serving(lambda z, x, y: (z, x, tms_row(z, y))),
            Finding.WRONG_WAY,
            "rows counted from the bottom",
            BASE + "{z}/{x}/{-y}.png",
        ),
        (
            BASE + "{z}/{y}/{x}.png",
            serving(lambda z, x, y: (z, x, y)),
            Finding.WRONG_WAY,
            "column and row exchanged",
            RIGHT,
        ),
        (RIGHT, serving(lambda z, x, y: (z - 1, x, y)), Finding.NO_PICTURE, "one higher", RIGHT),
        (RIGHT, lambda _url: no_tile(404), Finding.NO_PICTURE, None, None),
        (RIGHT, lambda _url: picture(Tile(0, 0, 0)), Finding.ONE_PICTURE, None, None),
        (RIGHT, lambda _url: no_tile(403), Finding.NOT_ASKED, None, None),
    ],
    ids=["right", "order", "ending", "bottom", "exchanged", "shifted", "nothing", "one picture", "refused"],
)
def test_each_slip_is_found_and_mended(
    given: str, server: Server, finding: Finding, slip: str | None, better: str | None
) -> None:
    found = tried(given, server)
    assert (found.finding, found.better) == (finding, better), found
    assert (slip or "") in (found.slip or "")
    assert found.requests < 80
    assert found.sentences
    if finding is Finding.FITS:
        assert (found.lie, found.kind and found.kind.value, found.side_px) == (Lie.AS_ASKED, "png", 256)


def test_the_zooms_that_answer_are_found_in_few_requests() -> None:
    asked: list[Tile] = []

    async def ask(template: str, shift: int, tile: Tile) -> Outcome:
        asked.append(tile)
        answer = picture(tile) if 3 <= tile.zoom <= 16 else no_tile(404)
        return judge(answer, TileRules(None, "t.example.org:443", LIMIT_BYTES, None), 0.0)

    found = asyncio.run(zooms_that_answer(RIGHT, lambda z: tile_at(LON, LAT, z), 11, (0, 22), ask))
    assert found == (3, 16)
    assert len(asked) < 15


def test_trial_tiles_are_of_the_plan_and_deep_enough_to_tell(tmp_path: Path) -> None:
    worked_out = plan(brief_of(tmp_path, RIGHT))
    tiles = trial_tiles(worked_out.layers["relief"].tiles)
    assert all(tile in worked_out.layers["relief"].tiles for tile in tiles)
    assert min(tile.zoom for tile in tiles) >= 6


def brief_of(folder: Path, url: str) -> Brief:
    text = f"""title = "Trial"
contact = "maps@example.org"
[layers.relief]
url = "{url}"
attribution = "Survey"
permission = "Own server"
zooms = [0, 18]
requests-per-second = 100000
[[areas]]
name = "camp"
point = [{LON}, {LAT}]
radius = "1500 m"
deepest = 15
"""
    (folder / "brief.toml").write_text(text, encoding="utf-8")
    return Brief.read(folder)


class UrlTransport(ScriptedTransport):
    """Answers by the whole address."""

    server: Server

    async def fetch(
        self, url: str, headers: Mapping[str, str], deadline_s: float, limit_bytes: int
    ) -> Result:
        await self.clock.sleep(0.01)
        return no_tile(404) if url.endswith("/robots.txt") else self.server(url)


def fetched(brief: Brief, server: Server) -> FetchReport:
    async def go() -> FetchReport:
        async with VirtualClock() as clock:
            transport = UrlTransport(clock, lambda *_: no_tile(404))
            transport.server = server
            return await run_fetch(brief, plan(brief), clock=clock, make_transport=transport, environment={})

    return asyncio.run(go())


@pytest.mark.parametrize(
    ("url", "server", "advice"),
    [
        (BASE + "{x}/{y}/{z}.png", serving(lambda z, x, y: (z, x, y)), "the order {z}/{x}/{y}"),
        (RIGHT, serving(lambda z, x, y: (z, x, y), "jpg"), "the ending .jpg"),
    ],
    ids=["order", "ending"],
)
def test_a_fetch_stops_early_says_the_slip_and_notes_nothing_as_missing(
    tmp_path: Path, url: str, server: Server, advice: str
) -> None:
    brief = brief_of(tmp_path, url)

    report = fetched(brief, server)
    layer = report.layers["relief"]
    assert not report.complete
    assert advice in (layer.failure or "")
    assert layer.absent == 0
    assert not read_summary(brief.store_folder / "relief.mbtiles").absent
    assert layer.requests < layer.planned


@pytest.mark.parametrize("wrong", [True, False])
def test_pictures_that_do_not_fit_are_told_by_fetch_survey_and_verify(tmp_path: Path, wrong: bool) -> None:
    brief = brief_of(tmp_path, BASE + "{z}/{y}/{x}.png" if wrong else RIGHT)
    worked_out = plan(brief)
    report = fetched(brief, serving(lambda z, x, y: (z, x, y)))
    proof = verify(brief, worked_out, depth=Depth.QUICK, processes=1)
    assert proof.ready is not wrong
    told = [
        " ".join(report.remarks),
        " ".join(proof.reasons),
        " ".join(
            judge_layer(brief, worked_out.layers["relief"], worked_out.layers["relief"].tiles.at(8)).notices
        ),
    ]
    assert [("column and row exchanged" in text) for text in told] == [wrong] * 3, told
