"""A whole fetch: every layer of a brief, from what is stored to complete, or to a clean stop."""

from __future__ import annotations

import asyncio
import math
import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from itertools import chain

from packer.common.clock import Clock, SystemClock
from packer.content.payload import Kind
from packer.errors import LastbarError, TermsError
from packer.fetching.answers.quarantine import Quarantine
from packer.fetching.answers.repeats import Repeats
from packer.fetching.batch_writer import BatchWriter
from packer.fetching.coverage import CoverageTracker
from packer.fetching.departure import ByteBudget, Schedule, Throughput
from packer.fetching.hosts.consent import Consent
from packer.fetching.hosts.host_identity import gates_for
from packer.fetching.hosts.source import Source, labels_for, secrets_of, sources_for
from packer.fetching.jpeg_worker import JpegWorker
from packer.fetching.layer_fetcher import LayerFetcher
from packer.fetching.layer_run import LayerRun
from packer.fetching.order import in_order
from packer.fetching.pacing.gate import Gate
from packer.fetching.refresh import Refresh
from packer.fetching.reports import FetchReport, Options
from packer.fetching.run_log import RunLog, last_pace
from packer.fetching.run_logger import RunLogger
from packer.fetching.run_monitor import OnProgress, RunMonitor
from packer.fetching.tile_queue import TileQueue
from packer.fetching.transports import Transport, open_transport, why_no_pyreqwest
from packer.geometry.tileset import Tile, TileSet
from packer.planning.brief import Brief
from packer.planning.pack_path import pack_path
from packer.planning.plan import Plan
from packer.planning.terms import check_terms, user_agent
from packer.store.writer import PackWriter

__all__ = ["fast_loop", "run_fetch"]


async def run_fetch(
    brief: Brief,
    plan: Plan,
    options: Options | None = None,
    *,
    clock: Clock | None = None,
    stop: asyncio.Event | None = None,
    on_progress: OnProgress | None = None,
    environment: Mapping[str, str] | None = None,
    make_transport: Callable[..., Transport] = open_transport,
) -> FetchReport:
    """Fetch what the plan asks for and the packs lack; `stop` set ends the run cleanly.

    Raises TermsError where a layer's terms do not permit it, BriefError for a variable or a contact that is
    not set, StoreError and DiskError if a pack cannot be used or written; a layer that had to be given up is
    told in its report. If cancelled: requests under way are dropped, what was handed to a writer is committed,
    every pack is closed whole.
    """
    run = _FetchJob(
        brief, plan, options or Options(), clock or SystemClock(), stop or asyncio.Event(), make_transport
    )
    return await run.go(on_progress or (lambda _: None), os.environ if environment is None else environment)


def fast_loop() -> Callable[[], asyncio.AbstractEventLoop] | None:
    """The maker of uvloop's event loop where that is installed, None for the standard one."""
    try:
        import uvloop  # not made for every system
    except ImportError:
        return None
    return uvloop.new_event_loop


