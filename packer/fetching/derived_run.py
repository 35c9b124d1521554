"""The derived layers of one run: made beside the fetch of their sources, and to their end after it."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from contextlib import AsyncExitStack
from dataclasses import dataclass, field, replace

from packer.common.clock import Clock
from packer.fetching.deriving import LayerDeriver, check_library
from packer.fetching.reports import Departure, LayerProgress, LayerReport, Options
from packer.fetching.run_monitor import OnProgress, first_error
from packer.planning.brief import Brief
from packer.planning.pack_path import SOURCE, pack_path
from packer.planning.plan import Plan
from packer.planning.source_layers import derived_from, source_name
from packer.store.source_reader import check_grid

__all__ = ["DerivedRun"]

_REDRAW_S = 0.25


@dataclass(slots=True)
class DerivedRun:
    """The derived layers of a brief, if it has any. Raises InputError where the library that they need is missing,
    StoreError where the pack of a source has tiles of another grid."""

    brief: Brief
    plan: Plan
    options: Options
    clock: Clock
    stop: asyncio.Event
    layers: list[LayerDeriver] = field(default_factory=list)
    _tasks: list[asyncio.Task[None]] = field(default_factory=list)
    _ended: asyncio.Event = field(default_factory=asyncio.Event)
    _on_progress: OnProgress | None = None
    _shown: list[LayerProgress] = field(default_factory=list)

    def __post_init__(self) -> None:
        grids = derived_from(self.brief, self.plan)
        check_library(grids)
        for name, grid in grids.items():  # before anything is written into it
            check_grid(pack_path(self.brief, source_name(name), self.options.store), grid, name)

    def watched_by(self, on_progress: OnProgress | None) -> OnProgress | None:
        """What is told of the progress of all other layers, and tells of the derived ones with it."""
        self._on_progress = on_progress
        return None if on_progress is None else self._show

    def _show(self, progress: list[LayerProgress]) -> None:
        self._shown = progress
        if self._on_progress is None:
            return
        sources = {one.name: one for one in progress}
        derived = [
            replace(one.progress(), departure=_forecast(one, sources.get(source_name(one.name))))
            for one in self.layers
        ]
        others = [_of_source(one) if one.name.endswith(SOURCE) else one for one in progress]
        self._on_progress([*derived, *others])

    async def start(self, stack: AsyncExitStack) -> None:
        """Open the packs of the layers, until `stack` is closed, and begin to make tiles. If cancelled: the packs are
        closed with `stack`."""
        for name, grid in derived_from(self.brief, self.plan).items():
            made = LayerDeriver.opened(
                self.brief, self.plan, name, grid, self.options, self.clock, self.stop, stack
            )
            self.layers.append(await made)
        stack.push_async_callback(self._end)
        self._tasks = [asyncio.create_task(layer.go_on(self._ended)) for layer in self.layers]

    async def finish(self, *, in_haste: bool) -> None:
        """Make what is left, now that no more comes. Raises what went wrong in between. If cancelled: every batch
        committed so far stays."""
        self._ended.set()
        for task in self._tasks:
            await task
        self._tasks = [asyncio.create_task(layer.finish(in_haste=in_haste)) for layer in self.layers]
        while any(not task.done() for task in self._tasks):
            await asyncio.wait(self._tasks, timeout=_REDRAW_S)
            self._show(self._shown)
        for task in self._tasks:
            if (fault := task.exception()) is not None:
                raise first_error(fault)

    async def _end(self) -> None:
        """Before the packs are closed, whatever went wrong."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def with_reports(self, others: Mapping[str, LayerReport]) -> dict[str, LayerReport]:
        """What the run did for the derived layers, before what it did for others. How much of an area is on board,
        derived tiles say, and not those of their sources."""
        derived = {layer.name: layer.report() for layer in self.layers}
        plain = {n: replace(one, areas={}) if n.endswith(SOURCE) else one for n, one in others.items()}
        return derived | plain


def _forecast(layer: LayerDeriver, source: LayerProgress | None) -> Departure | None:
    """What will be made by the departure: the same share of what is missing as will come of the source, since both go
    in one order."""
    if source is None or source.departure is None:
        return None
    told, lacking = source.departure, source.planned - source.held - source.absent
    share = 1.0 if told.complete or lacking <= 0 else told.tiles / lacking
    tiles = int(share * len(layer.missing))
    return Departure(told.seconds_left, tiles, told.complete, layer.covered_after(tiles))


def _of_source(progress: LayerProgress) -> LayerProgress:
    """How deep an area is, its derived tiles say."""
    return replace(progress, areas=(), departure=None)
