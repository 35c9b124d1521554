"""What the manifest says of a copy, drawn from what was planned and from what was written."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from packer.geometry.shapes import enclosing
from packer.geometry.tileset import TileSet
from packer.handover.blending import Blend
from packer.handover.checked_stream import FileWork, HandoverJob
from packer.handover.drafting import CopyDraft, FileDraft, LayerDraft
from packer.handover.file_writing import WrittenFile, tiles_file
from packer.handover.ground import degrees, ground
from packer.handover.held import CopyDepths
from packer.handover.kinds import About
from packer.handover.loose import SUMS, TILEJSON, file_sha256
from packer.handover.manifest import AreaEntry, BlendEntry, FileEntry, LayerEntry, Manifest, SoftwareEntry
from packer.planning.offers import date_of
from packer.planning.pack_path import pack_path
from packer.planning.plan import OVERVIEW, AreaPlan, LayerPlan, Plan, tiles_digest
from packer.store.repeated_pictures import repeats_on_board
from packer.version import __version__

__all__ = [
    "about_file",
    "date_text",
    "file_entries",
    "layer_entry",
    "manifest_of",
    "plain_entry",
    "work_of",
]

_LONGEST_WORDS = 4000  # as the manifest takes


def about_file(job: HandoverJob, file: FileDraft) -> About:
    """What a file says of itself."""
    return About(
        title=job.brief.title,
        layer=file.layer,
        part=file.part,
        parts=file.parts,
        format=job.readers[file.layer].kind,
        attribution=job.brief.layers[file.layer].attribution,
        newest=date_text(file.newest),
    )


def work_of(job: HandoverJob, file: FileDraft) -> FileWork:
    """What it takes to write a file."""
    return FileWork(file, about_file(job, file), job.kind, job.limit_bytes, job.allow_gaps, job.verify)


def file_entries(job: HandoverJob, file: FileDraft, part: Path, written: WrittenFile) -> list[FileEntry]:
    """The manifest's entries for a file that still has its hidden name, the one with tiles first."""
    name = f"{file.name}/{SUMS}" if job.kind == "folder" else file.name
    box = degrees(ground(written.tiles))
    first = FileEntry(
        name=name,
        kind=job.kind,
        layer=file.layer,
        part=file.part,
        parts=file.parts,
        size_bytes=tiles_file(job.kind, part).stat().st_size,
        sha256=written.sha256,
        tiles_sha256=written.tiles_sha256,
        by_zoom={str(zoom): count for zoom, count in sorted(written.by_zoom.items())},
        ground=(round(box.west, 6), round(box.south, 6), round(box.east, 6), round(box.north, 6)),
    )
    if job.kind != "folder":
        return [first]
    return [first, plain_entry(part / TILEJSON, f"{file.name}/{TILEJSON}", file.layer)]


def plain_entry(path: Path, name: str, layer: str | None) -> FileEntry:
    """The entry of a file without tiles."""
    return FileEntry(
        name=name,
        kind="text",
        layer=layer,
        part=1,
        parts=1,
        size_bytes=path.stat().st_size,
        sha256=file_sha256(path),
        tiles_sha256=None,
        by_zoom={},
        ground=None,
    )


def layer_entry(job: HandoverJob, layer: LayerDraft, damaged: TileSet, found: CopyDepths) -> LayerEntry:
    """The entry of a layer, of which the tiles in `damaged` were left out; `found` are the depths of its copy."""
    asked = job.brief.layers[layer.plan.name]
    good = layer.held - damaged
    pack = pack_path(job.brief, layer.plan.name, job.store)
    wrong = job.wrong_ground(layer.plan.name) if layer.held else ()
    may_be_blank = {} if asked.over is not None else _repeats(pack, layer.plan, good)
    return LayerEntry(
        format=layer.format,
        attribution=asked.attribution,
        permission=asked.permission,
        shows=date_of(asked),
        licence_ends=_text_or_none(getattr(asked, "expires", None)),
        fetched=None if layer.fetched is None else (date_text(layer.fetched[0]), date_text(layer.fetched[1])),
        planned=len(layer.plan.tiles | layer.held),
        on_board=len(good),
        absent=len(layer.absent),
        missing=len(layer.missing),
        damaged=len(damaged),
        by_zoom={str(zoom): count for zoom, count in good.by_zoom().items()},
        areas=tuple(
            _area_entry(area, layer.plan.name, found, may_be_blank.get(area.name, ""))
            for area in layer.plan.areas
        ),
        wrong_ground=" ".join(wrong)[:_LONGEST_WORDS],
        pictures=layer.pictures if layer.held else (),
        blended=_blended(job.blends.get(layer.plan.name), layer.plan.blended),
    )


def _blended(blend: Blend | None, upper: Sequence[LayerPlan]) -> BlendEntry | None:
    if blend is None:
        return None
    areas = {
        layer.name: tuple(
            AreaEntry(
                name=area.name,
                deepest=area.deepest,
                tiles=len(area.tiles),
                asked=area.asked,
                planned_sha256=tiles_digest(area.tiles),
            )
            for area in layer.areas
        )
        for layer in upper
    }
    return BlendEntry(over=blend.upper, tiles=blend.tiles, sha256=blend.sha256, areas=areas)


def _repeats(pack: Path, layer: LayerPlan, good: TileSet) -> dict[str, str]:
    """By area, that one picture is at many of its places: a crew that zooms in there may see nothing."""
    return {
        one.area: f", {one.for_the_crew}"
        for one in repeats_on_board(pack, {area.name: area.tiles & good for area in layer.areas})
    }


def _area_entry(area: AreaPlan, layer: str, found: CopyDepths, beside: str) -> AreaEntry:
    depth = next(d for d in found.areas if (d.area, d.layer) == (area.name, layer))
    in_words, below = found.words(depth)
    return AreaEntry(
        name=area.name,
        deepest=area.deepest,
        tiles=len(area.tiles),
        asked=area.asked,
        floor=area.floor,
        held=depth.held,
        in_words=(in_words + beside)[:_LONGEST_WORDS],
        below_floor=below[:_LONGEST_WORDS],
        planned_sha256=tiles_digest(area.tiles),
    )


def _text_or_none(value: object) -> str | None:
    return None if value is None else str(value)


def date_text(seconds: int) -> str:
    """A moment given in seconds since 1970, in UTC: "2030-05-01T12:00:00Z"."""
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def manifest_of(
    job: HandoverJob, copy: CopyDraft, layers: dict[str, LayerEntry], files: tuple[FileEntry, ...]
) -> Manifest:
    """The manifest of a copy."""
    return Manifest(
        software=SoftwareEntry(name="lastbar", version=__version__),
        title=job.brief.title,
        crew=copy.share.crew.name if copy.share.crew else None,
        complete=not any(
            layer.missing
            or layer.damaged
            or layer.wrong_ground
            or any(area.below_floor for area in layer.areas)
            for layer in layers.values()
        ),
        plan=job.plan.fingerprint,
        rule=job.plan.rule,
        bounds=_bounds(job.plan, copy),
        layers=layers,
        files=files,
    )


def _bounds(plan: Plan, copy: CopyDraft) -> tuple[float, float, float, float]:
    """The plan's bounds, or where there is no overview the box round the copy's areas."""
    overview = any(area.name == OVERVIEW for layer in copy.layers.values() for area in layer.plan.areas)
    box = plan.bounds
    if not overview:
        box = enclosing([b for name in copy.share.areas for b in plan.shapes[name].boxes()])
    return round(box.west, 6), round(box.south, 6), round(box.east, 6), round(box.north, 6)
