"""What the systems of other laptops do, played on this one: drives that are not there, and what follows.

Each is what Windows or macOS is known to do, common practice, no source, unless a source stands beside it. Neither
system is to be had here: what a shim cannot show is not shown.
"""

from __future__ import annotations

import ast
import asyncio
import ctypes
import errno
import fcntl
import json
import os
import signal
import socket
import sqlite3
import stat
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path, PurePosixPath, PureWindowsPath
from types import SimpleNamespace
from typing import Any
from unicodedata import normalize

import pytest

import packer
from packer.cli import run_fetch, run_handover, show_plan
from packer.cli.fetch_options import FetchOptions
from packer.cli.signals import on_stop_signals
from packer.common import disk_sync, in_use
from packer.common.atomic_write import make_folders, sync_folder, write_atomic
from packer.common.links import is_link
from packer.common.places import missing_drive_text, nearest_folder, refuse_long_path
from packer.common.shell import set_variable
from packer.common.sqlite_uri import sqlite_uri
from packer.errors import EXIT_STORE, BriefError, DiskError, InputError
from packer.fetching import run_log
from packer.fetching.job import fetch
from packer.fetching.reports import Options
from packer.handover import DeviceCrew, HandoverReport, handover, inspect_tree, inspection, loose, target
from packer.handover.claims import refuse_foreign_files
from packer.handover.crews import folder_name
from packer.handover.kinds import As
from packer.handover.target import cluster_bytes, free_bytes, part_of, put_in_place, system_of
from packer.planning.brief import Brief
from packer.planning.plan import Plan, plan
from packer.practice import server as practice
from packer.proof.proving import verify
from packer.proof.results import Depth
from packer.proof.sweep import Sweeper
from tests.commands import start_lastbar
from tests.conftest import BriefMaker
from tests.handover_packs import brief_in, packs
from tests.support.other_folders import KINDS, OtherFolders
from tests.tile_server import TileServer

# ------------------------------------------------------------------------------------------------ a drive that is not
# there


@pytest.fixture
def no_drive(monkeypatch: pytest.MonkeyPatch) -> Path:
    """A path of which nothing is there, not even its topmost folder, which is its own parent."""
    for name in ("exists", "is_dir"):
        monkeypatch.setattr(Path, name, lambda _self, **_more: False)
    return Path("/cards/north/packs")


@pytest.mark.timeout(20)
@pytest.mark.parametrize(
    "look", [nearest_folder, free_bytes, cluster_bytes, show_plan._free_bytes, make_folders]
)
def test_a_drive_that_is_not_there_is_a_sentence_and_no_endless_climb(no_drive: Path, look) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(DiskError, match="not there") as refused:
        look(no_drive)
    assert refused.value.exit_code == EXIT_STORE


@pytest.mark.parametrize(
    ("path", "told"),
    [
        ("E:\\packs\\trip", "There is no drive E:, where E:\\packs\\trip would be."),
        ("\\\\server\\maps\\trip", "The network share \\\\server\\maps cannot be reached."),
    ],
)
def test_the_drive_or_the_share_is_named(path: str, told: str) -> None:
    assert missing_drive_text(PureWindowsPath(path)).startswith(told)


def test_a_folder_that_is_not_there_yet_has_the_room_of_the_one_above(tmp_path: Path) -> None:
    assert nearest_folder(tmp_path / "a" / "b") == tmp_path
    assert free_bytes(tmp_path / "a" / "b") > 0


# ------------------------------------------------------------------------------------------------ paths for SQLite

URIS = {
    "a drive": (
        PureWindowsPath("C:\\Users\\Ada L\\trip#1\\a.mbtiles"),
        "file:///C:/Users/Ada%20L/trip%231/a.mbtiles",
    ),
    "a share": (PureWindowsPath("\\\\nas\\maps\\trip\\a.mbtiles"), "file:////nas/maps/trip/a.mbtiles"),
    "a path of POSIX": (PurePosixPath("/home/ada/a?b.mbtiles"), "file:///home/ada/a%3Fb.mbtiles"),
    "two slashes of POSIX": (PurePosixPath("//home/ada/a.mbtiles"), "file:////home/ada/a.mbtiles"),
}


