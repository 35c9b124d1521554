"""The record of the crews' folders: none that belongs in a target is lost, or left half done, without being missed."""

from __future__ import annotations

import errno
import json
import os
import shutil
import signal
from collections.abc import Callable, Mapping
from multiprocessing.synchronize import Barrier
from pathlib import Path
from typing import Any

import pytest
from filelock import FileLock

from packer.cli import run_inspect
from packer.errors import EXIT_NOT_COMPLETE, BriefError, DiskError, InputError, StoreBusyError, StoreError
from packer.handover import (
    DeviceCrew,
    InspectionSummary,
    copy_writing,
    crew_folders,
    handover,
    inspect_folder,
    inspect_tree,
)
from packer.handover.kinds import As
from packer.handover.manifest import Manifest
from packer.handover.target import leftovers
from packer.planning.brief import Brief
from packer.planning.plan import Plan
from tests.budgets import tries
from tests.commands import FORKS
from tests.handover_packs import brief_in, die_before, packs

NORTH, SOUTH = DeviceCrew("north", areas=("east",)), DeviceCrew("south", areas=("west",), layers=("topo",))


@pytest.fixture(scope="module")
def ready(tmp_path_factory: pytest.TempPathFactory) -> tuple[Brief, Plan]:
    brief, worked_out = brief_in(tmp_path_factory.mktemp("source"), deepest=12)
    packs(brief, worked_out)
    return brief, worked_out


