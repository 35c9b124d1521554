"""A handover reads packs in batches: what comes out is what the whole lists gave, and nothing grows with the tiles."""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packer.errors import InputError, StoreError
from packer.geometry.grid import Ints
from packer.geometry.shapes import Shape
from packer.geometry.tileset import Tile, TileCollector, TileSet
from packer.handover.kinds import PredictedSize
from packer.handover.parting import PartSource, along, parts
from packer.planning.plan import LayerPlan, Plan
from packer.store import snapshot_reader, staged_file
from packer.store.sealed_mbtiles import mbtiles_bytes_each, write_mbtiles
from packer.store.snapshot_reader import SnapshotReader, TileBatch
from tests.budgets import tries
from tests.handover_packs import brief_in, build, picture, received
from tests.test_handover_mbtiles import query

# ---------------------------------------------------------------- the parts, as worked out from whole lists


class Whole:
    """Tiles as arrays of one length in order of zoom, row and column, and how they were cut by these arrays: a
    straightforward statement of what `parts` gives, whose memory grows with the tiles."""

    def __init__(self, tiles: TileSet, size_bytes: Ints) -> None:
        self.zoom, self.x, self.y = np.array(list(tiles), dtype=np.int64).T
        self.size = size_bytes
        self.weight = mbtiles_bytes_each(size_bytes)

    def batch(self, which: Any) -> TileBatch:
        zero = np.zeros_like(self.zoom)
        return TileBatch(*(a[which] for a in (self.zoom, self.x, self.y, self.size, zero)))

    def predict(self, which: Any) -> int:
        size = PredictedSize("mbtiles", "png", Path())
        size.add(self.batch(which))
        return size.bytes

    def where(self, tiles: TileSet) -> Ints:
        return self.batch(slice(None)).inside(tiles)

    def tiles(self, which: Any) -> TileSet:
        return TileSet.from_tiles(zip(self.zoom[which], self.x[which], self.y[which], strict=True))

    def parts(self, layer: LayerPlan, shapes: list[tuple[str, Shape]], limit: int) -> list[TileSet] | None:
        shared = next(
            (z for z in range(12, -1, -1) if int(self.weight[self.zoom <= z].sum()) * 4 <= limit), -1
        )
        common = np.flatnonzero(self.zoom <= shared)
        room = float(limit - self.predict(common))
        blocks = list(self._blocks(np.flatnonzero(self.zoom > shared), shared + 1, (), room / 8))
        blocks = self._ordered(blocks, layer, shapes)
        while room > limit / 8:
            found = [np.union1d(common, part) for part in self._packed(blocks, room)]
            if all(self.predict(part) <= limit for part in found):
                return [self.tiles(part) for part in found]
            room *= 0.97
        return None

    def _blocks(self, places: Ints, zoom: int, above: tuple[int, ...], most: float) -> Iterator[Any]:
        down = self.zoom[places] - zoom
        keys = (self.y[places] >> down) << 32 | (self.x[places] >> down)
        for key in sorted(set(keys.tolist())):
            group = places[keys == key]
            own, deeper = group[self.zoom[group] == zoom], group[self.zoom[group] > zoom]
            if deeper.size and self.weight[group].sum() + self.weight[list(above)].sum() > most:
                yield from self._blocks(deeper, zoom + 1, (*above, *own.tolist()), most)
            else:
                yield zoom, key & 0xFFFFFFFF, key >> 32, group, above

    def _ordered(self, blocks: list[Any], layer: LayerPlan, shapes: list[tuple[str, Shape]]) -> list[Any]:
        names = [name for name, _ in shapes]
        first = np.full(len(self.zoom), len(names))
        for area in reversed(layer.areas):
            if area.name in names:
                first[self.where(area.tiles)] = names.index(area.name)
        number = np.array([first[inside].min() for _, _, _, inside, _ in blocks], dtype=np.int64)
        x = np.array([(x + 0.5) / (1 << zoom) for zoom, x, _, _, _ in blocks])
        y = np.array([(y + 0.5) / (1 << zoom) for zoom, _, y, _, _ in blocks])
        key = np.zeros(len(blocks), dtype=np.int64)
        for bit in range(24):
            key |= ((x * (1 << 24)).astype(np.int64) >> bit & 1) << (2 * bit)
            key |= ((y * (1 << 24)).astype(np.int64) >> bit & 1) << (2 * bit + 1)
        return [blocks[i] for i in np.lexsort((key, along(shapes)(number, x, y), number)).tolist()]

    def _packed(self, blocks: list[Any], room: float) -> Iterator[Ints]:
        inside: list[int] = []
        above: set[int] = set()
        full = 0.0
        for *_, group, over in blocks:
            own = float(self.weight[group].sum())
            extra = float(sum(self.weight[i] for i in over if i not in above))
            if inside and full + own + extra > room:
                yield np.unique([*inside, *above])
                inside, above, full = [], set(), 0.0
                extra = float(sum(self.weight[i] for i in over))
            inside += group.tolist()
            above.update(over)
            full += own + extra
        if inside:
            yield np.unique([*inside, *above])


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    return brief_in(tmp_path_factory.mktemp("planned"), deepest=14)[1]


