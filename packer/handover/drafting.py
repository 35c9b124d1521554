"""What a handover would write, worked out and weighed before the first byte: files, sizes, gaps and room."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import numpy as np

from packer.common.places import refuse_long_path
from packer.common.units import bytes_text, counted
from packer.errors import BriefError, DiskError, LastbarError
from packer.geometry.tileset import TileSet
from packer.handover.crews import CrewShare, folder_name
from packer.handover.kinds import As, file_name, predicted_bytes, refuse_unfit
from packer.handover.manifest import RESERVED
from packer.handover.parting import parts
from packer.handover.target import free_bytes, part_of
from packer.planning.plan import LayerPlan, Plan
from packer.store.sealed_mbtiles import mbtiles_bytes_each
from packer.store.snapshot_reader import SnapshotReader, TileIndex

__all__ = [
    "CopyDraft",
    "FileDraft",
    "LayerDraft",
    "draft",
    "refuse_clashes",
    "refuse_gaps",
    "refuse_long_names",
    "refuse_no_room",
    "refuse_over_budget",
]

_BESIDES_BYTES = 1_000_000  # manifest, card, folders
_NAMED = 5


@dataclass(frozen=True, slots=True)
class FileDraft:
    """A file to be written: its tiles, and a size in bytes that it will not exceed."""

    name: str
    layer: str
    part: int
    parts: int
    index: TileIndex
    predicted_bytes: int


@dataclass(frozen=True, slots=True)
class LayerDraft:
    """A layer of a copy: what its pack holds of the plan, and what it lacks. `partial` are tiles at the edge of
    one of `pictures`."""

    plan: LayerPlan
    format: str
    index: TileIndex
    absent: TileSet
    missing: TileSet
    files: tuple[FileDraft, ...]
    partial: TileSet = field(default_factory=TileSet)
    pictures: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class CopyDraft:
    """A folder to be written."""

    folder: Path
    share: CrewShare
    layers: Mapping[str, LayerDraft]

    @property
    def files(self) -> tuple[FileDraft, ...]:
        """The files of all layers."""
        return tuple(file for layer in self.layers.values() for file in layer.files)

    @property
    def predicted_bytes(self) -> int:
        """What all files take at most."""
        return sum(file.predicted_bytes for file in self.files)


def draft(
    plan: Plan,
    shared_out: Iterable[CrewShare],
    readers: Mapping[str, SnapshotReader],
    to: Path,
    kind: As,
    limit_bytes: int | None,
) -> list[CopyDraft]:
    """Work out every copy. A layer without a reader has no pack yet. Raises InputError and StoreError."""
    shared_out = list(shared_out)
    more = {
        name: TileSet.union(share.layers[name].more for share in shared_out if name in share.layers)
        for name in readers
    }
    indexes = {name: reader.index(plan.layers[name].tiles | more[name]) for name, reader in readers.items()}
    copies = []
    for share in shared_out:
        folder = to / folder_name(share.crew.name) if share.crew else to
        layers = {
            name: _layer(plan, layer, readers.get(name), indexes.get(name), folder, kind, limit_bytes)
            for name, layer in share.layers.items()
        }
        copies.append(CopyDraft(folder, share, layers))
    return copies


_NOTHING = TileIndex(*(np.empty(0, dtype=np.int64) for _ in range(6)))


def _layer(
    plan: Plan,
    layer: LayerPlan,
    reader: SnapshotReader | None,
    whole: TileIndex | None,
    folder: Path,
    kind: As,
    limit_bytes: int | None,
) -> LayerDraft:
    if reader is None or whole is None:
        return LayerDraft(layer, "", _NOTHING, TileSet(), layer.tiles, ())
    refuse_unfit(kind, layer.name, reader.kind)
    index = whole.pick(whole.where(layer.tiles | layer.more))
    held = index.tiles()
    absent = (layer.tiles & reader.absent) - held
    predict = partial(predicted_bytes, kind, reader.kind, folder)
    shapes = [(name, shape) for name, shape in plan.shapes.items()]
    weight = mbtiles_bytes_each(index.size_bytes)
    # Loose files are each their own; no limit on a file's size reaches them.
    most = None if kind == "folder" else limit_bytes
    cut = parts(index, layer, shapes, weight, predict, most) if len(index) else []
    files = []
    for number, places in enumerate(cut, 1):
        some = index.pick(places)
        name = file_name(kind, layer.name, number, len(cut))
        files.append(FileDraft(name, layer.name, number, len(cut), some, predict(some)))
    missing, partly = layer.tiles - held - absent, held & reader.partial
    return LayerDraft(layer, reader.kind, index, absent, missing, tuple(files), partly, reader.pictures)


def refuse_clashes(copies: Sequence[CopyDraft]) -> None:
    """Raise BriefError for layers of a copy that would go by one file name, or by that of its card, manifest or record.

    On many cards letters of either case are one. A layer's own name says nothing yet: "a" in two parts has a file
    "a-1-of-2", as a layer of that name has.
    """
    for copy in copies:
        seen: dict[str, FileDraft] = {}
        for file in copy.files:
            other = seen.setdefault(file.name.casefold(), file)
            if other is not file:
                raise BriefError(
                    f'Layers "{other.layer}" and "{file.layer}" would both be handed over as {file.name}, so one '
                    "would replace the other. Nothing was handed over. Rename one of these layers in the brief, and "
                    "its pack with it."
                )
            if file.name.casefold() in RESERVED:
                raise BriefError(
                    f'Layer "{file.layer}" would be handed over as {file.name}, which is a file of every handover. '
                    "Nothing was handed over. Rename the layer in the brief, and its pack with it, or hand it over "
                    "with --as mbtiles."
                )


def refuse_gaps(copies: Sequence[CopyDraft], fetch: str, allow_gaps: bool) -> None:
    """Raise LastbarError if planned tiles are missing, or if there is nothing to hand over at all; `fetch` is
    the command to get them."""
    lacking: dict[str, TileSet] = {}
    for copy in copies:
        for name, layer in copy.layers.items():
            lacking[name] = lacking.get(name, TileSet()) | layer.missing
        if not copy.files:
            who = f' for crew "{copy.share.crew.name}"' if copy.share.crew else ""
            raise LastbarError(f"No planned tile is on board{who}. Fetch first: {fetch}")
    counts = {name: len(tiles) for name, tiles in lacking.items() if tiles}
    if counts and not allow_gaps:
        each = ", ".join(f"{name} {count:,}" for name, count in counts.items())
        total = sum(counts.values())
        still = f"{counted(total, 'planned tile')} {'is' if total == 1 else 'are'}"
        raise LastbarError(
            f"{still} not on board ({each}), so nothing was handed over. "
            f"Fetch them: {fetch}\nOr hand over what is on board with --allow-gaps. The card then lists "
            "what is missing."
        )


def refuse_over_budget(copies: Sequence[CopyDraft]) -> None:
    """Raise BriefError for the first crew whose files would take more than its budget."""
    for copy in copies:
        crew = copy.share.crew
        if crew is None or crew.budget_bytes is None or copy.predicted_bytes <= crew.budget_bytes:
            continue
        over = copy.predicted_bytes - crew.budget_bytes
        raise BriefError(
            f'Crew "{crew.name}" has a budget of {bytes_text(crew.budget_bytes)}, but its files would take '
            f"{bytes_text(copy.predicted_bytes)}, {bytes_text(over)} too much. Nothing was handed over.\n"
            f"Largest: {_largest(copy)}.\n"
            "Give the crew fewer areas or layers, a lower deepest zoom, or a larger budget."
        )


def _largest(copy: CopyDraft) -> str:
    """The areas and zooms that weigh most, in words."""
    weights: list[tuple[int, str]] = []
    for name, layer in copy.layers.items():
        weight = mbtiles_bytes_each(layer.index.size_bytes)
        for area in layer.plan.areas:
            weights.append(
                (int(weight[layer.index.where(area.tiles)].sum()), f'area "{area.name}" of {name}')
            )
        for zoom in np.unique(layer.index.zoom).tolist():
            weights.append((int(weight[layer.index.zoom == zoom].sum()), f"zoom {zoom} of {name}"))
    weights.sort(key=lambda pair: (-pair[0], pair[1]))
    return ", ".join(f"{what} ({bytes_text(size)})" for size, what in weights[:_NAMED])


def refuse_long_names(copies: Sequence[CopyDraft], plan: Plan, kind: As) -> None:
    """Raise InputError if a name that will be needed is longer than the system takes: those of half-written and
    replaced files are longer than the final ones, and loose tiles lie deepest."""
    for copy in copies:
        for file in copy.files:
            final = copy.folder / file.name
            replaced = part_of(final.with_name(f"{final.name}.old"))
            deepest = plan.layers[file.layer].tiles.zooms[-1:] if kind == "folder" else ()
            tile = [f"{z}/{(1 << z) - 1}/{(1 << z) - 1}.webp" for z in deepest]
            refuse_long_path(
                max((replaced / one for one in tile), key=lambda p: len(str(p)), default=replaced)
            )


def refuse_no_room(copies: Sequence[CopyDraft], to: Path) -> None:
    """Raise DiskError unless the files find room, one after the other, each in place of an older one."""
    taken = peak = _BESIDES_BYTES * len(copies)
    for copy in copies:
        for file in copy.files:
            peak = max(peak, taken + file.predicted_bytes)
            old = copy.folder / file.name
            taken += file.predicted_bytes - (old.stat().st_size if old.is_file() else 0)
    free = free_bytes(to)
    if peak > free:
        raise DiskError(
            f"{to} has {bytes_text(free)} free, but the handover needs {bytes_text(peak)}: {bytes_text(peak - free)} "
            "more. Free some space, use a larger card, or hand over fewer crews, areas or layers. Nothing was "
            "written."
        )
