"""`lastbar take-in`: using tiles and pictures that the planner already has."""

from __future__ import annotations

import asyncio
import hashlib
import sys
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from packer.cli.briefs import brief_at
from packer.cli.output import echo, echo_wrapped, print_json, warn
from packer.cli.picture_text import describe, expectation_text, off_the_plan_error, taken_text
from packer.cli.run_merge import merged_json, show_merged
from packer.cli.terminal import takes_codes
from packer.common.units import duration_text
from packer.content.payload import Kind
from packer.content.rasters.cutting import Cutter
from packer.content.rasters.facts import PictureFacts
from packer.content.rasters.picture_file import opened
from packer.content.rasters.sampling import TrialCut, try_cutting
from packer.errors import EXIT_NOT_COMPLETE, InputError
from packer.fetching.hosts.source import labels, stated_kind
from packer.geometry.tileset import TileSet
from packer.planning.brief import Brief, Layer
from packer.planning.file_limits import file_limit
from packer.planning.pack_path import pack_path
from packer.planning.plan import Plan, plan
from packer.store.labels import Labels, labels_of
from packer.store.merging import Merged, take_in
from packer.store.offer_tables import stated_name
from packer.store.pack_summary import known_summary
from packer.store.picture_marks import origin_mark
from packer.store.picture_taking import PictureJob, PictureTaken, still_to_cut, take_picture
from packer.store.placing import FileLimit

__all__ = ["run"]

# TIFF 6.0 section 2, and BigTIFF's version 43.
_TIFF_BEGINNINGS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")


def run(
    path: Path, layer: str, held: list[Path], store: Path | None, as_json: bool, over: bool, yes: bool
) -> int:
    """Take files into the pack of a layer of the brief at `path`; 0 if all of them could be taken, otherwise 1."""
    brief = brief_at(path, store)
    if layer not in brief.layers:
        raise InputError(f'{path} has no layer "{layer}". Its layers: {", ".join(brief.layers)}.')
    pictures = [one for one in held if _is_tiff(one)]
    if over and len(pictures) < len(held):
        other = next(one for one in held if one not in pictures)
        raise InputError(f"--over goes with pictures alone, and {other} is none. Take it in by itself.")
    if pictures and as_json and not yes:
        raise InputError(
            "Before a picture is cut, Lastbar asks. With --json nobody can answer, so add --yes."
        )
    target = _LayerTarget(brief, plan(brief), brief.layers[layer], pack_path(brief, layer, store))
    for one in held:
        if not yes and one not in pictures:
            _refuse_other_layer(target, one)
    merged: dict[str, Merged] = {}
    cut: list[dict[str, Any]] = []
    code = 0
    for one in held:
        if one not in pictures:
            merged[str(one)] = _tiles(target, one)
            continue
        found = _picture(target, one, over=over, yes=yes, quiet=as_json)
        if found is None:
            return EXIT_NOT_COMPLETE
        cut.append(found)
        code = code or (EXIT_NOT_COMPLETE if (over and found["waiting"]) or found["damaged"] else 0)
    if as_json:
        print_json(merged_json(merged) | {"pictures": cut})
    return max(code, show_merged(merged, quiet=as_json))


@dataclass(frozen=True, slots=True)
class _LayerTarget:
    """The layer that is added to, and its pack."""

    brief: Brief
    plan: Plan
    layer: Layer
    pack: Path

    @property
    def planned(self) -> TileSet:
        return self.plan.layers[self.layer.name].tiles

    @property
    def tile_px(self) -> int:
        return self.plan.layers[self.layer.name].tile_px

    @property
    def kind(self) -> Kind:
        return stated_kind(self.layer) or Kind.PNG

    @property
    def limit(self) -> FileLimit | None:
        return file_limit(self.brief, self.layer.name, self.planned)

    def labels(self, kind: Kind, host: str, mark: str) -> Labels:
        return labels(self.brief, self.plan, self.layer, kind.value, host=host, mark=mark)


def _is_tiff(path: Path) -> bool:
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return file.read(4) in _TIFF_BEGINNINGS


def _refuse_other_layer(target: _LayerTarget, held: Path) -> None:
    """Raises InputError for a file that names itself as another layer of the brief: its tiles would pass for this
    one's, and every check after that would find them whole."""
    own, name = target.layer.name, stated_name(held)
    other = next(
        (n for n in target.brief.layers if n != own and (name == n or name.endswith(f": {n}"))), None
    )
    if other is not None and name != own:
        raise InputError(
            f'{held} says that it is "{name}", and the brief has a layer "{other}" as well. Nothing was taken in. Take '
            f'it into "{other}", or add --yes if "{own}" is meant.'
        )


def _tiles(target: _LayerTarget, held: Path) -> Merged:
    said = target.labels(target.kind, host="taken in", mark="taken in")
    return take_in(target.pack, said, held, target.layer.tile_size, target.limit)


# ------------------------------------------------------------------------------------------------ a picture


