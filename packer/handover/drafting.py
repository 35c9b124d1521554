"""What a handover would write, worked out and weighed before the first byte: files, sizes, gaps and room."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from packer.common.places import refuse_long_path
from packer.common.units import bytes_text, counted
from packer.errors import BriefError, DiskError, LastbarError
from packer.geometry.shapes import Shape
from packer.geometry.tileset import TileSet
from packer.handover.crews import CrewShare, folder_name
from packer.handover.kinds import As, PredictedSize, file_name, refuse_unfit
from packer.handover.manifest import RESERVED
from packer.handover.parting import PartSource, parts
from packer.handover.target import free_bytes, part_of
from packer.planning.plan import LayerPlan, Plan
from packer.store.sealed_mbtiles import mbtiles_bytes_each
from packer.store.snapshot_reader import SnapshotReader, TileBatch, TileListing

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
    """A file to be written: its tiles, when the last of them was fetched (seconds since 1970), and a size in bytes
    that it will not exceed."""

    name: str
    layer: str
    part: int
    parts: int
    listing: TileListing
    newest: int
    predicted_bytes: int


@dataclass(frozen=True, slots=True)
class LayerDraft:
    """A layer of a copy: what its pack holds of the plan, when the first and the last of it were fetched (seconds since
    1970), and what it lacks. `partial` are tiles at the edge of one of `pictures`."""

    plan: LayerPlan
    format: str
    held: TileSet
    fetched: tuple[int, int] | None
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
    """Work out every copy; the packs are let go then. A layer without a reader has no pack yet.

    Raises InputError and StoreError.
    """
    shapes = list(plan.shapes.items())
    copies = []
    for share in shared_out:
        folder = to / folder_name(share.crew.name) if share.crew else to
        layers = {}
        for name, layer in share.layers.items():
            reader = readers.get(name)
            if reader is None:
                layers[name] = LayerDraft(layer, "", TileSet(), None, TileSet(), layer.tiles, ())
            else:
                refuse_unfit(kind, name, reader.kind)
                layers[name] = _LayerDrafting(reader, layer, shapes, folder, kind, limit_bytes).draft()
        copies.append(CopyDraft(folder, share, layers))
    for reader in readers.values():
        reader.let_go()
    return copies


class _TileTotals:
    """What some tiles amount to, batch by batch."""

    def __init__(self, predicted: PredictedSize) -> None:
        self.predicted = predicted
        self.by_zoom: Counter[int] = Counter()
        self.largest_bytes = 0
        self.fetched: tuple[int, int] | None = None

    def add(self, batch: TileBatch) -> None:
        """Take in the next tiles."""
        self.predicted.add(batch)
        weights = np.bincount(batch.zoom, mbtiles_bytes_each(batch.size_bytes))
        self.by_zoom.update({zoom: int(weights[zoom]) for zoom in np.unique(batch.zoom).tolist()})
        self.largest_bytes = max(self.largest_bytes, int(batch.size_bytes.max()))
        first, last = int(batch.fetched.min()), int(batch.fetched.max())
        self.fetched = (min(first, (self.fetched or (first,))[0]), max(last, (self.fetched or (last,))[-1]))


@dataclass(frozen=True, slots=True)
class _LayerDrafting:
    reader: SnapshotReader
    layer: LayerPlan
    shapes: Sequence[tuple[str, Shape]]
    folder: Path
    kind: As
    limit_bytes: int | None

    def draft(self) -> LayerDraft:
        layer, reader = self.layer, self.reader
        held = (layer.tiles | layer.more) & reader.held
        absent = (layer.tiles & reader.absent) - held
        listing, whole = self._listed(held)
        cut = [(listing, whole)] if held else []
        # Loose files are each their own; no limit on a file's size reaches them.
        most = None if self.kind == "folder" else self.limit_bytes
        if held and most is not None and whole.predicted.bytes > most:
            source = PartSource(held, whole.by_zoom, whole.largest_bytes, reader.batches, self._predict)
            cut = [self._listed(part) for part in parts(source, layer, self.shapes, most)]
        files = tuple(self._file(one, n, len(cut)) for n, one in enumerate(cut, 1))
        missing, partly = layer.tiles - held - absent, held & reader.partial
        return LayerDraft(
            layer, reader.kind, held, whole.fetched, absent, missing, files, partly, reader.pictures
        )

    def _listed(self, tiles: TileSet) -> tuple[TileListing, _TileTotals]:
        totals = _TileTotals(PredictedSize(self.kind, self.reader.kind, self.folder))
        return self.reader.listing(tiles, totals.add), totals

    def _predict(self, tiles: TileSet) -> int:
        predicted = PredictedSize(self.kind, self.reader.kind, self.folder)
        for batch in self.reader.batches(tiles):
            predicted.add(batch)
        return predicted.bytes

    def _file(self, found: tuple[TileListing, _TileTotals], number: int, count: int) -> FileDraft:
        (listing, totals), layer = found, self.layer.name
        name, newest = file_name(self.kind, layer, number, count), (totals.fetched or (0,))[-1]
        return FileDraft(name, layer, number, count, listing, newest, totals.predicted.bytes)


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


def refuse_over_budget(copies: Sequence[CopyDraft], readers: Mapping[str, SnapshotReader]) -> None:
    """Raise BriefError for the first crew whose files would take more than its budget."""
    for copy in copies:
        crew = copy.share.crew
        if crew is None or crew.budget_bytes is None or copy.predicted_bytes <= crew.budget_bytes:
            continue
        over = copy.predicted_bytes - crew.budget_bytes
        raise BriefError(
            f'Crew "{crew.name}" has a budget of {bytes_text(crew.budget_bytes)}, but its files would take '
            f"{bytes_text(copy.predicted_bytes)}, {bytes_text(over)} too much. Nothing was handed over.\n"
            f"Largest: {_largest(copy, readers)}.\n"
            "Give the crew fewer areas or layers, a lower deepest zoom, or a larger budget."
        )


def _largest(copy: CopyDraft, readers: Mapping[str, SnapshotReader]) -> str:
    """The areas and zooms that weigh most, in words."""
    weights: Counter[str] = Counter()
    for name, layer in copy.layers.items():
        for batch in readers[name].batches(layer.held) if name in readers else ():
            weight = mbtiles_bytes_each(batch.size_bytes)
            for area in layer.plan.areas:
                weights[f'area "{area.name}" of {name}'] += int(weight[batch.inside(area.tiles)].sum())
            for zoom in np.unique(batch.zoom).tolist():
                weights[f"zoom {zoom} of {name}"] += int(weight[batch.zoom == zoom].sum())
    ranked = sorted(weights.items(), key=lambda pair: (-pair[1], pair[0]))
    return ", ".join(f"{what} ({bytes_text(size)})" for what, size in ranked[:_NAMED])


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


def refuse_no_room(
    copies: Sequence[CopyDraft],
    to: Path,
    there: Callable[[CopyDraft, FileDraft], int] = lambda _copy, _file: 0,
    *,
    at_once: bool = False,
) -> None:
    """Raise DiskError unless the files find room, one after the other, each in place of an older one; or `at_once`, all
    beside the older ones. `there` are the bytes of a file that are on the disk already."""
    taken = peak = _BESIDES_BYTES * len(copies)
    for copy in copies:
        for file in copy.files:
            more = max(file.predicted_bytes - there(copy, file), 0)
            peak = max(peak, taken + more)
            old = copy.folder / file.name
            taken += more - (old.stat().st_size if more and old.is_file() and not at_once else 0)
    free = free_bytes(to)
    if peak > free:
        raise DiskError(
            f"{to} has {bytes_text(free)} free, but the handover needs {bytes_text(peak)}: {bytes_text(peak - free)} "
            "more. Free some space, use a larger card, or hand over fewer crews, areas or layers. Nothing was "
            "written."
        )
