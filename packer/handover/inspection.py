"""Looking at a handed-over copy on any machine, without a network and without writing a byte.

Each file is held against the manifest by its size and SHA-256, so that a copy that broke off, one with a
changed byte and one that lacks a part are told apart; then it is opened as what it says it is, counted, and a
few of its tiles are decoded.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from packer.common.links import is_link
from packer.common.units import counted
from packer.content.damage import Damaged, NotATile
from packer.content.payload import Kind, decode_fully
from packer.errors import InputError, LastbarError
from packer.geometry.tileset import TileCollector, TileSet
from packer.handover.crew_folders import plain_name
from packer.handover.loose import SUMS, TILEJSON, Loose, file_sha256, loose_tile, read_sums
from packer.handover.manifest import CARD, MANIFEST, FileEntry, Manifest, read_manifest
from packer.handover.target import leftovers
from packer.store.disk_errors import translated
from packer.store.sealed_file import SealedFile

__all__ = ["LINK", "FileFinding", "InspectReport", "Progress", "inspect_folder"]

State = Literal["intact", "missing", "short", "long", "changed", "unreadable"]
Progress = Callable[[str, int, int], None]
_SAMPLE = 5
_NAMED = 20
_LARGEST_TILE_BYTES = 64_000_000
LINK = "it is a link to somewhere else, which a copy never has"


@dataclass(frozen=True, slots=True)
class FileFinding:
    """What was found of one file. `detail` is a clause in plain words, empty for an intact one."""

    name: str
    state: State
    detail: str = ""


@dataclass(frozen=True, slots=True)
class InspectReport:
    """What was found of a copy. `extra` are files that the manifest does not know; they do no harm."""

    folder: Path
    manifest: Manifest
    files: tuple[FileFinding, ...]
    extra: tuple[str, ...]

    @property
    def intact(self) -> bool:
        """Whether every file of the manifest is there, whole and as it was handed over."""
        return all(file.state == "intact" for file in self.files)

    def to_dict(self) -> dict[str, Any]:
        """One plain document."""
        return {
            "intact": self.intact,
            "folder": str(self.folder),
            "title": self.manifest.title,
            "crew": self.manifest.crew,
            "complete": self.manifest.complete,
            "files": [{"name": f.name, "state": f.state, "detail": f.detail} for f in self.files],
            "extra": list(self.extra),
        }


def inspect_folder(folder: Path, *, on_progress: Progress = lambda _name, _done, _all: None) -> InspectReport:
    """Hold a copy against its manifest. Never writes.

    `on_progress` gets a file's name, the bytes looked at so far and those of all files. Raises InputError
    where there is no folder, StoreError where there is no manifest that can be trusted to be well formed.
    """
    if not folder.is_dir():
        what = "is not a folder" if folder.exists() else "does not exist"
        raise InputError(f"{folder} {what}. Name the folder that was handed over.")
    manifest = read_manifest(folder)
    every = sum(file.size_bytes for file in manifest.files)
    done = 0
    findings: list[FileFinding] = []
    for file in manifest.files:
        on_progress(file.name, done, every)
        findings += _inspect_file(folder, manifest, file)
        done += file.size_bytes
    return InspectReport(folder, manifest, tuple(findings), tuple(_extra(folder, manifest)))


def _inspect_file(folder: Path, manifest: Manifest, file: FileEntry) -> Iterator[FileFinding]:
    path = folder / file.name
    try:
        finding = _against_entry(folder, path, file)
        if finding is None and file.kind in ("mbtiles", "gpkg"):
            finding = _opened(path, manifest, file)
        if finding is not None:
            yield finding
        elif file.kind == "folder":
            yield from _loose(path.parent, manifest, file)
        else:
            yield FileFinding(file.name, "intact")
    except LastbarError as fault:
        yield FileFinding(file.name, "unreadable", str(fault))


def _against_entry(folder: Path, path: Path, file: FileEntry) -> FileFinding | None:
    """What size and hash say; None if they are right."""
    steps = [path, *path.parents]
    if any(is_link(step) for step in steps[: steps.index(folder)]):
        return FileFinding(file.name, "unreadable", LINK)
    if not path.is_file():
        which = f", part {file.part} of {file.parts}," if file.parts > 1 else ""
        return FileFinding(file.name, "missing", f"the file{which} is missing")
    with translated(path):
        size = path.stat().st_size
    if size < file.size_bytes:
        text = f"it has {size:,} of {file.size_bytes:,} bytes: the copying stopped early"
        return FileFinding(file.name, "short", text)
    if size > file.size_bytes:
        return FileFinding(file.name, "long", f"it is {size - file.size_bytes:,} bytes too long")
    if file_sha256(path) != file.sha256:
        return FileFinding(file.name, "changed", "its size is right, but its bytes have changed")
    return None


def _opened(path: Path, manifest: Manifest, file: FileEntry) -> FileFinding | None:
    """What the database itself says; None if it is right."""
    with SealedFile(path) as sealed:
        fault = sealed.structure_fault()
        if fault is not None:
            return FileFinding(file.name, "unreadable", f"SQLite finds it damaged: {fault}")
        counts = {str(zoom): count for zoom, count in sealed.by_zoom().items()}
        if counts != file.by_zoom:
            return FileFinding(file.name, "changed", "it does not have as many tiles as the manifest says")
        for tile, data in sealed.sample(_SAMPLE):
            wrong = _decoded(data, manifest, file)
            if wrong:
                return FileFinding(file.name, "changed", f"tile {tile} cannot be shown: {wrong}")
    return None


def _decoded(data: bytes, manifest: Manifest, file: FileEntry) -> str | None:
    layer = manifest.layers.get(file.layer or "")
    if layer is None or layer.format not in set(Kind):
        return "the manifest does not say what kind of tile it is"
    try:
        decode_fully(data, Kind(layer.format))
    except (Damaged, NotATile) as fault:
        return str(fault)
    return None


def _loose(folder: Path, manifest: Manifest, file: FileEntry) -> Iterator[FileFinding]:
    """The loose files of a layer against its list of checksums, which has been found to be as handed over.

    A folder on the way to them that is a link is named once, and nothing below it is looked at.
    """
    bad = 0
    step = max(sum(file.by_zoom.values()) // _SAMPLE, 1)
    named = file.name.rsplit("/", 1)[0]
    links: dict[str, str | None] = {}
    told: set[str] = set()
    for count, loose in enumerate(read_sums(folder)):
        link = _link_above(folder, loose.name, links)
        if link in told:
            continue
        if link is not None:
            told.add(link)
            finding = FileFinding(f"{named}/{link}", "unreadable", LINK)
        else:
            state, text = _loose_state(folder / loose.name, loose, manifest, file, count % step == 0)
            finding = FileFinding(f"{named}/{loose.name}", state, text)
        if finding.state != "intact":
            bad += 1
            if bad <= _NAMED:
                yield finding
    if bad > _NAMED:
        yield FileFinding(
            named,
            "changed",
            f"{counted(bad - _NAMED, 'more tile')} missing or changed",
        )
    elif not bad:
        yield FileFinding(named, "intact")


def _loose_state(
    path: Path, loose: Loose, manifest: Manifest, file: FileEntry, sampled: bool
) -> tuple[State, str]:
    """What one loose file is, and a clause on it; one that is `sampled` is decoded as well."""
    if is_link(path) or not path.is_file():
        return "missing", "the tile is missing"
    if file_sha256(path) != loose.sha256:
        return "changed", "its bytes have changed, or the copying stopped early"
    if not sampled:
        return "intact", ""
    if path.stat().st_size > _LARGEST_TILE_BYTES:
        return "changed", "it is larger than any tile"
    wrong = _decoded(path.read_bytes(), manifest, file)
    return ("changed", wrong) if wrong else ("intact", "")


def _link_above(folder: Path, name: str, known: dict[str, str | None]) -> str | None:
    """The first folder on the way from `folder` down to a name in it that is a link, None if there is none.

    `known` keeps what each folder was found to be: a copy has millions of files, in far fewer folders.
    """
    above = name.rpartition("/")[0]
    if not above:
        return None
    if above not in known:
        higher = _link_above(folder, above, known)
        with translated(folder):
            known[above] = higher or (above if is_link(folder / above) else None)
    return known[above]


def _extra(folder: Path, manifest: Manifest) -> Iterator[str]:
    """Names in the copy that the manifest does not know: at the top, and among the loose files of a layer."""
    known = {plain_name(file.name.split("/")[0]) for file in manifest.files} | {MANIFEST, plain_name(CARD)}
    halves = {path.name for path in leftovers(folder)}
    with translated(folder):
        for path in sorted(folder.iterdir()):
            if plain_name(path.name) not in known:
                yield f"{path.name}{' (half written, not usable)' if path.name in halves else ''}"
    for file in manifest.files:
        top = folder / file.name.split("/")[0]
        if file.kind == "folder" and top.is_dir() and not is_link(top):
            yield from _extra_loose(top)


def _extra_loose(top: Path) -> Iterator[str]:
    listed: dict[str, TileCollector] = {}
    try:
        for loose in read_sums(top):
            listed.setdefault(loose.name.rpartition(".")[2], TileCollector()).add(loose.tile)
    except LastbarError:
        return  # named already, as a fault of the list
    known = {ending: found.tiles() for ending, found in listed.items()}
    for root, folders, names in os.walk(top):
        folders[:] = [
            name for name in folders if not is_link(Path(root, name))
        ]  # Python 3.11 follows junctions
        for name in sorted(names):
            path = Path(root, name).relative_to(top).as_posix()
            ending = name.rpartition(".")[2]
            if path not in (SUMS, TILEJSON) and loose_tile(path, ending) not in known.get(ending, TileSet()):
                yield f"{top.name}/{path}"
