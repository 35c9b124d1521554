"""A layer as loose files: zoom/x/y, a TileJSON document and a list of checksums.

The list has a line "sha256  zoom/x/y.ext" for each file, as the usual checksum programs read it.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import stat
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from packer.common.atomic_write import sync_folder
from packer.common.disk_sync import sync_to_disk
from packer.common.links import is_link
from packer.common.regular_file import refuse_special
from packer.content.digest import body_hash
from packer.errors import StoreError
from packer.geometry.tileset import Tile, TileSet
from packer.handover.target import clear_away
from packer.store.disk_errors import translated

__all__ = ["SUMS", "TILEJSON", "Loose", "file_sha256", "loose_tile", "read_sums", "tilejson", "write_loose"]

SUMS = "tiles.sha256"
TILEJSON = "tiles.json"
_LINE = re.compile(r"([0-9a-f]{64})  (\d{1,2})/(\d{1,8})/(\d{1,8})\.(png|jpg|webp|pbf)\n?")


@dataclass(frozen=True, slots=True)
class Loose:
    """One loose file as the list of checksums names it, relative to the layer's folder."""

    tile: Tile
    name: str
    sha256: str


def write_loose(
    folder: Path, tiles: Iterable[tuple[Tile, bytes]], ending: str, wanted: Callable[[], TileSet]
) -> int:
    """Write tiles below `folder`, and the list beside them; then bring all to the disk. Gives how many were there.

    What is in the folder already, of a handover that was cut off, stays where it is just the bytes that belong there.
    `wanted` are the tiles once all have come: whatever else is there is removed. Raises DiskError. If the process
    dies: the next run can go on in the folder.
    """
    with translated(folder):
        there = folder.is_dir()
        folder.mkdir(exist_ok=True)
        (folder / SUMS).unlink(missing_ok=True)
        made: set[Path] = set()
        kept = 0
        with (folder / SUMS).open("w", encoding="ascii", newline="\n") as sums:
            for tile, data in tiles:
                path = folder / str(tile.zoom) / str(tile.x) / f"{tile.y}.{ending}"
                if path.parent not in made:
                    _make_folder(path.parent.parent)
                    _make_folder(path.parent)
                    made.add(path.parent)
                if there and _is_just(path, data):
                    kept += 1
                else:
                    path.write_bytes(data)
                sums.write(f"{body_hash(data).hex()}  {tile}.{ending}\n")
        if there:
            _sweep(folder, wanted(), ending)
        # Synced in a second pass: by then the system has written most of it by itself.
        for loose in read_sums(folder):
            _sync(folder / loose.name)
        for path in (*sorted(made | {p.parent for p in made}), folder / SUMS, folder):
            _sync(path)
    return kept


def _make_folder(path: Path) -> None:
    """Make a folder, in place of anything that only bears its name: a link would lead out of the target."""
    if is_link(path) or (path.exists() and not path.is_dir()):
        clear_away(path)
    path.mkdir(exist_ok=True)


def _is_just(path: Path, data: bytes) -> bool:
    """Whether a plain file has these bytes; what is none is removed."""
    try:
        about = path.lstat()
    except FileNotFoundError:
        return False
    if stat.S_ISREG(about.st_mode) and about.st_nlink == 1:
        return about.st_size == len(data) and path.read_bytes() == data
    clear_away(path)
    return False


def _sweep(folder: Path, wanted: TileSet, ending: str) -> None:
    """Remove what does not belong to these tiles."""
    for zoom in list(os.scandir(folder)):
        if zoom.name == SUMS:
            continue
        if is_link(Path(zoom)) or not zoom.is_dir() or loose_number(zoom.name) not in wanted.zooms:
            clear_away(Path(zoom.path))
            continue
        for column in list(os.scandir(zoom)):
            if is_link(Path(column)) or not column.is_dir():
                clear_away(Path(column.path))
                continue
            for file in list(os.scandir(column)):
                if loose_tile(f"{zoom.name}/{column.name}/{file.name}", ending) not in wanted:
                    clear_away(Path(file.path))
            if not any(Path(column).iterdir()):
                Path(column.path).rmdir()


def loose_number(text: str) -> int:
    """A zoom, column or row as the name of a file has it; -1 for anything that is not written so."""
    plain = text.isascii() and text.isdecimal() and len(text) < 10 and str(int(text)) == text
    return int(text) if plain else -1


def loose_tile(name: str, ending: str) -> Tile:
    """The tile that a name such as "14/8739/5712.png" stands for; one that is in no set for any other name."""
    parts = name.split("/")
    number, dot, found = parts[-1].partition(".")
    if len(parts) != 3 or not dot or found != ending:
        return Tile(-1, -1, -1)
    return Tile(loose_number(parts[0]), loose_number(parts[1]), loose_number(number))


def _sync(path: Path) -> None:
    if path.is_dir():
        sync_folder(path)
        return
    handle = os.open(path, os.O_RDONLY if os.name != "nt" else os.O_RDWR)
    try:
        sync_to_disk(handle)
    finally:
        os.close(handle)


def read_sums(folder: Path) -> Iterator[Loose]:
    """The loose files that a layer's folder should have, by zoom, row and column.

    Raises StoreError for a list that is not one of ours; one that names a file over and over could keep a reader
    busy for days.
    """
    before = (-1, 0, 0)
    refuse_special(folder / SUMS, StoreError)
    with translated(folder), (folder / SUMS).open(encoding="ascii", errors="replace", newline="\n") as lines:
        for number, line in enumerate(iter(lambda: lines.readline(200), ""), 1):
            match = _LINE.fullmatch(line)
            if match is None:
                raise StoreError(
                    f"{folder / SUMS}, line {number}, is not the checksum of a tile. Copy the folder again."
                )
            tile = Tile(int(match[2]), int(match[3]), int(match[4]))
            if (tile.zoom, tile.y, tile.x) <= before:
                raise StoreError(f"{folder / SUMS}, line {number}, is not in order. Copy the folder again.")
            before = (tile.zoom, tile.y, tile.x)
            yield Loose(tile, f"{tile}.{match[5]}", match[1])


def file_sha256(path: Path) -> str:
    """SHA-256 of a file, as 64 hexadecimal digits. No connection of this process may have it open."""
    refuse_special(path, StoreError)
    with translated(path), path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def tilejson(
    about: dict[str, Any], layer: str, ending: str, vector_layers: list[dict[str, Any]] | None
) -> str:
    """A TileJSON 3.0.0 document; `about` has name, description, attribution, bounds, center and zooms.

    The standard asks for an absolute address, which a folder does not have: it is the one at which
    `python -m http.server` serves the folder above on the same device.
    """
    document = {
        "tilejson": "3.0.0",
        "tiles": [f"http://127.0.0.1:8000/{layer.replace(' ', '%20')}/{{z}}/{{x}}/{{y}}.{ending}"],
        **({"vector_layers": vector_layers} if vector_layers is not None else {}),
        "scheme": "xyz",
        "version": "1.0.0",
        **about,
    }
    return json.dumps(document, indent=1, ensure_ascii=False) + "\n"
