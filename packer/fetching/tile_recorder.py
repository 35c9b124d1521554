"""Carrying out what was decided about single tiles: records for the pack, counts, and tiles put back."""

from __future__ import annotations

from collections.abc import Iterable

from packer.common.clock import Clock
from packer.fetching.actions import (
    NO_WHOLE_TILE,
    Hold,
    KeepStored,
    NoteAbsent,
    NoteTrouble,
    Requeue,
    RetryAt,
    Store,
    TileAction,
)
from packer.fetching.batch_writer import BatchWriter
from packer.fetching.metatiles import Metatiles
from packer.fetching.refresh import Refresh, StoredCopy, stored_or_kept
from packer.fetching.reports import LayerCounts
from packer.fetching.tile_queue import TileQueue
from packer.geometry.tileset import Tile
from packer.store.records import Absent, Received, Record, Renewed, Trouble

__all__ = ["TileRecorder"]

_IN_THE_PLAN = (Received, Absent)  # records that settle a tile of the plan


class TileRecorder:
    """Writes, counts and puts back the tiles of one layer. `refresh` holds the tiles that are on board and asked
    for again: of those, what the server lacks or refuses is only counted, and the stored copy stays.

    With `metatiles` a tile of the queue stands for those of its block, and what is decided holds for each of them."""

    def __init__(
        self,
        queue: TileQueue,
        writer: BatchWriter,
        refresh: Refresh,
        clock: Clock,
        metatiles: Metatiles | None = None,
    ) -> None:
        self.metatiles = metatiles
        self._beside: Tile | None = None  # a tile that another one stands for in the queue
        self.counts = LayerCounts()
        self.refresh = refresh
        self._queue, self._writer, self._clock = queue, writer, clock
        self._turns: dict[Tile, int] = {}  # by how many subdomains a tile was passed on

    def turn(self, tile: Tile) -> int:
        """Which of the layer's subdomains, counted from the tile's own, is to be asked for it."""
        return self._turns.get(tile, 0) if self._turns else 0

    def tiles_of(self, tile: Tile) -> int:
        """For how many tiles one of the queue stands."""
        return 1 if self.metatiles is None else len(self.metatiles.members(tile))

    def sent(self) -> None:
        """A request starts."""
        self.counts.requests += 1
        self._writer.asked()

    def answered(self, took_s: float) -> None:
        """A request ended, so long after its start."""
        self.counts.took_s += 0.1 * (took_s - self.counts.took_s)

    async def apply(self, tile: Tile, action: TileAction) -> None:
        """Carry out what was decided about the tile, and all that it stands for.

        If cancelled: a record may be lost, and its tile is then asked for again by the next run. If the process
        dies: so are the records that were not yet committed.
        """
        if self.metatiles is None or isinstance(action, Hold | RetryAt | Requeue):
            await self._apply(tile, action)
            return
        await self.apply_block(self.metatiles, tile, await self._shared_out(self.metatiles, tile, action))

    async def apply_block(
        self, metatiles: Metatiles, lead: Tile, actions: Iterable[tuple[Tile, TileAction]]
    ) -> None:
        """Carry out what was decided about each tile of a block, of which the lead is the last one. If cancelled, or if
        the process dies: as `apply`."""
        for one, its_action in actions:
            self._beside = None if one == lead else one
            await self._apply(one, its_action)
        metatiles.settled(lead)

    async def _shared_out(
        self, metatiles: Metatiles, lead: Tile, action: TileAction
    ) -> list[tuple[Tile, TileAction]]:
        """What follows for each tile of a block, the lead last. If cancelled: nothing has changed."""
        if not isinstance(action, Store):
            return [(tile, action) for tile in metatiles.members(lead)]
        shared: list[tuple[Tile, TileAction]] = []
        for piece in metatiles.cut_tiles(lead):
            copy = StoredCopy.NONE
            if piece.tile in self.refresh:
                await self.refresh.headers(piece.tile, {})  # looks up what is on board
                copy = self.refresh.compare(piece.tile, piece.outcome, piece.digest)
            if metatiles.is_blank(piece):
                shared.append((piece.tile, NoteAbsent(200)))
            else:
                shared.append((piece.tile, stored_or_kept(piece.outcome, piece.digest, copy)))
        return shared

    async def _apply(self, tile: Tile, action: TileAction) -> None:
        match action:
            case Store():
                await self._write(self._received(tile, action))
            case KeepStored():
                await self._write(self._renewed(tile, action))
            case NoteAbsent(status):
                await self._absent(tile, status)
            case NoteTrouble():
                await self._trouble(tile, action)
            case RetryAt(when, attempts, apart):
                self._queue.retry_at(tile, when, attempts, self._clock.now(), apart=apart)
            case Requeue():
                if action.next_host:
                    self._turns[tile] = self._turns.get(tile, 0) + 1
                if action.without_conditions:
                    self.refresh.drop_conditions(tile)
                self._queue.requeue(tile, self._clock.now())

    def _received(self, tile: Tile, store: Store) -> Received:
        came = store.outcome
        self.counts.bytes += len(came.data)
        if tile in self.refresh:
            self.refresh.counts.new += 1
        else:
            self.counts.stored += 1
        now = int(self._clock.wall())
        kind = came.kind.value
        return Received(tile, came.data, store.digest, kind, now, came.etag, came.modified, came.fresh_until)

    def _renewed(self, tile: Tile, kept: KeepStored) -> Renewed:
        self.refresh.counts.unchanged += 1
        came = kept.outcome
        return Renewed(tile, int(self._clock.wall()), came.etag, came.modified, came.fresh_until)

    async def _absent(self, tile: Tile, status: int) -> None:
        if tile in self.refresh:
            self.refresh.counts.gone += 1
            self.refresh.settled(tile)
            self._leave(tile, came=True)
            return
        self.counts.absent += 1
        await self._write(Absent(tile, status, int(self._clock.wall())))

    async def _trouble(self, tile: Tile, trouble: NoteTrouble) -> None:
        kind, reason = trouble.kind, trouble.reason
        self.counts.troubles[reason] += 1
        if tile in self.refresh:
            self.refresh.counts.failed += 1
            self.refresh.settled(tile)
            self._leave(tile, came=False)
            return
        self.counts.failed += 1
        if kind == NO_WHOLE_TILE:
            self.counts.never_came.append(tile)
            self.counts.asked_less += trouble.asked_less
        await self._write(Trouble(tile, kind, reason, int(self._clock.wall())))

    async def _write(self, record: Record) -> None:
        self._leave(record.tile, came=not isinstance(record, Trouble))
        if isinstance(record, _IN_THE_PLAN):
            self.counts.settled.append(record.tile)
            if isinstance(record, Absent):
                self.counts.found_absent.append(record.tile)
        await self._writer.add(record)

    def _leave(self, tile: Tile, *, came: bool) -> None:
        """The tile needs no further request."""
        if tile == self._beside:
            return
        self._queue.settled(tile, self._clock.now(), came=came)
        if self._turns:
            self._turns.pop(tile, None)
