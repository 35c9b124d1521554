"""Cutting by place, sizes foretold, and what a target's file system takes."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packer.errors import BriefError, DiskError, InputError
from packer.geometry.tileset import Tile, TileSet
from packer.handover import HandoverReport, delivery, drafting, handover, inspect_folder
from packer.handover.ground import ground
from packer.handover.kinds import PredictedSize
from packer.handover.target import FAT_LIMIT_BYTES, FileSystem, system_of
from packer.planning.brief import Brief
from packer.planning.plan import Plan, plan
from packer.store.sealed_gpkg import GeopackageSize, GpkgContents, write_geopackage
from packer.store.sealed_mbtiles import MbtilesSize, write_mbtiles
from packer.store.snapshot_reader import TileBatch
from tests.handover_packs import brief_in, packs, picture
from tests.test_handover_mbtiles import query

LIMIT = 300_000


@pytest.fixture(scope="module")
def heavy(tmp_path_factory: pytest.TempPathFactory) -> tuple[Brief, Plan]:
    """Packs whose tiles have some 6 kB each."""
    brief, worked_out = brief_in(tmp_path_factory.mktemp("source"))
    packs(brief, worked_out, draw=lambda tile: picture(tile, noise=5_000))
    return brief, worked_out


def tiles_of(path: Path) -> TileSet:
    rows = query(path, "SELECT zoom_level, tile_column, tile_row FROM tiles")
    return TileSet.from_tiles((z, x, (1 << z) - 1 - row) for z, x, row in rows)


def test_parts_keep_the_limit_and_together_hold_everything(heavy: tuple[Brief, Plan], tmp_path: Path) -> None:
    brief, worked_out = heavy
    handover(brief, worked_out, None, tmp_path / "card", max_file_bytes=LIMIT)
    for layer in worked_out.layers.values():
        files = list((tmp_path / "card").glob(f"{layer.name}*.mbtiles"))
        assert (len(files) > 1) == (layer.name == "aerial")
        assert all(path.stat().st_size <= LIMIT for path in files)
        assert TileSet.union(tiles_of(path) for path in files) == layer.tiles


def test_each_part_is_a_map_by_itself(heavy: tuple[Brief, Plan], tmp_path: Path) -> None:
    """Every tile of a part has its planned ancestors in the same part, and the low zooms are in all parts."""
    brief, worked_out = heavy
    handover(brief, worked_out, None, tmp_path / "card", max_file_bytes=LIMIT)
    planned = worked_out.layers["aerial"].tiles
    for path in (tmp_path / "card").glob("aerial-*.mbtiles"):
        part = tiles_of(path)
        assert part.at(*range(7)) == planned.at(*range(7))
        above = TileSet.union(part.parents(zoom) for zoom in part.zooms if zoom > 0)
        assert (above & planned) - part == TileSet()


def test_parts_follow_the_areas_and_stay_together(heavy: tuple[Brief, Plan], tmp_path: Path) -> None:
    brief, worked_out = heavy
    handover(brief, worked_out, None, tmp_path / "card", max_file_bytes=LIMIT)
    areas = {area.name: area.tiles for area in worked_out.layers["aerial"].areas}
    only = {"west": areas["west"] - areas["east"], "east": areas["east"] - areas["west"]}
    files = sorted((tmp_path / "card").glob("aerial-*.mbtiles"), key=lambda p: int(p.name.split("-")[1]))
    deep = [tiles_of(path).at(13, 14, 15) for path in files]
    holds = ["".join(name[0] for name in only if part & only[name]) for part in deep]
    assert "".join(holds).lstrip("w").lstrip("e") == ""  # the west first, then the east
    for part, who in zip(deep, holds, strict=True):
        zoom = 15 if who == "w" else 14
        if who in ("w", "e"):
            first, top, last, bottom = part.extent(zoom)
            assert (last - first + 1) * (bottom - top + 1) <= 3 * part.by_zoom()[zoom]


@pytest.mark.parametrize("spelled", [str.lower, str.upper])
def test_layer_that_goes_by_the_name_of_a_part_of_another_is_refused_before_anything_is_written(
    heavy: tuple[Brief, Plan], tmp_path: Path, spelled: Callable[[str], str]
) -> None:
    brief, worked_out = heavy
    handover(brief, worked_out, None, tmp_path / "card", max_file_bytes=LIMIT)
    (first,) = (tmp_path / "card").glob("aerial-1-of-*.mbtiles")
    twin = spelled(first.stem)
    brief, worked_out = brief_in(tmp_path, second=twin)
    packs(brief, worked_out, draw=lambda tile: picture(tile, noise=5_000))
    with pytest.raises(BriefError) as refused:
        handover(brief, worked_out, None, tmp_path / "other", max_file_bytes=LIMIT)
    text = str(refused.value)
    assert f'Layers "aerial" and "{twin}" would both be handed over as {twin}.mbtiles' in text
    assert "Rename one of these layers in the brief" in text
    assert not (tmp_path / "other").exists()
    assert handover(brief, worked_out, None, tmp_path / "other", max_file_bytes=None).complete


@pytest.mark.parametrize("name", ["manifest.json", "On this card.txt"])
def test_layer_that_goes_by_the_name_of_card_or_manifest_is_refused_as_loose_files(
    tmp_path: Path, name: str
) -> None:
    brief, worked_out = brief_in(tmp_path, deepest=12, second=name)
    packs(brief, worked_out)
    with pytest.raises(
        BriefError, match=f'Layer "{name}" would be handed over as {name}, which is a file of'
    ):
        handover(brief, worked_out, None, tmp_path / "card", as_="folder")
    assert not (tmp_path / "card").exists()
    assert handover(brief, worked_out, None, tmp_path / "card").complete


_ROUTE = """
title = "Ridge route"
[layers.aerial]
url = "https://tiles.invented.example/{z}/{x}/{y}"
attribution = "Example Survey"
permission = "Own server"
zooms = [0, 15]
[overview]
margin = "1 km"
deepest = 8
[[areas]]
name = "route"
line = "route.geojson"
half-width = "200 m"
deepest = 15
"""


def test_parts_follow_the_line_from_its_start_to_its_end(tmp_path: Path) -> None:
    """The line turns back north, so that neither columns nor rows alone would give its order."""
    line = [[12.60, 47.00], [12.40, 47.00], [12.40, 47.08], [12.60, 47.08]]
    tmp_path.joinpath("route.geojson").write_text(
        f'{{"type": "LineString", "coordinates": {line}}}', encoding="utf-8"
    )
    brief = Brief.from_text(_ROUTE, tmp_path / "brief.toml")
    worked_out = plan(brief)
    packs(brief, worked_out, draw=lambda tile: picture(tile, noise=3_000))
    report = handover(brief, worked_out, None, tmp_path / "card", max_file_bytes=250_000)
    boxes = [file.ground for file in report.copies[0].manifest.files if file.ground]
    assert len(boxes) >= 4
    first, last = boxes[0], boxes[-1]
    assert first[2] > 12.55 and first[3] < 47.04  # noqa: PT018  # the line's start in the south-east
    assert last[2] > 12.55 and last[1] > 47.04  # noqa: PT018  # its end in the north-east
    assert min(box[0] for box in boxes[1:-1]) < 12.41


@settings(max_examples=25, deadline=None)
@given(
    sizes=st.lists(st.integers(70, 60_000), min_size=1, max_size=120),
    zoom=st.integers(1, 18),
    seed=st.integers(0, 9),
)
def test_predicted_sizes_are_never_exceeded_and_come_close(
    tmp_path_factory: pytest.TempPathFactory, sizes: list[int], zoom: int, seed: int
) -> None:
    """The prediction follows SQLite's file format; SQLite itself is the judge."""
    folder = tmp_path_factory.mktemp("size")
    chance = random.Random(seed)
    places = sorted({(chance.randrange(1 << zoom), chance.randrange(1 << zoom)) for _ in sizes})
    tiles = [(Tile(zoom, x, y), bytes(size)) for (y, x), size in zip(places, sizes, strict=False)]
    z = np.full(len(tiles), zoom)
    x, y = np.array([t.x for t, _ in tiles]), np.array([t.y for t, _ in tiles])
    size = np.array([len(data) for _, data in tiles])
    mbtiles, gpkg = folder / "a.mbtiles", folder / "a.gpkg"
    write_mbtiles(mbtiles, tiles, lambda: {"name": "a" * 2000, "description": "d" * 6000})
    box = (0.0, 1.0, 1.0, 0.0)
    what = GpkgContents("i" * 2000, "d" * 6000, "2030-01-01T00:00:00.000Z", "png", 256, (zoom,), box)
    write_geopackage(gpkg, "a", tiles, lambda: what)
    of_mbtiles, of_gpkg = MbtilesSize(), GeopackageSize()
    for some in (slice(0, 7), slice(7, None)):  # as they come out of a pack
        of_mbtiles.add(z[some], x[some], y[some], size[some])
        of_gpkg.add(x[some], y[some], size[some])
    for path, foretold in ((mbtiles, of_mbtiles.bytes), (gpkg, of_gpkg.bytes)):
        actual = path.stat().st_size
        assert actual <= foretold <= actual * 1.02 + 110_000


