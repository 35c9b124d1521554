"""Sheets of sample tiles, one a layer, for the planner's own eyes."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from packer.common.atomic_write import write_atomic
from packer.errors import DiskError
from packer.geometry.grid import tile_bounds
from packer.geometry.tileset import Tile
from packer.planning.brief import OVERVIEW, Brief
from packer.planning.pack_path import pack_path
from packer.store.reader import TileReader
from packer.survey.evidence import Sort
from packer.survey.imagery import Sight, sheet
from packer.survey.inspection import LayerFinding

__all__ = ["sheet_path", "write_sheet"]

_MOST_ROWS, _MOST_ZOOMS = 10, 8


def write_sheet(brief: Brief, layer: LayerFinding, folder: Path, store: Path | None = None) -> Path | None:
    """Write `<layer>.survey.png` into the folder: for each area a place or two, the last eight zooms across, each
    sample with its verdict.

    None if nothing was sampled. Raises DiskError if it cannot be written. If the process dies: the old sheet
    or the new one.
    """
    places = _places(layer)
    if not places:
        return None
    reader = TileReader(pack_path(brief, layer.name, store))
    shallowest = max(tile.zoom for _, tile in places) - _MOST_ZOOMS + 1
    rows = [(label, _row(layer, tile, shallowest, reader)) for label, tile in places]
    picture = sheet(rows, marks=[_marks(layer, tile) for _, tile in places])
    path = sheet_path(folder, layer.name)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        write_atomic(path, picture)
    except OSError as fault:
        raise DiskError(
            f"{path} cannot be written: {fault.strerror}. Free some space, or choose another folder with --sheets."
        ) from fault
    return path


def sheet_path(folder: Path, layer: str) -> Path:
    """Where the sheet of a layer lies."""
    return folder / f"{layer}.survey.png"


def _places(layer: LayerFinding) -> list[tuple[str, Tile]]:
    """Labels and deepest sampled tiles, those of an area as far apart in the sample as they come; the
    overview is on every sheet already, in the coarser zooms of the others."""
    areas = [area for area in layer.areas.values() if area.name != OVERVIEW]
    each = max(1, min(2, _MOST_ROWS // max(len(areas), 1)))
    found = []
    for area in areas or layer.areas.values():
        last = max(area.zooms, default=None)
        tiles = [tile for tile in area.sample if tile.zoom == last]
        for tile in tiles[:: max(1, len(tiles) - 1)][:each]:
            box = tile_bounds(*tile)
            found.append(
                (f"{area.name}, {(box.south + box.north) / 2:.4f} {(box.west + box.east) / 2:.4f}", tile)
            )
    return found[:_MOST_ROWS]


def _row(layer: LayerFinding, tile: Tile, shallowest: int, reader: TileReader) -> Mapping[int, bytes | None]:
    above = [
        Tile(zoom, tile.x >> (tile.zoom - zoom), tile.y >> (tile.zoom - zoom))
        for zoom in range(max(shallowest, 0), tile.zoom + 1)
    ]
    return {t.zoom: reader.body(t) for t in above if t in layer.judged}


_WORDS = {
    Sort.ABSENT: "not on the server",
    Sort.BLANK: "blank",
    Sort.ENLARGED: "enlarged",
    Sort.NATIVE: "real detail",
    Sort.UNDECIDED: "unclear",
}


def _marks(layer: LayerFinding, tile: Tile) -> Mapping[int, str]:
    """The verdict on each sample above a tile and on itself, by zoom; with what is dark or washed out said as well."""
    found = {}
    for up in range(tile.zoom + 1):
        one = layer.judged.get(Tile(tile.zoom - up, tile.x >> up, tile.y >> up))
        if one is not None:
            dull = one.sort is Sort.UNDECIDED and one.sight in (Sight.DARK, Sight.WASHED_OUT)
            found[one.tile.zoom] = f"{_WORDS[one.sort]}, {one.sight}" if dull else _WORDS[one.sort]
    return found
