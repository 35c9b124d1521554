"""What the systems of other laptops do, played on this one: drives that are not there, and what follows.

Each is what Windows or macOS is known to do, common practice, no source, unless a source stands beside it. Neither
system is to be had here: what a shim cannot show is not shown.
"""

from __future__ import annotations

from pathlib import Path, PureWindowsPath

import pytest

from packer.cli import show_plan
from packer.common.atomic_write import make_folders
from packer.common.places import missing_drive_text, nearest_folder
from packer.errors import EXIT_STORE, DiskError
from packer.handover.target import free_bytes, on_disk_bytes

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
    "look", [nearest_folder, free_bytes, lambda p: on_disk_bytes(p, [1]), show_plan._free_bytes, make_folders]
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
