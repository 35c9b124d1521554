"""A whole fetch: every layer of a brief, from what is stored to complete, or to a clean stop."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from packer.common.clock import Clock, SystemClock
from packer.common.units import counted
from packer.errors import LastbarError, TermsError
from packer.fetching.departure import ByteBudget, Countdown, Schedule
from packer.fetching.derived_run import DerivedRun
from packer.fetching.first_wait import FirstWait
from packer.fetching.hands.hands_gate import HandsGate
from packer.fetching.hands.one_request_transport import OneRequestTransport
from packer.fetching.hosts.consent import Consent
from packer.fetching.hosts.host_identity import SharedGate, gates_for, onward_gates
from packer.fetching.hosts.layer_keys import LayerKeys, key_remarks, keys_for
from packer.fetching.hosts.onward_hosts import OnwardHosts
from packer.fetching.hosts.shared_caps import shared_caps
from packer.fetching.hosts.source import Source, labels_for, secrets_in
from packer.fetching.jpeg_worker import JpegWorker
from packer.fetching.keep_awake import KeepAwake
from packer.fetching.layer_run import LayerRun
from packer.fetching.layer_setup import LayerSetup
from packer.fetching.pacing.gate import Gate
from packer.fetching.pacing.speed_limit import SpeedLimiter
from packer.fetching.reports import FetchReport, Options
from packer.fetching.run_log import RunLog
from packer.fetching.run_logger import RunLogger
from packer.fetching.run_monitor import OnProgress, RunMonitor
from packer.fetching.transports import Transport, open_transport, why_no_pyreqwest
from packer.geometry.tileset import Tile
from packer.planning.brief import Brief
from packer.planning.fetched_for import remember_fetch
from packer.planning.file_limits import file_limit
from packer.planning.pack_dates import check_pack_dates
from packer.planning.pack_path import pack_path
from packer.planning.plan import Plan
from packer.planning.source_layers import asked_of_servers
from packer.planning.terms import check_terms, user_agent
from packer.store.writer import PackWriter
from packer.store.wrong_ground import wrong_ground

if TYPE_CHECKING:
    from packer.fetching.hands.host import Hands

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
    hands: Hands | None = None,
) -> FetchReport:
    """Fetch what the plan asks for and the packs lack; `stop` set ends the run cleanly. With `hands` other machines or
    processes ask for the tiles, and this one keeps the store.

    Raises TermsError where a layer's terms do not permit it, BriefError for a variable or a contact that is
    not set, StoreError and DiskError if a pack cannot be used or written; a layer that had to be given up
    says so in its report. If cancelled: requests under way are dropped, what was handed to a writer is committed,
    every pack is closed whole.
    """
    run = _FetchJob(
        brief,
        plan,
        options or Options(),
        clock or SystemClock(),
        stop or asyncio.Event(),
        make_transport,
        hands,
    )
    report = await run.go(on_progress, os.environ if environment is None else environment)
    every = replace(plan, layers={**run.plan.layers, **plan.layers})
    wrong = await asyncio.to_thread(_wrong_ground, brief, every, run.options, report)
    return replace(report, remarks=(*report.remarks, *wrong), wrong_ground=tuple(wrong))


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
    hands: Hands | None = None
    layers: list[LayerRun] = field(default_factory=list)
    derived: DerivedRun = field(init=False)

    def __post_init__(self) -> None:
        self.derived = DerivedRun(self.brief, self.plan, self.options, self.clock, self.stop)
        self.brief, self.plan = asked_of_servers(self.brief, self.plan)

    async def go(self, on_progress: OnProgress | None, environment: Mapping[str, str]) -> FetchReport:
        started = self.clock.now()
        keys = await keys_for(self.brief, self.plan, environment)
        if not keys:  # only layers of own pictures
            return FetchReport(complete=True, interrupted=False, seconds=0.0, layers={})
        sources = {name: one.source for name, one in keys.items()}
        folder = self.options.store or self.brief.store_folder
        secrets = secrets_in(sources)
        log = RunLog(folder if self.options.log else None, self.clock.wall, secrets)
        for one in keys.values():
            one.on_secrets = log.add_secrets
        try:
            if self.options.transport is None and (reason := why_no_pyreqwest()) is not None:
                log.event("transport", used="httpx", reason=f"pyreqwest cannot be loaded: {reason}")
            return await self._logged(keys, log, on_progress, started)
        except LastbarError as fault:
            log.event("refused" if isinstance(fault, TermsError) else "error", reason=str(fault))
            if log.secrets.found_in(str(fault)):  # whatever words it repeats
                raise type(fault)(log.secrets.scrub(str(fault))) from None
            raise
        except BaseException as fault:
            log.event("aborted", reason=type(fault).__name__)
            raise
        finally:
            log.close()

    async def _logged(
        self, keys: Mapping[str, LayerKeys], log: RunLog, on_progress: OnProgress | None, started: float
    ) -> FetchReport:
        sources = {name: one.source for name, one in keys.items()}
        today = datetime.fromtimestamp(self.clock.wall()).date()
        urls = {name: source.urls(Tile(0, 0, 0)) for name, source in sources.items()}
        remarks = check_terms(self.brief, self.plan, urls, today)
        remarks += key_remarks(keys.values(), self.clock.wall())
        logger = RunLogger(log, self.clock)
        monitor = self._monitor(log, self.derived.watched_by(on_progress))
        kind = Gate if self.hands is None else HandsGate
        gates = gates_for(self.brief, sources, self.clock, kind)
        onward = onward_gates(self.brief, sources, gates, self.clock, kind)
        logger.listen([*gates.values(), *onward.values()])
        check_pack_dates(self.brief, sources, self.options.store)
        for source in sources.values():
            self._pack(source).check_free()  # at once: to be let in beside a running fetch may take a while
        async with AsyncExitStack() as stack:
            if self.options.keep_awake:
                stack.enter_context(KeepAwake(partial(_log_not_awake, log)))
            setup = await self._setup(keys, (gates, onward), monitor, stack, logger)
            for name, source in sources.items():
                pack = await stack.enter_async_context(self._pack(source))
                self.layers.append(await setup.layer(source, pack))
                remarks += _pack_remarks(name, source, pack)
            logger.start(self.brief, self.plan, self.options, self.layers, remarks)
            self._leave_word()
            await self.derived.start(stack)
            await self._lend(self.hands, (gates, onward), log, monitor)
            await self.derived.finish(in_haste=monitor.stopped is not None)
        remarks += [_moved(run) for run in self.layers if run.fetcher.requests.moved]
        report = self._report(self.clock.now() - started, monitor, remarks)
        logger.end(report, self.layers)
        for run in self.layers:
            if isinstance(run.fetcher.failure, TermsError):
                raise run.fetcher.failure
        return report

    async def _setup(
        self,
        keys: Mapping[str, LayerKeys],
        all_gates: tuple[Mapping[str, SharedGate], Mapping[str, SharedGate]],
        monitor: RunMonitor,
        stack: AsyncExitStack,
        logger: RunLogger,
    ) -> LayerSetup:
        """What all layers share, once every host's robots.txt was read. `all_gates` are those of the layers, and of the
        hosts that they may be sent on to. Raises TermsError where one disallows a
        layer. If cancelled: what was opened is closed with `stack`."""
        gates, onward = all_gates
        sources = {name: one.source for name, one in keys.items()}
        every = {id(g): g for g in (*gates.values(), *onward.values())}.values()
        transport = self._transport(sum(shared.cap for shared in every))
        stack.push_async_callback(transport.aclose)
        not_shared = logger.not_shared
        await stack.enter_async_context(shared_caps(every, self.clock, transport, not_shared))
        planned = {name: len(self.plan.layers[name].tiles) for name in sources}
        waiting = FirstWait(planned, sources, all_gates, self.clock, monitor.on_progress)
        await waiting.until_over(self.stop)
        jpeg_worker = JpegWorker()
        stack.push_async_callback(jpeg_worker.aclose)
        consent = Consent(self.brief, self.plan, sources, gates, transport, self.clock)
        return LayerSetup(
            self.brief,
            self.plan,
            self.options,
            self.clock,
            gates,
            transport,
            consent,
            OnwardHosts(onward, consent.identities, transport, self.clock),
            keys,
            logger.key_changes,
            frozenset(await consent.ask(self.stop)),
            monitor.byte_budget,
            SpeedLimiter(self.options.speed_limit, self.clock),
            jpeg_worker,
            self.hands is not None,
        )

    def _transport(self, connections: int) -> Transport:
        """With hands this machine itself asks for robots.txt alone."""
        made = self.make_transport(
            self.options.transport, connections=connections, user_agent=user_agent(self.brief.contact)
        )
        return made if self.hands is None else OneRequestTransport(made)

    async def _lend(
        self,
        hands: Hands | None,
        all_gates: tuple[dict[str, SharedGate], dict[str, SharedGate]],
        log: RunLog,
        monitor: RunMonitor,
    ) -> None:
        """Work, with hands if there are any. If cancelled: as `_work`; the hands are told that the run has ended."""
        if hands is None:
            await self._work(monitor)
            return
        from packer.fetching.hands.host import RunParts, hands_at_work  # only here: it takes a while to load

        folder = self.options.store or self.brief.store_folder
        parts = RunParts(self.brief, self.plan, folder, self.clock, log, self.layers)
        async with hands_at_work(hands, parts, all_gates) as dealer:
            await self._work(monitor)
            if not any(run.missing for run in self.layers):
                dealer.ended = "complete"

    def _monitor(self, log: RunLog, on_progress: OnProgress | None) -> RunMonitor:
        options = self.options
        countdowns, wall, now = [], self.clock.wall, self.clock.now
        if options.depart_at is not None:
            countdowns.append(Countdown(Schedule(wall(), options.depart_at), wall))
        if options.for_s is not None:
            countdowns.append(Countdown(Schedule(now(), now() + options.for_s), now))
        byte_budget, give_up_after_s = ByteBudget(options.max_bytes), options.give_up_after_s
        return RunMonitor(self.layers, self.clock, log, countdowns, byte_budget, give_up_after_s, on_progress)

    def _pack(self, source: Source) -> PackWriter:
        path = pack_path(self.brief, source.layer, self.options.store)
        limit = file_limit(self.brief, source.layer, self.plan.layers[source.layer].tiles)
        return PackWriter(path, labels_for(self.brief, self.plan, source), self.clock.wall, limit)

    # ------------------------------------------------------------------------------------ at work

    async def _work(self, monitor: RunMonitor) -> None:
        writers = [asyncio.create_task(run.batch_writer.run()) for run in self.layers]
        if self.stop.is_set():  # already: not one request is made
            monitor.stopped = "asked"
            for run in self.layers:
                run.fetcher.stop()
        fetchers = [asyncio.create_task(run.fetcher.run(run.layer.connections)) for run in self.layers]
        stopping = asyncio.create_task(self.stop.wait())
        try:
            await monitor.until_done(fetchers, writers, stopping)
            for run in self.layers:
                run.batch_writer.end()
            await asyncio.gather(*writers)
        finally:
            stopping.cancel()
            for task in (*fetchers, *writers):
                task.cancel()
            # Fetchers and writers end before the packs are closed round them, whatever went wrong.
            await asyncio.gather(*fetchers, *writers, return_exceptions=True)
        monitor.note(last=True)

    # ------------------------------------------------------------------------------------ the report

    def _leave_word(self) -> None:
        """Note beside the packs what they are fetched for. A sample is no fetch of the plan, and leaves the note alone.

        If the process dies: the old note or the new one, whole.
        """
        if not self.options.sample:
            folder = self.options.store or self.brief.store_folder
            remember_fetch(self.derived.brief, self.derived.plan, folder, self.clock.wall())

    def _report(self, seconds: float, monitor: RunMonitor, remarks: list[str]) -> FetchReport:
        layers = self.derived.with_reports({run.layer.name: run.report() for run in self.layers})
        left = sum(layer.missing + layer.refresh.get("left", 0) for layer in layers.values())
        return FetchReport(
            complete=left == 0,
            interrupted=monitor.stopped is not None and left > 0,
            seconds=seconds,
            layers=layers,
            stopped=monitor.stopped if left else None,
            alarms=tuple(alarm for run in self.layers for alarm in run.alarms),
            remarks=tuple(remarks),
        )


def _log_not_awake(log: RunLog, reason: str) -> None:
    log.event("awake", reason=reason)


def _wrong_ground(brief: Brief, plan: Plan, options: Options, report: FetchReport) -> list[str]:
    """A sentence for each layer with new tiles whose pack is no map of the ground that was planned."""
    return [
        sentence
        for name, layer in report.layers.items()
        if layer.stored
        for sentence in wrong_ground(name, pack_path(brief, name, options.store), plan.layers[name].tiles)
    ]


def _pack_remarks(layer: str, source: Source, pack: PackWriter) -> list[str]:
    """What is to be said of what a pack holds already."""
    blanked = [_blanked(layer, len(pack.blanked))] if pack.blanked else []
    lost = [_lost(layer, path) for path in pack.lost]
    return [*lost, *blanked, *([_mixed(layer, source.host, pack.other_hosts)] if pack.other_hosts else [])]


def _lost(layer: str, path: Path) -> str:
    return (
        f'{path}, one of the files of the pack of layer "{layer}", was gone. A new one is in its place, and what is '
        "missing is fetched again. If you still have the old one, stop this fetch and put it back."
    )


def _blanked(layer: str, tiles: int) -> str:
    verb, they = ("is", "It counts") if tiles == 1 else ("are", "They count")
    return (
        f'{counted(tiles, "stored tile")} of layer "{layer}" {verb} a picture that the brief names under blank, and '
        f"{verb} no longer in the pack. {they} as not on the server."
    )


def _moved(run: LayerRun) -> str:
    """That a server says that its tiles have moved for good."""
    places = " and ".join(sorted(run.fetcher.requests.moved))
    return (
        f'The server of layer "{run.layer.name}" says that its tiles have moved for good, to {places}. They were '
        "fetched by way of the old address, which takes two requests for each. Ask its operator for the new address, "
        "and put it into the brief."
    )


def _mixed(layer: str, host: str, others: Sequence[str]) -> str:
    return (
        f'The pack of layer "{layer}" also holds tiles from another source ({", ".join(others)}). Missing tiles are '
        f"now fetched from {host}. If the two show different maps, give the layer another name in the brief."
    )