@pytest.mark.parametrize("kind", URIS)
def test_the_uri_for_sqlite_has_no_authority(kind: str) -> None:
    path, uri = URIS[kind]
    assert sqlite_uri(path, "mode=ro") == f"{uri}?mode=ro"


def test_sqlite_opens_what_a_network_path_names_and_not_what_as_uri_makes_of_it(tmp_path: Path) -> None:
    """Here the share is a folder below the root, since two slashes are one to this system."""
    with closing(sqlite3.connect(tmp_path / "a.db")) as db:
        db.execute("CREATE TABLE t (x)")
    share = PureWindowsPath("\\\\" + "\\".join(tmp_path.parts[1:]) + "\\a.db")
    with closing(sqlite3.connect(sqlite_uri(share, "mode=ro"), uri=True)) as db:
        assert db.execute("SELECT name FROM sqlite_master").fetchall() == [("t",)]
    with pytest.raises(sqlite3.OperationalError, match="authority"):
        sqlite3.connect(f"{share.as_uri()}?mode=ro", uri=True)


def test_nothing_else_makes_such_a_uri() -> None:
    own = Path(packer.__file__).parent
    told = [p.name for p in own.rglob("*.py") if ".as_uri()" in p.read_text(encoding="utf-8")]
    assert told == ["sqlite_uri.py"]


# ------------------------------------------------------------------------------------------------ handles held by
# others


