"""A layer whose tiles hands ask for: the planning machine deals them out, and settles what comes back."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

from packer.errors import AnswerError, InputError, LastbarError, NetworkError, TermsError
from packer.fetching.actions import KeepStored, NoteTrouble, Store
from packer.fetching.hands.settled import FaultyError, Settled, SettledAction, read_settled
from packer.fetching.hands.tile_leases import TileLeases
from packer.fetching.layer_fetcher import LayerFetcher
from packer.fetching.pacing.gate import Gate
from packer.fetching.refresh import stored_or_kept
from packer.fetching.reports import HandProgress
from packer.geometry.blocks import block_tiles
from packer.geometry.tileset import Tile
from packer.store.writer import Validators

__all__ = ["HandsFetcher", "error_of"]

_LOOK_EVERY_S = 0.25
_LONGEST = 1000  # characters; a longer validator is not sent to a server either
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
        self._leads: dict[Tile, Tile] = {}  # of blocks that are out, by their top left tiles
        self._parts: dict[Tile, dict[Tile, SettledAction]] = {}  # of blocks of which some tiles have come

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
    def tiles_each(self) -> float:
        """How many tiles one stands for, as the dealing sees it: all of a block, at most."""
        blocks = self._recorder.metatiles
        return 1.0 if blocks is None else float(blocks.side**2)

    @property
    def bits_per_second(self) -> float | None:
        """What all hands may take together just now; None is without limit."""
        return self._access.speed.bits_per_second

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
        if (blocks := self._recorder.metatiles) is not None:
            self._leads.update((block_tiles(tile, blocks.side)[0], tile) for tile in dealt)
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
            self._forget_parts(tile)
            self._queue.requeue(tile, self._clock.now())
        self._changed.set()

    def asked(self, requests: int) -> None:
        """A hand sent so many requests."""
        for _ in range(requests):
            self._recorder.sent()

    async def dealt(self, tiles: list[Tile]) -> dict[str, Any]:
        """What a hand is told of these tiles, as `Dealt` has it. If cancelled: nothing has changed."""
        blocks, refresh = self._recorder.metatiles, self._recorder.refresh
        told: dict[str, Any] = {"places": [n for tile in tiles for n in tile]}
        if blocks is not None:
            told["marks"] = [blocks.marks(lead) for lead in tiles]
        elif copies := [(n, _copy_of(await refresh.known(t))) for n, t in enumerate(tiles) if t in refresh]:
            told["copies"] = copies
        return told

    async def settle(self, hand: str, found: Any) -> list[Store | KeepStored]:
        """Take in what a hand sent of one tile; what is on board by it. Waits while the writer is behind.

        The tiles of a block are kept until the last one is there, so that it is settled as a whole. Raises FaultyError
        for what is not as it has to be; its tile is then asked for again. If cancelled: a record may be lost, and its
        tile is then asked for again by the next run.
        """
        try:
            settled: Settled = read_settled(found, self.requests.source, self.reader.kind)
            if isinstance(settled.action, KeepStored) and settled.tile not in self._recorder.refresh:
                raise FaultyError("a tile is said to be as it was, and was not to be refreshed", settled.tile)
        except FaultyError as fault:
            if fault.args[1:] and (lead := self._lead_of(fault.args[1])) is not None:
                self.given_back(hand, [lead])
            raise
        lead = self._lead_of(settled.tile)
        if lead is None or not self.leases.has(hand, lead):
            return []  # it was out no longer: another hand has it by now
        blocks = self._recorder.metatiles
        parts = {settled.tile: settled.action}
        if blocks is not None:
            members = blocks.members(lead)
            parts = self._parts.setdefault(lead, {})
            if settled.tile in members:
                parts[settled.tile] = settled.action
            if len(parts) < len(members):
                return []
            parts = {tile: parts[tile] for tile in members}  # the lead last
        self.leases.remove(hand, lead)
        return await self._settle_all(lead, parts)

    def _lead_of(self, tile: Tile) -> Tile | None:
        """The dealt tile that stands for this one."""
        blocks = self._recorder.metatiles
        return tile if blocks is None else self._leads.get(block_tiles(tile, blocks.side)[0])

    async def _settle_all(self, lead: Tile, parts: dict[Tile, SettledAction]) -> list[Store | KeepStored]:
        """If cancelled: as `settle`."""
        blocks, came = self._recorder.metatiles, []
        actions = [(tile, await self._compared(tile, action)) for tile, action in parts.items()]
        for tile, action in actions:
            if isinstance(action, Store):
                self.reader.note_settled(tile, action)
            if isinstance(action, Store | KeepStored):
                came.append(action)
        if came:
            self.key_wait.tile_came(self._clock.now())
        self._policy.heard |= not all(isinstance(action, NoteTrouble) for _, action in actions)
        size_bytes = sum(len(one.outcome.data) for one in came if isinstance(one, Store))
        self._access.byte_budget.received(size_bytes, len(parts))
        if blocks is None:
            await self._recorder.apply(*actions[0])
        else:
            self._forget_parts(lead)
            await self._recorder.apply_block(blocks, lead, actions)
        self._changed.set()
        return came

    async def _compared(self, tile: Tile, action: SettledAction) -> SettledAction:
        """What becomes of a stored tile is decided here, by what is on board now. If cancelled: nothing has changed."""
        refresh = self._recorder.refresh
        if not isinstance(action, Store) or tile not in refresh:
            return action
        await refresh.headers(tile, {})  # looks up what is on board
        copy = refresh.compare(tile, action.outcome, action.digest)
        return stored_or_kept(action.outcome, action.digest, copy)

    def _forget_parts(self, lead: Tile) -> None:
        blocks = self._recorder.metatiles
        if blocks is not None:
            self._parts.pop(lead, None)
            self._leads.pop(block_tiles(lead, blocks.side)[0], None)


def _copy_of(known: Validators) -> tuple[str | None, str | None, bytes | None]:
    """What a hand is told of a copy on board; a validator without end, which a foreign pack may have, is left out."""
    etag, modified = (text if text and len(text) <= _LONGEST else None for text in known[:2])
    return etag, modified, known.hash
