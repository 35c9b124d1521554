"""One hand: it joins the planning machine, does what it is lent to do, and gives back what is left."""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections.abc import Callable, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from ssl import SSLContext
from typing import Any

from packer.common.clock import Clock
from packer.errors import LastbarError, NetworkError
from packer.fetching.hands.channel import CLOSED, Channel, Message, open_channel
from packer.fetching.hands.hand_layers import HandLayers, PlannerClock, open_layers, wait_of
from packer.fetching.hands.leased_copies import Dealt
from packer.fetching.hands.leased_tiles import HandLease, LeaseOverError
from packer.fetching.hands.orders import Orders
from packer.fetching.hands.settled import sent_of
from packer.fetching.pacing.cap_shares import Caps
from packer.fetching.pacing.gate import Gate, Pause, PauseKind
from packer.fetching.transports import TransportName
from packer.geometry.tileset import Tile
from packer.store.records import Received, Record
from packer.version import __version__

__all__ = ["HandNews", "Joined", "hand"]

_BEAT_S, _HUNGRY_S = 0.5, 0.1
_CONNECT_S, _AGAIN_S = 5.0, 2.0
_ANSWER_S = 10.0  # to a beat; after that another connection is tried, as long as the lease lasts
_UNKNOWN_S = 20.0
_WATCH_S = 0.5
_FINISH_S = 10.0  # for requests under way when a stop is asked for


@dataclass(slots=True)
class HandNews:
    """What a hand can tell of itself: under which `name` and for which trip, what it has sent so far, whether it is
    `joined`, its share and what it waits for."""

    name: str = ""
    title: str = ""
    layers: tuple[str, ...] = ()
    tiles: int = 0
    bytes: int = 0
    joined: bool = False
    connections: int = 0
    waits: dict[str, Pause] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Joined:
    """How a hand reaches the planning machine at `place`, and what it calls itself."""

    place: str
    context: SSLContext
    name: str
    transport: TransportName | None = None


async def hand(
    joined: Joined, clock: Clock, stop: asyncio.Event, news: HandNews, on_note: Callable[[str], None]
) -> bool:
    """Work for the planning machine until it says that all is on board, or until `stop`; whether all is.

    While the planning machine is not there, it is waited for. Raises NetworkError where it refuses this hand,
    TermsError where this machine sees that a layer's terms do not permit it. If cancelled: requests under way are
    dropped; what the hand had goes to others once its lease is over.
    """
    was, missed = "", False
    while not stop.is_set():
        session = _HandSession(joined, clock, stop, news, was)
        try:
            ended = await session.run()
        except LeaseOverError:
            on_note(
                "The planning machine was out of reach for too long. What was under way here goes to others."
            )
            ended = None
        except CLOSED:
            if not missed:
                on_note(f"Waiting for the planning machine at {joined.place}.")
            missed, ended = True, None
            await _pause(clock, stop, _AGAIN_S)
        else:
            missed = False
        news.joined, was = False, session.number or was
        if ended == "complete":
            return True
        if ended == "stopped":
            on_note(
                "The planning machine has stopped the fetch. This hand waits for the next one; Ctrl-C ends it."
            )
            await _pause(clock, stop, _AGAIN_S)
    return False


async def _pause(clock: Clock, stop: asyncio.Event, seconds: float) -> None:
    """Wait for so long, or until `stop`. If cancelled: nothing is held."""
    tasks = [asyncio.ensure_future(clock.sleep(seconds)), asyncio.ensure_future(stop.wait())]
    try:
        await asyncio.wait(tasks, return_when="FIRST_COMPLETED")
    finally:
        for task in tasks:
            task.cancel()


