"""The workers of one layer. Each takes a tile through the same steps, from first to last:

    queue -> permit of the gate -> transport -> judge -> policy -> action

Nothing is decided here: `judge` says what an answer means, `TilePolicy` what follows from it. The fetcher asks,
waits, and carries out.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass

from packer.common.clock import Clock
from packer.errors import LastbarError
from packer.fetching.actions import (
    AskAboutAddress,
    AskAboutHeld,
    AskAboutPages,
    AskAboutTile,
    HostProven,
    KeyEnded,
    StopLayer,
)
from packer.fetching.address_doubt import AddressDoubt
from packer.fetching.answer_reader import AnswerReader
from packer.fetching.departure import ByteBudget
from packer.fetching.hosts.host_identity import HostIdentity
from packer.fetching.hosts.layer_errors import layer_error
from packer.fetching.hosts.tile_requests import Exchange, TileRequests
from packer.fetching.jpeg_worker import JPEG_BEGINS, MOST_WAITING, JpegFinding, JpegWorker
from packer.fetching.key_wait import KeyWait
from packer.fetching.pacing.gate import Gate, Permit
from packer.fetching.pacing.speed_limit import SpeedLimiter
from packer.fetching.policy import TilePolicy
from packer.fetching.reports import HandProgress, LayerCounts
from packer.fetching.tile_queue import TileQueue
from packer.fetching.tile_recorder import TileRecorder
from packer.fetching.transports import Response
from packer.fetching.turn import Turn
from packer.geometry.tileset import Tile

__all__ = ["HostAccess", "LayerFetcher"]

_INTERCEPTED = "the server stopped answering as before; a sign-in page may be in the way"


@dataclass(frozen=True, slots=True)
class HostAccess:
    """How a layer reaches its host, shared with the layers beside it.

    `requests` sends them, on to other hosts where the brief names those. `refusal` says, once the host is known to
    be itself, why its owner forbids to go on, or None. `byte_budget` is asked before each request and ends the work
    when it is used up. `speed` says when there is room on the link for one more. `jpeg_worker` checks JPEGs when
    they come fast. `doubt` tries the layer's address and its likely slips. `key_wait` is where the layer waits when
    its key has ended.
    """

    gate: Gate
    requests: TileRequests
    refusal: Callable[[], LastbarError | None]
    byte_budget: ByteBudget
    speed: SpeedLimiter
    jpeg_worker: JpegWorker
    doubt: AddressDoubt
    key_wait: KeyWait


class LayerFetcher:
    """Asks for a layer's tiles until every one is settled. `failure` is set if the layer had to be given up."""

    def __init__(
        self,
        queue: TileQueue,
        access: HostAccess,
        policy: TilePolicy,
        reader: AnswerReader,
        recorder: TileRecorder,
        clock: Clock,
    ) -> None:
        self.failure: LastbarError | None = None
        self.requests, self.key_wait = access.requests, access.key_wait
        self._queue, self._policy, self.reader, self._clock = queue, policy, reader, clock
        self._access, self._gate, self._recorder = access, access.gate, recorder
        self._stopping = self._reinforced = False
        self._turn = Turn(clock)

    @property
    def counts(self) -> LayerCounts:
        """What was done so far."""
        return self._recorder.counts

    @property
    def heard(self) -> bool:
        """Whether a server has answered for the layer."""
        return self._policy.heard

    @property
    def hands(self) -> tuple[HandProgress, ...] | None:
        """The other machines that fetch for the layer; None where this one does."""
        return None

    def wake(self) -> None:
        """There is a tile to ask for again, in a queue that was empty."""
        self._turn.call()

    def stop(self, failure: LastbarError | None = None) -> None:
        """Ask for nothing more; requests under way are finished."""
        self._stopping = True
        self.failure = self.failure or failure
        self._turn.call()
        self.key_wait.wake()

    async def run(self, workers: int) -> None:
        """Work until every tile is settled or `stop` is called. If cancelled: what the writer was given is stored."""
        self._doubled = workers
        async with asyncio.TaskGroup() as self._group:
            self._add_workers(workers)

    def _add_workers(self, count: int) -> None:
        for _ in range(count):
            self._group.create_task(self._work())

    async def _work(self) -> None:
        while (tile := await self._next_tile()) is not None:
            permit = await self._permit_for(tile)
            if permit is None:
                self.key_wait.probed(refused=False)
                return
            exchange, finding = await self._ask(tile, permit)
            await self._settle(tile, exchange, finding)
            self.key_wait.probed(refused=False)
            if self._queue.exhausted:
                self._turn.call()
        self.key_wait.probed(refused=False)

    async def _next_tile(self) -> Tile | None:
        """The next tile to ask for, None if there will be none. If cancelled: no tile is taken."""
        while not self._stopping:
            wait = self.key_wait
            if wait.pause is not None and not await wait.is_probe(lambda: self._stopping):
                continue
            if self._policy.must_wait:
                await self._turn.until(self._queue.next_at)
                continue
            asleep = self._gate.pause is not None or wait.pause is not None
            ahead = wait.tiles_ahead if wait.pause is not None else 0
            tile = self._queue.get(self._clock.now(), prefer_fresh=asleep, ahead=ahead)
            if tile is not None:
                return tile
            if self._queue.done:
                self._turn.call()
                return None
            held = self._policy.held
            if held and not self._policy.asking and self._queue.is_all_but(held):
                await self._ask_about_held(self._policy.ask_at_end(self._clock.now()))
            else:
                await self._turn.until(self._queue.next_at)
        return None

    async def _permit_for(self, tile: Tile) -> Permit | None:
        """Permission to ask for the tile; None, with the tile put back, if nothing more is to be asked for. If
        cancelled: the tile is put back, and no permit is held."""
        speed, budget = self._access.speed, self._access.byte_budget
        try:
            taken_s = await speed.take(budget.typical_bytes, lambda: self._stopping)
            permit = await self._gate.enter()
        except asyncio.CancelledError:
            self._queue.requeue(tile, self._clock.now())
            raise
        if permit is not None and not self._stopping and budget.may_ask(self._gate.in_flight):
            permit.speed_s = taken_s
            return permit
        speed.came(taken_s, None)
        if permit is not None:
            self._gate.drop(permit)
        self._queue.requeue(tile, self._clock.now())
        return None

    async def _ask(self, tile: Tile, permit: Permit) -> tuple[Exchange, JpegFinding | None]:
        """What came for the tile, and what is known of it already if it is a JPEG.

        If cancelled, or if anything is raised: the tile is put back, and the permit is returned.
        """
        access, refresh = self._access, self._recorder.refresh
        first, spent = tile not in self._queue.attempts, self._queue.lane.is_spent(tile)
        exchange = self.requests.begin(permit)
        try:
            blocks, source = self._recorder.metatiles, self.requests.source
            turn = self._recorder.turn(tile)
            alone = tile in refresh and blocks is None
            conditions = await refresh.headers(tile, {}) if alone else {}
            await self.requests.send(
                tile,
                source.url(tile, turn) if blocks is None else blocks.url(source, tile, turn),
                conditions,
                exchange,
                lambda gate: gate.deadline_s(first=first, spent=spent),
            )
            if exchange.before and self._doubled:  # each tile takes two requests now, one after the other
                self._add_workers(self._doubled)
                self._doubled = 0
            result = exchange.result
            self._recorder.answered(self._clock.now() - exchange.permit.started)
            size_bytes = 0 if result is None else result.size_bytes
            access.byte_budget.received(size_bytes, self._recorder.tiles_of(tile))
            access.speed.came(permit.speed_s, size_bytes)
            if not isinstance(result, Response):
                return exchange, None
            self._policy.heard = True
            if exchange.is_whole and access.jpeg_worker.useful and _is_bare_jpeg(result):
                exchange.received()
                return exchange, await self._check_apart(result.body)
            return exchange, None
        except BaseException:
            exchange.drop()
            self._queue.requeue(tile, self._clock.now())
            raise

    async def _check_apart(self, body: bytes) -> JpegFinding | None:
        """If cancelled: nothing has been settled."""
        if not self._reinforced:  # for the connections of those who wait here
            self._reinforced = True
            self._add_workers(MOST_WAITING)
        return await self._access.jpeg_worker.check(body)

    async def _settle(self, tile: Tile, exchange: Exchange, finding: JpegFinding | None) -> None:
        """If cancelled: the tile is stored or not, as the writer has it, and asked for again if not."""
        result, identity = exchange.result, exchange.identity
        if result is None or exchange.refusal is not None or exchange.lapsed:
            exchange.drop()
            self._queue.requeue(tile, self._clock.now())
            if exchange.refusal is not None:
                self.stop(exchange.refusal)
            return
        outcome = self.reader.outcome(tile, exchange, result, finding)
        if self._recorder.metatiles is not None:
            outcome = await self._recorder.metatiles.cut(tile, outcome)
        history = self.reader.history(tile, exchange, outcome, finding)
        decision = self._policy.decide(tile, result, outcome, history, self._clock.now())
        exchange.report(decision.signal)
        action = decision.action
        if isinstance(action, AskAboutTile):
            genuine = await identity.is_genuine(action.since)
            if genuine:
                exchange.gate.confirmed(action.since)
            action = self._policy.tile_asked(action, genuine, self._clock.now())
        await self._recorder.apply(tile, action)
        match decision.then:
            case None:
                pass
            case KeyEnded(reason):
                self.key_wait.begin(reason)
                self.key_wait.probed(refused=True)
            case HostProven():
                if self.key_wait.tile_came(exchange.permit.started):
                    self._policy.keys.over()
                await self._host_proven(exchange.permit.started, identity)
            case AskAboutHeld():
                await self._ask_about_held(decision.then)
            case AskAboutPages():
                genuine = await self.requests.is_genuine(decision.then.since)
                self._stop_for(self._policy.pages_asked(decision.then, genuine))
            case AskAboutAddress():
                await self._ask_about_address(decision.then)
            case StopLayer():
                self._stop_for(decision.then)

    async def _host_proven(self, since: float, identity: HostIdentity) -> None:
        """The host has answered as only it can a request that started at `since`: settle what is held, and hear
        its robots.txt.

        If cancelled: what was held and is not settled is asked for by the next run.
        """
        for tile, action in self._policy.confirm(since, self._clock.now()):
            await self._recorder.apply(tile, action)
        if identity.needs_sample:
            await identity.learn()
            if refusal := self._access.refusal():
                self.stop(refusal)

    async def _ask_about_held(self, question: AskAboutHeld) -> None:
        """If cancelled: what is held stays so, and is asked for again by the next run."""
        try:
            genuine = await self.requests.is_genuine(question.since)
        finally:
            self._policy.asking = False
            self._turn.call()
        verdict = self._policy.held_asked(question, genuine, self._clock.now())
        if verdict.genuine:
            for gate in (self._gate, *self.requests.used):
                gate.confirmed(question.since)
        elif verdict.genuine is False:
            self._gate.intercepted(_INTERCEPTED)
        for tile, action in verdict.settled:
            await self._recorder.apply(tile, action)
        self._stop_for(await self._access.doubt.advised(verdict.stop))

    async def _ask_about_address(self, question: AskAboutAddress) -> None:
        """If cancelled: what is held stays so, and is asked for again by the next run."""
        try:
            right, reason = await self._access.doubt.is_right(question.since)
        finally:
            self._policy.asking = False
            self._turn.call()
        self._stop_for(self._policy.address_asked(question, right, reason))

    def _stop_for(self, stop: StopLayer | None) -> None:
        if stop is not None:
            self.stop(layer_error(self.requests.source, stop))


def _is_bare_jpeg(response: Response) -> bool:
    """Whether what came is to be stored just as it came, should it be a whole JPEG, as it looks to be."""
    bare = response.status == 200 and "content-encoding" not in response.headers
    return bare and response.body.startswith(JPEG_BEGINS)
