"""A survey in rounds: a sample that is spread evenly, then more where a depth is undecided, until it is decided."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from packer.fetching.reports import FetchReport, LayerProgress
from packer.fetching.transports import TransportName
from packer.geometry.tileset import Tile, TileSet
from packer.planning.brief import Brief
from packer.planning.pack_path import pack_path
from packer.planning.plan import LayerPlan, Plan, served
from packer.store.reader import TileReader
from packer.survey.evidence import Judged
from packer.survey.inspection import (
    SurveyReport,
    chosen,
    fetch_samples,
    judge_layer,
    judge_samples,
    most_samples,
)
from packer.survey.record import read_record
from packer.survey.running import SurveyMark
from packer.survey.targets import Contrasts, next_samples

__all__ = ["SURVEY_SEED", "survey_rounds"]

SURVEY_SEED = "lastbar survey"  # one for all surfaces, so that none asks for what another has
_MOST_ROUNDS = 10


class _LayerSamples:
    """The samples of one layer so far: `even` ones, and those `sought` since, with their verdicts."""

    def __init__(self, brief: Brief, layer: LayerPlan, even: TileSet, most: int, store: Path | None) -> None:
        self.layer, self.even = layer, even
        self._pack, self._most = pack_path(brief, layer.name, store), most
        self._blank = brief.layers[layer.name].blank_hashes
        known = read_record(self._pack, brief.layers[layer.name]) if self._pack.exists() else None
        # Where an earlier survey began as this one does, what it sought then is part of this one.
        same = known is not None and not even - known.sample
        self.sought = (known.sought & layer.tiles) - even if known is not None and same else TileSet()
        self.judged: dict[Tile, Judged] = {}
        self._contrasts = Contrasts(TileReader(self._pack).body)

    @property
    def every(self) -> TileSet:
        """All samples."""
        return self.even | self.sought

    def seek(self) -> TileSet:
        """Judge what has come since, and take in what to look at next; nothing where all is decided, or none may be
        asked for any more. Raises StoreError if the pack cannot be read."""
        self.judged, _ = judge_samples(self._pack, self.every, self.judged, blank=self._blank)
        room = self._most - len(self.every)
        found = TileSet.from_tiles(next_samples(self.layer.areas, self.judged, self._contrasts, room))
        more = found - self.every  # what did not come is not asked for again
        self.sought = self.sought | more
        return more


async def survey_rounds(
    brief: Brief,
    plan: Plan,
    store: Path | None = None,
    *,
    samples: int | None = None,
    transport: TransportName | None = None,
    stop: asyncio.Event | None = None,
    on_progress: Callable[[list[LayerProgress]], None] | None = None,
) -> SurveyReport:
    """Fetch samples of every layer, at most `samples` of each, and judge them; `stop` ends it with what came.

    Raises StoreBusyError while another process surveys these packs, and what `run_fetch` does. If cancelled: what came
    is stored.
    """
    with SurveyMark(store or brief.store_folder) as mark:

        def show(layers: list[LayerProgress]) -> None:
            mark.progress(sum(la.planned for la in layers), sum(la.held + la.absent for la in layers))
            if on_progress is not None:
                on_progress(layers)

        return await _rounds(brief, served(brief, plan), store, samples, transport, stop, show)


async def _rounds(
    brief: Brief,
    plan: Plan,
    store: Path | None,
    samples: int | None,
    transport: TransportName | None,
    stop: asyncio.Event | None,
    on_progress: Callable[[list[LayerProgress]], None],
) -> SurveyReport:
    """As `survey_rounds`, by whoever has the right to. If cancelled: what came is stored."""
    most = most_samples(plan, samples)
    layers = [
        _LayerSamples(brief, plan.layers[name], even, most, store)
        for name, even in chosen(plan, samples, SURVEY_SEED).items()
    ]
    reports: list[FetchReport] = []
    wanted = {one.layer.name: one.every for one in layers}
    for _ in range(_MOST_ROUNDS):
        report = await fetch_samples(
            brief, plan, wanted, store, transport=transport, stop=stop, on_progress=on_progress
        )
        reports += [report] if report is not None else []
        failed = _failures(reports)
        if stop is not None and stop.is_set():
            break
        wanted = {
            one.layer.name: await asyncio.to_thread(one.seek)
            for one in layers
            if one.layer.name not in failed
        }
        if not any(wanted.values()):
            break
    found = {}
    for one in layers:
        found[one.layer.name] = await asyncio.to_thread(
            judge_layer, brief, one.layer, one.even, store, sought=one.sought, known=one.judged
        )
    return SurveyReport(found, sum(len(one.every) for one in layers), _together(reports))


def _failures(reports: Sequence[FetchReport]) -> set[str]:
    return {name for report in reports for name, layer in report.layers.items() if layer.failure}


def _together(reports: Sequence[FetchReport]) -> FetchReport | None:
    """The reports of all rounds as one; None if nothing had to be asked for."""
    if not reports:
        return None
    last = reports[-1]
    layers = {}
    for name in last.layers:
        each = [report.layers[name] for report in reports]
        sums = {
            key: sum(getattr(one, key) for one in each) for key in ("requests", "stored", "bytes", "failed")
        }
        failure = next((one.failure for one in each if one.failure), None)
        layers[name] = replace(each[-1], **sums, failure=failure)
    return replace(
        last,
        complete=all(report.complete for report in reports),
        seconds=sum(report.seconds for report in reports),
        layers=layers,
        remarks=tuple(dict.fromkeys(remark for report in reports for remark in report.remarks)),
    )
