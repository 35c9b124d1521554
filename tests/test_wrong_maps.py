"""Whatever is wrong with a layer's address or server: no READY, a sentence that helps, and nothing handed over.

Each case is a fetch from a server that answers by a rule, a verify of what came, and a handover that is tried.
"""

from __future__ import annotations

import functools
import hashlib
import io
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from packer.cli import run_handover, run_verify
from packer.cli.run_fetch import exit_code
from packer.errors import LastbarError
from packer.fetching.transports import Response
from packer.geometry.grid import tile_bounds, tms_row
from packer.geometry.tileset import Tile, TileSet
from packer.handover.manifest import read_manifest
from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.proof.below_floor import below_floor
from packer.proof.proving import verify
from packer.proof.results import Verdict
from packer.store.one_picture import one_picture_on_board
from packer.store.reader import TileReader
from tests.fakes import no_tile
from tests.test_address_trial import BASE, RIGHT, Server, fetched

BRIEF = """
title = "Ketterling Basin reconnaissance"
contact = "maps@example.org"
[layers.relief]
url = "{url}"
attribution = "Survey"
permission = "Own server"
zooms = [0, 14]
requests-per-second = 100000
[overview]
margin = "1 km"
deepest = 9
[[areas]]
name = "camp"
point = [12.5012, 47.1023]
radius = "2500 m"
deepest = 14
[[areas]]
name = "spring"
point = [12.62, 47.16]
radius = "700 m"
deepest = 13
at-least = 12
"""


@functools.lru_cache(maxsize=2000)
def ground(tile: Tile) -> bytes:
    """A made-up ground that goes on from tile to tile, with some texture at every zoom; cheaper than a survey's."""
    x, y = (np.arange(256) / 256 + n for n in (tile.x, tile.y))
    waves = np.sin(2.3 * x + tile.zoom) + np.outer(np.sin(1.7 * y), np.cos(1.1 * x))
    out = io.BytesIO()
    Image.fromarray((128 + 50 * waves).astype(np.uint8)).save(out, "PNG", compress_level=1)
    return out.getvalue()


def serving(tile_of: Callable[[int, int, int], tuple[int, int, int]], ending: str = "png") -> Server:
    """A server that takes the numbers of an address in its own way."""

    def server(url: str) -> Response:
        stem, _, found = url.rpartition(".")
        zoom, x, y = tile_of(*map(int, stem.split("/")[-3:]))
        if found != ending or not 0 <= zoom <= 15 or not (0 <= x < 1 << zoom and 0 <= y < 1 << zoom):
            return no_tile(404)
        return picture(Tile(zoom, x, y))

    return server


def picture(tile: Tile) -> Response:
    body = ground(tile)
    return Response(200, {"content-type": "image/png", "content-length": str(len(body))}, body)


@dataclass(frozen=True)
class Case:
    """`server` answers a layer with the address `url`; the fetch has to say `fetch`, the proof `proof`."""

    server: Server
    url: str = RIGHT
    fetch: str = ""
    proof: str = ""


def lacking(gone: Callable[[Tile], bool]) -> Server:
    """The right server, but for some tiles."""

    def server(url: str) -> Response:
        zoom, x, y = map(int, url.removesuffix(".png").split("/")[-3:])
        return no_tile(404) if gone(Tile(zoom, x, y)) else picture(Tile(zoom, x, y))

    return server


