"""One picture at many places of an area's deepest zooms: open water, or a picture that means "no data".

Unlike one picture in place of a whole layer, this leaves the map as it is: people have to look at it.
"""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from packer.common.units import counted
from packer.errors import StoreError
from packer.geometry.grid import tms_row
from packer.geometry.tileset import Tile, TileSet
from packer.store.pack_files import pack_files
from packer.store.schema import reading

__all__ = ["AreaRepeat", "repeated_sentences", "repeats_on_board"]

# All four are our own choice, no source. Compared are the deepest zooms of an area, and so many tiles of them, spread
# evenly.
_ZOOMS, _OF_AN_AREA = 3, 240
_LEAST, _SHARE = 6, 0.2  # of the tiles compared: fewer are chance, such as a pond
_NAMED = 4
_HASH = (
    "SELECT hash FROM placement JOIN blob ON blob.id = blob_id "
    "WHERE zoom_level = ? AND tile_row = ? AND tile_column = ?"
)


@dataclass(frozen=True, slots=True)
class AreaRepeat:
    """Of the `compared` tiles of an area, from `zooms[0]` to `zooms[1]`, `same` are one picture, whose SHA-256 is given
    in hex."""

    area: str
    sha256: str
    same: int
    compared: int
    zooms: tuple[int, int]
    example: Tile

    @property
    def for_the_crew(self) -> str:
        """What a card says of it after the area's depth."""
        return f"but {self.same:,} of {self.compared:,} tiles compared are one picture: open water, or no map there"


def repeats_on_board(pack: Path, areas: Mapping[str, TileSet]) -> list[AreaRepeat]:
    """For each area, by its stored tiles, the picture that is there most often, if it is there often.

    Looks at no more than some hundred tiles of an area, and reads no bodies. A pack that cannot be read tells nothing
    here.
    """
    found = []
    try:
        with ExitStack() as stack:
            files = [stack.enter_context(reading(path)) for path in pack_files(pack).paths]
            for area, tiles in areas.items():
                if (repeat := _of_area(files, area, tiles)) is not None:
                    found.append(repeat)
    except StoreError:
        return []
    return found


def repeated_sentences(layer: str, repeats: Iterable[AreaRepeat]) -> Iterator[str]:
    """A sentence for each picture, with the areas that have it."""
    by_picture: dict[str, list[AreaRepeat]] = {}
    for repeat in repeats:
        by_picture.setdefault(repeat.sha256, []).append(repeat)
    for sha256, each in by_picture.items():
        where = [_where(one) for one in each[:_NAMED]]
        if (more := len(each) - _NAMED) > 0:
            where.append(counted(more, "more area"))
        yield (
            f"{layer}: the map may show nothing in part of {', '.join(where)}: there one picture is on board for many "
            f'places, such as {each[0].example}. It may be open water, or mean "no data". Look at it: lastbar view. If '
            f'it means "no data", write below [layers.{layer}] blank = ["{sha256}"], and such tiles count as not on '
            "the server."
        )


def _where(one: AreaRepeat) -> str:
    first, last = one.zooms
    zooms = f"zoom {last}" if first == last else f"zooms {first} to {last}"
    return f"{one.area} ({one.same:,} of {one.compared:,} tiles compared, {zooms})"


def _of_area(files: Sequence[sqlite3.Connection], area: str, tiles: TileSet) -> AreaRepeat | None:
    zooms = tiles.zooms[-_ZOOMS:]
    if not zooms:
        return None
    seen, first = Counter[bytes](), dict[bytes, Tile]()
    for tile in _spread(tiles.at(*zooms)):
        if (digest := _digest(files, tile)) is not None:
            seen[digest] += 1
            first[digest] = tile  # the deepest comes last
    if not seen:
        return None
    (digest, same), compared = seen.most_common(1)[0], seen.total()
    if same < max(_LEAST, _SHARE * compared):
        return None
    return AreaRepeat(area, digest.hex(), same, compared, (zooms[0], zooms[-1]), first[digest])


def _digest(files: Sequence[sqlite3.Connection], tile: Tile) -> bytes | None:
    key = (tile.zoom, tms_row(tile.zoom, tile.y), tile.x)
    rows = (db.execute(_HASH, key).fetchone() for db in files)
    return next((bytes(row[0]) for row in rows if row is not None and isinstance(row[0], bytes)), None)


def _spread(tiles: TileSet) -> Iterator[Tile]:
    """At most so many tiles, evenly over all of them by ascending zoom: through runs, since tiles may be millions."""
    count = len(tiles)
    wanted = np.arange(min(count, _OF_AN_AREA)) * count // max(min(count, _OF_AN_AREA), 1)
    passed = 0
    for zoom in tiles.zooms:
        rows, first, last = tiles.run_arrays(zoom)
        ends = passed + np.cumsum(last - first + 1)
        here = wanted[(wanted >= passed) & (wanted < ends[-1])]
        runs = np.searchsorted(ends, here, side="right")
        columns = last[runs] - (ends[runs] - 1 - here)
        yield from (Tile(zoom, x, row) for x, row in zip(columns.tolist(), rows[runs].tolist(), strict=True))
        passed = int(ends[-1])
