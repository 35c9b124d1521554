"""Pictures with a place on the ground: what is read of them, and tiles cut from them, beside GDAL's own warper."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import rasterio
import rasterio.control
import rasterio.shutil
import rasterio.warp
from PIL import ImageFile

from packer.content.payload import Kind, decode_fully
from packer.content.rasters.cutting import Cutter, blocks_of
from packer.content.rasters.encoding import encoded, enlarged, laid_over, pixels_of
from packer.content.rasters.facts import native_zoom
from packer.content.rasters.means import mean_of
from packer.content.rasters.picture_file import Piece, opened
from packer.content.rasters.warping import CutBlock, resampling_for
from packer.errors import InputError
from packer.geometry.tileset import Tile, TileSet
from tests.geotiffs import ground, write


def cut(path: Path, tiles: TileSet, folder: Path) -> dict[Tile, npt.NDArray[np.uint8]]:
    found: dict[Tile, npt.NDArray[np.uint8]] = {}
    with opened(path) as picture:
        for _, some in Cutter(picture, 256, folder, "test").cut(tiles):
            found.update((tile, pixels) for tile, pixels in some.items() if tile in tiles)
    return found


def whole_zoom(path: Path, zoom: int) -> TileSet:
    with opened(path) as picture:
        return picture.facts.tiles(zoom)


# ------------------------------------------------------------------------------------- beside GDAL's warper

# Corners within the areas of use that the EPSG registry states (by pyproj): three latitudes in UTM, the British
# National Grid (EPSG:27700), and the Swiss LV95 (EPSG:2056).
PLACES = {
    "UTM near the equator": ("EPSG:32737", (350_000.0, 9_900_000.0)),
    "UTM at 47 north": ("EPSG:32633", (400_000.0, 5_200_000.0)),
    "UTM at 69 north": ("EPSG:32634", (420_000.0, 7_650_000.0)),
    "British National Grid": ("EPSG:27700", (430_000.0, 390_000.0)),
    "Swiss LV95": ("EPSG:2056", (2_620_000.0, 1_150_000.0)),
}


def mosaic(tiles: dict[Tile, npt.NDArray[np.uint8]]) -> tuple[npt.NDArray[np.uint8], CutBlock]:
    """Tiles of one zoom as one array (rows, columns, 4), and where its corner is."""
    west, north = min(t.x for t in tiles), min(t.y for t in tiles)
    east, south = max(t.x for t in tiles) + 1, max(t.y for t in tiles) + 1
    out = np.zeros(((south - north) * 256, (east - west) * 256, 4), np.uint8)
    for (_, x, y), pixels in tiles.items():
        out[(y - north) * 256 : (y - north + 1) * 256, (x - west) * 256 : (x - west + 1) * 256] = pixels
    return out, CutBlock(next(iter(tiles)).zoom, west, north, 1, 256)


def gdalwarp(
    path: Path, into: Path, where: CutBlock, size: tuple[int, int], how: str
) -> npt.NDArray[np.uint8]:
    """What GDAL's own program makes of the same ground: array (4, rows, columns)."""
    a, _, west, _, _, north = where.transform
    height, width = size
    extent = [west, north - height * a, west + width * a, north]
    subprocess.run(
        ["gdalwarp", "-q", "-t_srs", "EPSG:3857", "-r", how, "-dstalpha", "-ovr", "NONE",
         "-ts", str(width), str(height), "-te", *map(repr, extent), str(path), str(into)],
        check=True, timeout=60,
    )  # fmt: skip
    with rasterio.open(into) as found:
        pixels: npt.NDArray[np.uint8] = found.read()
    return pixels


def displacement(ours: npt.NDArray[Any], theirs: npt.NDArray[Any]) -> float:
    """By how many pixels one picture lies beside the other: least squares on gradients (Lucas and Kanade 1981)."""
    a, b = ours.astype(np.float64), theirs.astype(np.float64)
    down, across = np.gradient(b)
    slopes = np.column_stack([across.ravel(), down.ravel()])
    shift, *_ = np.linalg.lstsq(slopes, (a - b).ravel(), rcond=None)
    return float(np.hypot(*shift))