class _HandSession:
    """From joining to the end of the lease. `number` is what the planning machine knows it by."""

    def __init__(self, joined: Joined, clock: Clock, stop: asyncio.Event, news: HandNews, was: str) -> None:
        self.number = ""
        self._joined, self._clock, self._stop, self._news, self._was = joined, clock, stop, news, was
        self._lease = HandLease(clock)
        self._heeding = self._draining = False
        self._count = self._heard = 0
        self._speed: float | None = None
        self._back: dict[str, list[Tile]] = {}
        self._give_lock, self._beat_lock = asyncio.Lock(), asyncio.Lock()
        self._channels: dict[str, Channel] = {}
        self._errands: set[asyncio.Task[None]] = set()

    async def run(self) -> str | None:
        """How the run ended, None if the planning machine wants the hand to join again, or `stop` was set. Raises
        LeaseOverError, and one of CLOSED while nobody is there. If cancelled: as `hand`."""
        try:
            found = await self._ask(
                "join", {"name": self._joined.name, "version": __version__, "was": self._was}
            )
            if "ended" in found:
                return str(found["ended"])
            orders = Orders.model_validate(found["orders"])
            self.number, self._news.name = str(found["hand"]), str(found["name"])
            self._news.title, self._news.layers = orders.title, tuple(layer.name for layer in orders.layers)
            self._news.joined = True
            async with AsyncExitStack() as stack:
                clock = PlannerClock(self._clock, float(found["wall"]) - self._clock.wall())
                layers = await open_layers(
                    orders, clock, self._lease, self._joined.transport, self._send, stack
                )
                return await self._work(layers)
        finally:
            for channel in self._channels.values():
                channel.close()

    async def _work(self, layers: HandLayers) -> str | None:
        """If cancelled: as `hand`."""
        for name, gate in layers.gates.items():
            gate.on_change = self._on_pause(name)
        workers = [asyncio.create_task(layer.run()) for layer in layers.layers.values()]
        writers = [asyncio.create_task(layer.write()) for layer in layers.layers.values()]
        beats, watch = asyncio.create_task(self._beats(layers)), asyncio.create_task(self._until_over())
        stopping = asyncio.create_task(self._stop.wait())
        tasks: list[asyncio.Task[Any]] = [*workers, *writers, beats, watch, stopping]
        try:
            while not beats.done():
                waiting = [task for task in tasks if not task.done()]
                await asyncio.wait(waiting, return_when="FIRST_COMPLETED")
                for task in (*workers, *writers, watch):
                    if task.done() and (fault := task.exception()) is not None:
                        raise _first(fault) from None
                if stopping.done() and not self._draining:
                    await self._drain(layers, workers, writers)
                    return None
            return beats.result()
        finally:
            for task in (*tasks, *self._errands):
                task.cancel()
            await asyncio.gather(*tasks, *self._errands, return_exceptions=True)

    async def _drain(
        self, layers: HandLayers, workers: Sequence[asyncio.Task[None]], writers: Sequence[asyncio.Task[None]]
    ) -> None:
        """Finish what is under way, and say goodbye. If cancelled: as `hand`."""
        self._draining = True
        for layer in layers.layers.values():
            layer.halt()
        await asyncio.wait(workers, timeout=_FINISH_S)
        for task in workers:
            task.cancel()
        await asyncio.gather(*workers, return_exceptions=True)
        await asyncio.wait(writers, timeout=_FINISH_S)
        with contextlib.suppress(*CLOSED, TimeoutError):
            async with asyncio.timeout(_CONNECT_S):
                await self._ask("leave", {})

    # ------------------------------------------------------------------------------------ beats

    async def _beats(self, layers: HandLayers) -> str | None:
        """Say how it is and take what comes, until the run has ended. Raises LeaseOverError. If cancelled: nothing is
        held."""
        while True:
            asked = self._lease.now()
            beat = self._beat(layers)
            try:
                told = await self._ask("beat", beat)
            except CLOSED as fault:
                self._undo(beat)
                if self._lease.left_s() <= 0:
                    raise LeaseOverError from fault
                await self._clock.sleep(_HUNGRY_S)
                continue
            if "ended" in told:
                return str(told["ended"])
            if "join" in told:
                raise LeaseOverError
            self._heed(layers, told, self._lease.renew(asked, float(told["length_s"])))
            self._heard = int(beat["count"])
            few = 3 * max(self._news.connections, 1)
            hungry = any(layer.queue.more and layer.queue.unstarted < few for layer in layers.layers.values())
            soon = hungry or any(keeper.settling for keeper in layers.keepers.values())
            await self._clock.sleep(_HUNGRY_S if soon else _BEAT_S)

    async def _until_over(self) -> None:
        """Raises LeaseOverError once the lease is: from then on connections that nothing uses may not stay open. If
        cancelled: nothing is held."""
        while not self._heard or self._lease.left_s() > 0:
            await self._clock.sleep(_WATCH_S)
        raise LeaseOverError

    def _beat(self, layers: HandLayers) -> Message:
        now, back = self._clock.now(), self._back
        self._back, self._count = {}, self._count + 1
        waits = {
            name: wait for name, gate in layers.gates.items() if (wait := wait_of(gate, now)) is not None
        }
        keys = {n: la.fetcher.key_wait.pause for n, la in layers.layers.items()}
        failed = {n: la.failure for n, la in layers.layers.items() if la.failure is not None}
        self._news.waits = {name: gate.pause for name, gate in layers.gates.items() if gate.pause is not None}
        self._news.failed = {name: str(fault) for name, fault in failed.items()}
        return {
            "count": self._count,
            "heard": self._heard,
            "speed": self._speed,
            "using": {name: list(keeper.using()) for name, keeper in layers.keepers.items()},
            "needs": {name: list(keeper.need()) for name, keeper in layers.keepers.items()},
            "waits": waits,
            "unstarted": {name: layer.queue.unstarted for name, layer in layers.layers.items()},
            "back": {name: [list(tile) for tile in tiles] for name, tiles in back.items()},
            "ended": [name for name, layer in layers.layers.items() if layer.ended],
            "failed": {name: (type(fault).__name__, str(fault)[:900]) for name, fault in failed.items()},
            "keys": {name: pause.reason[:900] for name, pause in keys.items() if pause is not None},
            "longest_s": max(map(_longest_s, layers.gates.values()), default=0.0),
            "left_s": max(self._lease.left_s(), 0.0),
        }

    def _undo(self, beat: Message) -> None:
        """The beat was not heard for sure: what it gives back is said again, which does no harm."""
        for name, tiles in beat["back"].items():
            self._back.setdefault(name, []).extend(Tile(*tile) for tile in tiles)

    def _heed(self, layers: HandLayers, told: Message, ends: float) -> None:
        now = self._clock.now()
        for name, keeper in layers.keepers.items():
            keeper.take(Caps(*told["shares"].get(name, (0, 0))), ends)
        self._news.connections = sum(share[0] for share in told["shares"].values())
        speed = told["speed"]
        layers.speed.bits_per_second = self._speed = None if speed is None else float(speed)
        self._heeding = True
        for name, wait_s in told["quiet"].items():
            layers.gates[name].leave_alone("the server asks for fewer requests (429)", now + float(wait_s))
        self._heeding = False
        if "orders" in told:
            layers.renew(Orders.model_validate(told["orders"]))
        for name, layer in layers.layers.items():
            dealt = Dealt.of(told["deal"].get(name, {}))
            if name in told["halt"] and not layer.halted:
                layer.halt()
            if layer.halted:
                continue  # all that it has goes back once it has ended
            layer.deal(dealt, more=bool(told["more"].get(name, False)))
            if name in told["recall"]:
                layer.recall()
            if count := told["back"].get(name, 0):
                self._back.setdefault(name, []).extend(layer.take_back(int(count)))

    def _on_pause(self, gate: str) -> Callable[[Pause | None, Pause | None], None]:
        def changed(_before: Pause | None, now: Pause | None) -> None:
            if now is None or now.kind is not PauseKind.ASKED or self._heeding:
                return
            wait_s = now.until - self._clock.now()
            errand = asyncio.create_task(self._say_patience(gate, wait_s))
            self._errands.add(errand)
            errand.add_done_callback(self._errands.discard)

        return changed

    async def _say_patience(self, gate: str, wait_s: float) -> None:
        """If cancelled: the next beat tells that this hand waits, and no more."""
        with contextlib.suppress(*CLOSED, LastbarError):
            await self._ask("patience", {"gate": gate, "wait_s": wait_s}, way="give")

    # ------------------------------------------------------------------------------------ records

    async def _send(self, layer: str, records: Sequence[Record], requests: int) -> None:
        """Send a batch, again and again as long as the lease lasts: what came twice is taken once. Raises
        LeaseOverError. If cancelled: it may be lost."""
        batch = {"layer": layer, "records": [sent_of(record) for record in records], "requests": requests}
        while True:
            try:
                told = await self._ask("give", batch)
            except CLOSED as fault:
                if self._lease.left_s() <= 0:
                    raise LeaseOverError from fault
                await self._clock.sleep(_HUNGRY_S)
                batch["requests"] = 0  # they may have been counted
                continue
            if "join" in told:
                raise LeaseOverError
            came = [record for record in records if isinstance(record, Received)]
            self._news.tiles += len(came)
            self._news.bytes += sum(len(record.data) for record in came)
            return

    async def _ask(self, op: str, message: Message, way: str | None = None) -> Message:
        """Batches have a channel of their own, so that beats do not wait behind them. Raises one of CLOSED, and
        NetworkError where the planning machine refuses. If cancelled: the channel is closed."""
        way = way or ("give" if op == "give" else "beat")
        async with self._give_lock if way == "give" else self._beat_lock:
            if way not in self._channels:
                self._channels[way] = await open_channel(self._joined.place, self._joined.context, _CONNECT_S)
            try:
                async with asyncio.timeout(_ANSWER_S if way == "beat" else None):
                    told = await self._channels[way].ask({"op": op, "hand": self.number, **message})
            except BaseException:
                self._channels.pop(way).close()
                raise
        if "refused" in told:
            raise NetworkError(str(told["refused"]))
        return told


def _longest_s(gate: Gate) -> float:
    """How long an answer may take; before one has come a lease need not be as long as the longest wait."""
    return min(gate.deadline_s(first=False), math.inf if gate.ever_good else _UNKNOWN_S)


def _first(fault: BaseException) -> BaseException:
    """What ended a worker: that the lease is over, or a fault."""
    while isinstance(fault, BaseExceptionGroup):
        fault = fault.exceptions[0]
    return fault