def _picture(
    target: _LayerTarget, path: Path, *, over: bool, yes: bool, quiet: bool
) -> dict[str, Any] | None:
    """Describe a picture, ask, and cut it; what became of it, None if the planner would rather not."""
    with opened(path) as picture:
        facts = picture.facts
        job = _job(target, facts, over)
        todo = still_to_cut(target.pack, job)
        if not quiet:
            for line in describe(facts, target.plan, target.layer.name, target.tile_px):
                echo_wrapped(line)
        trial = TrialCut(0.0, 0.0, 0.0)
        if todo:
            # Of the deepest zoom alone: nothing beside the pack is made before the planner has agreed.
            cutter = Cutter(picture, target.tile_px, target.pack.parent, "trial")
            trial = try_cutting(cutter, todo, job.kind, lossless=job.lossless)
    if not quiet:
        for line in expectation_text(job, todo, trial):
            echo_wrapped(line)
    if todo and not yes and not _agreed():
        echo("Nothing was changed.")
        return None
    progress = _PictureProgress(path.name)
    taken = asyncio.run(take_picture(target.pack, _said(target, facts, job), job, progress.show))
    progress.end()
    if not quiet:
        for line in taken_text(path.name, target.layer, taken, target.brief.path):
            echo_wrapped(line)
    return _document(facts, job, taken)


def _job(target: _LayerTarget, facts: PictureFacts, over: bool) -> PictureJob:
    layer = target.layer
    # Tiles of two formats cannot lie in one pack.
    kind = Kind(labels_of(target.pack).kind) if known_summary(target.pack).held else target.kind
    if kind is Kind.PBF:
        raise InputError(
            f'Layer "{layer.name}" has vector tiles, so no picture can go into it. Give the picture a layer.'
        )
    native = facts.native_zoom(target.tile_px)
    planned = target.planned
    wanted = TileSet.union(
        planned.at(zoom) & facts.tiles(zoom)
        for zoom in planned.zooms
        if zoom <= native and not facts.is_dot(zoom, target.tile_px)
    )
    if not wanted:
        raise off_the_plan_error(facts, target.brief, target.plan, layer.name, target.tile_px)
    return PictureJob(
        facts.path,
        _sha256(facts.path),
        wanted,
        planned,
        kind,
        target.tile_px,
        over,
        fills_layer=layer.pictures,
        lossless=facts.palette,
        limit=target.limit,
    )


def _sha256(path: Path) -> str:
    """The hash of a whole file; a line now and then while it is read."""
    digest, every, done = hashlib.sha256(), path.stat().st_size, 0
    progress = _PictureProgress(path.name)
    with path.open("rb") as file:
        while some := file.read(4_000_000):
            digest.update(some)
            done += len(some)
            progress.show("bytes read", done, every)
    progress.end()
    return digest.hexdigest()


def _said(target: _LayerTarget, facts: PictureFacts, job: PictureJob) -> Labels:
    name = "".join(c if c.isprintable() else "?" for c in facts.path.name)[:200]
    return target.labels(job.kind, host=f"{name}, {facts.taken}", mark=origin_mark(job.sha256))


def _agreed() -> bool:
    if not sys.stdin.isatty():
        echo_wrapped("Nobody can be asked here. To begin, run the same command with --yes.")
        return False
    sys.stdout.write("Begin? [y/N] ")
    sys.stdout.flush()
    return sys.stdin.readline().strip().lower() in ("y", "yes")


class _PictureProgress:
    """How far it is: one line redrawn in place on a terminal, a line now and then elsewhere."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._live = takes_codes(sys.stderr)
        self._began = self._shown = time.monotonic()
        self._doing, self._first = "", 0
        self._drawn = False

    def show(self, doing: str, done: int, every: int) -> None:
        """Take in where things stand; called often."""
        now = time.monotonic()
        if doing != self._doing:
            self._doing, self._began, self._first = doing, now, done
        if now - self._shown < (0.5 if self._live else 5.0):
            return
        self._shown = now
        text = f"{self._name}: {done:,} of {every:,} {doing} ({done * 100 // max(every, 1)} %)"
        if done > self._first:
            left_s = (now - self._began) / (done - self._first) * (every - done)
            text += f", {duration_text(left_s)} left"
        if self._live:
            sys.stderr.write(f"\r\x1b[K{text[:79]}")
            sys.stderr.flush()
            self._drawn = True
        else:
            warn(text)

    def end(self) -> None:
        """Leave a clean line."""
        if self._drawn:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()


def _document(facts: PictureFacts, job: PictureJob, taken: PictureTaken) -> dict[str, Any]:
    return {
        "file": str(facts.path),
        "sha256": job.sha256,
        "date": facts.taken,
        "crs": facts.crs_name,
        "middle": [round(v, 6) for v in facts.middle],
        "size_m": [round(v, 1) for v in facts.size_m],
        "resolution_m": round(facts.resolution_m, 4),
        "native_zoom": facts.native_zoom(job.tile_px),
        "bands": facts.bands,
        "nodata": facts.nodata,
        "stretch": None if facts.stretch is None else [facts.stretch.low, facts.stretch.high],
        "wanted": len(job.wanted),
        **asdict(taken),
    }