@pytest.fixture(scope="module")
def handed_over(ready: tuple[Brief, Plan], tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("handed over") / "card"
    handover(*ready, None, folder, crews=[NORTH, SOUTH])
    return folder


@pytest.fixture
def card(handed_over: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(handed_over, tmp_path / "card"))


def faults(found: InspectionSummary) -> dict[str, str]:
    return {finding.folder.name: finding.state for finding in found.folders}


def cut_short(folder: Path) -> None:
    """What a killed handover leaves, seen from outside: its note, a half file and no manifest."""
    manifest = json.loads((folder / "manifest.json").read_bytes())
    (folder / "manifest.json").unlink()
    note = ["aerial.mbtiles", *([{"crew": manifest["crew"]}] if manifest["crew"] else [])]
    (folder / ".intent.handover.part").write_text(json.dumps(note) + "\n", encoding="utf-8")
    (folder / ".aerial.mbtiles.handover.part").write_bytes(b"half")


def lose_the_manifest(folder: Path) -> None:
    (folder / "manifest.json").unlink()


def put_a_link_in_place(folder: Path) -> None:
    folder.rename(folder.parent.parent / "elsewhere")
    folder.symlink_to(folder.parent.parent / "elsewhere")


def put_another_crew_in_place(folder: Path) -> None:
    shutil.rmtree(folder)
    shutil.copytree(folder.parent / "south", folder)


def test_target_with_all_its_crews_is_sound(card: Path) -> None:
    found = inspect_tree(card)
    assert found.intact
    assert [copy.folder.name for copy in found.copies] == ["north", "south"]
    assert all(copy.extra == () for copy in found.copies)
    assert sorted(path.name for path in card.iterdir()) == [
        ".crews.json.lock",
        "crews.json",
        "north",
        "south",
    ]


@pytest.mark.parametrize(
    ("accident", "state"),
    [
        (shutil.rmtree, "missing"),
        (cut_short, "unfinished"),
        (lose_the_manifest, "unfinished"),
        (put_a_link_in_place, "unreadable"),
        (put_another_crew_in_place, "changed"),
    ],
)
def test_crew_folder_that_is_lost_or_half_done_is_named_and_the_others_are_inspected(
    card: Path, capsys: pytest.CaptureFixture[str], accident: Callable[[Path], None], state: str
) -> None:
    accident(card / "north")
    found = inspect_tree(card)
    assert not found.intact
    assert faults(found) == {"north": state}
    assert [copy.intact for copy in found.copies if copy.folder.name == "south"] == [True]
    assert run_inspect.run(card, as_json=False) == EXIT_NOT_COMPLETE
    out = capsys.readouterr().out
    assert f"{card / 'north'}\n  {state}: " in out
    assert "NOT INTACT" in out
    assert run_inspect.run(card, as_json=True) == EXIT_NOT_COMPLETE
    told = json.loads(capsys.readouterr().out)
    assert told["intact"] is False
    assert [(f["folder"], f["state"]) for f in told["folders"]] == [(str(card / "north"), state)]


def test_target_that_lost_every_crew_is_not_sound(card: Path) -> None:
    shutil.rmtree(card / "north")
    shutil.rmtree(card / "south")
    assert faults(inspect_tree(card)) == {"north": "missing", "south": "missing"}


def test_older_target_without_a_record_is_inspected_by_what_is_in_it(card: Path) -> None:
    (card / "crews.json").unlink()
    assert inspect_tree(card).intact
    shutil.rmtree(card / "north")
    assert inspect_tree(card).intact


def test_half_done_folder_is_named_without_a_record_too(card: Path) -> None:
    (card / "crews.json").unlink()
    cut_short(card / "north")
    assert faults(inspect_tree(card)) == {"north": "unfinished"}
    shutil.rmtree(card / "south")
    assert faults(inspect_tree(card)) == {"north": "unfinished"}


@pytest.mark.parametrize("kind", ["mbtiles", "gpkg", "folder"])
def test_folder_of_one_crew_is_inspected_alone(ready: tuple[Brief, Plan], tmp_path: Path, kind: As) -> None:
    handover(*ready, None, tmp_path / "card", as_=kind, crews=[NORTH, SOUTH])
    assert inspect_tree(tmp_path / "card").intact
    device = Path(shutil.copytree(tmp_path / "card" / "north", tmp_path / "device"))
    assert run_inspect.run(device, as_json=False) == 0
    assert inspect_folder(device).extra == ()


def test_crews_handed_over_now_and_later_all_belong_to_the_target(
    ready: tuple[Brief, Plan], tmp_path: Path
) -> None:
    for crew in (NORTH, SOUTH, NORTH):
        handover(*ready, None, tmp_path, crews=[crew])
    assert inspect_tree(tmp_path).intact
    shutil.rmtree(tmp_path / "north")
    handover(*ready, None, tmp_path, crews=[SOUTH])
    assert faults(inspect_tree(tmp_path)) == {"north": "missing"}


def test_crews_of_an_older_target_are_taken_into_the_record_when_another_is_handed_over(
    ready: tuple[Brief, Plan], tmp_path: Path
) -> None:
    handover(*ready, None, tmp_path, crews=[NORTH])
    (tmp_path / "crews.json").unlink()
    handover(*ready, None, tmp_path, crews=[SOUTH])
    assert inspect_tree(tmp_path).intact
    shutil.rmtree(tmp_path / "north")
    assert faults(inspect_tree(tmp_path)) == {"north": "missing"}


def test_crew_that_is_spelled_in_other_letters_has_one_place_in_the_record(
    ready: tuple[Brief, Plan], tmp_path: Path
) -> None:
    handover(*ready, None, tmp_path, crews=[NORTH])
    shutil.rmtree(tmp_path / "north")
    handover(*ready, None, tmp_path, crews=[DeviceCrew("North")])
    assert inspect_tree(tmp_path).intact


def test_crew_whose_accents_were_parted_from_their_letters_by_a_copy_is_not_missed(
    ready: tuple[Brief, Plan], tmp_path: Path
) -> None:
    handover(*ready, None, tmp_path, crews=[DeviceCrew("S\u00fcd")])
    (tmp_path / "S\u00fcd").rename(tmp_path / "Su\u0308d")
    assert inspect_tree(tmp_path).intact
    lose_the_manifest(tmp_path / "Su\u0308d")
    assert faults(inspect_tree(tmp_path)) == {"Su\u0308d": "unfinished"}


def test_crew_whose_folder_kept_an_older_spelling_is_not_missed(
    ready: tuple[Brief, Plan], tmp_path: Path
) -> None:
    """As on a FAT card, where the second handover goes into the folder of the first."""
    handover(*ready, None, tmp_path, crews=[DeviceCrew("S\u00fcd")])
    (tmp_path / "S\u00fcd").rename(tmp_path / "s\u00fcd")
    handover(*ready, None, tmp_path, crews=[DeviceCrew("s\u00fcd")])
    for kept in ("S\u00fcd", "Su\u0308d"):
        (tmp_path / "s\u00fcd").rename(tmp_path / kept)
        assert inspect_tree(tmp_path).intact
        (tmp_path / kept).rename(tmp_path / "s\u00fcd")


def test_folder_of_exactly_the_recorded_name_comes_before_one_that_is_alike(
    ready: tuple[Brief, Plan], tmp_path: Path
) -> None:
    handover(*ready, None, tmp_path, crews=[DeviceCrew("north")])
    (tmp_path / "NORTH").mkdir()
    assert inspect_tree(tmp_path).intact
    shutil.rmtree(tmp_path / "north")
    assert faults(inspect_tree(tmp_path)) == {"NORTH": "unfinished"}


def gone(manifest: Manifest, plan: Plan, loose_bytes: Mapping[str, int]) -> str:
    """In place of the card's text: the card itself is taken out."""
    raise StoreError("The card is gone. Put it back.")


def test_handover_that_fails_leaves_every_crew_of_it_unfinished(
    ready: tuple[Brief, Plan], card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """South was to be replaced as well: that its old copy is whole does not make it the one that was meant."""

    monkeypatch.setattr(copy_writing, "card_text", gone)
    with pytest.raises(StoreError, match="The card is gone"):
        handover(*ready, None, card, crews=[NORTH, SOUTH])
    assert faults(inspect_tree(card)) == {"north": "unfinished", "south": "unfinished"}
    monkeypatch.undo()
    handover(*ready, None, card, crews=[NORTH, SOUTH])
    assert inspect_tree(card).intact


def shut(monkeypatch: pytest.MonkeyPatch, folder: Path) -> None:
    """Let the system's calls answer as they do for a folder of another user with mode 0700, to root as well."""

    def refusing(call: Callable[..., Any], inside: bool) -> Callable[..., Any]:
        def answer(path: Any, *rest: Any, **options: Any) -> Any:
            asked = None if isinstance(path, int) else Path(os.fsdecode(path))
            if asked is not None and (folder in asked.parents or (asked == folder and inside)):
                raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
            return call(path, *rest, **options)

        return answer

    for name in ("listdir", "scandir"):
        monkeypatch.setattr(os, name, refusing(getattr(os, name), True))
    for name in ("stat", "lstat"):
        monkeypatch.setattr(os, name, refusing(getattr(os, name), False))


@pytest.mark.parametrize("crews", [[], [NORTH]])
def test_folder_that_may_not_be_looked_into_is_passed_by(
    ready: tuple[Brief, Plan], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, crews: list[DeviceCrew]
) -> None:
    (tmp_path / "lost+found").mkdir()
    shut(monkeypatch, tmp_path / "lost+found")
    handover(*ready, None, tmp_path, crews=crews)
    found = inspect_tree(tmp_path)
    assert found.intact
    assert [copy.folder for copy in found.copies] == [tmp_path / crew.name for crew in crews] or [tmp_path]
    with pytest.raises(InputError, match="Remove the old files"):
        handover(*ready, None, tmp_path, crews=[] if crews else [NORTH])


def test_crew_folder_that_may_not_be_looked_into_is_named_and_the_others_are_inspected(
    ready: tuple[Brief, Plan], card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shut(monkeypatch, card / "north")
    found = inspect_tree(card)
    assert faults(found) == {"north": "unreadable"}
    assert [(copy.folder.name, copy.intact) for copy in found.copies] == [("south", True)]
    with pytest.raises(DiskError, match="north cannot be used: Permission denied"):
        handover(*ready, None, card, crews=[NORTH])


def test_target_that_may_not_be_looked_into_is_told(
    ready: tuple[Brief, Plan], card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shut(monkeypatch, card)
    for crews in ([], [NORTH]):
        with pytest.raises(DiskError, match="card cannot be used: Permission denied"):
            handover(*ready, None, card, crews=crews)
    with pytest.raises(DiskError, match="card cannot be used: Permission denied"):
        inspect_tree(card)


def _note_over_and_over(to: Path, names: list[str], start: Barrier) -> None:
    start.wait()
    for name in names:
        crew_folders.mark_pending(to, [name])


def test_handovers_to_other_crews_beside_one_another_lose_no_entry_of_the_record(
    ready: tuple[Brief, Plan], tmp_path: Path
) -> None:
    start = FORKS.Barrier(3)
    names = [[f"{crew} {number}" for number in range(tries(10, 25))] for crew in ("north", "south", "west")]
    beside = [FORKS.Process(target=_note_over_and_over, args=(tmp_path, some, start)) for some in names]
    for process in beside:
        process.start()
    for process in beside:
        process.join()
    assert [process.exitcode for process in beside] == [0, 0, 0]
    assert set(faults(inspect_tree(tmp_path)).values()) == {"missing"}
    assert sorted(faults(inspect_tree(tmp_path))) == sorted(name for some in names for name in some)
    assert list(leftovers(tmp_path)) == []


def _die_with_the_lock(to: Path) -> None:
    FileLock(to / ".crews.json.lock").acquire()
    os.kill(os.getpid(), signal.SIGKILL)


def test_lock_of_a_dead_handover_does_not_stop_the_next(
    ready: tuple[Brief, Plan], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    process = FORKS.Process(target=_die_with_the_lock, args=(tmp_path,))
    process.start()
    process.join()
    assert process.exitcode == -signal.SIGKILL
    assert (tmp_path / ".crews.json.lock").exists()
    monkeypatch.setattr(crew_folders, "_PATIENCE_S", 0.0)
    handover(*ready, None, tmp_path, crews=[NORTH])
    assert inspect_tree(tmp_path).intact


def test_record_that_another_handover_keeps_to_itself_is_told(
    ready: tuple[Brief, Plan], card: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(crew_folders, "_PATIENCE_S", 0.0)
    before = (card / "crews.json").read_bytes()
    with FileLock(card / ".crews.json.lock"):
        with pytest.raises(StoreBusyError, match=r"Another handover has been writing .*crews\.json"):
            handover(*ready, None, card, crews=[NORTH])
        assert inspect_tree(card).intact
    assert (card / "crews.json").read_bytes() == before
    handover(*ready, None, card, crews=[NORTH])


def test_target_without_locks_is_handed_over_to_all_the_same(
    ready: tuple[Brief, Plan], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(_self: FileLock) -> None:
        raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))

    monkeypatch.setattr(FileLock, "acquire", refused)
    handover(*ready, None, tmp_path, crews=[NORTH])
    assert inspect_tree(tmp_path).intact


def test_lock_that_is_a_link_is_not_written_through(ready: tuple[Brief, Plan], tmp_path: Path) -> None:
    card, elsewhere = tmp_path / "card", tmp_path / "elsewhere"
    card.mkdir()
    elsewhere.write_bytes(b"kept")
    (card / ".crews.json.lock").symlink_to(elsewhere)
    with pytest.raises(InputError, match="is a link to somewhere else"):
        handover(*ready, None, card, crews=[NORTH])
    assert elsewhere.read_bytes() == b"kept"


def test_lock_of_the_record_is_no_extra_file_of_a_copy_beside_it(mixed: Path) -> None:
    assert (mixed / ".crews.json.lock").exists()
    assert [copy.extra for copy in inspect_tree(mixed).copies] == [(), (), ()]


@pytest.mark.parametrize("finished_before", [False, True])
def test_kill_at_any_file_operation_never_leaves_a_target_that_is_called_sound(
    tmp_path: Path, finished_before: bool
) -> None:
    """A target is sound before the first operation that counts and after the last, and never in between."""
    brief, worked_out = brief_in(tmp_path, deepest=13)
    packs(brief, worked_out)
    ran, called_sound = 0, []
    for step in range(2, 200, tries(19, 7)):
        card = tmp_path / f"card{step}"
        if finished_before:
            handover(brief, worked_out, None, card, crews=[NORTH, SOUTH])
        child = FORKS.Process(target=die_before, args=(tmp_path, card, "mbtiles", step, [NORTH, SOUTH]))
        child.start()
        child.join()
        ran += 1
        called_sound.append(_is_called_sound(card))
        if child.exitcode == 0:
            break
        assert child.exitcode == -signal.SIGKILL
    assert child.exitcode == 0
    assert ran >= 6
    assert called_sound[-1]
    started, ended = called_sound.index(False), len(called_sound) - called_sound[::-1].index(False)
    assert not any(called_sound[started:ended])
    assert (started > 0) <= finished_before
    # Then the last manifest is in place, and only the note of names may be left.
    assert len(called_sound) - ended <= 2
    handover(brief, worked_out, None, tmp_path / "card2", crews=[NORTH, SOUTH])
    assert inspect_tree(tmp_path / "card2").intact
    assert list(leftovers(tmp_path / "card2")) == []


def _is_called_sound(card: Path) -> bool:
    """Whether the command would say so; where it does, both crews have all that the handover gives them."""
    try:
        found = inspect_tree(card)
    except (InputError, StoreError):
        return False
    if found.intact:
        assert [copy.folder.name for copy in found.copies] == ["north", "south"]
    return found.intact


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{",
        b"null",
        b"[" * 100_000,
        b'{"record": "lastbar crews", "record_version": 2, "folders": {}}',
        b'{"folders": {"../north": null}}',
        b'{"folders": {"a/b": null}}',
        b'{"folders": {"north": "0"}}',
        b'{"folders": {"north": null, "North": null}}',
        b" " * 1_000_001,
    ],
)
def test_record_that_is_none_is_named_by_inspect_and_refused_by_handover(
    ready: tuple[Brief, Plan], card: Path, content: bytes
) -> None:
    (card / "crews.json").write_bytes(content)
    found = inspect_tree(card)
    assert faults(found) == {"crews.json": "unreadable"}
    assert all(copy.intact for copy in found.copies)
    with pytest.raises(
        InputError, match=r"has a crews.json that is damaged or was not written by a handover.* Move it away"
    ):
        handover(*ready, None, card, crews=[NORTH])
    assert (card / "crews.json").read_bytes() == content


def test_record_that_is_a_link_is_neither_read_nor_written_through(
    ready: tuple[Brief, Plan], card: Path, tmp_path: Path
) -> None:
    (card / "crews.json").rename(tmp_path / "elsewhere.json")
    (card / "crews.json").symlink_to(tmp_path / "elsewhere.json")
    assert faults(inspect_tree(card)) == {"crews.json": "unreadable"}
    with pytest.raises(InputError, match=r"crews\.json"):
        handover(*ready, None, card, crews=[NORTH])


@pytest.mark.parametrize("name", ["crews.json", "Manifest.json", "on this card.txt"])
def test_crew_that_goes_by_the_name_of_a_file_of_the_handover_is_refused(
    ready: tuple[Brief, Plan], tmp_path: Path, name: str
) -> None:
    with pytest.raises(BriefError, match="because a file of the handover has that name"):
        handover(*ready, None, tmp_path / "card", crews=[DeviceCrew(name)])
    assert not (tmp_path / "card").exists()


def test_nothing_is_written_by_looking(card: Path) -> None:
    (card / "north" / "manifest.json").unlink()
    before = {path: path.stat().st_mtime_ns for path in [card, *card.rglob("*")]}
    inspect_tree(card)
    assert {path: path.stat().st_mtime_ns for path in [card, *card.rglob("*")]} == before


def everything(folder: Path) -> dict[str, int]:
    return {str(path): path.lstat().st_mtime_ns for path in [folder, *folder.rglob("*")]}


def no_longer_recorded(card: Path) -> None:
    (card / "crews.json").unlink()


def only_recorded(card: Path) -> None:
    shutil.rmtree(card / "north")


def never_finished(card: Path) -> None:
    (card / "crews.json").unlink()
    cut_short(card / "north")


@pytest.mark.parametrize("accident", [lambda card: None, no_longer_recorded, only_recorded, never_finished])
def test_handover_without_crews_is_refused_where_crews_have_their_folders(
    ready: tuple[Brief, Plan], tmp_path: Path, accident: Callable[[Path], None]
) -> None:
    card = tmp_path / "card"
    handover(*ready, None, card, crews=[NORTH])
    accident(card)
    before = everything(card)
    with pytest.raises(InputError, match=r"is from a handover with crews, .* Remove the old files"):
        handover(*ready, None, card)
    assert everything(card) == before


@pytest.mark.parametrize("accident", [lambda card: None, cut_short])
def test_handover_with_crews_is_refused_where_one_without_lies(
    ready: tuple[Brief, Plan], tmp_path: Path, accident: Callable[[Path], None]
) -> None:
    card = tmp_path / "card"
    handover(*ready, None, card)
    accident(card)
    before = everything(card)
    with pytest.raises(InputError, match=r"has files of a handover without crews.* Remove the old files"):
        handover(*ready, None, card, crews=[NORTH])
    assert everything(card) == before


def test_handovers_without_crews_may_lie_one_below_the_other(
    ready: tuple[Brief, Plan], tmp_path: Path
) -> None:
    handover(*ready, None, tmp_path / "card" / "spare")
    handover(*ready, None, tmp_path / "card")
    handover(*ready, None, tmp_path / "card")
    assert [copy.folder for copy in inspect_tree(tmp_path / "card").copies] == [
        tmp_path / "card",
        tmp_path / "card" / "spare",
    ]


def test_handover_is_not_refused_for_one_without_crews_that_was_cut_short_below_it(
    ready: tuple[Brief, Plan], tmp_path: Path
) -> None:
    handover(*ready, None, tmp_path / "card" / "spare")
    cut_short(tmp_path / "card" / "spare")
    assert handover(*ready, None, tmp_path / "card").complete


def test_half_done_folder_of_a_crew_tells_whose_it_is_without_a_record(
    ready: tuple[Brief, Plan], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(copy_writing, "card_text", gone)
    with pytest.raises(StoreError, match="The card is gone"):
        handover(*ready, None, tmp_path, crews=[NORTH])
    (tmp_path / "crews.json").unlink()
    with pytest.raises(InputError, match="north is from a handover with crews"):
        handover(*ready, None, tmp_path)
    monkeypatch.undo()
    handover(*ready, None, tmp_path, crews=[NORTH])
    assert inspect_tree(tmp_path).intact


@pytest.mark.parametrize(
    "note", ["", "7", "{}", '[{"crew": 7}, {}, null]', '[{"crew": "south"}]', '[{"crew": "***"}]', "[" * 9999]
)
def test_note_that_tells_no_crew_of_that_folder_is_no_reason_to_refuse(
    ready: tuple[Brief, Plan], tmp_path: Path, note: str
) -> None:
    (tmp_path / "north").mkdir()
    (tmp_path / "north" / ".intent.handover.part").write_text(note, encoding="utf-8")
    assert handover(*ready, None, tmp_path).complete


@pytest.fixture
def mixed(card: Path, ready: tuple[Brief, Plan], tmp_path: Path) -> Path:
    """What handovers of both kinds left in one folder before they refused to."""
    handover(*ready, None, tmp_path / "plain", as_="folder")
    shutil.copytree(tmp_path / "plain", card, dirs_exist_ok=True)
    return card


@pytest.mark.parametrize("recorded", [True, False])
def test_both_levels_of_a_mixture_are_inspected(
    mixed: Path, recorded: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    if not recorded:
        (mixed / "crews.json").unlink()
    assert run_inspect.run(mixed, as_json=False) == 0
    out = capsys.readouterr().out
    assert "for crew north" in out
    assert "not part of the copy" not in out
    (mixed / "south" / "topo.mbtiles").unlink()
    found = inspect_tree(mixed)
    assert {copy.folder.name: copy.intact for copy in found.copies} == {
        "card": True,
        "north": True,
        "south": False,
    }
    assert not found.intact


def test_crews_beside_a_handover_without_them_that_was_killed_do_not_make_it_sound(mixed: Path) -> None:
    cut_short(mixed)
    found = inspect_tree(mixed)
    assert faults(found) == {"card": "unfinished"}
    assert [copy.folder.name for copy in found.copies] == ["north", "south"]


@pytest.mark.parametrize("damage", [b"[" * 10, b""])
def test_damaged_manifest_of_a_crew_in_a_mixture_is_named(mixed: Path, damage: bytes) -> None:
    (mixed / "crews.json").unlink()
    (mixed / "north" / "manifest.json").write_bytes(damage)
    assert faults(inspect_tree(mixed)) == {"north": "unreadable"}


def test_folder_of_another_program_beside_a_copy_is_not_looked_into(
    ready: tuple[Brief, Plan], tmp_path: Path
) -> None:
    handover(*ready, None, tmp_path / "card")
    (tmp_path / "card" / "game").mkdir()
    (tmp_path / "card" / "game" / "manifest.json").write_text('{"name": "game"}', encoding="utf-8")
    found = inspect_tree(tmp_path / "card")
    assert found.intact
    assert [copy.extra for copy in found.copies] == [("game",)]