@dataclass(slots=True)
class _FetchJob:
    brief: Brief
    plan: Plan
    options: Options
    clock: Clock
    stop: asyncio.Event
    make_transport: Callable[..., Transport]
    layers: list[LayerRun] = field(default_factory=list)

    async def go(self, on_progress: OnProgress, environment: Mapping[str, str]) -> FetchReport:
        started = self.clock.now()
        sources = sources_for(self.brief, self.plan, environment)
        folder = self.options.store or self.brief.store_folder
        log = RunLog(folder if self.options.log else None, self.clock.wall, secrets_of(sources))
        try:
            if self.options.transport is None and (reason := why_no_pyreqwest()) is not None:
                log.event("transport", used="httpx", reason=f"pyreqwest cannot be loaded: {reason}")
            return await self._logged(sources, log, on_progress, started)
        except LastbarError as fault:
            log.event("refused" if isinstance(fault, TermsError) else "error", reason=str(fault))
            raise
        except BaseException as fault:
            log.event("cut off", reason=type(fault).__name__)
            raise
        finally:
            log.close()

    async def _logged(
        self, sources: Mapping[str, Source], log: RunLog, on_progress: OnProgress, started: float
    ) -> FetchReport:
        today = datetime.fromtimestamp(self.clock.wall()).date()
        urls = {name: source.urls(Tile(0, 0, 0)) for name, source in sources.items()}
        remarks = check_terms(self.brief, self.plan, urls, today)
        logger, watch = RunLogger(log, self.clock), self._watch(log, on_progress)
        gates = gates_for(self.brief, sources, self.clock)
        logger.listen(gates)
        async with AsyncExitStack() as stack:
            transport = self.make_transport(
                self.options.transport,
                connections=sum(shared.cap for shared in {id(g): g for g in gates.values()}.values()),
                user_agent=user_agent(self.brief.contact),
            )
            stack.push_async_callback(transport.aclose)
            jpeg_worker = JpegWorker()
            stack.push_async_callback(jpeg_worker.aclose)
            consent = Consent(self.brief, self.plan, sources, gates, transport, self.clock)
            confirmed = await consent.ask(self.stop)
            for name, source in sources.items():
                pack = await stack.enter_async_context(self._pack(source))
                quarantine = Quarantine(proven=bool(pack.held))
                if name in confirmed:
                    quarantine.confirm(self.clock.now())
                fetcher = (gates[name].gate, transport, consent, quarantine, watch.byte_budget, jpeg_worker)
                self.layers.append(self._layer_run(source, pack, await self._refresh(name, pack), *fetcher))
                self.layers[-1].fetcher.heard = name in confirmed
                if pack.other_hosts:
                    remarks.append(_mixed(name, source.host, pack.other_hosts))
            logger.start(self.brief, self.plan, self.options, self.layers, remarks)
            await self._work(watch)
        report = self._report(self.clock.now() - started, watch, remarks)
        logger.end(report, self.layers)
        for run in self.layers:
            if isinstance(run.fetcher.failure, TermsError):
                raise run.fetcher.failure
        return report

    def _watch(self, log: RunLog, on_progress: OnProgress) -> RunMonitor:
        options = self.options
        schedule = None if options.depart_at is None else Schedule(self.clock.wall(), options.depart_at)
        byte_budget, patience = ByteBudget(options.max_bytes), options.give_up_after_s
        return RunMonitor(self.layers, self.clock, log, schedule, byte_budget, patience, on_progress)

    def _pack(self, source: Source) -> PackWriter:
        path = pack_path(self.brief, source.layer, self.options.store)
        return PackWriter(path, labels_for(self.brief, self.plan, source), self.clock.wall)

    async def _refresh(self, layer: str, pack: PackWriter) -> Refresh:
        """If cancelled: nothing has changed."""
        if self.options.renew_older_s is None:
            return Refresh(TileSet(), 0, pack.validators, wanted=False)
        now, planned = self.clock.wall(), self.plan.layers[layer].tiles
        before = now - self.options.renew_older_s
        stale = planned & await pack.stale_tiles(before, now)
        old = planned & await pack.stale_tiles(before, math.inf)
        return Refresh(stale, len(old) - len(stale), pack.validators)

    def _layer_run(
        self,
        source: Source,
        pack: PackWriter,
        refresh: Refresh,
        gate: Gate,
        transport: Transport,
        consent: Consent,
        quarantine: Quarantine,
        byte_budget: ByteBudget,
        jpeg_worker: JpegWorker,
    ) -> LayerRun:
        layer, areas = self.brief.layers[source.layer], self.plan.layers[source.layer].areas
        planned = self.plan.layers[source.layer].tiles
        absent = TileSet() if self.options.ask_absent_again else planned & pack.absent - pack.held
        todo = planned - pack.held - absent
        batch_writer = BatchWriter(pack.write, self.options.batch_records)
        fetcher = LayerFetcher(
            source,
            TileQueue(
                chain(
                    in_order(areas, self.plan.shapes, todo), in_order(areas, self.plan.shapes, refresh.tiles)
                )
            ),
            gate,
            transport,
            batch_writer,
            self.clock,
            consent.identity(source),
            quarantine,
            Repeats(),
            byte_budget,
            refresh,
            jpeg_worker,
            partial(consent.refusal, source),
        )
        if pack.kind is not None:
            fetcher.hold_to(Kind(pack.kind))
        pace = Throughput(self.clock.now(), last_pace(pack.path.parent, layer.name))
        tracker = CoverageTracker(areas, self.plan.shapes, planned, planned - todo)
        held = len(planned) - len(todo) - len(absent)
        return LayerRun(
            layer,
            source,
            pack,
            gate,
            fetcher,
            batch_writer,
            planned,
            held,
            len(absent),
            len(todo),
            tracker,
            pace,
            refresh,
        )

    # ------------------------------------------------------------------------------------ at work

    async def _work(self, watch: RunMonitor) -> None:
        pumps = [asyncio.create_task(run.batch_writer.run()) for run in self.layers]
        if self.stop.is_set():  # already: not one request is made
            watch.stopped = "asked"
            for run in self.layers:
                run.fetcher.stop()
        crews = [asyncio.create_task(run.fetcher.run(run.layer.connections)) for run in self.layers]
        stopping = asyncio.create_task(self.stop.wait())
        try:
            await watch.until_done(crews, pumps, stopping)
            for run in self.layers:
                run.batch_writer.end()
            await asyncio.gather(*pumps)
        finally:
            stopping.cancel()
            for task in (*crews, *pumps):
                task.cancel()
            # Crews and pumps end before the packs are closed round them, whatever went wrong.
            await asyncio.gather(*crews, *pumps, return_exceptions=True)
        watch.note(last=True)

    # ------------------------------------------------------------------------------------ what is told

    def _report(self, seconds: float, watch: RunMonitor, remarks: list[str]) -> FetchReport:
        layers = {run.layer.name: run.report() for run in self.layers}
        left = sum(layer.missing + layer.refresh.get("left", 0) for layer in layers.values())
        return FetchReport(
            complete=left == 0,
            interrupted=watch.stopped is not None and left > 0,
            seconds=seconds,
            layers=layers,
            stopped=watch.stopped if left else None,
            alarms=tuple(alarm for run in self.layers for alarm in run.alarms),
            remarks=tuple(remarks),
        )


def _mixed(layer: str, host: str, others: Sequence[str]) -> str:
    return (
        f'The pack of layer "{layer}" holds tiles of another source as well ({", ".join(others)}); what is missing is '
        f"taken from {host} now. Where the two show different maps, give the layer another name in the brief."
    )
