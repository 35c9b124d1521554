"""Disks that fail, fill up or know no locks, files that change under a run, and clocks that were wrong."""

from __future__ import annotations

import errno
import fcntl
import os
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from multiprocessing.connection import wait
from pathlib import Path

import pytest

from packer.common.atomic_write import make_folders, write_atomic
from packer.errors import DiskError, LastbarError, StoreError
from packer.fetching.run_log import RunLog
from packer.geometry.tileset import Tile, TileSet
from packer.planning.brief import Brief
from packer.planning.plan import plan
from packer.proof.proving import verify
from packer.store import corrupt_list, disk_errors, locks
from packer.store.audit import census
from packer.store.merging import merge_pack
from packer.store.pack_summary import read_summary
from packer.store.pruning import prune_pack
from packer.store.records import Received
from packer.store.writer import PackWriter
from tests.conftest import BriefMaker
from tests.test_store import raw, raw_change, received, with_pack, written
from tests.tile_server import TileServer, png

NOW = int(time.time())
FAR_AHEAD = NOW + 8 * 365 * 86_400


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "packs" / "survey.mbtiles"


def corrupt_error() -> sqlite3.DatabaseError:
    """What SQLite gives back for a page that is damaged, and for one that cannot be read (EIO)."""
    fault = sqlite3.DatabaseError("database disk image is malformed")
    fault.sqlite_errorname = "SQLITE_CORRUPT"
    return fault


def told_of(fault: sqlite3.Error, path: Path) -> LastbarError:
    with pytest.raises(LastbarError) as told, disk_errors.translated(path):
        raise fault
    return told.value


def fifty(path: Path) -> None:
    written(path, [received(Tile(12, x, y), os.urandom(4000)) for x in range(10) for y in range(5)])


# ------------------------------------------------------------------ a disk that cannot be read is not damage


