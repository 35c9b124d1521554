"""A layer whose tiles hands ask for: the planning machine deals them out, and settles what comes back."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

from packer.errors import AnswerError, InputError, LastbarError, NetworkError, TermsError
from packer.fetching.actions import NoteAbsent, Store
from packer.fetching.hands.settled import FaultyError, Settled, read_settled
from packer.fetching.hands.tile_leases import TileLeases
from packer.fetching.layer_fetcher import LayerFetcher
from packer.fetching.pacing.gate import Gate
from packer.fetching.reports import HandProgress
from packer.geometry.tileset import Tile

__all__ = ["HandsFetcher", "error_of"]

_LOOK_EVERY_S = 0.25
_ERRORS = {kind.__name__: kind for kind in (AnswerError, InputError, NetworkError, TermsError)}


def error_of(kind: str, text: str) -> LastbarError:
    """An error that ended a layer at a hand, as the planning machine raises it."""
    return _ERRORS.get(kind, AnswerError)(text)


class HandsFetcher(LayerFetcher):
    """Deals a layer's tiles instead of asking for them. `roster` tells of the hands.

    A tile is out with one hand at a time, see `TileLeases`; what comes for a tile that is not out with whoever sends it
    is thrown away.
    """

    leases: TileLeases
    roster: Callable[[], tuple[HandProgress, ...]]

    def lend(self, roster: Callable[[], tuple[HandProgress, ...]], lag_s: float) -> None:
        """To be called once, before anything else; a lease counts for `lag_s` seconds after its end."""
        self.leases, self.roster = TileLeases(lag_s), roster
        self._changed = asyncio.Event()

    @property
    def hands(self) -> tuple[HandProgress, ...]:
        """The hands at work."""
        return self.roster()

    @property
    def gate(self) -> Gate:
        """That of the layer's own host."""
        return self._gate

    @property
    def stopping(self) -> bool:
        """Whether nothing more is to be asked for."""
        return self._stopping

    @property
    def exhausted(self) -> bool:
        """Whether every tile has been dealt at least once."""
        return self._queue.exhausted

    @property
    def has_more(self) -> bool:
        """Whether there is a tile to deal."""
        return not (self._stopping or self._queue.is_empty)

    async def run(self, workers: int) -> None:  # noqa: ARG002  # hands have their own
        """Until every tile is settled, or `stop` was called and every hand has given back what it had. If cancelled:
        what the writer was given is stored."""
        if (first := self._queue.get(self._clock.now())) is not None:  # or there is none, which it notes
            self._queue.requeue(first, self._clock.now())
        keys = asyncio.create_task(self._renew_keys())
        try:
            while not (self._queue.done or (self._stopping and not len(self.leases))):
                now = self._clock.now()
                for tiles in self.leases.over(now).values():
                    self._back(tiles)
                self._changed.clear()
                tick = asyncio.ensure_future(self._clock.sleep(_LOOK_EVERY_S))
                turn = asyncio.ensure_future(self._changed.wait())
                await asyncio.wait([tick, turn], return_when="FIRST_COMPLETED")
                tick.cancel()
                turn.cancel()
        finally:
            keys.cancel()
            await asyncio.gather(keys, return_exceptions=True)

    async def _renew_keys(self) -> None:
        """While hands say that the key has ended, look for another one. If cancelled: the old one stays."""
        while True:
            if self.key_wait.pause is None or not await self.key_wait.is_probe(lambda: self._stopping):
                await self._clock.sleep(_LOOK_EVERY_S)
            else:
                self.key_wait.probed(refused=True)  # what the hands' own probes find out, they say

    # ------------------------------------------------------------------------------------ to hands and back

    def deal(self, hand: str, count: int, ends: float) -> list[Tile]:
        """The next tiles for a hand, so many at most, on a lease until `ends`."""
        budget, now = self._access.byte_budget, self._clock.now()
        dealt: list[Tile] = []
        while len(dealt) < count and not self._stopping:
            if not budget.may_ask(out := len(self.leases) + len(dealt)):
                if not out:
                    self.stop()
                break
            tile = self._queue.get(now)
            if tile is None:
                break
            dealt.append(tile)
        self.leases.take(hand, dealt, ends)
        return dealt

    def given_back(self, hand: str, tiles: list[Tile]) -> None:
        """The hand has these no longer, and has settled none of them."""
        self._back([tile for tile in tiles if self.leases.remove(hand, tile)])

    def left(self, hand: str) -> None:
        """The hand asks for nothing any more."""
        self._back(self.leases.end(hand))

    def _back(self, tiles: list[Tile]) -> None:
        for tile in tiles:
            self._queue.requeue(tile, self._clock.now())
        self._changed.set()

    def asked(self, requests: int) -> None:
        """A hand sent so many requests."""
        for _ in range(requests):
            self._recorder.sent()

    async def settle(self, hand: str, found: Any) -> Store | None:
        """Take in what a hand sent of one tile; what was stored of it, if so. Waits while the writer is behind.

        Raises FaultyError for what is not as it has to be; its tile is then asked for again. If cancelled: a record may
        be lost, and its tile is then asked for again by the next run.
        """
        try:
            settled: Settled = read_settled(found, self.requests.source, self.reader.kind)
        except FaultyError as fault:
            if fault.args[1:]:
                self.given_back(hand, [fault.args[1]])
            raise
        tile, action = settled.tile, settled.action
        if not self.leases.remove(hand, tile):
            return None  # it was out no longer: another hand has it by now
        if isinstance(action, Store):
            self._policy.heard = True
            self.reader.note_settled(tile, action)
            self._access.byte_budget.received(len(action.outcome.data), 1)
            self.key_wait.tile_came(self._clock.now())
        elif isinstance(action, NoteAbsent):
            self._policy.heard = True
        await self._recorder.apply(tile, action)
        self._changed.set()
        return action if isinstance(action, Store) else None
