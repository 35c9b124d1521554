"""Setting up one layer of a run: what the pack lacks, in which order it is asked for, and who does what."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from itertools import chain

from packer.common.clock import Clock
from packer.content.payload import Kind
from packer.fetching.address_doubt import AddressDoubt
from packer.fetching.answer_reader import AnswerReader
from packer.fetching.answers.quarantine import Quarantine
from packer.fetching.apart_lane import ApartLane
from packer.fetching.batch_writer import BatchWriter
from packer.fetching.coverage import CoverageTracker
from packer.fetching.departure import ByteBudget, Throughput
from packer.fetching.hands.hands_fetcher import HandsFetcher
from packer.fetching.hosts.address_trial import TELLING_ZOOM
from packer.fetching.hosts.consent import Consent
from packer.fetching.hosts.host_identity import SharedGate
from packer.fetching.hosts.layer_keys import LayerKeys
from packer.fetching.hosts.onward_hosts import OnwardHosts
from packer.fetching.hosts.source import Source
from packer.fetching.hosts.tile_asker import TileAsker
from packer.fetching.hosts.tile_requests import TileRequests
from packer.fetching.jpeg_worker import JpegWorker
from packer.fetching.key_wait import KeyWait
from packer.fetching.layer_fetcher import HostAccess, LayerFetcher
from packer.fetching.layer_run import LayerRun
from packer.fetching.metatiles import Metatiles
from packer.fetching.order import in_order
from packer.fetching.pacing.gate import Pause
from packer.fetching.pacing.speed_limit import SpeedLimiter
from packer.fetching.policy import TilePolicy
from packer.fetching.refresh import Refresh
from packer.fetching.reports import Options
from packer.fetching.run_log import last_pace
from packer.fetching.tile_queue import TileQueue
from packer.fetching.tile_recorder import TileRecorder
from packer.fetching.transports import Transport
from packer.geometry.tileset import TileSet
from packer.planning.brief import Brief
from packer.planning.offers import gutter_of, metatile_of
from packer.planning.plan import Plan
from packer.store.writer import PackWriter

__all__ = ["LayerSetup"]


@dataclass(frozen=True, slots=True)
class LayerSetup:
    """What all layers of a run share. `confirmed` are those whose hosts have answered for themselves already, `lent`
    holds if hands ask for the tiles."""

    brief: Brief
    plan: Plan
    options: Options
    clock: Clock
    gates: Mapping[str, SharedGate]
    transport: Transport
    consent: Consent
    onward: OnwardHosts
    keys: Mapping[str, LayerKeys]
    on_key_change: Callable[[str], Callable[[Pause | None, Pause | None], None]]
    confirmed: frozenset[str]
    byte_budget: ByteBudget
    speed: SpeedLimiter
    jpeg_worker: JpegWorker
    lent: bool = False

    async def layer(self, source: Source, pack: PackWriter) -> LayerRun:
        """A layer ready to run, with its pack open. If cancelled: nothing has changed."""
        refresh = await self._refresh(source.layer, pack)
        layer, planned = self.plan.layers[source.layer], self.plan.layers[source.layer].tiles
        absent = TileSet() if self.options.ask_absent_again else planned & pack.absent - pack.held
        todo = planned - pack.held - absent
        order = [in_order(layer.areas, self.plan.shapes, tiles) for tiles in (todo, refresh.tiles)]
        side, gutter_px = (one(self.brief.layers[source.layer]) for one in (metatile_of, gutter_of))
        wanted = todo | refresh.tiles
        blocks = Metatiles(source, side, planned, wanted, gutter_px) if side > 1 or gutter_px else None
        fresh = chain(*order) if blocks is None else blocks.leads(chain(*order))
        lane = ApartLane(self.gates[source.layer].cap, self.brief.layers[source.layer].requests_per_second)
        writer, gate = BatchWriter(pack.write, self.options.batch_records), self.gates[source.layer].gate
        queue = TileQueue(fresh, lane)
        recorder = TileRecorder(queue, writer, refresh, self.clock, blocks)
        return LayerRun(
            layer=self.brief.layers[source.layer],
            source=source,
            pack=pack,
            gate=gate,
            fetcher=self._fetcher(source, pack, queue, recorder),
            batch_writer=writer,
            planned=planned,
            held=len(planned) - len(todo) - len(absent),
            absent=len(absent),
            todo=len(todo),
            tracker=CoverageTracker(layer.areas, self.plan.shapes, planned, planned - todo, absent),
            pace=Throughput(self.clock.now() - gate.waited_s, last_pace(pack.path.parent, source.layer)),
            refresh=refresh,
        )

    def _fetcher(
        self, source: Source, pack: PackWriter, queue: TileQueue, recorder: TileRecorder
    ) -> LayerFetcher:
        requests = self._requests(source, recorder)
        doubt = AddressDoubt(
            TileAsker(requests, self.clock), self.plan.layers[source.layer].tiles, requests.identity
        )
        refusal = partial(self.consent.refusal, source)
        on_change = self.on_key_change(source.layer)
        wait = KeyWait(self.keys[source.layer], self.clock, requests.renew, on_change)
        access = HostAccess(
            requests.gate, requests, refusal, self.byte_budget, self.speed, self.jpeg_worker, doubt, wait
        )
        reader = AnswerReader(
            requests, queue, recorder.refresh, self.jpeg_worker, self.clock, recorder.metatiles
        )
        if pack.kind is not None:
            reader.require_kind(Kind(pack.kind))
        make = HandsFetcher if self.lent else LayerFetcher
        return make(queue, access, self._policy(requests, pack), reader, recorder, self.clock)

    def _requests(self, source: Source, recorder: TileRecorder) -> TileRequests:
        return TileRequests(
            self.brief.layers[source.layer],
            source,
            self.gates[source.layer].gate,
            self.consent.identity(source),
            self.transport,
            self.clock,
            self.onward,
            recorder.sent,
            self.byte_budget.received,
        )

    def _policy(self, requests: TileRequests, pack: PackWriter) -> TilePolicy:
        source = requests.source
        gate, confirmed = self.gates[source.layer].gate, source.layer in self.confirmed
        telling = min(TELLING_ZOOM, self.plan.layers[source.layer].tiles.zooms[-1])
        quarantine = Quarantine(proven=any(zoom >= telling for zoom in pack.held.zooms), telling_zoom=telling)
        if confirmed:
            quarantine.confirm(self.clock.now(), self.clock.now())
        policy = TilePolicy(
            gate.retry_budget,
            self.clock.chance,
            quarantine,
            requests.sign_in_page,
            several=gate.several,
            heard=confirmed,
        )
        policy.keys.came = quarantine.proven and self.keys[source.layer].renews_itself
        return policy

    async def _refresh(self, layer: str, pack: PackWriter) -> Refresh:
        """The tiles on board that are to be asked for again. If cancelled: nothing has changed."""
        if self.options.refresh_older_s is None:
            return Refresh(TileSet(), 0, pack.validators, wanted=False)
        now, planned = self.clock.wall(), self.plan.layers[layer].tiles
        before = now - self.options.refresh_older_s
        stale = planned & await pack.stale_tiles(before, now)
        old = planned & await pack.stale_tiles(before, math.inf)
        return Refresh(stale, len(old) - len(stale), pack.validators)
