"""A hand at work: its gates and layers, made from the orders of the planning machine. Each layer has the same fetcher,
policy and judge as on a machine that works alone; only its tiles come on a lease, and its records go out."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial

from packer.common.clock import Clock
from packer.content.payload import Kind
from packer.errors import LastbarError, TermsError
from packer.fetching.address_doubt import AddressDoubt
from packer.fetching.answer_reader import AnswerReader
from packer.fetching.answers.quarantine import Quarantine
from packer.fetching.apart_lane import ApartLane
from packer.fetching.batch_writer import BatchWriter
from packer.fetching.departure import ByteBudget
from packer.fetching.hands.leased_copies import Dealt, HandRecorder, LeasedBlocks
from packer.fetching.hands.leased_tiles import HandLease, LeasedTiles, LeaseTransport, ShareKeeper
from packer.fetching.hands.orders import LayerOrder, Orders, hand_layer, source_of, tiles_of
from packer.fetching.hosts.host_identity import HostIdentity, SharedGate, robots_url
from packer.fetching.hosts.layer_keys import LayerKeys
from packer.fetching.hosts.onward_hosts import OnwardHosts
from packer.fetching.hosts.source import Source
from packer.fetching.hosts.tile_asker import TileAsker
from packer.fetching.hosts.tile_requests import TileRequests
from packer.fetching.jpeg_worker import JpegWorker
from packer.fetching.key_wait import KeyWait
from packer.fetching.layer_fetcher import HostAccess, LayerFetcher
from packer.fetching.pacing.gate import Gate, Pause, PauseKind
from packer.fetching.pacing.speed_limit import SpeedLimit, SpeedLimiter
from packer.fetching.policy import TilePolicy
from packer.fetching.transports import TransportName, open_transport
from packer.geometry.tileset import Tile, TileSet
from packer.planning.brief import Brief
from packer.planning.terms import check_layer, user_agent
from packer.store.records import Record

__all__ = ["HandLayer", "HandLayers", "PlannerClock", "open_layers", "wait_of"]

Send = Callable[[str, Sequence[Record], int], Awaitable[None]]
_ANY = Tile(0, 0, 0)
_BATCH = 128


@dataclass(frozen=True, slots=True)
class PlannerClock:
    """The clock of a hand, but for the time of day, which is that of the planning machine: a pack has one."""

    own: Clock
    ahead_s: float

    def now(self) -> float:
        """As `Clock.now`."""
        return self.own.now()

    def wall(self) -> float:
        """As `Clock.wall`."""
        return self.own.wall() + self.ahead_s

    async def sleep(self, seconds: float) -> None:
        """As `Clock.sleep`. If cancelled: nothing is held."""
        await self.own.sleep(seconds)

    def chance(self) -> float:
        """As `Clock.chance`."""
        return self.own.chance()


@dataclass(slots=True)
class HandLayer:
    """One layer at a hand. `failure` is why it had to be given up here; `ended` holds once nothing of it is under way,
    and all that was settled is sent."""

    order: LayerOrder
    gate: Gate
    identity: HostIdentity
    queue: LeasedTiles
    fetcher: LayerFetcher
    policy: TilePolicy
    quarantine: Quarantine
    writer: BatchWriter
    recorder: HandRecorder
    clock: Clock
    refusal: Callable[[], LastbarError | None]
    failure: LastbarError | None = None
    halted: bool = False
    ended: bool = False
    _asking: asyncio.Task[None] | None = None
    _work: asyncio.Event = field(default_factory=asyncio.Event)

    async def run(self) -> None:
        """Ask for tiles as they come, until `halt`. Raises what a worker raises. If cancelled: what came is sent."""
        try:
            await self._run()
        finally:
            self.writer.end()

    async def write(self) -> None:
        """Send what is settled, until `run` has ended. Raises what sending raises. If cancelled: what was not sent is
        asked for again by others."""
        await self.writer.run()
        self.ended = True

    async def _run(self) -> None:
        """If cancelled: as `run`."""
        await self._work.wait()
        if not self.halted and await self.identity.probe():
            self.quarantine.confirm(self.clock.now(), self.clock.now())
            self.policy.heard = True
        if (refusal := self.refusal()) is not None:
            self.failure, self.halted = refusal, True
        while not self.halted:
            self._work.clear()
            if not await self._ask():
                self.queue.hasten()
            if self.fetcher.failure is not None:
                self.failure, self.halted = self.fetcher.failure, True
            if not self.halted:
                await self._work.wait()

    async def _ask(self) -> bool:
        """Have the fetcher run to its end; False if it was recalled. Raises what it raises. If cancelled: it is too."""
        self._asking = asking = asyncio.create_task(self.fetcher.run(self.order.connections))
        try:
            await asyncio.wait([asking])
        finally:
            asking.cancel()
            await asyncio.gather(asking, return_exceptions=True)
        if asking.cancelled():
            return False
        asking.result()
        return True

    def recall(self) -> None:
        """Others may have what is here: nothing is under way, and the workers only wait for the host."""
        if self._asking is not None and self.gate.pause is not None and self.gate.in_flight == 0:
            self._asking.cancel()

    def deal(self, dealt: Dealt, *, more: bool) -> None:
        """These tiles as well; `more` is whether others may follow."""
        self.queue.more = more
        if tiles := dealt.tiles:
            self.recorder.deal(dealt)
            self.queue.deal(tiles)
            self._work.set()
        self.fetcher.wake()

    def take_back(self, count: int) -> list[Tile]:
        """So many of the tiles that were not asked for; they are here no longer."""
        taken = self.queue.take_back(count)
        self.recorder.forget(taken)
        return taken

    def halt(self) -> None:
        """Ask for nothing more; requests under way are finished."""
        self.halted = True
        self.fetcher.stop()
        self._work.set()


@dataclass(slots=True)
class HandLayers:
    """All that a hand has between two leases: keepers by gate, layers by name, and what runs them."""

    gates: Mapping[str, Gate]
    keepers: Mapping[str, ShareKeeper]
    layers: Mapping[str, HandLayer]
    speed: SpeedLimit
    of_gate: Mapping[str, tuple[str, ...]]

    def renew(self, orders: Orders) -> None:
        """Other keys, and the kind of tile once one is known, hold from now on."""
        for order in orders.layers:
            if (layer := self.layers.get(order.name)) is not None and order != layer.order:
                layer.order = order
                layer.fetcher.requests.renew(source_of(order))
                layer.fetcher.key_wait.other_key()
                if order.kind is not None and layer.fetcher.reader.kind is None:
                    layer.fetcher.reader.require_kind(Kind(order.kind))


async def open_layers(
    orders: Orders,
    clock: Clock,
    lease: HandLease,
    transport: TransportName | None,
    send: Send,
    stack: AsyncExitStack,
) -> HandLayers:
    """Make gates and layers; what has to be closed goes on `stack`. Raises TermsError, BriefError where this machine
    sees that the terms do not permit it. If cancelled: what was opened is closed with `stack`."""
    terms = {order.name: hand_layer(order) for order in orders.layers}
    sources = {order.name: source_of(order) for order in orders.layers}
    brief = Brief.model_construct(title=orders.title, contact=orders.contact, layers=terms)
    for name, source in sources.items():
        check_layer(brief, terms[name], source.urls(_ANY), datetime.fromtimestamp(clock.wall()).date())
    most = sum(order.connections for order in orders.gates)
    opened = open_transport(transport, connections=most, user_agent=user_agent(orders.contact))
    out = LeaseTransport(opened, lease)
    stack.push_async_callback(out.aclose)
    jpeg_worker = JpegWorker()
    stack.push_async_callback(jpeg_worker.aclose)
    gates = _gates(orders, clock)
    shared = {
        one.name: SharedGate(gates[one.name], one.connections, one.layers, frozenset(one.hosts))
        for one in orders.gates
    }
    identities: dict[str, HostIdentity] = {}
    onward = {host: shared[one.name] for one in orders.gates for host in one.onward}
    beyond = OnwardHosts(onward, identities, out, clock)
    speed = SpeedLimit(0.0)  # until something is said of it
    limiter = SpeedLimiter(speed, clock)
    making = _Making(brief, clock, out, jpeg_worker, identities, beyond, send, limiter)
    of_gate = {one.name: one.layers for one in orders.gates}
    gate_of = {layer: gates[one.name] for one in orders.gates for layer in one.layers}
    layers = {
        order.name: making.layer(order, gate_of[order.name], sources[order.name]) for order in orders.layers
    }
    keepers = {name: ShareKeeper(gate, clock, out.drop_idle) for name, gate in gates.items()}
    return HandLayers(gates, keepers, layers, speed, of_gate)


def _gates(orders: Orders, clock: Clock) -> dict[str, Gate]:
    plain = {order.name for order in orders.layers if not order.template.startswith("https:")}
    return {
        one.name: Gate(
            one.connections,
            one.per_second,
            clock,
            several=one.several,
            host=one.host,
            secure=not plain.issuperset(one.layers) or not one.layers,
        )
        for one in orders.gates
    }


@dataclass(frozen=True, slots=True)
class _Making:
    brief: Brief
    clock: Clock
    transport: LeaseTransport
    jpeg_worker: JpegWorker
    identities: dict[str, HostIdentity]
    onward: OnwardHosts
    send: Send
    speed: SpeedLimiter
    budget: ByteBudget = field(default_factory=lambda: ByteBudget(None))

    def layer(self, order: LayerOrder, gate: Gate, source: Source) -> HandLayer:
        clock, terms = self.clock, self.brief.layers[order.name]
        for place in map(robots_url, source.urls(_ANY)):
            if place not in self.identities:
                self.identities[place] = HostIdentity(place, self.transport, gate, clock)
        identity = self.identities[robots_url(source.url(_ANY))]
        queue = LeasedTiles(lane=ApartLane(order.connections, order.per_second))
        writer, budget = BatchWriter(partial(self.send, order.name), _BATCH), self.budget
        in_blocks = order.side > 1 or order.gutter_px > 0
        blocks = LeasedBlocks(source, order.side, order.gutter_px) if in_blocks else None
        recorder = HandRecorder(queue, writer, clock, blocks)
        requests = TileRequests(
            terms, source, gate, identity, self.transport, clock, self.onward, recorder.sent, budget.received
        )
        quarantine = Quarantine(proven=order.proven, telling_zoom=order.telling_zoom)
        policy = TilePolicy(
            gate.retry_budget, clock.chance, quarantine, requests.sign_in_page, several=gate.several
        )
        policy.keys.came = order.key_came
        trial = tiles_of(order.trial)
        refusal = partial(self._refusal, order, source, trial)
        access = HostAccess(
            gate,
            requests,
            refusal,
            budget,
            self.speed,
            self.jpeg_worker,
            AddressDoubt(TileAsker(requests, clock), TileSet.from_tiles(trial), identity),
            KeyWait(LayerKeys(self.brief, terms, {}, source), clock, requests.renew),
        )
        reader = AnswerReader(requests, queue, recorder.refresh, self.jpeg_worker, clock, blocks)
        if order.kind is not None:
            reader.require_kind(Kind(order.kind))
        fetcher = LayerFetcher(queue, access, policy, reader, recorder, clock)
        return HandLayer(
            order, gate, identity, queue, fetcher, policy, quarantine, writer, recorder, clock, refusal
        )

    def _refusal(self, order: LayerOrder, source: Source, trial: Sequence[Tile]) -> LastbarError | None:
        """Why robots.txt, as far as it was read here, forbids the layer."""
        if order.covers_robots:
            return None
        for turn, url in enumerate(source.urls(_ANY)):
            identity = self.identities[robots_url(url)]
            if identity.forbids([source.url(tile, turn) for tile in trial]) is not None:
                return TermsError(
                    f'Layer "{order.name}": the robots.txt of {source.hosts[turn]} disallows its tiles for tools such '
                    "as this one, so they are not asked for. If its owner permits you to fetch them all the same, "
                    f"write permission-covers-robots = true below [layers.{order.name}] in the brief."
                )
        return None


def wait_of(gate: Gate, now: float) -> tuple[str, str, str | None, float] | None:
    """What a gate waits for, as a beat has it."""
    pause: Pause | None = gate.pause
    if pause is None:
        return None
    return (PauseKind(pause.kind).value, pause.reason[:900], pause.where, max(pause.until - now, 0.0))
