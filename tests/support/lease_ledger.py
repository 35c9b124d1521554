"""Which hand had which tile on a lease from when to when, and whether a server was asked for it within that alone."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

from packer.fetching.hands.tile_leases import TileLeases
from packer.geometry.tileset import Tile

__all__ = ["Grant", "LeaseLedger", "recorded_leases"]

_NEVER = float("inf")


@dataclass
class Grant:
    """A tile on a lease: to a hand, from a moment until its end. `ended` is why: "open" while it has not."""

    hand: str
    start: float
    end: float = _NEVER
    ended: str = "open"


@dataclass
class LeaseLedger:
    """What was granted, in order, by the planning machine's clock."""

    grants: dict[Tile, list[Grant]] = field(default_factory=lambda: defaultdict(list))
    ends: dict[str, float] = field(default_factory=dict)

    def granted(self, hand: str, tiles: Iterable[Tile], now: float) -> None:
        """These are out with the hand from now on."""
        for tile in tiles:
            last = self.grants[tile][-1:]
            assert not last or last[0].ended != "open", f"{tile} is out with two hands"
            self.grants[tile].append(Grant(hand, now))

    def ended(self, hand: str, tiles: Iterable[Tile], end: float, why: str) -> None:
        """They are out no longer."""
        for tile in tiles:
            grant = self.grants[tile][-1]
            assert (grant.hand, grant.ended) == (hand, "open")
            grant.end, grant.ended = end, why

    def extended(self, hand: str, ends: float) -> None:
        """What the hand has it may keep until then."""
        self.ends[hand] = ends

    def restarted(self) -> None:
        """The planning machine has died: who has what it does not know any more, and by when that is over it has
        written down for itself."""
        for grants in self.grants.values():
            if grants[-1].ended == "open":
                grants[-1].end, grants[-1].ended = self.ends[grants[-1].hand], "lost"

    def checked(self, asked: Iterable[tuple[float, Tile]], tolerance_s: float = 0.0) -> Counter[str]:
        """Of what a server was asked for, by its clock, which is the same: how many requests were the `first` ones
        for their tiles, `again` for one whose lease before had ended, `same lease` for one asked for twice on one
        lease, `outside` any lease, and `early` after a restart, before a lease was over that was lost by it.
        `tolerance_s` is for what a request takes to the server's ledger."""
        found: Counter[str] = Counter()
        used: set[tuple[Tile, float]] = set()
        seen: set[Tile] = set()
        for when, tile in sorted(asked):
            begun = [grant for grant in self.grants.get(tile, ()) if grant.start <= when]
            grant = begun[-1] if begun else None
            if grant is None or when > grant.end + tolerance_s:
                found["outside"] += 1
            elif any(before.ended == "lost" and before.end > when for before in begun[:-1]):
                found["early"] += 1
            elif (tile, grant.start) in used:
                found["same lease"] += 1
            else:
                found["again" if tile in seen else "first"] += 1
                used.add((tile, grant.start))
            seen.add(tile)
        return found

    @classmethod
    def read(cls, path: Path) -> LeaseLedger:
        """What processes of a planning machine, one after the other, wrote by `recorded_leases`."""
        ledger = cls()
        for line in path.read_text(encoding="utf-8").splitlines():
            what, hand, when, flat = json.loads(line)
            tiles = [Tile(*one) for one in flat]
            match what:
                case "began":
                    ledger.restarted()
                case "granted":
                    ledger.granted(hand, tiles, when)
                case "extended":
                    ledger.extended(hand, when)
                case _:
                    ledger.ended(hand, tiles, when, what)
        return ledger


def recorded_leases(
    note: Callable[[str, str, float, list[Tile]], None], now: Callable[[], float]
) -> type[TileLeases]:
    """`TileLeases` that notes what is granted and what ends: what, for which hand, when, and which tiles.

    A lease that was not extended ends when the hand was told that it would, though its tiles come back later.
    """

    class Recorded(TileLeases):
        def take(self, hand: str, tiles: Iterable[Tile], ends: float) -> None:
            some = list(tiles)
            super().take(hand, some, ends)
            note("extended", hand, self._leases[hand].ends, [])
            if some:
                note("granted", hand, now(), some)

        def extend(self, hand: str, ends: float) -> None:
            super().extend(hand, ends)
            note("extended", hand, ends, [])

        def remove(self, hand: str, tile: Tile) -> bool:
            had = super().remove(hand, tile)
            if had:
                note("came back", hand, now(), [tile])
            return had

        def end(self, hand: str) -> list[Tile]:
            ends = self._leases[hand].ends if hand in self._leases else 0.0
            tiles = super().end(hand)
            if tiles:
                over = now() > ends
                note("over" if over else "left", hand, min(ends, now()), tiles)
            return tiles

    return Recorded
