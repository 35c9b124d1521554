"""The crew of one layer: workers that ask for tiles until nothing is left, and settle what came."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Protocol

from packer.address import Address
from packer.errors import AnswerError, LastbarError
from packer.fetching.clock import Clock
from packer.fetching.feed import Feed
from packer.fetching.gate import Gate, Pass, PauseKind
from packer.fetching.outbox import Outbox
from packer.fetching.pacing import jittered
from packer.net import Answer, Door, Failure, Fault, Reply
from packer.outcome import (
    LinkDown,
    Outcome,
    Refused,
    ServerHasNone,
    SignIn,
    Stored,
    TileRules,
    TryAgain,
    Unchanged,
    WaitSoLong,
    WrongContent,
    judge,
)
from packer.payload import Kind
from packer.store import Absent, Received, Record, Trouble, body_hash
from packer.tileset import Tile

__all__ = ["DEADLINE_S", "LIMIT_BYTES", "Crew", "Source", "Tally"]

DEADLINE_S = 60.0  # for one tile, whatever trickles in
LIMIT_BYTES = 16_000_000  # far above any tile; a larger body is something else
_ATTEMPTS = 5
_ATTEMPTS_IF_BUSY = 20  # 503 for one tile while others come
_IN_A_ROW = 20  # refusals or wrong contents without one tile between them: the layer is at fault, not a tile
_RETRY_FIRST_S, _RETRY_LONGEST_S = 0.5, 20.0


@dataclass(slots=True)
class Tally:
    """What a run has done for one layer so far."""

    requests: int = 0
    stored: int = 0
    bytes: int = 0
    absent: int = 0
    failed: int = 0


@dataclass(frozen=True, slots=True)
class Source:
    """Where and how a layer's tiles are asked for; `headers` may hold keys and are never shown."""

    layer: str
    address: Address
    headers: Mapping[str, str] = field(repr=False)
    rules: TileRules


class Host(Protocol):
    """A second opinion on the host, where no tile can tell."""

    async def remember(self) -> None:
        """The host is itself just now. If cancelled: nothing is remembered."""
        ...

    async def check(self) -> bool:
        """Whether the host answers as it did then. If cancelled: nothing is held."""
        ...


