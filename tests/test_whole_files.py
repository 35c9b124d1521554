"""Small files are there whole or not at all."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from packer.common.atomic_write import write_atomic


def test_a_file_is_made_and_then_replaced_with_its_mode_kept(tmp_path: Path) -> None:
    path = tmp_path / "brief.toml"
    write_atomic(path, "Ä\n")
    assert path.read_bytes() == "Ä\n".encode()
    path.chmod(0o640)
    write_atomic(path, b"\x00new")
    assert path.read_bytes() == b"\x00new"
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    assert [entry.name for entry in tmp_path.iterdir()] == ["brief.toml"]


def test_a_new_file_takes_the_mode_of_the_one_named_and_is_private_while_it_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    brief, version = tmp_path / "brief.toml", tmp_path / "version.toml"
    brief.write_text("key")
    brief.chmod(0o600)
    modes: list[int] = []
    sync = os.fsync

    def noting(file: int) -> None:
        modes.append(os.fstat(file).st_mode)
        sync(file)

    monkeypatch.setattr(os, "fsync", noting)
    write_atomic(version, "key", like=brief)
    write_atomic(brief, "other key")
    for path in (brief, version):
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert {stat.S_IMODE(mode) for mode in modes if stat.S_ISREG(mode)} == {0o600}
    version.chmod(0o644)
    write_atomic(version, "key", like=brief)
    assert stat.S_IMODE(version.stat().st_mode) == 0o644


def test_a_link_in_place_of_the_half_file_is_not_written_through(tmp_path: Path) -> None:
    precious = tmp_path / "precious"
    precious.write_text("kept")
    (tmp_path / ".list.json.part").symlink_to(precious)
    write_atomic(tmp_path / "list.json", "new")
    assert (precious.read_text(), (tmp_path / "list.json").read_text()) == ("kept", "new")


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_what_fails_changes_nothing_and_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    path = tmp_path / ".aerial.survey.json"
    write_atomic(path, "old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    if step == "fsync":
        monkeypatch.setattr(os, "fsync", full)
    else:
        monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(OSError, match="No space"):
        write_atomic(path, "new")
    assert path.read_text() == "old"
    assert [entry.name for entry in tmp_path.iterdir()] == [path.name]
