"""What must never be handed over, never be replaced, never be told, and never be left half done."""

from __future__ import annotations

import os
import random
import re
import signal
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from packer.content.digest import body_hash
from packer.errors import EXIT_NOT_COMPLETE, DiskError, InputError, LastbarError, StoreError
from packer.geometry.tileset import Tile
from packer.handover import DeviceCrew, handover, inspect_folder
from packer.handover.kinds import As
from packer.handover.manifest import read_manifest
from packer.handover.target import leftovers, sync_file
from packer.planning.brief import Brief
from packer.planning.plan import Plan
from packer.proof.proving import verify
from packer.proof.results import Depth
from packer.store.records import seal
from packer.store.sealed_file import SealedFile
from packer.store.sealed_mbtiles import write_mbtiles
from tests.budgets import tries
from tests.commands import FORKS
from tests.handover_packs import HOST, KEY, brief_in, die_before, hand_over_again_and_again, packs, picture
from tests.test_handover_parts import tiles_of


@pytest.fixture
def ready(tmp_path: Path) -> tuple[Brief, Plan]:
    brief, worked_out = brief_in(tmp_path, deepest=13)
    packs(brief, worked_out)
    return brief, worked_out


def change(pack: Path, sql: str, *values: object) -> None:
    db = sqlite3.connect(pack)
    assert db.execute(sql, values).rowcount == 1
    db.commit()
    db.close()


def visible(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir() if not path.name.startswith("."))


_OF_TILE = "(SELECT blob_id FROM placement WHERE zoom_level = 13 ORDER BY tile_column, tile_row LIMIT 1)"