class Holder:
    """Another program that holds a file or folder until a time: whoever renames or replaces it is refused, as by
    Windows."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, held: Path, until_s: float) -> None:
        self.now, self.refused = 0.0, 0
        monkeypatch.setattr(in_use, "time", self)
        for name in ("replace", "rename"):
            monkeypatch.setattr(Path, name, self._guarded(getattr(Path, name), held, until_s))

    def _guarded(self, does: Callable[[Path, Path], Path], held: Path, until_s: float) -> Callable[..., Path]:
        def guarded(path: Path, to: Path) -> Path:
            if held in (path, to) and self.now < until_s:
                self.refused += 1
                fault = PermissionError(errno.EACCES, "The process cannot access the file", str(path))
                fault.winerror = 32  # type: ignore[attr-defined]  # as it is on Windows
                raise fault
            return does(path, to)

        return guarded

    def monotonic(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += seconds


def test_a_file_held_for_three_seconds_is_replaced_then(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "brief.toml"
    path.write_text("old")
    holder = Holder(monkeypatch, path, 3.0)
    write_atomic(path, "new")
    assert path.read_text() == "new"
    assert holder.refused > 5
    assert [p.name for p in tmp_path.iterdir()] == ["brief.toml"]


def test_a_file_held_for_long_is_named_and_the_old_one_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "brief.toml"
    path.write_text("old")
    Holder(monkeypatch, path, 60.0)
    with pytest.raises(DiskError, match=r"brief\.toml is held by another program"):
        write_atomic(path, "new")
    assert path.read_text() == "old"


@pytest.mark.parametrize(("until_s", "comes"), [(3.0, True), (60.0, False)])
def test_a_folder_of_loose_tiles_that_is_held_is_not_written_for_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, until_s: float, comes: bool
) -> None:
    final, part = tmp_path / "tiles", part_of(tmp_path / "tiles")
    for folder, text in ((final, "old"), (part, "new")):
        folder.mkdir()
        (folder / "0.png").write_text(text)
    Holder(monkeypatch, final, until_s)
    if comes:
        put_in_place(part, final)
        assert (final / "0.png").read_text() == "new"
        return
    with pytest.raises(DiskError, match="is whole, as"):
        put_in_place(part, final)
    assert (final / "0.png").read_text() == "old"
    assert (part / "0.png").read_text() == "new"


def test_what_is_refused_for_another_reason_is_not_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    holder = Holder(monkeypatch, tmp_path / "none", 0.0)
    with pytest.raises(FileNotFoundError):
        in_use.once_free(lambda: (tmp_path / "nowhere").replace(tmp_path / "a"), tmp_path)
    assert holder.now == 0.0


# ------------------------------------------------------------------------------------------------ syncs


def test_where_a_full_sync_is_to_be_had_it_is_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[int] = []
    monkeypatch.setattr(disk_sync, "_FULL_SYNC", 51)
    monkeypatch.setattr(fcntl, "fcntl", lambda _handle, what: asked.append(what))
    monkeypatch.setattr(os, "fsync", lambda _handle: asked.append(0))
    write_atomic(tmp_path / "a", "text")
    assert asked == [51, 0]  # of the file, and of the folder, which knows the plain form only


def test_a_disk_that_knows_no_full_sync_takes_the_plain_form(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(_handle: int, _what: int) -> None:
        raise OSError(errno.ENOTSUP, "not supported")

    asked: list[int] = []
    monkeypatch.setattr(disk_sync, "_FULL_SYNC", 51)
    monkeypatch.setattr(fcntl, "fcntl", refused)
    monkeypatch.setattr(os, "fsync", asked.append)
    (tmp_path / "a").write_text("text")
    with (tmp_path / "a").open("rb") as file:
        disk_sync.sync_to_disk(file.fileno())
    assert len(asked) == 1


@pytest.mark.parametrize("refusal", [errno.EINVAL, errno.ENOSYS, errno.ENOTTY, errno.EISDIR, errno.EROFS])
@pytest.mark.parametrize("where", ["open", "fsync"])
def test_a_folder_that_refuses_to_be_synced_is_no_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, refusal: int, where: str
) -> None:
    does = getattr(os, where)

    def of_folders(what: Any, *more: Any) -> Any:
        folder = Path(what).is_dir() if where == "open" else stat.S_ISDIR(os.fstat(what).st_mode)
        if folder:
            raise OSError(refusal, "refused")
        return does(what, *more)

    monkeypatch.setattr(os, where, of_folders)
    write_atomic(tmp_path / "a", "text")
    loose._sync(tmp_path)
    assert (tmp_path / "a").read_text() == "text"


def test_a_folder_whose_sync_fails_for_want_of_a_sound_disk_is_an_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(_handle: int) -> None:
        raise OSError(errno.EIO, "failing")

    monkeypatch.setattr(os, "fsync", broken)
    with pytest.raises(OSError, match="failing"):
        sync_folder(tmp_path)


def test_where_memory_is_not_let_go_of_a_handover_says_how_to_read_the_card(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delattr(os, "posix_fadvise", raising=False)
    run_handover._show(HandoverReport(()), Path("/media/card"))
    told = " ".join(capsys.readouterr().out.split())
    assert "Take the card out, put it in again, and run lastbar inspect" in told


# ------------------------------------------------------------------------------------------------ Ctrl-C without the
# loop's handlers


class LoopOfWindows(asyncio.SelectorEventLoop):
    """A loop that takes no signal handlers."""

    def add_signal_handler(self, *_: Any) -> None:  # type: ignore[override]  # refuses whatever it is given
        raise NotImplementedError


@pytest.fixture
def handlers(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(signal, "SIGBREAK", signal.SIGUSR1, raising=False)
    names = (signal.SIGINT, signal.SIGTERM, signal.SIGUSR1)
    before = [signal.getsignal(name) for name in names]
    yield
    for name, handler in zip(names, before, strict=True):
        signal.signal(name, handler)


@pytest.mark.usefixtures("handlers")
@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGUSR1])
def test_ctrl_c_and_ctrl_break_stop_gently_where_the_loop_takes_no_handlers(sign: signal.Signals) -> None:
    heard: list[int] = []

    async def work() -> str:
        on_stop_signals(asyncio.get_running_loop(), lambda: heard.append(1))
        for wanted in (1, 2):  # the first asks for a gentle stop, the second for one at once
            signal.raise_signal(sign)
            while len(heard) < wanted:
                await asyncio.sleep(0)
        return "whole"

    with asyncio.Runner(loop_factory=LoopOfWindows) as runner:
        assert runner.run(work()) == "whole"
    signal.raise_signal(sign)  # with the loop gone it is not an error


@pytest.mark.usefixtures("handlers")
def test_a_fetch_stopped_so_ends_with_its_document(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = 0

    def counted(_path: str) -> bytes | None:
        nonlocal asked
        asked += 1
        if asked == 12:
            os.kill(os.getpid(), signal.SIGINT)
        return None

    with TileServer(counted, delay_s=0.01) as server:
        (tmp_path / "brief.toml").write_text(
            f'title = "T"\noverview = false\n[layers.a]\nurl = "{server.url}"\nattribution = "A"\n'
            'permission = "P"\nzooms = [0, 15]\nconnections = 2\n[[areas]]\nname = "g"\n'
            "box = [12.30, 47.00, 12.40, 47.05]\ndeepest = 15\n"
        )
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(run_fetch, "fast_loop", lambda: LoopOfWindows)
            assert run_fetch.run(tmp_path / "brief.toml", None, True, FetchOptions(let_sleep=True)) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["stopped"] == "asked"
    assert told["stored"] > 0


# ------------------------------------------------------------------------------------------------ junctions


@pytest.fixture
def junction(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[Path, int], None]:
    """Makes of a folder that is there one that the system tells of as a reparse point with a tag."""
    tags: dict[str, int] = {}
    lstat = Path.lstat

    def told(path: Path) -> Any:
        found = lstat(path)
        names = [name for name in dir(found) if name.startswith("st_")]
        return SimpleNamespace(**{n: getattr(found, n) for n in names}, st_reparse_tag=tags.get(str(path), 0))

    def make(path: Path, tag: int) -> None:
        tags[str(path)] = tag

    monkeypatch.setattr(Path, "lstat", told)
    return make


@pytest.mark.parametrize(
    ("tag", "link"),
    [
        (0xA0000003, True),  # IO_REPARSE_TAG_MOUNT_POINT, a junction: [MS-FSCC] 2.1.2.1
        (0xA000000C, True),  # IO_REPARSE_TAG_SYMLINK
        (0x9000001A, False),  # IO_REPARSE_TAG_CLOUD: the folder itself, kept by a cloud drive
        (0, False),
    ],
)
def test_a_junction_is_a_link_and_a_folder_of_a_cloud_drive_is_none(
    tmp_path: Path, junction: Callable[[Path, int], None], tag: int, link: bool
) -> None:
    junction(tmp_path, tag)
    assert is_link(tmp_path) is link


def test_links_of_this_system_are_links_and_nothing_is_none(tmp_path: Path) -> None:
    (tmp_path / "there").symlink_to(tmp_path)
    (tmp_path / "nowhere").symlink_to(tmp_path / "none")
    assert is_link(tmp_path / "there")
    assert is_link(tmp_path / "nowhere")
    assert not is_link(tmp_path / "none")
    assert not is_link(tmp_path / "none" / "a")
    assert not is_link(tmp_path / "a\0b")


def test_what_is_behind_a_junction_is_neither_removed_nor_walked_into(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, junction: Callable[[Path, int], None]
) -> None:
    top = tmp_path / "tiles"
    for name in ("inside", "behind"):
        (top / name).mkdir(parents=True)
        (top / name / "0.png").write_text("x")
    (top / "sums").write_text("")
    junction(top / "behind", 0xA0000003)
    monkeypatch.setattr(inspection, "read_sums", lambda _top: ())
    assert sorted(inspection._extra_loose(top)) == ["tiles/inside/0.png", "tiles/sums"]
    removed: list[Path] = []
    monkeypatch.setattr(
        Path, "unlink", lambda path, **_more: removed.append(path)
    )  # as Windows removes a junction
    target.clear_away(top / "behind")
    assert removed == [top / "behind"]
    assert (top / "behind" / "0.png").is_file()


def test_nobody_asks_for_symbolic_links_alone() -> None:
    own = Path(packer.__file__).parent
    asking = ("is_symlink(", "islink(")
    told = [p.name for p in own.rglob("*.py") if any(a in p.read_text(encoding="utf-8") for a in asking)]
    assert told == []


# ------------------------------------------------------------------------------------------------ folders that think
# otherwise of names

CREWS = [DeviceCrew("Équipe Nord"), DeviceCrew("Süd")]


@pytest.fixture(scope="module")
def ready(tmp_path_factory: pytest.TempPathFactory) -> tuple[Brief, Plan]:
    brief, worked_out = brief_in(tmp_path_factory.mktemp("source"), deepest=10)
    packs(brief, worked_out)
    return brief, worked_out


@pytest.mark.parametrize("kind", KINDS)
def test_a_card_with_other_ideas_of_names_is_written_twice_and_found_intact(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ready: tuple[Brief, Plan], kind: str
) -> None:
    card = tmp_path / "card"
    card.mkdir()
    folders = OtherFolders(monkeypatch, card, kind)
    for _ in range(2):
        assert handover(*ready, None, card, crews=CREWS).complete
    found = inspect_tree(card)
    assert [copy.folder.name for copy in found.copies] == sorted(
        path.name for path in card.iterdir() if path.is_dir()
    )
    assert found.intact, found
    assert not any(copy.extra for copy in found.copies)
    assert (folders.asked > 0) == (kind == "names are kept decomposed")


def test_a_foreign_file_is_not_replaced_for_want_of_its_spelling(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    OtherFolders(monkeypatch, tmp_path, "names are kept decomposed")
    (tmp_path / "Éa.mbtiles").write_text("mine")
    assert [path.name for path in tmp_path.iterdir()] == ["E\u0301a.mbtiles"]
    with pytest.raises(InputError, match="already exists and is not from a handover"):
        refuse_foreign_files(tmp_path, ["\u00c9a.mbtiles"], tmp_path / "packs")


def test_two_crews_whose_names_are_spelt_otherwise_get_one_folder_each_or_none() -> None:
    assert folder_name("E\u0301quipe") == folder_name("\u00c9quipe") == "\u00c9quipe"


@pytest.mark.parametrize("kind", KINDS)
def test_a_fetch_into_a_folder_with_other_ideas_of_names_goes_on_where_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, brief_for: BriefMaker, kind: str
) -> None:
    store = tmp_path / "Päcks"
    OtherFolders(monkeypatch, tmp_path, kind)
    with TileServer() as server:
        brief = brief_for(server.url, area="box = [12.30, 47.00, 12.31, 47.01]\ndeepest = 12")
        planned = plan(brief)
        assert fetch(brief, planned, Options(store=store)).complete
        other = store.name.upper() if "case" in kind else normalize("NFD", store.name)
        assert fetch(brief, planned, Options(store=tmp_path / other)).complete
        assert max(server.tiles_asked.values()) == 1
    assert len(list(tmp_path.iterdir())) == 2
    assert verify(brief, planned, store).ready


# ------------------------------------------------------------------------------------------------ long names


def deep(folder: Path, letters: int) -> Path:
    """A folder whose whole name has so many letters."""
    while len(str(folder)) < letters - 60:
        folder /= "d" * 50
    return folder / ("e" * (letters - 1 - len(str(folder))))


def test_a_name_that_the_system_does_not_take_is_refused_before_anything_is_made(tmp_path: Path) -> None:
    target = deep(tmp_path, 250)
    assert len(str(target)) == 250
    refuse_long_path(target, lambda: 259)
    with pytest.raises(InputError, match="261 letters, and this system takes 259"):
        refuse_long_path(target / "a.mbtiles.", lambda: 259)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("kind", ["mbtiles", "folder"])
def test_a_handover_into_a_deep_folder_writes_nothing_rather_than_half(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, brief_for: BriefMaker, kind: As
) -> None:
    with TileServer() as server:
        brief = brief_for(server.url, area="box = [12.30, 47.00, 12.31, 47.01]\ndeepest = 12")
        planned = plan(brief)
        assert fetch(brief, planned).complete
    monkeypatch.setattr(refuse_long_path, "__defaults__", (lambda: 259,))
    target = deep(tmp_path / "card", 230)
    with pytest.raises(InputError, match="this system takes 259"):
        handover(brief, planned, None, target, as_=kind)
    assert not (tmp_path / "card").exists()
    near = tmp_path / "c"
    assert handover(brief, planned, None, near, as_=kind).complete


def test_a_pack_in_a_deep_folder_is_refused_before_anything_is_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, brief_for: BriefMaker
) -> None:
    monkeypatch.setattr(refuse_long_path, "__defaults__", (lambda: 259,))
    with TileServer() as server:
        brief = brief_for(server.url)
        with pytest.raises(InputError, match="this system takes 259"):
            fetch(brief, plan(brief), Options(store=deep(tmp_path / "packs", 245)))
        assert not server.tiles_asked


# ------------------------------------------------------------------------------------------------ paths in a brief,
# and the rest


@pytest.mark.parametrize(
    "line",
    [
        'store = "C:\\temp\\new"',
        'store = "D:\\"',
        'store = "C:\\Users\\Ada"',
        'store = "\\\\nas\\maps"',
        'store = "C:\\maps"',
    ],
)
def test_a_path_of_windows_in_a_brief_is_told_how_to_be_written(tmp_path: Path, line: str) -> None:
    (tmp_path / "brief.toml").write_text(f'title = "T"\n{line}\n')
    with pytest.raises(BriefError, match="C:/maps/trip"):
        Brief.read(tmp_path / "brief.toml")


def test_a_path_of_windows_in_single_quotes_is_read_as_it_is(tmp_path: Path, brief_for: BriefMaker) -> None:
    brief = brief_for("https://tiles.example.org/{z}/{x}/{y}.png")
    text = brief.path.read_text().replace("[layers", "store = 'C:\\temp\\new'\n[layers", 1)
    brief.path.write_text(text)
    assert Brief.read(brief.path).store == "C:\\temp\\new"


def test_no_more_processes_check_than_windows_can_wait_for() -> None:
    assert Sweeper(Depth.QUICK, workers=200)._many == 61


def test_a_log_that_another_program_holds_loses_no_event(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def held(*_: object) -> None:
        fault = PermissionError(errno.EACCES, "used by another process")
        fault.winerror = 32  # type: ignore[attr-defined]  # as it is on Windows
        raise fault

    monkeypatch.setattr(run_log, "_LARGEST_BYTES", 2000)
    monkeypatch.setattr(os, "rename", held)
    log = run_log.RunLog(tmp_path, lambda: 1_700_000_000.0)
    for n in range(60):
        log.event("pause", number=n)
    log.close()
    told = [json.loads(line) for line in (tmp_path / run_log.FILE_NAME).read_text().splitlines()]
    assert [line["number"] for line in told] == list(range(60))
    monkeypatch.undo()
    monkeypatch.setattr(run_log, "_LARGEST_BYTES", 2000)
    log = run_log.RunLog(tmp_path, lambda: 1_700_000_000.0)
    log.event("end", number=60)
    log.close()
    assert len(list(tmp_path.iterdir())) == 2


# ------------------------------------------------------------------------------------------------ other encodings


@pytest.mark.parametrize("coding", ["cp1252", "ascii"])
def test_a_brief_with_any_letters_is_told_on_a_terminal_that_lacks_them(
    tmp_path: Path, brief_for: BriefMaker, coding: str
) -> None:
    brief = brief_for("https://tiles.example.org/{z}/{x}/{y}.png")
    text = brief.path.read_text(encoding="utf-8").replace("Test ground", "Þórsmörk, Čerchov, 東京")
    brief.path.write_text(text, encoding="utf-8")
    running = start_lastbar("plan", brief.path, PYTHONIOENCODING=coding)
    folder = Path(running._folder.name)
    running.process.join(60)
    said = (folder / "1").read_bytes().decode(coding)
    running.process.join()
    assert running.process.exitcode == 0
    assert said.splitlines()[0].endswith(", ??")
    assert ("Þórsmörk" in said) == (coding == "cp1252")
    (folder / "1").write_text(said, encoding="utf-8")
    assert running.wait() == 0


def test_every_file_of_text_is_opened_with_its_encoding_named() -> None:
    """Else it would be that of the system: cp1252 on many laptops with Windows."""
    wrong = []
    for path in Path(packer.__file__).parent.rglob("*.py"):
        for call in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(call, ast.Call) and _reads_text(call):
                named = {keyword.arg for keyword in call.keywords}
                positions = {"read_text": 1, "write_text": 2}.get(getattr(call.func, "attr", ""), 9)
                if "encoding" not in named and len(call.args) < positions:
                    wrong.append(f"{path.name}:{call.lineno}")
    assert wrong == []


def _reads_text(call: ast.Call) -> bool:
    name = getattr(call.func, "attr", None) or getattr(call.func, "id", None)
    if name in ("read_text", "write_text"):
        return True
    is_builtin = isinstance(call.func, ast.Name) and name == "open"
    modes = [arg.value for arg in call.args if isinstance(arg, ast.Constant) and isinstance(arg.value, str)]
    return is_builtin and not any("b" in mode for mode in modes)


# ------------------------------------------------------------------------------------------------ FAT, and only FAT

MAC_MOUNTS = [
    "/dev/disk3s1s1 on / (apfs, sealed, local, read-only, journaled)",
    "map auto_home on /System/Volumes/Data/home (autofs, automounted, nobrowse)",
    "/dev/disk4s1 on /Volumes/CARD (msdos, local, nodev, nosuid, noowners)",
    "/dev/disk5s1 on /Volumes/NO NAME (exfat, local, nodev)",
    "//ada@nas._smb._tcp.local/maps on /Volumes/maps (smbfs, nodev)",
]


@pytest.mark.parametrize(
    ("where", "kind", "strict"),
    [
        ("/Volumes/CARD/north", "msdos", True),
        ("/Volumes/NO NAME/north", "exfat", False),
        ("/Users/ada/cards", "apfs", False),
        ("/Volumes/maps/trip", "smbfs", False),
    ],
)
def test_the_file_system_is_known_on_macos(
    monkeypatch: pytest.MonkeyPatch, where: str, kind: str, strict: bool
) -> None:
    monkeypatch.setattr(target, "_mount_lines", lambda: MAC_MOUNTS)
    found = system_of(Path(where), Path("/nowhere/mounts"))
    assert (found.kind, found.strict) == (kind, strict)
    assert (found.limit_bytes is None) == (kind in ("apfs", "smbfs"))


@pytest.mark.parametrize(
    ("name", "limited"), [("FAT32", True), ("exFAT", True), ("NTFS", False), (None, True)]
)
def test_the_file_system_is_known_on_windows(
    monkeypatch: pytest.MonkeyPatch, name: str | None, limited: bool
) -> None:
    class Kernel:
        @staticmethod
        def GetVolumeInformationW(_root: str, *more: Any) -> int:  # noqa: N802  # as Windows has it
            if name is not None:
                more[-2].value = name
            return name is not None

    windows = SimpleNamespace(kernel32=Kernel)
    monkeypatch.setattr(ctypes, "windll", windows, raising=False)
    monkeypatch.setattr(sys, "platform", "win32")
    found = system_of(Path("/media/card"))
    assert found.kind == (name or "").lower()
    assert (found.limit_bytes is not None) == limited


# ------------------------------------------------------------------------------------------------ the practice server


def test_the_practice_server_does_not_share_its_port_on_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []

    class Watched(socket.socket):
        def setsockopt(self, *what: Any) -> None:
            asked.append(what[1])
            super().setsockopt(*what)

    monkeypatch.setattr(socket, "socket", Watched)
    practice._listen(0).close()
    assert asked == [socket.SO_REUSEADDR]
    asked.clear()
    monkeypatch.setattr(sys, "platform", "win32")
    practice._listen(0).close()
    assert asked == []


def test_how_a_variable_is_set_is_told_for_the_shell_of_the_system(monkeypatch: pytest.MonkeyPatch) -> None:
    assert set_variable("MAP_KEY") == "export MAP_KEY=..."
    monkeypatch.setattr(sys, "platform", "win32")
    assert set_variable("MAP_KEY") == '$env:MAP_KEY = "..."'
