"""Where the packs of a brief lie."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from packer.planning.brief import Brief

__all__ = ["SOURCE", "pack_path"]

SOURCE = " (source)"
"""What ends the name of a layer whose tiles lie in the grid of its service: no layer of a brief can end so."""


def pack_path(brief: Brief, layer: str, store: Path | None = None) -> Path:
    """Where the pack of a layer lies; `store` stands in for the folder that the brief names.

    Tiles of another grid than the web's are no MBTiles tileset, so that the name does not end like one.
    """
    ending = "sqlite" if layer.endswith(SOURCE) else "mbtiles"
    return (store or brief.store_folder) / f"{layer}.{ending}"
