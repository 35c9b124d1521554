"""What packs were last fetched for: the brief and its shapes, kept in a small file beside the packs.

It is there to tell people what has changed since. Nothing in a pack depends on it and no verdict rests on it: a file
that is missing, damaged or another's is as if there were none. There is one for each brief, named by where the brief
lies as seen from the packs, and no address and no key is in it.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import os
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from packer.common.atomic_write import write_atomic
from packer.geometry.grid import MAX_ZOOM, Floats, Ints, LonLatBox
from packer.geometry.shapes import Corridor, Shape
from packer.geometry.tileset import TileSet
from packer.planning.brief import Brief
from packer.planning.plan import AreaPlan, LayerPlan, Plan, lines_of

__all__ = ["FetchedFor", "content_hashes", "recall_fetch", "remember_fetch"]

_LARGEST_BYTES = 50_000_000
_MOST_NUMBERS = 20_000_000  # of one set or line, once unpacked
_PER_DEGREE = 1e7  # a centimetre: enough to say where a line has moved

Text = Annotated[str, Field(max_length=4000)]
ZoomKey = Annotated[str, Field(pattern=r"^\d{1,2}$")]


class _RecordPart(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


class _RecordedArea(_RecordPart):
    name: Text
    deepest: Annotated[int, Field(ge=0, le=MAX_ZOOM)]
    tiles: dict[ZoomKey, Text]


class _RecordedLine(_RecordPart):
    half_width_m: Annotated[float, Field(gt=0, allow_inf_nan=False)]
    lines: list[str]


class _FetchRecord(_RecordPart):
    """`hashes` are of the brief, as "", and of its shape files by name; `sets` are boundaries of tiles by digest."""

    form: Literal[1] = 1
    fetched: Annotated[int, Field(ge=0, lt=2**40)]
    plan: Text
    rule: Text
    hashes: dict[Text, Text]
    bounds: tuple[float, float, float, float]
    middle: tuple[float, float]
    layers: dict[Text, tuple[_RecordedArea, ...]]
    lines: dict[Text, _RecordedLine]
    sets: dict[Text, str]


@dataclass(frozen=True, slots=True)
class FetchedFor:
    """The brief of the last fetch: when it began (seconds since 1970), the hashes of the brief's text, as "", and of
    its shape files by name, the plan's fingerprint, and the plan itself with its lines."""

    fetched: int
    hashes: dict[str, str]
    fingerprint: str
    plan: Plan


def _path(brief: Brief, folder: Path) -> Path:
    try:
        where = os.path.relpath(brief.path.resolve(), folder.resolve())
    except ValueError:  # on another drive
        where = str(brief.path.resolve())
    mark = hashlib.sha256(Path(where).as_posix().encode()).hexdigest()[:8]
    return folder / f".fetched-for-{mark}.json"


def content_hashes(brief: Brief) -> dict[str, str]:
    """SHA-256 of the brief, as "", and of each shape file that it names; what cannot be read is left out."""
    names = dict.fromkeys(["", *(area.file for area in brief.areas if area.file)])
    found = {}
    for name in names:
        with contextlib.suppress(OSError), (brief.folder / name if name else brief.path).open("rb") as file:
            found[name] = hashlib.file_digest(file, "sha256").hexdigest()
    return found


def remember_fetch(brief: Brief, plan: Plan, folder: Path, now: float) -> None:
    """Leave word of what is being fetched; of each brief, where a plan joins several. A folder that cannot be written
    is no fault: then no change is told.

    If the process dies: the old file or the new one, whole.
    """
    for member in plan.members:
        remember_fetch(*member, folder, now)
    if plan.members:
        return
    sets: dict[str, str] = {}
    document = _FetchRecord(
        fetched=int(now),
        plan=plan.fingerprint,
        rule=plan.rule,
        hashes=content_hashes(brief),
        bounds=(*plan.bounds,),
        middle=plan.middle,
        layers={
            name: tuple(
                _RecordedArea(name=area.name, deepest=area.deepest, tiles=_kept(area.tiles, sets))
                for area in layer.areas
            )
            for name, layer in plan.layers.items()
        },
        lines={
            name: _RecordedLine(half_width_m=shape.half_width_m, lines=[_line(line) for line in shape.lines])
            for name, shape in lines_of(plan).items()
        },
        sets=sets,
    )
    with contextlib.suppress(OSError):
        write_atomic(_path(brief, folder), document.model_dump_json())


