"""The survey: sample tiles fetched as any other, read back and judged."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

from packer.errors import AnswerError
from packer.fetching.reports import FetchReport, LayerProgress, Options
from packer.fetching.run import run_fetch
from packer.fetching.transports import TransportName
from packer.geometry.tileset import Tile, TileSet
from packer.planning.brief import Brief
from packer.planning.pack_path import pack_path
from packer.planning.plan import LayerPlan, Plan
from packer.store.pack_files import has_pack
from packer.store.pack_summary import known_summary
from packer.store.reader import TileReader
from packer.store.seams_on_board import misfit_on_board, misfit_sentence
from packer.survey.evidence import Judged, SampleCounts, Sort, Worth, tallies, worth_to
from packer.survey.imagery import BUDGET, DetailVerdict, Repeat, choose, detail, detail_alone, look, repeated
from packer.survey.record import Record, save_record

__all__ = [
    "AreaFinding",
    "LayerFinding",
    "SurveyReport",
    "chosen",
    "fetch_samples",
    "judge_layer",
    "judge_samples",
    "most_samples",
    "sample_plan",
]

_MOST_REQUESTS = 2 * BUDGET  # over all layers together, unless the planner asks for another number
_FIRST_SHARE = 0.7  # of a layer's samples are spread evenly; the rest go where they decide most
_PATIENCE_S = 60.0  # someone sits and waits for the answer; what has come by then is judged


@dataclass(frozen=True, slots=True)
class AreaFinding:
    """One area of one layer. `deepest` is the zoom asked for, `sample` the judged tiles inside; `saves_tiles`
    and `saves_bytes` are what the layer is spared if the area alone ends at what is worth it."""

    name: str
    deepest: int
    worth: Worth
    sample: tuple[Tile, ...]
    zooms: Mapping[int, SampleCounts]
    saves_tiles: int
    saves_bytes: float

    def to_dict(self) -> dict[str, Any]:
        """One plain document."""
        return {
            "deepest": self.deepest,
            "worth_to": self.worth.zoom,
            "evidence": self.worth.evidence,
            "judged": self.worth.judged,
            "saves": {"tiles": self.saves_tiles, "bytes": round(self.saves_bytes)},
            "zooms": {str(zoom): tally.to_dict() for zoom, tally in self.zooms.items()},
        }


@dataclass(frozen=True, slots=True)
class LayerFinding:
    """One layer: its areas, what was noticed of repeated images, and every judged sample."""

    name: str
    areas: Mapping[str, AreaFinding]
    notices: tuple[str, ...]
    judged: Mapping[Tile, Judged]

    @property
    def mean_bytes(self) -> Mapping[int, float]:
        """Mean bytes of a tile by zoom, absent ones counted as nothing."""
        sizes: dict[int, list[int]] = {}
        for one in self.judged.values():
            sizes.setdefault(one.tile.zoom, []).append(one.size_bytes)
        return {zoom: sum(each) / len(each) for zoom, each in sizes.items()}

    def to_dict(self) -> dict[str, Any]:
        """One plain document."""
        areas = {area.name: area.to_dict() for area in self.areas.values()}
        return {"areas": areas, "notices": list(self.notices)}


@dataclass(frozen=True, slots=True)
class SurveyReport:
    """What samples show of each layer. `wanted` tiles were to be looked at; `fetched` is None if all were stored
    already."""

    layers: Mapping[str, LayerFinding]
    wanted: int
    fetched: FetchReport | None

    @property
    def lacking(self) -> int:
        """Samples that could not be had."""
        return self.wanted - sum(len(layer.judged) for layer in self.layers.values())

    def to_dict(self) -> dict[str, Any]:
        """One plain document."""
        return {
            "requests": self.fetched.total("requests") if self.fetched else 0,
            "lacking": self.lacking,
            "layers": {name: layer.to_dict() for name, layer in self.layers.items()},
        }


def most_samples(plan: Plan, samples: int | None) -> int:
    """The most tiles to look at in each layer: `samples`, or so few that all together stay under 600."""
    layers = sum(bool(layer.tiles) for layer in plan.layers.values())
    return samples if samples is not None else _MOST_REQUESTS // max(layers, 1)


def chosen(plan: Plan, samples: int | None, seed: str) -> dict[str, TileSet]:
    """The tiles to look at first in each layer, evenly spread: seven tenths of `most_samples`, and never over 196.

    Equal seeds give equal choices, so that a survey made again asks for nothing that it has.
    """
    each = most_samples(plan, samples)
    each = max(round(_FIRST_SHARE * (each if samples is not None else min(each, BUDGET))), 1)
    return {
        layer.name: TileSet.from_tiles(
            choose(
                {area.name: area.tiles for area in layer.areas},
                each,
                random.Random(f"{seed}/{layer.name}"),
            )
        )
        for layer in plan.layers.values()
        if layer.tiles
    }


def sample_plan(plan: Plan, tiles: Mapping[str, TileSet]) -> Plan:
    """The plan with only these tiles of each layer, in no areas: the order does not matter."""
    layers = {name: LayerPlan(name, tiles.get(name, TileSet()), ()) for name in plan.layers}
    return replace(plan, layers=MappingProxyType(layers))


async def fetch_samples(
    brief: Brief,
    plan: Plan,
    tiles: Mapping[str, TileSet],
    store: Path | None = None,
    *,
    transport: TransportName | None = None,
    stop: asyncio.Event | None = None,
    on_progress: Callable[[list[LayerProgress]], None] | None = None,
) -> FetchReport | None:
    """Fetch those of the tiles that the packs lack, through the same gate as any fetch; None if they have all.

    Raises what `run_fetch` does. If cancelled: what came is stored.
    """
    lacking = {
        name: known_summary(pack_path(brief, name, store)).lacking(some) for name, some in tiles.items()
    }
    if not any(lacking.values()):
        return None
    options = Options(store=store, give_up_after_s=_PATIENCE_S, transport=transport, sample=True)
    return await run_fetch(brief, sample_plan(plan, lacking), options, stop=stop, on_progress=on_progress)


def judge_layer(
    brief: Brief,
    layer: LayerPlan,
    sample: TileSet,
    store: Path | None = None,
    *,
    sought: TileSet | None = None,
    known: Mapping[Tile, Judged] | None = None,
) -> LayerFinding:
    """Judge what the pack holds of a sample, and leave a record beside the pack.

    `sought` are more tiles, chosen for what they would show: they count for the depth, but not for sizes. `known` are
    verdicts found before. Raises StoreError if the pack cannot be read, DiskError if the record cannot be written. If
    the process dies: the old record or the new one.
    """
    pack, more = pack_path(brief, layer.name, store), sought or TileSet()
    judged, repeats = judge_samples(pack, sample | more, known, blank=brief.layers[layer.name].blank_hashes)
    even = {tile: one for tile, one in judged.items() if tile in sample}
    means = LayerFinding(layer.name, {}, (), even).mean_bytes
    areas = {
        area.name: _area_finding(layer, number, judged, means) for number, area in enumerate(layer.areas)
    }
    if has_pack(pack):
        worth = {name: found.worth.zoom for name, found in areas.items() if found.worth.judged}
        every = TileSet.from_tiles(judged)
        save_record(pack, brief.layers[layer.name], Record(every & sample, worth, (every & more) - sample))
    notices = [repeat.sentence for repeat in repeats]
    if (misfit := misfit_on_board(TileReader(pack))) is not None:
        notices.append(misfit_sentence(layer.name, misfit))
    return LayerFinding(layer.name, areas, tuple(notices), judged)


def judge_samples(
    pack: Path,
    sample: TileSet,
    known: Mapping[Tile, Judged] | None = None,
    *,
    blank: Collection[bytes] = (),
) -> tuple[dict[Tile, Judged], tuple[Repeat, ...]]:
    """What the pack holds of a sample, tile by tile, and the images that came for several tiles.

    `known` are verdicts found before, which are not worked out again; `blank` are the SHA-256 of pictures that stand
    for "no tile". Raises StoreError if the pack cannot be read.
    """
    reader, summary = TileReader(pack), known_summary(pack, blank)
    bodies = {tile: body for tile in sample & summary.held if (body := reader.body(tile)) is not None}
    repeats = repeated(bodies)
    same = {tile for repeat in repeats for tile in repeat.tiles}
    judged = {t: Judged(t, Sort.ABSENT, None, 0) for t in sample & summary.absent - summary.held}
    for tile, body in bodies.items():
        if known and tile in known and tile not in same:
            judged[tile] = known[tile]
        else:
            judged[tile] = _judged(tile, body, bodies, reader, repeats=tile in same)
    return judged, repeats


def _judged(
    tile: Tile, body: bytes, bodies: Mapping[Tile, bytes], reader: TileReader, *, repeats: bool
) -> Judged:
    try:
        seen = look(body)
        if seen.blank or repeats:
            return Judged(tile, Sort.BLANK, seen.sight, len(body))
        above = Tile(tile.zoom - 1, tile.x >> 1, tile.y >> 1)
        parent = (bodies.get(above) or reader.body(above)) if tile.zoom else None
        quadrant = (tile.x & 1, tile.y & 1)
        found = detail(body, parent, quadrant) if parent else detail_alone(body)
    except AnswerError:  # not a picture, such as a vector tile: nothing can be said of its detail
        return Judged(tile, Sort.BLANK if repeats else Sort.UNDECIDED, None, len(body))
    return Judged(tile, _SORTS[found.verdict], seen.sight, len(body), found.factor, found.hint)


_SORTS = {
    DetailVerdict.NATIVE: Sort.NATIVE,
    DetailVerdict.ENLARGED: Sort.ENLARGED,
    DetailVerdict.UNDECIDED: Sort.UNDECIDED,
}


def _area_finding(
    layer: LayerPlan, number: int, judged: Mapping[Tile, Judged], means: Mapping[int, float]
) -> AreaFinding:
    area = layer.areas[number]
    inside = {tile: one for tile, one in judged.items() if tile in area.tiles}
    worth = worth_to(inside, area.tiles.by_zoom(), area.deepest)
    deeper = area.tiles.at(*range(worth.zoom + 1, area.deepest + 1))
    spared = deeper - TileSet.union(a.tiles for i, a in enumerate(layer.areas) if i != number)
    counts = spared.by_zoom()
    usual = sum(means.values()) / len(means) if means else 0.0
    size = sum(n * means.get(zoom, usual) for zoom, n in counts.items())
    sample, zooms = tuple(sorted(inside)), tallies(inside.values())
    return AreaFinding(area.name, area.deepest, worth, sample, zooms, len(spared), size)
