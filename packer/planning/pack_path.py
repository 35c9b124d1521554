"""Where the packs of a brief lie."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from packer.planning.brief import Brief

__all__ = ["pack_path"]


def pack_path(brief: Brief, layer: str, store: Path | None = None) -> Path:
    """Where the pack of a layer lies; `store` stands in for the folder that the brief names."""
    return (store or brief.store_folder) / f"{layer}.mbtiles"