def _kept(tiles: TileSet, sets: dict[str, str]) -> dict[str, str]:
    """Each zoom's boundaries by digest, put into `sets`, where areas and layers share them."""
    marks = {}
    for zoom in tiles.zooms:
        packed = _packed(tiles.boundaries(zoom))
        marks[str(zoom)] = mark = hashlib.sha256(packed.encode()).hexdigest()[:32]
        sets[mark] = packed
    return marks


def _packed(numbers: Ints) -> str:
    steps = np.diff(numbers, prepend=0)
    return base64.b64encode(zlib.compress(np.ascontiguousarray(steps, "<i8").tobytes())).decode("ascii")


def _unpacked(text: str) -> Ints:
    """Raises ValueError for what `_packed` has not written, or for more than any plan has."""
    reader = zlib.decompressobj()
    data = reader.decompress(base64.b64decode(text, validate=True), 8 * _MOST_NUMBERS)
    if not reader.eof or len(data) % 8:
        raise ValueError
    found: Ints = np.cumsum(np.frombuffer(data, "<i8").astype(np.int64))
    return found


def _line(line: Floats) -> str:
    return _packed(np.rint(line * _PER_DEGREE).astype(np.int64).T.ravel())


def recall_fetch(brief: Brief, folder: Path) -> FetchedFor | None:
    """What the packs in a folder were last fetched for by this brief; None if nothing is known of it."""
    path = _path(brief, folder)
    try:
        if path.stat().st_size > _LARGEST_BYTES:
            return None
        said = _FetchRecord.model_validate_json(path.read_bytes())
        return FetchedFor(said.fetched, said.hashes, said.plan, _plan_of(said))
    except (OSError, ValidationError, ValueError, KeyError, zlib.error, RecursionError):
        return None  # there is none, or it is none of ours


def _plan_of(said: _FetchRecord) -> Plan:
    """Raises ValueError, KeyError or zlib.error for a document that does not hold together."""
    layers = {}
    for name, entries in said.layers.items():
        areas = tuple(AreaPlan(e.name, e.deepest, _tiles(e, said.sets)) for e in entries)
        layers[name] = LayerPlan(name, TileSet.union(a.tiles for a in areas), areas)
    shapes: dict[str, Shape] = {
        name: Corridor(tuple(_positions(line) for line in entry.lines), entry.half_width_m)
        for name, entry in said.lines.items()
    }
    return Plan(layers, shapes, LonLatBox(*said.bounds), said.middle, (), said.rule)


def _tiles(entry: _RecordedArea, sets: dict[str, str]) -> TileSet:
    found = {}
    for text, mark in entry.tiles.items():
        zoom, bounds = int(text), _unpacked(sets[mark])
        stride = (1 << zoom) + 1
        fits = bounds.size % 2 == 0 and (np.diff(bounds) > 0).all()
        if (
            zoom > MAX_ZOOM
            or not fits
            or (bounds.size and not 0 <= bounds[0] <= bounds[-1] <= stride << zoom)
        ):
            raise ValueError
        found[zoom] = bounds
    return TileSet(found)


def _positions(text: str) -> Floats:
    numbers = _unpacked(text)
    if numbers.size % 2 or numbers.size < 2:
        raise ValueError
    line: Floats = numbers.reshape(2, -1).T / _PER_DEGREE
    if not (np.abs(line) <= [360 * 10, 90]).all():
        raise ValueError
    return line