def flip_a_bit(pack: Path) -> None:
    db = sqlite3.connect(pack)
    number, data = db.execute(f"SELECT id, data FROM blob WHERE id = {_OF_TILE}").fetchone()
    db.close()
    bad = bytearray(data)
    bad[len(bad) // 2] ^= 1
    change(pack, "UPDATE blob SET data = ? WHERE id = ?", bytes(bad), number)


def lose_a_body(pack: Path) -> None:
    change(pack, f"DELETE FROM blob WHERE id = {_OF_TILE}")


def break_a_seal(pack: Path) -> None:
    change(
        pack,
        "UPDATE placement SET seal = x'0000000000000000' WHERE rowid = "
        "(SELECT rowid FROM placement WHERE zoom_level = 13 LIMIT 1)",
    )


def put_a_page_in_place(pack: Path) -> None:
    """A body that hashes to its hash and lies at its place, but is no tile."""
    body = b"<html>sign in</html>"
    db = sqlite3.connect(pack)
    number, zoom, x, row = db.execute(
        f"SELECT blob_id, zoom_level, tile_column, tile_row FROM placement WHERE blob_id = {_OF_TILE}"
    ).fetchone()
    db.close()
    change(pack, "UPDATE blob SET data = ?, hash = ? WHERE id = ?", body, body_hash(body), number)
    change(
        pack, "UPDATE placement SET seal = ? WHERE blob_id = ?", seal(zoom, x, row, body_hash(body)), number
    )


DAMAGES: dict[Callable[[Path], None], str] = {
    flip_a_bit: "its bytes have changed",
    lose_a_body: "its data is missing",
    break_a_seal: "it is stored at another tile's place",
    put_a_page_in_place: r"it is not a whole tile \(an HTML page\)",
}


@pytest.mark.parametrize("damage", DAMAGES)
def test_bad_body_is_never_handed_over(
    ready: tuple[Brief, Plan], tmp_path: Path, damage: Callable[[Path], None]
) -> None:
    brief, worked_out = ready
    damage(brief.store_folder / "aerial.mbtiles")
    refusal = rf"Tile 13/\d+/\d+ of layer aerial is corrupt, so it must not be handed over: {DAMAGES[damage]}"
    with pytest.raises(StoreError, match=refusal):
        handover(brief, worked_out, None, tmp_path / "card")
    assert visible(tmp_path / "card") == []


def test_refusal_of_a_bad_body_names_the_packs_in_a_command_that_can_be_pasted(tmp_path: Path) -> None:
    folder, store = tmp_path / "my maps", tmp_path / "other store"
    folder.mkdir()
    brief, worked_out = brief_in(folder, deepest=12)
    packs(brief, worked_out)
    brief.store_folder.rename(store)
    flip_a_bit(store / "aerial.mbtiles")
    command = f"lastbar verify '{brief.path}' --store '{store}'"
    with pytest.raises(StoreError, match=f"To find all such tiles: {re.escape(command)}. To leave them out"):
        handover(brief, worked_out, store, tmp_path / "card")


def test_refusal_of_a_body_that_no_hash_shows_names_a_verify_that_finds_it(
    ready: tuple[Brief, Plan], tmp_path: Path
) -> None:
    brief, worked_out = ready
    put_a_page_in_place(brief.store_folder / "aerial.mbtiles")
    with pytest.raises(StoreError, match=r"To find all such tiles: lastbar verify \S+ --full\. To leave"):
        handover(brief, worked_out, None, tmp_path / "card")
    assert verify(brief, worked_out).layers["aerial"].counts.corrupt == 0
    assert verify(brief, worked_out, depth=Depth.FULL).layers["aerial"].counts.corrupt == 1


@pytest.mark.parametrize("damage", DAMAGES)
def test_bad_body_is_left_out_and_told_when_gaps_are_allowed(
    ready: tuple[Brief, Plan], tmp_path: Path, damage: Callable[[Path], None]
) -> None:
    brief, worked_out = ready
    damage(brief.store_folder / "aerial.mbtiles")
    report = handover(brief, worked_out, None, tmp_path / "card", allow_gaps=True)
    layer = report.copies[0].manifest.layers["aerial"]
    assert (layer.damaged, layer.missing, report.complete) == (1, 0, False)
    assert layer.planned == layer.on_board + 1
    found = tiles_of(tmp_path / "card" / "aerial.mbtiles")
    assert len(worked_out.layers["aerial"].tiles - found) == 1
    card = (tmp_path / "card" / "ON THIS CARD.txt").read_text(encoding="utf-8")
    assert "NOT COMPLETE" in card
    assert "aerial: 1 planned tile MISSING: corrupt in the pack." in card
    assert inspect_folder(tmp_path / "card").intact


def gaps(plan: Plan) -> dict[str, set[Tile]]:
    return {"aerial": set(list(plan.layers["aerial"].tiles.at(13))[:3])}


def test_incomplete_plan_is_refused_and_nothing_is_written(tmp_path: Path) -> None:
    brief, worked_out = brief_in(tmp_path, deepest=13)
    packs(brief, worked_out, missing=gaps(worked_out))
    with pytest.raises(LastbarError, match=r"3 planned tiles are not on board \(aerial 3\)") as refused:
        handover(brief, worked_out, None, tmp_path / "card")
    assert refused.value.exit_code == EXIT_NOT_COMPLETE
    assert not (tmp_path / "card").exists()


def test_gaps_that_are_allowed_are_told_on_the_card_and_in_the_manifest(tmp_path: Path) -> None:
    brief, worked_out = brief_in(tmp_path, deepest=13)
    packs(brief, worked_out, missing=gaps(worked_out))
    handover(brief, worked_out, None, tmp_path / "card", allow_gaps=True)
    card = (tmp_path / "card" / "ON THIS CARD.txt").read_text(encoding="utf-8")
    assert "NOT COMPLETE: planned tiles are missing" in card
    assert "aerial: 3 planned tiles MISSING: not fetched in time." in card
    manifest = read_manifest(tmp_path / "card")
    assert not manifest.complete
    assert manifest.layers["aerial"].missing == 3


def test_tiles_that_the_server_lacks_are_no_gap_and_are_counted(tmp_path: Path) -> None:
    brief, worked_out = brief_in(tmp_path, deepest=13)
    packs(brief, worked_out, absent=gaps(worked_out))
    report = handover(brief, worked_out, None, tmp_path / "card")
    layer = report.copies[0].manifest.layers["aerial"]
    assert report.complete
    assert (layer.absent, layer.on_board) == (3, layer.planned - 3)
    card = (tmp_path / "card" / "ON THIS CARD.txt").read_text(encoding="utf-8")
    assert "aerial: 3 planned tiles not on the server." in card


def test_layer_without_a_pack_is_a_gap(ready: tuple[Brief, Plan], tmp_path: Path) -> None:
    brief, worked_out = ready
    (brief.store_folder / "topo.mbtiles").unlink()
    with pytest.raises(LastbarError, match="topo"):
        handover(brief, worked_out, None, tmp_path / "card")
    handover(brief, worked_out, None, tmp_path / "card", allow_gaps=True)
    assert visible(tmp_path / "card") == ["ON THIS CARD.txt", "aerial.mbtiles", "manifest.json"]
    assert "topo: nothing." in (tmp_path / "card" / "ON THIS CARD.txt").read_text(encoding="utf-8")


@pytest.mark.parametrize("kind", ["mbtiles", "gpkg", "folder"])
def test_no_key_and_no_server_is_in_anything_handed_over(
    ready: tuple[Brief, Plan], tmp_path: Path, kind: As
) -> None:
    brief, worked_out = ready
    handover(brief, worked_out, None, tmp_path / "card", as_=kind)
    files = [path for path in (tmp_path / "card").rglob("*") if path.is_file()]
    assert len(files) >= 4
    for path in files:
        content = path.read_bytes()
        assert KEY.encode() not in content
        assert HOST.encode() not in content


def test_card_is_one_page_of_80_columns_with_what_a_crew_needs(
    ready: tuple[Brief, Plan], tmp_path: Path
) -> None:
    brief, worked_out = ready
    handover(brief, worked_out, None, tmp_path / "card")
    text = (tmp_path / "card" / "ON THIS CARD.txt").read_text(encoding="utf-8")
    assert max(len(line) for line in text.splitlines()) <= 80
    assert len(text.splitlines()) <= 66
    for words in (
        "Ketterling Basin reconnaissance",
        "aerial.mbtiles",
        "Areas: west, east.",
        "west: aerial to zoom 13",
        "every planned tile is on this card",
        "fetched from 2030-03-17",
        "aerial: Example Survey",
        "Imagery is dated",
        "for viewing, not for positioning",
        "independent means of navigation",
        "Local law, closures",
        "licence or a guide",
    ):
        assert words in text


def test_page_stays_one_page_with_many_parts_and_areas(tmp_path: Path) -> None:
    brief, worked_out = brief_in(tmp_path)
    packs(brief, worked_out, draw=lambda tile: picture(tile, noise=2_000))
    report = handover(brief, worked_out, None, tmp_path / "card", max_file_bytes=140_000)
    assert len(report.copies[0].manifest.files) > 10
    text = (tmp_path / "card" / "ON THIS CARD.txt").read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 70
    assert "more files, all listed in manifest.json" in text


def test_folder_of_the_packs_is_refused_as_target(ready: tuple[Brief, Plan]) -> None:
    brief, worked_out = ready
    before = {path.name: path.read_bytes() for path in brief.store_folder.glob("*.mbtiles")}
    with pytest.raises(InputError, match="the folder of the packs"):
        handover(brief, worked_out, None, brief.store_folder / ".." / brief.store_folder.name)
    assert {path.name: path.read_bytes() for path in brief.store_folder.glob("*.mbtiles")} == before


@pytest.mark.parametrize("there", [True, False])
def test_crew_folder_that_is_a_link_is_refused_and_nothing_is_written_where_it_leads(
    ready: tuple[Brief, Plan], tmp_path: Path, there: bool
) -> None:
    brief, worked_out = ready
    card, elsewhere = tmp_path / "card", tmp_path / "elsewhere"
    card.mkdir()
    if there:
        elsewhere.mkdir()
    (card / "north").symlink_to(elsewhere)
    with pytest.raises(InputError, match=r"north is a link to somewhere else, .* Remove the link"):
        handover(brief, worked_out, None, card, crews=[DeviceCrew("south"), DeviceCrew("north")])
    assert list(card.iterdir()) == [card / "north"]
    assert elsewhere.exists() == there
    assert not there or list(elsewhere.iterdir()) == []


@pytest.mark.parametrize(("kind", "name"), [("folder", "aerial"), ("mbtiles", "aerial.mbtiles")])
@pytest.mark.parametrize("crews", [[], [DeviceCrew("north")]])
def test_layer_of_an_earlier_handover_that_is_now_a_link_is_refused_and_left(
    ready: tuple[Brief, Plan], tmp_path: Path, kind: As, name: str, crews: list[DeviceCrew]
) -> None:
    brief, worked_out = ready
    card, elsewhere = tmp_path / "card", tmp_path / "elsewhere"
    handover(brief, worked_out, None, card, as_=kind, crews=crews)
    (linked,) = card.rglob(name)
    linked.rename(elsewhere)
    linked.symlink_to(elsewhere)
    before = {path: path.lstat().st_mtime_ns for path in (*card.rglob("*"), elsewhere, *elsewhere.rglob("*"))}
    with pytest.raises(InputError, match=f"{name} is a link to somewhere else"):
        handover(brief, worked_out, None, card, as_=kind, crews=crews)
    after = {path: path.lstat().st_mtime_ns for path in (*card.rglob("*"), elsewhere, *elsewhere.rglob("*"))}
    assert after == before


def test_target_that_is_itself_a_link_is_what_the_planner_asked_for(
    ready: tuple[Brief, Plan], tmp_path: Path
) -> None:
    brief, worked_out = ready
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "card").symlink_to(tmp_path / "elsewhere")
    handover(brief, worked_out, None, tmp_path / "card", crews=[DeviceCrew("north")])
    handover(brief, worked_out, None, tmp_path / "card" / "whole")
    assert inspect_folder(tmp_path / "elsewhere" / "north").intact
    assert inspect_folder(tmp_path / "elsewhere" / "whole").intact


