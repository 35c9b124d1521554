"""The practice survey: the same tiles for ever, whole at their seams, native or enlarged where it says so."""

from __future__ import annotations

import hashlib
import io
import subprocess
import sys
import tomllib
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image, ImageFile

from packer import Brief, plan
from packer.content.payload import Kind, examine
from packer.geometry.grid import x_at, y_at
from packer.geometry.shapes import Corridor
from packer.planning.shape_files import read_shape
from packer.practice import regions
from packer.practice.aerial import paint_aerial
from packer.practice.layers import LAYERS, Survey
from packer.practice.place import DATA, write_place
from packer.practice.relief import paint_relief
from packer.practice.terrain import RasterWindow, elevation
from scripts.trace_place import trace_course

Pixels = npt.NDArray[np.float64]

SURVEY = Survey()
TRACK = list(ET.parse(DATA / "course.gpx").iter("{http://www.topografix.com/GPX/1/1}trkpt"))
CAMP = {z: (int(float(x_at(12.5012)) * 2**z), int(float(y_at(47.1023)) * 2**z)) for z in range(20)}
SADDLE = {z: (int(float(x_at(12.505)) * 2**z), int(float(y_at(47.22)) * 2**z)) for z in range(20)}


def body(layer: str, zoom: int, x: int, y: int, survey: Survey = SURVEY) -> bytes:
    tile = survey.tile(layer, zoom, x, y)
    assert tile is not None
    return tile.body


def pixels(data: bytes) -> Pixels:
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB"), np.float64)


def detail(picture: Pixels) -> float:
    """The mean difference between neighbouring pixels."""
    return float(np.abs(np.diff(picture.mean(axis=2), axis=1)).mean())


