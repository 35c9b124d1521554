"""A layer as loose files: zoom/x/y, a TileJSON document and a list of checksums.

The list has a line "sha256  zoom/x/y.ext" for each file, as the usual checksum programs read it.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from packer.common.atomic_write import sync_folder
from packer.common.disk_sync import sync_to_disk
from packer.common.regular_file import refuse_special
from packer.content.digest import body_hash
from packer.errors import StoreError
from packer.geometry.tileset import Tile
from packer.store.disk_errors import translated

__all__ = ["SUMS", "TILEJSON", "Loose", "read_sums", "tilejson", "write_loose"]

SUMS = "tiles.sha256"
TILEJSON = "tiles.json"
_LINE = re.compile(r"([0-9a-f]{64})  (\d{1,2})/(\d{1,8})/(\d{1,8})\.(png|jpg|webp|pbf)\n?")


@dataclass(frozen=True, slots=True)
class Loose:
    """One loose file as the list of checksums names it, relative to the layer's folder."""

    tile: Tile
    name: str
    sha256: str


def write_loose(folder: Path, tiles: Iterable[tuple[Tile, bytes]], ending: str) -> None:
    """Write tiles below `folder`, which must not exist, and the list beside them; then bring all to the disk.

    Raises DiskError. If the process dies: the folder is worth nothing.
    """
    with translated(folder):
        folder.mkdir()
        made: set[Path] = set()
        with (folder / SUMS).open("w", encoding="ascii", newline="\n") as sums:
            for tile, data in tiles:
                path = folder / str(tile.zoom) / str(tile.x) / f"{tile.y}.{ending}"
                if path.parent not in made:
                    path.parent.mkdir(parents=True, exist_ok=True)
                    made.add(path.parent)
                path.write_bytes(data)
                sums.write(f"{body_hash(data).hex()}  {tile}.{ending}\n")
        # Synced in a second pass: by then the system has written most of it by itself.
        for loose in read_sums(folder):
            _sync(folder / loose.name)
        for path in (*sorted(made | {p.parent for p in made}), folder / SUMS, folder):
            _sync(path)


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
