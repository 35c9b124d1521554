"""A handover that was cut off goes on where it was, and believes nothing that it has not checked."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import shutil
import signal
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from packer.cli import run_handover
from packer.errors import DiskError, StoppedError, StoreBusyError
from packer.geometry.tileset import Tile
from packer.handover import (
    DeviceCrew,
    HandoverReport,
    checked_stream,
    file_writing,
    handover,
    inspect_folder,
    inspect_tree,
)
from packer.handover.journal import JOURNAL, read_journal
from packer.handover.kinds import As
from packer.handover.target import part_of
from packer.planning.brief import Brief
from packer.planning.plan import Plan
from packer.store import staged_file
from packer.store.sealed_mbtiles import write_mbtiles
from packer.store.snapshot_reader import SnapshotReader
from tests.commands import FORKS
from tests.handover_packs import DAY, brief_in, build, packs, picture, received, written_brief

STAGE = 15
KINDS: list[As] = ["mbtiles", "gpkg", "folder"]


@pytest.fixture(autouse=True)
def short_stages(monkeypatch: pytest.MonkeyPatch) -> None:
    """So that a small file has several."""
    monkeypatch.setattr(staged_file, "STAGE_TILES", STAGE)


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("source")
    packs(*brief_in(folder, deepest=14))
    return folder


@pytest.fixture
def ready(source: Path) -> tuple[Brief, Plan]:
    """Packs that a test only reads."""
    return brief_in(source, deepest=14)


@pytest.fixture
def own(source: Path, tmp_path: Path) -> tuple[Brief, Plan]:
    """Packs that a test changes."""
    shutil.copytree(source / "packs", tmp_path / "own" / "packs")
    return brief_in(tmp_path / "own", deepest=14)


def cut_at(doing: str, done: int) -> Callable[[str, int, int], None]:
    """Stop the handover at the first report of `doing` with at least so many tiles done."""

    def on_progress(what: str, so_far: int, _every: int) -> None:
        if what == doing and so_far >= done:
            raise StoppedError("cut off")

    return on_progress


@pytest.fixture(autouse=True)
def frequent_reports(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("packer.handover.checked_stream.EVERY", 1)
    monkeypatch.setattr("packer.handover.file_writing.EVERY", 1)


@pytest.fixture
def given(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[Tile]]:
    """Every tile whose body was read from a pack."""
    seen: list[Tile] = []
    bodies = SnapshotReader.bodies

    def noting(self: SnapshotReader, *arguments: object) -> Iterator[object]:
        for body in bodies(self, *arguments):  # type: ignore[arg-type]
            seen.append(body.tile)
            yield body

    monkeypatch.setattr(SnapshotReader, "bodies", noting)
    return iter([seen])


def tree(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def name_of(layer: str, kind: As) -> str:
    return layer if kind == "folder" else f"{layer}.{kind}"


def cut_off(ready: tuple[Brief, Plan], card: Path, kind: As, doing: str, done: int) -> None:
    with pytest.raises(StoppedError):
        handover(*ready, None, card, as_=kind, on_progress=cut_at(doing, done))
    assert not (card / "manifest.json").exists()


@pytest.fixture(scope="module")
def whole(source: Path, tmp_path_factory: pytest.TempPathFactory) -> Callable[[As], dict[str, bytes]]:
    """The card of a handover that nothing disturbs."""
    known: dict[As, dict[str, bytes]] = {}

    def of(kind: As) -> dict[str, bytes]:
        if kind not in known:
            card = tmp_path_factory.mktemp("whole") / "card"
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(staged_file, "STAGE_TILES", STAGE)
                handover(*brief_in(source, deepest=14), None, card, as_=kind)
            known[kind] = tree(card)
        return known[kind]

    return of


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("done", [0, 2 * STAGE + 7])
def test_a_handover_cut_off_while_it_writes_goes_on_and_ends_byte_for_byte_the_same(
    ready: tuple[Brief, Plan], tmp_path: Path, whole: Callable[[As], dict[str, bytes]], kind: As, done: int
) -> None:
    card, name = tmp_path / "card", name_of("aerial", kind)
    count = len(ready[1].layers["aerial"].tiles)
    cut_off(ready, card, kind, f"writing {name}", min(done, count - 1))
    assert part_of(card / name).exists()
    report = handover(*ready, None, card, as_=kind)
    assert tree(card) == whole(kind)
    assert inspect_folder(card).intact
    if kind != "folder" and done:
        stages = min(done, count - 1) // STAGE * STAGE
        assert report.notes == (
            f"{name}: {stages:,} of {count:,} tiles were there from a handover that was cut off. Each was checked; "
            "the rest follows.",
        )


@pytest.mark.parametrize("kind", ["mbtiles", "gpkg"])
def test_what_is_there_is_not_taken_from_the_pack_again(
    ready: tuple[Brief, Plan], tmp_path: Path, given: Iterator[list[Tile]], kind: As
) -> None:
    card, seen = tmp_path / "card", next(given)
    cut_off(ready, card, kind, f"writing {name_of('aerial', kind)}", 3 * STAGE + 1)
    seen.clear()
    handover(*ready, None, card, as_=kind)
    every = list(ready[1].layers["aerial"].tiles)
    assert seen == [*every[3 * STAGE :], *ready[1].layers["topo"].tiles]


@pytest.mark.parametrize("kind", ["mbtiles", "gpkg"])
def test_a_handover_cut_off_while_it_reads_back_writes_nothing_again(
    ready: tuple[Brief, Plan],
    tmp_path: Path,
    whole: Callable[[As], dict[str, bytes]],
    given: Iterator[list[Tile]],
    kind: As,
) -> None:
    card, seen = tmp_path / "card", next(given)
    cut_off(ready, card, kind, f"reading back {name_of('aerial', kind)}", 5)
    seen.clear()
    handover(*ready, None, card, as_=kind)
    assert seen == list(ready[1].layers["topo"].tiles)
    assert tree(card) == whole(kind)


@pytest.mark.parametrize("kind", KINDS)
def test_a_finished_file_is_kept_once_its_bytes_were_checked(
    ready: tuple[Brief, Plan], tmp_path: Path, whole: Callable[[As], dict[str, bytes]], kind: As
) -> None:
    card, name = tmp_path / "card", name_of("aerial", kind)
    cut_off(ready, card, kind, f"writing {name_of('topo', kind)}", 3)
    files = list((card / name).rglob("*.png")) if kind == "folder" else [card / name]
    before = [(p, p.stat().st_ino, p.stat().st_mtime_ns) for p in files]
    report = handover(*ready, None, card, as_=kind)
    assert [(p, p.stat().st_ino, p.stat().st_mtime_ns) for p in files] == before
    assert tree(card) == whole(kind)
    if kind != "folder":
        kept = f"{name}: finished before the handover was cut off. Checked, and kept."
        assert report.notes[0] == kept


@pytest.mark.parametrize("kind", KINDS)
def test_a_finished_file_that_the_card_has_lost_a_bit_of_is_written_again(
    ready: tuple[Brief, Plan], tmp_path: Path, whole: Callable[[As], dict[str, bytes]], kind: As
) -> None:
    card, name = tmp_path / "card", name_of("aerial", kind)
    cut_off(ready, card, kind, f"writing {name_of('topo', kind)}", 3)
    one = next((card / name).rglob("*.png")) if kind == "folder" else card / name
    data = bytearray(one.read_bytes())
    data[len(data) // 2] ^= 1
    one.write_bytes(data)
    report = handover(*ready, None, card, as_=kind)
    assert tree(card) == whole(kind)
    if kind != "folder":
        assert report.notes[0] == f"{name}: not as it was when it was finished, so it is written again."


def newer_tile(brief: Brief, worked_out: Plan, number: int) -> Tile:
    """Give a tile of the plan another picture; its place in the order of the handover is `number`."""
    tile = list(worked_out.layers["aerial"].tiles)[number]
    changed = replace(received(tile, picture(tile, noise=3_000)), fetched=DAY)
    build(brief.store_folder / "aerial.mbtiles", "png", [changed], worked_out)
    return tile


def same_as_fresh(ready: tuple[Brief, Plan], card: Path, kind: As, **more: bool) -> HandoverReport:
    """Go on with a card, and hold it against one that is written from nothing."""
    fresh = card.with_name("fresh")
    handover(*ready, None, fresh, as_=kind, **more)  # type: ignore[arg-type]
    report = handover(*ready, None, card, as_=kind, **more)  # type: ignore[arg-type]
    assert tree(card) == tree(fresh)
    assert inspect_folder(card).intact
    assert inspect_folder(card).extra == ()
    return report


@pytest.mark.parametrize("kind", KINDS)
def test_a_tile_that_was_replaced_since_begins_its_file_again_and_says_so(
    own: tuple[Brief, Plan], tmp_path: Path, kind: As
) -> None:
    card, name = tmp_path / "card", name_of("aerial", kind)
    cut_off(own, card, kind, f"writing {name}", 3 * STAGE + 1)
    newer_tile(*own, 5)
    report = same_as_fresh(own, card, kind)
    if kind != "folder":
        assert report.notes[0].startswith(
            f"{name}: what is there of it is not what would be written now, so it is begun"
        )


@pytest.mark.parametrize("kind", KINDS)
def test_a_finished_file_whose_pack_has_changed_since_is_written_again_and_says_so(
    own: tuple[Brief, Plan], tmp_path: Path, kind: As
) -> None:
    card, name = tmp_path / "card", name_of("aerial", kind)
    cut_off(own, card, kind, f"writing {name_of('topo', kind)}", 3)
    newer_tile(*own, 5)
    report = same_as_fresh(own, card, kind)
    assert report.notes[0] == (
        f"{name}: the packs or the brief have changed since it was written, so it is written again."
    )


@pytest.mark.parametrize("kind", ["mbtiles", "gpkg"])
def test_a_brief_that_says_other_things_since_is_what_the_files_say(
    ready: tuple[Brief, Plan], tmp_path: Path, kind: As
) -> None:
    """One file was finished, the other had all its tiles and its labels."""
    card = tmp_path / "card"
    cut_off(ready, card, kind, f"reading back {name_of('topo', kind)}", 3)
    other = ready[0].model_copy(update={"title": "Another title"}), ready[1]
    report = same_as_fresh(other, card, kind)
    assert "written again" in report.notes[0]
    assert any("begun again" in note for note in report.notes)


def test_an_intact_beginning_is_gone_on_with_even_for_a_larger_plan(
    source: Path, tmp_path: Path, given: Iterator[list[Tile]]
) -> None:
    """What is there is tried tile by tile, whatever it was written for."""
    card, seen = tmp_path / "card", next(given)
    smaller = brief_in(source, deepest=13)
    count = len(smaller[1].layers["aerial"].tiles)
    common = sum(
        1
        for a, b in zip(
            smaller[1].layers["aerial"].tiles,
            brief_in(source, deepest=14)[1].layers["aerial"].tiles,
            strict=False,
        )
        if a == b
    )
    cut_off(smaller, card, "mbtiles", "writing aerial.mbtiles", count - 1)
    larger = brief_in(source, deepest=14)
    seen.clear()
    handover(*larger, None, card)
    assert common >= count // STAGE * STAGE, "the tests' briefs begin with the same tiles"
    assert seen[0] == list(larger[1].layers["aerial"].tiles)[count // STAGE * STAGE]
    assert inspect_folder(card).intact


# ---------------------------------------------------------------- what lies on a card may come from anyone


def forged(path: Path, statement: str) -> None:
    db = sqlite3.connect(path, isolation_level=None)
    db.execute(statement)
    db.close()


ALTERED: dict[str, Callable[[Path], object]] = {
    "another body": lambda p: forged(p, "UPDATE tiles SET tile_data = x'00' WHERE rowid = 3"),
    "a tile that nobody planned": lambda p: forged(p, "INSERT INTO tiles VALUES (14, 1, 1, x'00')"),
    "a tile at another place": lambda p: forged(p, "UPDATE tiles SET tile_column = 9999 WHERE rowid = 3"),
    "a tile lost": lambda p: forged(p, "DELETE FROM tiles WHERE rowid = 3"),
    "labels": lambda p: forged(p, "INSERT INTO metadata VALUES ('name', 'something else')"),
    "a trigger": lambda p: forged(
        p, "CREATE TRIGGER more AFTER INSERT ON tiles BEGIN DELETE FROM metadata; END"
    ),
    "another table": lambda p: forged(p, "CREATE TABLE notes (text TEXT)"),
    "rubbish": lambda p: p.write_bytes(b"rubbish" * 4000),
    "nothing": lambda p: p.write_bytes(b""),
    "half of it": lambda p: os.truncate(p, p.stat().st_size // 2),
    "a page of zeroes": lambda p: p.write_bytes(p.read_bytes()[:8192] + bytes(4096) + p.read_bytes()[12288:]),
}


@pytest.mark.parametrize("how", ALTERED)
def test_a_half_written_file_that_was_altered_is_never_gone_on_with(
    ready: tuple[Brief, Plan], tmp_path: Path, whole: Callable[[As], dict[str, bytes]], how: str
) -> None:
    card = tmp_path / "card"
    cut_off(ready, card, "mbtiles", "writing aerial.mbtiles", 3 * STAGE + 1)
    ALTERED[how](part_of(card / "aerial.mbtiles"))
    handover(*ready, None, card)
    assert tree(card) == whole("mbtiles")


@pytest.mark.parametrize("hard", [True, False])
def test_a_half_written_name_that_leads_elsewhere_is_not_written_through(
    ready: tuple[Brief, Plan], tmp_path: Path, whole: Callable[[As], dict[str, bytes]], hard: bool
) -> None:
    card, elsewhere = tmp_path / "card", tmp_path / "elsewhere"
    cut_off(ready, card, "mbtiles", "writing aerial.mbtiles", 3 * STAGE + 1)
    part = part_of(card / "aerial.mbtiles")
    part.rename(elsewhere)
    before = elsewhere.read_bytes()
    part.hardlink_to(elsewhere) if hard else part.symlink_to(elsewhere)
    handover(*ready, None, card)
    assert elsewhere.read_bytes() == before
    assert tree(card) == whole("mbtiles")


def test_half_a_file_whose_index_is_damaged_is_begun_again_and_no_disk_is_blamed(
    ready: tuple[Brief, Plan], tmp_path: Path, whole: Callable[[As], dict[str, bytes]]
) -> None:
    """Every tile is right, so it shows only when the file is read back."""
    card = tmp_path / "card"
    cut_off(ready, card, "mbtiles", "reading back aerial.mbtiles", 1)
    part = part_of(card / "aerial.mbtiles")
    db = sqlite3.connect(part)
    (root,) = db.execute("SELECT rootpage FROM sqlite_master WHERE name = 'tile_index'").fetchone()
    db.close()
    data = bytearray(part.read_bytes())
    end = root * 4096
    data[end - 40 : end] = bytes(40)  # the first entries of the index, or pointers to its pages
    part.write_bytes(data)
    report = handover(*ready, None, card)
    assert any("did not read back as it should" in note for note in report.notes)
    assert tree(card) == whole("mbtiles")


@pytest.mark.parametrize("more", ["-wal", "-shm", "-journal"])
def test_what_sqlite_would_take_for_a_part_of_half_a_file_leads_nowhere(
    ready: tuple[Brief, Plan], tmp_path: Path, whole: Callable[[As], dict[str, bytes]], more: str
) -> None:
    """Half a file as a database with a write-ahead log, whose log is a link."""
    card, elsewhere = tmp_path / "card", tmp_path / "elsewhere"
    cut_off(ready, card, "mbtiles", "writing aerial.mbtiles", 3 * STAGE + 1)
    part = part_of(card / "aerial.mbtiles")
    forged(part, "PRAGMA journal_mode = WAL" if more != "-journal" else "PRAGMA user_version = 0")
    elsewhere.write_bytes(b"kept")
    part.with_name(part.name + more).unlink(missing_ok=True)
    part.with_name(part.name + more).symlink_to(elsewhere)
    handover(*ready, None, card)
    assert elsewhere.read_bytes() == b"kept"
    assert inspect_folder(card).intact
    assert tree(card).keys() == whole("mbtiles").keys()


def test_a_handover_into_a_folder_that_another_one_writes_is_told_so_and_touches_nothing(
    ready: tuple[Brief, Plan], tmp_path: Path, whole: Callable[[As], dict[str, bytes]]
) -> None:
    card = tmp_path / "card"
    told: list[str] = []

    def second(what: str, done: int, _every: int) -> None:
        if what == "writing topo.mbtiles" and done == 3:
            before = tree(card)
            with pytest.raises(StoreBusyError) as fault:
                handover(*ready, None, card, as_="gpkg")
            told.append(str(fault.value))
            assert tree(card) == before

    handover(*ready, None, card, on_progress=second)
    assert told == [
        f"Another handover is writing into {card} right now. Let it finish, or stop it with Ctrl-C, then try again."
    ]
    assert tree(card) == whole("mbtiles")
    handover(*ready, None, card)
    assert tree(card) == whole("mbtiles")


@pytest.mark.parametrize("kind", KINDS)
def test_a_card_that_was_full_in_the_middle_is_gone_on_with_once_it_has_room(
    ready: tuple[Brief, Plan],
    tmp_path: Path,
    whole: Callable[[As], dict[str, bytes]],
    given: Iterator[list[Tile]],
    kind: As,
) -> None:
    card, name, seen = tmp_path / "card", name_of("aerial", kind), next(given)

    def full(what: str, done: int, _every: int) -> None:
        if what == f"writing {name}" and done == 2 * STAGE + 1:
            raise OSError(errno.ENOSPC, "No space left on device")

    with pytest.raises(DiskError, match="The disk is full"):
        handover(*ready, None, card, as_=kind, on_progress=full)
    assert not (card / name).exists()
    seen.clear()
    report = handover(*ready, None, card, as_=kind)
    assert "were there from a handover that was cut off" in report.notes[0]
    assert tree(card) == whole(kind)
    assert kind == "folder" or seen[0] == list(ready[1].layers["aerial"].tiles)[2 * STAGE]


def test_loose_files_that_do_not_belong_are_removed_and_links_among_them_lead_nowhere(
    ready: tuple[Brief, Plan], tmp_path: Path, whole: Callable[[As], dict[str, bytes]]
) -> None:
    card, elsewhere = tmp_path / "card", tmp_path / "elsewhere"
    cut_off(ready, card, "folder", "writing aerial", 55)
    part = part_of(card / "aerial")
    elsewhere.mkdir()
    (elsewhere / "kept").write_text("kept", encoding="utf-8")
    columns = sorted(p for p in part.glob("*/*") if p.is_dir())
    shutil.rmtree(columns[-1])
    columns[-1].symlink_to(elsewhere)
    zoom = columns[0].parent
    shutil.rmtree(zoom)
    zoom.symlink_to(elsewhere)
    files = sorted(p for p in part.rglob("*.png") if p.is_file() and not p.is_symlink())
    files[0].unlink()
    files[0].symlink_to(elsewhere / "kept")
    files[1].unlink()
    files[1].hardlink_to(elsewhere / "kept")
    files[2].write_bytes(bytes(files[2].stat().st_size))
    (files[3].with_name("999999.png")).write_bytes(b"stray")
    (files[3].with_name(f"0{files[3].name}")).write_bytes(b"stray")
    (part / "20" / "1").mkdir(parents=True)
    (part / "notes").write_text("stray", encoding="utf-8")
    handover(*ready, None, card, as_="folder")
    assert tree(card) == whole("folder")
    assert tree(elsewhere) == {"kept": b"kept"}


@pytest.mark.parametrize("checksum", [True, False])
def test_a_journal_that_calls_another_file_finished_is_not_believed(
    ready: tuple[Brief, Plan], tmp_path: Path, whole: Callable[[As], dict[str, bytes]], checksum: bool
) -> None:
    """Neither one that a card has garbled, nor one whose file is not there."""
    card = tmp_path / "card"
    cut_off(ready, card, "mbtiles", "writing topo.mbtiles", 3)
    told = json.loads((card / JOURNAL).read_text(encoding="utf-8"))
    finished = next(entry for entry in told if isinstance(entry, dict))
    if checksum:
        (card / "aerial.mbtiles").unlink()
    else:
        finished["finished"]["aerial.mbtiles"]["entries"][0]["by_zoom"] = {"9": 1}
        (card / JOURNAL).write_text(json.dumps(told), encoding="utf-8")
        assert not read_journal(card).finished
    handover(*ready, None, card)
    assert tree(card) == whole("mbtiles")


# ---------------------------------------------------------------- crews, gaps, room


def test_crews_that_have_all_their_files_keep_them(ready: tuple[Brief, Plan], tmp_path: Path) -> None:
    card, fresh = tmp_path / "card", tmp_path / "fresh"
    crews = [DeviceCrew("west", areas=("west",)), DeviceCrew("east", areas=("east",))]
    cuts = 0

    def on_progress(what: str, _done: int, _every: int) -> None:
        nonlocal cuts
        cuts += what == "writing aerial.mbtiles" and _done == 0
        if cuts == 2 and _done == STAGE + 1:
            raise StoppedError("cut off")

    with pytest.raises(StoppedError):
        handover(*ready, None, card, crews=crews, on_progress=on_progress)
    assert (card / "west" / "manifest.json").exists()
    assert not inspect_tree(card).intact
    before = (card / "west" / "aerial.mbtiles").stat()
    report = handover(*ready, None, card, crews=crews)
    after = (card / "west" / "aerial.mbtiles").stat()
    assert (after.st_ino, after.st_mtime_ns) == (before.st_ino, before.st_mtime_ns)
    assert len(report.notes) == 3
    handover(*ready, None, fresh, crews=crews)
    assert tree(card) == tree(fresh)
    assert inspect_tree(card).intact


@pytest.mark.parametrize("done", [STAGE + 1, 3 * STAGE])
def test_tiles_that_were_left_out_are_left_out_by_the_run_that_goes_on(
    own: tuple[Brief, Plan], tmp_path: Path, done: int
) -> None:
    tile = list(own[1].layers["aerial"].tiles)[STAGE + 20]
    pack = own[0].store_folder / "aerial.mbtiles"
    row = (1 << tile.zoom) - 1 - tile.y
    forged(
        pack,
        "UPDATE blob SET data = x'00' WHERE id = (SELECT blob_id FROM placement WHERE "
        f"zoom_level = {tile.zoom} AND tile_column = {tile.x} AND tile_row = {row})",
    )
    card = tmp_path / "card"
    with pytest.raises(StoppedError):
        handover(*own, None, card, allow_gaps=True, on_progress=cut_at("writing aerial.mbtiles", done))
    report = same_as_fresh(own, card, "mbtiles", allow_gaps=True)
    assert report.copies[0].manifest.layers["aerial"].damaged == 1


def test_a_file_with_tiles_left_out_is_not_kept_since_they_may_be_mended(
    own: tuple[Brief, Plan], tmp_path: Path
) -> None:
    tile = list(own[1].layers["aerial"].tiles)[30]
    pack, card = own[0].store_folder / "aerial.mbtiles", tmp_path / "card"
    whole_pack = pack.read_bytes()
    row = (1 << tile.zoom) - 1 - tile.y
    forged(
        pack,
        "UPDATE blob SET data = x'00' WHERE id = (SELECT blob_id FROM placement WHERE "
        f"zoom_level = {tile.zoom} AND tile_column = {tile.x} AND tile_row = {row})",
    )
    with pytest.raises(StoppedError):
        handover(*own, None, card, allow_gaps=True, on_progress=cut_at("writing topo.mbtiles", 3))
    pack.write_bytes(whole_pack)
    report = same_as_fresh(own, card, "mbtiles", allow_gaps=True)
    assert report.copies[0].manifest.layers["aerial"].damaged == 0
    assert report.complete


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_on_the_card_already_needs_no_more_room(
    ready: tuple[Brief, Plan],
    tmp_path: Path,
    whole: Callable[[As], dict[str, bytes]],
    kind: As,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    card = tmp_path / "card"
    cut_off(ready, card, kind, f"writing {name_of('topo', kind)}", 3)
    topo = sum(len(data) for name, data in whole(kind).items() if name.startswith("topo"))
    monkeypatch.setattr(
        "packer.handover.drafting.free_bytes", lambda _: (8 if kind == "folder" else 2) * topo + 1_300_000
    )
    handover(*ready, None, card, as_=kind)
    assert tree(card) == whole(kind)


# ---------------------------------------------------------------- real ends


def die_at(folder: Path, card: Path, kind: As, doing: str, done: int) -> None:
    """The work of a process that is killed at a moment of its own."""

    staged_file.STAGE_TILES = STAGE
    checked_stream.EVERY = file_writing.EVERY = 1  # type: ignore[attr-defined]

    def on_progress(what: str, so_far: int, _every: int) -> None:
        if what == doing and so_far == done:
            os.kill(os.getpid(), signal.SIGKILL)

    handover(*brief_in(folder, deepest=14), None, card, as_=kind, on_progress=on_progress)


@pytest.mark.parametrize(
    ("kind", "doing", "done"),
    [
        ("mbtiles", "writing aerial.mbtiles", 2 * STAGE + 11),
        ("mbtiles", "reading back aerial.mbtiles", 1),
        ("gpkg", "writing topo.gpkg", STAGE + 1),
        ("folder", "writing aerial", 50),
    ],
)
def test_a_process_that_was_killed_is_gone_on_with(
    source: Path,
    tmp_path: Path,
    whole: Callable[[As], dict[str, bytes]],
    given: Iterator[list[Tile]],
    kind: As,
    doing: str,
    done: int,
) -> None:
    card, seen = tmp_path / "card", next(given)
    child = FORKS.Process(target=die_at, args=(source, card, kind, doing, done))
    child.start()
    child.join(240)
    assert child.exitcode == -signal.SIGKILL
    handover(*brief_in(source, deepest=14), None, card, as_=kind)
    read = len(seen)
    assert tree(card) == whole(kind)  # which may read the packs as well
    every = sum(len(layer.tiles) for layer in brief_in(source, deepest=14)[1].layers.values())
    assert kind == "folder" or read <= every - done // STAGE * STAGE


def test_ctrl_c_says_how_to_go_on_and_the_next_run_tells_what_was_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    brief, worked_out = written_brief(tmp_path, deepest=13)
    packs(brief, worked_out)
    shown = run_handover.HandoverProgress.show

    def interrupted(self: run_handover.HandoverProgress, doing: str, done: int, every: int) -> None:
        if doing == "writing aerial.mbtiles" and done == STAGE + 1:
            raise KeyboardInterrupt
        shown(self, doing, done, every)

    arguments = (brief.path, None, tmp_path / "card", "mbtiles", None, None, False, False)
    with monkeypatch.context() as patch:
        patch.setattr(run_handover.HandoverProgress, "show", interrupted)
        assert run_handover.run(*arguments) == 1
    told = " ".join(capsys.readouterr().err.split())
    assert (
        "Stopped. The handover is not finished. Run the same command again: it goes on where it was." in told
    )
    assert run_handover.run(*arguments) == 0
    told = " ".join(capsys.readouterr().err.split())
    assert f"aerial.mbtiles: {STAGE} of " in told
    assert "tiles were there from a handover that was cut off. Each was checked; the rest follows." in told


@pytest.mark.parametrize("cut", [0, 1, STAGE, 2 * STAGE - 1, 2 * STAGE, 3 * STAGE, "labels", "end"])
def test_a_file_that_was_gone_on_with_at_any_point_has_the_same_bytes_to_its_header(
    tmp_path: Path, cut: int | str
) -> None:
    """SQLite counts up a number in the header with each transaction; it must not tell how often a file was cut off."""
    tiles = [(Tile(10, n % 7, n // 7), b"%d " % n * 400) for n in range(3 * STAGE)]
    labels = {"name": "a"}

    def cut_off(rows: list[tuple[Tile, bytes]]) -> Iterator[tuple[Tile, bytes]]:
        for number, row in enumerate(rows):
            if number == cut:
                raise StoppedError("cut off")
            yield row

    def no_labels() -> dict[str, str]:
        if cut != "end":
            raise StoppedError("cut off")
        return labels

    write_mbtiles(tmp_path / "whole", tiles, lambda: labels)
    with contextlib.suppress(StoppedError):
        write_mbtiles(tmp_path / "half", cut_off(tiles), no_labels)
    there: list[tuple[Tile, bytes]] = []

    def rest() -> Iterator[tuple[Tile, bytes]]:
        yield from tiles[len(there) :]

    write_mbtiles(tmp_path / "half", rest(), lambda: labels, None, there.extend)
    assert there == tiles[: len(there)]
    assert (tmp_path / "half").read_bytes() == (tmp_path / "whole").read_bytes()
