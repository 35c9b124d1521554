"""Is one and the same picture on board at every place? Then it is a placeholder in place of a map.

A map has such repeats where the ground is empty, such as sea or desert at deep zooms. So only a picture that comes at
all places from the first zooms of a region on says that there is no map; one that begins deeper is for people to look
at.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass

from packer.errors import StoreError
from packer.geometry.tileset import Tile, TileSet
from packer.store.reader import TileReader

__all__ = ["OnePicture", "one_picture_on_board", "one_picture_sentence"]

_FIRST_ZOOM = 6  # above it a region has a tile or two
_EVERYWHERE = 8  # from here on, or above
_OF_A_ZOOM, _LEAST = 12, 12  # tiles that are compared
# All four are our own choice, no source.


@dataclass(frozen=True, slots=True)
class OnePicture:
    """From `zoom` on all compared tiles, `tiles` of them, are one picture, whose SHA-256 is given in hex."""

    zoom: int
    tiles: int
    example: Tile
    sha256: str

    @property
    def everywhere(self) -> bool:
        """Whether it is there in place of the whole map, and not of its deep zooms alone."""
        return self.zoom <= _EVERYWHERE


def one_picture_on_board(pack: TileReader, planned: TileSet) -> OnePicture | None:
    """The one picture of a pack's planned tiles from some zoom to the deepest; None where they differ there.

    Reads at most a dozen bodies of each zoom. A pack that cannot be read tells nothing here.
    """
    try:
        held = pack.facts().held & planned
        found: OnePicture | None = None
        for zoom in reversed([zoom for zoom in held.zooms if zoom >= _FIRST_ZOOM]):
            spread = list(_spread(held, zoom))
            bodies = pack.bodies(spread)
            known = found.sha256 if found else _sha256(bodies[0])
            if any(_sha256(body) != known for body in bodies):
                break
            found = OnePicture(zoom, (found.tiles if found else 0) + len(bodies), spread[0], known)
    except StoreError:
        return None
    return found if found is not None and found.tiles >= _LEAST else None


def one_picture_sentence(layer: str, found: OnePicture) -> str:
    """What to tell the planner."""
    where = "at every place" if found.everywhere else f"at every place from zoom {found.zoom} on"
    return (
        f'Layer "{layer}": one and the same picture is on board {where} ({found.tiles} tiles compared, such as '
        f'{found.example}). It is most likely a placeholder, such as "no data". Look at it, and check the layer\'s '
        f'address. Below [layers.{layer}], blank = ["{found.sha256}"] makes such tiles count as not on the server. '
        "Where the ground really looks like that, such as open sea, take the layer out of the area (layers =)."
    )


def _sha256(body: bytes | None) -> str:
    return hashlib.sha256(body or b"").hexdigest()


def _spread(held: TileSet, zoom: int) -> Iterator[Tile]:
    """Some tiles of a zoom that has any, spread over its rows: not over all tiles, which may be ten million."""
    rows, first, last = held.run_arrays(zoom)
    count = min(_OF_A_ZOOM, int((last - first + 1).sum()))
    if len(rows) >= count:
        for at in {int(n * (len(rows) - 1) / max(count - 1, 1)) for n in range(count)}:
            yield Tile(zoom, int(first[at] + last[at]) // 2, int(rows[at]))
        return
    each = -(-count // len(rows))
    for row, a, b in zip(rows.tolist(), first.tolist(), last.tolist(), strict=True):
        for x in sorted({a + (b - a) * n // max(each - 1, 1) for n in range(each)}):
            yield Tile(zoom, x, row)
