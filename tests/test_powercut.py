"""Power cuts and failing disks, in short: the long runs are `scripts/powercut`, their tables in docs/powercut.md."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from scripts.powercut import replay
from scripts.powercut.shim import Operation, compiler
from tests.budgets import tries

ROOT = Path(__file__).parent.parent

needs_compiler = pytest.mark.skipif(
    compiler() is None or sys.platform != "linux", reason="the rig needs a C compiler and Linux"
)


def rig(*arguments: str) -> None:
    environment = {name: value for name, value in os.environ.items() if not name.startswith("COV_")}
    done = subprocess.run(
        [sys.executable, "-m", "scripts.powercut", *arguments, "--deepest", "13"],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]


@needs_compiler
def test_a_power_cut_loses_no_committed_tile_and_leaves_every_pack_readable_and_no_half_file() -> None:
    rig("cuts", "fetch", "prune", "handover-mbtiles", "--cuts", str(tries(6, 12)), "--commands", "1")


@needs_compiler
def test_a_failing_disk_ends_a_command_with_its_sentence_and_costs_nothing_committed() -> None:
    rig("faults", "fetch", "--faults", str(tries(4, 10)))


def opened(number: int, path: str, flags: int = os.O_CREAT | os.O_RDWR) -> Operation:
    return Operation("O", number, flags, -1, path, b"")


def test_what_was_synced_is_in_every_state_and_what_was_not_is_in_some(tmp_path: Path) -> None:
    disk = replay.Disk(tmp_path)
    for done in (
        opened(1, ""),
        opened(2, "/file"),
        Operation("S", 1, 0, 0, "", b""),
        Operation("W", 2, 0, 5, "", b"first"),
        Operation("S", 2, 0, 0, "/file", b""),
        Operation("W", 2, 0, 6, "", b"second"),
    ):
        disk.step(done)
    assert disk.state("in order")["/file"] == b"second"
    assert disk.state("only what was synced")["/file"] == b"first"
    states = {disk.state("random writes, torn sectors", seed)["/file"] for seed in range(40)}
    assert states == {b"first", b"second"}, "one sector is written whole or not at all"


def test_a_name_outlasts_a_cut_once_its_folder_is_synced_and_not_before(tmp_path: Path) -> None:
    disk = replay.Disk(tmp_path)
    disk.step(Operation("M", 0, 0, 0, "/new", b""))
    disk.step(opened(1, "/new/half"))
    disk.step(Operation("R", 0, 0, 0, "/new/half", b"/new/whole"))
    assert set(disk.state("in order")) == {"", "/new", "/new/whole"}
    assert set(disk.state("names lost, folders too")) == {""}
    disk.step(opened(2, "/new", os.O_RDONLY))
    disk.step(Operation("S", 2, 0, 0, "/new", b""))
    assert set(disk.state("names lost, folders too")) == {""}, "its own name is not synced yet"
    assert set(disk.state("names lost")) == {"", "/new", "/new/whole"}


def test_a_removal_that_was_not_synced_may_come_back(tmp_path: Path) -> None:
    (tmp_path / "journal").write_bytes(b"pages")
    disk = replay.Disk(tmp_path)
    disk.step(Operation("U", 0, 0, 0, "/journal", b""))
    assert "/journal" not in disk.state("in order")
    assert disk.state("names lost")["/journal"] == b"pages"
    seen = {"/journal" in disk.state("names and data at random", seed) for seed in range(20)}
    assert seen == {True, False}


def test_a_torn_write_keeps_or_loses_whole_sectors(tmp_path: Path) -> None:
    disk = replay.Disk(tmp_path)
    disk.step(opened(1, "/file"))
    disk.step(Operation("W", 1, 100, 2000, "", b"x" * 2000))
    sizes = set()
    for seed in range(60):
        data = disk.state("random writes, torn sectors", seed)["/file"] or b""
        sizes.add(len(data))
        for start in range(0, len(data), replay.SECTOR):
            piece = data[max(start, 100) : start + replay.SECTOR]
            assert piece in (b"", b"x" * len(piece), b"\0" * len(piece))
    assert {0, 2100} < sizes