@settings(max_examples=tries(8, 60), deadline=None)
@given(
    seed=st.integers(0, 10**6),
    held=st.floats(0.2, 1.0),
    largest=st.sampled_from([300, 9_000, 60_000]),
    share=st.floats(0.02, 0.9),
    batch=st.sampled_from([5, 64, 5_000]),
)
def test_parts_cut_batch_by_batch_are_those_cut_from_whole_lists(
    planned: Plan, seed: int, held: float, largest: int, share: float, batch: int
) -> None:
    layer = planned.layers["aerial"]
    chance = np.random.default_rng(seed)
    every = list(layer.tiles)
    tiles = TileSet.from_tiles(
        t for t, kept in zip(every, chance.random(len(every)) < held, strict=True) if kept
    )
    whole = Whole(tiles, chance.integers(70, largest, len(tiles)))
    everything = slice(None)
    limit = int(whole.predict(everything) * share)
    shapes = list(planned.shapes.items())

    def batches(some: TileSet) -> Iterator[TileBatch]:
        at = whole.where(some)
        return (whole.batch(at[start : start + batch]) for start in range(0, len(at), batch))

    def predict(some: TileSet) -> int:
        size = PredictedSize("mbtiles", "png", Path())
        for one in batches(some):
            size.add(one)
        return size.bytes

    by_zoom = {z: int(whole.weight[whole.zoom == z].sum()) for z in tiles.zooms}
    source = PartSource(tiles, by_zoom, int(whole.size.max()), batches, predict)
    expected = whole.parts(layer, shapes, limit)
    if expected is None:
        with pytest.raises(InputError, match=f"largest tile has {int(whole.size.max()):,} bytes"):
            parts(source, layer, shapes, limit)
        return
    assert parts(source, layer, shapes, limit) == expected


def test_places_that_are_cut_finer_are_read_again_alone(planned: Plan) -> None:
    """So the whole pack is read once, and of the rest only what lies below such a place."""
    layer = planned.layers["aerial"]
    tiles = layer.tiles
    whole = Whole(tiles, np.full(len(tiles), 50_000))
    asked: list[int] = []

    def batches(some: TileSet) -> list[TileBatch]:
        asked.append(len(some))
        return [whole.batch(whole.where(some))]

    by_zoom = {z: int(whole.weight[whole.zoom == z].sum()) for z in tiles.zooms}
    source = PartSource(tiles, by_zoom, 50_000, batches, lambda some: whole.predict(whole.where(some)))
    assert len(parts(source, layer, list(planned.shapes.items()), 900_000)) > 10
    assert max(asked[1:]) <= 1365, "4^0 + ... + 4^5 tiles"


# ---------------------------------------------------------------- reading a pack


@pytest.fixture(scope="module")
def pack(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, TileSet]:
    """A pack in which tiles lie in another order than that of the plan."""
    folder = tmp_path_factory.mktemp("pack")
    _, worked_out = brief_in(folder, deepest=13)
    tiles = [*worked_out.layers["aerial"].tiles, *(Tile(10, x, y) for x in range(10) for y in range(15))]
    np.random.default_rng(1).shuffle(tiles)
    build(
        folder / "aerial.mbtiles", "png", [received(Tile(*t), picture(Tile(*t))) for t in tiles], worked_out
    )
    return folder / "aerial.mbtiles", TileSet.from_tiles((int(z), int(x), int(y)) for z, x, y in tiles)


