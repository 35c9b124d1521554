"""Pictures of one's own in a layer: what is cut and kept, what READY makes of it, and a layer over another."""

from __future__ import annotations

import asyncio
import json
import re
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from packer.cli import run_take_in
from packer.content.digest import body_hash
from packer.content.payload import Kind
from packer.content.rasters.encoding import encoded, is_whole, pixels_of
from packer.content.rasters.picture_file import opened
from packer.errors import BriefError, InputError, LastbarError
from packer.fetching.hosts.source import labels
from packer.fetching.run import run_fetch
from packer.geometry.tileset import Tile, TileSet
from packer.handover.against import differences
from packer.handover.delivery import handover
from packer.handover.manifest import read_manifest
from packer.planning.brief import Brief
from packer.planning.pack_path import pack_path
from packer.planning.plan import Plan, plan
from packer.proof.below_floor import below_floor
from packer.proof.proving import verify
from packer.store.merging import merge_pack, take_in
from packer.store.pack_summary import read_summary
from packer.store.picture_marks import origin_mark
from packer.store.picture_taking import PictureJob, PictureTaken, take_picture
from packer.store.records import Absent, Received
from packer.store.writer import PackWriter
from tests.geotiffs import ground, write

SHA = "ab" * 32
BRIEF = """
title = "Drone morning"
overview = false
[layers.aerial]
url = "http://127.0.0.1:9/{{z}}/{{x}}/{{y}}.{format}"
attribution = "Test Survey (invented)"
permission = "Own server"
zooms = [9, 19]
[layers.drone]
pictures = true
attribution = "Own"
permission = "Own"
zooms = [9, 20]
{over}
[[areas]]
name = "search"
box = [13.6845, 46.9400, 13.6950, 46.9450]
deepest = {{ aerial = 15, drone = 16 }}
{area}
"""
DATE = 1_790_000_000


def brief_at(folder: Path, over: str = 'over = "aerial"', area: str = "", form: str = "png") -> Brief:
    path = folder / "brief.toml"
    path.write_text(BRIEF.format(over=over, area=area, format=form), encoding="utf-8")
    return Brief.read(path)


@pytest.fixture(scope="module")
def picture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """600 m of ground, of which the south-western quarter is nodata; its middle lies in the area."""
    bands = ground(300, 300).copy()
    bands[:, 150:, :150] = 0
    return write(tmp_path_factory.mktemp("pictures") / "morning.tif", bands, pixel=2.0, nodata=0)


def job_for(brief: Brief, asked: Plan, layer: str, path: Path, **more: Any) -> PictureJob:
    with opened(path) as found:
        facts = found.facts
    planned = asked.layers[layer].tiles
    wanted = TileSet.union(
        planned.at(z) & facts.tiles(z) for z in planned.zooms if z <= facts.native_zoom(256)
    )
    own = brief.layers[layer].pictures
    return PictureJob(path, SHA, wanted, planned, Kind.PNG, 256, fills_layer=own, **more)


def taken(
    brief: Brief,
    layer: str,
    path: Path,
    on_progress: Callable[[str, int, int], None] = lambda _doing, _done, _all: None,
    store: Path | None = None,
    sha: str = SHA,
    **more: bool,
) -> PictureTaken:
    asked = plan(brief)
    said = labels(brief, asked, brief.layers[layer], "png", "morning.tif, 2026-11-30", origin_mark(sha))
    job = replace(job_for(brief, asked, layer, path, **more), sha256=sha)
    return asyncio.run(take_picture(pack_path(brief, layer, store), said, job, on_progress))


def flat(colour: int) -> npt.NDArray[np.uint8]:
    pixels = np.full((256, 256, 4), 255, np.uint8)
    pixels[..., :3] = colour
    pixels[::32, :, :3] = 255 - colour
    return pixels


def fill(brief: Brief, layer: str = "aerial", keep: Callable[[Tile], bool] = lambda _tile: True) -> None:
    """A pack with a tile at every planned place, as a fetch leaves it."""
    asked = plan(brief)
    kind = "jpg" if brief.layers[layer].url.endswith(".jpg") else "png"

    async def go() -> None:
        said = labels(brief, asked, brief.layers[layer], kind, "host", "mark")
        async with PackWriter(pack_path(brief, layer), said) as pack:
            batch = []
            for tile in filter(keep, asked.layers[layer].tiles):
                data = encoded(flat((tile.x * 7 + tile.y * 13) % 120 + 60), Kind(kind))
                batch.append(Received(tile, data, body_hash(data), kind, DATE))
            await pack.write(batch)

    asyncio.run(go())


