"""What a hand knows of dealt tiles beside their places: of a block which tiles it has, and of a stored tile, which is
to be refreshed, what the copy on board came with."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from packer.common.clock import Clock
from packer.fetching.actions import NoteTrouble
from packer.fetching.batch_writer import BatchWriter
from packer.fetching.hands.leased_tiles import LeasedTiles
from packer.fetching.hosts.source import Source
from packer.fetching.metatiles import Metatiles
from packer.fetching.refresh import Refresh
from packer.fetching.tile_recorder import TileRecorder
from packer.geometry.blocks import block_tiles
from packer.geometry.tileset import Tile, TileSet
from packer.store.records import Absent, Trouble
from packer.store.writer import Validators

__all__ = ["Dealt", "HandRecorder", "LeasedBlocks", "LeasedRefresh"]

_Mark = Annotated[int, Field(ge=0, lt=1 << 64)]
_Copy = tuple[str | None, str | None, bytes | None]


class Dealt(BaseModel):
    """Tiles that are dealt: `places` has zoom, column and row of each, one after the other. For leads of blocks,
    `marks` has which tiles of each are planned and which are wanted, see `Metatiles.marks`. `copies` has entity tag,
    date of change and hash of stored tiles, by their number among the tiles."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    places: list[int] = []
    marks: list[tuple[_Mark, _Mark]] = []
    copies: list[tuple[int, _Copy]] = []

    @classmethod
    def of(cls, found: Any) -> Dealt:
        """As it came. Raises ValueError."""
        return cls.model_validate(found)

    @property
    def tiles(self) -> list[Tile]:
        """The tiles, or the leads of blocks."""
        flat = self.places
        return [Tile(*flat[i : i + 3]) for i in range(0, len(flat), 3)]

    def copies_by_tile(self) -> Iterable[tuple[Tile, Validators]]:
        """What is known of the copies on board."""
        flat = self.places
        return [(Tile(*flat[3 * n : 3 * n + 3]), Validators(*copy)) for n, copy in self.copies]


class LeasedRefresh(Refresh):
    """The stored tiles that a hand was dealt, each with what its copy on board came with."""

    def __init__(self) -> None:
        super().__init__(TileSet(), 0, self._known, wanted=False)
        self._copies: dict[Tile, Validators] = {}

    def __contains__(self, tile: Tile) -> bool:
        return tile in self._copies

    def deal(self, copies: Iterable[tuple[Tile, Validators]]) -> None:
        """These as well."""
        self._copies.update(copies)

    def forget(self, tiles: Iterable[Tile]) -> None:
        """The hand has these no longer."""
        for tile in tiles:
            if self._copies.pop(tile, None) is not None:
                self.settled(tile)

    async def _known(self, tile: Tile) -> Validators:
        return self._copies[tile]


class LeasedBlocks(Metatiles):
    """The blocks that a hand was dealt."""

    def __init__(self, source: Source, side: int, gutter_px: int) -> None:
        self._dealt_planned: set[Tile] = set()
        self._dealt_wanted: set[Tile] = set()
        super().__init__(source, side, self._dealt_planned, self._dealt_wanted, gutter_px)

    def deal(self, leads: Sequence[Tile], marks: Iterable[tuple[int, int]]) -> None:
        """These as well."""
        for lead, (planned, wanted) in zip(leads, marks, strict=True):
            for n, tile in enumerate(block_tiles(lead, self.side)):
                if planned >> n & 1:
                    self._dealt_planned.add(tile)
                if wanted >> n & 1:
                    self._dealt_wanted.add(tile)

    def settled(self, lead: Tile) -> None:
        """As `Metatiles.settled`; its tiles are forgotten."""
        super().settled(lead)
        self.forget([lead])

    def forget(self, leads: Iterable[Tile]) -> None:
        """The hand has these no longer."""
        for lead in leads:
            tiles = block_tiles(lead, self.side)
            self._dealt_planned.difference_update(tiles)
            self._dealt_wanted.difference_update(tiles)


class HandRecorder(TileRecorder):
    """Records what became of tiles, to be sent. What is only counted of a stored tile, that it is gone or could not be
    had, is said of it as well: the planning machine counts."""

    refresh: LeasedRefresh

    def __init__(
        self,
        queue: LeasedTiles,
        writer: BatchWriter,
        clock: Clock,
        blocks: LeasedBlocks | None,
    ) -> None:
        super().__init__(queue, writer, LeasedRefresh(), clock, blocks)
        self.blocks = blocks

    def deal(self, dealt: Dealt) -> None:
        """What these tiles have beside their places. Raises ValueError where it does not go with them."""
        if self.blocks is not None:
            self.blocks.deal(dealt.tiles, dealt.marks)
        if dealt.copies:
            self.refresh.deal(dealt.copies_by_tile())

    def forget(self, tiles: Sequence[Tile]) -> None:
        """The hand has these no longer, and has settled none of them."""
        if self.blocks is not None:
            self.blocks.forget(tiles)
        self.refresh.forget(tiles)

    async def _absent(self, tile: Tile, status: int) -> None:
        self.counts.absent += 1
        await self._write(Absent(tile, status, int(self._clock.wall())))

    async def _trouble(self, tile: Tile, trouble: NoteTrouble) -> None:
        await self._write(Trouble(tile, trouble.kind, trouble.reason, int(self._clock.wall())))

    def _leave(self, tile: Tile, *, came: bool) -> None:
        super()._leave(tile, came=came)
        self.refresh.forget([tile])