def test_sqlite_itself_stops_a_file_at_the_limit(tmp_path: Path) -> None:
    tiles = [(Tile(10, x, 0), bytes(15_000)) for x in range(40)]
    with pytest.raises(DiskError, match="could not grow"):
        write_mbtiles(tmp_path / "a.mbtiles", tiles, dict, max_bytes=400_000)
    assert (tmp_path / "a.mbtiles").stat().st_size <= 400_000


def test_limit_too_small_for_a_single_tile_is_refused(heavy: tuple[Brief, Plan], tmp_path: Path) -> None:
    brief, worked_out = heavy
    with pytest.raises(InputError, match="Allow larger files with --max-file"):
        handover(brief, worked_out, None, tmp_path / "card", max_file_bytes=70_000)
    assert not (tmp_path / "card").exists()


@pytest.mark.parametrize(
    ("kind", "limit", "strict"),
    [
        ("vfat", FAT_LIMIT_BYTES, True),
        ("msdos", FAT_LIMIT_BYTES, True),
        ("exfat", FAT_LIMIT_BYTES, False),
        ("fuseblk", FAT_LIMIT_BYTES, False),
        ("ext4", None, False),
    ],
)
def test_file_system_is_told_by_the_longest_mount_above(
    tmp_path: Path, kind: str, limit: int | None, strict: bool
) -> None:
    card = tmp_path / "my card"
    card.mkdir()
    escaped = str(card).replace(" ", "\\040")
    mounts = tmp_path / "mounts"
    mounts.write_text(
        f"a / btrfs rw 0 0\nb {escaped} {kind} rw 0 0\nc /elsewhere vfat rw 0 0\n", encoding="utf-8"
    )
    assert system_of(card / "not" / "yet", mounts) == FileSystem(kind, limit, strict)
    assert system_of(tmp_path, mounts).kind == "btrfs"