def some_of(tiles: TileSet, seed: int, share: float) -> TileSet:
    chance = np.random.default_rng(seed)
    return TileSet.from_tiles(t for t in tiles if chance.random() < share)


@settings(max_examples=tries(8, 40), deadline=None)
@given(
    seed=st.integers(0, 999), share=st.floats(0.01, 1.0), batch=st.integers(1, 60), stretch=st.integers(1, 40)
)
def test_a_pack_read_in_batches_gives_each_tile_once_and_in_order(
    pack: tuple[Path, TileSet], seed: int, share: float, batch: int, stretch: int
) -> None:
    path, tiles = pack
    wanted = some_of(tiles, seed, share) | TileSet.from_tiles([next(iter(tiles))])
    start = seed % len(wanted)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(snapshot_reader, "_BATCH", batch)
        patch.setattr(snapshot_reader, "_STRETCH", stretch)
        with SnapshotReader(path) as reader:
            assert reader.held == tiles
            batches: list[TileBatch] = []
            listing = reader.listing(wanted, batches.append)
            bodies = list(reader.bodies(listing, lambda _: None, start))
            stated = list(reader.stated(listing))
    assert max(map(len, batches)) <= batch
    assert len(listing.marks) == 8 * -(-len(wanted) // stretch)
    listed = [t for b in batches for t in zip(b.zoom.tolist(), b.x.tolist(), b.y.tolist(), strict=True)]
    assert listed == list(wanted)
    assert [size for b in batches for size in b.size_bytes.tolist()] == [len(picture(t)) for t in wanted]
    assert [(body.tile, body.data, body.fault) for body in bodies] == [
        (tile, picture(tile), None) for tile in list(wanted)[start:]
    ]
    assert [one.tile for one in stated] == list(wanted)
    assert all(one.tried(picture(one.tile), lambda _: None).fault is None for one in stated)
    other = picture(Tile(3, 1, 1))
    assert all(one.tried(other, lambda _: None).fault == "its bytes have changed" for one in stated)


def test_a_pack_whose_rows_do_not_fit_its_index_is_said_to_be_damaged(
    pack: tuple[Path, TileSet],
) -> None:
    path, tiles = pack
    with SnapshotReader(path) as reader, pytest.raises(StoreError, match="do not fit its own index"):
        reader.listing(tiles | TileSet.from_tiles([Tile(10, 900, 900)]))


# ---------------------------------------------------------------- memory


def peak_bytes(work: Callable[[], object]) -> int:
    """What Python and numpy had in use at most, by their own count: no other process has a say in it."""
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_memory_of_putting_tiles_together_does_not_grow_with_them(monkeypatch: pytest.MonkeyPatch) -> None:
    import packer.geometry.tileset as module

    monkeypatch.setattr(module, "_COLLECTED", 500)

    def collect(rows: int) -> Callable[[], object]:
        def work() -> None:
            collected = TileCollector()
            for y in range(rows):
                for x in range(200):
                    collected.add(Tile(16, x, y))
            assert len(collected.tiles()) == 200 * rows

        return work

    assert peak_bytes(collect(40)) < 1.3 * peak_bytes(collect(8))


@pytest.mark.parametrize("tiles", [900, 2_700])
def test_no_stage_of_a_file_is_longer_than_its_limit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, tiles: int
) -> None:
    """What waits to be committed is what grows in memory, and what is lost at a kill."""
    monkeypatch.setattr(staged_file, "STAGE_TILES", 300)
    monkeypatch.setattr(staged_file, "STAGE_BYTES", 12_000)
    stages: list[tuple[int, int]] = []
    fill = staged_file._Stage.__iter__

    def counting(self: Any) -> Iterator[Any]:
        rows = sizes = 0
        for row in fill(self):
            rows, sizes = rows + 1, sizes + len(row[-1])
            yield row
        stages.append((rows, sizes))

    monkeypatch.setattr(staged_file._Stage, "__iter__", counting)
    body = b"x" * 100
    write_mbtiles(tmp_path / "a", ((Tile(14, x % 100, x // 100), body) for x in range(tiles)), dict)
    assert (
        sum(rows for rows, _ in stages) == tiles == query(tmp_path / "a", "SELECT count(*) FROM tiles")[0][0]
    )
    assert max(rows for rows, _ in stages) <= 300
    assert max(sizes for _, sizes in stages) <= 12_000
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a"], "no journal is left"