def bodies(pack: Path) -> dict[tuple[int, int, int], tuple[bytes, str | None]]:
    with sqlite3.connect(pack) as db:
        rows = db.execute(
            "SELECT zoom_level, tile_column, tile_row, data, etag FROM placement JOIN blob ON blob.id = blob_id"
        )
        return {(z, x, row): (data, etag) for z, x, row, data, etag in rows}


# ------------------------------------------------------------------------------------------------- cutting


def test_a_cut_that_breaks_off_goes_on_and_ends_as_one_run_would(
    tmp_path: Path, picture: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("packer.store.picture_taking._BATCH", 1)
    brief = brief_at(tmp_path)
    whole = tmp_path / "whole"
    taken(brief, "drone", picture, store=whole)

    class BrokenOffError(Exception):
        pass

    def break_at(limit: int) -> Callable[[str, int, int], None]:
        def look(doing: str, done: int, _every: int) -> None:
            if doing == "tiles" and done >= limit:
                raise BrokenOffError

        return look

    for limit in (2, 3):
        with pytest.raises(BrokenOffError):
            taken(brief, "drone", picture, break_at(limit))
        pack = pack_path(brief, "drone")
        assert bodies(pack)
        assert verify(brief, plan(brief)).verdict.value == "NOT READY"
    before = bodies(pack)
    last = taken(brief, "drone", picture)
    assert bodies(pack) == bodies(pack_path(brief, "drone", whole))
    assert {place: bodies(pack)[place] for place in before} == before
    assert last.kept == len(before)
    assert not list(pack.parent.glob(".*.pixels"))


def test_a_picture_fills_what_is_missing_and_leaves_what_is_stored(tmp_path: Path, picture: Path) -> None:
    brief = brief_at(tmp_path)
    fill(brief, keep=lambda tile: tile.zoom < 15)
    before = bodies(pack_path(brief, "aerial"))
    found = taken(brief, "aerial", picture)
    after = bodies(pack_path(brief, "aerial"))
    assert {place: after[place] for place in before} == before
    assert found.laid == 0
    wanted = job_for(brief, plan(brief), "aerial", picture).wanted
    assert found.kept == sum(_place(tile) in before for tile in wanted)
    # On a layer with a server no tile is stored that shows its ground in part.
    assert all(is_whole(pixels_of(data)) for place, (data, _) in after.items() if place not in before)
    assert found.waiting > 0


def _place(tile: Tile) -> tuple[int, int, int]:
    return tile.zoom, tile.x, (1 << tile.zoom) - 1 - tile.y


def test_over_lays_the_picture_on_stored_tiles_and_keeps_what_it_does_not_show(
    tmp_path: Path, picture: Path
) -> None:
    brief = brief_at(tmp_path)
    fill(brief)
    before = bodies(pack_path(brief, "aerial"))
    found = taken(brief, "aerial", picture, over=True)
    after = bodies(pack_path(brief, "aerial"))
    assert found.waiting == 0
    assert found.laid > 0
    changed = [place for place in after if after[place] != before[place]]
    assert set(changed) <= set(map(_place, job_for(brief, plan(brief), "aerial", picture).wanted))
    joined = 0
    for place in changed:
        old, new = pixels_of(before[place][0]), pixels_of(after[place][0])
        assert is_whole(new)
        joined += 0 < (old == new).all(axis=2).mean() < 1
    assert joined
    again = taken(brief, "aerial", picture, over=True)
    assert bodies(pack_path(brief, "aerial")) == after
    assert again.cut == again.laid == 0


def test_a_second_picture_fills_what_the_first_left_transparent(tmp_path: Path, picture: Path) -> None:
    brief = brief_at(tmp_path)
    taken(brief, "drone", picture)
    pack = pack_path(brief, "drone")
    first = bodies(pack)
    rest = write(tmp_path / "noon.tif", ground(300, 300, seed=2), pixel=2.0)
    asked = plan(brief)
    said = labels(brief, asked, brief.layers["drone"], "png", "noon.tif, 2026-11-30", origin_mark("cd" * 32))
    job = job_for(brief, asked, "drone", rest)
    job = PictureJob(rest, "cd" * 32, job.wanted, job.planned, Kind.PNG, 256, fills_layer=True)
    found = asyncio.run(take_picture(pack, said, job))
    assert found.laid > 0
    for place, (data, _) in first.items():
        old, new = pixels_of(data), pixels_of(bodies(pack)[place][0])
        shown = old[..., 3] == 255
        assert (new[shown] == old[shown]).all()
    assert len(read_summary(pack).pictures) == 2


def test_a_second_picture_that_breaks_off_leaves_its_tiles_missing(tmp_path: Path, picture: Path) -> None:
    """What the first picture does not show was noted as absent; the second one is about to bring it."""
    brief = brief_at(tmp_path)
    west = write(tmp_path / "west.tif", ground(100, 100), pixel=2.0)
    taken(brief, "drone", west, sha="ef" * 32)
    pack = pack_path(brief, "drone")
    assert read_summary(pack).absent & job_for(brief, plan(brief), "drone", picture).wanted

    def stop(doing: str, _done: int, _every: int) -> None:
        if doing == "tiles":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        taken(brief, "drone", picture, stop)
    summary = read_summary(pack)
    assert summary.lacking(job_for(brief, plan(brief), "drone", picture).wanted)
    assert verify(brief, plan(brief)).layers["drone"].counts.missing


def test_a_refresh_does_not_ask_a_server_for_tiles_of_a_picture(tmp_path: Path, picture: Path) -> None:
    brief = brief_at(tmp_path)
    fill(brief)
    taken(brief, "aerial", picture, over=True)
    marked = {place for place, (_, etag) in bodies(pack_path(brief, "aerial")).items() if etag}
    assert marked

    async def old() -> tuple[TileSet, TileSet]:
        said = labels(brief, plan(brief), brief.layers["aerial"], "png", "host", "mark")
        async with PackWriter(pack_path(brief, "aerial"), said) as pack:
            assert pack.other_hosts == ()
            return pack.held, await pack.stale_tiles(4e9, 4e9)

    held, stale = asyncio.run(old())
    assert {_place(tile) for tile in held - stale} == marked


def test_marks_and_origins_go_along_when_packs_are_merged(tmp_path: Path, picture: Path) -> None:
    brief = brief_at(tmp_path)
    taken(brief, "drone", picture)
    pack = pack_path(brief, "drone")
    other = tmp_path / "other" / "drone.mbtiles"
    merge_pack(other, pack)
    assert bodies(other) == bodies(pack)
    assert read_summary(other).pictures == read_summary(pack).pictures
    assert read_summary(other).partial == read_summary(pack).partial != TileSet()


# ------------------------------------------------------------------------------------------- what READY says


def test_a_picture_layer_is_missing_until_cut_and_then_lacks_what_no_picture_shows(
    tmp_path: Path, picture: Path
) -> None:
    brief = brief_at(tmp_path)
    fill(brief)
    found = verify(brief, plan(brief))
    assert not found.ready
    assert any("no picture was taken in yet" in reason for reason in found.reasons)
    taken(brief, "drone", picture)
    found = verify(brief, plan(brief))
    assert found.ready, found.reasons
    assert found.layers["drone"].counts.absent > 0
    assert found.layers["drone"].pictures == (f"morning.tif, 2026-11-30, SHA-256 {SHA[:12]}",)
    assert not any("drone" in warning for warning in found.warnings)


def test_a_tile_at_the_edge_of_a_picture_does_not_reach_a_floor(tmp_path: Path, picture: Path) -> None:
    """An area that only partial tiles touch at its deepest zoom holds nothing by them."""
    brief = brief_at(tmp_path, over="", area="at-least = { aerial = 12, drone = 12 }")
    fill(brief)
    taken(brief, "drone", picture)
    assert read_summary(pack_path(brief, "drone")).partial
    found = verify(brief, plan(brief))
    assert not found.ready
    assert not found.reaches_floors
    (depth,) = (d for d in found.depths if d.layer == "drone")
    assert depth.held is None


def test_a_layer_over_another_has_no_floor_of_its_own_and_lends_the_lower_one_nothing(
    tmp_path: Path, picture: Path
) -> None:
    brief = brief_at(tmp_path)
    assert {la.name: la.areas[0].floor for la in plan(brief).layers.values()} == {"aerial": 12, "drone": None}
    named = brief_at(tmp_path, area="at-least = { drone = 14 }")
    assert plan(named).layers["drone"].areas[0].floor == 14
    brief = brief_at(tmp_path)
    fill(brief, keep=lambda tile: tile.zoom < 12)
    taken(brief, "drone", picture)
    found = verify(brief, plan(brief))
    assert not found.ready  # the drone shows some of that ground, and a device may show one layer at a time


def test_a_fetch_asks_no_server_for_a_layer_of_pictures_and_says_that_it_is_not_cut(tmp_path: Path) -> None:
    brief = brief_at(tmp_path)
    text = brief.path.read_text(encoding="utf-8")
    brief = Brief.from_text(
        re.sub(r"\[layers.aerial].*?(?=\[layers.drone])", "", text, flags=re.DOTALL)
        .replace('over = "aerial"', "")
        .replace("aerial = 15, ", ""),
        brief.path,
    )
    report = asyncio.run(run_fetch(brief, plan(brief), environment={}))
    assert (report.complete, report.layers) == (True, {})
    assert any("own pictures not cut yet" in sentence for sentence in below_floor(brief, plan(brief), None))


# ------------------------------------------------------------------------------------------------ the brief


@pytest.mark.parametrize(
    ("over", "sentence"),
    [
        ('over = "areal"', "which is not a layer of this brief"),
        ('over = "drone"', "names the layer itself"),
        ('url = "https://x.example/{z}/{x}/{y}.png"', "url does not go with pictures = true"),
        ("connections = 3", "connections does not go with pictures = true"),
        ('format = "jpg"', "where a picture ends its tiles are transparent"),
    ],
)
def test_a_layer_of_pictures_with_what_it_cannot_have_is_refused(
    over: str, sentence: str, tmp_path: Path
) -> None:
    with pytest.raises(BriefError, match=sentence):
        brief_at(tmp_path, over=over)


# ------------------------------------------------------------------------------------------- the command


def test_the_command_says_what_a_picture_is_and_asks_before_it_begins(
    tmp_path: Path, picture: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    brief = brief_at(tmp_path)
    code = run_take_in.run(brief.path, "drone", [picture], None, False, False, False)
    said = capsys.readouterr().out
    assert code == 1
    for words in ("610 m wide", 'in area "search"', "each 2 m on the ground", "WGS 84 / UTM zone 33N",
                  "where the value is 0", "Worth cutting to zoom 15", "The brief asks for zoom 16",
                  "To cut:", "--yes"):  # fmt: skip
        assert words in said
    assert max(map(len, said.splitlines())) <= 80
    assert not pack_path(brief, "drone").exists()
    assert run_take_in.run(brief.path, "drone", [picture], None, True, False, True) == 0
    found = json.loads(capsys.readouterr().out)["pictures"][0]
    assert found["cut"] > 0
    assert found["native_zoom"] == 15


def test_a_picture_off_the_plan_is_refused_with_its_place(tmp_path: Path) -> None:
    brief = brief_at(tmp_path)
    away = write(tmp_path / "away.tif", ground(300, 300), corner=(500_000, 5_300_000))
    with pytest.raises(InputError, match=r"shows no tile that .* km away"):
        run_take_in.run(brief.path, "drone", [away], None, True, False, True)
    assert not pack_path(brief, "drone").exists()


# ------------------------------------------------------------------------------- GeoPackage, and the blend


def test_a_geopackage_that_was_handed_over_comes_back_tile_by_tile(tmp_path: Path) -> None:
    brief = brief_at(tmp_path, over='over = "aerial"')
    asked = plan(brief)
    fill(brief)
    card = tmp_path / "card"
    handover(brief, asked, None, card, as_="gpkg", allow_gaps=True)
    into = tmp_path / "back" / "aerial.mbtiles"
    said = labels(brief, asked, brief.layers["aerial"], "png", "taken in", "taken in")
    found = take_in(into, said, card / "aerial.gpkg", 256)
    assert (found.taken, found.refused) == (len(asked.layers["aerial"].tiles), ())
    assert {p: b for p, (b, _) in bodies(into).items()} == {
        p: b for p, (b, _) in bodies(pack_path(brief, "aerial")).items()
    }


@pytest.mark.parametrize(
    ("statement", "sentence"),
    [
        ("UPDATE gpkg_tile_matrix_set SET srs_id = 4326", "another coordinate system than web maps"),
        (
            "UPDATE gpkg_tile_matrix SET pixel_x_size = pixel_x_size * 1.01",
            "zooms that are not those of web maps",
        ),
        ("UPDATE gpkg_tile_matrix_set SET min_x = min_x + 1000", "zooms that are not those of web maps"),
        ("DELETE FROM gpkg_contents", "GeoPackage without tiles"),
        ("DELETE FROM gpkg_tile_matrix_set", "does not say on which grid"),
    ],
)
def test_a_geopackage_on_another_grid_is_refused(statement: str, sentence: str, tmp_path: Path) -> None:
    brief = brief_at(tmp_path)
    asked = plan(brief)
    fill(brief, keep=lambda tile: tile.zoom < 12)
    card = tmp_path / "card"
    handover(brief, asked, None, card, as_="gpkg", allow_gaps=True)
    with sqlite3.connect(card / "aerial.gpkg") as db:
        db.execute("PRAGMA foreign_keys = OFF")
        db.execute(statement)
    db.close()
    into = tmp_path / "back.mbtiles"
    with pytest.raises(InputError, match=sentence):
        take_in(into, labels(brief, asked, brief.layers["aerial"], "png", "h", "m"), card / "aerial.gpkg")


def test_a_blend_shows_the_upper_layer_where_it_is_and_the_lower_elsewhere(
    tmp_path: Path, picture: Path
) -> None:
    brief = brief_at(tmp_path)
    asked = plan(brief)
    fill(brief)
    taken(brief, "drone", picture)
    lower, upper = bodies(pack_path(brief, "aerial")), bodies(pack_path(brief, "drone"))
    card = tmp_path / "card"
    report = handover(brief, asked, None, card, blend=True)
    assert report.complete
    entry = read_manifest(card).layers["aerial"]
    assert list(read_manifest(card).layers) == ["aerial"]
    assert entry.blended is not None
    assert (entry.blended.over, entry.blended.tiles) == (("drone",), len(upper))
    assert differences(read_manifest(card), brief, asked) == ()
    text = brief.path.read_text(encoding="utf-8").replace("drone = 16", "drone = 15")
    shallower = Brief.from_text(text, brief.path)
    (told,) = differences(read_manifest(card), shallower, plan(shallower))
    assert "has changed on drone" in told
    with sqlite3.connect(card / "aerial.mbtiles") as db:
        found = {(z, x, row): data for z, x, row, data in db.execute("SELECT * FROM tiles")}
    assert set(found) == set(lower) | set(upper)
    for place, data in found.items():
        pixels = pixels_of(data)
        if place not in upper:
            assert data == lower[place][0]
            continue
        top = pixels_of(upper[place][0])
        shown = top[..., 3] == 255
        assert (pixels[shown] == top[shown]).all()
        assert is_whole(pixels)
        if place in lower:
            below = top[..., 3] == 0
            assert (pixels[below] == pixels_of(lower[place][0])[below]).all()
    assert not [one.name for one in pack_path(brief, "aerial").parent.iterdir() if "blended" in one.name]


def test_a_blend_into_jpeg_is_jpeg_throughout_and_deeper_tiles_have_ground_below(
    tmp_path: Path, picture: Path
) -> None:
    brief = brief_at(tmp_path, form="jpg")
    fill(brief)
    taken(brief, "drone", picture)
    card = tmp_path / "card"
    handover(brief, plan(brief), None, card, blend=True, as_="gpkg")
    with sqlite3.connect(card / "aerial.gpkg") as db:
        found = db.execute("SELECT substr(tile_data, 1, 2), zoom_level FROM aerial").fetchall()
    assert {start for start, _ in found} == {b"\xff\xd8"}
    assert max(zoom for _, zoom in found) == 15


def test_a_blend_over_a_coarser_tile_does_not_make_the_card_deeper(tmp_path: Path, picture: Path) -> None:
    """Where the lower layer lacks a zoom, its coarser tile is enlarged below the picture: nothing to rely on."""
    brief = brief_at(tmp_path, area="at-least = { aerial = 15 }")
    fill(brief, keep=lambda tile: tile.zoom < 15)
    asked = plan(brief)

    async def none() -> None:
        said = labels(brief, asked, brief.layers["aerial"], "png", "host", "mark")
        async with PackWriter(pack_path(brief, "aerial"), said) as pack:
            await pack.write([Absent(tile, 404, DATE) for tile in asked.layers["aerial"].tiles.at(15)])

    asyncio.run(none())
    taken(brief, "drone", picture)
    with pytest.raises(LastbarError, match="not deep enough"):
        handover(brief, asked, None, tmp_path / "card", blend=True)
    report = handover(brief, asked, None, tmp_path / "card", blend=True, allow_gaps=True)
    assert not report.complete
    (area,) = read_manifest(tmp_path / "card").layers["aerial"].areas
    assert area.held == 14


def test_a_blend_without_all_of_the_upper_layer_or_with_nothing_to_blend_is_refused(
    tmp_path: Path, picture: Path
) -> None:
    brief = brief_at(tmp_path)
    fill(brief)
    with pytest.raises(InputError, match="nothing to blend"):
        handover(brief, plan(brief), None, tmp_path / "card", blend=True)
    taken(brief, "drone", picture)
    with sqlite3.connect(pack_path(brief, "drone")) as db:
        db.execute("DELETE FROM placement WHERE zoom_level = 14")
        db.execute("DELETE FROM snapshot")
    db.close()
    with pytest.raises(LastbarError, match='of layer "drone" not on board'):
        handover(brief, plan(brief), None, tmp_path / "card", blend=True)
    assert not (tmp_path / "card").exists()