@pytest.mark.parametrize("name", ["aerial.mbtiles", "AERIAL.MBTiles"])
def test_file_that_comes_from_no_handover_is_never_replaced(
    ready: tuple[Brief, Plan], tmp_path: Path, name: str
) -> None:
    brief, worked_out = ready
    card = tmp_path / "card"
    card.mkdir()
    (card / name).write_bytes(b"someone's own")
    with pytest.raises(InputError, match="is not from a handover"):
        handover(brief, worked_out, None, card)
    assert (card / name).read_bytes() == b"someone's own"


def test_manifest_of_another_program_is_never_replaced(ready: tuple[Brief, Plan], tmp_path: Path) -> None:
    brief, worked_out = ready
    card = tmp_path / "card"
    card.mkdir()
    (card / "manifest.json").write_text('{"name": "other"}', encoding="utf-8")
    with pytest.raises(InputError, match="was not written by a handover"):
        handover(brief, worked_out, None, card)
    assert (card / "manifest.json").read_text(encoding="utf-8") == '{"name": "other"}'


def test_stale_parts_of_an_earlier_handover_are_named_and_left(
    ready: tuple[Brief, Plan], tmp_path: Path
) -> None:
    brief, worked_out = ready
    card = tmp_path / "card"
    handover(brief, worked_out, None, card)
    before = visible(card)
    with pytest.raises(InputError, match=r"would not replace, for example aerial\.mbtiles"):
        handover(brief, worked_out, None, card, as_="gpkg")
    assert visible(card) == before
    assert inspect_folder(card).intact


