"""The workers of one layer. Each takes a tile through the same steps, from first to last:

    queue -> permit of the gate -> transport -> judge -> policy -> action

Nothing is decided here: `judge` says what an answer means, `TilePolicy` what follows from it. The fetcher asks,
waits, and carries out.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, replace

from packer.common.clock import Clock
from packer.content.digest import body_hash
from packer.content.payload import Kind
from packer.errors import LastbarError
from packer.fetching.actions import (
    AskAboutAddress,
    AskAboutHeld,
    AskAboutPages,
    AskAboutTile,
    HostProven,
    StopLayer,
)
from packer.fetching.address_doubt import AddressDoubt
from packer.fetching.answers.judging import judge
from packer.fetching.answers.outcome import Outcome, Stored, Unchanged
from packer.fetching.answers.repeats import RepeatDetector
from packer.fetching.departure import ByteBudget
from packer.fetching.hosts.host_identity import HostIdentity
from packer.fetching.hosts.layer_errors import layer_error
from packer.fetching.hosts.source import LIMIT_BYTES, Source
from packer.fetching.jpeg_worker import JPEG_BEGINS, MOST_WAITING, JpegFinding, JpegWorker
from packer.fetching.pacing.gate import Gate, Permit
from packer.fetching.pacing.patience import LEAST_S
from packer.fetching.pacing.speed_limit import SpeedLimiter
from packer.fetching.policy import TileHistory, TilePolicy
from packer.fetching.refresh import StoredCopy
from packer.fetching.reports import LayerCounts
from packer.fetching.tile_queue import TileQueue
from packer.fetching.tile_recorder import TileRecorder
from packer.fetching.transports import Response, Result, Transport
from packer.geometry.tileset import Tile

__all__ = ["HostAccess", "LayerFetcher"]

_COMPARABLE = (Stored, Unchanged)
_INTERCEPTED = "the server stopped answering as before; a sign-in page may be in the way"


@dataclass(frozen=True, slots=True)
class HostAccess:
    """How a layer reaches its host, shared with the layers beside it.

    `identity` gives a second opinion on the host, where no tile can tell. `refusal` says, once the host is known to
    be itself, why its owner forbids to go on, or None. `byte_budget` is asked before each request and ends the work
    when it is used up. `speed` says when there is room on the link for one more. `jpeg_worker` checks JPEGs when
    they come fast. `doubt` tries the layer's address and its likely slips.
    """

    gate: Gate
    transport: Transport
    identity: HostIdentity
    refusal: Callable[[], LastbarError | None]
    byte_budget: ByteBudget
    speed: SpeedLimiter
    jpeg_worker: JpegWorker
    doubt: AddressDoubt


class LayerFetcher:
    """Asks for a layer's tiles until every one is settled. `failure` is set if the layer had to be given up."""

    def __init__(
        self,
        source: Source,
        queue: TileQueue,
        access: HostAccess,
        policy: TilePolicy,
        recorder: TileRecorder,
        clock: Clock,
    ) -> None:
        self.failure: LastbarError | None = None
        self.repeats = RepeatDetector()
        self._source, self._queue, self._policy, self._clock = source, queue, policy, clock
        self._access, self._gate, self._recorder = access, access.gate, recorder
        self._rules = source.rules
        self._stopping = self._reinforced = False
        self._turn = asyncio.Event()  # set when a worker that waits has to look again

    @property
    def counts(self) -> LayerCounts:
        """What was done so far."""
        return self._recorder.counts

    @property
    def heard(self) -> bool:
        """Whether a server has answered for the layer."""
        return self._policy.heard

    def require_kind(self, kind: Kind) -> None:
        """Take no other kind of tile from now on: a pack has one format."""
        self._rules = replace(self._rules, kind=kind)

    def stop(self, failure: LastbarError | None = None) -> None:
        """Ask for nothing more; requests under way are finished."""
        self._stopping = True
        self.failure = self.failure or failure
        self._turn.set()

    async def run(self, workers: int) -> None:
        """Work until every tile is settled or `stop` is called. If cancelled: what the writer was given is stored."""
        async with asyncio.TaskGroup() as self._group:
            for _ in range(workers):
                self._group.create_task(self._work())

    async def _work(self) -> None:
        while (tile := await self._next_tile()) is not None:
            permit = await self._permit_for(tile)
            if permit is None:
                return
            result, finding = await self._ask(tile, permit)
            await self._settle(tile, permit, result, finding)
            if self._queue.exhausted:
                self._turn.set()

    async def _next_tile(self) -> Tile | None:
        """The next tile to ask for, None if there will be none. If cancelled: no tile is taken."""
        while not self._stopping:
            if self._policy.must_wait:
                await self._until_due()
                continue
            tile = self._queue.get(self._clock.now(), prefer_fresh=self._gate.pause is not None)
            if tile is not None:
                return tile
            if self._queue.done:
                self._turn.set()
                return None
            held = self._policy.held
            if held and not self._policy.asking and self._queue.is_all_but(held):
                await self._ask_about_held(self._policy.ask_at_end(self._clock.now()))
            else:
                await self._until_due()
        return None

    async def _until_due(self) -> None:
        """Wait until a tile that was put back is due, or another worker has come back with one."""
        self._turn.clear()
        due = self._queue.next_at
        turn = asyncio.ensure_future(self._turn.wait())
        timers = [] if due is None else [asyncio.ensure_future(self._clock.sleep(due - self._clock.now()))]
        try:
            await asyncio.wait([turn, *timers], return_when="FIRST_COMPLETED")
        finally:
            for task in (turn, *timers):
                task.cancel()

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

    async def _ask(self, tile: Tile, permit: Permit) -> tuple[Result, JpegFinding | None]:
        """What came for the tile, and what is known of it already if it is a JPEG.

        If cancelled, or if anything is raised: the tile is put back, and the permit is returned.
        """
        source, access, refresh = self._source, self._access, self._recorder.refresh
        self._recorder.sent()
        spent = self._queue.lane.is_spent(tile)
        deadline_s = self._gate.deadline_s(first=tile not in self._queue.attempts, spent=spent)
        permit.hasty = deadline_s < LEAST_S
        try:
            url, headers = source.url(tile, self._recorder.turn(tile)), source.headers
            if tile in refresh:
                headers = await refresh.headers(tile, headers)
            self._gate.sent(permit)
            result = await access.transport.fetch(url, headers, deadline_s, LIMIT_BYTES)
            self._recorder.answered(self._clock.now() - permit.started)
            access.byte_budget.received(result.size_bytes)
            access.speed.came(permit.speed_s, result.size_bytes)
            if not isinstance(result, Response):
                return result, None
            self._policy.heard = True
            if access.jpeg_worker.useful and _is_bare_jpeg(result):
                self._gate.received(permit)
                return result, await self._check_apart(result.body)
            return result, None
        except BaseException:
            self._gate.drop(permit)
            self._queue.requeue(tile, self._clock.now())
            raise

    async def _check_apart(self, body: bytes) -> JpegFinding | None:
        """If cancelled: nothing has been settled."""
        if not self._reinforced:  # for the connections of those who wait here
            self._reinforced = True
            for _ in range(MOST_WAITING):
                self._group.create_task(self._work())
        return await self._access.jpeg_worker.check(body)

    async def _settle(self, tile: Tile, permit: Permit, result: Result, finding: JpegFinding | None) -> None:
        """If cancelled: the tile is stored or not, as the writer has it, and asked for again if not."""
        outcome = judge(result, self._rules, self._clock.wall(), finding and finding.size_px)
        outcome = self._source.without_echo(outcome)
        history = self._history(tile, permit, outcome, finding)
        decision = self._policy.decide(tile, result, outcome, history, self._clock.now())
        self._gate.report(permit, decision.signal)
        action = decision.action
        if isinstance(action, AskAboutTile):
            genuine = await self._access.identity.is_genuine(action.since)
            if genuine:
                self._gate.confirmed(action.since)
            action = self._policy.tile_asked(action, genuine, self._clock.now())
        await self._recorder.apply(tile, action)
        match decision.then:
            case None:
                pass
            case HostProven():
                await self._host_proven(permit.started)
            case AskAboutHeld():
                await self._ask_about_held(decision.then)
            case AskAboutPages():
                genuine = await self._access.identity.is_genuine(decision.then.since)
                self._stop_for(self._policy.pages_asked(decision.then, genuine))
            case AskAboutAddress():
                await self._ask_about_address(decision.then)
            case StopLayer():
                self._stop_for(decision.then)

    def _history(
        self, tile: Tile, permit: Permit, outcome: Outcome, finding: JpegFinding | None
    ) -> TileHistory:
        digest, blank, copy = b"", False, StoredCopy.NONE
        refresh = self._recorder.refresh
        if isinstance(outcome, Stored):
            digest = finding.hash if finding is not None else body_hash(outcome.data)
            blank = digest in self._source.blank
            self._note_picture(tile, outcome, digest, blank=blank)
        if isinstance(outcome, _COMPARABLE) and not blank and tile in refresh:
            copy = refresh.compare(tile, outcome, digest)
        return TileHistory(
            permit.started,
            self._gate.last_success,
            self._queue.attempts.get(tile),
            digest,
            blank,
            copy,
            self._gate.pause is not None,
            self._queue.exhausted,
            self._queue.lane.is_spent(tile),
            permit.probe,
        )

    def _note_picture(self, tile: Tile, outcome: Stored, digest: bytes, *, blank: bool) -> None:
        if outcome.kind is Kind.JPG:
            self._access.jpeg_worker.note()
        if not blank:
            if self._rules.kind is None:
                self.require_kind(outcome.kind)
            self.repeats.note(tile, digest)

    async def _host_proven(self, since: float) -> None:
        """The host has answered as only it can a request that started at `since`: settle what is held, and hear
        its robots.txt.

        If cancelled: what was held and is not settled is asked for by the next run.
        """
        for tile, action in self._policy.confirm(since, self._clock.now()):
            await self._recorder.apply(tile, action)
        identity = self._access.identity
        if identity.needs_sample:
            await identity.learn()
            if refusal := self._access.refusal():
                self.stop(refusal)

    async def _ask_about_held(self, question: AskAboutHeld) -> None:
        """If cancelled: what is held stays so, and is asked for again by the next run."""
        try:
            genuine = await self._access.identity.is_genuine(question.since)
        finally:
            self._policy.asking = False
            self._turn.set()
        verdict = self._policy.held_asked(question, genuine, self._clock.now())
        if verdict.genuine:
            self._gate.confirmed(question.since)
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
            self._turn.set()
        self._stop_for(self._policy.address_asked(question, right, reason))

    def _stop_for(self, stop: StopLayer | None) -> None:
        if stop is not None:
            self.stop(layer_error(self._source, stop))


def _is_bare_jpeg(response: Response) -> bool:
    """Whether what came is to be stored just as it came, should it be a whole JPEG, as it looks to be."""
    bare = response.status == 200 and "content-encoding" not in response.headers
    return bare and response.body.startswith(JPEG_BEGINS)