def test_a_file_whose_bytes_cannot_be_read_is_not_called_damaged(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fifty(path)

    def fails(*_: object) -> bytes:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(os, "pread", fails)
    told = told_of(corrupt_error(), path)
    assert isinstance(told, DiskError)
    assert "could not be read" in str(told)
    assert "Do not move the file away" in str(told)


def test_a_file_that_is_intact_when_it_is_looked_at_again_is_not_called_damaged(path: Path) -> None:
    fifty(path)
    told = told_of(corrupt_error(), path)
    assert isinstance(told, DiskError)
    assert "the file itself is intact" in str(told)


def test_a_file_that_is_damaged_is_called_so(path: Path) -> None:
    fifty(path)
    with path.open("r+b") as file:
        for page in range(3, 20):
            file.seek(page * 4096)
            file.write(b"\xff" * 4096)
    told = told_of(corrupt_error(), path)
    assert isinstance(told, StoreError)
    assert "is damaged" in str(told)


def test_to_look_again_keeps_the_locks_that_this_process_has_on_the_file(path: Path) -> None:
    # POSIX.1-2017, fcntl: closing any descriptor of a file releases all of the process's locks on it.
    fifty(path)
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("BEGIN EXCLUSIVE")
    told_of(corrupt_error(), path)
    other = (
        "import sqlite3, sys; db = sqlite3.connect(sys.argv[1], timeout=0, isolation_level=None); "
        "db.execute('BEGIN EXCLUSIVE')"
    )
    try:
        ended = subprocess.run(
            [sys.executable, "-c", other, str(path)], capture_output=True, text=True, timeout=240, check=False
        )
    finally:
        db.close()
    assert "database is locked" in ended.stderr


def test_a_brief_that_the_disk_does_not_give_is_no_wrong_brief(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch
) -> None:
    brief = brief_for("http://127.0.0.1:1/survey/{z}/{x}/{y}.png")

    def fails(*_: object, **__: object) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(Path, "open", fails)
    with pytest.raises(DiskError, match="could not be read"):
        Brief.read(brief.path)


# ------------------------------------------------------------------ disks without locks, read-only disks


@pytest.mark.parametrize("number", [errno.ENOLCK, errno.EOPNOTSUPP])
@pytest.mark.parametrize(
    "work", [fifty, lambda path: prune_pack(path, "survey", TileSet())], ids=["write", "prune"]
)
def test_a_disk_without_locks_is_told_as_such(
    path: Path, monkeypatch: pytest.MonkeyPatch, number: int, work: Callable[[Path], object]
) -> None:
    fifty(path)

    def fails(*_: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(fcntl, "flock", fails)
    with pytest.raises(DiskError, match=r"has no file locks.*--store"):
        work(path)


def test_a_disk_without_posix_locks_is_told_at_once_and_not_waited_for(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fifty(path)

    def fails(*_: object) -> None:
        raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))

    monkeypatch.setattr(fcntl, "lockf", fails)
    monkeypatch.setattr(locks, "_tried", set())
    with pytest.raises(DiskError, match="has no file locks"):
        read_summary(path)


def test_prune_on_a_read_only_disk_says_so(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fifty(path)

    def fails(*_: object, **__: object) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr("filelock.FileLock.acquire", fails)
    with pytest.raises(DiskError, match="Read-only file system"):
        prune_pack(path, "survey", TileSet())


# ------------------------------------------------------------------ full disks


def test_closing_the_log_on_a_full_disk_hides_no_other_error(tmp_path: Path) -> None:
    log = RunLog(tmp_path, time.time)
    log.event("start")
    handler = log._handler
    assert handler is not None
    assert handler.stream is not None
    handler.stream.close()
    handler.stream = open("/dev/full", "w", encoding="utf-8")  # noqa: PTH123, SIM115  # takes no byte: ENOSPC
    handler.stream.write("a line")
    log.close()


def test_verify_on_a_full_disk_keeps_its_verdict_and_says_that_the_list_is_lost(
    brief_for: BriefMaker, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from packer.cli import run_verify

    with TileServer() as server:
        brief = brief_for(server.url)
        complete(brief)
    pack = brief.store_folder / "survey.mbtiles"
    raw_change(pack, "UPDATE blob SET data = zeroblob(length(data)) WHERE id = 2")

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(corrupt_list, "write_atomic", full)
    code = run_verify.run(brief.path, None, as_json=False)
    out, err = capsys.readouterr()
    assert code == 3
    assert "NOT READY" in out
    assert "No space left on device" in err
    assert "would not replace them" in " ".join(err.split())


def complete(brief: Brief) -> None:
    from packer.fetching.job import fetch

    assert fetch(brief, plan(brief)).complete


# ------------------------------------------------------------------ a pack that changes under its writer


def test_a_pack_deleted_under_its_writer_is_noticed_when_it_is_closed(path: Path) -> None:
    async def go(pack: PackWriter) -> None:
        await pack.write([received(Tile(3, 1, 1))])
        path.unlink()

    with pytest.raises(StoreError, match=r"was deleted or moved.*run the same command again"):
        with_pack(path, go)


def test_a_pack_deleted_under_its_writer_is_noticed_at_the_next_commit(path: Path) -> None:
    async def go(pack: PackWriter) -> None:
        await pack.write([received(Tile(3, 1, 1))])
        path.unlink()
        await pack.write([received(Tile(3, 1, 2))])

    with pytest.raises(StoreError, match=r"was deleted.*run the same command again"):
        with_pack(path, go)


@pytest.mark.parametrize("written_after", [True, False])
def test_a_pack_overwritten_in_place_by_another_is_noticed(
    path: Path, tmp_path: Path, written_after: bool
) -> None:
    other = tmp_path / "other" / "survey.mbtiles"
    fifty(other)

    async def go(pack: PackWriter) -> None:
        await pack.write([received(Tile(3, 1, 1))])
        shutil.copyfile(other, path)
        if written_after:
            await pack.write([received(Tile(3, 1, 2))])

    with pytest.raises(StoreError, match=r"was replaced by another file.*run the same command again"):
        with_pack(path, go)


def test_an_older_copy_of_the_same_run_put_back_is_noticed(path: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy"

    async def go(pack: PackWriter) -> None:
        await pack.write([received(Tile(3, 1, 1))], 1)
        shutil.copyfile(path, copy)
        await pack.write([received(Tile(3, 1, 2))], 1)
        shutil.copyfile(copy, path)

    with pytest.raises(StoreError, match="was replaced by another file"):
        with_pack(path, go)


# ------------------------------------------------------------------ complete only if it can be read


@pytest.fixture
def torn(brief_for: BriefMaker) -> Brief:
    """A brief whose pack has all tiles by its counts, and pages in it that belong to nothing."""
    with TileServer() as server:
        brief = brief_for(server.url)
        complete(brief)
    pack = brief.store_folder / "survey.mbtiles"
    (root,) = raw(pack, "SELECT rootpage FROM sqlite_master WHERE name = 'blob'")[0]
    with pack.open("r+b") as file:
        file.seek((root - 1) * 4096)
        file.write(os.urandom(4096))
    return brief


def test_status_calls_no_pack_complete_that_cannot_be_read(torn: Brief) -> None:
    from packer.cli import show_status

    with pytest.raises(StoreError, match="is damaged"):
        show_status.run(torn.path, None, as_json=True)


def test_fetch_calls_no_pack_complete_that_cannot_be_read(torn: Brief) -> None:
    from packer.fetching.job import fetch

    with TileServer(), pytest.raises(StoreError, match="is damaged"):
        fetch(torn, plan(torn))


# ------------------------------------------------------------------ dates that lie ahead


def dated(tile: Tile, fetched: int, seed: str = "") -> Received:
    from packer.content.digest import body_hash

    data = png(f"{tile}{seed}")
    return Received(tile, data, body_hash(data), "png", fetched, None, None, fetched + 86_400)


def test_a_tile_dated_years_ahead_is_not_fresh_for_ever(path: Path) -> None:
    ahead, usual = Tile(5, 1, 1), Tile(5, 2, 2)
    written(path, [dated(ahead, FAR_AHEAD), dated(usual, NOW)])

    async def go(pack: PackWriter) -> None:
        assert set(await pack.stale_tiles(NOW - 30 * 86_400, NOW)) == {ahead}

    with_pack(path, go)
    assert set(census(path, NOW).stale) == {ahead}


def test_a_tile_dated_years_ahead_gives_way_to_a_newer_one_in_a_merge(path: Path, tmp_path: Path) -> None:
    other = tmp_path / "other" / "survey.mbtiles"
    written(path, [dated(Tile(5, 1, 1), FAR_AHEAD)])
    written(other, [dated(Tile(5, 1, 1), NOW, "newer")])
    assert merge_pack(path, other).taken == 1
    assert merge_pack(other, path).taken == 0


# ------------------------------------------------------------------ names that outlast a power cut


def synced(monkeypatch: pytest.MonkeyPatch, work: Callable[[], object]) -> set[Path]:
    """The folders that are synced meanwhile."""
    seen: set[Path] = set()
    real = os.fsync

    def noting(handle: int) -> None:
        seen.add(Path(f"/proc/self/fd/{handle}").readlink())
        real(handle)

    monkeypatch.setattr(os, "fsync", noting)
    work()
    return seen


def test_new_folders_are_synced_into_their_parents(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen = synced(monkeypatch, lambda: make_folders(tmp_path / "a" / "b" / "c"))
    assert seen >= {tmp_path, tmp_path / "a", tmp_path / "a" / "b"}


def test_a_file_written_whole_has_its_name_synced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert tmp_path in synced(monkeypatch, lambda: write_atomic(tmp_path / "brief.toml", "x"))


def test_a_new_pack_has_its_name_and_folder_synced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pack = tmp_path / "deep" / "packs" / "survey.mbtiles"
    seen = synced(monkeypatch, lambda: fifty(pack))
    assert seen >= {tmp_path, tmp_path / "deep", tmp_path / "deep" / "packs"}


# ------------------------------------------------------------------ signals


def test_a_terminal_that_is_closed_ends_a_fetch_in_order(brief_for: BriefMaker) -> None:
    with TileServer(delay_s=0.02) as server:
        brief = brief_for(server.url, area="box = [12.30, 47.00, 12.62, 47.20]\ndeepest = 16")
        terminal, inside = os.openpty()
        # The program becomes the leader of a session whose terminal this is, as a shell's command is.
        command = (
            "import fcntl, os, sys, termios; os.setsid(); fcntl.ioctl(0, termios.TIOCSCTTY, 0); "
            "os.execv(sys.executable, [sys.executable, '-m', 'packer', 'fetch', sys.argv[1]])"
        )
        process = subprocess.Popen(
            [sys.executable, "-c", command, str(brief.path)], stdin=inside, stdout=inside, stderr=inside
        )
        os.close(inside)
        assert wait([server.reached(50)], 240), "it asks for nothing"
        os.close(terminal)
        assert process.wait(240) == 1
        asked = sum(server.tiles_asked.values())
    pack = brief.store_folder / "survey.mbtiles"
    assert raw(pack, "SELECT ended IS NOT NULL, stored FROM run") == [(1, asked)], (
        "what was asked for is stored"
    )
    assert not pack.with_name("survey.mbtiles-journal").exists()


def test_ctrl_c_while_the_program_loads_leaves_no_traceback() -> None:
    # The signal comes in the middle of an import, whatever the machine is busy with.
    script = """
import builtins, os, signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)  # it may be ignored where the tests run in the background
from packer.cli import main
real = builtins.__import__
def importing(name, *rest, **more):
    if name == "packer.cli.app":
        os.kill(os.getpid(), signal.SIGINT)
    return real(name, *rest, **more)
builtins.__import__ = importing
sys.argv = ["lastbar", "--version"]
main()
"""
    ended = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, timeout=240, check=False
    )
    assert (ended.returncode, ended.stdout, ended.stderr) == (1, "", "Stopped.\n")


def test_a_ctrl_c_that_is_ignored_on_purpose_stays_ignored() -> None:
    script = """
import os, signal, sys
signal.signal(signal.SIGINT, signal.SIG_IGN)
import packer.cli.app
os.kill(os.getpid(), signal.SIGINT)
from packer.cli import main
sys.argv = ["lastbar", "--version"]
main()
"""
    ended = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, timeout=240, check=False
    )
    assert ended.returncode == 0
    assert ended.stdout.startswith("lastbar ")


@pytest.mark.parametrize(
    ("ending", "code"),
    [("raise SystemExit(3)", 3), ("return", 0), ("raise KeyboardInterrupt", 1), ("1 / 0", 1)],
)
def test_a_command_ends_its_process_on_every_path_before_the_interpreter_is_taken_apart(
    ending: str, code: int
) -> None:
    """A thread of the HTTP client that comes back meanwhile would abort the process: rarely, so this asks whether
    anything is taken apart at all."""
    script = f"""
import atexit, packer.cli, packer.cli.asked_command
atexit.register(print, "taken apart")
def app():
    print("all of it is written", end="")
    {ending}
packer.cli.asked_command.only_asked = lambda *_: app
packer.cli.main()
"""
    ended = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, timeout=240, check=False
    )
    assert (ended.returncode, ended.stdout) == (code, "all of it is written")


def test_a_verdict_is_none_of_the_disks_business_where_all_is_intact(brief_for: BriefMaker) -> None:
    with TileServer() as server:
        brief = brief_for(server.url)
        complete(brief)
    assert verify(brief, plan(brief), processes=1).unsaved == ()