def test_unknown_file_system_gets_the_safe_limit(tmp_path: Path) -> None:
    assert system_of(tmp_path, tmp_path / "no-such-table") == FileSystem("", FAT_LIMIT_BYTES, False)


@pytest.mark.parametrize("asked", ["auto", None, 10 * LIMIT])
def test_fat_limit_holds_whatever_is_asked_for(
    heavy: tuple[Brief, Plan], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, asked: object
) -> None:
    brief, worked_out = heavy
    monkeypatch.setattr(delivery, "system_of", lambda _: FileSystem("vfat", LIMIT, True))
    report = handover(brief, worked_out, None, tmp_path / "card", max_file_bytes=asked)  # type: ignore[arg-type] # three kinds in turn
    assert max(file.size_bytes for file in report.copies[0].manifest.files) <= LIMIT


def test_card_without_room_is_refused_with_the_figures(
    heavy: tuple[Brief, Plan], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    brief, worked_out = heavy
    monkeypatch.setattr(drafting, "free_bytes", lambda _: 500_000)
    with pytest.raises(DiskError, match=r"has 500 kB free, but the handover needs \d\.\d MB: \d\.\d MB more"):
        handover(brief, worked_out, None, tmp_path / "card")
    assert not (tmp_path / "card").exists()


def test_room_is_counted_with_old_files_given_up_one_after_the_other(
    heavy: tuple[Brief, Plan], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    brief, worked_out = heavy
    card = tmp_path / "card"
    largest = max(f.size_bytes for f in handover(brief, worked_out, None, card).copies[0].manifest.files)
    # Room for the larger file a second time and for what comes besides, not for both files.
    monkeypatch.setattr(drafting, "free_bytes", lambda _: 1_000_000 + int(largest * 1.15))
    handover(brief, worked_out, None, card)
    assert inspect_folder(card).intact


def test_overview_goes_into_every_part_only_as_far_as_it_is_small(tmp_path: Path) -> None:
    """With a limit that four tiles fill, even zoom 0 is not in every part, and the parts still hold all."""
    brief, worked_out = brief_in(tmp_path, deepest=10)
    packs(brief, worked_out, draw=lambda tile: picture(tile, noise=60_000))
    report: HandoverReport = handover(brief, worked_out, None, tmp_path / "card", max_file_bytes=1_000_000)
    files = list((tmp_path / "card").glob("aerial-*.mbtiles"))
    assert len(files) > 2
    assert TileSet.union(tiles_of(path) for path in files) == worked_out.layers["aerial"].tiles
    assert all(file.size_bytes <= 1_000_000 for file in report.copies[0].manifest.files)


def test_ground_of_a_file_is_what_lies_deeper_than_its_overview() -> None:
    """Or every part of a wide overview would be said to lie in the same place."""
    deep = TileSet.from_tiles([Tile(13, 4376, 2868), Tile(13, 4377, 2868)])
    overview = TileSet.from_tiles(Tile(12, x, y) for x in range(2180, 2200) for y in range(1430, 1440))
    n = 1 << 13
    assert ground(deep | overview) == (4376 / n, 2869 / n, 4378 / n, 2868 / n)
    assert ground(overview) == (2180 / 4096, 1440 / 4096, 2200 / 4096, 1430 / 4096)


def test_room_for_the_labels_of_vector_tiles_is_foreseen(tmp_path: Path) -> None:
    one = np.ones(1, dtype=np.int64)
    vector, picture_ = PredictedSize("mbtiles", "pbf", tmp_path), PredictedSize("mbtiles", "png", tmp_path)
    for predicted in (vector, picture_):
        predicted.add(TileBatch(one, one, one, 1_000 * one, one))
    assert vector.bytes > picture_.bytes
