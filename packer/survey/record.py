"""What a survey found, left beside the pack for the estimate and for proposals.

It is a list of places and of conclusions; the tiles themselves are in the pack.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from packer.common.atomic_write import write_atomic
from packer.errors import DiskError
from packer.geometry.grid import MAX_ZOOM
from packer.geometry.tileset import Tile, TileSet
from packer.planning.brief import Layer
from packer.planning.offers import source_mark

__all__ = ["Record", "read_record", "save_record"]

_MOST_BYTES = 5_000_000


@dataclass(frozen=True, slots=True)
class Record:
    """The sampled tiles of one layer, and the depth worth fetching in each area by name.

    `sample` is spread evenly, as an estimate needs it; `sought` are tiles that were chosen for what they would show.
    """

    sample: TileSet = field(default_factory=TileSet)
    worth_to: Mapping[str, int] = field(default_factory=dict)
    sought: TileSet = field(default_factory=TileSet)


def _path(pack: Path) -> Path:
    return pack.with_name(f".{pack.stem}.survey.json")


def save_record(pack: Path, layer: Layer, record: Record) -> None:
    """Leave the record, in place of an earlier one.

    Raises DiskError if the folder cannot be written. If the process dies: the old record or the new one.
    """
    text = json.dumps(
        {
            "source": source_mark(layer),
            "worth_to": dict(record.worth_to),
            "sample": [str(tile) for tile in record.sample],
            "sought": [str(tile) for tile in record.sought],
        }
    )
    try:
        write_atomic(_path(pack), text)
    except OSError as fault:
        raise DiskError(
            f"{_path(pack)} cannot be written: {fault.strerror}. Free some space and try again."
        ) from fault


def read_record(pack: Path, layer: Layer) -> Record:
    """The record of the layer as its address is now; an empty one where there is not one of ours."""
    with contextlib.suppress(OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
        if _path(pack).is_file() and _path(pack).stat().st_size <= _MOST_BYTES:
            found = json.loads(_path(pack).read_text(encoding="utf-8"))
            if found["source"] == source_mark(layer):
                sample, sought = (_tiles(found.get(key, [])) for key in ("sample", "sought"))
                worth = {str(area): int(zoom) for area, zoom in found["worth_to"].items()}
                if all(0 <= zoom <= MAX_ZOOM for zoom in worth.values()):
                    return Record(sample, worth, sought)
    return Record()


def _tiles(names: list[str]) -> TileSet:
    return TileSet.from_tiles(Tile(*map(int, name.split("/"))) for name in names)
