"""The tiles of one layer that are out with hands: which hand has which, and until when.

A tile is out with one hand at most. It comes back when it is settled, when its hand gives it back, or some time after
the end of the lease, and only then may another hand have it. Pure: times are arguments.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from packer.geometry.tileset import Tile

__all__ = ["TileLeases"]


@dataclass(slots=True)
class _TilesOut:
    ends: float
    tiles: dict[Tile, None] = field(default_factory=dict)


class TileLeases:
    """The leases of one layer, one for each hand. A lease counts for `lag_s` seconds after its end."""

    def __init__(self, lag_s: float) -> None:
        self._lag_s = lag_s
        self._leases: dict[str, _TilesOut] = {}

    def __len__(self) -> int:
        return sum(len(lease.tiles) for lease in self._leases.values())

    def out_with(self, hand: str) -> int:
        """How many tiles a hand has."""
        return len(self._leases[hand].tiles) if hand in self._leases else 0

    def has(self, hand: str, tile: Tile) -> bool:
        """Whether the tile is out with this hand."""
        return hand in self._leases and tile in self._leases[hand].tiles

    def take(self, hand: str, tiles: Iterable[Tile], ends: float) -> None:
        """The hand has these tiles as well, and all that it has until `ends`."""
        lease = self._leases.setdefault(hand, _TilesOut(ends))
        lease.ends = max(lease.ends, ends)
        lease.tiles.update(dict.fromkeys(tiles))

    def extend(self, hand: str, ends: float) -> None:
        """What the hand has it may keep until `ends`, which may be sooner than was said before, if it knows."""
        if (lease := self._leases.get(hand)) is not None:
            lease.ends = ends

    def remove(self, hand: str, tile: Tile) -> bool:
        """The tile is settled or given back; whether the hand had it."""
        lease = self._leases.get(hand)
        if lease is None or tile not in lease.tiles:
            return False
        del lease.tiles[tile]
        return True

    def end(self, hand: str) -> list[Tile]:
        """The hand is known to ask for nothing any more: the tiles that it had."""
        lease = self._leases.pop(hand, None)
        return list(lease.tiles) if lease is not None else []

    def over(self, now: float) -> dict[str, list[Tile]]:
        """The tiles of each hand whose lease is over by now; they are out no longer."""
        hands = [hand for hand, lease in self._leases.items() if now > lease.ends + self._lag_s]
        return {hand: self.end(hand) for hand in hands}