def test_another_process_paints_the_same_bytes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        ImageFile, "MAXBLOCK", 65_536
    )  # Pillow's own: other tests may have written in smaller pieces
    where = [("aerial", 12, *CAMP[12]), ("aerial", 18, *CAMP[18]), ("relief", 14, *CAMP[14])]
    code = (
        "import hashlib; from packer.practice.layers import Survey; s = Survey()\n"
        f"for w in {where!r}: print(hashlib.sha256(s.tile(*w).body).hexdigest())"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.split() == [hashlib.sha256(body(*w)).hexdigest() for w in where]


@pytest.mark.parametrize("layer", list(LAYERS))
@pytest.mark.parametrize("zoom", [0, 5, 11, 15, 19])
def test_every_zoom_gives_a_whole_tile_of_the_layer_s_format(layer: str, zoom: int) -> None:
    kind, size_px = examine(body(layer, zoom, *CAMP[zoom]))
    assert (kind, size_px) == (Kind(LAYERS[layer].extension), (256, 256))


@pytest.mark.parametrize("paint", [paint_aerial, paint_relief])
@pytest.mark.parametrize("zoom", [11, 12, 15, 18])
def test_neighbours_meet_without_a_seam(paint: object, zoom: int) -> None:
    assert callable(paint)
    x, y = SADDLE[zoom]
    left, right, below = (np.asarray(paint(zoom, *at), np.float64) for at in ((x, y), (x + 1, y), (x, y + 1)))
    inside = np.abs(np.diff(left, axis=1)).mean(), np.abs(np.diff(left, axis=0)).mean()
    assert min(inside) > 0.3  # a blank picture would meet its neighbours too
    assert np.abs(right[:, 0] - left[:, -1]).mean() < 2 * inside[0] + 1
    assert np.abs(below[0] - left[-1]).mean() < 2 * inside[1] + 1


@pytest.mark.parametrize("zoom", [11, 12, 14, 17])
def test_the_ground_at_a_place_is_the_same_from_every_tile_and_nearly_so_from_every_zoom(zoom: int) -> None:
    x, y = SADDLE[zoom]
    parent = elevation(RasterWindow.of_tile(zoom, x, y)).height_m
    child = elevation(RasterWindow.of_tile(zoom + 1, 2 * x, 2 * y)).height_m
    halved = child.reshape(128, 2, 128, 2).mean(axis=(1, 3))
    assert np.abs(halved - parent[:128, :128]).mean() < 0.02 * np.ptp(parent) + 0.5
    wide = elevation(RasterWindow.of_tile(zoom, x, y, border_px=1)).height_m
    np.testing.assert_allclose(wide[1:-1, 1:-1], parent, atol=1e-2)
    beside = elevation(RasterWindow.of_tile(zoom, x + 1, y)).height_m
    np.testing.assert_allclose(wide[1:-1, -1], beside[:, 0], atol=1e-2)


def test_a_native_parent_is_its_children_at_half_size_and_they_add_detail() -> None:
    x, y = CAMP[16]
    parent = pixels(body("aerial", 16, x, y))
    children = np.zeros((512, 512, 3))
    for i in (0, 1):
        for j in (0, 1):
            children[256 * j : 256 * (j + 1), 256 * i : 256 * (i + 1)] = pixels(
                body("aerial", 17, 2 * x + i, 2 * y + j)
            )
    halved = children.reshape(256, 2, 256, 2, 3).mean(axis=(1, 3))
    assert np.abs(halved - parent).mean() < 12
    assert abs(halved.mean() - parent.mean()) < 5
    enlarged = np.asarray(
        Image.fromarray(parent.astype(np.uint8)).resize((512, 512), Image.Resampling.BICUBIC)
    )
    assert np.abs(children - enlarged).mean() > 2
    assert detail(children) > 1.2 * detail(enlarged.astype(np.float64))


@pytest.mark.parametrize(("zoom", "up"), [(16, 1), (18, 3), (19, 4)])
def test_west_of_the_line_a_deep_tile_is_its_ancestor_enlarged(zoom: int, up: int) -> None:
    x, y = regions.WEST.x1 << (zoom - 12), CAMP[zoom][1]
    ancestor = Image.fromarray(paint_aerial(15, x >> up, y >> up))
    side = 256 >> up
    left, top = (x % (1 << up)) * side, (y % (1 << up)) * side
    wanted = ancestor.resize((256, 256), Image.Resampling.BICUBIC, box=(left, top, left + side, top + side))
    assert np.abs(pixels(body("aerial", zoom, x, y)) - np.asarray(wanted, np.float64)).mean() < 4  # JPEG
    assert detail(pixels(body("aerial", zoom, x, y))) < 0.6 * detail(
        pixels(body("aerial", zoom, (regions.WEST.x1 + 1) << (zoom - 12), y))
    )


def test_east_of_the_line_imagery_ends_at_zoom_18() -> None:
    assert [regions.imagery_zoom(*CAMP[z], z) for z in (12, 18, 19)] == [18, 18, 18]
    x, y = CAMP[19]
    assert detail(pixels(body("aerial", 19, x, y))) < 0.8 * detail(pixels(body("aerial", 18, x >> 1, y >> 1)))


def test_the_no_data_picture_is_one_and_the_same_in_each_of_its_spots() -> None:
    spots = {body("aerial", b.zoom, b.x0, b.y0) for b in regions.NO_DATA}
    block = regions.NO_DATA[0]
    spots.add(body("aerial", block.zoom + 2, block.x1 * 4 + 3, block.y1 * 4 + 3))
    assert len(spots) == 1
    assert body("aerial", block.zoom, block.x0 - 1, block.y0) not in spots
    assert body("relief", block.zoom, block.x0, block.y0) not in spots


def test_the_gap_is_a_gap_of_the_aerial_layer_alone_and_starts_at_its_zoom() -> None:
    gap = regions.MISSING[0]
    assert SURVEY.tile("aerial", gap.zoom, gap.x0, gap.y0) is None
    assert SURVEY.tile("aerial", gap.zoom + 3, gap.x1 * 8 + 7, gap.y1 * 8 + 7) is None
    assert SURVEY.tile("aerial", gap.zoom, gap.x0 - 1, gap.y0) is not None
    assert SURVEY.tile("aerial", gap.zoom - 1, gap.x0 >> 1, gap.y0 >> 1) is not None
    assert SURVEY.tile("relief", gap.zoom, gap.x0, gap.y0) is not None


@pytest.mark.parametrize(
    ("layer", "zoom", "x", "y"),
    [
        ("aerial", 20, 0, 0),
        ("aerial", -1, 0, 0),
        ("aerial", 3, 8, 0),
        ("aerial", 3, 0, -1),
        ("other", 3, 0, 0),
    ],
)
def test_nothing_lies_off_the_grid(layer: str, zoom: int, x: int, y: int) -> None:
    assert SURVEY.tile(layer, zoom, x, y) is None


def test_a_revision_replaces_the_stated_share_of_tiles_and_each_replaced_body_differs() -> None:
    tiles = [(14, x, y) for x in range(8700, 8750) for y in range(5700, 5750)]
    changed = [t for t in tiles if regions.edition("aerial", *t, 1) == 1]
    assert len(changed) / len(tiles) == pytest.approx(regions.CHANGED_SHARE, abs=0.02)
    revised = Survey(revision=1)
    for t in changed[:3]:
        before, after = SURVEY.tile("aerial", *t), revised.tile("aerial", *t)
        assert before is not None
        assert after is not None
        assert before.etag != after.etag
        assert before.modified < after.modified
    same = next(t for t in tiles if t not in changed)
    assert revised.tile("aerial", *same) == SURVEY.tile("aerial", *same)


def test_the_cache_of_bodies_stays_within_its_bounds() -> None:
    survey = Survey(cache_bytes=30_000)
    for x in range(CAMP[15][0], CAMP[15][0] + 4):
        survey.tile("aerial", 15, x, CAMP[15][1])
    assert survey.kept("aerial", 15, *CAMP[15]) is None
    assert survey.kept("aerial", 15, CAMP[15][0] + 3, CAMP[15][1]) is not None


def test_the_course_is_a_walkable_track_of_thirty_kilometres(tmp_path: Path) -> None:
    brief = Brief.read(write_place(tmp_path))
    course = read_shape(brief, brief.areas[0])
    assert isinstance(course, Corridor)
    assert len(course.lines) == 1
    assert 1300 < len(course.lines[0]) < 1700
    assert 27_000 < course.length_m < 33_000
    assert {p.name for p in course.waypoints} > {"Ketterling Camp", "Ostrel Spring", "Hallin Saddle"}


def test_the_place_asks_for_a_demonstration_s_worth_of_tiles(tmp_path: Path) -> None:
    path = write_place(tmp_path, "http://127.0.0.1:9999/")
    assert tomllib.loads(path.read_text("utf-8"))["layers"]["relief"]["url"].startswith(
        "http://127.0.0.1:9999/relief/"
    )
    worked_out = plan(Brief.read(path))
    assert 1500 < worked_out.count < 3000
    aerial = list(worked_out.layers["aerial"].tiles)
    assert any(regions.is_missing(*t) for t in aerial)
    assert any(regions.is_no_data(*t) for t in aerial)
    assert any(z > regions.imagery_zoom(x, y, z) for z, x, y in aerial)


def test_writing_the_place_twice_gives_the_same_files(tmp_path: Path) -> None:
    first = write_place(tmp_path / "a").parent
    second = write_place(tmp_path / "b").parent
    names = sorted(p.name for p in first.iterdir())
    assert names == ["brief.toml", "course.gpx", "sectors.geojson"]
    assert all((first / n).read_bytes() == (second / n).read_bytes() for n in names)
    assert (first / "course.gpx").read_bytes() == (DATA / "course.gpx").read_bytes()


def test_the_stored_course_is_what_tracing_the_ground_gives() -> None:
    stored = np.array(
        [(float(p.attrib["lon"]), float(p.attrib["lat"]), float(p[0].text or "nan")) for p in TRACK]
    )
    traced = trace_course()
    assert stored.shape == traced.shape
    np.testing.assert_allclose(stored[:, :2], traced[:, :2], atol=1e-5)  # a metre
    np.testing.assert_allclose(stored[:, 2], traced[:, 2], atol=1.0)