class Crew:
    """See the module. `failure` is set if the layer as a whole had to be given up."""

    def __init__(
        self,
        source: Source,
        feed: Feed,
        gate: Gate,
        door: Door,
        outbox: Outbox,
        clock: Clock,
        host: Host,
    ) -> None:
        self.tally = Tally()
        self.failure: LastbarError | None = None
        self._source, self._feed, self._gate, self._door = source, feed, gate, door
        self._outbox, self._clock, self._host = outbox, clock, host
        self._rules, self._host_known = source.rules, False
        self._stopping = False
        self._turn = asyncio.Event()
        self._in_a_row = 0

    def stop(self, failure: LastbarError | None = None) -> None:
        """Ask for nothing more; what is in hand is finished."""
        self._stopping = True
        self.failure = self.failure or failure
        self._turn.set()

    async def run(self, workers: int) -> None:
        """Work until every tile is settled or `stop` was called.

        If cancelled: tiles under way are not stored; records handed to the outbox before are.
        """
        async with asyncio.TaskGroup() as group:
            for _ in range(workers):
                group.create_task(self._work())

    async def _work(self) -> None:
        while not self._stopping:
            tile = self._feed.take(self._clock.now(), prefer_fresh=self._gate.pause is not None)
            if tile is None:
                if self._feed.done:
                    self._turn.set()
                    return
                await self._until_due()
                continue
            leave = await self._gate.enter()
            if leave is None:
                self._feed.put_back(tile)
                return
            await self._ask(tile, leave)
            if self._feed.dry:
                self._turn.set()

    async def _until_due(self) -> None:
        """Wait until a put-back tile is due or another worker has come back with one."""
        self._turn.clear()
        due = self._feed.next_at
        turn = asyncio.ensure_future(self._turn.wait())
        timers = [] if due is None else [asyncio.ensure_future(self._clock.sleep(due - self._clock.now()))]
        try:
            await asyncio.wait([turn, *timers], return_when="FIRST_COMPLETED")
        finally:
            for task in (turn, *timers):
                task.cancel()

    async def _ask(self, tile: Tile, leave: Pass) -> None:
        source = self._source
        self.tally.requests += 1
        self._outbox.asked()
        try:
            reply = await self._door.fetch(source.address.url(tile), source.headers, DEADLINE_S, LIMIT_BYTES)
        except asyncio.CancelledError:
            self._gate.dropped(leave)
            self._feed.put_back(tile)
            raise
        await self._settle(tile, leave, reply, judge(reply, self._rules, self._clock.wall()))

    async def _settle(self, tile: Tile, leave: Pass, reply: Reply, outcome: Outcome) -> None:
        match outcome:
            case Stored():
                self._gate.good(leave, len(outcome.data))
                await self._keep(tile, outcome)
            case ServerHasNone():
                self._gate.good(leave, 0)
                self.tally.absent += 1
                self._in_a_row = 0
                await self._record(Absent(tile, outcome.status, int(self._clock.wall())))
            case LinkDown():
                self._gate.bad(leave, outcome.reason, kind=PauseKind.LINK)
                self._feed.put_back(tile)
            case SignIn():
                self._gate.bad(leave, outcome.reason, kind=PauseKind.SIGN_IN, where=outcome.where)
                await self._again(tile, leave, "sign-in page", outcome.reason, _ATTEMPTS)
            case WaitSoLong():
                self._gate.strained(leave, outcome.reason, outcome.seconds)
                if isinstance(reply, Answer) and reply.status == 429:
                    self._feed.put_back(tile)
                else:
                    await self._again(tile, leave, "busy", outcome.reason, _ATTEMPTS_IF_BUSY)
            case TryAgain() | Unchanged():
                reason = (
                    outcome.reason if isinstance(outcome, TryAgain) else "the server says unchanged, unasked"
                )
                if isinstance(reply, Failure) and reply.fault in (Fault.STALL, Fault.DEADLINE):
                    self._gate.slow(leave)
                self._gate.bad(leave, reason)
                await self._again(tile, leave, "no whole tile", reason, _ATTEMPTS)
            case Refused() | WrongContent():
                self._gate.dropped(leave)
                await self._give_up(
                    tile, "refused" if isinstance(outcome, Refused) else "wrong content", outcome.reason
                )
                self._count_in_a_row(outcome.reason)

    def hold_to(self, kind: Kind) -> None:
        """Take no other kind of tile from now on: a pack has one format."""
        self._rules = replace(self._rules, kind=kind)

    async def _keep(self, tile: Tile, outcome: Stored) -> None:
        self._in_a_row = 0
        if self._rules.kind is None:
            self.hold_to(outcome.kind)
        self.tally.stored += 1
        self.tally.bytes += len(outcome.data)
        await self._record(
            Received(
                tile,
                outcome.data,
                body_hash(outcome.data),
                outcome.kind.value,
                int(self._clock.wall()),
                outcome.etag,
                outcome.modified,
                outcome.fresh_until,
            )
        )
        if not self._host_known:
            self._host_known = True
            await self._host.remember()

    async def _record(self, record: Record) -> None:
        self._feed.settled(record.tile)
        await self._outbox.add(record)

    async def _again(self, tile: Tile, leave: Pass, kind: str, reason: str, most: int) -> None:
        """Put a failed tile back; the attempt counts only if the link was seen to be sound meanwhile."""
        counts = self._gate.fair(leave) or (self._feed.dry and await self._host.check())
        attempts = self._feed.attempts.get(tile, 0) + counts
        if attempts >= most:
            await self._give_up(tile, kind, reason)
            return
        wait_s = jittered(_RETRY_FIRST_S, max(attempts, 1), _RETRY_LONGEST_S, self._clock.chance())
        self._feed.retry_at(tile, self._clock.now() + wait_s, attempts)

    async def _give_up(self, tile: Tile, kind: str, reason: str) -> None:
        self.tally.failed += 1
        await self._record(Trouble(tile, kind, reason, int(self._clock.wall())))

    def _count_in_a_row(self, reason: str) -> None:
        self._in_a_row += 1
        if self._in_a_row >= _IN_A_ROW and not self._stopping:
            self.stop(
                AnswerError(
                    f'Layer "{self._source.layer}" was stopped: {self._in_a_row} answers in a row from '
                    f"{self._source.rules.host} were no tiles; the last: {reason}. Check the layer's "
                    "address, key and format in the brief, then run lastbar fetch again; what is stored stays."
                )
            )
