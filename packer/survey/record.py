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
    """The sampled tiles of one layer, and the depth worth fetching in each area by name."""

    sample: TileSet = field(default_factory=TileSet)
    worth_to: Mapping[str, int] = field(default_factory=dict)


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
                tiles = [tuple(map(int, name.split("/"))) for name in found["sample"]]
                worth = {str(area): int(zoom) for area, zoom in found["worth_to"].items()}
                if all(0 <= zoom <= MAX_ZOOM for zoom in worth.values()):
                    return Record(TileSet.from_tiles(Tile(*tile) for tile in tiles), worth)
    return Record()
