"""A blend that was cut off goes on where it was, keeps only what it can prove, and gives the same card to the byte."""

from __future__ import annotations

import asyncio
import shutil
import signal
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from packer.content.rasters.encoding import encoded, pixels_of
from packer.errors import DiskError, LastbarError, StoppedError, StoreBusyError
from packer.geometry.tileset import Tile
from packer.handover import HandoverReport, checked_stream, composing, handover, inspect_folder
from packer.planning.brief import Brief
from packer.planning.pack_path import pack_path
from packer.planning.plan import Plan, plan
from packer.store.labels import labels_of
from packer.store.locks import WriteLock
from packer.store.pack_files import pack_files
from packer.store.writer import FileLimit, PackWriter
from tests.commands import FORKS
from tests.handover_packs import (
    BLEND_BATCH,
    DAY,
    build,
    layered_brief,
    layered_packs,
    layered_picture,
    received,
    write_blend_and_die,
)
from tests.test_handover_resumed import forged, tree


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("source")
    layered_packs(layered_brief(folder))
    return folder


@pytest.fixture
def brief(source: Path, tmp_path: Path) -> Brief:
    """Packs of its own: blends are made beside them."""
    shutil.copytree(source / "packs", tmp_path / "packs")
    return layered_brief(tmp_path)


