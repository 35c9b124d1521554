"""Looking at a copy: each accident is told apart, and a hostile manifest opens nothing."""

from __future__ import annotations

import errno
import json
import os
import shutil
import sqlite3
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from packer.cli import run_inspect
from packer.common.links import is_link
from packer.errors import EXIT_NOT_COMPLETE, InputError, StoreError
from packer.handover import DeviceCrew, InspectReport, copies_in, handover, inspect_folder, inspection
from packer.handover.kinds import As
from packer.handover.manifest import read_manifest
from tests.handover_packs import brief_in, packs, picture


@pytest.fixture(scope="module")
def originals(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One copy of each kind, and one in parts."""
    folder = tmp_path_factory.mktemp("source")
    brief, worked_out = brief_in(folder, deepest=13)
    packs(brief, worked_out, draw=lambda tile: picture(tile, noise=3_000))
    kinds: tuple[As, ...] = ("mbtiles", "gpkg", "folder")
    for kind in kinds:
        handover(brief, worked_out, None, folder / kind, as_=kind)
    handover(brief, worked_out, None, folder / "parts", max_file_bytes=150_000)
    handover(
        brief,
        worked_out,
        None,
        folder / "crews",
        crews=[DeviceCrew("north", ("east",)), DeviceCrew("south", ("west",))],
    )
    return folder


@pytest.fixture
def copied(originals: Path, tmp_path: Path) -> Callable[[str], Path]:
    def copy(kind: str) -> Path:
        return Path(shutil.copytree(originals / kind, tmp_path / kind))

    return copy


def states(report: InspectReport) -> dict[str, str]:
    return {file.name: file.state for file in report.files if file.state != "intact"}


@pytest.mark.parametrize("kind", ["mbtiles", "gpkg", "folder", "parts"])
def test_plain_copy_is_sound(copied: Callable[[str], Path], kind: str) -> None:
    report = inspect_folder(copied(kind))
    assert report.intact
    assert report.extra == ()
    assert all(file.detail == "" for file in report.files)


@pytest.mark.parametrize("kind", ["mbtiles", "gpkg"])
@pytest.mark.parametrize("where", [0.02, 0.5, 0.97])
def test_one_flipped_bit_is_found_wherever_it_is(
    copied: Callable[[str], Path], kind: str, where: float
) -> None:
    path = copied(kind) / f"aerial.{kind}"
    content = bytearray(path.read_bytes())
    content[int(len(content) * where)] ^= 0b100
    path.write_bytes(content)
    report = inspect_folder(path.parent)
    assert states(report) == {f"aerial.{kind}": "changed"}
    assert not report.intact


def test_copy_that_broke_off_is_told_from_one_with_changed_bytes(copied: Callable[[str], Path]) -> None:
    folder = copied("mbtiles")
    path = folder / "aerial.mbtiles"
    size = path.stat().st_size
    os.truncate(path, size - 5000)
    report = inspect_folder(folder)
    assert states(report) == {"aerial.mbtiles": "short"}
    assert f"{size - 5000:,} of {size:,} bytes: the copying stopped early" in report.files[0].detail


def test_file_with_bytes_after_its_end_is_told(copied: Callable[[str], Path]) -> None:
    folder = copied("mbtiles")
    with (folder / "topo.mbtiles").open("ab") as file:
        file.write(b"\0" * 12)
    report = inspect_folder(folder)
    assert states(report) == {"topo.mbtiles": "long"}
    assert "12 bytes too long" in report.files[1].detail


def test_missing_part_is_named_by_its_number(copied: Callable[[str], Path]) -> None:
    folder = copied("parts")
    names = sorted(path.name for path in folder.glob("aerial-2-of-*.mbtiles"))
    (folder / names[0]).unlink()
    report = inspect_folder(folder)
    assert states(report) == {names[0]: "missing"}
    count = names[0].split("-")[3].removesuffix(".mbtiles")
    assert any(f"part 2 of {count}, is missing" in file.detail for file in report.files)


def test_loose_tiles_missing_changed_and_added_are_told_apart(copied: Callable[[str], Path]) -> None:
    folder = copied("folder")
    first, second, *_ = sorted((folder / "aerial" / "13").rglob("*.png"))
    first.unlink()
    second.write_bytes(second.read_bytes()[:-1])
    (folder / "aerial" / "13" / "note.txt").write_text("hello", encoding="utf-8")
    report = inspect_folder(folder)
    assert states(report) == {
        first.relative_to(folder).as_posix(): "missing",
        second.relative_to(folder).as_posix(): "changed",
    }
    assert report.extra == ("aerial/13/note.txt",)


def test_list_of_checksums_cannot_be_trimmed_to_hide_a_lost_tile(copied: Callable[[str], Path]) -> None:
    folder = copied("folder")
    sums = folder / "aerial" / "tiles.sha256"
    lines = sums.read_text(encoding="ascii").splitlines(keepends=True)
    (folder / "aerial" / lines[-1].split("  ")[1].strip()).unlink()
    sums.write_text("".join(lines[:-1]), encoding="ascii")
    assert states(inspect_folder(folder)) == {"aerial/tiles.sha256": "short"}


def test_files_that_are_not_part_of_the_copy_are_named_and_do_no_harm(copied: Callable[[str], Path]) -> None:
    folder = copied("mbtiles")
    (folder / "holiday.jpg").write_bytes(b"x")
    (folder / ".aerial.mbtiles.handover.part").write_bytes(b"x")
    report = inspect_folder(folder)
    assert report.intact
    assert report.extra == (".aerial.mbtiles.handover.part (half written, not usable)", "holiday.jpg")


def rewritten(folder: Path, change: Callable[[dict[str, Any]], None]) -> Path:
    path = folder / "manifest.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    change(document)
    path.write_text(json.dumps(document), encoding="utf-8")
    return folder


def named(name: str) -> Callable[[dict[str, Any]], None]:
    def change(document: dict[str, Any]) -> None:
        document["files"][0]["name"] = name

    return change


@pytest.mark.parametrize(
    "name",
    [
        *("../outside.mbtiles", "/etc/passwd", "a/../../b", "..", ".", "", "a//b", "./a", "a/./b", "a/"),
        *("C:\\x", "c:x", "\\\\host\\share", "a\\..\\b", "a\0b", "a\nb", "con?", "x" * 256, "y/" * 600 + "z"),
    ],
)
def test_manifest_that_names_what_is_no_plain_path_inside_opens_nothing(
    copied: Callable[[str], Path], name: str
) -> None:
    folder = rewritten(copied("mbtiles"), named(name))
    with pytest.raises(StoreError, match=r"at files.0.name: .*No other file was opened"):
        inspect_folder(folder)


def test_a_manifest_of_version_1_is_still_read(copied: Callable[[str], Path]) -> None:
    """Cards that were handed over before areas had floors. Version 1 had neither of these keys."""

    def as_of_old(document: dict[str, Any]) -> None:
        document["manifest_version"] = 1
        for layer in document["layers"].values():
            layer["areas"] = [
                {key: area[key] for key in ("name", "deepest", "tiles")} for area in layer["areas"]
            ]

    folder = rewritten(copied("mbtiles"), as_of_old)
    found = read_manifest(folder)
    assert found.manifest_version == 1
    assert {area.floor for layer in found.layers.values() for area in layer.areas} == {None}
    assert inspect_folder(folder).intact


def _set(key: str, value: object) -> Callable[[dict[str, Any]], None]:
    return lambda document: document.__setitem__(key, value)


def _set_file(key: str, value: object) -> Callable[[dict[str, Any]], None]:
    return lambda document: document["files"][0].__setitem__(key, value)


@pytest.mark.parametrize(
    "change",
    [
        _set("manifest_version", 3),
        _set("manifest", "something else"),
        _set("files", {"a": 1}),
        _set("files", None),
        _set("layers", []),
        _set("bounds", [0, 0, 0]),
        _set("bounds", [0, 0, 1e400, 0]),
        _set("complete", "yes"),
        _set("title", 7),
        _set("surprise", True),
        _set_file("size_bytes", -1),
        _set_file("size_bytes", 2**70),
        _set_file("size_bytes", "12"),
        _set_file("sha256", "0" * 63),
        _set_file("sha256", "Z" * 64),
        _set_file("kind", "exe"),
        _set_file("by_zoom", {"99": 1}),
        _set_file("by_zoom", {"1": -1}),
        _set_file("part", 3),
        lambda document: document["files"].append(document["files"][0]),
        lambda document: document.pop("files"),
    ],
)
def test_manifest_of_wrong_types_is_a_clear_error(
    copied: Callable[[str], Path], change: Callable[[dict[str, Any]], None]
) -> None:
    folder = rewritten(copied("mbtiles"), change)
    with pytest.raises(StoreError, match="cannot be used as a manifest"):
        inspect_folder(folder)


@pytest.mark.parametrize(
    "content",
    [b"", b"{", b"[]", b"null", b"\xff\xfe\0", b"[" * 200_000, b'{"a":' * 100_000, b"1" * 100_000],
)
def test_manifest_that_is_no_such_document_is_a_clear_error(
    copied: Callable[[str], Path], content: bytes
) -> None:
    folder = copied("mbtiles")
    (folder / "manifest.json").write_bytes(content)
    with pytest.raises(StoreError, match="cannot be used as a manifest"):
        inspect_folder(folder)


def test_huge_manifest_is_not_read(copied: Callable[[str], Path]) -> None:
    folder = copied("mbtiles")
    os.truncate(folder / "manifest.json", 10**12)  # sparse: reading it would not end well
    with pytest.raises(StoreError, match="is over 8 MB"):
        inspect_folder(folder)


def test_folder_without_manifest_is_an_unfinished_handover(
    copied: Callable[[str], Path], tmp_path: Path
) -> None:
    folder = copied("mbtiles")
    (folder / "manifest.json").unlink()
    with pytest.raises(StoreError, match=r"its handover did not finish"):
        inspect_folder(folder)
    with pytest.raises(InputError, match="does not exist"):
        inspect_folder(tmp_path / "nowhere")


def test_manifest_that_the_card_does_not_give_back_is_an_error_of_the_card(
    copied: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = copied("mbtiles")
    read_bytes = Path.read_bytes

    def failing(path: Path) -> bytes:
        if path.name == "manifest.json":
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return read_bytes(path)

    monkeypatch.setattr(Path, "read_bytes", failing)
    with pytest.raises(StoreError, match=os.strerror(errno.EIO)):
        inspect_folder(folder)


@pytest.mark.parametrize("what", ["aerial.mbtiles", "manifest.json"])
def test_link_to_somewhere_else_is_not_followed(
    copied: Callable[[str], Path], originals: Path, what: str
) -> None:
    folder = copied("mbtiles")
    (folder / what).unlink()
    (folder / what).symlink_to(originals / "mbtiles" / what)
    if what == "manifest.json":
        with pytest.raises(StoreError, match="has no manifest"):
            inspect_folder(folder)
    else:
        assert states(inspect_folder(folder)) == {what: "unreadable"}


@pytest.mark.parametrize("what", ["aerial", "aerial/13", "aerial/13/*", "aerial/13/*/*.png"])
def test_loose_tiles_behind_a_link_at_any_level_are_not_taken_for_a_copy(
    copied: Callable[[str], Path], originals: Path, what: str
) -> None:
    """The tiles that the link leads to are whole: alone the link is wrong, since no card would carry it along."""
    folder = copied("folder")
    linked = min(folder.glob(what))
    name = linked.relative_to(folder).as_posix()
    shutil.rmtree(linked) if linked.is_dir() else linked.unlink()
    linked.symlink_to(originals / "folder" / name)
    report = inspect_folder(folder)
    assert not report.intact
    if what == "aerial":
        assert states(report) == {"aerial/tiles.sha256": "unreadable", "aerial/tiles.json": "unreadable"}
    elif linked.suffix:
        assert states(report) == {name: "missing"}
    else:
        assert states(report) == {name: "unreadable"}


def test_linked_folder_of_loose_tiles_is_named_once_however_many_tiles_lie_in_it(
    copied: Callable[[str], Path], originals: Path
) -> None:
    folder = copied("folder")
    assert len(list((folder / "aerial" / "13").glob("*/*"))) > 1
    shutil.rmtree(folder / "aerial" / "13")
    (folder / "aerial" / "13").symlink_to(originals / "folder" / "aerial" / "13")
    wrong = [file.name for file in inspect_folder(folder).files if file.state != "intact"]
    assert wrong == ["aerial/13"]


def test_each_folder_of_loose_tiles_is_looked_at_as_a_folder_and_not_for_each_file(
    copied: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = copied("folder")
    looked: Counter[Path] = Counter()

    def counting(path: Path) -> bool:
        looked[path] += 1
        return is_link(path)

    monkeypatch.setattr(inspection, "is_link", counting)
    assert inspect_folder(folder).intact
    below = [path for path in (folder / "aerial").rglob("*") if path.is_dir()]
    assert {looked[path] for path in below} == {2}, "for the listed files, and for those that are not listed"


def restated(folder: Path, name: str) -> Path:
    """A manifest that vouches for a file as it is now, as a forger would write it."""
    import hashlib

    content = (folder / name).read_bytes()

    def change(document: dict[str, Any]) -> None:
        entry = next(file for file in document["files"] if file["name"] == name)
        entry["size_bytes"], entry["sha256"] = len(content), hashlib.sha256(content).hexdigest()

    return rewritten(folder, change)


@pytest.mark.parametrize(
    ("sql", "state"),
    [
        ("DELETE FROM tiles WHERE zoom_level = 13", "changed"),
        ("UPDATE tiles SET tile_data = x'00'", "changed"),
        ("UPDATE tiles SET tile_data = 'text'", "unreadable"),
        ("DROP TABLE tiles", "unreadable"),
        (
            "ALTER TABLE tiles RENAME TO t; CREATE VIEW tiles AS WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL "
            "SELECT i + 1 FROM n) SELECT i AS zoom_level, 0 AS tile_column, 0 AS tile_row, '' AS tile_data FROM n",
            "unreadable",
        ),
    ],
)
def test_file_that_the_manifest_vouches_for_is_still_opened_and_tried(
    copied: Callable[[str], Path], sql: str, state: str
) -> None:
    folder = copied("mbtiles")
    db = sqlite3.connect(folder / "aerial.mbtiles")
    db.executescript(sql)
    db.close()
    assert states(inspect_folder(restated(folder, "aerial.mbtiles"))) == {"aerial.mbtiles": state}


def test_file_that_is_no_database_is_unreadable_not_a_crash(copied: Callable[[str], Path]) -> None:
    folder = copied("mbtiles")
    (folder / "aerial.mbtiles").write_bytes(b"nothing of the kind" * 1000)
    assert states(inspect_folder(restated(folder, "aerial.mbtiles"))) == {"aerial.mbtiles": "unreadable"}


@pytest.mark.parametrize("kind", ["mbtiles", "gpkg", "folder"])
def test_nothing_is_written_while_looking(copied: Callable[[str], Path], kind: str) -> None:
    """Every name, size, content and time stays; the folder may be write-protected."""
    folder = copied(kind)

    def snapshot() -> dict[str, tuple[int, int]]:
        every = [folder, *folder.rglob("*")]
        return {str(path): (path.stat().st_size, path.stat().st_mtime_ns) for path in every}

    before = snapshot()
    for path in sorted(folder.rglob("*"), reverse=True):
        path.chmod(0o555 if path.is_dir() else 0o444)
    folder.chmod(0o555)
    try:
        assert inspect_folder(folder).intact
        assert snapshot() == before
    finally:
        for path in [folder, *folder.rglob("*")]:
            if path.is_dir():
                path.chmod(0o755)


def test_copies_of_all_crews_are_found_below_one_folder(originals: Path) -> None:
    crews = originals / "crews"
    assert copies_in(crews) == [crews / "north", crews / "south"]
    assert copies_in(originals / "mbtiles") == [originals / "mbtiles"]
    assert copies_in(originals / "nowhere") == [originals / "nowhere"]


def test_command_says_intact_and_ends_with_0(originals: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run_inspect.run(originals / "crews", as_json=False) == 0
    out = capsys.readouterr().out
    assert "Ketterling Basin reconnaissance, for crew north" in out
    last = " ".join(out.split()[-17:])
    assert last == "INTACT: every file is as it was handed over, with every planned tile that the server has."


def test_command_names_what_to_copy_again_and_ends_with_1(
    copied: Callable[[str], Path], capsys: pytest.CaptureFixture[str]
) -> None:
    folder = copied("mbtiles")
    (folder / "topo.mbtiles").unlink()
    assert run_inspect.run(folder, as_json=False) == EXIT_NOT_COMPLETE
    out = capsys.readouterr().out
    assert "missing topo.mbtiles: the file is missing" in out
    assert "NOT INTACT" in out
    assert run_inspect.run(folder, as_json=True) == EXIT_NOT_COMPLETE
    found = json.loads(capsys.readouterr().out)
    assert found["intact"] is False
    assert {f["name"]: f["state"] for f in found["copies"][0]["files"]}["topo.mbtiles"] == "missing"


def test_control_characters_of_a_manifest_do_not_reach_the_terminal(
    copied: Callable[[str], Path], capsys: pytest.CaptureFixture[str]
) -> None:
    folder = rewritten(copied("mbtiles"), _set("title", "A\x1b[2Jtitle"))
    run_inspect.run(folder, as_json=False)
    assert "\x1b" not in capsys.readouterr().out