@pytest.mark.skipif(shutil.which("gdalwarp") is None, reason="gdalwarp (package gdal-bin) is not installed")
@pytest.mark.parametrize("name", PLACES)
def test_tiles_equal_what_gdalwarp_makes_of_the_same_picture(name: str, tmp_path: Path) -> None:
    crs, corner = PLACES[name]
    path = write(tmp_path / "picture.tif", ground(600, 600), crs, corner, pixel=2.0)
    with opened(path) as picture:
        native, facts = picture.facts.native_zoom(256), picture.facts
    for zoom in (native, native - 3):
        tiles = cut(path, whole_zoom(path, zoom), tmp_path)
        ours, where = mosaic(tiles)
        how = resampling_for(facts.shrink(zoom, 256), palette=False)
        theirs = gdalwarp(path, tmp_path / f"{zoom}.tif", where, ours.shape[:2], how)
        # Edges are left out: a pixel that the picture covers in part is one program's and not the other's.
        inside = (theirs[3] == 255) & (ours[..., 3] == 255)
        assert inside.sum() > 0.9 * (theirs[3] > 0).sum() - 4 * sum(ours.shape[:2])
        off = np.abs(ours[..., :3].astype(int) - np.moveaxis(theirs[:3], 0, -1))[inside]
        assert off.mean() < 1.0
        rows, columns = np.where(inside)
        box = slice(rows.min() + 20, rows.max() - 20), slice(columns.min() + 20, columns.max() - 20)
        if zoom == native:
            assert displacement(ours[(*box, 0)], theirs[0][box]) < 0.5


def test_the_native_zoom_is_the_deepest_that_is_no_finer_than_the_picture() -> None:
    """Cell sizes of OGC 17-083r4, annex D: 0.5972 m at zoom 18 on the equator, half of that on the ground at 60°."""
    assert native_zoom(0.5972, 0.0, 256) == 18
    assert native_zoom(0.62, 0.0, 256) == 18  # finer by less than 5 %
    assert native_zoom(0.65, 0.0, 256) == 17
    assert native_zoom(0.2986, 60.0, 256) == 18
    assert native_zoom(0.5972, 0.0, 512) == 17
    assert native_zoom(1e9, 0.0, 256) == 0
    assert native_zoom(1e-6, 0.0, 256) == 24


