"""How large the files of a layer's pack may get."""

from __future__ import annotations

from packer.geometry.tileset import TileSet
from packer.planning.brief import Brief
from packer.planning.pack_path import SOURCE
from packer.store.placing import FileLimit

__all__ = ["file_limit"]


def file_limit(brief: Brief, layer: str, planned: TileSet) -> FileLimit | None:
    """The limit that a brief sets for the files of a layer's pack, with the tiles by whose places they are dealt out.

    None where it sets none, and for a layer that is made from tiles of another grid and for its source: these are read
    together, one file each.
    """
    if brief.max_pack_file is None or layer.endswith(SOURCE):
        return None
    offer = brief.layers[layer].offer
    return None if offer is not None and offer.grid is not None else FileLimit(brief.max_pack_file, planned)
