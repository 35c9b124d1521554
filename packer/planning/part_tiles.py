"""The list of tiles of one part, where only what was missing of a plan was dealt: a file beside the part's brief."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from packer.common.atomic_write import write_atomic
from packer.common.regular_file import refuse_special
from packer.errors import BriefError
from packer.geometry.grid import MAX_ZOOM
from packer.geometry.tileset import TileSet

__all__ = ["PART_TILES", "read_part_tiles", "write_part_tiles"]

PART_TILES = "part-tiles.json"
_MOST_BYTES = 200_000_000


def write_part_tiles(path: Path, layers: Mapping[str, TileSet]) -> None:
    """Write the tiles of each layer as runs of a row, [row, first column, last column], by zoom.

    Raises OSError where it cannot be written. If the process dies: the old file or the new one.
    """
    found: dict[str, dict[str, list[list[int]]]] = {}
    for name, tiles in layers.items():
        found[name] = {}
        for zoom, row, first, last in tiles.runs():
            found[name].setdefault(str(zoom), []).append([row, first, last])
    write_atomic(path, json.dumps({"tiles": found}, separators=(",", ":")))


def read_part_tiles(path: Path) -> dict[str, TileSet]:
    """The tiles of each layer as written. Raises BriefError for anything else."""
    refuse_special(path, BriefError)
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise ValueError
        found = json.loads(path.read_text(encoding="utf-8"))["tiles"]
        return {
            str(name): TileSet.union(_at(int(zoom), runs) for zoom, runs in zooms.items())
            for name, zooms in found.items()
        }
    except OSError as fault:
        raise BriefError(
            f"{path}, the list of this part's tiles, cannot be read: {fault.strerror}. Split the plan again, or copy "
            "the part's whole folder."
        ) from fault
    except (ValueError, TypeError, KeyError, AttributeError, OverflowError, RecursionError):
        raise BriefError(
            f"{path} is not a list of a part's tiles, or is damaged. Split the plan again, or copy the part's whole "
            "folder."
        ) from None


def _at(zoom: int, runs: list[list[int]]) -> TileSet:
    rows = np.array(runs)
    if not 0 <= zoom <= MAX_ZOOM or rows.ndim != 2 or rows.shape[1] != 3 or rows.dtype.kind != "i":
        raise ValueError
    return TileSet.from_runs(zoom, *rows.astype(np.int64).T)
