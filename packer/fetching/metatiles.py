"""Blocks of tiles that are asked for as one picture and cut apart.

The queue hands out one tile of each block, its lead, which stands for all of its block's tiles that are wanted: those
that are planned and not on board, or to be refreshed. What is decided about the lead is carried out for each of them.
The picture reaches over the planned tiles of the block, on board or not, so that it is drawn alike whatever is stored.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple, Protocol

from packer.content.cutting import cut_picture
from packer.content.damage import Damaged
from packer.content.digest import body_hash
from packer.fetching.answers.outcome import Outcome, Stored, TileRules, TryAgain
from packer.fetching.hosts.source import Source
from packer.geometry.blocks import TileBlock, block_around, block_tiles
from packer.geometry.tileset import Tile

__all__ = ["CutTile", "Metatiles"]


class _Tiles(Protocol):
    def __contains__(self, tile: tuple[int, int, int], /) -> bool: ...


class CutTile(NamedTuple):
    """One tile out of a picture, and the SHA-256 of its body."""

    tile: Tile
    outcome: Stored
    digest: bytes


class Metatiles:
    """The blocks of one layer. `planned` are all of its tiles, `wanted` those to be asked for; `gutter_px` is what is
    asked for round each picture and thrown away.

    Memory is bounded by the blocks of which some tiles were handed out and others are still to come.
    """

    def __init__(
        self,
        source: Source,
        side: int,
        planned: _Tiles,
        wanted: _Tiles,
        gutter_px: int = 0,
    ) -> None:
        self.side, self.gutter_px = side, gutter_px
        self._source, self._planned, self._wanted = source, planned, wanted
        self._begun: dict[Tile, int] = {}  # tiles still to pass by, by the block's top left tile
        self._cut: dict[Tile, list[CutTile]] = {}

    def leads(self, tiles: Iterator[Tile]) -> Iterator[Tile]:
        """Of tiles that are wanted, each once, the first of each block."""
        for tile in tiles:
            block = block_tiles(tile, self.side)[0]
            left = self._begun.get(block)
            if left is None:
                left = len(self.members(tile))
                yield tile
            if left > 1:
                self._begun[block] = left - 1
            else:
                self._begun.pop(block, None)

    def members(self, lead: Tile) -> list[Tile]:
        """The wanted tiles of a block, its lead last, so that the queue is not done before all are settled."""
        others = [tile for tile in block_tiles(lead, self.side) if tile in self._wanted and tile != lead]
        return [*others, lead]

    def marks(self, lead: Tile) -> tuple[int, int]:
        """Which tiles of a block are planned, and which are wanted: a bit for each, in the order of `block_tiles`."""
        tiles = block_tiles(lead, self.side)
        planned = sum(1 << n for n, tile in enumerate(tiles) if tile in self._planned)
        return planned, sum(1 << n for n, tile in enumerate(tiles) if tile in self._wanted)

    def block(self, lead: Tile) -> TileBlock:
        """What the picture of a block reaches over."""
        return block_around(
            [tile for tile in block_tiles(lead, self.side) if tile in self._planned] or [lead]
        )

    def url(self, source: Source, lead: Tile, turn: int) -> str:
        """The address of a block's picture, by the source with the key that holds now."""
        return source.block_url(self.block(lead), turn, self.gutter_px)

    def rules(self, lead: Tile, rules: TileRules) -> TileRules:
        """What a block's picture must be."""
        block = self.block(lead)
        size_px, shape = self._source.address.tile_px, (block.columns, block.rows)
        return replace(rules, size_px=size_px, block=shape, gutter_px=self.gutter_px)

    async def cut(self, lead: Tile, outcome: Outcome) -> Outcome:
        """The outcome, once its picture is cut apart in a thread of its own; others as they are.

        If cancelled: nothing has changed.
        """
        if not isinstance(outcome, Stored):
            return outcome
        try:
            self._cut[lead] = await asyncio.to_thread(self._cut_apart, lead, outcome)
        except Damaged as fault:
            return TryAgain(f"damaged on the way: {fault}")
        return outcome

    def _cut_apart(self, lead: Tile, outcome: Stored) -> list[CutTile]:
        block, members = self.block(lead), self.members(lead)
        if (block.columns, block.rows) == (1, 1) and not self.gutter_px:
            return [CutTile(lead, outcome, body_hash(outcome.data))]
        # What the server says of the picture holds for none of its tiles alone.
        plain = replace(outcome, etag=None, modified=None)
        places = [block.place(tile) for tile in members]
        bodies = cut_picture(outcome.data, outcome.kind, self._source.address.tile_px, places, self.gutter_px)
        return [
            CutTile(tile, replace(plain, data=body), body_hash(body))
            for tile, body in zip(members, bodies, strict=True)
        ]

    def cut_tiles(self, lead: Tile) -> list[CutTile]:
        """The tiles of a picture that was cut apart."""
        return self._cut.get(lead, [])

    def is_blank(self, piece: CutTile) -> bool:
        """Whether the brief says that this picture stands for "no tile"."""
        return piece.digest in self._source.blank

    def settled(self, lead: Tile) -> None:
        """Nothing is left to do for a block."""
        self._cut.pop(lead, None)