CASES = {
    "wrong order of the placeholders": Case(
        serving(lambda z, x, y: (z, x, y)),
        BASE + "{x}/{y}/{z}.png",
        fetch="the order {z}/{x}/{y}",
        proof="missing",
    ),
    "rows from the bottom": Case(
        serving(lambda z, x, y: (z, x, tms_row(z, y))),
        fetch="rows counted from the bottom",
        proof="rows counted from the bottom",
    ),
    "column and row exchanged": Case(
        serving(lambda z, x, y: (z, x, y)),
        BASE + "{z}/{y}/{x}.png",
        fetch="column and row exchanged",
        proof="column and row exchanged",
    ),
    "zoom shifted by one": Case(serving(lambda z, x, y: (z - 1, x, y)), fetch="one higher", proof="missing"),
    "wrong suffix": Case(serving(lambda z, x, y: (z, x, y), "jpg"), fetch="the ending .jpg", proof="missing"),
    "half the region absent": Case(
        lacking(lambda t: t.zoom > 8 and tile_bounds(*t).west < 12.5),
        fetch="camp: relief",
        proof="camp, relief: below its floor, zoom 9",
    ),
    "deep zooms absent": Case(
        lacking(lambda t: t.zoom > 10),
        fetch="spring: relief to zoom 10 of 13 asked",
        proof="spring, relief: below its floor, zoom 12",
    ),
    "one area absent": Case(
        lacking(lambda t: t.zoom > 9 and tile_bounds(*t).west > 12.56),
        fetch="spring: relief",
        proof="spring, relief: below its floor, zoom 12",
    ),
    "one placeholder everywhere": Case(
        lambda _url: picture(Tile(0, 0, 0)),
        fetch="one and the same picture",
        proof="one and the same picture",
    ),
}