@pytest.fixture(scope="module")
def with_blend(source: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Packs with the blends beside them of a handover that was cut off while it wrote the card."""
    folder = tmp_path_factory.mktemp("cut")
    shutil.copytree(source / "packs", folder / "packs")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(checked_stream, "EVERY", 1)
        cut_off(layered_brief(folder), lambda doing, _done, _every: doing.startswith("writing"))
    return folder


@pytest.fixture
def blended(with_blend: Path, tmp_path: Path) -> Brief:
    """As `brief`, after that handover."""
    for name in ("packs", "card"):
        shutil.copytree(with_blend / name, tmp_path / name)
    return layered_brief(tmp_path)


@pytest.fixture(scope="module")
def whole(source: Path) -> dict[str, bytes]:
    """The card of a handover that nothing disturbs."""
    found = layered_brief(source)
    handover(found, plan(found), None, source / "card", blend=True)
    return tree(source / "card")


@pytest.fixture(autouse=True)
def short_batches(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(composing, "_BATCH", BLEND_BATCH)
    monkeypatch.setattr(composing, "_EVERY", 1)
    monkeypatch.setattr(checked_stream, "EVERY", 1)


@pytest.fixture
def encodings(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[int]]:
    """How many tiles were composed so far, as a list of one number."""
    count = [0]

    def counting(*arguments: object) -> bytes:
        count[0] += 1
        return encoded(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(composing, "encoded", counting)
    return iter([count])


def card_of(brief: Brief) -> Path:
    return brief.path.parent / "card"


def hidden(brief: Brief) -> list[Path]:
    return sorted(brief.store_folder.glob(".*blended*.mbtiles"))


def first_blend(brief: Brief) -> Path:
    return brief.store_folder / ".aerial.blended.mbtiles"


def cut_off(brief: Brief, at: Callable[[str, int, int], bool], fault: Exception | None = None) -> None:
    error = fault or StoppedError("cut off")

    def on_progress(doing: str, done: int, every: int) -> None:
        if at(doing, done, every):
            raise error

    with pytest.raises(type(error)):
        handover(brief, plan(brief), None, card_of(brief), blend=True, on_progress=on_progress)
    assert not (card_of(brief) / "manifest.json").exists()


def halfway(upper: str) -> Callable[[str, int, int], bool]:
    return lambda doing, done, _every: doing == f"blending {upper} into aerial" and done > 9


def gone_on(brief: Brief, **more: bool) -> HandoverReport:
    report = handover(brief, plan(brief), None, card_of(brief), blend=True, **more)  # type: ignore[arg-type]
    assert inspect_folder(card_of(brief)).intact
    assert not hidden(brief)
    return report


def as_fresh(brief: Brief, **more: bool) -> HandoverReport:
    """Go on, and hold the card against one that is made from nothing."""
    report = gone_on(brief, **more)
    fresh = brief.path.parent / "fresh"
    handover(brief, plan(brief), None, fresh, blend=True, **more)  # type: ignore[arg-type]
    assert tree(card_of(brief)) == tree(fresh)
    return report


@pytest.mark.parametrize("upper", ["drone", "marks"])
def test_a_blend_cut_off_goes_on_composes_no_tile_twice_and_gives_the_same_card(
    brief: Brief, whole: dict[str, bytes], encodings: Iterator[list[int]], upper: str
) -> None:
    composed = next(encodings)
    cut_off(brief, halfway(upper))
    before, composed[0] = composed[0], 0
    report = gone_on(brief)
    assert tree(card_of(brief)) == whole
    every = sum(len(plan(brief).layers[name].tiles) for name in ("drone", "marks"))
    assert 0 < every - before <= composed[0] <= every - before + BLEND_BATCH
    assert report.notes[-1].endswith(
        "were there from a handover that was cut off. Each was checked; the rest was blended."
    )


def test_a_blend_that_was_done_when_its_card_was_cut_off_is_not_made_again(
    brief: Brief, whole: dict[str, bytes], encodings: Iterator[list[int]]
) -> None:
    cut_off(brief, lambda doing, _done, _every: doing.startswith("reading back"))
    composed = next(encodings)
    composed[0] = 0
    gone_on(brief)
    assert composed[0] == 0
    assert tree(card_of(brief)) == whole


def test_a_card_that_was_full_does_not_cost_the_blend(brief: Brief, encodings: Iterator[list[int]]) -> None:
    composed = next(encodings)
    cut_off(brief, lambda doing, _done, _every: doing.startswith("writing"), DiskError("The disk is full"))
    composed[0] = 0
    gone_on(brief)
    assert composed[0] == 0


@pytest.mark.parametrize(
    ("at", "fault"),
    [("blending drone", DiskError("The disk is full")), ("writing", LastbarError("something else"))],
)
def test_a_blend_that_ends_in_another_error_leaves_no_hidden_pack(
    brief: Brief, at: str, fault: LastbarError
) -> None:
    cut_off(brief, lambda doing, done, _every: doing.startswith(at) and done > 6, fault)
    assert not hidden(brief)


@pytest.mark.parametrize("step", [1, 2 * BLEND_BATCH + 2, 30])
def test_a_process_killed_while_it_blends_loses_at_most_a_batch(
    brief: Brief, whole: dict[str, bytes], encodings: Iterator[list[int]], step: int
) -> None:
    process = FORKS.Process(target=write_blend_and_die, args=(brief.path.parent, card_of(brief), step))
    process.start()
    process.join(120)
    assert process.exitcode == -signal.SIGKILL
    composed, every = next(encodings), sum(len(plan(brief).layers[name].tiles) for name in ("drone", "marks"))
    gone_on(brief)
    assert composed[0] <= every - (step - 1) + BLEND_BATCH
    assert tree(card_of(brief)) == whole


# ------------------------------------------------------------------------------------- what has changed since


def in_both(asked: Plan) -> Tile:
    return next(iter(asked.layers["aerial"].tiles & asked.layers["drone"].tiles))


def redraw(brief: Brief, asked: Plan, layer: str, tile: Tile) -> None:
    changed = replace(received(tile, layered_picture(layer, tile, seed=9)), fetched=DAY)
    build(pack_path(brief, layer), "png", [changed], asked)


@pytest.mark.parametrize("layer", ["aerial", "drone"])
def test_a_tile_that_was_replaced_since_is_composed_again_and_no_other(
    blended: Brief, encodings: Iterator[list[int]], layer: str
) -> None:
    redraw(blended, plan(blended), layer, in_both(plan(blended)))
    composed = next(encodings)
    composed[0] = 0
    gone_on(blended)
    assert 0 < composed[0] <= 4
    as_fresh(blended)


def test_a_coarser_tile_that_lies_enlarged_below_counts_for_those_on_it(blended: Brief) -> None:
    """The drone goes a zoom deeper than the map below it."""
    asked = plan(blended)
    deepest = asked.layers["aerial"].tiles.zooms[-1]
    assert asked.layers["drone"].tiles.zooms[-1] > deepest
    redraw(blended, asked, "aerial", list(asked.layers["aerial"].tiles)[-1])
    as_fresh(blended)


def test_a_tile_that_is_gone_since_is_not_handed_over(blended: Brief) -> None:
    forged(pack_path(blended, "aerial"), "DELETE FROM placement WHERE rowid IN (1, 4)")
    forged(pack_path(blended, "drone"), "DELETE FROM placement WHERE rowid IN (1, 2)")
    for layer in ("aerial", "drone"):
        forged(pack_path(blended, layer), "DELETE FROM snapshot")
    report = as_fresh(blended, allow_gaps=True)
    assert not report.complete


def test_a_picture_library_of_another_version_begins_the_blend_again_and_says_so(
    blended: Brief, monkeypatch: pytest.MonkeyPatch, whole: dict[str, bytes]
) -> None:
    monkeypatch.setattr(composing, "encoder_mark", lambda: "another")
    report = gone_on(blended)
    assert report.notes[0] == (
        "aerial: what is there of its blend with drone is not what would be blended now, so it is begun again."
    )
    assert tree(card_of(blended)) == whole


# -------------------------------------------------------------------------- what lies there may be anything

ALTERED: dict[str, Callable[[Path], object]] = {
    "a body": lambda p: forged(p, "UPDATE blob SET data = x'00' WHERE id = 5"),
    "every recipe": lambda p: forged(
        p, "UPDATE placement SET etag = 'picture:00000000000000000000000000000000:whole'"
    ),
    "parts called whole": lambda p: forged(p, "UPDATE placement SET etag = replace(etag, ':part', ':whole')"),
    "two places changed over": lambda p: forged(
        p,
        "UPDATE placement SET blob_id = (SELECT blob_id FROM placement WHERE rowid = 7 - p.rowid) "
        "FROM placement AS p WHERE p.rowid = placement.rowid AND placement.rowid IN (3, 4)",
    ),
    "dates": lambda p: forged(p, "UPDATE placement SET fetched = 5"),
    "a tile more": lambda p: forged(
        p,
        "INSERT INTO placement SELECT 9, 1, 1, blob_id, seal, fetched, etag, NULL, NULL FROM placement LIMIT 1",
    ),
    "tiles called absent": lambda p: forged(
        p, "INSERT INTO absent SELECT zoom_level, tile_column, tile_row, 404, 0 FROM placement"
    ),
    "another plan": lambda p: forged(p, "UPDATE run SET plan = 'another'"),
    "another table": lambda p: forged(p, "CREATE TABLE notes (text TEXT)"),
    "rubbish": lambda p: p.write_bytes(b"rubbish" * 4000),
    "nothing": lambda p: p.write_bytes(b""),
    "half of it": lambda p: p.write_bytes(p.read_bytes()[: p.stat().st_size // 2]),
    "its last page torn": lambda p: p.write_bytes(p.read_bytes()[:-2000] + bytes(2000)),
    "pages of zeroes": lambda p: p.write_bytes(
        p.read_bytes()[:16384] + bytes(32768) + p.read_bytes()[49152:]
    ),
}


@pytest.mark.parametrize("how", ALTERED)
def test_a_half_made_blend_that_was_altered_gives_the_same_card_all_the_same(
    blended: Brief, whole: dict[str, bytes], how: str
) -> None:
    ALTERED[how](first_blend(blended))
    gone_on(blended)
    assert tree(card_of(blended)) == whole


def test_a_body_that_another_recipe_made_is_not_taken_for_this_one(
    blended: Brief, whole: dict[str, bytes]
) -> None:
    """A row whose hash and seal fit its body, as only a program writes them: the recipe names the body."""
    from packer.store.records import seal

    db = sqlite3.connect(first_blend(blended), isolation_level=None)
    rows = db.execute(
        "SELECT rowid, zoom_level, tile_column, tile_row, blob_id FROM placement ORDER BY rowid"
    ).fetchall()
    (one, z, x, row, _), (*_, other) = rows[3], rows[4]
    (hashed,) = db.execute("SELECT hash FROM blob WHERE id = ?", (other,)).fetchone()
    db.execute(
        "UPDATE placement SET blob_id = ?, seal = ? WHERE rowid = ?", (other, seal(z, x, row, hashed), one)
    )
    db.close()
    gone_on(blended)
    assert tree(card_of(blended)) == whole


@pytest.mark.parametrize("hard", [True, False])
def test_a_hidden_name_that_leads_elsewhere_is_not_written_through(
    brief: Brief, whole: dict[str, bytes], tmp_path: Path, hard: bool
) -> None:
    cut_off(brief, halfway("drone"))
    elsewhere = tmp_path / "elsewhere"
    first_blend(brief).rename(elsewhere)
    before = elsewhere.read_bytes()
    first_blend(brief).hardlink_to(elsewhere) if hard else first_blend(brief).symlink_to(elsewhere)
    gone_on(brief)
    assert elsewhere.read_bytes() == before
    assert tree(card_of(brief)) == whole


def test_a_second_handover_that_would_blend_the_same_layers_is_told_so(brief: Brief) -> None:
    with (
        WriteLock(pack_path(brief, ".aerial.blend"), "busy"),
        pytest.raises(StoreBusyError, match="is blending into"),
    ):
        handover(brief, plan(brief), None, card_of(brief), blend=True)
    gone_on(brief)


def test_a_corrupt_tile_of_the_lower_layer_is_not_laid_below_a_picture(brief: Brief) -> None:
    """With --allow-gaps it counts as none."""
    asked = plan(brief)
    tile = in_both(asked)
    place = (
        f"zoom_level = {tile.zoom} AND tile_column = {tile.x} AND tile_row = {(1 << tile.zoom) - 1 - tile.y}"
    )
    other = layered_picture("aerial", Tile(3, 1, 1), seed=4).hex()
    forged(
        pack_path(brief, "aerial"),
        f"UPDATE blob SET data = x'{other}' WHERE id = (SELECT blob_id FROM placement WHERE {place})",
    )
    handover(brief, asked, None, card_of(brief), blend=True, allow_gaps=True)
    db = sqlite3.connect(card_of(brief) / "aerial.mbtiles")
    (found,) = db.execute(f"SELECT tile_data FROM tiles WHERE {place}").fetchone()
    db.close()
    wrong = pixels_of(bytes.fromhex(other))
    shown = pixels_of(found)
    assert not (shown[0, 0] == wrong[0, 0]).all()


def test_layers_in_several_files_give_the_card_that_one_file_each_gives(
    brief: Brief, whole: dict[str, bytes]
) -> None:
    asked, store = plan(brief), brief.store_folder
    said = labels_of(store / "aerial.mbtiles")
    records = [received(tile, layered_picture("aerial", tile)) for tile in asked.layers["aerial"].tiles]

    async def again() -> None:
        limit = FileLimit(90_000, asked.layers["aerial"].tiles)
        async with PackWriter(store / "aerial.mbtiles", said, lambda: DAY, limit) as pack:
            for start in range(0, len(records), 5):
                await pack.write(records[start : start + 5])

    (store / "aerial.mbtiles").unlink()
    asyncio.run(again())
    assert len(pack_files(store / "aerial.mbtiles").paths) > 1
    cut_off(brief, halfway("drone"))
    gone_on(brief)
    assert tree(card_of(brief)) == whole
