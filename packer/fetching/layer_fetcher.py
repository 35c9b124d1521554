"""The crew of one layer: workers that ask for tiles until nothing is left, and settle what came."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace
from typing import Protocol

from packer.common.clock import Clock
from packer.content.digest import body_hash
from packer.content.payload import Kind
from packer.errors import AnswerError, LastbarError
from packer.fetching.answers.judging import judge
from packer.fetching.answers.outcome import (
    LinkDown,
    Outcome,
    Refused,
    RetryAfter,
    ServerHasNone,
    SignIn,
    Stored,
    TryAgain,
    Unchanged,
    WrongContent,
)
from packer.fetching.answers.quarantine import MOST_HELD, PendingAnswer, Quarantine
from packer.fetching.answers.repeats import Repeats
from packer.fetching.batch_writer import BatchWriter
from packer.fetching.departure import ByteBudget
from packer.fetching.hosts.layer_errors import (
    no_response_error,
    no_tile_error,
    only_refused_error,
    unverified_absence_error,
)
from packer.fetching.hosts.source import DEADLINE_S, LIMIT_BYTES, Source
from packer.fetching.jpeg_worker import JPEG_BEGINS, MOST_WAITING, JpegFinding, JpegWorker
from packer.fetching.pacing.gate import Gate, PauseKind, Permit
from packer.fetching.pacing.retries import Retries
from packer.fetching.pacing.signals import Failed, Succeeded, Throttled, Unverified
from packer.fetching.refresh import Refresh
from packer.fetching.reports import LayerCounts
from packer.fetching.tile_queue import TileQueue
from packer.fetching.transports import FailureKind, Response, Result, Transport, TransportFailure
from packer.geometry.tileset import Tile
from packer.store.records import Absent, Received, Record, Renewed, Trouble

__all__ = ["LayerFetcher"]

_LONG_DEADLINE_S = 240.0  # where one request at a time is all that the link can carry
_ATTEMPTS = 5
_ATTEMPTS_IF_BUSY = 20  # 503 for one tile while others come
_IN_A_ROW = 20  # refusals or wrong contents without one tile between them: the layer is at fault, not a tile
_SAME_PICTURE = "one new picture came for several places that had different ones, which are kept"
_RETRY_FIRST_S, _RETRY_LONGEST_S = 0.5, 20.0


class Host(Protocol):
    """A second opinion on the host, where no tile can tell."""

    @property
    def needs_sample(self) -> bool:
        """Whether `learn` would learn something."""
        ...

    async def learn(self) -> None:
        """The host is itself just now. If cancelled: nothing is remembered."""
        ...

    async def is_genuine(self, since: float) -> bool | None:
        """Whether the host answered as itself after `since`. If cancelled: nothing is held."""
        ...


class LayerFetcher:
    """See the module. `failure` is set if the layer as a whole had to be given up; `heard` holds once a server has
    answered for the layer.

    `byte_budget` is asked before each request and ends the work when it is used up; `refresh` holds the tiles that
    are on board and asked for anew; `refusal` is asked, once the host is known to be itself, whether its owner
    forbids to go on.
    """

    def __init__(
        self,
        source: Source,
        queue: TileQueue,
        gate: Gate,
        transport: Transport,
        batch_writer: BatchWriter,
        clock: Clock,
        host: Host,
        quarantine: Quarantine,
        repeats: Repeats,
        byte_budget: ByteBudget,
        refresh: Refresh,
        jpeg_worker: JpegWorker,
        refusal: Callable[[], LastbarError | None] = lambda: None,
    ) -> None:
        self.tally = LayerCounts()
        self.failure: LastbarError | None = None
        self.heard = False
        self.repeats = repeats
        self._source, self._tiles, self._gate, self._transport = source, queue, gate, transport
        self._batch_writer, self._clock, self._host = batch_writer, clock, host
        self._quarantine, self._byte_budget, self._refusal = quarantine, byte_budget, refusal
        self._refresh, self._jpeg_worker = refresh, jpeg_worker
        self._retries = Retries(_RETRY_FIRST_S, _RETRY_LONGEST_S, clock.chance)
        self._rules = source.rules
        self._stopping = self._resolving = False
        self._turn = asyncio.Event()
        self._in_a_row = 0
        self._pages, self._ask_at_pages = 0, _IN_A_ROW
        self._reinforced = False
        self._unheard: Permit | None = None  # the last request that reached no server
        self._passed_over = 0  # so often another server answered between two such
        self._turns: dict[Tile, int] = {}  # tiles that are asked of another subdomain next time

    def stop(self, failure: LastbarError | None = None) -> None:
        """Ask for nothing more; what is in hand is finished."""
        self._stopping = True
        self.failure = self.failure or failure
        self._turn.set()

    async def run(self, workers: int) -> None:
        """Work until every tile is settled or `stop` was called.

        If cancelled: tiles under way are not stored; records handed to the outbox before are.
        """
        async with asyncio.TaskGroup() as self._group:
            for _ in range(workers):
                self._group.create_task(self._work())

    async def _work(self) -> None:
        while not self._stopping:
            if self._resolving and self._in_a_row >= _IN_A_ROW:
                await self._until_due()
                continue
            tile = self._tiles.get(self._clock.now(), prefer_fresh=self._gate.pause is not None)
            if tile is None:
                if self._tiles.done:
                    self._turn.set()
                    return
                await self._wait_or_resolve()
                continue
            try:
                permit = await self._gate.enter()
            except asyncio.CancelledError:
                self._tiles.requeue(tile)
                raise
            if permit is None:
                self._tiles.requeue(tile)
                return
            if self._stopping or not self._byte_budget.may_ask(self._gate.in_flight):
                self._gate.drop(permit)
                self._tiles.requeue(tile)
                return
            await self._ask(tile, permit)
            if self._tiles.exhausted:
                self._turn.set()

    async def _wait_or_resolve(self) -> None:
        if self._quarantine and not self._resolving and self._tiles.is_all_but(len(self._quarantine)):
            await self._ask_witness(at_end=True)
        else:
            await self._until_due()

    async def _until_due(self) -> None:
        """Wait until a put-back tile is due or another worker has come back with one."""
        self._turn.clear()
        due = self._tiles.next_at
        turn = asyncio.ensure_future(self._turn.wait())
        timers = [] if due is None else [asyncio.ensure_future(self._clock.sleep(due - self._clock.now()))]
        try:
            await asyncio.wait([turn, *timers], return_when="FIRST_COMPLETED")
        finally:
            for task in (turn, *timers):
                task.cancel()

    async def _ask(self, tile: Tile, permit: Permit) -> None:
        source = self._source
        self.tally.requests += 1
        self._batch_writer.asked()
        # A single request on a link that has been found narrow may take its time.
        deadline_s = DEADLINE_S if self._gate.width > 1 else _LONG_DEADLINE_S
        try:
            url, headers = source.url(tile, self._turns.get(tile, 0)), source.headers
            if tile in self._refresh:
                headers = await self._refresh.headers(tile, headers)
            reply = await self._transport.fetch(url, headers, deadline_s, LIMIT_BYTES)
            took_s = self._clock.now() - permit.started
            self.tally.took_s += 0.1 * (took_s - self.tally.took_s)
            if isinstance(reply, Response):
                self.heard = True
            self._byte_budget.received(len(reply.body) if isinstance(reply, Response) else reply.size_bytes)
            seen = None
            if self._jpeg_worker.useful and isinstance(reply, Response) and _is_bare_jpeg(reply):
                self._gate.received(permit)
                seen = await self._look_apart(reply.body)
        except BaseException:
            self._gate.drop(permit)
            self._tiles.requeue(tile)
            raise
        outcome = judge(reply, self._rules, self._clock.wall(), seen and seen.size_px)
        await self._settle(tile, permit, reply, outcome, seen and seen.hash)

    async def _look_apart(self, body: bytes) -> JpegFinding | None:
        """If cancelled: nothing has been settled."""
        if not self._reinforced:  # for the connections of those who wait here
            self._reinforced = True
            for _ in range(MOST_WAITING):
                self._group.create_task(self._work())
        return await self._jpeg_worker.check(body)

    async def _settle(
        self, tile: Tile, permit: Permit, reply: Result, outcome: Outcome, digest: bytes | None
    ) -> None:
        if tile not in self._tiles.attempts and not isinstance(outcome, LinkDown | SignIn):
            self._gate.retry_budget.first_attempt(isinstance(outcome, Stored | ServerHasNone | Unchanged))
        match outcome:
            case Stored():
                self._gate.report(permit, Succeeded(len(outcome.data)))
                await self._keep(tile, outcome, digest or body_hash(outcome.data))
            case ServerHasNone(200):  # a body that says so: nobody in between could make it
                self._gate.report(permit, Succeeded(0))
                await self._lacks(tile, 200)
            case ServerHasNone():
                self._gate.report(permit, Unverified())
                self._in_a_row = 0
                await self._doubted(tile, permit, reply)
            case LinkDown():
                self._link_down(tile, permit, outcome.reason)
            case SignIn():
                where = self._source.sign_in_page(outcome.where)
                self._gate.report(permit, Failed(outcome.reason, PauseKind.SIGN_IN, where))
                await self._again(tile, permit, "sign-in page", outcome.reason, _ATTEMPTS)
                await self._page_came(outcome.reason)
            case RetryAfter():
                await self._strained(tile, permit, reply, outcome)
            case Unchanged() if tile in self._refresh:
                await self._unchanged(tile, permit, outcome)
            case TryAgain() | Unchanged():
                told = outcome.reason if isinstance(outcome, TryAgain) else None
                late = isinstance(reply, TransportFailure) and reply.kind in (
                    FailureKind.STALL,
                    FailureKind.DEADLINE,
                )
                reason = told or "the server says unchanged, unasked"
                by_server = isinstance(reply, Response)
                self._gate.report(permit, Failed(reason, by_server=by_server, timed_out=late))
                await self._again(tile, permit, "no whole tile", reason, _ATTEMPTS, by_server=by_server)
            case Refused() | WrongContent():
                kind = "refused" if isinstance(outcome, Refused) else "wrong content"
                self._gate.report(permit, Unverified())
                self._in_a_row += 1
                await self._doubted(tile, permit, reply, (kind, outcome.reason))

    def hold_to(self, kind: Kind) -> None:
        """Take no other kind of tile from now on: a pack has one format."""
        self._rules = replace(self._rules, kind=kind)

    # ------------------------------------------------------------------------------------ what came

    async def _keep(self, tile: Tile, outcome: Stored, digest: bytes) -> None:
        self._in_a_row = self._pages = 0
        self._ask_at_pages = _IN_A_ROW
        self._quarantine.proven = True
        if outcome.kind is Kind.JPG:
            self._jpeg_worker.note()
        if digest in self._source.blank:
            await self._lacks(tile, 200)
            return
        if self._rules.kind is None:
            self.hold_to(outcome.kind)
        self.repeats.saw(tile, digest)
        record = self._record_of(tile, outcome, digest)
        if record is None:
            await self._give_up(tile, "same picture", _SAME_PICTURE)
            return
        if isinstance(record, Received):
            self.tally.bytes += len(outcome.data)
        await self._record(record)
        await self._itself()

    def _record_of(self, tile: Tile, outcome: Stored, digest: bytes) -> Received | Renewed | None:
        now = int(self._clock.wall())
        if tile in self._refresh:
            return self._refresh.received(tile, outcome, digest, now)
        self.tally.stored += 1
        valid = outcome.etag, outcome.modified, outcome.fresh_until
        return Received(tile, outcome.data, digest, outcome.kind.value, now, *valid)

    async def _unchanged(self, tile: Tile, permit: Permit, outcome: Unchanged) -> None:
        record = self._refresh.unchanged(tile, outcome, int(self._clock.wall()))
        if record is not None:
            self._gate.report(permit, Succeeded(0))
            self._in_a_row = self._pages = 0
            self._quarantine.proven = True
            await self._record(record)
            await self._itself()
        elif self._refresh.drop_conditions(tile):
            self._gate.report(permit, Unverified())
            self._tiles.requeue(tile)
        else:
            reason = "the server says unchanged, unasked"
            self._gate.report(permit, Failed(reason, by_server=True))
            await self._again(tile, permit, "no whole tile", reason, _ATTEMPTS, by_server=True)

    async def _itself(self) -> None:
        """The host has just answered as only it can: what is in doubt can be settled, and its wishes heard."""
        await self._release()
        if self._host.needs_sample:
            await self._host.learn()
            if refusal := self._refusal():
                self.stop(refusal)

    async def _lacks(self, tile: Tile, status: int) -> None:
        if tile in self._refresh:
            self._refresh.gone(tile)
            self._leave(tile)
            return
        self.tally.absent += 1
        await self._record(Absent(tile, status, int(self._clock.wall())))

    async def _record(self, record: Record) -> None:
        self._leave(record.tile)
        if not isinstance(record, Trouble | Renewed):
            self.tally.settled.append(record.tile)
        await self._batch_writer.add(record)

    def _leave(self, tile: Tile) -> None:
        """The tile needs no further request."""
        self._tiles.settled(tile)
        self._turns.pop(tile, None)

    # ------------------------------------------------------------------------------------ what did not

    def _link_down(self, tile: Tile, permit: Permit, reason: str) -> None:
        # One of several names may be out of order by itself: the tile is asked of the next one. So may https
        # where http is not.
        self._turns[tile] = self._turns.get(tile, 0) + 1
        self._gate.report(permit, Failed(reason, None if self._gate.several else PauseKind.LINK))
        self._tiles.requeue(tile)
        self._note_unheard(permit, reason)

    def _note_unheard(self, permit: Permit, reason: str) -> None:
        """Give the layer up if other servers behind the gate answer time and again between its failures, and its
        own never does: its requests would hold theirs up to the end."""
        before, self._unheard = self._unheard, permit
        if (
            self._gate.several
            and not self.heard
            and before is not None
            and self._gate.last_success > before.started
        ):
            self._passed_over += 1
            if self._passed_over >= _IN_A_ROW:
                self.stop(no_response_error(self._source, reason))

    async def _strained(self, tile: Tile, permit: Permit, reply: Result, outcome: RetryAfter) -> None:
        plainly = isinstance(reply, Response) and reply.status == 429
        self._gate.report(permit, Throttled(outcome.reason, outcome.seconds, plainly))
        if plainly:
            self._tiles.requeue(tile)
        else:
            await self._again(tile, permit, "busy", outcome.reason, _ATTEMPTS_IF_BUSY, by_server=True)

    async def _page_came(self, reason: str) -> None:
        """Page after page where tiles should be: if the host is itself, the layer's address is at fault."""
        self._pages += 1
        if self._pages == self._ask_at_pages:
            self._ask_at_pages *= 2
            if await self._host.is_genuine(self._clock.now()):
                self._in_a_row = self._pages
                self.stop(only_refused_error(self._source, self._in_a_row, reason))

    async def _again(
        self, tile: Tile, permit: Permit, kind: str, reason: str, least: int, *, by_server: bool = False
    ) -> None:
        """Put a failed tile back; the attempt counts only if the link was seen to be sound meanwhile.

        `by_server` holds where a server answered, in good order, that it cannot: where nothing can vouch for
        it, that is taken at its word.
        """
        counts = self._gate.last_success > permit.started
        if not counts and self._tiles.exhausted:
            word = await self._host.is_genuine(permit.started)
            counts = word is True or (word is None and by_server)
        attempts = self._tiles.attempts.get(tile, 0) + counts
        if self._retries.enough(attempts, self._gate.retry_budget.enough(least)):
            await self._give_up(tile, kind, reason)
            return
        wait_s = self._retries.wait_s(max(attempts, 1))
        self._tiles.retry_at(tile, self._clock.now() + wait_s, attempts)

    async def _give_up(self, tile: Tile, kind: str, reason: str) -> None:
        self.tally.troubles[reason] += 1
        if tile in self._refresh:  # which is on board all the same
            self._refresh.failed(tile)
            self._leave(tile)
            return
        self.tally.failed += 1
        await self._record(Trouble(tile, kind, reason, int(self._clock.wall())))

    # ------------------------------------------------------------------------------------ what is in doubt

    async def _doubted(
        self, tile: Tile, permit: Permit, reply: Result, refusal: tuple[str, str] | None = None
    ) -> None:
        now = self._clock.now()
        status = reply.status if isinstance(reply, Response) else 0
        self._quarantine.hold(PendingAnswer(tile, status, _looks(reply), permit.started, now, refusal))
        if self._resolving:
            return
        if self._gate.pause is not None or self._quarantine.is_due(now) or self._in_a_row >= _IN_A_ROW:
            await self._ask_witness()
        elif len(self._quarantine) >= MOST_HELD:
            self.stop(self._lacks_all())

    async def _ask_witness(self, *, at_end: bool = False) -> None:
        """If cancelled: what is held back stays so, and is asked for again by the next run."""
        now = self._clock.now()
        self._resolving = True
        try:
            word = await self._host.is_genuine(now)
        finally:
            self._resolving = False
            self._turn.set()
        if word is False:
            self._in_a_row = 0
            self._gate.intercepted("nothing comes any more of what came before")
            for tile in self._quarantine.reject():
                self._tiles.requeue(tile)
            return
        if word and self._quarantine.proven:
            self._gate.confirmed(now)
            if self._in_a_row >= _IN_A_ROW:
                await self._take_at_word()
            await self._release()
        elif at_end or self._in_a_row >= _IN_A_ROW:
            await self._take_at_word()
        if at_end and self._quarantine:
            self.stop(self._lacks_all())

    def _lacks_all(self) -> AnswerError:
        return (unverified_absence_error if self._quarantine.proven else no_tile_error)(
            self._source, self._quarantine.lacks
        )

    async def _release(self) -> None:
        """The host is itself just now: what was held back is sure, or asked for once more."""
        sure, again = self._quarantine.confirm(self._clock.now())
        for tile in again:
            self._tiles.requeue(tile)
        for held in sure:
            await self._settle_held(held)

    async def _take_at_word(self) -> None:
        """Nothing can vouch for the host: a refusal is noted all the same, since it is asked for again next
        time, but a "no such tile" is not."""
        for held in self._quarantine.refusals():
            await self._settle_held(held)

    async def _settle_held(self, held: PendingAnswer) -> None:
        if held.refusal is None:
            await self._lacks(held.tile, held.status)
            return
        await self._give_up(held.tile, *held.refusal)
        if self._in_a_row >= _IN_A_ROW and not self._stopping:
            self.stop(only_refused_error(self._source, self._in_a_row, held.refusal[1]))


def _is_bare_jpeg(answer: Response) -> bool:
    """Whether what came is to be stored just as it came, should it be a whole JPEG, as it looks to be."""
    bare = answer.status == 200 and "content-encoding" not in answer.headers
    return bare and answer.body.startswith(JPEG_BEGINS)


def _looks(reply: Result) -> tuple[str, ...]:
    """What a server's refusals have in common, whatever tile was asked for: not their text, which may name it."""
    if not isinstance(reply, Response):
        return (reply.kind.value,)
    return str(reply.status), *(reply.headers.get(name, "") for name in ("content-type", "server", "via"))