def test_a_mean_is_that_of_its_square_and_at_the_edge_of_what_is_left() -> None:
    pixels = np.random.default_rng(5).integers(0, 256, (4, 37, 50), dtype=np.uint8)
    for side in (2, 4, 16):
        found = mean_of(pixels, side)
        assert found.shape == (4, -(-37 // side), -(-50 // side))
        for row in range(found.shape[1]):
            for column in range(found.shape[2]):
                square = pixels[:, row * side : (row + 1) * side, column * side : (column + 1) * side]
                assert np.abs(found[:, row, column] - square.mean(axis=(1, 2))).max() <= 0.5
    assert (mean_of(np.full((4, 32, 32), 255, np.uint8), 16) == 255).all()


def test_blocks_hold_every_tile_once() -> None:
    tiles = TileSet.from_runs(12, np.array([5, 6, 9]), np.array([3, 1, 7]), np.array([9, 2, 7]))
    blocks = list(blocks_of(tiles, 12, 4, 256))
    assert len({(b.x, b.y) for b in blocks}) == len(blocks)
    for tile in tiles:
        assert sum(b.x <= tile.x < b.x + 4 and b.y <= tile.y < b.y + 4 for b in blocks) == 1


def test_a_tile_is_the_same_whichever_tiles_are_cut_with_it(tmp_path: Path) -> None:
    path = write(tmp_path / "picture.tif", ground(600, 600), turn=17)
    tiles = whole_zoom(path, 16)
    together = cut(path, tiles, tmp_path)
    some = list(together)[3]
    assert (cut(path, TileSet.from_tiles([some]), tmp_path)[some] == together[some]).all()


def test_smaller_copies_made_in_pieces_after_a_break_equal_those_made_at_once(tmp_path: Path) -> None:
    path = write(tmp_path / "picture.tif", ground(630, 600))
    tiles = whole_zoom(path, 11)
    first = cut(path, tiles, tmp_path)
    copy = tmp_path / ".test.4.pixels"
    whole = copy.read_bytes()
    copy.write_bytes(whole[: len(whole) // 3 + 7])  # a row that was not written to its end
    again = cut(path, tiles, tmp_path)
    assert copy.read_bytes() == whole
    assert all((first[tile] == again[tile]).all() for tile in tiles)


def test_overviews_in_the_file_and_copies_made_of_it_show_the_same(tmp_path: Path) -> None:
    bands = ground(600, 600)
    plain = write(tmp_path / "plain.tif", bands)
    cog = write(tmp_path / "cog.tif", bands, overviews=(2, 4, 8))
    with opened(cog) as picture:
        assert picture.facts.overviews == (2, 4, 8)
    for zoom in (13, 11):
        tiles = whole_zoom(plain, zoom)
        a, b = cut(plain, tiles, tmp_path), cut(cog, tiles, tmp_path)
        for tile in tiles:
            inside = (a[tile][..., 3] == 255) & (b[tile][..., 3] == 255)
            assert np.abs(a[tile].astype(int) - b[tile])[inside].mean() < 1.5


# ------------------------------------------------------------------------------------------- kinds of raster


def test_values_of_sixteen_bits_are_spread_from_the_darkest_to_the_brightest(tmp_path: Path) -> None:
    ramp = np.tile(np.linspace(1000, 9000, 1000).astype(np.uint16), (1, 600, 1))
    path = write(tmp_path / "dark.tif", ramp)
    with opened(path) as picture:
        stretch = picture.facts.stretch
        assert stretch is not None
        assert stretch.low == pytest.approx(1160, abs=150)
        assert stretch.high == pytest.approx(8840, abs=150)
        row = picture.read(Piece(0, 300, 1000, 1))[0, 0].astype(int)
    assert (row[0], row[-1]) == (0, 255)
    assert (np.diff(row) >= 0).all()


def test_nodata_is_transparent_and_so_is_what_is_no_number(tmp_path: Path) -> None:
    holes = ground(600, 600).copy()
    holes[:, 100:200] = 0
    with opened(write(tmp_path / "holes.tif", holes, nodata=0)) as picture:
        alpha = picture.read(Piece(0, 0, 600, 600))[3]
        assert "0" in picture.facts.nodata
    assert not alpha[100:200].any()
    assert (alpha[200:] == 255).all()
    heights = np.linspace(0, 1, 256 * 256, dtype=np.float32).reshape(1, 256, 256)
    heights[:, :50] = np.nan
    with opened(write(tmp_path / "heights.tif", heights)) as picture:
        alpha = picture.read(Piece(0, 0, 256, 256))[3]
    assert not alpha[:50].any()
    assert (alpha[50:] == 255).all()


def test_the_colours_of_a_palette_are_not_mixed_at_its_own_detail(tmp_path: Path) -> None:
    classes = np.random.default_rng(3).integers(0, 4, (1, 500, 500), dtype=np.uint8)
    colours = {0: (10, 20, 30, 255), 1: (200, 0, 0, 255), 2: (0, 200, 0, 255), 3: (0, 0, 200, 255)}
    path = write(tmp_path / "classes.tif", classes, pixel=2.0, colormap=colours, photometric="palette")
    with opened(path) as picture:
        assert picture.facts.palette
        native = picture.facts.native_zoom(256)
    for pixels in cut(path, whole_zoom(path, native), tmp_path).values():
        seen = pixels[pixels[..., 3] == 255]
        assert {tuple(colour) for colour in seen.tolist()} <= set(colours.values())


def test_a_mean_of_pixels_beside_none_is_not_darkened_by_it(tmp_path: Path) -> None:
    half = np.full((3, 512, 512), 200, np.uint8)
    half[:, :, 256:] = 0
    path = write(tmp_path / "half.tif", half, nodata=0)
    for pixels in cut(path, whole_zoom(path, 14), tmp_path).values():
        seen = pixels[pixels[..., 3] > 40]
        assert abs(seen[:, :3].astype(int) - 200).max() <= 4


def test_the_date_is_that_of_the_picture_or_else_of_its_file(tmp_path: Path) -> None:
    """TIFF 6.0, tag DateTime: "YYYY:MM:DD HH:MM:SS"."""
    path = write(tmp_path / "dated.tif", ground(300, 300), tags={"TIFFTAG_DATETIME": "2026:11:28 09:30:00"})
    with opened(path) as picture:
        assert (picture.facts.taken, picture.facts.dated_by_file) == ("2026-11-28", False)
    with opened(write(tmp_path / "plain.tif", ground(300, 300))) as picture:
        assert picture.facts.dated_by_file


def test_georeferencing_is_read_as_rasterio_reads_it(tmp_path: Path) -> None:
    path = write(tmp_path / "turned.tif", ground(400, 700), "EPSG:27700", (430_000, 390_000), 0.5, turn=30)
    with opened(path) as picture, rasterio.open(path) as source:
        west, south, east, north = rasterio.warp.transform_bounds(
            source.crs, "EPSG:4326", *source.bounds, densify_pts=64
        )
        low, high = picture.facts.outline.min(axis=0), picture.facts.outline.max(axis=0)
        assert picture.facts.transform == tuple(source.transform)[:6]
        assert west - 1e-5 <= low[0] < high[0] <= east + 1e-5
        assert south - 1e-5 <= low[1] < high[1] <= north + 1e-5
        assert picture.facts.resolution_m == pytest.approx(
            0.5, rel=2e-3
        )  # the grid's scale is 0.9996 at its middle


# ------------------------------------------------------------------------------------------------- refused


def _without_crs(path: Path) -> Path:
    return write(path, ground(300, 300), None)


def _without_place(path: Path) -> Path:
    return write(path, ground(64, 64), pixel=1.0, corner=(0.0, 0.0), unplaced=True)


def _control_points(path: Path) -> Path:
    points = [
        rasterio.control.GroundControlPoint(r, c, 12 + c / 1000, 47 - r / 1000)
        for r, c in ((0, 0), (0, 60), (60, 0))
    ]
    with rasterio.open(
        path, "w", driver="GTiff", width=64, height=64, count=3, dtype="uint8", gcps=points, crs="EPSG:4326"
    ) as into:
        into.write(ground(64, 64))
    return path


def _cut_off(path: Path) -> Path:
    write(path, ground(600, 600))
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) * 2 // 3])
    return path


def _cut_off_behind_its_head(path: Path) -> Path:
    plain = write(path.with_name("plain.tif"), ground(600, 600))
    rasterio.shutil.copy(plain, path, driver="COG")
    plain.unlink()
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) * 2 // 3])
    return path


def _header_of(width: int, height: int) -> Callable[[Path], Path]:
    """A few bytes that claim a picture of any size (TIFF 6.0, section 2), with a place on the ground."""

    def make(path: Path) -> Path:
        write(path, ground(64, 64), tiled=False)
        raw = bytearray(path.read_bytes())
        start = int.from_bytes(raw[4:8], "little")
        for entry in range(int.from_bytes(raw[start : start + 2], "little")):
            at = start + 2 + 12 * entry
            tag = int.from_bytes(raw[at : at + 2], "little")
            if tag in (256, 257):
                raw[at + 2 : at + 12] = b"\x04\x00\x01\x00\x00\x00" + (
                    width if tag == 256 else height
                ).to_bytes(4, "little")
        path.write_bytes(raw)
        return path

    return make


def _elsewhere(path: Path) -> Path:
    return write(path, ground(300, 300), "EPSG:27700", (9_430_000.0, 390_000.0))


def _nowhere(path: Path) -> Path:
    return write(path, ground(300, 300), "EPSG:32633", (4e12, 5e12))


def _local(path: Path) -> Path:
    return write(path, ground(300, 300), 'LOCAL_CS["site",UNIT["metre",1]]')


def _text(path: Path) -> Path:
    path.write_text("II*\0 no picture")
    return path


REFUSED = {
    "no coordinate system": (_without_crs, "does not say which coordinate system"),
    "no place": (_without_place, "does not say where on Earth"),
    "control points": (_control_points, "not rectified"),
    "cut off": (_cut_off, "its end was cut off"),
    "cut off behind its head": (_cut_off_behind_its_head, r"was cut off: it has [\d.]+ .B, but"),
    "a billion pixels wide": (_header_of(10**9, 10**9), "more than can be cut|damaged"),
    "a million pixels wide": (_header_of(10**6, 10**6), "cannot hold such a picture|damaged"),
    "far from its system": (_elsewhere, "far from where|no place on Earth"),
    "off the Earth": (_nowhere, "no place on Earth|far from where"),
    "local system": (_local, "local coordinate system"),
    "no TIFF": (_text, "cannot be read as a GeoTIFF"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_picture_that_cannot_be_cut_is_refused_with_a_reason(name: str, tmp_path: Path) -> None:
    make, sentence = REFUSED[name]
    path = make(tmp_path / "bad.tif")
    before = path.read_bytes()
    with pytest.raises(InputError, match=sentence), opened(path):
        pass
    assert path.read_bytes() == before
    assert [one.name for one in tmp_path.iterdir()] == ["bad.tif"]


@pytest.mark.parametrize("tiled", [True, False])
def test_a_picture_packed_in_pieces_that_are_too_large_is_refused(
    tiled: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One strip or one tile for all of it, as some programs write (TIFF 6.0, RowsPerStrip and TileLength)."""
    monkeypatch.setattr("packer.content.rasters.checks._MOST_BLOCK_BYTES", 1_000_000)
    for compress, refused in (("deflate", True), (None, False)):
        path = write(
            tmp_path / f"{compress}.tif",
            ground(640, 640),
            tiled=tiled,
            compress=compress,
            blockxsize=640,
            blockysize=640,
        )
        if refused:
            with pytest.raises(InputError, match=r"packed in pieces of 1\.2 MB"), opened(path):
                pass
        else:
            with opened(path) as picture:
                assert picture.size() == (640, 640)


def test_damage_inside_a_picture_is_told_with_its_place(tmp_path: Path) -> None:
    path = write(tmp_path / "damaged.tif", ground(600, 600), compress="deflate")
    with rasterio.open(path) as source:
        start = int(source.get_tag_item("BLOCK_OFFSET_1_1", "TIFF", bidx=1))
    raw = bytearray(path.read_bytes())
    raw[start + 20 : start + 2000] = b"\xff" * 1980
    path.write_bytes(raw)
    with pytest.raises(InputError, match=r"cannot be read at column \d"), opened(path) as picture:
        picture.read(Piece(0, 0, 600, 600))


def test_files_beside_a_picture_are_not_opened(tmp_path: Path) -> None:
    """GDAL opens NAME.tif.ovr by any of its drivers, some of which follow links to the network."""
    path = write(tmp_path / "picture.tif", ground(600, 600))
    write(tmp_path / "picture.tif.ovr", ground(300, 300))
    (tmp_path / "picture.tif.aux.xml").write_text("<PAMDataset><SRS>EPSG:27700</SRS></PAMDataset>")
    (tmp_path / "picture.tfw").write_text("9\n0\n0\n-9\n0\n0\n")
    with opened(path) as picture:
        assert picture.facts.overviews == ()
        assert picture.facts.transform[0] == 1.0


# ------------------------------------------------------------------------------------------------ pixels


def test_tiles_in_each_format_are_whole_and_keep_what_is_transparent() -> None:
    pixels = np.full((256, 256, 4), 255, np.uint8)
    pixels[..., :3] = np.moveaxis(ground(256, 256), 0, -1)
    for kind in (Kind.PNG, Kind.WEBP, Kind.JPG):
        body = encoded(pixels, kind)
        decode_fully(body, kind)
        assert np.abs(pixels_of(body).astype(int) - pixels).mean() < 6
        assert encoded(pixels, kind) == body
    pixels[:100, :, 3] = 0
    for kind in (Kind.PNG, Kind.WEBP):
        assert (pixels_of(encoded(pixels, kind))[..., 3] == pixels[..., 3]).all()


def test_one_picture_over_another_shows_the_lower_where_the_upper_ends() -> None:
    upper, lower = np.full((8, 8, 4), 200, np.uint8), np.full((8, 8, 4), 50, np.uint8)
    upper[..., 3], lower[..., 3] = 255, 255
    upper[:4, :, 3] = 0
    found = laid_over(upper, lower)
    assert (found[:4, :, 0] == 50).all()
    assert (found[4:, :, 0] == 200).all()
    assert (found[..., 3] == 255).all()


def test_an_enlarged_tile_shows_its_own_part_of_the_coarser_one() -> None:
    coarse = np.arange(16, dtype=np.uint8).reshape(4, 4, 1).repeat(4, axis=2)
    part = enlarged(coarse, Tile(3, 1, 1), Tile(4, 3, 2))
    assert part[..., 0].tolist() == [[2, 2, 3, 3], [2, 2, 3, 3], [6, 6, 7, 7], [6, 6, 7, 7]]


def test_without_rasterio_a_sentence_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(tmp_path / "picture.tif", ground(64, 64))
    monkeypatch.setitem(__import__("sys").modules, "rasterio", None)
    with pytest.raises(InputError, match=r"pip install 'lastbar\[pictures\]'"), opened(path):
        pass


def test_the_bytes_of_a_tile_do_not_depend_on_what_the_process_wrote_before(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Pillow writes a PNG in pieces of a size that the whole process has in common."""
    pixels = np.random.default_rng(4).integers(0, 256, (256, 256, 4), np.uint8)
    written = set()
    for piece_bytes in (65_536, 4096):
        monkeypatch.setattr(ImageFile, "MAXBLOCK", piece_bytes)
        written.add(encoded(pixels, Kind.PNG))
    assert len(written) == 1