@pytest.mark.parametrize("name", list(CASES))
def test_a_wrong_map_is_never_ready_and_the_fetch_and_the_proof_say_what_helps(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    case = CASES[name]
    (tmp_path / "brief.toml").write_text(BRIEF.format(url=case.url), encoding="utf-8")
    brief = Brief.read(tmp_path)
    worked_out = plan(brief)
    report = fetched(brief, case.server)
    below = below_floor(brief, worked_out, None) if report.complete else []
    told = " ".join([*(la.failure or "" for la in report.layers.values()), *report.remarks, *below])
    assert exit_code(report, below) == 1
    assert case.fetch in told

    assert run_verify.run(brief.path, None, False) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "NOT READY" in said
    assert "READY WITH" not in said
    assert case.proof in said

    with pytest.raises(LastbarError):
        run_handover.run(brief.path, None, tmp_path / "card", "mbtiles", None, None, False, True)
    assert not (tmp_path / "card").exists() or not list((tmp_path / "card").iterdir())


def test_a_card_with_a_wrong_map_that_was_asked_for_says_so(tmp_path: Path) -> None:
    (tmp_path / "brief.toml").write_text(BRIEF.format(url=RIGHT), encoding="utf-8")
    brief = Brief.read(tmp_path)
    fetched(brief, lambda _url: picture(Tile(0, 0, 0)))
    run_handover.run(brief.path, None, tmp_path / "card", "mbtiles", None, None, True, True)
    card = " ".join((tmp_path / "card" / "ON THIS CARD.txt").read_text(encoding="utf-8").split())
    assert "NOT COMPLETE: a layer does not show the ground that was planned" in card
    assert "relief: MOST LIKELY NOT A MAP OF THIS GROUND" in card
    assert not read_manifest(tmp_path / "card").complete


def test_the_right_address_of_a_whole_map_is_ready(tmp_path: Path) -> None:
    (tmp_path / "brief.toml").write_text(BRIEF.format(url=RIGHT), encoding="utf-8")
    brief = Brief.read(tmp_path)
    report = fetched(brief, serving(lambda z, x, y: (z, x, y)))
    assert exit_code(report, below_floor(brief, plan(brief), None)) == 0
    assert verify(brief, plan(brief), processes=1).ready


def test_one_picture_at_deep_zooms_alone_is_told_and_leaves_the_map_ready(tmp_path: Path) -> None:
    """Such as sea or desert, which have no more to show."""
    (tmp_path / "brief.toml").write_text(BRIEF.format(url=RIGHT), encoding="utf-8")
    brief = Brief.read(tmp_path)

    def server(url: str) -> Response:
        zoom, x, y = map(int, url.removesuffix(".png").split("/")[-3:])
        return picture(Tile(zoom, x, y) if zoom < 12 else Tile(0, 0, 0))

    report = fetched(brief, server)
    assert exit_code(report, below_floor(brief, plan(brief), None)) == 0
    found = verify(brief, plan(brief), processes=1)
    assert found.verdict is Verdict.READY_WITH_WARNINGS
    assert any("at every place from zoom 12 on" in text for text in found.warnings)


def test_one_picture_at_many_places_of_an_area_is_told_with_the_area_and_how_to_name_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Such as a layer of waters over dry ground, whose tiles are all transparent there."""
    (tmp_path / "brief.toml").write_text(BRIEF.format(url=RIGHT), encoding="utf-8")
    brief = Brief.read(tmp_path)

    def server(url: str) -> Response:
        zoom, x, y = map(int, url.removesuffix(".png").split("/")[-3:])
        return picture(Tile(zoom, x, y) if zoom < 10 or x % 3 == 0 else Tile(0, 0, 0))

    fetched(brief, server)
    found = verify(brief, plan(brief), processes=1)
    assert found.verdict is Verdict.READY_WITH_WARNINGS
    (told,) = [text for text in found.warnings if "one picture" in text]
    assert f'blank = ["{hashlib.sha256(ground(Tile(0, 0, 0))).hexdigest()}"]' in told
    camp = next(area.tiles for area in plan(brief).layers["relief"].areas if area.name == "camp")
    deepest = list(camp.at(12, 13, 14))
    same = sum(tile.x % 3 != 0 for tile in deepest)
    assert f"camp ({same} of {len(deepest)} tiles compared, zooms 12 to 14)" in told
    run_verify.run(brief.path, None, False)
    screen = capsys.readouterr().out
    assert len(screen.splitlines()) <= 23
    assert (
        screen.split("Warnings")[1]
        .splitlines()[1]
        .startswith("- relief: the map may show nothing in part of")
    )
    run_handover.run(brief.path, None, tmp_path / "card", "mbtiles", None, None, False, True)
    card = " ".join((tmp_path / "card" / "ON THIS CARD.txt").read_text(encoding="utf-8").split())
    assert (
        f"but {same} of {len(deepest)} tiles compared are one picture: open water, or no map there." in card
    )


def test_a_layer_that_lies_over_another_may_be_see_through_at_many_places(tmp_path: Path) -> None:
    marks = """[layers.marks]
url = "{}/marks/{{z}}/{{x}}/{{y}}.png"
attribution = "Survey"
permission = "Own server"
zooms = [0, 14]
requests-per-second = 100000
over = "relief"
[overview]"""
    text = BRIEF.format(url=RIGHT).replace("[overview]", marks.format(BASE))
    (tmp_path / "brief.toml").write_text(text, encoding="utf-8")
    brief = Brief.read(tmp_path)

    def server(url: str) -> Response:
        zoom, x, y = map(int, url.removesuffix(".png").split("/")[-3:])
        return picture(Tile(0, 0, 0) if "marks" in url and x % 3 else Tile(zoom, x, y))

    fetched(brief, server)
    found = verify(brief, plan(brief), processes=1)
    assert found.ready
    assert not any("one picture" in text for text in found.warnings)


def test_a_pond_or_two_in_an_area_are_not_told(tmp_path: Path) -> None:
    (tmp_path / "brief.toml").write_text(BRIEF.format(url=RIGHT), encoding="utf-8")
    brief = Brief.read(tmp_path)

    def server(url: str) -> Response:
        zoom, x, y = map(int, url.removesuffix(".png").split("/")[-3:])
        return picture(Tile(0, 0, 0) if zoom > 9 and (x + 3 * y) % 9 == 0 else Tile(zoom, x, y))

    fetched(brief, server)
    assert not any("one picture" in text for text in verify(brief, plan(brief), processes=1).warnings)


def test_a_pack_of_few_tiles_says_nothing_of_one_picture(tmp_path: Path) -> None:
    assert one_picture_on_board(TileReader(tmp_path / "none.mbtiles"), TileSet()) is None