@pytest.mark.parametrize("kind", ["mbtiles", "gpkg", "folder"])
def test_second_handover_replaces_the_first_whole(
    ready: tuple[Brief, Plan], tmp_path: Path, kind: As
) -> None:
    brief, worked_out = ready
    card = tmp_path / "card"
    handover(brief, worked_out, None, card, as_=kind)
    first = (card / "manifest.json").read_bytes()
    handover(brief, worked_out, None, card, as_=kind)
    assert (card / "manifest.json").read_bytes() == first
    assert list(leftovers(card)) == []
    report = inspect_folder(card)
    assert report.intact
    assert report.extra == ()


def test_disk_that_does_not_give_back_what_it_took_is_noticed(
    ready: tuple[Brief, Plan], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A byte inside a picture changes between writing and reading back; SQLite's own check cannot see it."""
    brief, worked_out = ready

    def lossy(path: Path) -> None:
        sync_file(path)
        content = bytearray(path.read_bytes())
        content[content.rfind(b"IEND") - 20] ^= 1
        path.write_bytes(content)

    monkeypatch.setattr("packer.handover.kinds.sync_file", lossy)
    with pytest.raises(StoreError, match="did not read back as it was written"):
        handover(brief, worked_out, None, tmp_path / "card")
    assert visible(tmp_path / "card") == []


def test_full_disk_midway_leaves_no_final_name_and_the_next_run_succeeds(
    ready: tuple[Brief, Plan], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    brief, worked_out = ready
    card = tmp_path / "card"
    monkeypatch.setattr(
        "packer.handover.kinds.write_mbtiles",
        lambda part, tiles, labels, _, there: write_mbtiles(part, tiles, labels, 40_000, there),
    )
    with pytest.raises(DiskError):
        handover(brief, worked_out, None, card)
    assert visible(card) == []
    monkeypatch.undo()
    assert handover(brief, worked_out, None, card).complete
    assert inspect_folder(card).extra == ()


@pytest.mark.parametrize("kind", ["mbtiles", "gpkg", "folder"])
def test_every_final_name_is_given_by_renaming_what_was_synced_before(
    ready: tuple[Brief, Plan], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: As
) -> None:
    brief, worked_out = ready
    synced: set[int] = set()
    renamed: dict[str, int] = {}
    awaiting: set[int] = set()  # folders whose names have changed since they were last synced
    fsync, replace_ = os.fsync, os.replace

    def noting_fsync(handle: int) -> None:
        fsync(handle)
        synced.add(os.fstat(handle).st_ino)
        awaiting.discard(os.fstat(handle).st_ino)

    def noting_replace(source: Path, target: Path) -> None:
        inside = [path for path in (source, *source.rglob("*")) if path.exists()]
        assert {path.stat().st_ino for path in inside} <= synced
        replace_(source, target)
        renamed[Path(target).name] = Path(target).stat().st_ino
        awaiting.add(Path(target).parent.stat().st_ino)

    monkeypatch.setattr(os, "fsync", noting_fsync)
    monkeypatch.setattr(os, "replace", noting_replace)
    card = tmp_path / "card"
    handover(brief, worked_out, None, card, as_=kind)
    assert {path.name: path.stat().st_ino for path in card.iterdir()}.items() <= renamed.items()
    assert awaiting == set()


def test_the_old_manifest_is_gone_from_the_disk_before_a_file_that_it_names_is_replaced(
    ready: tuple[Brief, Plan], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A power cut may undo what a folder was not synced after: an old manifest would then vouch for new files."""
    brief, worked_out = ready
    card = tmp_path / "card"
    handover(brief, worked_out, None, card)
    on_disk: set[str] = {
        path.name for path in card.iterdir()
    }  # as a power cut would leave the folder's names
    fsync, replace_ = os.fsync, os.replace

    def noting_fsync(handle: int) -> None:
        fsync(handle)
        if os.fstat(handle).st_ino == card.stat().st_ino:
            on_disk.clear()
            on_disk.update(path.name for path in card.iterdir())

    def noting_replace(source: Path, target: Path) -> None:
        if Path(target).suffix == ".mbtiles":
            assert "manifest.json" not in on_disk
        replace_(source, target)

    monkeypatch.setattr(os, "fsync", noting_fsync)
    monkeypatch.setattr(os, "replace", noting_replace)
    handover(brief, worked_out, None, card)
    assert "manifest.json" in on_disk


def test_kill_at_random_moments_leaves_only_whole_files_and_the_next_run_completes(
    ready: tuple[Brief, Plan], tmp_path: Path
) -> None:
    brief, worked_out = ready
    whole, card = tmp_path / "whole", tmp_path / "card"
    expected = handover(brief, worked_out, None, whole).copies[0].manifest
    chance = random.Random(10)
    for _ in range(tries(5, 10)):
        started = FORKS.Event()
        child = FORKS.Process(target=hand_over_again_and_again, args=(tmp_path, card, started))
        child.start()
        assert started.wait(60)
        child.join(chance.uniform(0.0, 0.25))
        child.kill()
        child.join()
        if card.exists():
            _only_whole_files(card, whole)
    assert handover(brief, worked_out, None, card).copies[0].manifest == expected
    assert list(leftovers(card)) == []


@pytest.mark.parametrize(
    ("kind", "steps"), [("mbtiles", range(1, 100, tries(9, 4))), ("gpkg", range(2, 100, 9))]
)
def test_kill_before_any_file_operation_leaves_only_whole_files(
    ready: tuple[Brief, Plan], tmp_path: Path, kind: As, steps: range
) -> None:
    """Every step is tried on top of what the kill before it left, and once over a finished handover."""
    brief, worked_out = ready
    whole, card = tmp_path / "whole", tmp_path / "card"
    expected = handover(brief, worked_out, None, whole, as_=kind).copies[0].manifest
    kills = 0
    for step in steps:
        child = FORKS.Process(target=die_before, args=(tmp_path, card, kind, step))
        child.start()
        child.join()
        if card.exists():
            _only_whole_files(card, whole)
        if child.exitcode == 0:
            break
        assert child.exitcode == -signal.SIGKILL
        kills += 1
    assert kills >= 5
    assert child.exitcode == 0  # the last run had fewer steps than were left to it, and finished
    assert handover(brief, worked_out, None, card, as_=kind).copies[0].manifest == expected
    assert list(leftovers(card)) == []


@pytest.mark.parametrize("step", [3, 260, 275])
def test_kill_while_loose_files_are_written_leaves_only_whole_folders(
    ready: tuple[Brief, Plan], tmp_path: Path, step: int
) -> None:
    brief, worked_out = ready
    whole, card = tmp_path / "whole", tmp_path / "card"
    expected = handover(brief, worked_out, None, whole, as_="folder").copies[0].manifest
    child = FORKS.Process(target=die_before, args=(tmp_path, card, "folder", step))
    child.start()
    child.join()
    assert child.exitcode == -signal.SIGKILL
    _only_whole_files(card, whole)
    assert handover(brief, worked_out, None, card, as_="folder").copies[0].manifest == expected
    assert list(leftovers(card)) == []


def _only_whole_files(card: Path, whole: Path) -> None:
    """Every final name stands for just the bytes of the undisturbed handover; a manifest only for all of it."""
    for path in card.iterdir():
        if path.name.startswith("."):
            continue
        for one in (path, *path.rglob("*")):
            if one.is_file():
                assert one.read_bytes() == (whole / one.relative_to(card)).read_bytes()
        if path.suffix in (".mbtiles", ".gpkg"):
            with SealedFile(path) as sealed:
                assert sealed.structure_fault(thorough=True) is None
    if (card / "manifest.json").exists():
        assert inspect_folder(card).intact


def test_crew_names_and_titles_cannot_break_the_page(ready: tuple[Brief, Plan], tmp_path: Path) -> None:
    brief, worked_out = ready
    odd = brief.model_copy(update={"title": "A\x1b[31mred\nline " + "long " * 40})
    handover(odd, replace(worked_out, remarks=()), None, tmp_path / "card")
    text = (tmp_path / "card" / "ON THIS CARD.txt").read_text(encoding="utf-8")
    assert "\x1b" not in text
    assert max(len(line) for line in text.splitlines()) <= 80
